"""The worked example through HTTP and the worker: one inspection of 26 readings of a worn hammer.

Expected values and tolerances: ``tests/published/worked_example.json``, the project's worked example, computed there
by an independent implementation of the method pages.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import psycopg
import pytest
from flask.testing import FlaskClient

from service.config import Config
from worker.assess import assess_batch

pytestmark = [pytest.mark.db, pytest.mark.published]

EXAMPLE: dict[str, Any] = json.loads(
    (Path(__file__).parents[1] / "published" / "worked_example.json").read_text(encoding="utf-8")
)
EXPECTED, TOLERANCE = EXAMPLE["expected"], EXAMPLE["tolerances"]


def put(client: FlaskClient, path: str, body: dict[str, Any]) -> None:
    answer = client.put("/v1" + path, json=body)
    assert answer.status_code in (200, 201), answer.get_data(True)


def post_example(client: FlaskClient, **changes: Any) -> str:
    """Put the catalogue, the instruments and the tool, post the inspection and return its address."""
    put(client, "/sites/north-yard", {"name": "North yard", "time_zone": "Australia/Brisbane"})
    put(client, "/tool-types/we-120", EXAMPLE["catalogue"])
    for serial, gauge in EXAMPLE["gauges"].items():
        put(client, f"/gauges/{serial}", gauge)
    for serial, master in EXAMPLE["masters"].items():
        put(client, f"/masters/{serial}", master)
    put(client, "/tools/WE-TOOL", {"tool_type": "we-120", "site": "north-yard"})
    answer = client.post("/v1/inspections", json=EXAMPLE["inspection"] | changes)
    assert answer.status_code == 202, answer.get_data(True)
    return f"/v1/inspections/{answer.json['id']}"


@pytest.fixture
def assessed(client: FlaskClient, store: Config) -> Iterator[dict[str, Any]]:
    """The example's assessment as a client reads it."""
    where = post_example(client)
    assert assess_batch() == 1
    yield client.get(where + "/assessment").json


def close(got: float | None, expected: float | None, kind: str) -> bool:
    """Within the tolerance of the example's table; what that does not name: 1e-6 relative or 1e-9 absolute."""
    if got is None or expected is None:
        return got is expected
    if kind + "_abs" in TOLERANCE:
        return abs(got - expected) <= TOLERANCE[kind + "_abs"]
    if kind + "_rel" in TOLERANCE:
        return abs(got - expected) <= max(TOLERANCE[kind + "_rel"] * abs(expected), 1e-9)
    return abs(got - expected) <= max(1e-6 * abs(expected), 1e-9)


def check(got: dict[str, Any], expected: dict[str, Any], kinds: dict[str, str]) -> None:
    for name, kind in kinds.items():
        if kind == "lengths":
            assert abs(got[name] - expected[name]) <= TOLERANCE["lengths_mm"], name
        elif kind == "exact":
            assert got[name] == expected[name], name
        else:
            assert close(got[name], expected[name], kind), (name, got[name], expected[name])


SIZE = dict.fromkeys(("mean", "min", "max", "worst", "out_of_round", "discard"), "lengths") | {
    "readings": "exact",
    "worst_station": "exact",
    "verdict": "exact",
    "standard_uncertainty": "standard_uncertainty",
    "degrees_of_freedom": "degrees_of_freedom",
    "coverage_factor": "coverage_factor",
    "expanded_uncertainty": "other",
    "probability_beyond": "probability",
}
CLEARANCE = dict.fromkeys(("mean", "worst", "clearance_for_leakage", "new", "discard"), "lengths") | {
    "verdict": "exact",
    "consumed": "consumed",
    "standard_uncertainty": "standard_uncertainty",
    "degrees_of_freedom": "degrees_of_freedom",
    "coverage_factor": "coverage_factor",
    "expanded_uncertainty": "other",
    "probability_beyond": "probability",
}


def test_sizes(assessed: dict[str, Any]) -> None:
    """Each size at 20 degC with its uncertainty and verdict is that of the worked example."""
    got = {size["feature"]: size for size in assessed["sizes"]}
    assert got.keys() == {size["feature"] for size in EXPECTED["sizes"]}
    for expected in EXPECTED["sizes"]:
        check(got[expected["feature"]], expected, SIZE)


def test_clearances(assessed: dict[str, Any]) -> None:
    """Each clearance with its uncertainty, consumed share and verdict is that of the worked example."""
    got = {clearance["fit"]: clearance for clearance in assessed["clearances"]}
    assert got.keys() == {clearance["fit"] for clearance in EXPECTED["clearances"]}
    for expected in EXPECTED["clearances"]:
        check(got[expected["fit"]], expected, CLEARANCE)


