"""Wear across reversals: what one end of a component did at one end of the tool is a *leg*, and each leg begins with
the state that the one before it ended with, its rate drawn anew for the other end (forecast method, section 3).

The first leg of a component is that of a new one; only those after a reversal stand in the table here.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from worker.group import Group
from worker.method.wear_filter import FilteredWear, filter_wear
from worker.method.wear_state import WearStates, propagate, reverse
from worker.reversals import Reversal
from worker.series import Series, find, find_rows, series_key
from worker.slot_wear import SlotWear

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Legs:
    """Legs after a reversal, in the order of how often their component had been turned; shape (n,) each.

    Attributes
    ----------
    key, slot, turn : ndarray of int
        As of `series.series_key`; a slot of the feature; from 1.
    before : ndarray of int
        The leg that the same end did before; -1: its component's first.
    number, reading : ndarray of int
        Series of that one, and its last reading before the reversal; -1 for none.
    origin : ndarray
        Usage taken off where the component came with a tool that was bought used, [thousands of the basis].
    usage : ndarray
        Of the component at the reversal, less that; NaN where it is not known.
    measured : ndarray of bool
        The end had been measured before.
    """

    key: Ints
    slot: Ints
    turn: Ints
    before: Ints
    number: Ints
    reading: Ints
    origin: Floats
    usage: Floats
    measured: Bools


def legs_of(group: Group, series: Series, used: Bools) -> Legs:
    """Legs of every component that was turned.

    Parameters
    ----------
    group : Group
    series : Series
        Of its facts.
    used : ndarray of bool, shape (stints,)
        Stints of a component that came with a tool bought used.
    """
    layout = group.layout
    ends = np.flatnonzero((layout.opposite != np.arange(len(layout.opposite))) & (layout.slots.position == 1))
    rows = [
        (turn, slot, reversal)
        for reversals in group.reversals.values()
        for turn, reversal in enumerate(reversals, start=1)
        for slot in ends.tolist()
        if layout.places[int(layout.slots.place[slot])][0] == reversal.stint.place[0]
    ]
    rows.sort(key=lambda row: row[0])
    turns, slots = (np.array([row[n] for row in rows], np.int64) for n in range(2))
    instance = np.array([row[2].stint.instance for row in rows], np.int64)
    key = series_key(group, instance, slots, turns)
    other = series_key(group, instance, layout.opposite[slots], turns - 1)
    number, reading = find(series, other, np.array([row[2].after for row in rows], np.int64))
    before = find_rows(key, other)
    origin, measured = np.zeros(len(rows)), reading >= 0
    for n in range(len(rows)):  # a leg stands after the one before it
        if measured[n]:
            origin[n] = series.origin[number[n]]
        elif before[n] >= 0:
            origin[n], measured[n] = origin[before[n]], measured[before[n]]
    runs = [_run(group, row[2]) for row in rows]
    known = np.array([sure for _, sure in runs], np.bool_)
    known |= np.array([used[row[2].stint.number] for row in rows], np.bool_) & measured
    usage = np.where(known, np.array([run for run, _ in runs], np.float64) - origin, np.nan)
    return Legs(key, slots, turns, before, number, reading, origin, usage, measured)


def _run(group: Group, reversal: Reversal) -> tuple[float, bool]:
    """What a component had run when it was turned, [thousands of the basis], and whether that is known."""
    before, sure = group.mileage.before(reversal.stint)
    during, known = group.mileage.during(reversal.stint, reversal.moment_us)
    return before + during, sure and known


def filter_legs(
    series: Series, wear: SlotWear, legs: Legs, y: Floats, s: Floats, begun: Bools
) -> tuple[WearStates, WearStates, Bools]:
    """States after every reading, those that each leg after a reversal begins with, and the readings to ask about.

    Parameters
    ----------
    series : Series
    wear : SlotWear
    legs : Legs
    y, s : ndarray, shape (n,)
        Wear and standard uncertainty of the readings of the series, [mm].
    begun : ndarray of bool, shape (series,)
        Series that begin at their first reading.

    Returns
    -------
    after, begins : WearStates, shape (n,) and (legs,)
    asks : ndarray of bool, shape (n,)
        Readings so far off that somebody has to look.
    """
    start = wear.new.at(series.slot)
    if not len(legs.key):
        found = _filter(series, wear, start, np.zeros(len(series.count)), y, s, begun)
        return found.states, start.at(slice(0, 0)), found.asks
    after, asks = np.full((5, len(y)), np.nan), np.zeros(len(y), np.bool_)
    begins = np.full((5, len(legs.key)), np.nan)
    leg_of = np.where(series.turn > 0, find_rows(legs.key, series.key), -1)
    for turn in range(int(legs.turn.max()) + 1):
        chosen = series.turn == turn
        if turn:
            _begin(legs, np.flatnonzero(legs.turn == turn), wear, series, after, begins)
            here = leg_of[chosen]
            start = WearStates(*begins[:, here])
            first = series.usage[(np.cumsum(series.count) - series.count)[chosen]]
            since = np.where(begun[chosen], first, np.minimum(legs.usage[here], first))
        else:
            start, since = wear.new.at(series.slot[chosen]), np.zeros(int(chosen.sum()))
        rows = chosen[series.number]
        found = _filter(_only(series, chosen), wear, start, since, y[rows], s[rows], begun[chosen])
        after[:, rows], asks[rows] = np.stack(found.states.columns()), found.asks
    return WearStates(*after), WearStates(*begins), asks


def _begin(legs: Legs, rows: Ints, wear: SlotWear, series: Series, after: Floats, begins: Floats) -> None:
    """Set the states that some legs begin with, from the ends of those before them."""
    reading, before, slot = legs.reading[rows], legs.before[rows], legs.slot[rows]
    was = wear.opposite[slot]
    usage = np.where(before >= 0, legs.usage[before], 0.0)
    usage = np.where(reading >= 0, np.append(series.usage, 0.0)[reading], usage)
    ended = np.where(before >= 0, begins[:, before], np.stack(wear.new.at(was).columns()))
    ended = np.where(reading >= 0, np.append(after, np.full((5, 1), np.nan), axis=1)[:, reading], ended)
    carried = propagate(WearStates(*ended), np.maximum(legs.usage[rows] - usage, 0.0), wear.diffusion[was])
    sd = np.sqrt(wear.new.rate_variance)
    turned = reverse(carried, wear.new.rate[was], sd[was], wear.new.rate[slot], sd[slot], wear.reversal_correlation)
    begins[:, rows] = np.stack(turned.columns())


def _only(series: Series, chosen: Bools) -> Series:
    kept = chosen[series.number]
    return replace(
        series, slot=series.slot[chosen], count=series.count[chosen], usage=series.usage[kept], fact=series.fact[kept]
    )


def _filter(
    series: Series, wear: SlotWear, start: WearStates, since: Floats, y: Floats, s: Floats, begun: Bools
) -> FilteredWear:
    return filter_wear(
        start=start,
        start_usage=since,
        diffusion=wear.diffusion[series.slot],
        counts=series.count,
        usage=series.usage,
        wear=y,
        uncertainty=s,
        from_first_reading=begun,
    )
