"""The intervals of the usage that a file's new inspections carry, among what their tools have already.

The order in time is that of `service.store.usage_periods`: from the inspection before, else from the tool's
commissioning, else from the end of the last ledger entry before, else open.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from service.store.columns import ALWAYS

Ints = NDArray[np.int64]
Order = tuple[int, str, str]  # taken_at in microseconds since 2000, stage, reference


@dataclass(frozen=True, slots=True)
class Event:
    """An inspection in its tool's time; `group` is None for one that is stored already."""

    order: Order
    has_usage: bool
    group: int | None = None


@dataclass(slots=True)
class ToolTime:
    """What a tool has: where its usage begins (`ALWAYS` if nobody knows), its ledger, its inspections old and new."""

    begins: int = ALWAYS
    ledger: list[tuple[int, int]] = field(default_factory=list)
    events: list[Event] = field(default_factory=list)


def first_intervals(order: Sequence[Ints], carries: NDArray[np.bool_], begins: Ints) -> tuple[Ints, NDArray[np.bool_]]:
    """Return where the usage of inspections begins whose tools have nothing else in their time.

    Parameters
    ----------
    order : sequence of ndarray, shape (inspections,)
        Tool, time in microseconds since 2000, stage, and the place of the reference among all in the order of texts.
    carries : ndarray of bool, shape (inspections,)
        Which of them carry usage.
    begins : ndarray, shape (inspections,)
        Where the usage of each one's tool begins, `ALWAYS` if nobody knows.

    Returns
    -------
    ndarray, shape (inspections,)
        Start in microseconds, `ALWAYS` where it is open.
    ndarray of bool, shape (inspections,)
        Inspections of tools where an interval would be empty: `intervals` says which of those cannot be.
    """
    tool, taken_at = order[:2]
    places = np.lexsort(order[::-1])
    first = np.concatenate(([True], np.diff(tool[places]) != 0)) if len(tool) else np.empty(0, np.bool_)
    since = np.empty(len(tool), np.int64)
    since[places] = np.where(first, begins[places], np.roll(taken_at[places], 1))
    return since, np.isin(tool, tool[carries & (since >= taken_at)])


def intervals(tools: Iterable[ToolTime]) -> tuple[dict[int, int], dict[int, str]]:
    """Return where the usage of each new inspection begins, and which of them cannot be.

    Returns
    -------
    dict
        Group -> start in microseconds, `ALWAYS` where it is open; of groups that carry usage.
    dict
        Group -> code: ``usage-without-time``, of it or of the stored one after it, or ``usage-overlap``.
    """
    since: dict[int, int] = {}
    refused: dict[int, str] = {}
    for tool in tools:
        tool.events.sort(key=lambda event: event.order)
        while not _walk(tool, since, refused):
            pass
    return since, refused


def _walk(tool: ToolTime, since: dict[int, int], refused: dict[int, str]) -> bool:
    """Go through a tool's time; False where a group found earlier has to go, so that all begins anew."""
    before: Event | None = None
    for event in tool.events:
        if event.group in refused:
            continue
        at = event.order[0]
        begin = before.order[0] if before is not None else _start(tool, at)
        if event.has_usage:
            if begin >= at and event.group is None:
                if before is not None and before.group is not None:
                    refused[before.group] = "usage-without-time"
                    return False
            elif event.group is not None:
                if begin >= at:
                    refused[event.group] = "usage-without-time"
                    continue
                if any(low < at and begin < high for low, high in tool.ledger):
                    refused[event.group] = "usage-overlap"
                    continue
                since[event.group] = begin
        before = event
    return True


def _start(tool: ToolTime, at: int) -> int:
    if tool.begins != ALWAYS:
        return tool.begins
    return max((high for _, high in tool.ledger if high <= at), default=ALWAYS)


def by_tool(
    begins: Mapping[int, int],
    ledger: Sequence[tuple[int, int, int]],
    events: Iterable[tuple[int, Event]],
) -> dict[int, ToolTime]:
    """Return the time of each tool from where it begins, its ledger and its inspections, each with the tool's id."""
    tools: dict[int, ToolTime] = defaultdict(ToolTime)
    for tool_id, begin in begins.items():
        tools[tool_id].begins = begin
    for tool_id, low, high in ledger:
        tools[tool_id].ledger.append((low, high))
    for tool_id, event in events:
        tools[tool_id].events.append(event)
    return tools
