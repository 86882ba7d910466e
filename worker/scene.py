"""The readings of a group with what each is to be looked at against: its feature, its gauge, its master."""

from __future__ import annotations

from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from worker.bench import Workpiece
from worker.group import Group
from worker.layout import Slots
from worker.method.blunders import window
from worker.method.instruments import OVERDUE
from worker.method.readings import Readings
from worker.method.sizes import Sizes

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]


class Scene:
    """Readings in the order of `Places`, shape (n,) each unless said; lengths in mm.

    Attributes
    ----------
    slot, inspection : ndarray of int
        Slot of the layout (that of position 1 on the bench), and inspection laid out.
    master_size, deviation, size : ndarray
        Size of the master and deviation from it, NaN for a size; the size the reading gives as it stands.
    repeatability, step, u_read : ndarray
        EV of a study (NaN = none), digital step, and EV or the standard uncertainty assumed of one reading.
    zero_return : ndarray or None
        Reading on the master when the gauge was put back on it; None where nobody did.
    window, least, is_round : ndarray, shape (slots,)
        Half width of the plausible band; fewest readings by the catalogue; whether it is a diameter.
    """

    def __init__(self, group: Group, workpiece: Workpiece, sizes: Sizes) -> None:
        self.group, self.workpiece, self.sizes = group, workpiece, sizes
        self.slots: Slots = group.layout.slots
        r: Readings = sizes.places.readings
        self.readings = r
        bench, subjects = workpiece.bench, workpiece.subjects
        gauges = bench.gauges.with_unnamed()
        self.slot: Ints = subjects.slot[r.measurand]
        self.inspection: Ints = subjects.inspection[r.measurand]
        masters = bench.masters.with_unnamed()
        self.master_size: Floats = np.where(r.is_deviation, masters.size[r.master], np.nan)
        self.deviation: Floats = np.where(r.is_deviation, r.value, np.nan)
        self.size: Floats = np.where(r.is_deviation, self.master_size + r.value, r.value)
        self.repeatability: Floats = gauges.repeatability[r.gauge]
        self.step: Floats = gauges.resolution[r.gauge]
        assumed = np.where(bench.parameters.assumed_allowed[0], bench.parameters.random[0], np.nan)
        known = np.isfinite(self.repeatability)
        self.u_read: Floats = np.where(known, self.repeatability, assumed[gauges.kind[r.gauge]])
        both = np.hypot(gauges.repeatability, np.nan_to_num(gauges.reproducibility))
        self.spread_of_gauge: Floats = both[r.gauge]
        back = workpiece.zero_return
        self.zero_return: Floats | None = None if back is None else back[sizes.places.order]

    @cached_property
    def window(self) -> Floats:
        features = self.group.layout.type.features
        stated = np.array([np.nan if f.window is None else f.window for f in features], np.float64)
        return window(self.slots.middle, self.slots.discard, stated[self.slots.feature])

    @cached_property
    def least(self) -> Ints:
        features = self.group.layout.type.features
        return np.array([f.minimum_readings for f in features], np.int64)[self.slots.feature]

    @cached_property
    def is_round(self) -> Bools:
        features = self.group.layout.type.features
        return np.array([f.kind in ("shaft", "bore") for f in features], np.bool_)[self.slots.feature]

    def overdue(self) -> Bools:
        """Readings by a gauge or a master whose calibration had run out."""
        r, piece = self.readings, self.workpiece
        late = np.zeros(len(r.value), np.bool_)
        used = [use for use in piece.out_of_order if use.standing == OVERDUE]
        for kind, number in (("gauge", r.gauge), ("master", r.master)):
            rows = [(use.inspection, use.row) for use in used if use.kind == kind]
            if rows:
                table = np.zeros((int(self.inspection.max(initial=0)) + 1, int(number.max(initial=0)) + 2), np.bool_)
                for at, row in rows:
                    if at < len(table) and row < table.shape[1] - 1:
                        table[at, row] = True
                late |= table[self.inspection, number]  # the last column, of -1, stays empty
        return late
