"""The parts of an assessment or status: each component's verdict and why (contract 4). Lengths in texts are mm."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from service.catalogue import ToolType
from worker.carry import VERDICTS, Carried
from worker.group import Group
from worker.method.tool_state import NONE, PartVerdicts
from worker.method.verdicts import Verdict


@dataclass(frozen=True, slots=True)
class Judgement:
    """What holds of some rows of a group, and what follows; `verdicts` has a row for each of `rows`."""

    rows: np.ndarray[Any, np.dtype[np.int64]]
    carried: Carried
    verdicts: PartVerdicts
    loss: np.ndarray[Any, np.dtype[np.float64]]


def part_documents(group: Group, judged: Judgement, n: int) -> list[dict[str, Any]]:
    """The parts of the n-th row of a judgement; those of which nothing is known are left out.

    Parameters
    ----------
    group : Group
    judged : Judgement
    n : int
    """
    row = int(judged.rows[n])
    verdicts = judged.verdicts.place[n].tolist()
    held = group.rows.held[row].tolist()
    severe = any(verdict > Verdict.SERVICEABLE for verdict in verdicts)
    reasons = _reasons(group, judged, n) if severe else {}
    documents = []
    for at, verdict in enumerate(verdicts):
        if verdict == NONE:
            continue
        part, position = group.layout.places[at]
        instance = int(group.instance[held[at]])
        documents.append(
            {
                "part": part,
                "component": group.batch.components[instance].serial if instance > 0 else None,
                "position": position,
                "verdict": VERDICTS[verdict],
                "reasons": reasons.get(at, []),
            }
        )
    return documents


def _reasons(group: Group, judged: Judgement, n: int) -> dict[int, list[str]]:
    """Why each place is not simply serviceable."""
    layout, carried, row = group.layout, judged.carried, int(judged.rows[n])
    found: dict[int, list[str]] = {}

    def say(place: int, text: str) -> None:
        found.setdefault(int(place), []).append(text)

    if not group_inspected(group, row):
        for place in range(len(layout.places)):
            say(place, "not inspected yet")
    for slot, verdict in _severe(carried.size[row]):
        feature = layout.type.features[int(layout.slots.feature[slot])]
        say(layout.slots.place[slot], f"{feature.code}: {VERDICTS[verdict]}")
    _fit_reasons(group, judged, n, say)
    for number, _ in _severe(carried.offset[row]):
        offset = layout.type.offsets[int(layout.offsets.fit[number])]
        for side in (layout.offsets.bore, layout.offsets.shaft):
            say(
                layout.slots.place[side[number]],
                f"offset {offset.code}: outside {offset.min:g} to {offset.max:g} mm",
            )
    for (code, place), verdict in carried.failed_checks[row].items():
        say(place, f"check {code}: {VERDICTS[verdict]}")
    if carried.stopped_by[row]:
        for place in np.flatnonzero(carried.stop[row] == Verdict.REMEASURE).tolist():
            for code, result in carried.stopped_by[row].items():
                if layout.type.check_by_code[code].part == layout.places[place][0]:
                    say(place, stop_words(layout.type, code, result))
    for place, discarded in enumerate(judged.verdicts.by_set[n].tolist()):
        if discarded:
            say(place, "another of its matched set is discarded")
    return found


def _severe(verdicts: np.ndarray[Any, np.dtype[np.int64]]) -> list[tuple[int, int]]:
    """Where a verdict says more than serviceable, and which."""
    return [(at, verdict) for at, verdict in enumerate(verdicts.tolist()) if verdict > Verdict.SERVICEABLE]


def stop_words(tool_type: ToolType, code: str, result: str) -> str:
    """Why a tool is not to be run."""
    seen = "failed" if result == "fail" else "was not done"
    return f"check {code} {seen}: not to be run until it is put right ({tool_type.check_by_code[code].question})"


def _fit_reasons(group: Group, judged: Judgement, n: int, say: Any) -> None:
    layout, carried, row = group.layout, judged.carried, int(judged.rows[n])
    sides = (
        (layout.fits.bore, judged.verdicts.bore_blamed[n]),
        (layout.fits.shaft, judged.verdicts.shaft_blamed[n]),
    )
    for fit, verdict in _severe(carried.fit[row]):
        code = layout.type.fits[int(layout.fits.fit[fit])].code
        both = all(blamed[fit] for _, blamed in sides)
        cause = "both sides are worn alike" if both else "this side is the more worn"
        for side, blamed in sides:
            if verdict != Verdict.DISCARD:
                say(layout.slots.place[side[fit]], f"fit {code}: {VERDICTS[verdict]}")
            elif blamed[fit]:
                say(layout.slots.place[side[fit]], f"fit {code}: discard; {cause}")
    losing = int(judged.verdicts.losing[n])
    if losing >= 0:
        code = layout.type.fits[int(layout.fits.fit[losing])].code
        text = f"fit {code} loses most of the performance: {100 * float(judged.loss[n]):.1f} % in all"
        for side, _ in sides:
            say(layout.slots.place[side[losing]], text)


def group_inspected(group: Group, row: int) -> bool:
    """Whether the tool of a row has been inspected by then."""
    if not group.rows.is_status[row]:
        return True
    return row > 0 and bool(group.rows.tool[row - 1] == group.rows.tool[row])


def renewals(parts: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """The components to renew, of a status's parts."""
    return [
        {name: part[name] for name in ("part", "component", "position", "reasons")}
        for part in parts
        if part["verdict"] == "discard"
    ]
