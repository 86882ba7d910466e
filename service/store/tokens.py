"""Tokens, stored as digests: what is shown once cannot be read back."""

from __future__ import annotations

import hashlib
import secrets
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from psycopg import Connection
from psycopg.rows import class_row

from service.store.errors import NotFound
from service.store.statements import sql


@dataclass(frozen=True, slots=True)
class TokenAccess:
    """What one token allows."""

    token_id: int
    scopes: list[str]
    site_id: int | None
    site: str | None


@dataclass(frozen=True, slots=True)
class TokenEntry:
    """One line of the list of tokens."""

    token_id: int
    name: str
    scopes: list[str]
    site: str | None
    created_at: datetime
    revoked_at: datetime | None


def find_token(conn: Connection[Any], digest: bytes) -> TokenAccess | None:
    """Return what a token allows; None where it is unknown or revoked.

    Parameters
    ----------
    digest : bytes, length 32
        SHA-256 of the token.
    """
    with conn.cursor(row_factory=class_row(TokenAccess)) as cursor:
        return cursor.execute(sql("tokens/find"), {"digest": digest}).fetchone()


def create_token(conn: Connection[Any], name: str, scopes: Sequence[str], site: str | None) -> str:
    """Make a token of 256 random bits and return it; only its digest is kept.

    Parameters
    ----------
    name : str
        Whose it is.
    scopes : sequence of str
        Of ``catalogue``, ``intake``, ``read``, ``admin``.
    site : str or None
        The site it is bound to; None = every site.

    Raises
    ------
    NotFound
        If there is no such site.
    """
    token = secrets.token_urlsafe(32)
    values = {
        "name": name,
        "digest": hashlib.sha256(token.encode()).digest(),
        "scopes": list(dict.fromkeys(scopes)),
        "site": site,
    }
    if conn.execute(sql("tokens/add"), values).fetchone() is None:
        raise NotFound("site", site)
    return token


def list_tokens(conn: Connection[Any]) -> list[TokenEntry]:
    """Return all tokens, revoked ones too, in the order they were made."""
    with conn.cursor(row_factory=class_row(TokenEntry)) as cursor:
        return cursor.execute(sql("tokens/list")).fetchall()


def revoke_tokens_of(conn: Connection[Any], name: str) -> None:
    """Take all tokens of a name out of force.

    Raises
    ------
    NotFound
    """
    if not conn.execute(sql("tokens/revoke_of"), {"name": name}).fetchall():
        raise NotFound("token", name)


def revoke_token(conn: Connection[Any], token_id: int) -> None:
    """Take a token out of force; once revoked it stays so.

    Raises
    ------
    NotFound
    """
    if conn.execute(sql("tokens/revoke"), {"token_id": token_id}).fetchone() is None:
        raise NotFound("token", token_id)
