"""Performance lost at rows of a group: by the mean clearances measured there, else by those of the carried states."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from worker.facts import FitFacts
from worker.group import Group
from worker.method.performance import loss_by_rule
from worker.wear import GroupWear

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Loss:
    """Loss of some rows, shape (r,), and by row of the layout's fits, shape (r, fits); NaN where not known."""

    loss: Floats
    u: Floats
    by_fit: Floats


def lose(group: Group, rows: Ints, fits: FitFacts, wear: GroupWear) -> Loss:
    """Compute the loss by the rule for some rows.

    Parameters
    ----------
    group : Group
    rows : ndarray of int
        Rows of the group. A status takes what the newest inspection measured of components that are still fitted.
    fits : FitFacts
        Clearances measured of the group's tools.
    wear : GroupWear
        Carried states of the mean.
    """
    layout = group.layout
    shared = layout.shared_fits
    by_fit = np.full((len(rows), len(layout.fits.fit)), np.nan)
    if not len(shared):
        nothing = np.full(len(rows), np.nan)
        return Loss(nothing, nothing, by_fit)
    mean, u = _measured(group, rows, fits)
    bore, shaft = layout.fits.bore, layout.fits.shaft
    states = wear.of_mean.at(rows)
    carried = layout.nominal_clearance() + states.level[:, bore] + states.level[:, shaft]
    carried_u = np.sqrt(states.level_variance[:, bore] + states.level_variance[:, shaft])
    given = np.isfinite(mean)
    found = loss_by_rule(
        np.where(given, mean, carried)[:, shared],
        np.where(given, u, carried_u)[:, shared],
        layout.fits.new[shared],
        layout.type.loss_per_mm,
        layout.fits.share[shared],
    )
    by_fit[:, shared] = found.by_fit
    return Loss(found.loss, found.loss_u, by_fit)


def _measured(group: Group, rows: Ints, fits: FitFacts) -> tuple[Floats, Floats]:
    """Mean clearances measured at each row, and their u; NaN where there is none."""
    table = np.full((2, len(group.rows.tool), len(group.layout.fits.fit)), np.nan)
    for n, name in enumerate(("mean", "mean_u")):
        table[n, fits.row, fits.fit] = fits.column(name).astype(np.float64)
    source = rows.copy()
    status = group.rows.is_status[rows] & (rows > 0)
    before = rows[status] - 1
    source[status] = np.where(group.rows.tool[before] == group.rows.tool[rows[status]], before, rows[status])
    held, places = group.rows.held, group.layout.slots.place
    same = np.ones((len(rows), len(group.layout.fits.fit)), np.bool_)
    for side in (group.layout.fits.bore, group.layout.fits.shaft):
        same &= held[source][:, places[side]] == held[rows][:, places[side]]
    return np.where(same, table[0][source], np.nan), np.where(same, table[1][source], np.nan)
