"""Leak of every fit and performance lost, by rule and by flow, at rows of a group.

By the clearances measured there, else by those of the carried states. What a blunder check blocks, or interferes
beyond doubt, counts as not measured.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from worker.facts import FitFacts, SizeFacts
from worker.group import Group
from worker.layout import carried_diameter
from worker.method.clearances import SURELY
from worker.method.flow_loss import FitLeaks, FlowLoss
from worker.method.performance import RuleLoss, loss_by_rule
from worker.wear import GroupWear

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Loss:
    """Loss at r rows; NaN where not known.

    Attributes
    ----------
    loss, u : ndarray, shape (r,)
        By the tier that governs, and its standard uncertainty.
    by_fit : ndarray, shape (r, fits)
        By row of the layout's fits.
    rule : RuleLoss or None
        Over `Layout.shared_fits`; None where no fit has a share.
    leaks, flow : FitLeaks or None, FlowLoss or None
        Over `Layout.leak_fits`; None without leak figures, the loss also where a fit with a share has none.
    consumption : ndarray, shape (r,)
        Free air the hammer takes at the supply pressure, as the tool is set, [m3/min].
    measured : ndarray of bool, shape (r, fits)
        The clearance was measured, and not blocked.
    """

    loss: Floats
    u: Floats
    by_fit: Floats
    rule: RuleLoss | None
    leaks: FitLeaks | None
    flow: FlowLoss | None
    consumption: Floats
    measured: Bools


@dataclass(frozen=True, slots=True)
class Gaps:
    """What the loss is computed from, shape (r, fits), [mm].

    Attributes
    ----------
    mean, u : ndarray
        Mean clearance and its standard uncertainty.
    leaking : ndarray
        Clearance that leaks: the cubic equivalent where it was measured, else the mean.
    diameter : ndarray
        Mean of the two mean sizes.
    measured : ndarray of bool
    """

    mean: Floats
    u: Floats
    leaking: Floats
    diameter: Floats
    measured: Bools


def lose(group: Group, rows: Ints, sizes: SizeFacts, fits: FitFacts, wear: GroupWear) -> Loss:
    """Compute leaks and losses for some rows.

    Parameters
    ----------
    group : Group
    rows : ndarray of int
        Rows of the group. A status takes what the newest inspection measured of components that are still fitted.
    sizes, fits : SizeFacts, FitFacts
        What was measured of the group's tools.
    wear : GroupWear
        Carried states of the mean.
    """
    layout, gaps = group.layout, _gaps(group, rows, sizes, fits, wear)
    consumption = consumption_of(group, rows)
    rule, shared = None, layout.shared_fits
    if len(shared):
        new, discard = layout.fits.new[shared], layout.fits.discard[shared]
        share = layout.fits.share[shared]
        rule = loss_by_rule(gaps.mean[:, shared], gaps.u[:, shared], new, layout.type.loss_per_mm, share, discard)
    leaks = flow = None
    if layout.flow is not None:
        path = layout.leak_fits
        leaks, flow = layout.flow.assess(gaps.diameter[:, path], gaps.leaking[:, path], gaps.u[:, path], consumption)
    flow = flow if layout.flow_is_whole else None
    governing = flow if layout.by_flow else rule
    by_fit, unknown = np.full(gaps.mean.shape, np.nan), np.full(len(rows), np.nan)
    if governing is None:
        return Loss(unknown, unknown, by_fit, rule, leaks, flow, consumption, gaps.measured)
    by_fit[:, layout.loss_fits] = governing.by_fit
    return Loss(governing.loss, governing.loss_u, by_fit, rule, leaks, flow, consumption, gaps.measured)


def consumption_of(group: Group, rows: Ints) -> Floats:
    """Free air the hammers of some rows take at the supply pressure, as each tool is set, [m3/min]."""
    settings = {tool: group.layout.consumption(group.batch.tools[tool].air_setting) for tool in group.tools}
    return np.array([settings[tool] for tool in group.rows.tool[rows].tolist()], np.float64)


def _gaps(group: Group, rows: Ints, sizes: SizeFacts, fits: FitFacts, wear: GroupWear) -> Gaps:
    layout = group.layout
    bore, shaft = layout.fits.bore, layout.fits.shaft
    source, same = _sources(group, rows)
    fit_table = np.full((3, len(group.rows.tool), len(bore)), np.nan)
    for n, name in enumerate(("mean", "mean_u", "for_leakage")):
        fit_table[n, fits.row, fits.fit] = fits.column(name).astype(np.float64)
    size_table = np.full((len(group.rows.tool), len(layout.slots.feature)), np.nan)
    fitted = np.flatnonzero((sizes.row >= 0) & ~sizes.on_bench & ~sizes.column("blocked").astype(np.bool_))
    size_table[sizes.row[fitted], sizes.slot[fitted]] = sizes.column("mean").astype(np.float64)[fitted]
    mean, u, leaking = fit_table[:, source]
    diameter = 0.5 * (size_table[source][:, bore] + size_table[source][:, shaft])
    given = same & np.isfinite(diameter) & (mean >= -SURELY * u)
    states = wear.of_mean.at(rows)
    return Gaps(
        np.where(given, mean, layout.nominal_clearance() + states.level[:, bore] + states.level[:, shaft]),
        np.where(given, u, np.sqrt(states.level_variance[:, bore] + states.level_variance[:, shaft])),
        np.where(given, leaking, layout.nominal_clearance() + states.level[:, bore] + states.level[:, shaft]),
        np.where(given, diameter, carried_diameter(layout, states)),
        given,
    )


def _sources(group: Group, rows: Ints) -> tuple[Ints, Bools]:
    """Row that measured for each row, and whether the components of each fit are the same, shape (r, fits)."""
    source = rows.copy()
    status = group.rows.is_status[rows] & (rows > 0)
    before = rows[status] - 1
    source[status] = np.where(group.rows.tool[before] == group.rows.tool[rows[status]], before, rows[status])
    same = np.ones((len(rows), len(group.layout.fits.fit)), np.bool_)
    for side in (group.layout.fits.bore, group.layout.fits.shaft):
        holders = group.holders(side)
        same &= holders[source] == holders[rows]
    return source, same
