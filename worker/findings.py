"""What is said of blunders: what was seen, and what is proposed. Nothing is corrected here; lengths are mm."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from worker.history import History
from worker.method.blunders import FROM_REFERENCE_K, PART_FROM_MASTER_K, SiblingSlip, is_outside, slips
from worker.scene import Scene

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
TOLD = 3
"""Readings told of one by one in one remark; the others are counted."""
PROPOSALS = {
    "inch-mm": "Proposed: correct the unit.",
    "decimal-slip": "Proposed: correct the decimal point.",
    "thimble-turn": "Proposed: correct it by the turn, or read it again.",
    "wrong-feature": "Proposed: correct the feature.",
    "out-of-range": "Proposed: read it again.",
    "repeat-spread": "Proposed: read it again.",
    "frozen-repeats": "Proposed: enter each repeat as it was read.",
    "zero-drift": "Proposed: set the gauge to zero and measure again.",
    "too-few-readings": "Proposed: read it again.",
    "one-orientation": "Proposed: read it at two more orientations, 60° apart.",
    "negative-wear": "Proposed: check feature, component and unit, or measure again.",
    "wear-reversed": "Proposed: enter a renewal or reversal there was, check feature and component, or measure again.",
    "swapped-station": "Proposed: exchange them.",
    "temperature-difference": "Proposed: let it lie in the room, and measure again.",
    "gauge-unfit": "Proposed: use a better gauge, or repeat more often.",
}
MEANT = {
    "inch-mm": "in the other unit it is {:.4f} mm",
    "decimal-slip": "with the decimal point moved it is {:.4f} mm",
    "thimble-turn": "one turn of the thimble away it is {:.4f} mm",
}


@dataclass(frozen=True, slots=True)
class Finding:
    """Something to be remarked on an inspection (index of those laid out): about a slot, or about what is named."""

    inspection: int
    slot: int
    code: str
    message: str
    about: str = ""


class Findings:
    """Collects what was seen, one remark for each code and feature."""

    def __init__(self, scene: Scene) -> None:
        self.scene = scene
        self._seen: dict[tuple[int, str, str], list[str]] = {}  # by measurand (-1 - inspection), code, about

    def documents(self) -> list[Finding]:
        """What is to be remarked, in the order it was found."""
        subjects = self.scene.workpiece.subjects
        found = []
        for (owner, code, about), lines in self._seen.items():
            more = f" (and {len(lines) - TOLD} more)" if len(lines) > TOLD else ""
            text = "; ".join(lines[:TOLD]) + more + ". " + PROPOSALS[code]
            at = -1 - owner if owner < 0 else int(subjects.inspection[owner])
            found.append(Finding(at, -1 if owner < 0 else int(subjects.slot[owner]), code, text, about))
        return found

    def _say(self, measurand: int, code: str, line: str) -> None:
        self._seen.setdefault((measurand, code, ""), []).append(line)

    def _say_of(self, inspection: int, about: str, code: str, line: str) -> None:
        lines = self._seen.setdefault((-1 - inspection, code, about), [])
        if line not in lines:
            lines.append(line)

    def _where(self, row: int) -> str:
        """Where a reading was taken."""
        station, angle = int(self.scene.readings.station[row]), float(self.scene.readings.orientation[row])
        words = [f"station {station}"] if station else []
        words += [f"{angle:g}°"] if np.isfinite(angle) else []
        return ", ".join(words) or "a reading"

    def _feature(self, slot: int) -> str:
        return self.scene.group.layout.type.features[int(self.scene.slots.feature[slot])].code

    # ------------------------------------------------------------ readings

    def explain(self, row: int, outside: bool) -> None:
        """Tell of a reading outside its window, or out of range."""
        scene, slot = self.scene, int(self.scene.slot[row])
        measurand, x = int(scene.readings.measurand[row]), float(scene.size[row])
        middle, half = float(scene.slots.middle[slot]), float(scene.window[slot])
        if not outside:
            deviation = float(scene.deviation[row])
            line = f"{self._where(row)}: {deviation:.4f} mm from the master is further than a gauge spans"
            self._say(measurand, "out-of-range", line)
            return
        seen = f"{self._where(row)}: {x:.4f} mm lies outside {middle - half:.3f} to {middle + half:.3f} mm"
        found = slips(x, middle, half)
        for slip in found:
            self._say(measurand, slip.code, f"{seen}; {MEANT[slip.code].format(slip.meant)}")
        others = np.flatnonzero(~is_outside(x, scene.slots.middle, scene.window))
        others = others[scene.slots.feature[others] != scene.slots.feature[slot]]
        if len(others):
            near = others[np.argmin(np.abs(scene.slots.middle[others] - x))]
            self._say(measurand, "wrong-feature", f"{seen}; it lies where {self._feature(int(near))} does")
        elif not found:
            self._say(measurand, "out-of-range", f"{seen}, and no slip of the pen explains it")

    def sibling_slip(self, slip: SiblingSlip) -> int:
        """Tell of a deviation in the wrong unit; answers the measurand."""
        row = int(self.scene.sizes.places.group_start[slip.group])
        measurand = int(self.scene.readings.measurand[row])
        line = (
            f"{self._where(row)}: a deviation of {slip.read:.4f} mm stands apart from the other readings; in the other"
            f" unit it is {slip.meant:.4f} mm and agrees with them"
        )
        self._say(measurand, "inch-mm", line)
        return measurand

    def repeat_spread(self, row: int, spread: float, allowed: float) -> None:
        """Tell of repeats too far apart."""
        line = f"{self._where(row)}: repeats range over {spread:.4f} mm, at most {allowed:.4f} mm by the gauge's study"
        self._say(int(self.scene.readings.measurand[row]), "repeat-spread", line)

    def frozen(self, rows: Ints) -> None:
        """Tell of gauges whose repeats never differ."""
        gauge = self.scene.readings.gauge
        for row in rows.tolist():
            study = float(self.scene.repeatability[row])
            line = f"every repeat is identical to the last digit, though the gauge's repeatability is {study:.4f} mm"
            about = self._gauge(int(gauge[row]))
            self._say_of(int(self.scene.inspection[row]), about, "frozen-repeats", line)

    def _gauge(self, row: int) -> str:
        return f"gauge:{self.scene.workpiece.cabinet.gauges[row][0].serial}" if row >= 0 else "gauge"

    def temperature(self, measurands: Ints, rows: Bools, apart: bool) -> None:
        """Tell of parts that were not at rest with their master, or far from 20 degC."""
        if not len(measurands):
            return
        r = self.scene.readings
        owner, part, reference = r.measurand[rows], r.part_c[rows], r.reference_c[rows]
        off = np.abs(part - reference) if apart else np.fmax(np.abs(part - 20.0), np.abs(reference - 20.0))
        words = (
            f"part and reference differ by {{:.1f}} K, more than {PART_FROM_MASTER_K:g} K"
            if apart
            else f"measured {{:.1f}} K from 20 °C, more than {FROM_REFERENCE_K:g} K"
        )
        largest = np.zeros(len(self.scene.sizes.readings))
        np.maximum.at(largest, owner, off)
        for measurand in measurands.tolist():
            self._say(measurand, "temperature-difference", words.format(float(largest[measurand])))

    def drifted(self, rows: Ints) -> None:
        """Tell of gauges that left their zero."""
        back = self.scene.zero_return
        for row in rows.tolist() if back is not None else ():
            line = f"back on its master the gauge read {float(back[row]):+.4f} mm"  # type: ignore[index]
            about = self._gauge(int(self.scene.readings.gauge[row]))
            self._say_of(int(self.scene.inspection[row]), about, "zero-drift", line)

    def wide_gauge(self, rows: Ints, share: Floats) -> None:
        """Tell of gauges whose spread takes much of the way to discard."""
        r = self.scene.readings
        _, first = np.unique(r.measurand[rows] * (int(r.gauge.max()) + 1) + r.gauge[rows], return_index=True)
        for row in rows[first].tolist():
            gauge = self._gauge(int(r.gauge[row])).partition(":")[2]
            line = f"{gauge} spreads over {100 * float(share[row]):.0f} % of the way from new to discard, not 30 %"
            self._say(int(r.measurand[row]), "gauge-unfit", line)

    # ------------------------------------------------------------ sizes

    def too_few(self, measurands: Ints, few: Bools) -> None:
        """Tell of features read less often than they should."""
        subjects = self.scene.workpiece.subjects
        for measurand in measurands.tolist():
            count, least = int(self.scene.sizes.readings[measurand]), int(self.scene.least[subjects.slot[measurand]])
            line = f"{count} of at least {max(least, 2) if few[measurand] else least} readings"
            if few[measurand]:
                line += "; no study says what the gauge repeats to, so that a single one decides nothing"
            self._say(measurand, "too-few-readings", line)

    def one_way(self, measurands: Ints) -> None:
        """Tell of diameters read in one orientation only."""
        for measurand in measurands.tolist():
            self._say(measurand, "one-orientation", "read in one orientation only: how far it is round does not show")

    def negative_wear(self, measurands: Iterable[int], wear: Floats, score: Floats) -> None:
        """Tell of sizes that lie before new."""
        for measurand in measurands:
            line = (
                f"{-wear[measurand]:.4f} mm on the unworn side of the middle of new,"
                f" {-score[measurand]:.1f} times the expanded uncertainty"
            )
            self._say(int(measurand), "negative-wear", line)

    def of_history(self, history: History) -> None:
        """Tell of wear that went backwards and of stations exchanged."""
        for measurand in np.flatnonzero(history.score < -1.0).tolist():
            as_new = self._is_as_new(int(history.before[measurand]))
            than = "measured as new" if as_new else "measured before"
            line = (
                f"{-history.wear[measurand]:.4f} mm less worn than {than},"
                f" {-history.score[measurand]:.1f} times the expanded uncertainty"
            )
            self._say(measurand, "negative-wear" if as_new else "wear-reversed", line)
        for measurand, exchange in history.exchanges.items():
            a, b = exchange.stations
            line = (
                f"stations {a} and {b} look exchanged: with them exchanged chi-square against the measurement before"
                f" falls from {exchange.chi2:.1f} to {exchange.chi2_exchanged:.1f}"
            )
            self._say(measurand, "swapped-station", line)

    def _is_as_new(self, measurand: int) -> bool:
        """Whether a size was measured before its component had run at all."""
        group, subjects = self.scene.group, self.scene.workpiece.subjects
        row = group.row_of.get(self.scene.workpiece.inspections[int(subjects.inspection[measurand])])
        if row is None:
            return False
        place = int(self.scene.slots.place[int(subjects.slot[measurand])])
        return bool(group.rows.known[row, place] and group.rows.usage[row, place] <= 0.0)

    def name_wrong_features(self, history: History, blocked: Bools) -> None:
        """Tell where a size that cannot be its own feature's continues another feature's history.

        Looked at are features that were not measured, or whose own size is not believed either: an exchange.
        """
        slots, sizes, subjects = self.scene.slots, self.scene.sizes, self.scene.workpiece.subjects
        backwards = ("negative-wear", "wear-reversed")
        odd = np.array([owner for owner, code, _ in self._seen if owner >= 0 and code in backwards], np.int64)
        if not len(odd):
            return
        believed = np.zeros((len(history.last), len(self.scene.group.layout.type.features)), np.bool_)
        good = np.flatnonzero(~subjects.on_bench & ~blocked)
        believed[subjects.inspection[good], slots.feature[subjects.slot[good]]] = True
        at, feature, mean = subjects.inspection[odd], slots.feature[subjects.slot[odd]], sizes.mean[odd]
        last = np.append(sizes.mean, np.nan)[history.last[at]]
        doubt = np.append(sizes.of_mean.u, np.nan)[history.last[at]]
        wear = np.where(slots.grows, mean[:, None] - last, last - mean[:, None])
        room = 2.0 * np.hypot(np.nan_to_num(doubt), sizes.of_mean.u[odd][:, None])
        fits = (wear >= -room) & (wear <= np.fmax(room, 0.5 * np.nan_to_num(slots.allowed)))
        fits &= (slots.feature != feature[:, None]) & ~believed[at][:, slots.feature]
        nearest = np.argmin(np.where(fits, np.abs(wear), np.inf), axis=1)
        for n in np.flatnonzero(fits.any(axis=1)).tolist():
            other = int(nearest[n])
            line = f"{float(mean[n]):.4f} mm continues {self._feature(other)}, last {float(last[n, other]):.4f} mm"
            self._say(int(odd[n]), "wrong-feature", line)
