"""Remarks of an assessment: what was assumed, missing or odd, in words (contract 4, remark codes)."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from worker.group import Group
from worker.measure import Measurements
from worker.method.blunders import MARGINAL
from worker.method.instruments import CODES
from worker.timeline import Place

MESSAGES = {
    "assumed-gauge-uncertainty": "no study or no certificate is in force for a gauge: an uncertainty was assumed",
    "temperature-missing": (
        "no temperature was given: 20 °C was taken, with the doubt of an unheated room."
        " Proposed: enter those of the part and of the master or gauge."
    ),
    "assumed-wear-rate": "the catalogue gives no full wear rate: a life of ten units was assumed",
    "no-usage": "usage is missing since it was fitted: its level is shown, no forecast is made",
    "history-unknown": "bought used: counted from its first reading, which is its start level",
    "unknown-ground": "ground is missing, or has no factor: it counts as 1",
    "low-degrees-of-freedom": "terms known from few repeats hold more than a tenth of the variance",
    "wear-unexplained": (
        "more than six standard deviations from what usage and earlier sizes let expect: it counts little in the wear."
        " Proposed: check component, side and usage, and enter a renewal or reversal that is missing."
    ),
    "not-measured": "not measured since it was fitted: the forecast is that of any new part",
    "component-not-fitted": "not fitted in this tool then: its size stands by itself",
    "loss-by-rule-only": "the loss is that of the rule of thumb: figures for the flow are missing in the catalogue",
    "loss-extrapolated": "the loss by the rule lies beyond what the rule was made for: much wear, or a loss over 35 %",
    "loss-capped": "the compressor still holds its set pressure: what leaks costs fuel, not rate",
    "compressor-too-small": "not even new fits are driven by this compressor: the loss by flow is taken as whole",
    "leak-transitional": "between laminar and turbulent, where a leak is known to about 30 % only",
    "leak-choked": "the leak runs at the speed of sound: a lower pressure behind the fit changes nothing",
    "interference": "shaft and bore touch by the readings, within their doubt: the leak counts as 0",
    "negative-clearance": "less clearance than any new pair has, beyond doubt: check both sizes, or measure again",
    "gauge-unfit": "the uncertainty is wider than a quarter of the way from new to discard: take a better gauge",
    "low-capability": "the uncertainty takes more than a sixteenth of the way from new to discard: it decides little",
    "inconsistent-remeasure": (
        "the two measurements differ by more than twice the uncertainty of the difference: measure a third time"
    ),
    "recalibrated": "the quantiles are corrected by how this fleet's earlier forecasts turned out",
    "mixed-set": "components of different matched sets are fitted together",
    "check-not-done": "this check was not done",
    "stop-open": "a check that stops the tool failed or was not done: not to be run until it is put right",
    "trace-without-minimum": (
        "the trace has no swing that could be read: it is no reading. Proposed: rock three times or more."
    ),
    "single-swing": "the trace has a single swing. Proposed: rock three times or more.",
}
CALIBRATE = {
    "calibration-overdue": "Proposed: have it calibrated, and measure again.",
    "calibration-due-soon": "Proposed: have it calibrated in time.",
}
"""What is proposed of an instrument."""


@dataclass(slots=True)
class RemarkList:
    """The remarks of one inspection, each (code, about) once, in the order they were made."""

    items: dict[tuple[str, str], str] = field(default_factory=dict)

    def add(self, code: str, about: str, message: str | None = None) -> None:
        """Make a remark unless it was made."""
        self.items.setdefault((code, about), MESSAGES[code] if message is None else message)

    def documents(self) -> list[dict[str, str]]:
        """The remarks as they are stored."""
        return [{"code": code, "about": about, "message": text} for (code, about), text in self.items.items()]

    def codes(self) -> list[str]:
        """Their codes, each once."""
        return sorted({code for code, _ in self.items})


def slot_name(group: Group, slot: int) -> str:
    """What a remark on a slot is about."""
    feature = group.layout.type.features[int(group.layout.slots.feature[slot])]
    several = group.layout.type.quantity_of(feature.part) > 1
    return f"feature:{feature.code}" + f"@{group.layout.slots.position[slot]}" * several


def slot_names(group: Group) -> list[str]:
    """What a remark on each slot is about."""
    return [slot_name(group, slot) for slot in range(len(group.layout.slots.feature))]


def place_name(group: Group, place: Place) -> str:
    """What a remark on a place is about."""
    part, position = place
    return f"part:{part}" + f"@{position}" * (group.layout.type.quantity_of(part) > 1)


def measured_remarks(group: Group, found: Measurements) -> list[RemarkList]:
    """Remarks on how each inspection of a group was measured, in the order of `found.inspections`."""
    remarks = [RemarkList() for _ in range(found.own)]
    names = slot_names(group)
    for one in found.findings:
        if one.inspection < found.own:
            remarks[one.inspection].add(one.code, one.about or names[one.slot], one.message)
    _of_sizes(group, found, remarks)
    for flag in found.workpiece.trace_flags:
        if flag.inspection < found.own:
            remarks[flag.inspection].add(flag.code, slot_name(group, flag.slot))
    _of_instruments(group, found, remarks)
    fits = group.layout
    judged = found.clearance_verdicts
    marks = (
        ("low-degrees-of-freedom", found.clearances.of_worst.low_dof),
        ("inconsistent-remeasure", judged.inconsistent),
        ("negative-clearance", judged.impossible),
        ("interference", (found.clearances.for_leakage <= 0.0) & ~found.clearances.interferes),
        ("gauge-unfit", judged.unfit),
        ("low-capability", (judged.capability < MARGINAL) & ~judged.unfit),
    )
    own = judged.inspection < found.own
    for code, mask in marks:
        for row in np.flatnonzero(mask & own).tolist():
            fit = fits.type.fits[int(fits.fits.fit[judged.row[row]])]
            remarks[int(judged.inspection[row])].add(code, f"fit:{fit.code}")
    return remarks


def _of_sizes(group: Group, found: Measurements, remarks: list[RemarkList]) -> None:
    subjects, sizes, slots = found.subjects, found.sizes, group.layout.slots
    on_mean = slots.on_mean[subjects.slot]
    low = np.where(on_mean, sizes.of_mean.low_dof, sizes.of_worst.low_dof)
    marks = (
        ("assumed-gauge-uncertainty", sizes.assumed_gauge),
        ("temperature-missing", sizes.temperature_missing),
        ("low-degrees-of-freedom", low),
        ("inconsistent-remeasure", found.size_verdicts.inconsistent),
        ("gauge-unfit", found.size_verdicts.unfit),
        ("low-capability", (found.size_verdicts.capability < MARGINAL) & ~found.size_verdicts.unfit),
        ("component-not-fitted", subjects.on_bench),
    )
    own = subjects.inspection < found.own
    names = slot_names(group)
    for code, mask in marks:
        rows = np.flatnonzero(mask & own)
        for row, at, slot in zip(
            rows.tolist(), subjects.inspection[rows].tolist(), subjects.slot[rows].tolist(), strict=True
        ):
            about = names[slot]
            if code == "component-not-fitted":
                about = f"component:{group.batch.components[int(subjects.instance[row])].serial}"
            remarks[at].add(code, about)


def _of_instruments(group: Group, found: Measurements, remarks: list[RemarkList]) -> None:
    for use in found.workpiece.out_of_order:
        code = CODES[use.standing]
        if use.inspection < found.own and code is not None:
            about, due_on = found.workpiece.cabinet.told(use.kind, use.row)
            day = "without a certificate in force" if due_on is None else f"due on {due_on}"
            remarks[use.inspection].add(code, about, f"calibration {day}. {CALIBRATE[code]}")


def slot_remarks(group: Group, remarks: list[RemarkList], mask: NDArray[np.bool_], code: str) -> None:
    """Make one remark on each slot of each row that a mask of (rows, slots) marks."""
    names = slot_names(group)
    for row, slot in zip(*(axis.tolist() for axis in np.nonzero(mask)), strict=True):
        remarks[row].add(code, names[slot])
