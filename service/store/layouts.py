"""Layouts that clients wrote: append-only revisions, so that an export is always read as it was meant."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from psycopg import Connection
from psycopg.rows import class_row
from psycopg.types.json import Jsonb

from service.layouts import BUILT_IN, Layout, from_document
from service.store.errors import Conflict
from service.store.statements import sql


@dataclass(frozen=True, slots=True)
class StoredLayout:
    """The newest revision of a layout."""

    layout_id: int
    code: str
    revision: int
    document: dict[str, Any]

    def as_layout(self) -> Layout:
        """Return it as what reads files."""
        return from_document(self.document | {"code": self.code, "revision": self.revision})


def get_layout(conn: Connection[Any], code: str, revision: int | None = None) -> Layout | None:
    """Return a layout (the newest revision, or one of them), built in or not; None where there is none."""
    if code in BUILT_IN:
        return BUILT_IN[code]
    with conn.cursor(row_factory=class_row(StoredLayout)) as cursor:
        found = cursor.execute(sql("layouts/get"), {"code": code, "revision": revision}).fetchone()
    return None if found is None else found.as_layout()


def lock_layout(conn: Connection[Any], code: str) -> StoredLayout | None:
    """Return a layout that nobody else can change until the transaction ends; None where there is none."""
    with conn.cursor(row_factory=class_row(StoredLayout)) as cursor:
        return cursor.execute(sql("layouts/lock"), {"code": code}).fetchone()


def find_layout(conn: Connection[Any], code: str) -> StoredLayout | None:
    """Return the newest revision of a layout that a client wrote; None where there is none."""
    with conn.cursor(row_factory=class_row(StoredLayout)) as cursor:
        return cursor.execute(sql("layouts/get"), {"code": code, "revision": None}).fetchone()


def list_layouts(conn: Connection[Any], after: str, limit: int) -> list[StoredLayout]:
    """Return up to `limit` layouts after a code, in the order of codes."""
    with conn.cursor(row_factory=class_row(StoredLayout)) as cursor:
        return cursor.execute(sql("layouts/list"), {"after": after, "limit": limit}).fetchall()


def save_layout(conn: Connection[Any], code: str, document: Mapping[str, Any]) -> int:
    """Store the next revision of a layout, the first where there is none; return its number.

    Parameters
    ----------
    conn : Connection
    code : str
        Not one of the built-in ones.
    document : mapping
        As the client said it, checked.
    """
    row = conn.execute(sql("layouts/save"), {"code": code, "document": Jsonb(dict(document))}).fetchone()
    assert row is not None  # noqa: S101 - INSERT ... RETURNING of one row
    return int(row[0])


def delete_layout(conn: Connection[Any], layout: StoredLayout) -> None:
    """Delete a layout that no export was read by.

    Raises
    ------
    Conflict
        Code ``in-use``, naming the exports.
    """
    users = [str(row[0]) for row in conn.execute(sql("layouts/users"), {"code": layout.code}).fetchall()]
    if users:
        raise Conflict("in-use", "gauge exports were read by it", referred_to_by=users)
    conn.execute(sql("layouts/delete"), {"layout_id": layout.layout_id})
