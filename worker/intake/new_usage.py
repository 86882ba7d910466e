"""The usage that a file's new inspections carry: from when each of them was run, and which cannot have been."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

import numpy as np
from numpy.typing import NDArray

from service.store import bulk
from service.store.bulk import LedgerEntry, TimelineEntry
from service.store.columns import ALWAYS, to_micros, to_time
from service.store.pool import Connection
from worker.intake.file import File
from worker.intake.intervals import Event, by_tool, first_intervals, intervals

Ints = NDArray[np.int64]
REFUSALS = {
    "usage-without-time": "the usage of this inspection, or of the one after it, has no time to have been run in",
    "usage-overlap": "overlaps usage already recorded in the ledger",
}


@dataclass(frozen=True, slots=True)
class Intervals:
    """What was found for groups of a file.

    Attributes
    ----------
    since : dict
        Group -> where its usage begins, in microseconds; of groups that carry some.
    refused : dict
        Group -> a code of `REFUSALS`.
    late : dict
        Tool -> from when its stored intervals are to be derived anew.
    """

    since: dict[int, int]
    refused: dict[int, str]
    late: dict[int, datetime | None]


def find_intervals(conn: Connection, file: File, chosen: Ints, stored: list[TimelineEntry]) -> Intervals:
    """Return the intervals of new groups among what their tools have already.

    Parameters
    ----------
    conn : Connection
        Of a transaction that holds the tools.
    file : File
    chosen : ndarray
        Groups, all new.
    stored : list of TimelineEntry
        The inspections in force of their tools.
    """
    carries = file.groups.carries_usage()
    with_usage = {entry.tool_id for entry in stored if entry.has_usage}
    if not carries.any() and not with_usage:
        return Intervals({}, {}, {})
    tool_id = file.tool_ids[chosen].astype(np.int64)
    ledger = bulk.read_ledger(conn, np.unique(tool_id).tolist())
    begins = {
        tool.tool_id: to_micros(tool.begins) for tool in file.references.tools.values() if tool.begins is not None
    }
    known = {entry.tool_id for entry in stored} | {entry.tool_id for entry in ledger}
    alone = ~np.isin(tool_id, list(known))
    since, doubtful = _of_untouched(file, chosen[alone], begins)
    among = np.sort(np.concatenate([chosen[~alone], doubtful]))
    more, refused = intervals(by_tool(begins, _spans(ledger), _events(file, among, stored)).values())
    return Intervals(since | more, refused, _late(file, chosen, with_usage, refused))


def _of_untouched(file: File, chosen: Ints, begins: dict[int, int]) -> tuple[dict[int, int], Ints]:
    """Return where usage begins of groups whose tools have nothing yet, and the groups to be looked at singly."""
    groups = file.groups
    words = file.table.columns["reference"].words
    rank = np.empty(len(words), np.int64)
    rank[sorted(range(len(words)), key=words.__getitem__)] = np.arange(len(words))
    tool_id = file.tool_ids[chosen].astype(np.int64)
    starts = np.array([begins.get(tool, ALWAYS) for tool in tool_id.tolist()], np.int64)
    order = (tool_id, groups.taken_at[chosen], groups.stage[chosen], rank[groups.reference[chosen]])
    carries = groups.carries_usage()[chosen]
    since, doubtful = first_intervals(order, carries, starts)
    told = carries & ~doubtful
    return dict(zip(chosen[told].tolist(), since[told].tolist(), strict=True)), chosen[doubtful]


def _spans(ledger: list[LedgerEntry]) -> list[tuple[int, int, int]]:
    return [(entry.tool_id, to_micros(entry.since), to_micros(entry.until)) for entry in ledger]


def _events(file: File, among: Ints, stored: list[TimelineEntry]) -> list[tuple[int, Event]]:
    """Return the inspections of tools in whose time groups lie: those stored, and the groups."""
    groups, carries = file.groups, file.groups.carries_usage()
    words, stages = file.table.columns["reference"].words, groups.stage_words()
    tool_ids = file.tool_ids[among].tolist()
    concerned = set(tool_ids)
    events = [
        (entry.tool_id, Event((to_micros(entry.taken_at), entry.stage, entry.reference), entry.has_usage))
        for entry in stored
        if entry.tool_id in concerned
    ]
    for tool_id, group in zip(tool_ids, among.tolist(), strict=True):
        order = (int(groups.taken_at[group]), stages[group], words[groups.reference[group]])
        events.append((tool_id, Event(order, bool(carries[group]), group)))
    return events


def _late(file: File, chosen: Ints, with_usage: set[int], refused: dict[int, str]) -> dict[int, datetime | None]:
    kept = np.array([group for group in chosen.tolist() if group not in refused], np.int64)
    kept = kept[np.isin(file.tool_ids[kept], list(with_usage))]
    earliest: dict[int, int] = {}
    for tool_id, moment in zip(file.tool_ids[kept].tolist(), file.groups.taken_at[kept].tolist(), strict=True):
        earliest[tool_id] = min(moment, earliest.get(tool_id, moment))
    return {tool_id: to_time(moment) for tool_id, moment in earliest.items()}


def column_of(file: File, group: int) -> str:
    """Return the column where a group says what was run; where it says nothing, its time is what is wrong."""
    for name in ("metres", "hours"):
        if name in file.groups.once and file.groups.once[name][group] >= 0:
            return name
    return "taken_at"
