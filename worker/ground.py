"""The ground a tool is planned to work in: that of its last 90 days, else its last, else its site's (forecast 12)."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from service.store.columns import to_micros
from worker.group import STATUS, Group
from worker.odometer import mix_factor


@dataclass(frozen=True, slots=True)
class Plan:
    """Planned ground of some rows.

    Attributes
    ----------
    mix : list of dict
        Share of each class; empty where no ground is on record.
    factor : ndarray, shape (r,)
        Effective usage per unit of usage.
    factor_variance : ndarray, shape (r,)
        Relative variance of that where the ground is a guess from what others of the site work in.
    unknown : list of bool
        Some ground was missing, or has no factor, and counted as 1.
    """

    mix: list[dict[str, float]]
    factor: NDArray[np.float64]
    factor_variance: NDArray[np.float64]
    unknown: list[bool]


def plan_ground(group: Group, rows: NDArray[np.int64]) -> Plan:
    """Plan the ground of some rows of a group.

    A tool without an inspection is planned by what it ran up to now: its last event was before all of that.
    """
    factors = group.layout.type.ground_factors
    now = to_micros(group.batch.now)
    mixes, unknown, guessed = [], [], []
    for row in rows.tolist():
        tool_id, number = int(group.rows.tool[row]), int(group.rows.inspection[row])
        odometer = group.mileage.of_tool(tool_id).odometer
        mix, ungraded = odometer.mix(int(group.rows.moment[row]))
        if not mix and number == STATUS:
            mix, ungraded = odometer.mix(now)
        guessed.append(not mix)
        if not mix:
            key = (tool_id, "" if number == STATUS else str(group.batch.inspections[number].inspection_id))
            mix = group.batch.site_ground.get(key, {})
        mixes.append(mix)
        unknown.append(ungraded or not mix or any(ground not in factors for ground in mix))
    factor = np.array([mix_factor(mix, factors) for mix in mixes], np.float64)
    squares = np.array([_mean_square(mix, factors) for mix in mixes], np.float64)
    doubt = np.where(guessed, np.maximum(squares / np.square(factor) - 1.0, 0.0), 0.0)
    return Plan(mixes, factor, doubt, unknown)


def _mean_square(mix: Mapping[str, float], factors: Mapping[str, float]) -> float:
    return sum(share * factors.get(name, 1.0) ** 2 for name, share in mix.items()) if mix else 1.0
