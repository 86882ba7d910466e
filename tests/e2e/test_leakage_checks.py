"""Every published case of a whole hammer through the service: sizes are posted, leaks and losses are read.

Expected values and tolerances: ``tests/published/leakage.json``; the hammer is the invented one of its 120 mm class.
"""

from __future__ import annotations

import copy
import json
from pathlib import Path
from typing import Any

import pytest
from flask.testing import FlaskClient

from service.config import Config
from tests.e2e.test_worked_example import EXAMPLE, put
from worker.assess import assess_batch

pytestmark = [pytest.mark.db, pytest.mark.published]
DIAMETERS = (98.0, 72.0, 52.0, 36.0)
CASES = {
    case["id"]: case
    for case in json.loads((Path(__file__).parents[1] / "published" / "leakage.json").read_text())["cases"]
    if case["kind"] in ("hammer_leak", "flow_tier", "loss_linear")
}


def hammer() -> dict[str, Any]:
    """The example's catalogue with fits about these diameters, on a compressor that a new hammer just uses up."""
    kind = copy.deepcopy(EXAMPLE["catalogue"]) | {"loss_model": "flow", "loss_per_mm": 1.538461538}
    del kind["air"]["compressor"]
    features = {f"{one['part']}.{one['code']}": one for one in kind["features"]}
    for fit, diameter in zip(kind["fits"], DIAMETERS, strict=True):
        new = (fit["new"]["min"] + fit["new"]["max"]) / 2
        for name, sign in ((fit["shaft"], -1), (fit["bore"], 1)):
            middle = diameter + sign * new / 2
            features[name]["new"] = {"min": middle - 0.01, "max": middle + 0.01}
            features[name]["discard"] = middle + sign * 0.2
            features[name].pop("monitor", None)
    return kind


@pytest.fixture
def assessed(client: FlaskClient, store: Config) -> dict[str, Any]:
    """The assessment of each case, all computed in one batch."""
    put(client, "/sites/yard", {"name": "Yard", "time_zone": "UTC"})
    kind = hammer()
    put(client, "/tool-types/hammer", kind)
    where = {}
    for name, case in CASES.items():
        put(client, f"/tools/{name}", {"tool_type": "hammer", "site": "yard"})
        rows = zip(kind["fits"], DIAMETERS, case["input"]["c_mm"], strict=True)
        sizes = [(fit[side], d + sign * c / 2) for fit, d, c in rows for side, sign in (("shaft", -1), ("bore", 1))]
        readings = [
            {"feature": feature, "station": 1, "orientation": turn, "value": size}
            for feature, size in sizes
            for turn in (0, 90)
        ]
        body = {"reference": name, "tool": name, "taken_at": "2026-03-01T00:00:00Z", "unit": "mm", "readings": readings}
        answer = client.post("/v1/inspections", json=body)
        assert answer.status_code == 202, answer.get_data(True)
        where[name] = f"/v1/inspections/{answer.json['id']}/assessment"
    while assess_batch():
        pass
    return {name: client.get(path).json for name, path in where.items()}


def test_every_case_of_a_whole_hammer(assessed: dict[str, Any]) -> None:
    """Leak of each fit, pressure, loss by flow and by rule, within the tolerance of each case."""
    assert sorted(CASES) == ["PF1", "PF2", "PF3", "PH1", "PH2", "PK1", "PK2"]
    for name, case in CASES.items():
        found, expect = assessed[name], case["expect"]
        performance = found["performance"]
        leaks = {row["fit"]: row["leak"] for row in found["clearances"]}
        air = [leaks[fit["code"]]["free_air_m3_min"] for fit in EXAMPLE["catalogue"]["fits"]]
        if case["kind"] == "hammer_leak":
            near = case["rel_tol"]["leak_m3_min"]
            assert air == pytest.approx(expect["leak_m3_min"], rel=near), name
            assert sum(air) == pytest.approx(expect["total"], rel=case["rel_tol"]["total"]), name
        elif case["kind"] == "flow_tier":
            assert performance["loss"] == performance["loss_by_flow"]
            assert performance["loss"] == pytest.approx(expect["loss"], abs=case["abs_tol"]["loss"]), name
            near = case["rel_tol"]["p_pa"]
            assert performance["hammer_pressure_bar"] * 1e5 == pytest.approx(expect["p_pa"], rel=near), name
            delivery = air[0] / leaks[EXAMPLE["catalogue"]["fits"][0]["code"]]["share_of_delivery"]
            assert delivery == pytest.approx(expect["q_del"], rel=case["rel_tol"]["q_del"]), name
            capped = any(remark["code"] == "loss-capped" for remark in found["remarks"])
            assert capped is expect["capped"], name
        else:
            assert performance["loss_by_rule"] == pytest.approx(expect["loss"], abs=case["abs_tol"]), name
