"""Every reading of a group looked at for blunders (sizes method S8): what blocks a size, and what is said of it.

Readings first, each by itself and beside its siblings; then each size against the drawing and against the tool's own
history. A size that is blocked decides nothing, stays out of the wear state, and is no measure for a later one.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from worker.bench import Workpiece
from worker.findings import Findings
from worker.group import Group
from worker.history import History, earlier_sizes
from worker.method import blunders
from worker.method.blunders import GAUGE_SHARE, Repeats
from worker.method.history_blunders import BACKWARDS, EXPANDED, wear_score
from worker.method.sizes import Sizes
from worker.scene import Scene

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
FEWEST = 2
"""Readings below which a size decides nothing where no study says what the gauge repeats to (S8)."""


@dataclass(frozen=True, slots=True)
class Scrutiny:
    """What was found.

    Attributes
    ----------
    blocked : ndarray of bool, shape (m,)
        Sizes that are not decided.
    found : Findings
        What is said of it.
    history : History
        What each size followed.
    """

    blocked: Bools
    found: Findings
    history: History


def scrutinise(
    group: Group, inspections: list[int], workpiece: Workpiece, sizes: Sizes, measurand_of: Ints, again: dict[int, int]
) -> Scrutiny:
    """Look for blunders.

    Parameters
    ----------
    group : Group
    inspections : list of int
        Rows of `Batch.inspections` that were measured.
    workpiece : Workpiece
        Their readings.
    sizes : Sizes
        Of each inspection by itself.
    measurand_of : ndarray of int, shape (inspections, slots)
    again : dict
        For an inspection that measures another again, that one; both rows of `Batch.inspections`.
    """
    scene = Scene(group, workpiece, sizes)
    found = Findings(scene)
    blocked = _of_readings(scene, found)
    blocked |= _of_instruments(scene, found)
    blocked |= _of_sizes(scene, found)
    history = earlier_sizes(group, inspections, scene, measurand_of, again, blocked)
    found.of_history(history)
    blocked = history.blocked
    found.name_wrong_features(history, blocked)
    return Scrutiny(blocked, found, history)


def _measurands(scene: Scene, rows: Bools) -> Bools:
    """Which measurands hold one of some readings."""
    mask = np.zeros(len(scene.sizes.readings), np.bool_)
    mask[scene.readings.measurand[rows]] = True
    return mask


def _of_readings(scene: Scene, found: Findings) -> Bools:
    r, slot = scene.readings, scene.slot
    half = scene.window[slot]
    outside = blunders.is_outside(scene.size, scene.slots.middle[slot], half)
    beyond = blunders.is_out_of_range(scene.size, scene.deviation, half)
    odd = outside | beyond
    for row in np.flatnonzero(odd).tolist():
        found.explain(row, bool(outside[row]))
    blocked = _measurands(scene, odd)
    for slip in blunders.sibling_slips(scene.sizes.places, scene.master_size, scene.u_read):
        blocked[found.sibling_slip(slip)] = True
    places = scene.sizes.places
    repeats = blunders.spread_of_repeats(places, scene.inspection, scene.repeatability, scene.step)
    blocked |= _of_repeats(scene, repeats, found)
    for n, mask in enumerate(blunders.too_warm(r.part_c, r.reference_c)):
        found.temperature(np.flatnonzero(_measurands(scene, mask)), mask, apart=n == 0)
    return blocked


def _of_repeats(scene: Scene, repeats: Repeats, found: Findings) -> Bools:
    start = scene.sizes.places.group_start
    blocked = np.zeros(len(scene.sizes.readings), np.bool_)
    for group in np.flatnonzero(repeats.too_wide).tolist():
        row = int(start[group])
        blocked[scene.readings.measurand[row]] = True
        found.repeat_spread(row, float(repeats.range[group]), float(repeats.allowed[group]))
    if repeats.frozen.any():
        found.frozen(start[repeats.frozen])
    return blocked


def _of_instruments(scene: Scene, found: Findings) -> Bools:
    blocked = _measurands(scene, scene.overdue())
    if scene.zero_return is not None:
        drifted = blunders.has_drifted(scene.zero_return, scene.u_read, scene.step)
        found.drifted(np.flatnonzero(drifted))
        blocked |= _measurands(scene, drifted)
    share = 3.0 * scene.spread_of_gauge / scene.slots.allowed[scene.slot]
    wide = share > GAUGE_SHARE
    if wide.any():
        found.wide_gauge(np.flatnonzero(wide), share)
    return blocked


def _of_sizes(scene: Scene, found: Findings) -> Bools:
    sizes, subjects, slots = scene.sizes, scene.workpiece.subjects, scene.slots
    slot = subjects.slot
    measured = sizes.readings > 0
    unstudied = ~_measurands(scene, np.isfinite(scene.repeatability) | np.isfinite(scene.readings.trace_u))
    few = measured & (sizes.readings < FEWEST) & unstudied
    found.too_few(np.flatnonzero(measured & (sizes.readings < scene.least[slot]) | few), few)
    one_way = blunders.is_one_way(sizes.locations.orientation, sizes.locations.measurand, len(slot))
    found.one_way(np.flatnonzero(one_way & scene.is_round[slot]))
    wear = slots.wear_of(slot, sizes.mean)
    drawing = slots.width[slot] / np.sqrt(12.0)
    back = np.flatnonzero(measured & (wear < 0))
    score = np.full(len(slot), np.nan)
    score[back] = wear_score(wear[back], EXPANDED * sizes.of_mean.u[back], EXPANDED * drawing[back])
    negative = score < BACKWARDS
    found.negative_wear(np.flatnonzero(negative), wear, score)
    return few | negative
