"""Rocking traces: known truths, coverage, spikes, and what is no reading."""

import json
from pathlib import Path

import numpy as np
import pytest
from scipy.special import stdtrit

from worker.method.trace import TraceReading, read_trace

CASES = json.loads((Path(__file__).parents[1] / "published" / "rocking_traces.json").read_text())["cases"]


def rocked(
    rng: np.random.Generator,
    *,
    bore: float,
    swings: int,
    samples: int,
    reach: float,
    noise: float,
    step: float,
    spikes: int = 0,
) -> tuple[np.ndarray, float]:
    """Trace of a sinusoidally rocked gauge, `reach` mm to each side at 100 mm from the head, and its truth."""
    x = np.arange(swings * samples)
    angle = reach / 100.0 * np.sin(np.pi * x / samples + rng.uniform(0.0, 2.0 * np.pi))
    truth = rng.uniform(-0.05, 0.05)
    y = truth + bore * (1.0 / np.cos(angle) - 1.0) + rng.normal(0.0, noise, x.size)
    y[rng.integers(0, x.size, spikes)] += rng.normal(0.0, 0.02, spikes)
    return (np.round(y / step) * step if step else y), truth


def covers(found: TraceReading, truth: float) -> bool:
    assert found.reading is not None
    return abs(found.reading - truth) <= stdtrit(min(found.nu, 1e9), 0.975) * found.u


@pytest.mark.published
@pytest.mark.parametrize("case", CASES, ids=[case["id"] for case in CASES])
def test_synthetic_trace_of_known_truth(case: dict) -> None:
    """The vertex is found within 0.8 um where the raw minimum is 2 to 3 um low."""
    found = read_trace(case["samples"], case["step"])
    assert found.reading == pytest.approx(case["value"], abs=case["abs_tol"])
    assert 5e-5 < found.u < 8e-4
    assert covers(found, case["value"])
    assert found.swings >= 3 and found.flags == ()


@pytest.mark.parametrize(
    "kind",
    [
        {"bore": 98.0, "swings": 4, "samples": 75, "reach": 3.5, "noise": 0.001, "step": 0.0},
        {"bore": 98.0, "swings": 5, "samples": 75, "reach": 3.5, "noise": 0.0005, "step": 0.001},
        {"bore": 72.0, "swings": 3, "samples": 60, "reach": 4.0, "noise": 0.003, "step": 0.001},
        {"bore": 36.0, "swings": 6, "samples": 40, "reach": 6.0, "noise": 0.001, "step": 0.001},
        {"bore": 98.0, "swings": 5, "samples": 60, "reach": 4.0, "noise": 0.001, "step": 0.001, "spikes": 6},
        {"bore": 98.0, "swings": 4, "samples": 200, "reach": 4.0, "noise": 0.0002, "step": 0.005},
        {"bore": 98.0, "swings": 2, "samples": 100, "reach": 3.0, "noise": 0.001, "step": 0.001},
    ],
    ids=["plain", "stepped", "noisy", "narrow", "spiked", "coarse", "short"],
)
def test_stated_uncertainty_covers_the_truth(kind: dict) -> None:
    """Over 200 simulated traces: 94 % or more within the 95 % interval, and the bias below 0.15 um (noisy: 0.2)."""
    rng = np.random.default_rng(61)
    traces = [rocked(rng, **kind) for _ in range(200)]
    found = [(read_trace(y, kind["step"]), truth) for y, truth in traces]
    read = [(reading, truth) for reading, truth in found if reading.reading is not None]
    assert len(read) >= 199
    assert np.mean([covers(reading, truth) for reading, truth in read]) >= 0.94
    errors = np.array([reading.reading - truth for reading, truth in read])
    assert abs(errors.mean()) < (2e-4 if kind["noise"] > 0.002 else 1.6e-4)
    if kind["noise"] >= 0.001:
        assert np.mean([y.min() - truth for y, truth in traces]) < -1.5e-3  # what the raw minimum would give


def test_a_single_swing_is_flagged() -> None:
    """One trough gives a reading and asks for more."""
    x = np.arange(61.0)
    noise = np.random.default_rng(62).normal(0.0, 2e-4, 61)
    found = read_trace(0.02 + 2e-5 * (x - 29.4) ** 2 + noise, 0.0)
    assert found.swings == 1 and found.flags == ("single-swing",)
    assert found.reading == pytest.approx(0.02, abs=3e-4)


@pytest.mark.parametrize(
    "samples",
    [
        np.linspace(0.1, 0.0, 60),
        np.linspace(0.0, 0.1, 60) ** 2,
        np.zeros(60),
        -1e-5 * (np.arange(60.0) - 30.0) ** 2,
        np.array([0.05, 0.03, 0.02, 0.02, 0.03, 0.05]),
        np.random.default_rng(63).normal(0.0, 1e-3, 80),
    ],
    ids=["falling", "rising", "flat", "hump", "too-short", "noise"],
)
@pytest.mark.parametrize("step", [0.0, 0.001])
def test_without_a_minimum_there_is_no_reading(samples: np.ndarray, step: float) -> None:
    """Never an end point, never a guess: no reading and the flag that says so."""
    found = read_trace(samples, step)
    assert found.reading is None and found.swings == 0
    assert found.flags == ("trace-without-minimum",)
    assert np.isnan(found.u)


def test_adding_a_constant_adds_it_to_the_reading() -> None:
    """The reading moves with the zero of the gauge; its uncertainty does not."""
    y = np.array(CASES[0]["samples"])
    here, there = read_trace(y, 0.001), read_trace(y + 98.0, 0.001)
    assert there.reading == pytest.approx(here.reading + 98.0, abs=1e-10)
    assert there.u == pytest.approx(here.u, rel=1e-6)


def test_a_reversed_trace_gives_the_same_reading() -> None:
    """The direction of rocking does not matter."""
    y = np.array(CASES[0]["samples"])
    assert read_trace(y[::-1], 0.0).reading == pytest.approx(read_trace(y, 0.0).reading, abs=5e-5)


@pytest.mark.parametrize("bad", [[0.1] * 20 + [np.nan], [[0.1] * 20]])
def test_what_is_no_trace_is_refused(bad: list) -> None:
    """Samples must be one row of finite numbers, the step not negative."""
    with pytest.raises(ValueError, match="finite"):
        read_trace(bad, 0.001)
    with pytest.raises(ValueError, match="negative"):
        read_trace([0.1] * 20, -0.001)
