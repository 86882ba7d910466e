"""Wear states of a group: filtered from everything measured of each component, carried to each row (forecast 2, 12)."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from worker.facts import SizeFacts
from worker.group import Group
from worker.legs import Legs, filter_legs, legs_of
from worker.method.wear_state import WearStates, propagate
from worker.series import Series, bought_used, fact_usage, find, find_rows, line_up, series_key
from worker.slot_wear import SlotWear, starts_measured

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class GroupWear:
    """Wear of a group.

    Attributes
    ----------
    judged, of_mean : WearStates, shape (rows, slots)
        Of the statistic that discard is judged on, and of the mean; NaN without a usage or a start.
    usage : ndarray, shape (rows, slots)
        Of the component, [thousands of the basis]; NaN where it is not known.
    measured : ndarray of bool, shape (rows, slots)
        The component's feature was measured by then.
    used : ndarray of bool, shape (rows, slots)
        It came with a tool that was bought used.
    fact_usage : ndarray, shape (facts,)
    fact_judged, fact_mean : WearStates, shape (facts,)
        Right after each fact; one that does not enter shows its level alone.
    fact_asks : ndarray of bool, shape (facts,)
        Facts that nothing known of their component explains.
    """

    judged: WearStates
    of_mean: WearStates
    usage: Floats
    measured: Bools
    used: Bools
    fact_usage: Floats
    fact_judged: WearStates
    fact_mean: WearStates
    fact_asks: Bools


def group_wear(group: Group, facts: SizeFacts, replaced: dict[tuple[int, int], int], wear: SlotWear) -> GroupWear:
    """Filter what was measured and carry it to every row.

    Parameters
    ----------
    group : Group
    facts : SizeFacts
        Everything measured of the components of its tools.
    replaced : dict
        For (inspection, slot) the rank of the inspection that measured it again.
    wear : SlotWear
        Of the group's layout.
    """
    usage, known = fact_usage(group, facts)
    series = line_up(group, facts, usage, known, replaced, wear.runs_in)
    slots = group.layout.slots
    worst, mean = (_wear(group, facts, name) for name in ("worst", "mean"))
    on_mean = slots.on_mean[facts.slot]
    judged = np.where(on_mean, mean, worst)
    legs = legs_of(group, series, bought_used(group))
    here = _Here(group, series, legs)
    last = _reading_of_fact(group, facts, series)
    states, after, asked = [], [], []
    for y, s in judged, mean:
        at = y[series.fact], s[series.fact]
        found, begins, asks = filter_legs(series, wear, legs, *at, starts_measured(series, wear, *at))
        states.append(here.carry(found, begins, wear))
        after.append(_after(found, last, y, s))
        asked.append(np.append(asks, False)[last])
    return GroupWear(
        judged=states[0],
        of_mean=states[1],
        usage=here.usage,
        measured=here.measured,
        used=here.used,
        fact_usage=np.where(last >= 0, np.append(series.usage, np.nan)[last], np.where(known, usage, np.nan)),
        fact_judged=after[0],
        fact_mean=after[1],
        fact_asks=asked[0],
    )


def _wear(group: Group, facts: SizeFacts, name: str) -> Floats:
    """Wear by one statistic and its standard uncertainty, shape (2, facts)."""
    wear = group.layout.slots.wear_of(facts.slot, facts.column(name).astype(np.float64))
    return np.stack([wear, facts.column(f"{name}_u").astype(np.float64)])


class _Here:
    """Where each row's components stand: the last reading of each since it was turned, and the usage since."""

    def __init__(self, group: Group, series: Series, legs: Legs) -> None:
        rows, slots = group.rows, group.layout.slots
        held = rows.held[:, slots.place]
        shape = held.shape
        key = series_key(group, group.instance[held], np.broadcast_to(np.arange(shape[1]), shape), group.turned_rows)
        rank = np.broadcast_to(rows.rank[:, None], shape)
        number, reading = find(series, key.ravel(), rank.ravel())
        number, self.reading = number.reshape(shape), reading.reshape(shape)
        self.leg = find_rows(legs.key, key)
        of_leg = (self.reading < 0) & (self.leg >= 0)
        number = np.where(of_leg, np.append(legs.number, -1)[self.leg], number)
        self.measured = np.where(of_leg, np.append(legs.measured, False)[self.leg], self.reading >= 0)
        self.used = bought_used(group)[held]
        began = self.used & self.measured
        origin = np.where(of_leg, np.append(legs.origin, 0.0)[self.leg], np.append(series.origin, 0.0)[number])
        unbroken = began & (rows.gaps[:, None] <= np.append(series.origin_gaps, 0)[number])
        known = np.where(self.used, unbroken, rows.known[:, slots.place])
        usage = rows.usage[:, slots.place] - np.where(began, origin, 0.0)
        self.usage = np.where(known, usage, np.nan)
        last = np.where(of_leg, np.append(legs.usage, 0.0)[self.leg], np.append(series.usage, 0.0)[self.reading])
        self.since = np.maximum(self.usage - last, 0.0)

    def carry(self, states: WearStates, begins: WearStates, wear: SlotWear) -> WearStates:
        """The state of each row's components: from their last reading, from when they were turned, or from new."""
        columns = [
            np.where(
                self.reading >= 0,
                np.append(after, np.nan)[self.reading],
                np.where(self.leg >= 0, np.append(begun, np.nan)[self.leg], new),
            )
            for after, begun, new in zip(states.columns(), begins.columns(), wear.new.columns(), strict=True)
        ]
        return propagate(WearStates(*columns), self.since, wear.diffusion)


def _reading_of_fact(group: Group, facts: SizeFacts, series: Series) -> Ints:
    """Row of the series in which each fact stands as things were right then, -1 where it did not enter."""
    turn = group.turned(facts.instance, facts.rank, facts.slot)
    _, row = find(series, series_key(group, facts.instance, facts.slot, turn), facts.rank)
    itself = np.append(series.fact, -1)[row] == np.arange(len(facts.source))
    return np.where(itself, row, -1)


def _after(states: WearStates, last: Ints, y: Floats, s: Floats) -> WearStates:
    """State right after each fact; where it did not enter, its level by itself."""
    entered = last >= 0
    nothing = np.full(y.shape, np.nan)
    alone = (y, nothing, np.square(s), nothing, nothing)
    columns = [
        np.where(entered, np.append(column, np.nan)[last], other)
        for column, other in zip(states.columns(), alone, strict=True)
    ]
    return WearStates.of(*columns)
