"""What may not change a figure, through the whole service: order, units, sources, zero point, and how chances rise."""

from __future__ import annotations

import math
import random
from collections.abc import Callable
from typing import Any

import pytest

from tests.worker.conftest import KIND, Workshop, day
from tests.worker.test_blunders import GAUGE, MASTER

pytestmark = pytest.mark.db
SCALE = 100.0  # mm: a figure is the difference of sizes of that order, and is known as well as those
RISKS = (0.05, 0.01)
Reading = dict[str, Any]


def readings(seed: int, warm: bool = True) -> list[Reading]:
    """Bore by a ring and a bore gauge, shaft by a micrometer: three stations, repeats here and there."""
    rng = random.Random(seed)
    celsius = {"temperature_c": 24.5, "reference_temperature_c": 22.0}
    if not warm:
        celsius = dict.fromkeys(celsius, 20.0)
    found: list[Reading] = []
    for station in (1, 2, 3):
        for orientation in (0.0, 60.0, 120.0):
            for _ in range(rng.choice((1, 2))):
                place = {"station": station, "orientation": orientation} | celsius
                bore = {"feature": "casing.bore", "kind": "deviation", "gauge": "DBG", "master": "RING", "setup": "am"}
                found.append(place | bore | {"value": round(0.012 + rng.gauss(0, 0.004), 4)})
                shaft = {"feature": "piston.od", "gauge": "MIC"}
                found.append(place | shaft | {"value": round(97.862 + rng.gauss(0, 0.004), 4)})
    return found


@pytest.fixture
def bench(shop: Workshop) -> Workshop:
    shop.call("PUT", "/gauges/MIC", GAUGE)
    shop.call("PUT", "/gauges/DBG", GAUGE | {"kind": "digital-bore"})
    shop.call("PUT", "/masters/RING", MASTER)
    stations = [{"station": n, "position": 40.0 * n} for n in (1, 2, 3)]
    shop.put_kind(features=[feature | {"stations": stations} for feature in KIND["features"]])
    return shop


def sent(shop: Workshop, tool: str, rows: list[Reading], unit: str = "mm", query: str = "", **more: Any) -> str:
    body = {
        "reference": "W1", "tool": tool, "taken_at": day(10), "unit": unit, "inspector": "AB", "readings": rows,
        "setups": [{"setup": "am", "gauge": "DBG", "readings_at_zero": 2}],
        "usage": {"metres": 1000.0, "ground": "hard"}, "thermometer": {"serial": "T-1"},
    }  # fmt: skip
    return str(shop.call("POST", f"/inspections{query}", body | more)["id"])


def in_inches(rows: list[Reading]) -> list[Reading]:
    return [row | {"value": row["value"] / 25.4} for row in rows]


def same(one: Any, other: Any, at: str = "") -> None:
    """Every number of two documents agrees within 1e-12 of the sizes measured; everything else is equal."""
    if isinstance(one, dict):
        assert one.keys() == other.keys(), at
        for name in one:
            same(one[name], other[name], f"{at}/{name}")
    elif isinstance(one, list):
        assert len(one) == len(other), at
        for n, (a, b) in enumerate(zip(one, other, strict=True)):
            same(a, b, f"{at}/{n}")
    elif isinstance(one, float) and isinstance(other, float):
        # a forecast divides by small differences of sizes, so that their last digits weigh more in it
        rel = 1e-8 if "/remaining" in at or "/wear_state" in at or "probability" in at else 1e-12
        assert math.isclose(one, other, rel_tol=rel, abs_tol=1e-12 * SCALE), (at, one, other)
    else:
        assert one == other, at


FIGURES = ("sizes", "clearances", "offsets", "performance", "remaining", "parts", "remarks", "state")


def figures(document: Any) -> dict[str, Any]:
    return {name: document[name] for name in FIGURES}


def permuted(shop: Workshop, rows: list[Reading]) -> str:
    mixed = random.Random(7).sample(rows, len(rows))
    return sent(shop, "PERMUTED", mixed)


def inches(shop: Workshop, rows: list[Reading]) -> str:
    return sent(shop, "INCHES", in_inches(rows), "in")


def split(shop: Workshop, rows: list[Reading]) -> str:
    """Two sources of one inspection, each in a unit of its own."""
    first = sent(shop, "SPLIT", rows[::2])
    assert sent(shop, "SPLIT", in_inches(rows[1::2]), "in", "?on_existing=add") == first
    return first


