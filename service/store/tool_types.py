"""Tool types: catalogue entries in immutable revisions."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from psycopg import Connection
from psycopg.rows import class_row
from psycopg.types.json import Jsonb

from service.catalogue import from_document
from service.store.clock import writing_reference
from service.store.codes import code_ids
from service.store.errors import NotFound
from service.store.statements import sql
from service.store.users import delete_unused
from service.store.work import mark_dirty


@dataclass(frozen=True, slots=True)
class Revision:
    """One revision of a catalogue entry; `document` is canonical: mm, every default filled in."""

    tool_type_id: int
    code: str
    revision: int
    recorded_at: datetime
    document: dict[str, Any]


@dataclass(frozen=True, slots=True)
class RevisionLine:
    """One revision in a list."""

    code: str
    name: str
    revision: int
    recorded_at: datetime


def lock_tool_type(conn: Connection[Any], code: str) -> Revision | None:
    """Return the newest revision and keep others from writing one until the transaction ends; None = no such
    type.
    """
    with conn.cursor(row_factory=class_row(Revision)) as cursor:
        return cursor.execute(sql("tool_types/lock"), {"code": code}).fetchone()


def get_revision(conn: Connection[Any], code: str, revision: int | None = None) -> Revision:
    """Return one revision, the newest where none is named.

    Raises
    ------
    NotFound
    """
    with conn.cursor(row_factory=class_row(Revision)) as cursor:
        found = cursor.execute(sql("tool_types/get_revision"), {"code": code, "revision": revision}).fetchone()
    if found is None:
        raise NotFound("tool type", code if revision is None else f"{code}, revision {revision}")
    return found


def checks_as_of(conn: Connection[Any], code: str, as_of: datetime) -> list[dict[str, Any]]:
    """Return the checks of a type as its catalogue entry had them at a moment.

    Raises
    ------
    NotFound
    """
    row = conn.execute(sql("tool_types/checks_as_of"), {"code": code, "as_of": as_of}).fetchone()
    if row is None:
        raise NotFound("tool type", code)
    return list(row[0] or [])


def list_tool_types(conn: Connection[Any], after: str | None, limit: int) -> Sequence[RevisionLine]:
    """Return the newest revision of every type by code, `limit` at most."""
    with conn.cursor(row_factory=class_row(RevisionLine)) as cursor:
        return cursor.execute(sql("tool_types/list"), {"after": after, "limit": limit}).fetchall()


def list_revisions(conn: Connection[Any], code: str, after: int, limit: int) -> Sequence[RevisionLine]:
    """Return the revisions of a type above `after`, oldest first.

    Raises
    ------
    NotFound
        If there is no such type.
    """
    wanted = {"code": code, "after": after, "limit": limit}
    with conn.cursor(row_factory=class_row(RevisionLine)) as cursor:
        rows = cursor.execute(sql("tool_types/list_revisions"), wanted).fetchall()
    if not rows:
        get_revision(conn, code)
    return rows


def add_tool_type(conn: Connection[Any], code: str, document: dict[str, Any], sent: Any) -> Revision | None:
    """Add a type with its first revision; None where another transaction added one of this code meanwhile."""
    row = conn.execute(sql("tool_types/add"), {"code": code}).fetchone()
    return None if row is None else _write_revision(conn, row[0], code, 1, document, sent)


def add_revision(conn: Connection[Any], newest: Revision, document: dict[str, Any], sent: Any) -> Revision:
    """Add the revision after `newest`, which is locked, and mark the tools of the type for computing again."""
    added = _write_revision(conn, newest.tool_type_id, newest.code, newest.revision + 1, document, sent)
    wanted = {"tool_type_id": newest.tool_type_id}
    stale = conn.execute(sql("tool_types/list_stale_tools"), wanted).fetchall()
    if stale:
        mark_dirty(conn, [row[0] for row in stale], [row[1] for row in stale])
    return added


def _write_revision(
    conn: Connection[Any], tool_type_id: int, code: str, revision: int, document: dict[str, Any], sent: Any
) -> Revision:
    recorded_at = writing_reference(conn)
    # Now, so that the worker's snapshot sees them with the revision: in it none could be added beside another writer.
    code_ids(conn, from_document(code, revision, document).names())
    conn.execute(
        sql("tool_types/add_revision"),
        {
            "tool_type_id": tool_type_id,
            "revision": revision,
            "recorded_at": recorded_at,
            "document": Jsonb(document),
            "sent": Jsonb(sent),
        },
    )
    return Revision(tool_type_id, code, revision, recorded_at, document)


def delete_tool_type(conn: Connection[Any], newest: Revision) -> None:
    """Delete a type with all its revisions.

    Raises
    ------
    Conflict
        Code ``in-use``, naming tools and components of it.
    """
    writing_reference(conn)  # nobody accepts anything that could name it meanwhile
    delete_unused(conn, "tool_types", newest.code, {"tool_type_id": newest.tool_type_id})
