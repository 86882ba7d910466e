"""Wear learned from fleets: versions per tool type, append-only, and when each type's readings were last looked at."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, NamedTuple

from psycopg import Connection
from psycopg.rows import args_row, class_row
from psycopg.types.json import Jsonb

from service.store.clock import writing_reference
from service.store.statements import sql
from service.store.work import mark_dirty


class VersionRow(NamedTuple):
    """One version, without what it says."""

    tool_type_id: int
    version: int
    recorded_at: datetime


@dataclass(frozen=True, slots=True)
class WearModelRow:
    """One version; `document` is in mm."""

    code: str
    version: int
    recorded_at: datetime
    revision: int
    document: dict[str, Any]


@dataclass(frozen=True, slots=True)
class WearModelLine:
    """One version in a list."""

    code: str
    version: int
    recorded_at: datetime
    revision: int
    rests_on: dict[str, Any]


@dataclass(frozen=True, slots=True)
class Learned:
    """What a look at a fleet was by: the catalogue's revision, the digest of all sizes, how many they were."""

    revision: int
    digest: bytes
    sizes: int


@dataclass(frozen=True, slots=True)
class LastLook:
    """What a type was last learned from, and the newest version; None where there is none."""

    digest: bytes | None
    version: int | None


def list_versions(conn: Connection[Any], types: Iterable[int]) -> list[VersionRow]:
    """Return every version of the tool types, without its document, oldest first."""
    with conn.cursor(row_factory=args_row(VersionRow), binary=True) as cursor:
        return cursor.execute(sql("wear_models/versions"), {"types": list(types)}).fetchall()


def get_document(conn: Connection[Any], tool_type_id: int, version: int) -> dict[str, Any]:
    """Return the document of one version, which must be there. Lengths are mm."""
    row = conn.execute(sql("wear_models/document"), {"tool_type_id": tool_type_id, "version": version}).fetchone()
    assert row is not None  # noqa: S101 - versions are never deleted while a tool has their type
    document: dict[str, Any] = row[0]
    return document


def get_wear_model(conn: Connection[Any], code: str, version: int | None = None) -> WearModelRow | None:
    """Return one version of a type by its code, the newest where none is named; None where there is none."""
    with conn.cursor(row_factory=class_row(WearModelRow)) as cursor:
        return cursor.execute(sql("wear_models/get"), {"code": code, "version": version}).fetchone()


def list_wear_models(conn: Connection[Any], code: str, after: int, limit: int) -> Sequence[WearModelLine]:
    """Return the versions of a type above `after`, oldest first."""
    with conn.cursor(row_factory=class_row(WearModelLine)) as cursor:
        wanted = {"code": code, "after": after, "limit": limit}
        return cursor.execute(sql("wear_models/list"), wanted).fetchall()


def list_due(conn: Connection[Any], enough: int) -> list[int]:
    """Return the types with at least so many new sizes, a new revision, or a day gone by since the last look."""
    return [row[0] for row in conn.execute(sql("wear_models/due"), {"enough": enough})]


def take_turn(conn: Connection[Any], tool_type_id: int) -> bool:
    """Return whether this transaction may learn a type; another one is at it if not."""
    row = conn.execute(sql("wear_models/turn"), {"tool_type_id": tool_type_id}).fetchone()
    return bool(row and row[0])


def looked_at(conn: Connection[Any], tool_type_id: int) -> datetime:
    """Return the moment before which all inspections of a type have been assessed, in this snapshot."""
    row = conn.execute(sql("wear_models/looked_at"), {"tool_type_id": tool_type_id}).fetchone()
    assert row is not None  # noqa: S101 - an aggregate has a row
    moment: datetime = row[0]
    return moment


def list_fleet(conn: Connection[Any], tool_type_id: int) -> list[int]:
    """Return the tools of a type."""
    return [row[0] for row in conn.execute(sql("wear_models/tools"), {"tool_type_id": tool_type_id})]


def list_breakages(conn: Connection[Any], tool_type_id: int) -> list[tuple[int, str, int, datetime]]:
    """Return (tool, part, position, time) of every renewal in the tools of a type because the part broke."""
    return conn.execute(sql("wear_models/breakages"), {"tool_type_id": tool_type_id}).fetchall()


def get_last_look(conn: Connection[Any], tool_type_id: int) -> LastLook:
    """Return what a type was last learned from."""
    row = conn.execute(sql("wear_models/last"), {"tool_type_id": tool_type_id}).fetchone()
    return LastLook(None, None) if row is None else LastLook(*row)


def add_wear_model(
    conn: Connection[Any], tool_type_id: int, version: int, revision: int, document: Mapping[str, Any]
) -> datetime:
    """Add the next version under the reference clock, and return when it was recorded."""
    recorded_at = writing_reference(conn)
    row = {"tool_type_id": tool_type_id, "version": version, "recorded_at": recorded_at, "revision": revision}
    conn.execute(sql("wear_models/add"), row | {"document": Jsonb(dict(document))})
    return recorded_at


def remember_look(
    conn: Connection[Any], tool_type_id: int, looked_at: datetime, seconds: float, learned: Learned
) -> None:
    """Note that a type's readings were looked at, and how long that took."""
    row = {"tool_type_id": tool_type_id, "looked_at": looked_at, "seconds": seconds}
    more = {"revision": learned.revision, "digest": learned.digest, "sizes": learned.sizes}
    conn.execute(sql("wear_models/remember"), row | more)


def list_unscored(conn: Connection[Any], enough: int) -> list[int]:
    """Return the types whose past forecasts are to be scored, of those with at least so many sizes."""
    return [row[0] for row in conn.execute(sql("wear_models/unscored"), {"enough": enough})]


def mark_outdated(conn: Connection[Any], limit: int) -> int:
    """Mark tools whose status rests on an older version; return how many, at most `limit`."""
    stale = conn.execute(sql("wear_models/outdated"), {"limit": limit}).fetchall()
    if stale:
        mark_dirty(conn, [row[0] for row in stale], [row[1] for row in stale])
    return len(stale)
