"""Changes of many inspections at once: what `inspection_changes` does to one, where nothing else rests on it.

An inspection with renewals, with parts turned, with components named, or in a pair of first and second measurement is
left to that module, and so is one that a change would bring into conflict: its message names both sides.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any
from uuid import UUID

import msgspec
from psycopg import Connection

from service.store import bulk, joining, sources, usage_periods, work
from service.store.archive import archived_years
from service.store.errors import Conflict
from service.store.sources import CheckRow, Content, Header, ReadingRow, SetupRow, Source, StoredSource
from service.store.statements import sql

AT_ONCE = 500
"""Inspections whose readings are in memory at one time."""
FEW = 16
"""Where one of so many is in conflict, they are left to be changed one by one."""


@dataclass(frozen=True, slots=True)
class Stored:
    """An inspection as it is."""

    inspection_id: UUID
    tool_id: int
    taken_at: datetime
    content: Content
    sources: list[StoredSource]
    last_source: int  # the highest number that one of its sources ever had


@dataclass(slots=True)
class Change:
    """What becomes of one.

    Attributes
    ----------
    before : Stored
    header, content : Header, Content
        What it says from now on.
    joining : Source or None
        A further source, its rows numbered, and what it holds back.
    ended : list of int
        Numbers of sources that go.
    held : dict
        What others of its sources hold back from now on.
    """

    before: Stored
    header: Header
    content: Content
    joining: Source | None = None
    held_back: Content | None = None
    ended: list[int] = field(default_factory=list)
    held: Mapping[int, Content | None] = field(default_factory=dict)


Make = Callable[[Stored], Change | None]
MakeMany = Callable[[Sequence[UUID]], Make]


def join(stored: Stored, source: Source) -> Change:
    """Return the change by which a further source joins.

    Raises
    ------
    Conflict
        As `joining.join` and `joining.header_of`.
    """
    source = sources.numbered(source, stored.last_source + 1)
    header = joining.header_of([*stored.sources, source])
    content, held_back = joining.join(stored.content, source.content)
    return Change(stored, header, content, source, held_back)


def replace(stored: Stored, source: Source) -> Change:
    """Return the change by which a source takes the place of all others."""
    source = sources.numbered(source, stored.last_source + 1)
    ended = [before.source for before in stored.sources]
    return Change(stored, joining.header_of([source]), source.content, source, None, ended)


def take_out(stored: Stored, export_id: UUID) -> Change | None:
    """Return the change by which the sources of an export go; None where none of them, or nothing else, is there.

    Raises
    ------
    Conflict
        As `joining.without` and `joining.header_of`.
    """
    gone = [source.source for source in stored.sources if source.export_id == export_id]
    left = [source for source in stored.sources if source.export_id != export_id]
    if not gone or not left:
        return None
    content = stored.content
    held: dict[int, Content | None] = {}
    for number in gone:
        content, changed = joining.without(content, number, left)
        held |= changed
    return Change(stored, joining.header_of(left), content, ended=gone, held=held)


def change_many(
    conn: Connection[Any], inspection_ids: Sequence[UUID], made: MakeMany, cause: str, at: datetime
) -> tuple[set[UUID], dict[UUID, Conflict]]:
    """Change inspections at once.

    Parameters
    ----------
    conn : Connection
        Of a transaction that holds their tools.
    inspection_ids : sequence of UUID
        Best in the order of tools.
    made : callable
        Told of some of the inspections, returns what makes the change of each of those: None where there is none to be
        made here; it may raise `Conflict`.
    cause : str
        Of the new versions.
    at : datetime
        The moment they are accepted at.

    Returns
    -------
    set
        Those that were changed.
    dict
        Those whose change `made` refuses. The others are left to be changed one by one.
    """
    refused: dict[UUID, Conflict] = {}
    if not inspection_ids:
        return set(), refused
    try:
        with conn.transaction():
            return _change(conn, inspection_ids, made, cause, at, refused), refused
    except Conflict:  # one of them: the others are not to suffer for it
        if len(inspection_ids) <= FEW:
            return set(), refused
    changed: set[UUID] = set()
    half = len(inspection_ids) // 2
    for some in (inspection_ids[:half], inspection_ids[half:]):
        more, conflicts = change_many(conn, some, made, cause, at)
        changed |= more
        refused |= conflicts
    return changed, refused


def _change(
    conn: Connection[Any],
    inspection_ids: Sequence[UUID],
    made: MakeMany,
    cause: str,
    at: datetime,
    refused: dict[UUID, Conflict],
) -> set[UUID]:
    changed: set[UUID] = set()
    since: dict[int, datetime] = {}
    moved: dict[int, datetime] = {}
    closed = archived_years(conn)
    conn.execute("SET CONSTRAINTS usage_no_overlap DEFERRED")
    for low in range(0, len(inspection_ids), AT_ONCE):
        found = _made(conn, inspection_ids[low : low + AT_ONCE], made, refused)
        changes = [change for change in found if not _years(change) & closed]
        _write(conn, changes, cause, at)
        for change in changes:
            changed.add(change.before.inspection_id)
            moment = min(change.before.taken_at, change.header.taken_at)
            _note(since, change.before.tool_id, moment)
            if _moves(change):
                _note(moved, change.before.tool_id, moment)
    _settle(conn, since, moved)
    return changed


def _made(
    conn: Connection[Any], inspection_ids: Sequence[UUID], made: MakeMany, refused: dict[UUID, Conflict]
) -> Iterator[Change]:
    found = _read(conn, inspection_ids)
    make = made([stored.inspection_id for stored in found])
    for stored in found:
        try:
            change = make(stored)
        except Conflict as conflict:
            refused[stored.inspection_id] = conflict
            continue
        if change is not None and change.header.remeasures is None:
            yield change


def _years(change: Change) -> set[int]:
    return {change.before.taken_at.year, change.header.taken_at.year}


def _note(moments: dict[int, datetime], tool_id: int, moment: datetime) -> None:
    moments[tool_id] = min(moment, moments.get(tool_id, moment))


def _usage_before(change: Change) -> Any:
    return joining.header_of(change.before.sources).usage


def _moves(change: Change) -> bool:
    """Whether intervals of usage may be others after a change."""
    return change.before.taken_at != change.header.taken_at or _usage_before(change) != change.header.usage


# ---------------------------------------------------------------- reading


def _read(conn: Connection[Any], inspection_ids: Sequence[UUID]) -> list[Stored]:
    """Return those of these inspections that nothing else rests on."""
    rows = conn.execute(sql("bulk/stored"), {"inspection_ids": list(inspection_ids)}).fetchall()
    rows = [row for row in rows if not row[-1]]
    ids = [row[0] for row in rows]
    present = _sources(conn, ids)
    key = {"inspection_ids": ids, "times": [row[2] for row in rows], "versions": [row[3] for row in rows]}
    readings: dict[UUID, list[ReadingRow]] = defaultdict(list)
    for inspection_id, *reading in conn.execute(sql("bulk/readings"), key):
        readings[inspection_id].append(ReadingRow(*reading))
    found = []
    for inspection_id, tool_id, taken_at, _, checks, setups, last, _ in rows:
        content = Content(
            readings[inspection_id],
            msgspec.convert(checks, list[CheckRow]),
            setups=msgspec.convert(setups, list[SetupRow]),
        )
        if all(reading.component_id is None for reading in content.readings):
            found.append(Stored(inspection_id, tool_id, taken_at, content, present[inspection_id], last))
    return found


def _sources(conn: Connection[Any], inspection_ids: Sequence[UUID]) -> dict[UUID, list[StoredSource]]:
    found: dict[UUID, list[StoredSource]] = defaultdict(list)
    for inspection_id, *source in conn.execute(sql("bulk/sources"), {"inspection_ids": list(inspection_ids)}):
        found[inspection_id].append(StoredSource(*source))
    return found


# ---------------------------------------------------------------- writing


def _write(conn: Connection[Any], changes: Sequence[Change], cause: str, at: datetime) -> None:
    if not changes:
        return
    bulk.ensure_years(conn, {change.header.taken_at.year for change in changes})
    parameters = {
        "inspection_ids": [change.before.inspection_id for change in changes],
        "times": [change.header.taken_at for change in changes],
        "finals": [change.header.final for change in changes],
        "checks": [sources.encoded(change.content.checks) for change in changes],
        "setups": [sources.encoded(change.content.setups) for change in changes],
        "readings": [sources.encoded(change.content.readings) for change in changes],
        "at": at,
        "cause": cause,
    }
    conn.execute(sql("bulk/change"), parameters)
    _end_sources(conn, changes)
    _add_sources(conn, [change for change in changes if change.joining is not None])
    _carry(conn, [change for change in changes if _usage_before(change) != change.header.usage])


def _end_sources(conn: Connection[Any], changes: Sequence[Change]) -> None:
    ended = [(change.before.inspection_id, number) for change in changes for number in change.ended]
    if ended:
        ids, numbers = zip(*ended, strict=True)
        conn.execute(sql("bulk/end_sources"), {"inspection_ids": list(ids), "sources": list(numbers)})
    held = [(c.before.inspection_id, number, sources.encoded(h)) for c in changes for number, h in c.held.items()]
    if held:
        ids, numbers, said = zip(*held, strict=True)
        parameters = {"inspection_ids": list(ids), "sources": list(numbers), "helds": list(said)}
        conn.execute(sql("bulk/hold_back"), parameters)


def _add_sources(conn: Connection[Any], changes: Sequence[Change]) -> None:
    new = [(change, change.joining) for change in changes if change.joining is not None]
    if not new:
        return
    parameters = {
        "export_id": new[0][1].export_id,
        "inspection_ids": [change.before.inspection_id for change, _ in new],
        "sources": [change.before.last_source + 1 for change, _ in new],
        "digests": [source.digest for _, source in new],
        "times": [source.taken_at for _, source in new],
        "inspectors": [source.inspector for _, source in new],
        "thermometers": [source.thermometer for _, source in new],
        "thermometer_u_cs": [source.thermometer_u_c for _, source in new],
        "finals": [source.final for _, source in new],
        "usages": [sources.encoded(source.usage) for _, source in new],
        "helds": [sources.encoded(change.held_back) for change, _ in new],
    }
    conn.execute(sql("bulk/add_sources"), parameters)


def _carry(conn: Connection[Any], changes: Sequence[Change]) -> None:
    none = [change.before.inspection_id for change in changes if change.header.usage is None]
    if none:
        conn.execute(sql("bulk/drop_carried"), {"inspection_ids": none})
    carried = [(c.before.inspection_id, c.header.usage) for c in changes if c.header.usage is not None]
    if carried:
        parameters = {
            "inspection_ids": [inspection_id for inspection_id, _ in carried],
            "metres": [usage_periods.total(amounts, "metres") for _, amounts in carried],
            "hours": [usage_periods.total(amounts, "hours") for _, amounts in carried],
            "amounts": [sources.encoded(amounts) for _, amounts in carried],
        }
        conn.execute(sql("bulk/carry"), parameters)


def _settle(conn: Connection[Any], since: Mapping[int, datetime], moved: Mapping[int, datetime]) -> None:
    """Derive anew what rests on the inspections of some tools, from a moment of each on."""
    if moved:
        usage_periods.derive_periods(conn, list(moved), list(moved.values()))
    usage_periods.check_now(conn)
    tools, moments = list(since), list(since.values())
    work.mark_dirty(conn, tools, moments)
    for tool_id, moment in bulk.tools_moved_on(conn, tools, moments):
        work.mark_followers(conn, tool_id, moment)
