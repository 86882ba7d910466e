"""Tools that go by what was measured in another: their components were there before (contract 4, component history)."""

from __future__ import annotations

from datetime import datetime

import numpy as np

from service.store.columns import to_micros, to_time
from worker.batch import Batch


def followers(batch: Batch) -> dict[int, datetime]:
    """The other tools to compute again after a batch, each from when it got the first such component.

    Only from there on in time, so that what goes back and forth comes to an end.
    """
    found: dict[int, int] = {}
    measured = _measured_on_bench(batch)
    for component, stints in batch.timeline.of_component.items():
        begun = [
            max(stint.since_us, batch.claimed[stint.tool_id].since)
            for stint in stints
            if stint.tool_id in batch.claimed and stint.until_us > batch.claimed[stint.tool_id].since
        ]
        begun += measured.get(component, [])
        if not begun:
            continue
        for stint in stints:
            if stint.tool_id not in batch.claimed and stint.since_us >= min(begun):
                found[stint.tool_id] = min(found.get(stint.tool_id, stint.since_us), stint.since_us)
    return {tool: moment for tool, since in found.items() if (moment := to_time(since)) is not None}


def _measured_on_bench(batch: Batch) -> dict[int, list[int]]:
    """When components were named by the readings that are computed."""
    readings = batch.measured.readings
    named = np.flatnonzero(readings["component_id"] >= 0)
    found: dict[int, list[int]] = {}
    for n in named.tolist():
        taken = to_micros(batch.inspections[int(readings["inspection"][n])].taken_at)
        found.setdefault(int(readings["component_id"][n]), []).append(taken)
    return found
