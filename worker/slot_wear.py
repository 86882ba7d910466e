"""Wear of the slots of a revision before anything is measured: by the catalogue, or learned (forecast 6, 12)."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from worker.layout import Layout
from worker.method.wear_filter import ROBUST_K
from worker.method.wear_limits import allowed_wear
from worker.method.wear_state import (
    REVERSAL_CORRELATION,
    WearRates,
    WearStates,
    fill_wear_rates,
    new_size_variance,
    prior_states,
)
from worker.series import Series
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
    opposite : ndarray of int
        Slot that each changes places with when its part is turned end for end.
    reversal_correlation : float
        Of the rate of one end before and after that.
    slope_correlation : float
        Of the rates of a tool's features.
    """

    rates: WearRates
    diffusion: Floats
    new: WearStates
    runs_in: Bools
    allowed: Floats
    opposite: Ints
    reversal_correlation: float
    slope_correlation: float


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
    level, level_variance = np.zeros(len(mean)), new_size_variance(slots.width)
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
    across, together = (
        (REVERSAL_CORRELATION, 0.0) if model is None else (model.reversal_correlation, model.slope_correlation)
    )
    filled = replace(rates, assumed=assumed)
    return SlotWear(filled, diffusion, new, runs_in, allowed, layout.opposite, across, together)


def starts_measured(series: Series, wear: SlotWear, y: Floats, s: Floats) -> Bools:
    """Which series begin at their first reading: bought used, or re-machined.

    A part that is measured before it has run, and found further from new than drawing and gauge allow, was re-machined
    or re-sleeved: it starts at the size it has.
    """
    first = np.cumsum(series.count) - series.count
    off = np.abs(y[first] - wear.new.level[series.slot])
    allowed = ROBUST_K * np.sqrt(wear.new.level_variance[series.slot] + np.square(s[first]))
    return series.from_first | ((series.usage[first] <= 0.0) & (series.turn == 0) & (off > allowed))
