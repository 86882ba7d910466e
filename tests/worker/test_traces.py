"""Traces of a rocked bore gauge, as documents and as files: read by the fitted vertex (sizes method, S2, S13)."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tests.plugins.exports import Exports, as_csv
from tests.plugins.fleet import Fleet
from tests.worker.conftest import Workshop, day
from worker.method.trace import read_trace

pytestmark = pytest.mark.db
CASES = json.loads((Path(__file__).parents[1] / "published" / "rocking_traces.json").read_text())["cases"]
TRACE: list[float] = next(case["samples"] for case in CASES if case["id"] == "P29")
GAUGE = {
    "kind": "digital-bore", "unit": "mm", "resolution": 0.0001,
    "calibration": {"expanded_uncertainty": 0.001},
    "repeatability": {"sd": 0.0015, "degrees_of_freedom": 60},
}  # fmt: skip
MASTER = {"unit": "mm", "size": 98.0, "expanded_uncertainty": 0.001, "due_on": "2040-01-01"}
BORE = "casing.bore"


@pytest.fixture
def bench(shop: Workshop) -> Workshop:
    shop.call("PUT", "/gauges/DBG", GAUGE)
    shop.call("PUT", "/masters/RING", MASTER)
    return shop


def trace(samples: list[float], station: int = 1, **more: Any) -> dict[str, Any]:
    return {"feature": BORE, "kind": "trace", "trace": samples, "station": station, "gauge": "DBG", "master": "RING",
            "temperature_c": 20.0, "reference_temperature_c": 20.0} | more  # fmt: skip


def found(shop: Workshop, n: float, readings: list[dict[str, Any]], **more: Any) -> Any:
    body = {"reference": f"W{n:g}", "tool": "H-1", "taken_at": day(n), "unit": "mm", "readings": readings} | more
    inspection = shop.call("POST", "/inspections", body)["id"]
    shop.work()
    return shop.assessment(inspection)


def codes(document: Any) -> set[tuple[str, str]]:
    return {(remark["code"], remark["about"]) for remark in document["remarks"]}


def swings(count: int) -> list[float]:
    """So many swings of the published trace's form."""
    x = np.linspace(0.0, np.pi * count, 40 * count)
    return (0.031 + 0.05 * np.cos(x) ** 2 + 0.0005 * np.random.default_rng(5).standard_normal(x.size)).round(5).tolist()


@pytest.mark.published
def test_a_trace_is_read_by_its_vertex_from_the_master(bench: Workshop) -> None:
    """The published trace of known truth 0.031 (its smallest sample is 2 um low), added to the master's size."""
    document = found(bench, 10, [trace(TRACE, n) for n in (1, 2)])
    size = document["sizes"][0]
    assert size["mean"] == pytest.approx(98.031, abs=0.0006)
    assert size["mean"] == pytest.approx(98.0 + read_trace(TRACE, 0.0001).reading, abs=1e-9)
    assert size["readings"] == 2 and size["verdict"] == "serviceable"
    own = read_trace(TRACE, 0.0001).u
    assert size["standard_uncertainty"] > own


def test_inches_are_read_alike(bench: Workshop) -> None:
    """A trace in inches gives the same size."""
    inches = [round(sample / 25.4, 7) for sample in TRACE]
    document = found(bench, 10, [trace(inches), trace(inches, 2)], unit="in")
    assert document["sizes"][0]["mean"] == pytest.approx(98.031, abs=0.0006)
    record = bench.call("GET", f"/inspections/{document['inspection']}?unit=in")
    assert record["readings"][0]["trace"] == pytest.approx(inches, rel=1e-12)


def test_without_a_master_the_trace_is_the_size(bench: Workshop) -> None:
    """Samples that are sizes themselves, as of a gauge that shows them."""
    sizes = [round(98.0 + sample, 5) for sample in TRACE]
    readings = [{k: v for k, v in trace(sizes, n).items() if k != "master"} for n in (1, 2)]
    assert found(bench, 10, readings)["sizes"][0]["mean"] == pytest.approx(98.031, abs=0.0006)


