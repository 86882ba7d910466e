"""Wear states of a group: filtered from everything measured of each component, carried to each row (forecast 2, 12)."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from worker.facts import SizeFacts
from worker.group import Group
from worker.layout import Layout
from worker.method.wear_filter import ROBUST_K, filter_wear
from worker.method.wear_limits import allowed_wear
from worker.method.wear_state import WearRates, WearStates, fill_wear_rates, prior_states, propagate
from worker.series import Series, bought_used, fact_usage, find, line_up, series_key
from worker.wear_model import WearModel

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class SlotWear:
    """Wear of each slot of a component not yet measured.

    Attributes
    ----------
    rates : WearRates
        By the catalogue; a life in its sense counts by these.
    diffusion : ndarray
        Process variance, the fleet's where it was learned.
    new : WearStates
        Of a part just fitted, as the fleet's parts start where that was learned.
    runs_in : ndarray of bool
        Parts run in: a reading of one as new says nothing of the level that its rate drives.
    allowed : ndarray
        Wear from new to discard, [mm].
    """

    rates: WearRates
    diffusion: Floats
    new: WearStates
    runs_in: Bools
    allowed: Floats


def slot_wear(layout: Layout, model: WearModel | None = None) -> SlotWear:
    """Wear of the slots of a revision before anything is measured, by the catalogue or learned from the fleet."""
    slots, fits, features = layout.slots, layout.fits, layout.type.features

    def column(name: str) -> Floats:
        values = [getattr(feature, name) for feature in features]
        return np.array([np.nan if v is None else v for v in values], np.float64)[slots.feature]

    nominal = layout.nominal_clearance()
    allowed = allowed_wear(slots.middle, slots.discard, fits.shaft, fits.bore, nominal, fits.discard)
    rates = fill_wear_rates(allowed, column("wear_mean"), column("wear_sd"), column("process_sd"))
    mean, variance, diffusion = rates.mean.copy(), np.square(rates.sd), np.square(rates.process_sd)
    assumed = rates.assumed.copy()
    level, level_variance = np.zeros(len(mean)), np.square(slots.width) / 12.0
    runs_in = np.zeros(len(mean), np.bool_)
    for n, learned in enumerate(model.features.get(feature.code) if model else None for feature in features):
        if learned is None:
            continue
        here = slots.feature == n
        mean[here], variance[here], diffusion[here] = learned.mean, learned.rate_variance, learned.process_sd**2
        assumed[here] = False
        if learned.running_in is not None:
            runs_in |= here
            level[here] = learned.running_in.mean
            level_variance[here] += learned.running_in.sd**2
    new = prior_states(level, level_variance, mean, variance)
    return SlotWear(replace(rates, assumed=assumed), diffusion, new, runs_in, allowed)


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
    """

    judged: WearStates
    of_mean: WearStates
    usage: Floats
    measured: Bools
    used: Bools
    fact_usage: Floats
    fact_judged: WearStates
    fact_mean: WearStates


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
    here = _Here(group, series)
    last = _reading_of_fact(group, facts, series)
    states, after = [], []
    for y, s in judged, mean:
        found = _filtered(series, wear, y, s)
        states.append(here.carry(found, wear))
        after.append(_after(found, last, y, s))
    return GroupWear(
        judged=states[0],
        of_mean=states[1],
        usage=here.usage,
        measured=here.reading >= 0,
        used=here.used,
        fact_usage=np.where(last >= 0, np.append(series.usage, np.nan)[last], np.where(known, usage, np.nan)),
        fact_judged=after[0],
        fact_mean=after[1],
    )


def _wear(group: Group, facts: SizeFacts, name: str) -> Floats:
    """Wear by one statistic and its standard uncertainty, shape (2, facts)."""
    wear = group.layout.slots.wear_of(facts.slot, facts.column(name).astype(np.float64))
    return np.stack([wear, facts.column(f"{name}_u").astype(np.float64)])


def starts_measured(series: Series, wear: SlotWear, y: Floats, s: Floats) -> Bools:
    """Which series begin at their first reading: bought used, or re-machined.

    A part that is measured before it has run, and found further from new than drawing and gauge allow, was re-machined
    or re-sleeved: it starts at the size it has.
    """
    first = np.cumsum(series.count) - series.count
    off = np.abs(y[first] - wear.new.level[series.slot])
    allowed = ROBUST_K * np.sqrt(wear.new.level_variance[series.slot] + np.square(s[first]))
    return series.from_first | ((series.usage[first] <= 0.0) & (off > allowed))


def _filtered(series: Series, wear: SlotWear, y: Floats, s: Floats) -> WearStates:
    found = filter_wear(
        start=wear.new.at(series.slot),
        start_usage=0.0,
        diffusion=wear.diffusion[series.slot],
        counts=series.count,
        usage=series.usage,
        wear=y[series.fact],
        uncertainty=s[series.fact],
        from_first_reading=starts_measured(series, wear, y[series.fact], s[series.fact]),
    )
    return found.states


class _Here:
    """Where each row's components stand: the last reading of each, and the usage since."""

    def __init__(self, group: Group, series: Series) -> None:
        rows, slots = group.rows, group.layout.slots
        held = rows.held[:, slots.place]
        shape = held.shape
        key = series_key(group, group.instance[held], np.broadcast_to(np.arange(shape[1]), shape))
        rank = np.broadcast_to(rows.rank[:, None], shape)
        number, reading = find(series, key.ravel(), rank.ravel())
        number, self.reading = number.reshape(shape), reading.reshape(shape)
        self.used = bought_used(group)[held]
        began = self.used & (self.reading >= 0)
        origin = np.append(series.origin, 0.0)[number]
        unbroken = began & (rows.gaps[:, None] <= np.append(series.origin_gaps, 0)[number])
        known = np.where(self.used, unbroken, rows.known[:, slots.place])
        usage = rows.usage[:, slots.place] - np.where(began, origin, 0.0)
        self.usage = np.where(known, usage, np.nan)
        last = np.append(series.usage, 0.0)[self.reading]
        self.since = np.maximum(self.usage - last, 0.0)

    def carry(self, states: WearStates, wear: SlotWear) -> WearStates:
        """The state of each row's components, from their last reading or from new."""
        columns = [
            np.where(self.reading >= 0, np.append(after, np.nan)[self.reading], new)
            for after, new in zip(states.columns(), wear.new.columns(), strict=True)
        ]
        return propagate(WearStates(*columns), self.since, wear.diffusion)


def _reading_of_fact(group: Group, facts: SizeFacts, series: Series) -> Ints:
    """Row of the series in which each fact stands as things were right then, -1 where it did not enter."""
    _, row = find(series, series_key(group, facts.instance, facts.slot), facts.rank)
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
