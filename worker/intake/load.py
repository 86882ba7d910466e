"""A file's table to stored inspections, in one transaction: all of it or nothing, and nothing twice.

What is new goes by COPY. What meets an inspection that is there already, names components or measures another
inspection again goes one by one through the store, by the very steps of an inspection posted by itself.
"""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from datetime import datetime

import numpy as np
from numpy.typing import NDArray

from service import faults
from service.store import bulk, clock, usage_periods, work
from service.store.archive import archived_years
from service.store.bulk import Existing, TimelineEntry
from service.store.columns import years_of
from service.store.gauge_exports import ClaimedExport
from service.store.new_inspections import (
    EncodedReadings,
    add_encoded,
    add_readings,
    encode_inspections,
    encode_sources,
    encode_usage,
)
from service.store.pool import Connection
from worker.intake import one_by_one
from worker.intake.file import File
from worker.intake.group_digests import GroupDigests
from worker.intake.groups import gather, refuse_groups
from worker.intake.joined import store_joined
from worker.intake.new_usage import REFUSALS, column_of, find_intervals
from worker.intake.references import look_up
from worker.intake.rows import NewRows, new_rows
from worker.intake.table import Table, first

Ints = NDArray[np.int64]
Shown = Callable[[int], None]
EXISTS = "an inspection with this tool, reference and stage is already there"


@dataclass(frozen=True, slots=True)
class Loaded:
    """What a file became."""

    inspections: int  # new, or with a new source


class Rejected(Exception):
    """A row has a fault, and the export is to be stored whole or not at all."""


class Stale(Exception):
    """What was looked up is no longer so; the file is to be prepared again."""


def prepare(conn: Connection, table: Table, site_id: int | None, digests: Callable[[], GroupDigests]) -> File:
    """Look up what a file names and gather its rows: everything that needs no lock."""
    references, wrong = look_up(conn, table, site_id)
    groups, differing = gather(table)
    return File(table, references, groups, digests, first([*table.faults, *wrong, *differing]))


def load(conn: Connection, export: ClaimedExport, file: File, shown: Shown) -> Loaded:
    """Store what is good of a file, in the caller's transaction.

    Parameters
    ----------
    conn : Connection
    export : ClaimedExport
    file : File
        Faults found on the way are added to it.
    shown : callable
        Told how many rows have been stored.

    Raises
    ------
    Rejected
        With ``on_fault=reject``, where a row has a fault.
    Stale
        Where a tool went, or its type changed, since the file was prepared.
    """
    _reject(export, file)
    conn.execute("SET LOCAL statement_timeout = 0")
    conn.execute("SET LOCAL lock_timeout = '60s'")
    if not len(file.groups):
        return Loaded(0)
    _hold_tools(conn, file)
    at = clock.accepting(conn)
    stored = bulk.read_timeline(conn, sorted(set(file.tool_ids.tolist())))
    existing = _find_existing(conn, file, stored)
    same = {group for group, found in existing.items() if file.digest[group] in found.digests}
    differing = _check_existing(export, file, existing.keys() - same)
    closed = _check_years(conn, export, file, same)
    named = one_by_one.groups_of(file.table, file.groups)
    joining = differing - named - closed
    slow = ((named - existing.keys()) | (named & differing)) - closed
    settled = existing.keys() | slow | closed
    fast = np.setdiff1d(np.arange(len(file.groups)), list(settled))
    before = int(np.diff(file.groups.start)[fast].sum())
    with work.marked_together(conn):
        new = _add_new(conn, export, file, fast, stored, at, shown)
        joined, left = store_joined(
            conn, export, file, existing, sorted(joining), at, lambda rows: shown(before + rows)
        )
        new += joined + one_by_one.store_groups(conn, export, file, sorted(slow.union(left)), at)
    _reject(export, file)
    file.faults[:] = first(file.faults)
    return Loaded(new)


