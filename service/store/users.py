"""What refers to a thing: asked before it is deleted, so that the answer can name it (keys are only the guard)."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from psycopg import Connection

from service.store.errors import Conflict
from service.store.statements import sql


def refuse_if_used(
    conn: Connection[Any], kind: str, key: str, statement: str, values: Mapping[str, Any]
) -> None:
    """Raise unless nothing refers to a thing.

    Parameters
    ----------
    statement, values : str, mapping
        A statement whose rows are (kind, key) of what refers to it.

    Raises
    ------
    Conflict
        Code ``in-use``; ``used_by`` lists kind and key of up to ten of each kind.
    """
    users = [{"kind": row[0], "key": row[1]} for row in conn.execute(sql(statement), values).fetchall()]
    if users:
        named = ", ".join(f"{user['kind']} {user['key']}" for user in users[:10])
        raise Conflict("in-use", f"the {kind} {key} is referred to by {named}", used_by=users)
