"""Names to ids, and what stands around new inspections, for a whole file at once: a handful of queries."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from uuid import UUID

from psycopg import Connection
from psycopg.rows import class_row

from service.catalogue import ToolType, from_document
from service.store import inspections
from service.store.statements import sql


@dataclass(frozen=True, slots=True)
class NamedTool:
    """A tool that a file names."""

    serial: str
    tool_id: int
    site_id: int
    tool_type_id: int
    revision: int  # the newest of its type
    begins: datetime | None  # its commissioning, midnight at its site


@dataclass(frozen=True, slots=True)
class TimelineEntry:
    """An inspection in force, as far as the intervals of usage need it."""

    tool_id: int
    taken_at: datetime
    stage: str
    reference: str
    has_usage: bool


@dataclass(frozen=True, slots=True)
class LedgerEntry:
    """An interval of usage posted by itself; `since` None is open."""

    tool_id: int
    since: datetime | None
    until: datetime


@dataclass(frozen=True, slots=True)
class Existing:
    """The inspection in force of a tool, reference and stage, and the digests of its sources."""

    inspection_id: UUID
    digests: frozenset[bytes]


def find_tools(conn: Connection[Any], serials: Iterable[str]) -> dict[str, NamedTool]:
    """Return the tools of these serials; unknown ones are left out."""
    with conn.cursor(row_factory=class_row(NamedTool)) as cursor:
        rows = cursor.execute(sql("bulk/tools"), {"names": list(serials)}).fetchall()
    return {row.serial: row for row in rows}


def find_types(conn: Connection[Any], tool_type_ids: Iterable[int]) -> dict[int, ToolType]:
    """Return the newest revision of these tool types."""
    rows = conn.execute(sql("bulk/types"), {"ids": list(tool_type_ids)}).fetchall()
    return {type_id: from_document(code, revision, document) for type_id, code, revision, document in rows}


def find_gauges(conn: Connection[Any], serials: Iterable[str]) -> dict[str, int]:
    """Return the ids of these gauges; unknown ones are left out."""
    return dict(conn.execute(sql("bulk/gauges"), {"names": list(serials)}).fetchall())


def find_masters(conn: Connection[Any], serials: Iterable[str]) -> dict[str, int]:
    """Return the ids of these setting masters; unknown ones are left out."""
    return dict(conn.execute(sql("bulk/masters"), {"names": list(serials)}).fetchall())


def lock_tools(conn: Connection[Any], tool_ids: Sequence[int]) -> dict[int, tuple[int, int]]:
    """Hold tools until the transaction ends; return the type and its newest revision of each that is still there."""
    rows = conn.execute(sql("bulk/lock_tools"), {"tool_ids": list(tool_ids)}).fetchall()
    return {tool_id: (tool_type_id, revision) for tool_id, tool_type_id, revision in rows}


def find_existing(
    conn: Connection[Any], tool_ids: Sequence[int], references: Sequence[str], stages: Sequence[str]
) -> dict[int, Existing]:
    """Return the inspections in force of (tool, reference, stage), by their place in the sequences."""
    parameters = {"tool_ids": list(tool_ids), "references": list(references), "stages": list(stages)}
    rows = conn.execute(sql("bulk/existing"), parameters).fetchall()
    return {place - 1: Existing(found, frozenset(map(bytes, digests))) for place, found, digests in rows}


def read_timeline(conn: Connection[Any], tool_ids: Sequence[int]) -> list[TimelineEntry]:
    """Return the inspections in force of these tools."""
    rows = conn.execute(sql("bulk/timeline"), {"tool_ids": list(tool_ids)}).fetchall()
    return [TimelineEntry(*row) for row in rows]


def read_ledger(conn: Connection[Any], tool_ids: Sequence[int]) -> list[LedgerEntry]:
    """Return the ledger entries of these tools, in the order of time."""
    rows = conn.execute(sql("bulk/ledger"), {"tool_ids": list(tool_ids)}).fetchall()
    return [LedgerEntry(*row) for row in rows]


def tools_moved_on(
    conn: Connection[Any], tool_ids: Sequence[int], from_times: Sequence[datetime]
) -> list[tuple[int, datetime]]:
    """Return those of these tools that a component has left since a moment, with that moment."""
    parameters = {"tool_ids": list(tool_ids), "from_times": list(from_times)}
    return [(tool_id, since) for tool_id, since in conn.execute(sql("bulk/moved_on"), parameters).fetchall()]


def ensure_years(conn: Connection[Any], years: Iterable[int]) -> None:
    """Make sure that readings and results of these years have tables to go to."""
    for year in sorted(set(years)):
        inspections.ensure_partitions(conn, year)
