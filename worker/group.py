"""Inspections assessed under one catalogue revision and one version of the learned wear, with their tools' past, as
rows of arrays.

A row is an inspection of one of the group's tools, or (last of each tool that the revision is the newest of) its
status: the same questions asked of the components fitted now, without a measurement.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from service.store.columns import ALWAYS, to_micros
from worker.batch import Batch
from worker.layout import Layout
from worker.mileage import Mileage
from worker.reference import TypeKey
from worker.reversals import Reversal, find_reversals, times_turned
from worker.timeline import Key, Stint, reading_key
from worker.wear_model import CATALOGUE, WearModel

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

STATUS = -1


@dataclass(frozen=True)
class Rows:
    """Rows of a group, tool after tool, each tool's in the order of time; shape (r,) unless said.

    Attributes
    ----------
    inspection : ndarray of int
        Row of `Batch.inspections`; `STATUS` for a status.
    tool : ndarray of int
        Id of the tool.
    moment : ndarray of int
        Microseconds since 2000; of a status that of the last event.
    rank : ndarray of int
        Place in the order of time across tools.
    wanted : ndarray of bool
        To be computed here; the others are the past.
    held : ndarray of int, shape (r, places)
        Stint in each place.
    usage : ndarray, shape (r, places)
        Effective usage of the component there, [thousands of the basis].
    known : ndarray of bool, shape (r, places)
        Whether all of that usage is on record.
    gaps : ndarray of int
        Gaps in the tool's usage until then.
    """

    inspection: Ints
    tool: Ints
    moment: Ints
    rank: Ints
    wanted: Bools
    held: Ints
    usage: Floats
    known: Bools
    gaps: Ints

    @cached_property
    def is_status(self) -> Bools:
        """Which rows are statuses."""
        return self.inspection == STATUS


@dataclass(frozen=True)
class Group:
    """One revision, its tools and their rows.

    `compute` are the rows of `Batch.inspections` that are assessed here; `row_of` finds an inspection's row of
    `Rows`.
    """

    batch: Batch
    layout: Layout
    model: WearModel | None  # None: the catalogue's wear
    mileage: Mileage
    tools: list[int]
    compute: list[int]
    rows: Rows
    row_of: dict[int, int]
    instance: Ints  # of each stint of the timeline

    @property
    def version(self) -> int:
        """Version of the learned wear."""
        return CATALOGUE if self.model is None else self.model.version

    @cached_property
    def reversals(self) -> dict[int, tuple[Reversal, ...]]:
        """When each component was turned end for end."""
        return find_reversals(self.batch.inspections, self.batch.rank, self.batch.timeline)

    def turned(self, instance: Ints, rank: Ints, slot: Ints) -> Ints:
        """How often the component of each slot had been turned end for end; 0 for what stands in the same place then.

        Parameters
        ----------
        instance, rank, slot : ndarray of int
            Component, place in the order of time, and slot; shapes broadcast.
        """
        if not self.reversals:
            return np.zeros(np.broadcast_shapes(instance.shape, rank.shape, slot.shape), np.int64)
        changes = self.layout.opposite[slot] != slot
        return times_turned(self.reversals, instance, rank) * changes

    @cached_property
    def turned_rows(self) -> Ints:
        """How often the component in each slot had been turned at each row, shape (rows, slots)."""
        place = self.layout.slots.place
        return self.turned(self.instance[self.rows.held[:, place]], self.rows.rank[:, None], np.arange(len(place)))

    @cached_property
    def ends(self) -> Ints:
        """Slot at which what stands in each slot at each row stood before it was ever turned, shape (rows, slots)."""
        here = np.arange(len(self.layout.opposite))
        return np.where(self.turned_rows % 2 == 1, self.layout.opposite, here)

    def holders(self, slots: Ints) -> Ints:
        """One number for the component in each of some slots and how often it had been turned, shape (rows, n)."""
        held = self.rows.held[:, self.layout.slots.place[slots]]
        return held * (self.most_turned + 1) + self.turned_rows[:, slots]

    @property
    def most_turned(self) -> int:
        """How often the component turned most had been turned."""
        return max(map(len, self.reversals.values()), default=0)

    def stint(self, number: int) -> Stint:
        """A stint by its number."""
        return self.batch.timeline.stints[number]


def groups(batch: Batch, compute: list[int] | None = None, tools: list[int] | None = None) -> list[Group]:
    """Sort a batch by catalogue revision and version of the learned wear.

    Parameters
    ----------
    batch : Batch
    compute : list of int, optional
        Only these inspections; all that are due by default.
    tools : list of int, optional
        Only the status of these tools; of all claimed by default.
    """
    chosen: dict[TypeKey, list[int]] = {}
    for n in batch.compute if compute is None else compute:
        chosen.setdefault(batch.type_key(n), []).append(n)
    stated: dict[TypeKey, list[int]] = {}
    for tool_id in batch.claimed if tools is None else tools:
        if tool_id in batch.tools:
            stated.setdefault(batch.newest[batch.tools[tool_id].tool_type_id], []).append(tool_id)
    return [
        _group(batch, key, chosen.get(key, []), stated.get(key, [])) for key in sorted(chosen.keys() | stated.keys())
    ]


def past_group(batch: Batch, key: TypeKey, tools: list[int], layout: Layout) -> Group:
    """The inspections of some tools under one layout, none of them to be computed."""
    return _assemble(batch, key, layout, tools, [], [])


def _group(batch: Batch, key: TypeKey, compute: list[int], stated: list[int]) -> Group:
    tools = sorted({batch.inspections[n].tool_id for n in compute} | set(stated))
    return _assemble(batch, key, batch.layouts[key], tools, compute, stated)


def _assemble(
    batch: Batch, key: TypeKey, layout: Layout, tools: list[int], compute: list[int], stated: list[int]
) -> Group:
    mileage = Mileage(batch, layout.type)
    parts = [_rows(batch, layout, mileage, tool_id, set(compute), tool_id in set(stated)) for tool_id in tools]
    rows = Rows(*(np.concatenate(columns) for columns in zip(*parts, strict=True)))
    row_of = {n: row for row, n in enumerate(rows.inspection.tolist()) if n != STATUS}
    instance = np.array([stint.instance for stint in batch.timeline.stints], np.int64)
    return Group(batch, layout, batch.models.get(key), mileage, tools, compute, rows, row_of, instance)


def _rows(
    batch: Batch, layout: Layout, mileage: Mileage, tool_id: int, compute: set[int], stated: bool
) -> tuple[NDArray[np.generic], ...]:
    """The columns of `Rows` of one tool."""
    past = [n for n in batch.of_tool.get(tool_id, ()) if batch.inspections[n].state != "failed"]
    keys: list[Key] = [reading_key(batch.inspections[n]) for n in past]
    moments = [key[0] for key in keys]
    ranks = [int(batch.rank[n]) for n in past]
    if stated:
        now_key: Key = (to_micros(batch.now), 3, "", 0)
        keys.append(now_key)
        moments.append(last_event(batch, tool_id))
        ranks.append(len(batch.inspections))  # after every inspection
    held = held_at(batch, layout, tool_id, keys)
    times = np.array(moments, np.int64)
    usage, known, gaps = mileage.matrix(tool_id, times, held)
    numbers = np.array(past + [STATUS] * stated, np.int64)
    wanted = np.array([n in compute for n in past] + [True] * stated, np.bool_)
    return (
        numbers,
        np.full(len(numbers), tool_id, np.int64),
        times,
        np.array(ranks, np.int64),
        wanted,
        held,
        usage,
        known,
        gaps,
    )


def held_at(batch: Batch, layout: Layout, tool_id: int, keys: list[Key]) -> Ints:
    """Stint in each place of a tool at each of some events, shape (events, places)."""
    held = np.empty((len(keys), len(layout.places)), np.int64)
    for n, place in enumerate(layout.places):
        stints = batch.timeline.occupants(tool_id, place)
        if len(stints) == 1:
            held[:, n] = stints[0].number
        else:
            held[:, n] = [batch.timeline.occupant(tool_id, place, key).number for key in keys]
    return held


def last_event(batch: Batch, tool_id: int) -> int:
    """When a tool's state was last set anew, in microseconds since 2000.

    The newest of its last inspection, the fittings up to now, and a revision that moved that inspection on.
    """
    now = to_micros(batch.now)
    rows = [n for n in batch.of_tool.get(tool_id, ()) if batch.inspections[n].state != "failed"]
    moments = [to_micros(batch.inspections[n].taken_at) for n in rows]
    if rows and batch.basis[rows[-1]].as_of > batch.inspections[rows[-1]].inputs_as_of:
        moments.append(to_micros(batch.basis[rows[-1]].as_of))
    moments += batch.timeline.changes.get(tool_id, ())
    past = [moment for moment in moments if moment <= now]
    if past:
        return max(past)
    born = batch.timeline.born.get(tool_id, ALWAYS)
    return born if ALWAYS < born <= now else min(to_micros(batch.tools[tool_id].created_at), now)
