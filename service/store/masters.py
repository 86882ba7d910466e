"""Setting masters: a master's size is what its certificate says, so every certificate carries all of it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from psycopg import Connection
from psycopg.rows import class_row
from psycopg.types.json import Jsonb

from service.store.clock import writing_reference
from service.store.errors import NotFound
from service.store.statements import sql
from service.store.users import delete_unused


@dataclass(frozen=True, slots=True)
class Master:
    """One certificate of a setting master; `sent` is the document as it came."""

    master_id: int
    serial: str
    revision: int
    recorded_at: datetime
    sent: dict[str, Any]


def get_master(conn: Connection[Any], serial: str) -> Master:
    """Return a master with its newest certificate.

    Raises
    ------
    NotFound
    """
    master = _one(conn, "masters/get", serial)
    if master is None:
        raise NotFound("master", serial)
    return master


def lock_master(conn: Connection[Any], serial: str) -> Master | None:
    """Return a master and keep others from writing it until the transaction ends; None where there is none."""
    return _one(conn, "masters/lock", serial)


def _one(conn: Connection[Any], statement: str, serial: str) -> Master | None:
    with conn.cursor(row_factory=class_row(Master)) as cursor:
        return cursor.execute(sql(statement), {"serial": serial}).fetchone()


def list_masters(conn: Connection[Any], after: str | None, limit: int) -> Sequence[Master]:
    """Return masters by serial, `limit` at most."""
    with conn.cursor(row_factory=class_row(Master)) as cursor:
        return cursor.execute(sql("masters/list"), {"after": after, "limit": limit}).fetchall()


def list_certificates(conn: Connection[Any], serial: str, after: int, limit: int) -> Sequence[Master]:
    """Return the certificates of a master above revision `after`, in the order they were recorded.

    Raises
    ------
    NotFound
        If there is no such master.
    """
    wanted = {"serial": serial, "after": after, "limit": limit}
    with conn.cursor(row_factory=class_row(Master)) as cursor:
        rows = cursor.execute(sql("masters/list_certificates"), wanted).fetchall()
    if not rows:
        get_master(conn, serial)
    return rows


def add_master(
    conn: Connection[Any], serial: str, document: Mapping[str, Any], sent: Mapping[str, Any]
) -> Master | None:
    """Add a master; None where another transaction added one of this serial meanwhile.

    Parameters
    ----------
    document, sent : mapping
        In mm with every default, and as it came.
    """
    row = conn.execute(sql("masters/add"), {"serial": serial}).fetchone()
    return None if row is None else _write(conn, row[0], serial, 1, document, sent)


def add_certificate(
    conn: Connection[Any], master: Master, document: Mapping[str, Any], sent: Mapping[str, Any]
) -> Master:
    """Add the certificate after `master`, which is locked."""
    return _write(conn, master.master_id, master.serial, master.revision + 1, document, sent)


def _write(
    conn: Connection[Any],
    master_id: int,
    serial: str,
    revision: int,
    document: Mapping[str, Any],
    sent: Mapping[str, Any],
) -> Master:
    recorded_at = writing_reference(conn)
    stamp = {"master_id": master_id, "revision": revision, "recorded_at": recorded_at}
    conn.execute(sql("masters/add_certificate"), {**document, **stamp, "sent": Jsonb(sent)})
    return Master(master_id, serial, revision, recorded_at, dict(sent))


def delete_master(conn: Connection[Any], master: Master) -> None:
    """Delete a master with all its certificates.

    Raises
    ------
    Conflict
        Code ``in-use``, naming inspections with readings against it.
    """
    writing_reference(conn)  # nobody accepts a reading against it meanwhile
    delete_unused(conn, "masters", master.serial, {"master_id": master.master_id, "serial": master.serial})
