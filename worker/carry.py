"""The newest verdict in time of everything, while what it was given to is still fitted (contract 4).

An inspection that measures less takes nothing away; what leaves a tool takes its verdicts with it.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from worker.facts import FitFacts, SizeFacts
from worker.group import Group
from worker.layout import FitSlots, Layout
from worker.measure import Measurements
from worker.method.tool_state import NONE, Anatomy, check_verdict, missed_checks, stops_after
from worker.method.verdicts import Verdict

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
VERDICTS = ("serviceable", "monitor", "remeasure", "discard")
"""Names in the order of `Verdict`."""


def anatomy_of(layout: Layout) -> Anatomy:
    """How the slots of a layout hang on its places."""
    return Anatomy(
        slot_place=layout.slots.place,
        fit_bore=layout.fits.bore,
        fit_shaft=layout.fits.shaft,
        offset_larger=layout.offsets.bore,
        offset_smaller=layout.offsets.shaft,
        allowed=layout.slots.allowed,
        fit_growth=layout.fits.discard - layout.fits.new,
        matched=np.array([layout.type.part_by_code[part].matched_set for part, _ in layout.places], np.bool_),
    )


@dataclass(frozen=True, slots=True)
class CheckResult:
    """One check of one inspection: what was answered, and what follows."""

    code: str
    result: str
    verdict: int
    note: str | None


@dataclass(frozen=True, slots=True)
class Carried:
    """What holds at every row of a group, shape (rows, …); `NONE` where there is none.

    Attributes
    ----------
    size, fit, offset : ndarray of int
        Verdicts by slot, by fit and by offset.
    check : ndarray of int, shape (rows, places)
        Most severe check of the part there.
    stop : ndarray of int, shape (rows, places)
        ``REMEASURE`` where a stop holds.
    stopped_by : list of dict
        For each row, the checks by which one holds, in sequence, and what was answered last.
    wear : ndarray, shape (rows, slots)
        Wear of the worst place when it was last measured.
    checks : list of list of CheckResult
        Of each row's own inspection.
    failed_checks : list of dict
        For each row, (check code, place) of the checks that say more than serviceable.
    """

    size: Ints
    fit: Ints
    offset: Ints
    check: Ints
    stop: Ints
    stopped_by: list[dict[str, str]]
    wear: Floats
    checks: list[list[CheckResult]]
    failed_checks: list[dict[tuple[str, int], int]]


def carry(group: Group, sizes: SizeFacts, fits: FitFacts, offsets: list[tuple[int, int, int]]) -> Carried:
    """Carry verdicts forward along the rows of each tool.

    Parameters
    ----------
    group : Group
    sizes, fits : SizeFacts, FitFacts
        Everything measured of its tools.
    offsets : list of tuple
        (row of the group, offset row of the layout, verdict) of every offset.
    """
    layout, held = group.layout, group.rows.held
    r, s = len(group.rows.tool), len(layout.slots.feature)
    seated = np.flatnonzero((sizes.row >= 0) & ~sizes.on_bench)
    own_size, wear_there = np.full((r, s), NONE), np.full((r, s), np.nan)
    at = sizes.row[seated], sizes.slot[seated]
    own_size[at] = sizes.column("verdict").astype(np.int64)[seated]
    wear_there[at] = layout.slots.wear_of(at[1], sizes.column("worst").astype(np.float64)[seated])
    # verdict and wear of a size go with its end of the component where that is turned end for end
    by_end = np.take_along_axis(own_size, group.ends, axis=1), np.take_along_axis(wear_there, group.ends, axis=1)
    end_row = _newest(group, by_end[0] != NONE, [held[:, layout.slots.place]])
    size, wear = (
        np.take_along_axis(_take(column, end_row, missing), group.ends, axis=1)
        for column, missing in zip(by_end, (NONE, np.nan), strict=True)
    )
    own_fit = np.full((r, len(layout.fits.fit)), NONE)
    own_fit[fits.row, fits.fit] = fits.column("verdict").astype(np.int64)
    fit_row = _newest(group, own_fit != NONE, _sides(group, layout.fits))
    own_offset = np.full((r, len(layout.offsets.fit)), NONE)
    for row, number, verdict in offsets:
        own_offset[row, number] = verdict
    offset_row = _newest(group, own_offset != NONE, _sides(group, layout.offsets))
    answered = [_answers(group, row) for row in range(r)]
    check, failed = _checks(group, answered)
    stop, stopped_by = _stops(group, answered)
    return Carried(
        size=size,
        fit=_take(own_fit, fit_row, NONE),
        offset=_take(own_offset, offset_row, NONE),
        check=check,
        stop=stop,
        stopped_by=stopped_by,
        wear=wear,
        checks=answered,
        failed_checks=failed,
    )


def _sides(group: Group, pairs: FitSlots) -> list[Ints]:
    return [group.holders(side) for side in (pairs.bore, pairs.shaft)]


def _newest(group: Group, given: Bools, holders: list[Ints]) -> Ints:
    """For each row and column the last row of the tool, up to it, that gave something to what is still held."""
    rows = np.arange(len(given))[:, None]
    last = np.maximum.accumulate(np.where(given, rows, -1), axis=0) if len(given) else given.astype(np.int64)
    valid = (last >= 0) & (group.rows.tool[last] == group.rows.tool[:, None])
    for held in holders:
        valid &= np.take_along_axis(held, np.maximum(last, 0), axis=0) == held
    return np.where(valid, last, -1)


def _take(values: NDArray[Any], row: Ints, missing: float) -> NDArray[Any]:
    taken = np.take_along_axis(values, np.maximum(row, 0), axis=0)
    return np.where(row >= 0, taken, missing).astype(values.dtype)


def _answers(group: Group, row: int) -> list[CheckResult]:
    """The checks of a row's inspection, those it missed among them.

    What an earlier assessment found missing stays so: a check that a later revision adds was not asked for then.
    """
    number = int(group.rows.inspection[row])
    if number < 0:
        return []
    inspection, known = group.batch.inspections[number], group.layout.type.check_by_code
    fresh = number in group.batch.due
    said = inspection.checks if fresh else inspection.judged_checks or ()
    found = [
        CheckResult(
            one["check"], one["result"], check_verdict(one["result"], known[one["check"]].on_fail), one.get("note")
        )
        for one in said
        if one["check"] in known
    ]  # fmt: skip
    if fresh:
        asked = group.batch.tool_type(number).check_by_code
        expected = ((check.code, check.stage) for check in asked.values() if check.code in known)
        for code in missed_checks(inspection.stage, expected, [answer.code for answer in found]):
            found.append(CheckResult(code, "not-done", check_verdict("not-done", known[code].on_fail), None))
    return found


def _places_of(layout: Layout, part: str) -> Iterator[int]:
    return (n for n, (code, _) in enumerate(layout.places) if code == part)


def _checks(group: Group, answered: list[list[CheckResult]]) -> tuple[Ints, list[dict[tuple[str, int], int]]]:
    """Most severe of the checks that stop nothing, by place, and which of them say more than serviceable."""
    layout, r = group.layout, len(answered)
    most = np.full((r, len(layout.places)), NONE)
    failed: list[dict[tuple[str, int], int]] = [{} for _ in range(r)]
    given: dict[str, Ints] = {}
    for row, answers in enumerate(answered):
        for answer in answers:
            if layout.type.check_by_code[answer.code].on_fail != "stop" and answer.verdict != NONE:
                column = given.setdefault(answer.code, np.full(r, NONE))
                column[row] = max(answer.verdict, column[row])
    for code, column in given.items():
        for place in _places_of(layout, layout.type.check_by_code[code].part):
            held = group.rows.held[:, place : place + 1]
            row_of = _newest(group, column[:, None] != NONE, [held])
            verdict = _take(column[:, None], row_of, NONE)[:, 0]
            most[:, place] = np.maximum(most[:, place], verdict)
            for row in np.flatnonzero(verdict > Verdict.SERVICEABLE).tolist():
                failed[row][code, place] = int(verdict[row])
    return most, failed


def _stops(group: Group, answered: list[list[CheckResult]]) -> tuple[Ints, list[dict[str, str]]]:
    """Where a stop holds, and by which checks: until a later as-left passes it or a later as-found is assessed."""
    layout, checks = group.layout, group.layout.type.check_by_code
    stop = np.full((len(answered), len(layout.places)), NONE)
    by_check: list[dict[str, str]] = [{} for _ in answered]
    if all(check.on_fail != "stop" for check in checks.values()):
        return stop, by_check
    result: dict[str, str] = {}
    holding: frozenset[str] = frozenset()
    tool = -1
    for row, answers in enumerate(answered):
        if group.rows.tool[row] != tool:
            tool, holding = int(group.rows.tool[row]), frozenset()
        number = int(group.rows.inspection[row])
        if number >= 0:
            stopping = [answer for answer in answers if checks[answer.code].on_fail == "stop"]
            results = [(answer.code, answer.verdict) for answer in stopping]
            result |= {answer.code: answer.result for answer in stopping}
            holding = stops_after(holding, group.batch.inspections[number].stage, results)
        for code in sorted(holding, key=lambda code: (checks[code].sequence, code)):
            by_check[row][code] = result[code]
            for place in _places_of(layout, checks[code].part):
                stop[row, place] = Verdict.REMEASURE
    return stop, by_check


def offset_rows(group: Group, measured: list[Measurements]) -> list[tuple[int, int, int]]:
    """Verdicts of the offsets of a group's tools: of earlier assessments, and of what was measured now."""
    layout, codes = group.layout, [offset.code for offset in group.layout.type.offsets]
    if not codes:
        return []
    number = {
        (codes[int(n)], int(position)): row
        for row, (n, position) in enumerate(zip(layout.offsets.fit, layout.offsets.position, strict=True))
    }
    found = []
    fresh = group.batch.due
    for row, n in enumerate(group.rows.inspection.tolist()):
        for said in (group.batch.inspections[n].judged_offsets or ()) if n >= 0 and n not in fresh else ():
            key = (said["offset"], said["position"] or 0)
            if key in number and said["verdict"] is not None:
                found.append((row, number[key], VERDICTS.index(said["verdict"])))
    for one in measured:
        judged, rows = one.offset_verdicts, one.layout.offsets
        for at, n, verdict in zip(
            judged.inspection.tolist(), judged.row.tolist(), judged.verdict.tolist(), strict=True
        ):
            key = (one.layout.type.offsets[int(rows.fit[n])].code, int(rows.position[n]))
            standing = group.row_of.get(one.inspections[at]) if at < one.own else None
            if key in number and standing is not None:
                found.append((standing, number[key], verdict))
    return found
