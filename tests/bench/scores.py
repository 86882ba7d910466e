"""Forecasts of a simulated fleet against its known truth, and against the straight line that people draw."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tests.bench.simulated_fleet import Tool, limits
from worker.method.backtest import crps
from worker.method.first_passage import Gap
from worker.method.outcomes import Outcomes
from worker.method.recalibration import Recalibration
from worker.method.remaining_life import remaining_usage

Floats = NDArray[np.float64]

HORIZON_KM = 30.0
OWN = 4
"""Limits on one feature; those after it are on several."""


@dataclass(frozen=True, slots=True)
class Scores:
    """One row for each forecast: truth, quantiles and straight line [km], CRPS [km], limit and tool."""

    truth: Floats
    quantiles: Floats
    raw_quantiles: Floats
    line: Floats
    crps: Floats
    raw_crps: Floats
    limit: Floats
    tool: Floats

    def row(self, mask: Any = slice(None)) -> dict[str, float]:
        """The figures of the table."""
        truth = np.minimum(self.truth[mask], HORIZON_KM)
        base = np.abs(np.minimum(self.line[mask], HORIZON_KM) - truth)
        found: dict[str, float] = {"n": len(truth)}
        for kind, levels, crps_km in (("", self.quantiles, self.crps), ("raw ", self.raw_quantiles, self.raw_crps)):
            low, median, high = levels[mask].T
            below, above = float(np.mean(self.truth[mask] < low)), float(np.mean(self.truth[mask] > high))
            error = np.abs(np.minimum(median, HORIZON_KM) - truth)
            found |= {
                f"{kind}coverage": 1.0 - below - above, f"{kind}below": below, f"{kind}above": above,
                f"{kind}CRPS skill": 1.0 - float(crps_km[mask].sum() / base.sum()),
                f"{kind}MAE skill": 1.0 - float(error.sum() / base.sum()),
            }  # fmt: skip
        return found

    def by_kind(self) -> list[float]:
        """Coverage of limits on one feature, on a fit, and of performance."""
        masks = self.limit < OWN, (self.limit >= OWN) & (self.limit < OWN + 2), self.limit == OWN + 2
        return [self.row(mask)["coverage"] for mask in masks]


def joined(parts: Sequence[Scores]) -> Scores:
    """Several fleets as one."""
    return Scores(*(np.concatenate([getattr(p, name) for p in parts]) for name in Scores.__dataclass_fields__))


def scored(table: Floats, gap: Gap, life: Floats, model: dict[str, Any]) -> Scores:
    """Score forecasts.

    Parameters
    ----------
    table : ndarray, shape (n, 7)
        Truth, three quantiles as answered, straight line [km], limit, tool.
    gap : Gap, shape (n,)
        In the planned ground.
    life : ndarray, shape (n,)
        By the catalogue, in the planned ground, [km].
    model : dict
        The wear model that was in force.
    """
    truth = table[:, 0] * 1000.0
    known = np.where(np.isinf(truth), 1e9, truth)
    outcomes = Outcomes(known, known, known)
    raw = crps(gap, outcomes, HORIZON_KM * 1000.0) / 1000.0
    corrected = raw.copy()
    for mask, correction in corrections(table[:, 5], model):
        part = Gap(*(column[mask] for column in gap.columns()))
        corrected[mask] = crps(part, outcomes.at(mask), HORIZON_KM * 1000.0, correction) / 1000.0
    raw_quantiles = remaining_usage(gap, life).quantiles / 1000.0
    return Scores(table[:, 0], table[:, 1:4], raw_quantiles, table[:, 4], corrected, raw, table[:, 5], table[:, 6])


def corrections(limit: Floats, model: dict[str, Any]) -> list[tuple[NDArray[np.bool_], Recalibration]]:
    """Rows whose forecasts are corrected, and by what."""
    found = []
    for name, mask in (("own", limit < OWN), ("sums", limit >= OWN)):
        row = model["recalibration"][name]
        if row["applied"]:
            found.append((mask, Recalibration(np.array(row["nominal"]), np.array(row["level"]), row["forecasts"])))
    return found


def straight_lines(tool: Tool) -> list[list[float]]:
    """At each visit, for each limit: kilometres left by the line through the first and the newest reading."""
    first, run = tool.new.copy(), np.zeros(4)
    found = []
    for visit in tool.visits:
        run = run + visit.run.sum()
        slope = (visit.found - first) / run
        row = []
        for _, c, limit in limits():
            left, speed = limit - float(np.dot(c, visit.found)), float(np.dot(c, slope))
            row.append(0.0 if left <= 0 else HORIZON_KM if speed <= 0 else min(left / speed, HORIZON_KM))
        found.append(row)
        for f, wear in visit.replaced.items():
            first[f], run[f] = wear, 0.0
    return found
