"""A study's figures hold from its moment on: what was accepted before keeps what it was assessed with."""

from __future__ import annotations

from typing import Any

import pytest

from tests.worker.conftest import Workshop, day

pytestmark = pytest.mark.db
GAUGE = {"kind": "micrometer", "unit": "mm", "resolution": 0.0001, "calibration": {"expanded_uncertainty": 0.0002}}
STATED = GAUGE | {"repeatability": {"sd": 0.002}, "reproducibility": {"sd": 0.001}}
PARTS = (97.91, 97.88, 97.86, 97.84)
NOISE = ((0.0101, -0.0101, 0.0), (0.013, -0.007, 0.003))
STUDY = {"unit": "mm", "measurements": [[[part + e for e in row] for row in NOISE] for part in PARTS]}


def _inspect(shop: Workshop, n: float, **more: Any) -> str:
    readings = [
        {"feature": "piston.od", "station": station, "value": 97.89, "gauge": "MIC", "temperature_c": 20}
        for station in (1, 2)
    ]
    body = {"reference": f"W{n:g}", "tool": "H-1", "taken_at": day(n), "unit": "mm", "readings": readings} | more
    return str(shop.call("POST", "/inspections", body)["id"])


def _size(shop: Workshop, inspection: str) -> tuple[Any, Any]:
    (size,) = shop.assessment(inspection)["sizes"]
    return size["standard_uncertainty"], size["degrees_of_freedom"]


def test_older_assessments_keep_theirs(shop: Workshop) -> None:
    """A study moves no assessment, not even the newest; later inspections use it; a late arrival before it too."""
    shop.call("PUT", "/gauges/MIC", STATED)
    first = _inspect(shop, 2)
    shop.work()
    before = shop.assessment(first)
    study = shop.call("POST", "/gauges/MIC/studies", STUDY)
    assert shop.work() == 0
    assert shop.assessment(first) == before

    second = _inspect(shop, 3)
    shop.work()
    ours, theirs = _size(shop, second), _size(shop, first)
    assert study["repeatability"]["sd"] > 3 * STATED["repeatability"]["sd"]
    assert ours[0] > 3 * theirs[0]
    assert theirs[1] is None and ours[1] < 100  # stated without degrees of freedom, found with some

    late = _inspect(shop, 1)  # the tool is computed again from here on
    shop.work()
    assert _size(shop, late) == pytest.approx(ours)
    assert _size(shop, first) == theirs


def test_a_correction_knows_the_study(shop: Workshop) -> None:
    """An inspection corrected after the study is accepted anew, and judged with it."""
    shop.call("PUT", "/gauges/MIC", STATED)
    first = _inspect(shop, 2)
    shop.work()
    before = _size(shop, first)
    shop.call("POST", "/gauges/MIC/studies", STUDY)
    shop.call(
        "POST",
        "/inspections?on_existing=replace",
        {
            "reference": "W2",
            "tool": "H-1",
            "taken_at": day(2),
            "unit": "mm",
            "readings": [
                {"feature": "piston.od", "station": station, "value": 97.8901, "gauge": "MIC", "temperature_c": 20}
                for station in (1, 2)
            ],
        },
    )
    shop.work()
    assert _size(shop, first)[0] > 3 * before[0]
