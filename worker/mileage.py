"""What components have run, and whether all of it is known (forecast method 12).

A component's usage is what its tools ran while it sat in them. It is unknown once an interval of positive length
between two inspections (the first begins at its fitting) has neither a ledger entry nor usage of an inspection. The
time between the as-found and the as-left inspection of one strip-down, or until something is measured again, is spent
in the workshop and needs none.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from service.catalogue import ToolType
from service.store.assessment_inputs import InspectionRow
from service.store.columns import ALWAYS, NEVER, to_micros
from worker.batch import Batch
from worker.days import start_of_day
from worker.odometer import Odometer, read_odometer
from worker.timeline import Stint, reading_key

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class ToolRun:
    """One tool's usage, and its inspections as the marks between which some must be on record.

    Attributes
    ----------
    marks : ndarray of int, shape (k,)
        Times of the inspections, in order.
    gaps : ndarray of int, shape (k,)
        Intervals without usage on record up to each of them.
    first_day : tuple of int
        Beginning and end of the day the tool was put in: what is measured that day is measured as put in.
    """

    odometer: Odometer
    marks: Ints
    gaps: Ints
    first_day: tuple[int, int] = (ALWAYS, ALWAYS)

    def gap_count(self, moments: Ints) -> Ints:
        """Gaps up to the last inspection not after each moment."""
        at = np.searchsorted(self.marks, moments, side="right") - 1
        return np.where(at >= 0, self.gaps[np.maximum(at, 0)], 0) if len(self.gaps) else np.zeros_like(at)

    def opening(self, moments: Ints) -> tuple[Ints, Bools]:
        """Gaps up to the first inspection not before each moment, and whether the time until then is on record."""
        at = np.searchsorted(self.marks, moments, side="left")
        inside = at < len(self.marks)
        if not len(self.marks):
            return np.zeros_like(at), np.ones(at.shape, np.bool_)
        first = np.minimum(at, len(self.marks) - 1)
        begun, over = self.first_day
        recorded = self.odometer.covers(moments, self.marks[first])
        recorded |= (moments == begun) & (self.marks[first] < over)
        return self.gaps[first], np.where(inside, recorded, True)


@dataclass(slots=True)
class Mileage:
    """The usage of tools and components of one batch, under one revision's ground factors."""

    batch: Batch
    tool_type: ToolType
    _runs: dict[int, ToolRun] = field(default_factory=dict)
    _before: dict[int, tuple[float, bool]] = field(default_factory=dict)

    def of_tool(self, tool_id: int) -> ToolRun:
        """The run of one tool."""
        if tool_id not in self._runs:
            self._runs[tool_id] = self._read(tool_id)
        return self._runs[tool_id]

    def _read(self, tool_id: int) -> ToolRun:
        batch = self.batch
        rows = [batch.inspections[n] for n in batch.of_tool.get(tool_id, ())]
        odometer = read_odometer(
            batch.usage.get(tool_id, ()),
            self.tool_type.life_basis,
            self.tool_type.ground_factors,
            batch.timeline.first_fitting.get(tool_id, NEVER),
        )
        marks = np.array([to_micros(row.taken_at) for row in rows], np.int64)
        covered = odometer.covers(marks[:-1], marks[1:]) | _in_workshop(rows)
        return ToolRun(odometer, marks, np.append(0, np.cumsum(~covered))[: len(marks)], _first_day(batch, tool_id))

    def before(self, stint: Stint) -> tuple[float, bool]:
        """What a component ran before a stint, [thousands of the basis], and whether that is known."""
        if stint.instance < 0:
            return 0.0, True
        if stint.number not in self._before:
            total, known = 0.0, True
            for earlier in self.batch.timeline.of_component[stint.instance]:
                if earlier.since >= stint.since:
                    break
                usage, sure = self.during(earlier, earlier.until_us)
                total, known = total + usage, known and sure
            self._before[stint.number] = total, known
        return self._before[stint.number]

    def during(self, stint: Stint, until_us: int) -> tuple[float, bool]:
        """What was run from the beginning of a stint until a moment, and whether that is known."""
        run = self.of_tool(stint.tool_id)
        ends = np.array([stint.since_us, until_us], np.int64)
        reading = run.odometer.at(ends)
        gaps, opened = run.opening(ends[:1])
        closing = run.gap_count(ends[1:])
        last = run.marks[run.marks <= until_us]
        closed = not len(last) or bool(run.odometer.covers(max(int(last[-1]), stint.since_us), until_us))
        known = bool(opened[0]) and bool(closing[0] <= gaps[0]) and closed
        return float(reading[1] - reading[0]), known

    def component_at(self, component: int, inspection: InspectionRow) -> tuple[float, bool]:
        """What a component had run when it was measured in another tool, or out of any."""
        key = reading_key(inspection)
        total, known = 0.0, True
        for stint in self.batch.timeline.of_component.get(component, ()):
            if stint.since >= key:
                break
            usage, sure = self.during(stint, min(stint.until_us, key[0]))
            total, known = total + usage, known and sure
        return total, known

    def matrix(self, tool_id: int, moments: Ints, held: Ints) -> tuple[Floats, Bools, Ints]:
        """Usage of the components in a tool at some moments.

        Parameters
        ----------
        tool_id : int
        moments : ndarray of int, shape (r,)
        held : ndarray of int, shape (r, places)
            Number of the stint in each place.

        Returns
        -------
        usage : ndarray, shape (r, places)
            [thousands of the basis], weighted by ground.
        known : ndarray of bool, shape (r, places)
        gaps : ndarray of int, shape (r,)
            Gaps in the tool's usage until then.
        """
        run = self.of_tool(tool_id)
        numbers, place = np.unique(held, return_inverse=True)
        place = place.reshape(held.shape)
        stints = [self.batch.timeline.stints[n] for n in numbers.tolist()]
        begins = np.array([stint.since_us for stint in stints], np.int64)
        before = [self.before(stint) for stint in stints]
        earlier = np.array([usage for usage, _ in before])
        sure = np.array([known for _, known in before], np.bool_)
        start = run.odometer.at(begins)
        opening_gaps, opened = run.opening(begins)
        gaps = run.gap_count(moments)
        usage = earlier[place] + run.odometer.at(moments)[:, None] - start[place]
        known = (sure & opened)[place] & (gaps[:, None] <= opening_gaps[place])
        return usage, known, gaps


def _first_day(batch: Batch, tool_id: int) -> tuple[int, int]:
    """Beginning and end of the day a tool was put in, at its site."""
    tool = batch.tools[tool_id]
    if tool.commissioned_on is None:
        return ALWAYS, ALWAYS
    over = start_of_day(tool.commissioned_on + timedelta(days=1), ZoneInfo(tool.time_zone))
    return batch.timeline.born[tool_id], to_micros(over)


def _in_workshop(rows: Sequence[InspectionRow]) -> Bools:
    """Whether a tool stood still between an inspection and the next: the same strip-down, or measured again."""
    idle = np.array(
        [
            one.reference == two.reference and one.stage == "as_found" and two.stage == "as_left"
            for one, two in pairwise(rows)
        ],
        np.bool_,
    )
    number = {row.inspection_id: n for n, row in enumerate(rows)}
    for n, row in enumerate(rows):
        if row.remeasures in number:
            idle[number[row.remeasures] : n] = True
    return idle
