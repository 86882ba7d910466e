"""What refers to a thing is asked before it is deleted, so that the answer can name it; keys are only the
guard.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from psycopg import Connection
from psycopg.errors import ForeignKeyViolation

from service.store.errors import Conflict
from service.store.statements import sql


def refuse_if_used(conn: Connection[Any], noun: str, key: str, values: Mapping[str, Any]) -> None:
    """Raise unless nothing refers to a thing.

    Parameters
    ----------
    conn : Connection
    noun : str
        Folder of the statement ``<noun>/list_users``, whose rows are (kind, key).
    key : str
        What clients call the thing.
    values : mapping
        Of the statement.

    Raises
    ------
    Conflict
        Code ``in-use``; ``used_by`` lists kind and key of what refers to it.
    """
    rows = conn.execute(sql(f"{noun}/list_users"), values).fetchall()
    if rows:
        named = ", ".join(f"{kind} {name}" for kind, name in rows[:10])
        users = [{"kind": kind, "key": name} for kind, name in rows]
        raise Conflict("in-use", f"{key} is referred to by {named}", used_by=users)


def delete_unused(conn: Connection[Any], noun: str, key: str, values: Mapping[str, Any]) -> None:
    """Delete a thing that nothing refers to.

    Parameters
    ----------
    conn : Connection
        Of the caller's transaction, which has locked the thing.
    noun : str
        Folder of its statements: ``<noun>/list_users``, whose rows are (kind, key), and ``<noun>/delete``.
    key : str
        What clients call the thing.
    values : mapping
        Of both statements.

    Raises
    ------
    Conflict
        Code ``in-use``; ``used_by`` lists kind and key of up to ten of each kind.
    """
    refuse_if_used(conn, noun, key, values)
    try:
        conn.execute(sql(f"{noun}/delete"), values)
    except ForeignKeyViolation:
        # Named by a transaction that was still open when we asked.
        raise Conflict("in-use", f"{key} has just been referred to", used_by=[]) from None
