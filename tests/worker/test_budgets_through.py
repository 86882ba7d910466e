"""Budgets of seeded inspections through the whole service against an independent model of them (S3, S4, S11, S12)."""

from __future__ import annotations

import math
from typing import Any

import pytest

from tests.method.independent_budget import Row, given
from tests.method.test_budget_two_ways import by_library, realistic
from tests.worker.conftest import Workshop
from tests.worker.test_published_sizes import inspect

pytestmark = pytest.mark.db
KINDS = {3: "digital-bore", 0: "micrometer"}


def known(**named: Any) -> dict[str, Any]:
    """What is known of it: no fields that are not a number."""
    return {name: value for name, value in named.items() if not isinstance(value, float) or math.isfinite(value)}


def material(thing: Row) -> dict[str, str]:
    return {"material": f"steel-{thing['material']}"} if thing.get("material", -1) >= 0 else {}


def put_instruments(shop: Workshop, gauges: list[Row], masters: list[Row]) -> None:
    for n, gauge in enumerate(gauges):
        body = known(kind=KINDS[gauge["kind"]], unit="mm", resolution=gauge["resolution"], bias=gauge["bias"])
        body |= known(expansion_per_k=gauge["expansion"]) | material(gauge)
        if "calibration_u" in gauge:
            certificate = {"expanded_uncertainty": 2.5 * gauge["calibration_u"], "coverage_factor": 2.5}
            body["calibration"] = certificate | known(degrees_of_freedom=gauge["calibration_nu"])
        for name in ("repeatability", "reproducibility"):
            if name in gauge:
                body[name] = {"sd": gauge[name], "degrees_of_freedom": gauge[f"{name}_nu"]}
        shop.call("PUT", f"/gauges/G{n}", body)
    for n, master in enumerate(masters):
        body = known(unit="mm", size=master["size"], expanded_uncertainty=2 * master["u"])
        body |= known(expansion_per_k=master.get("expansion", math.nan)) | material(master)
        shop.call("PUT", f"/masters/M{n}", body)


def put_tool(shop: Workshop, subjects: list[Row]) -> None:
    (bore, shaft) = (known(expansion_per_k=subject["expansion"]) | material(subject) for subject in subjects)
    fit = {"code": "f", "shaft": "s.x", "bore": "b.x", "new": {"min": 0.05, "max": 0.15}, "discard": 0.9}
    body = {
        "name": "k", "unit": "mm", "parts": [{"code": "b", "name": "b"}, {"code": "s", "name": "s"}], "fits": [fit],
        "features": [
            {"part": "b", "code": "x", "kind": "bore", "new": {"min": 89.9, "max": 90.1}} | bore,
            {"part": "s", "code": "x", "kind": "shaft", "new": {"min": 89.9, "max": 90.1}} | shaft,
        ],
    }  # fmt: skip
    shop.call("PUT", "/tool-types/k", body)
    shop.call("PUT", "/tools/k", {"tool_type": "k", "site": "yard", "commissioned_on": "2026-01-01"})


def sent(row: Row) -> dict[str, Any]:
    body = {
        "feature": ("b.x", "s.x")[row["measurand"]], "station": row["station"], "orientation": row["orientation"],
        "value": row["value"], "gauge": f"G{row['gauge']}",
    }  # fmt: skip
    if row["is_deviation"]:
        body |= {"kind": "deviation", "master": f"M{row['master']}", "setup": f"zero-{row['setup']}"}
    return body | known(temperature_c=row["part_c"], reference_temperature_c=row["reference_c"])


@pytest.mark.parametrize("seed", [2, 6, 11, 17, 23])
def test_budgets_of_inspections_as_clients_send_them(shop: Workshop, seed: int) -> None:
    """Materials, certificates, studies, set-ups, thermometer and inspector reach the budget as the method has them."""
    rows, gauges, masters, subjects = realistic(seed)
    for gauge in gauges:
        gauge["resolution"] = max(gauge["resolution"], 1e-9)  # a gauge has one
    put_instruments(shop, gauges, masters)
    put_tool(shop, subjects)
    zeroed = sorted({(r["setup"], r["gauge"], r["master"]) for r in rows if r["is_deviation"]})
    setups = [{"setup": f"zero-{s}", "gauge": f"G{g}", "master": f"M{m}", "readings_at_zero": 3} for s, g, m in zeroed]
    inspection = inspect(
        shop, "k", [sent(row) for row in rows], inspector="AB",
        thermometer={"serial": "T", "standard_uncertainty_c": 0.25},
        setups=setups,
    )  # fmt: skip
    shop.work()
    expected = by_library(rows, gauges, masters, subjects)
    document = shop.assessment(inspection)
    sizes = {size["feature"]: size for size in document["sizes"]}
    (clearance,) = document["clearances"]
    missing = {remark["about"] for remark in document["remarks"] if remark["code"] == "temperature-missing"}
    assert bool(missing) == (not given(rows[0]["part_c"]) and not given(rows[0]["reference_c"]))
    for name, shown, mean in (
        ("worst bore", sizes["b.x"], "bore"), ("worst shaft", sizes["s.x"], "shaft"), ("worst", clearance, "mean"),
    ):  # fmt: skip
        value, u, nu = expected[name]
        assert shown["worst"] == pytest.approx(value, abs=1e-10), name
        assert shown["mean"] == pytest.approx(expected[mean][0], abs=1e-10), name
        assert shown["standard_uncertainty"] == pytest.approx(u, rel=1e-6), name
        assert (shown["degrees_of_freedom"] or math.inf) == pytest.approx(nu, rel=1e-5), name
