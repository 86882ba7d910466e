"""How rates of wear go together: of a tool's features, and of a part's end before and after it is turned (forecast 0.6
and 3), told from what the filter makes of each history by itself."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from worker.fleet import Fleet
from worker.method.rate_correlation import reversal_correlation, slope_correlation
from worker.method.wear_state import own_weight
from worker.origins import filter_fleet, ground_factors
from worker.slot_wear import slot_wear
from worker.wear_model import WearModel

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Correlations:
    """Of the rates of one tool's features, and of an end's rates before and after a reversal."""

    slope: float
    reversal: float


def rate_correlations(fleet: Fleet, model: WearModel) -> Correlations:
    """Estimate both from a fleet under its learned wear.

    Parameters
    ----------
    fleet : Fleet
    model : WearModel
        As learned, its own correlations aside.

    Returns
    -------
    Correlations
        Those of the method where the fleet is too small to tell.
    """
    wear, series = slot_wear(fleet.layout, model), fleet.series
    if not len(series.count):
        return Correlations(slope_correlation([], [], [], []), reversal_correlation([], [], []))
    states = filter_fleet(fleet, wear, ground_factors(fleet, model)).judged
    first = np.cumsum(series.count) - series.count
    newest = states.at(first + series.count - 1)
    variance = wear.new.rate_variance[series.slot]
    off = (newest.rate - wear.new.rate[series.slot]) / np.sqrt(variance)
    weight = own_weight(newest, variance)
    plain = np.isfinite(off) & (series.turn == 0)
    feature = fleet.layout.slots.feature[series.slot]
    slope = slope_correlation(fleet.tools(first)[plain], feature[plain], off[plain], weight[plain])
    before, after = _turned(fleet, first)
    told = np.isfinite(off[before]) & np.isfinite(off[after])
    before, after = before[told], after[told]
    return Correlations(slope, reversal_correlation(off[before], off[after], weight[before] * weight[after]))


def _turned(fleet: Fleet, first: Ints) -> tuple[Ints, Ints]:
    """Series of an end before and after each reversal that has both."""
    series, opposite = fleet.series, fleet.layout.opposite
    turned = np.flatnonzero(series.turn > 0)
    if not len(turned):
        return turned, turned
    component = fleet.facts.instance[series.fact[first]]
    names = zip(component.tolist(), series.slot.tolist(), series.turn.tolist(), strict=True)
    number = {name: n for n, name in enumerate(names)}
    pairs = [
        (number.get((int(component[n]), int(opposite[series.slot[n]]), int(series.turn[n]) - 1)), n)
        for n in turned.tolist()
    ]
    both = np.array([(before, after) for before, after in pairs if before is not None], np.int64).reshape(-1, 2)
    return both[:, 0], both[:, 1]
