"""Inspections that are there already: a further source joins, one replaces the others, one is taken out, all go.

Each change is a new version of the inspection. What follows from it (intervals of usage, fittings, work to do) is
settled in one place, `_settle`, in the caller's transaction.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any
from uuid import UUID

import msgspec
from psycopg import Connection

from service.store import joining, renewals, sources, usage_periods, work
from service.store.archive import refuse_archived
from service.store.errors import Conflict
from service.store.inspections import (
    Accepting,
    Inspection,
    components_in,
    content_parameters,
    ensure_partitions,
    get_inspection,
    open_tool,
)
from service.store.sources import CheckRow, Content, Header, ReadingRow, RenewalRow, ReversalRow, SetupRow, Source
from service.store.statements import sql


@dataclass(frozen=True, slots=True)
class Withdrawn:
    """What a withdrawal took back."""

    inspection_version: int
    usage: usage_periods.Carried | None


@dataclass(frozen=True, slots=True)
class _Stored:
    content: Content
    remeasures_id: UUID | None


def add_to_inspection(conn: Connection[Any], held: Accepting, head: Inspection, source: Source) -> int:
    """Join a further source to an inspection; return its new version.

    Raises
    ------
    Conflict
        ``group-spread``, ``header-differs`` and those of `replace_inspection`.
    """
    before = sources.sources_in_force(conn, head.inspection_id)
    source = sources.numbered(source, sources.next_number(conn, head.inspection_id))
    header = joining.header_of([*before, source])
    stored = _stored(conn, head)
    content, held_back = joining.join(stored.content, source.content)
    remeasures_id = source.remeasures_id or stored.remeasures_id
    version = _write(conn, held, head, header, content, remeasures_id, "added")
    sources.add_source(conn, head.inspection_id, version, source, held_back)
    _settle(conn, held, head, header, content, stored.content)
    return version


def replace_inspection(conn: Connection[Any], held: Accepting, head: Inspection, source: Source, cause: str) -> int:
    """Make a source the only one of an inspection; return its new version.

    Parameters
    ----------
    conn : Connection
    held : Accepting
        Its tool, held.
    head : Inspection
        Read after the tool was held.
    source : Source
    cause : str
        ``replaced`` or ``corrected``.

    Raises
    ------
    Conflict
        ``usage-overlap``, ``usage-without-time``, ``inspection-remeasured`` and those of `renewals.settle`.
    """
    before = sources.sources_in_force(conn, head.inspection_id)
    source = sources.numbered(source, sources.next_number(conn, head.inspection_id))
    header = joining.header_of([source])
    stored = _stored(conn, head)
    version = _write(conn, held, head, header, source.content, source.remeasures_id, cause)
    sources.end_sources(conn, head.inspection_id, [s.source for s in before], version)
    sources.add_source(conn, head.inspection_id, version, source, None)
    _settle(conn, held, head, header, source.content, stored.content)
    return version


def withdraw_inspection(conn: Connection[Any], held: Accepting, head: Inspection) -> Withdrawn:
    """Withdraw an inspection with its usage and its fittings; return what went with it.

    Raises
    ------
    Conflict
        ``usage-overlap`` (the next inspection's interval would meet the ledger), ``component-named`` and
        ``inspection-remeasured``.
    """
    _refuse_remeasured(_remeasurers(conn, head.inspection_id))
    stored = _stored(conn, head)
    carried = usage_periods.carry(conn, head.tool_id, head.inspection_id, None, head.taken_at, None)
    parameters = {"inspection_id": head.inspection_id, "at": held.at}
    row = conn.execute(sql("inspections/withdraw"), parameters).fetchone()
    assert row is not None  # noqa: S101 - the caller holds the tool and read the inspection
    _follow(conn, head, head.taken_at, [], components_in(stored.content), remeasured=False)
    return Withdrawn(int(row[0]), carried)


def take_out_export(conn: Connection[Any], export_id: UUID) -> list[UUID]:
    """Take the sources of a gauge export out of their inspections; return the inspections concerned.

    One left without a source is withdrawn, another gets a new version.

    Raises
    ------
    Conflict
        As for one inspection; nothing may be committed then.
    """
    found = conn.execute(sql("sources/of_export"), {"export_id": export_id}).fetchall()
    for _, serial, inspection_id in found:
        held = open_tool(conn, serial)
        head = get_inspection(conn, inspection_id)
        if head is not None and head.state != "withdrawn":
            _take_out(conn, held, head, export_id)
    return [inspection_id for _, _, inspection_id in found]


def _take_out(conn: Connection[Any], held: Accepting, head: Inspection, export_id: UUID) -> None:
    present = sources.sources_in_force(conn, head.inspection_id)
    gone = [s for s in present if s.export_id == export_id]
    left = [s for s in present if s.export_id != export_id]
    if not left:
        withdraw_inspection(conn, held, head)
        return
    if not gone:
        return
    stored = _stored(conn, head)
    content = stored.content
    changed: dict[int, Content | None] = {}
    for source in gone:
        content, held_back = joining.without(content, source.source, left)
        changed |= held_back
    header = joining.header_of(left)
    remeasures_id = stored.remeasures_id if header.remeasures is not None else None
    version = _write(conn, held, head, header, content, remeasures_id, "source-withdrawn")
    sources.end_sources(conn, head.inspection_id, [s.source for s in gone], version)
    for number, held_content in changed.items():
        sources.hold_back(conn, head.inspection_id, number, held_content)
    _settle(conn, held, head, header, content, stored.content)


def _stored(conn: Connection[Any], head: Inspection) -> _Stored:
    """Read what an inspection says now."""
    key = {"inspection_id": head.inspection_id, "inspection_version": head.inspection_version}
    row = conn.execute(sql("inspections/said"), key).fetchone()
    assert row is not None  # noqa: S101 - every version has its row
    checks, renewed, setups, reversed_, remeasures_id = row
    rows = conn.execute(sql("inspections/reading_rows"), key | {"taken_at": head.taken_at}).fetchall()
    if not rows:
        refuse_archived(conn, head.taken_at)
    content = Content(
        [ReadingRow(*reading) for reading in rows],
        msgspec.convert(checks, list[CheckRow]),
        msgspec.convert(renewed, list[RenewalRow]),
        msgspec.convert(setups, list[SetupRow]),
        msgspec.convert(reversed_, list[ReversalRow]),
    )
    return _Stored(content, remeasures_id)


def _write(
    conn: Connection[Any],
    held: Accepting,
    head: Inspection,
    header: Header,
    content: Content,
    remeasures_id: UUID | None,
    cause: str,
) -> int:
    ensure_partitions(conn, header.taken_at.astimezone(UTC).year)
    parameters = content_parameters(content) | {
        "inspection_id": head.inspection_id,
        "taken_at": header.taken_at,
        "at": held.at,
        "cause": cause,
        "remeasures_id": remeasures_id,
        "final": header.final,
    }
    row = conn.execute(sql("inspections/change"), parameters).fetchone()
    assert row is not None  # noqa: S101 - the caller holds the tool and read the inspection
    return int(row[0])


def _settle(
    conn: Connection[Any],
    held: Accepting,
    head: Inspection,
    header: Header,
    content: Content,
    before: Content,
) -> None:
    """Derive anew what rests on a changed inspection, from the earlier of its old and its new time on."""
    again = _remeasurers(conn, head.inspection_id)
    _refuse_remeasured([r for r in again if r["taken_at"] < header.taken_at])
    since = usage_periods.begins(conn, head.tool_id, header.taken_at, head.stage, head.reference, head.inspection_id)
    usage_periods.carry(conn, head.tool_id, head.inspection_id, since, header.taken_at, header.usage)
    named = components_in(content) + components_in(before)
    _follow(conn, head, header.taken_at, content.renewals, named, remeasured=bool(again))


def _follow(
    conn: Connection[Any],
    head: Inspection,
    taken_at: datetime,
    renewed: Sequence[RenewalRow],
    named: Sequence[int],
    *,
    remeasured: bool,
) -> None:
    since = min(head.taken_at, taken_at)
    usage_periods.derive_periods(conn, [head.tool_id], [since])
    moment = renewals.Moment(head.tool_id, head.inspection_id, taken_at)
    touched = renewals.settle(conn, moment, renewed, remeasured=remeasured and head.stage == "as_left")
    work.mark_dirty(conn, [head.tool_id], [since])
    work.mark_followers(conn, head.tool_id, since, [*named, *touched])
    usage_periods.check_now(conn)


def _remeasurers(conn: Connection[Any], inspection_id: UUID) -> list[dict[str, Any]]:
    rows = conn.execute(sql("inspections/remeasurers"), {"inspection_id": inspection_id}).fetchall()
    return [dict(zip(("id", "reference", "stage", "taken_at"), row, strict=True)) for row in rows]


def _refuse_remeasured(again: Sequence[dict[str, Any]]) -> None:
    if again:
        references = ", ".join(r["reference"] for r in again)
        raise Conflict("inspection-remeasured", f"it is measured again by {references}", by=list(again))
