"""Inspections: what is known of them, and every way they come to be or change.

The order of one change: `open_tool` holds the tool and fixes `inputs_as_of`; `look_up` reads what the source names and
stands next to; then `add_inspection`, or `change_inspection` where it is there already. Nothing is committed here.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from uuid import UUID

from psycopg import Connection
from psycopg.errors import ExclusionViolation, UniqueViolation
from psycopg.rows import class_row

from service.store import renewals, sources, usage_periods, work
from service.store.archive import archived
from service.store.sources import Content, Source
from service.store.statements import sql


@dataclass(frozen=True, slots=True)
class Accepting:
    """The moment an inspection is accepted at, and its tool, held until the transaction ends."""

    at: datetime
    tool_id: int | None  # None: there is no such tool
    site_id: int | None


@dataclass(frozen=True, slots=True)
class Surroundings:
    """What an inspection names and what stands next to it in time; ids are None for what does not exist."""

    written: int  # writes of reference data that had begun: none since, and ids and revisions are still so
    tool_id: int | None
    site_id: int
    tool_type_id: int
    revision: int
    gauges: Sequence[int | None]
    masters: Sequence[int | None]
    inspection_id: UUID | None  # the one in force of this tool, reference and stage
    inspection_version: int
    taken_at: datetime
    state: str
    digests: Sequence[bytes]
    usage_begins: datetime | None  # where the usage of a new one would begin; None is open
    ledger_between: bool  # the ledger has an entry in its interval
    is_late: bool  # a later inspection is there
    moved_on: bool  # a component left the tool since


@dataclass(frozen=True, slots=True)
class Inspection:
    """An inspection without what it says."""

    inspection_id: UUID
    tool_id: int
    tool: str
    site_id: int
    site: str
    tool_type: str
    reference: str
    stage: str
    taken_at: datetime
    inspection_version: int
    inputs_as_of: datetime
    state: str
    problem: dict[str, Any] | None
    assessment_version: int | None
    created_at: datetime
    updated_at: datetime


@dataclass(frozen=True, slots=True)
class Version:
    """One version of an inspection, without its readings."""

    inspection_version: int
    taken_at: datetime
    inputs_as_of: datetime
    recorded_at: datetime
    cause: str
    final: bool
    remeasures: str | None
    checks: list[dict[str, Any]]
    renewals: list[dict[str, Any]]
    setups: list[dict[str, Any]]
    reversals: list[dict[str, Any]]


@dataclass(frozen=True, slots=True)
class StoredReading:
    """A reading with names in place of ids, lengths in mm."""

    source: int
    feature: str
    component: str | None
    position: int | None
    station: int | None
    orientation: float | None
    kind: int
    value: float | None
    trace: list[float] | None
    sent: float | None
    sent_unit: str | None
    gauge: str | None
    master: str | None
    setup: str | None
    temperature_c: float | None
    reference_temperature_c: float | None


@dataclass(frozen=True, slots=True)
class Progress:
    """How far the newest version of an inspection is."""

    state: str
    problem: dict[str, Any] | None
    inspection_version: int
    is_assessed: bool


def open_tool(conn: Connection[Any], serial: str) -> Accepting:
    """Hold a tool for a change of its inspections, and fix the moment it is accepted at."""
    row = conn.execute(sql("inspections/open"), {"tool": serial}).fetchone()
    assert row is not None  # noqa: S101 - the statement always has a row
    return Accepting(*row)


def open_tools(conn: Connection[Any], serials: Iterable[str]) -> None:
    """Hold the tools of a batch, in the one order that everyone keeps."""
    conn.execute(sql("inspections/open_many"), {"tools": sorted(set(serials))})


def look_up(
    conn: Connection[Any],
    *,
    tool: str,
    reference: str,
    stage: str,
    taken_at: datetime,
    gauges: Sequence[str],
    masters: Sequence[str],
) -> Surroundings:
    """Return what an inspection names and stands next to, in one round trip; ids in the order of the names."""
    parameters = {
        "tool": tool,
        "reference": reference,
        "stage": stage,
        "taken_at": taken_at,
        "gauges": list(gauges),
        "masters": list(masters),
    }
    row = conn.execute(sql("inspections/look_up"), parameters, prepare=True).fetchone()
    assert row is not None  # noqa: S101 - the statement always has a row
    return Surroundings(*row)


def get_inspection(conn: Connection[Any], inspection_id: UUID) -> Inspection | None:
    """Return an inspection, withdrawn ones too; None where there is none."""
    with conn.cursor(row_factory=class_row(Inspection)) as cursor:
        return cursor.execute(sql("inspections/head"), {"inspection_id": inspection_id}).fetchone()


def list_inspections(
    conn: Connection[Any],
    *,
    limit: int,
    after: tuple[datetime, UUID] | None = None,
    tool: str | None = None,
    site: str | None = None,
    tool_type: str | None = None,
    state: str | None = None,
    since: datetime | None = None,
    until: datetime | None = None,
    site_id: int | None = None,
) -> list[Inspection]:
    """Return up to `limit` inspections taken in [since, until), in the order of time."""
    after_at, after_id = after or (None, None)
    parameters = {
        "tool": tool,
        "site": site,
        "tool_type": tool_type,
        "state": state,
        "from": since,
        "to": until,
        "site_id": site_id,
        "after_at": after_at,
        "after_id": after_id,
        "limit": limit,
    }
    with conn.cursor(row_factory=class_row(Inspection)) as cursor:
        return cursor.execute(sql("inspections/list"), parameters).fetchall()


def list_versions(
    conn: Connection[Any],
    inspection_id: UUID,
    inspection_version: int | None = None,
    *,
    before: int | None = None,
    limit: int | None = None,
) -> list[Version]:
    """Return the versions of an inspection, newest first: the one that is named, or those before one."""
    parameters = {"inspection_id": inspection_id, "inspection_version": inspection_version}
    parameters |= {"before": before, "limit": limit}
    with conn.cursor(row_factory=class_row(Version)) as cursor:
        return cursor.execute(sql("inspections/versions"), parameters).fetchall()


def list_readings(
    conn: Connection[Any], inspection_id: UUID, inspection_version: int, taken_at: datetime
) -> list[StoredReading]:
    """Return the readings of one version, in the order they were sent."""
    parameters = {
        "inspection_id": inspection_id,
        "inspection_version": inspection_version,
        "taken_at": taken_at,
    }
    with conn.cursor(row_factory=class_row(StoredReading)) as cursor:
        return cursor.execute(sql("inspections/readings"), parameters).fetchall()


def get_progress(conn: Connection[Any], inspection_id: UUID) -> Progress | None:
    """Return how far an inspection is; None where there is none."""
    with conn.cursor(row_factory=class_row(Progress)) as cursor:
        return cursor.execute(sql("inspections/state"), {"inspection_id": inspection_id}).fetchone()


def ensure_partitions(conn: Connection[Any], year: int) -> bool:
    """Make sure that readings and results of a year have tables to go to.

    Returns
    -------
    bool
        Whether they were there before: those made now go again if the caller's transaction is rolled back.

    Raises
    ------
    Conflict
        Code ``archived``: the year is closed.
    """
    row = conn.execute(sql("inspections/has_partitions"), {"year": year}).fetchone()
    there, is_archived = row or (False, False)
    if is_archived:
        raise archived(year)
    if not there:
        conn.execute(sql("inspections/make_partitions"), {"year": year})
    return bool(there)


def make_partitions_ahead(conn: Connection[Any]) -> None:
    """Make the tables of this year and the next, by the database's clock; those that are there stay."""
    conn.execute(sql("inspections/make_ahead"))


