"""The performance limit of tools of one type as sums of wear, where the flow governs the loss (forecast method, 12).

The flow loss is bent; near the service loss a straight line stands for it. Each tool has its own, because its fits are
expected to reach that loss at clearances of their own.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from worker.layout import Layout, carried_diameter
from worker.method.flow_limit import FlowLimit, linearise_loss
from worker.method.wear_state import WearStates

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
MOST_LOSS = 0.99
"""A hammer that has lost all has no pressure left to find a clearance by."""


@dataclass(frozen=True, slots=True)
class PerformanceLines:
    """Sums of feature wear at which the service loss is reached.

    Attributes
    ----------
    coefficients : ndarray, shape (r, slots)
        Loss per wear of each slot, [1/mm].
    value : ndarray, shape (r,)
        Sum at the limit, [-]; NaN where a fit has no state, or no wear leads there.
    """

    coefficients: Floats
    value: Floats


def lines_of_rows(layout: Layout, states: WearStates, consumption: Floats) -> PerformanceLines:
    """The lines of some tools, by the states of the mean carried to the time of the forecast."""
    clearance = layout.nominal_clearance() + _on_fits(layout, states.level)
    return _lines(layout, carried_diameter(layout, states), clearance, _on_fits(layout, states.rate), consumption)


def typical_line(layout: Layout, mean_rate: Floats) -> PerformanceLines:
    """The line of a hammer of the type that wears from new at mean rates, one row."""
    new = layout.nominal_clearance()[None, :]
    middle, fits = layout.slots.middle, layout.fits
    diameter = 0.5 * (middle[fits.bore] + middle[fits.shaft])[None, :]
    rate = _on_fits(layout, np.nan_to_num(mean_rate)[None, :])
    return _lines(layout, diameter, new, rate, np.array([layout.consumption(None)]))


def _on_fits(layout: Layout, wear: Floats) -> Floats:
    return np.asarray(wear[:, layout.fits.bore] + wear[:, layout.fits.shaft])


def _lines(layout: Layout, diameter: Floats, clearance: Floats, rate: Floats, consumption: Floats) -> PerformanceLines:
    path, slots = layout.leak_fits, len(layout.slots.feature)
    found = PerformanceLines(np.zeros((len(clearance), slots)), np.full(len(clearance), np.nan))
    diameter, clearance, rate = diameter[:, path], clearance[:, path], rate[:, path]
    known = np.flatnonzero(np.isfinite(diameter + clearance + rate).all(axis=1))
    if layout.flow is None or not len(known):
        return found
    service_loss = min(layout.type.service_loss, MOST_LOSS)
    line = linearise_loss(layout.flow, diameter[known], clearance[known], rate[known], service_loss, consumption[known])
    return _on_slots(layout, found, known, line)


def _on_slots(layout: Layout, found: PerformanceLines, known: Ints, line: FlowLimit) -> PerformanceLines:
    path, nominal = layout.leak_fits, layout.nominal_clearance()
    leads = np.isfinite(line.coefficient).all(axis=1) & (line.coefficient.max(axis=1) > 0.0)
    known, coefficient = known[leads], line.coefficient[leads]
    for side in (layout.fits.bore[path], layout.fits.shaft[path]):
        np.add.at(found.coefficients, (known[:, None], side[None, :]), coefficient)
    found.value[known] = np.sum(coefficient * (line.at[leads] - nominal[path]), axis=1)
    return found