def _check_existing(export: ClaimedExport, file: File, differing: set[int]) -> set[int]:
    """Return the groups that change an inspection which is there; where none may, they are refused."""
    if export.on_existing != "refuse" or not differing:
        return differing
    why = dict.fromkeys(sorted(differing), ("reference", "inspection-exists", EXISTS))
    file.faults += refuse_groups(file.table, file.groups, why)
    _reject(export, file)
    return set()


def _check_years(conn: Connection, export: ClaimedExport, file: File, same: set[int]) -> set[int]:
    """Refuse groups of archived years, but for those that are there already; return them."""
    years = archived_years(conn)
    if not years:
        return set()
    closed = {group for group, year in enumerate(years_of(file.groups.taken_at).tolist()) if year in years} - same
    why = ("taken_at", "archived", faults.CODES["archived"])
    file.faults += refuse_groups(file.table, file.groups, dict.fromkeys(sorted(closed), why))
    _reject(export, file)
    return closed


def _reject(export: ClaimedExport, file: File) -> None:
    if export.on_fault == "reject" and (file.faults or file.faulty):
        raise Rejected


def _hold_tools(conn: Connection, file: File) -> None:
    known = {tool.tool_id: (tool.tool_type_id, tool.revision) for tool in file.references.tools.values()}
    wanted = sorted(set(file.tool_ids.tolist()))
    held = bulk.lock_tools(conn, wanted)
    if any(held.get(tool_id) != known[tool_id] for tool_id in wanted):
        raise Stale


def _find_existing(conn: Connection, file: File, stored: list[TimelineEntry]) -> dict[int, Existing]:
    """Return the inspections in force that groups of a file speak of."""
    places = np.flatnonzero(np.isin(file.tool_ids, [entry.tool_id for entry in stored])).tolist()
    if not places:
        return {}
    groups = file.groups.only(np.array(places, np.int64))
    words = file.table.columns["reference"].words
    references = [words[place] for place in groups.reference.tolist()]
    found = bulk.find_existing(conn, file.tool_ids[places].tolist(), references, groups.stage_words())
    return {places[place]: inspection for place, inspection in found.items()}


# ---------------------------------------------------------------- what is new


def _add_new(
    conn: Connection,
    export: ClaimedExport,
    file: File,
    fast: Ints,
    stored: list[TimelineEntry],
    at: datetime,
    shown: Shown,
) -> int:
    """Store new inspections; return how many there were without a fault."""
    usage = find_intervals(conn, file, fast, stored)
    if usage.refused:
        why = {group: (column_of(file, group), code, REFUSALS[code]) for group, code in sorted(usage.refused.items())}
        file.faults += refuse_groups(file.table, file.groups, why)
        _reject(export, file)
    chosen = fast[~np.isin(fast, list(usage.refused))]
    if not len(chosen):
        return 0
    made = new_rows(conn, file.table, file.groups, file.references, chosen)
    with (
        EncodedReadings(made.count, made.columns, made.traces if made.has_traces else None) as readings,
        ThreadPoolExecutor(1, "encoding") as meanwhile,
    ):
        bulk.ensure_years(conn, made.years())
        inspections = meanwhile.submit(lambda: encode_inspections(made.inspections, at))
        run = meanwhile.submit(lambda: encode_usage(made.inspections, made.usage(usage.since)))
        sources = meanwhile.submit(
            lambda: encode_sources(made.inspections, made.digests(file.digest), export.export_id)
        )
        add_readings(conn, readings, shown)
        add_encoded(conn, inspections.result())
        if usage.late:
            usage_periods.derive_periods(conn, list(usage.late), list(usage.late.values()))
        add_encoded(conn, run.result())
        if usage.late:
            usage_periods.check_now(conn)
        add_encoded(conn, sources.result())  # last: what is waited for the longest is their digests
    _mark(conn, made)
    return len(chosen)


def _mark(conn: Connection, made: NewRows) -> None:
    tools, moments = made.earliest()
    work.mark_dirty(conn, tools, moments)
    for tool_id, since in bulk.tools_moved_on(conn, tools, moments):
        work.mark_followers(conn, tool_id, since)
