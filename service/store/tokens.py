"""Tokens, stored as digests."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from psycopg import Connection
from psycopg.rows import class_row

from service.store.statements import sql


@dataclass(frozen=True, slots=True)
class TokenAccess:
    """What one token allows."""

    token_id: int
    scopes: list[str]
    site_id: int | None
    site: str | None


def find_token(conn: Connection[Any], digest: bytes) -> TokenAccess | None:
    """Return what a token allows; None where it is unknown or revoked.

    Parameters
    ----------
    digest : bytes, length 32
        SHA-256 of the token.
    """
    with conn.cursor(row_factory=class_row(TokenAccess)) as cursor:
        return cursor.execute(sql("tokens/find"), {"digest": digest}).fetchone()
