"""How many forecasts and leaks the method computes in a second, on one core, on arrays."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from typing import Any

import numpy as np

from worker.method.first_passage import Gap
from worker.method.leakage import leak_flow
from worker.method.remaining_life import remaining_usage

FORECASTS, PATHS = 20_000, 100_000
ROUNDS = 3


def measure() -> Iterator[str]:
    """Rows of the table."""
    draw = np.random.default_rng(3)
    gap = Gap(
        level=draw.uniform(0.02, 0.3, FORECASTS),
        level_variance=draw.uniform(1e-6, 1e-4, FORECASTS),
        drift=draw.normal(0.02, 0.004, FORECASTS),
        drift_variance=draw.uniform(1e-6, 4e-5, FORECASTS),
        covariance=draw.uniform(-1e-6, 1e-6, FORECASTS),
        diffusion=draw.uniform(1e-6, 1e-4, FORECASTS),
    )
    yield _row("forecasts (p10, p50, p90 of a limit)", FORECASTS, lambda: remaining_usage(gap, 20.0), "")
    diameter, clearance = draw.uniform(0.03, 0.15, PATHS), draw.uniform(5e-5, 3e-4, PATHS)
    land, below = draw.uniform(0.02, 0.08, PATHS), draw.uniform(1e5, 9e5, PATHS)

    def leaks(eccentricity: float) -> Callable[[], Any]:
        return lambda: leak_flow(diameter, clearance, land, 2e6, below, 330.0, eccentricity)

    yield _row("leaks, concentric, full solution", PATHS, leaks(0.0), ">= 100,000/s")
    yield _row("leaks, eccentric by half, full solution", PATHS, leaks(0.5), "")


def _row(what: str, count: int, work: Callable[[], Any], wanted: str) -> str:
    taken = []
    for _ in range(ROUNDS):
        begun = time.process_time()
        work()
        taken.append(time.process_time() - begun)
    return f"| {what}, on one core | {count / min(taken):,.0f}/s | | | {wanted} |"