def uninformative(shop: Workshop, rows: list[Reading]) -> str:
    """One reading more that says nothing: a trace that never turns."""
    ramp = [0.001 * n for n in range(30)]
    trace = rows[0] | {"kind": "trace", "trace": ramp, "value": None, "station": 9}
    return sent(shop, "MORE", [*rows, trace])


@pytest.mark.parametrize("seed", [1, 2])
@pytest.mark.parametrize("other", [permuted, inches, split, uninformative])
def test_what_changes_no_figure(bench: Workshop, other: Callable[[Workshop, list[Reading]], str], seed: int) -> None:
    """Permuting readings, splitting them into sources and units, a reading that says nothing: within 1e-12."""
    rows = readings(seed)
    for serial in ("PLAIN", other.__name__.upper() if other is not uninformative else "MORE"):
        bench.put_tool(serial, commissioned_on="2026-01-01")
    plain, changed = sent(bench, "PLAIN", rows), other(bench, rows)
    bench.work()
    one, two = (figures(bench.assessment(inspection)) for inspection in (plain, changed))
    if other is uninformative:
        two["remarks"] = [remark for remark in two["remarks"] if remark["code"] != "trace-without-minimum"]
    assert len(one["sizes"]) == 2 and one["clearances"]
    same(one, two)


def test_a_constant_on_master_and_readings_changes_no_clearance(bench: Workshop) -> None:
    """At 20 degC a ring and a shaft that are both larger by the same leave every figure of their clearance."""
    rows, constant = readings(3, warm=False), 0.125
    bench.call("PUT", "/masters/LARGER", MASTER | {"size": MASTER["size"] + constant})
    larger = [
        row | ({"master": "LARGER"} if "master" in row else {"value": row["value"] + constant}) for row in rows
    ]  # fmt: skip
    for serial in ("PLAIN", "LARGER"):
        bench.put_tool(serial, commissioned_on="2026-01-01")
    found = [sent(bench, "PLAIN", rows), sent(bench, "LARGER", larger)]
    bench.work()
    (one,), (two,) = (bench.assessment(inspection)["clearances"] for inspection in found)
    # what a kelvin does to a larger part, and what blocks a shaft larger than new, is another matter
    for name in ("mean", "worst", "smallest", "clearance_for_leakage", "consumed", "new", "discard"):
        same(one[name], two[name], name)
    assert one["standard_uncertainty"] == pytest.approx(two["standard_uncertainty"], rel=2 * constant / 98)


def test_probabilities_rise_with_the_wear_and_verdicts_nest_with_the_risks(bench: Workshop) -> None:
    """A smaller shaft is never less likely beyond discard; a smaller risk neither accepts nor discards more."""
    sizes = [97.84 - 0.0008 * n for n in range(100)][::4]
    order = ("serviceable", "monitor", "remeasure", "discard")
    found: dict[float, list[str]] = {}
    for risk in RISKS:
        bench.put_kind(decision={"risk_accept": risk, "risk_discard": risk})
        bodies = []
        for n, value in enumerate(sizes):
            tool = f"R{risk:g}-{n}"
            bench.put_tool(tool, commissioned_on="2026-01-01")
            rows = [{"feature": "piston.od", "station": 1, "orientation": o, "value": value, "gauge": "MIC"}
                    | {"temperature_c": 20.0, "reference_temperature_c": 20.0} for o in (0, 90)]  # fmt: skip
            bodies.append({"reference": "W1", "tool": tool, "taken_at": day(10), "unit": "mm", "readings": rows})
        answers = bench.call("POST", "/inspections/batch", {"inspections": bodies})["items"]
        bench.work()
        judged = [bench.assessment(answer["id"])["sizes"][0] for answer in answers]
        chances = [size["probability_beyond"] for size in judged]
        assert chances == sorted(chances) and chances[0] < 1e-6 and chances[-1] > 1 - 1e-6
        found[risk] = [size["verdict"] for size in judged]
        ranks = [order.index(verdict) for verdict in found[risk]]
        assert ranks == sorted(ranks) and set(ranks) == {0, 1, 2, 3}
    for loose, strict in zip(found[RISKS[0]], found[RISKS[1]], strict=True):
        assert strict != "serviceable" or loose == "serviceable"
        assert strict != "discard" or loose == "discard"