def add_inspection(conn: Connection[Any], held: Accepting, around: Surroundings, source: Source) -> UUID:
    """Store a new inspection as version 1; return its id.

    Parameters
    ----------
    conn : Connection
    held : Accepting
    around : Surroundings
        Of the source; its tool exists and has no inspection in force with this reference and stage.
    source : Source

    Raises
    ------
    Conflict
        ``usage-overlap``, ``usage-without-time`` (another inspection would be left without time) and those of
        `renewals.settle`.
    """
    assert held.tool_id is not None  # noqa: S101 - only of tools that exist
    if source.usage is not None and (around.is_late or around.ledger_between):
        conn.execute("SET CONSTRAINTS usage_no_overlap DEFERRED")
    inspection_id = _add(conn, around, source, alone=False)
    assert inspection_id is not None  # noqa: S101 - nobody changes the time line of a tool that is held
    with usage_periods.not_stored(inspection_id):
        _settle(conn, held, around, source, inspection_id)
    return inspection_id


def _settle(conn: Connection[Any], held: Accepting, around: Surroundings, source: Source, inspection_id: UUID) -> None:
    """Bring the time line of its tool in order around a new inspection."""
    assert held.tool_id is not None  # noqa: S101 - only of tools that exist
    content = source.content
    work.mark_dirty(conn, [held.tool_id], [source.taken_at])
    touched = components_in(content)
    if content.renewals:
        moment = renewals.Moment(held.tool_id, inspection_id, source.taken_at)
        touched += renewals.settle(conn, moment, content.renewals, remeasured=False)
    if around.is_late:
        usage_periods.derive_periods(conn, [held.tool_id], [source.taken_at])
    elif source.usage is not None and around.ledger_between:
        usage_periods.check_overlaps(conn, [held.tool_id], [around.usage_begins])
    if touched or around.moved_on:
        work.mark_followers(conn, held.tool_id, source.taken_at, touched)
    if content.renewals or around.is_late or around.ledger_between:
        usage_periods.check_now(conn)