def test_a_single_swing_is_remarked(bench: Workshop) -> None:
    """One swing is read and remarked; of several nothing is said."""
    one, several = found(bench, 10, [trace(swings(1))]), found(bench, 20, [trace(swings(4))])
    assert ("single-swing", f"feature:{BORE}") in codes(one)
    assert ("single-swing", f"feature:{BORE}") not in codes(several)
    assert one["sizes"][0]["verdict"] == several["sizes"][0]["verdict"] == "serviceable"
    # a trace brings its own uncertainty, so that a single one is not too few
    assert ("too-few-readings", f"feature:{BORE}") not in codes(one)


@pytest.mark.parametrize(
    "samples", [TRACE[:14], np.linspace(0.0, 0.1, 60).round(5).tolist(), [0.03] * 40], ids=["short", "ramp", "flat"]
)
def test_without_a_swing_there_is_no_reading(bench: Workshop, samples: list[float]) -> None:
    """Fewer than 15 samples, or no swing: no reading, a remark, and the feature is measured again."""
    document = found(bench, 10, [trace(samples)])
    size = document["sizes"][0]
    assert (size["readings"], size["mean"], size["verdict"]) == (0, None, "remeasure")
    assert ("trace-without-minimum", f"feature:{BORE}") in codes(document)
    assert bench.status()["state"] == "remeasure"
    # another that could be read makes the size
    both = found(bench, 20, [trace(samples), trace(TRACE, 2)])
    assert (both["sizes"][0]["readings"], both["sizes"][0]["verdict"]) == (1, "serviceable")


@pytest.mark.broker
@pytest.mark.parametrize("unit", ["mm", "in", "um"])
def test_one_source_whichever_way_a_trace_comes(fleet: Fleet, unit: str) -> None:
    """A trace in a file's cell and as a list are one source, and the same samples to the last digit."""
    exports = Exports(fleet)
    fleet.call("PUT", "/gauges/DBG", GAUGE)
    fleet.call("PUT", "/masters/RING", MASTER)
    fleet.put_tool(commissioned_on="2026-01-01")
    per_mm = {"mm": 1.0, "in": 1 / 25.4, "um": 1000.0}[unit]
    samples = [round(sample * per_mm, 8) for sample in TRACE]
    feature = "casing.piston-bore"
    row = {
        "reference": "WO-1", "tool": "H-1", "taken_at": "2026-03-01T09:30:00+10:00", "feature": feature,
        "station": 1, "kind": "trace", "trace": " ".join(map(str, samples)), "unit": unit, "gauge": "DBG",
        "master": "RING",
    }  # fmt: skip
    more = {"reference": "WO-1", "tool": "H-1", "taken_at": row["taken_at"], "feature": feature, "station": 2}
    rows = [row, more | {"kind": "size", "value": 98.031 * per_mm, "unit": unit}]
    export = exports.read(as_csv(rows, [*row, "value"]))
    assert (export["rows"]["accepted"], exports.faults(export)) == (2, [])
    (stored,) = exports.inspections()
    mm = next(case["trace"] for case in stored["readings"] if case["kind"] == "trace")
    assert mm == pytest.approx(TRACE, abs=1e-6)
    if unit != "um":  # a document is in mm or inches
        body = {name: row[name] for name in ("reference", "tool", "taken_at")} | {
            "unit": unit,
            "readings": [
                {"feature": feature, "station": 1, "kind": "trace", "trace": samples, "gauge": "DBG", "master": "RING"},
                {"feature": feature, "station": 2, "value": 98.031 * per_mm},
            ],
        }
        assert fleet.call("POST", "/inspections", body, status=200).json["id"] == stored["id"]


def test_degrees_of_freedom_that_stand_for_none_are_told_as_infinite(bench: Workshop) -> None:
    """The term of a trace without noise has degrees of freedom and next to no share: the sum has none to tell."""
    bench.call("PUT", "/gauges/EXACT", GAUGE | {"repeatability": None})
    perfect = [98.031 + 1e-4 * (n % 20 - 10) ** 2 for n in range(80)]
    reading = trace(perfect, gauge="EXACT", master=None)
    size = found(bench, 10, [reading])["sizes"][0]
    assert size["degrees_of_freedom"] is None and size["coverage_factor"] == pytest.approx(1.959964, abs=1e-6)
