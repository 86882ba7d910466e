"""What components have run, and whether all of it is known (forecast method 12).

A component's usage is what its tools ran while it sat in them; `service.store.usage_record` says what is known of it.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from service.catalogue import ToolType
from service.store.assessment_inputs import InspectionRow
from service.store.columns import NEVER
from service.store.usage_record import UsageRecord, first_day, read_record
from worker.batch import Batch
from worker.odometer import Odometer, read_odometer
from worker.timeline import Stint, reading_key

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class ToolRun:
    """One tool's usage, and what of it is on record."""

    odometer: Odometer
    record: UsageRecord


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
        batch, tool = self.batch, self.batch.tools[tool_id]
        rows = [batch.inspections[n] for n in batch.of_tool.get(tool_id, ())]
        odometer = read_odometer(
            batch.usage.get(tool_id, ()),
            self.tool_type.life_basis,
            self.tool_type.ground_factors,
            batch.timeline.first_fitting.get(tool_id, NEVER),
        )
        begun, (_, over) = batch.timeline.born[tool_id], first_day(tool.commissioned_on, tool.time_zone)
        return ToolRun(odometer, read_record(odometer.since, odometer.until, rows, (begun, over)))

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
        reading = run.odometer.at(np.array([stint.since_us, until_us], np.int64))
        return float(reading[1] - reading[0]), run.record.is_known(stint.since_us, until_us, ended=True)

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
        opening_gaps, opened = run.record.opening(begins)
        gaps = run.record.gap_count(moments)
        usage = earlier[place] + run.odometer.at(moments)[:, None] - start[place]
        known = (sure & opened)[place] & (gaps[:, None] <= opening_gaps[place])
        return usage, known, gaps
