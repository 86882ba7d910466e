"""Keys of POSTs, with the answers they got."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from psycopg import Connection

from service.store.statements import sql


@dataclass(frozen=True, slots=True)
class Kept:
    """The answer of a request that had a key."""

    digest: bytes
    status: int
    location: str | None
    body: bytes


def claim_key(conn: Connection[Any], token_id: int, route: str, key: str) -> bool:
    """Return whether this transaction now holds the key; False while another one does."""
    row = conn.execute(sql("idempotency/claim"), {"token_id": token_id, "route": route, "key": key}).fetchone()
    return row is not None and bool(row[0])


def get_kept(conn: Connection[Any], token_id: int, route: str, key: str) -> Kept | None:
    """Return the answer kept for a key in the last 24 h; None where there is none."""
    row = conn.execute(sql("idempotency/get"), {"token_id": token_id, "route": route, "key": key}).fetchone()
    return None if row is None else Kept(bytes(row[0]), row[1], row[2], bytes(row[3]))


def add_kept(conn: Connection[Any], token_id: int, route: str, key: str, kept: Kept) -> None:
    """Keep the answer of a key, in the transaction of the work it belongs to."""
    conn.execute(
        sql("idempotency/add"),
        {
            "token_id": token_id,
            "route": route,
            "key": key,
            "digest": kept.digest,
            "status": kept.status,
            "location": kept.location,
            "body": kept.body,
        },
    )


def prune_keys(conn: Connection[Any]) -> int:
    """Delete keys older than 24 h; return how many."""
    return conn.execute(sql("idempotency/prune")).rowcount