def try_add_inspection(conn: Connection[Any], remembered: Surroundings, source: Source) -> UUID | None:
    """Store a new inspection without holding or looking at its tool first; None where that does not do.

    Parameters
    ----------
    conn : Connection
        Not in a transaction: the one statement is its own.
    remembered : Surroundings
        The tool, its type and what the source names, as an earlier `look_up` found them.
    source : Source
        Without renewals, and naming no component.

    Notes
    -----
    Nothing is stored where any of it is otherwise by now, where the inspection is not the newest of its tool or touches
    anything else, or while others change the tool or reference data: the caller then goes the long way.
    """
    try:
        return _add(conn, remembered, source, alone=True)
    except (UniqueViolation, ExclusionViolation):
        return None


def _add(conn: Connection[Any], around: Surroundings, source: Source, *, alone: bool) -> UUID | None:
    parameters = header_parameters(source) | {
        "alone": alone,
        "tool_id": around.tool_id,
        "site_id": around.site_id,
        "tool_type_id": around.tool_type_id,
        "written": around.written,
        "taken_at": source.taken_at,
        "metres": usage_periods.total(source.usage or [], "metres"),
        "hours": usage_periods.total(source.usage or [], "hours"),
    }
    row = conn.execute(sql("inspections/add"), parameters | content_parameters(source.content), prepare=True).fetchone()
    return None if row is None else row[0]


def components_in(content: Content) -> list[int]:
    """Return the components that readings name."""
    return sorted({r.component_id for r in content.readings if r.component_id is not None})


def header_parameters(source: Source) -> dict[str, Any]:
    """Return what a source says once, as the statements take it."""
    return {
        "reference": source.reference,
        "stage": source.stage,
        "digest": source.digest,
        "export_id": source.export_id,
        "inspector": source.inspector,
        "thermometer": source.thermometer,
        "thermometer_u_c": source.thermometer_u_c,
        "remeasures": source.remeasures,
        "remeasures_id": source.remeasures_id,
        "final": source.final,
        "usage": sources.encoded(source.usage),
    }


def content_parameters(content: Content) -> dict[str, Any]:
    """Return what a source says many times, as the statements take it."""
    return {
        "checks": sources.encoded(content.checks),
        "renewals": sources.encoded(content.renewals),
        "setups": sources.encoded(content.setups),
        "reversals": sources.encoded(content.reversals),
        "readings": sources.encoded(content.readings),
    }