def test_leaks(assessed: dict[str, Any]) -> None:
    """What each fit leaks at the supply pressure, and its share of the delivery, are those of the worked example."""
    got = {clearance["fit"]: clearance["leak"] for clearance in assessed["clearances"]}
    for expected in EXPECTED["clearances"]:
        leak = got[expected["fit"]]
        for name in ("free_air_m3_min", "share_of_delivery"):
            assert close(leak[name], expected["leak"][name], "leak"), (expected["fit"], name)
        assert 0.0 < leak["standard_uncertainty_m3_min"] < 0.2 * leak["free_air_m3_min"]
        assert leak["regime"] in ("laminar", "transitional", "turbulent")


def test_loss_by_flow(assessed: dict[str, Any]) -> None:
    """The loss by the flow of air, and the pressure that the hammer is left with, are those of the worked example."""
    got, expected = assessed["performance"], EXPECTED["performance"]
    assert abs(got["loss_by_flow"] - expected["loss_by_flow"]) <= TOLERANCE["loss_by_flow_abs"]
    assert close(got["hammer_pressure_bar"], expected["hammer_pressure_bar"], "pressure")
    assert got["loss_model"] == "rule"


def test_loss_by_rule(assessed: dict[str, Any]) -> None:
    """The loss by the rule of thumb, and by fit, is that of the worked example."""
    got, expected = assessed["performance"], EXPECTED["performance"]
    for name in ("loss", "loss_by_rule", "retained", "service_loss"):
        assert abs(got[name] - expected[name]) <= TOLERANCE["loss_by_rule_abs"]
    shares = {row["fit"]: row["loss"] for row in got["by_fit"]}
    for row in expected["by_fit"]:
        assert close(shares[row["fit"]], row["loss"], "other")


def test_wear_states(assessed: dict[str, Any], conn: psycopg.Connection) -> None:
    """Both wear states of every feature, of worst and of mean, are those of the worked example."""
    columns = ("level", "rate", "level_var", "cov", "rate_var")
    names = ", ".join(f"{of}_{column}" for of in ("worst", "mean") for column in columns)
    rows = conn.execute(
        f"SELECT c.code, usage, {names} FROM sizes JOIN codes c ON c.code_id = feature_id"  # type: ignore[arg-type]
    ).fetchall()
    got = {(row[0], of): (row[1], row[2 + 5 * n : 7 + 5 * n]) for row in rows for n, of in enumerate(("worst", "mean"))}
    for expected in EXPECTED["wear_states"]:
        usage, state = got[expected["feature"], expected["of"]]
        assert close(usage, expected["usage"], "wear_state")
        for value, name in zip(state, ("m", "b", "P11", "P12", "P22"), strict=True):
            assert abs(value - expected[name]) <= TOLERANCE["wear_state_rel"] * abs(expected[name]), (expected, name)
    shown = {size["feature"]: size["wear_state"] for size in assessed["sizes"]}
    assert close(shown["piston.nose"]["level"], got["piston.nose", "worst"][1][0], "wear_state")


def test_remaining_usage(assessed: dict[str, Any]) -> None:
    """Remaining usage to each of the 13 limits, and the governing one, are those of the worked example."""
    got, expected = assessed["remaining"], EXPECTED["remaining"]
    assert (got["basis"], got["ground"]) == ("metres", {expected["ground"]: 1.0})
    limits = {row["limit"]: row for row in got["limits"]}
    assert list(limits) == [row["limit"] for row in expected["limits"]]
    for row in expected["limits"]:
        for name in ("p10", "p50", "p90"):
            assert close(limits[row["limit"]][name], row[name], "remaining"), (row["limit"], name)
        for name in ("probability_never", "probability_beyond_now"):
            assert close(limits[row["limit"]][name], row[name], "probability"), (row["limit"], name)
    assert got["governing"]["limit"] == expected["governing"]


def test_parts_and_state(assessed: dict[str, Any], client: FlaskClient) -> None:
    """A discarded tail discards the piston, a fit beyond its limit with it, and the tool is due for service."""
    assert assessed["state"] == "service-due"
    verdicts = {part["part"]: part["verdict"] for part in assessed["parts"]}
    assert verdicts == {
        "piston": "discard",
        "casing": "serviceable",
        "bearing": "remeasure",
        "inner-cylinder": "monitor",
        "guide": "serviceable",
    }
    status = client.get("/v1/tools/WE-TOOL/status").json
    assert (status["state"], status["sequence"]) == ("service-due", 1)
    assert [part["part"] for part in status["renew"]] == ["piston"]
    assert status["remaining"]["governing"] == "fit:tail-in-cylinder"
    assert status["performance"]["retained"] == assessed["performance"]["retained"]
