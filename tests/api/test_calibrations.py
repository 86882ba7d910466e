"""Calibrations over HTTP: the published fit, what it rests on, units, faults; nothing changes."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import psycopg
import pytest
from flask.testing import FlaskClient
from scipy.optimize import lsq_linear

pytestmark = pytest.mark.db
ROOT = Path(__file__).parents[2]
EXAMPLES = ROOT / "openapi" / "examples"
TYPE: dict[str, Any] = json.loads((EXAMPLES / "worked-example-tool-type.json").read_text())
EXAMPLE: dict[str, Any] = json.loads((EXAMPLES / "calibration.json").read_text())
(CASE,) = (
    case
    for case in json.loads((ROOT / "tests" / "published" / "leakage.json").read_text())["cases"]
    if case["kind"] == "fit_linear"
)
TYPE_URL = "/v1/tool-types/we-120"
URL = f"{TYPE_URL}/calibrations"
FITS = [fit["code"] for fit in TYPE["fits"]]
SHARES = [fit["loss_share"] for fit in TYPE["fits"]]


@pytest.fixture
def typed(client: FlaskClient) -> FlaskClient:
    """A client with a tool type of four fits in place."""
    assert client.put(TYPE_URL, json=TYPE).status_code == 201
    return client


def _records(growths: Any, losses: Any, **more: Any) -> list[dict[str, Any]]:
    return [
        {"growth": dict(zip(FITS, map(float, row), strict=True)), "loss": float(loss)} | more
        for row, loss in zip(growths, losses, strict=True)
    ]


def _post(client: FlaskClient, records: list[dict[str, Any]], query: str = "", **more: Any) -> dict[str, Any]:
    answered = client.post(URL + query, json={"unit": "mm", "records": records} | more)
    assert answered.status_code == 200, answered.get_data(True)
    found: dict[str, Any] = answered.json
    return found


def _simulated(n: int, noise: float = 0.0) -> list[dict[str, Any]]:
    rng = np.random.default_rng(7)
    growth = rng.uniform(0.02, 0.18, (n, 4))
    return _records(growth, growth @ (1.6 * np.array([0.5, 0.2, 0.2, 0.1])) + rng.normal(0.0, noise, n))


@pytest.mark.published
def test_published_fit(client: FlaskClient) -> None:
    """The published fit of six records, four fits and a prior comes out within its tolerance."""
    given, expect, near = CASE["input"], CASE["expect"], CASE["abs_tol"]
    b0 = np.array(given["b0"])
    fits = [fit | {"loss_share": share} for fit, share in zip(TYPE["fits"], (b0 / b0.sum()).tolist(), strict=True)]
    client.put(TYPE_URL, json=TYPE | {"loss_per_mm": float(b0.sum()), "fits": fits})
    found = _post(client, _records(given["dc_mm"], given["y"]), fit_shares=True, prior_weight=given["lam"])
    assert found["loss_per_mm"] == pytest.approx(expect["k"], abs=near)
    assert [row["fit"] for row in found["fits"]] == FITS
    assert [row["loss_share"] for row in found["fits"]] == pytest.approx(expect["share"], abs=near)
    assert [row["loss_per_mm"] for row in found["fits"]] == pytest.approx(expect["b"], abs=near)


def test_what_it_rests_on(typed: FlaskClient) -> None:
    """The answer says how many records, how well they fit and foretell each other, and whether fits stand apart."""
    records = _simulated(40, noise=0.04)
    found = _post(typed, records)
    assert (found["records"], found["shares_fitted"]) == (40, True)
    assert found["tool_type"] == {"code": "we-120", "revision": 1}
    assert (found["prior_loss_per_mm"], [row["prior_loss_share"] for row in found["fits"]]) == (1.538462, SHARES)
    growth = np.array([list(row["growth"].values()) for row in records])
    loss = np.array([row["loss"] for row in records])
    root = np.sqrt(found["prior_weight"])

    def solved(kept: np.ndarray) -> Any:
        rows = np.vstack((growth[kept], root * np.eye(4)))
        return lsq_linear(rows, np.append(loss[kept], root * 1.538462 * np.array(SHARES)), (0, np.inf)).x

    b = solved(np.ones(40, bool))
    assert [row["loss_per_mm"] for row in found["fits"]] == pytest.approx(b, abs=1e-6)
    assert found["residual_sd"] == pytest.approx(np.sqrt(np.mean((loss - growth @ b) ** 2)), abs=1e-6)
    errors = [loss[i] - growth[i] @ solved(np.arange(40) != i) for i in range(40)]
    assert found["leave_one_out"] == pytest.approx(np.sqrt(np.mean(np.square(errors))), abs=1e-6)
    assert found["condition"] == pytest.approx(np.linalg.cond(growth), rel=1e-9)


def test_few_records_move_the_level_only(typed: FlaskClient) -> None:
    """Below 20 records the shares stay the catalogue's, unless asked for; without any, everything does."""
    few = _post(typed, _simulated(19))
    assert not few["shares_fitted"] and 1.5 < few["loss_per_mm"] < 1.7
    assert [row["loss_share"] for row in few["fits"]] == pytest.approx(SHARES)
    assert _post(typed, _simulated(20))["shares_fitted"]
    assert _post(typed, _simulated(19), fit_shares=True)["shares_fitted"]
    assert not _post(typed, _simulated(20), fit_shares=False)["shares_fitted"]
    none = _post(typed, [])
    assert none["loss_per_mm"] == pytest.approx(1.538462, rel=1e-12)
    assert none["residual_sd"] is none["leave_one_out"] is none["condition"] is None


def test_weights(typed: FlaskClient) -> None:
    """A record of weight 0 is as good as none; a record of weight 2 as good as two."""
    records = _simulated(5, noise=0.04)
    wrong = records[0] | {"loss": 0.9, "weight": 0}
    assert _post(typed, [*records, wrong])["loss_per_mm"] == pytest.approx(_post(typed, records)["loss_per_mm"])
    double = _post(typed, [records[0] | {"weight": 2}, *records[1:]])
    assert double["loss_per_mm"] == pytest.approx(_post(typed, [records[0], *records])["loss_per_mm"])


def test_units(typed: FlaskClient) -> None:
    """Growth in inches gives the same figures: per mm they are, whatever the unit."""
    records = _simulated(25, noise=0.02)
    inches = [row | {"growth": {name: value / 25.4 for name, value in row["growth"].items()}} for row in records]
    mm = _post(typed, records, prior_weight=0.02)
    inch = _post(typed, inches, "?unit=in", unit="in", prior_weight=0.02 / 25.4**2)
    assert inch["prior_weight"] == pytest.approx(0.02 / 25.4**2) and inch["unit"] == "in"
    for name in ("loss_per_mm", "leave_one_out", "residual_sd", "condition"):
        assert inch[name] == pytest.approx(mm[name], rel=1e-9)


def test_nothing_changes(typed: FlaskClient, conn: psycopg.Connection) -> None:
    """A calibration writes no revision; a key gives the same answer twice."""
    before = typed.get(TYPE_URL)
    key = {"Idempotency-Key": "calibration-1"}
    first, second = (typed.post(URL, json=EXAMPLE, headers=key) for _ in range(2))
    assert first.status_code == 200 and first.get_data() == second.get_data()
    after = typed.get(TYPE_URL)
    assert (after.json, after.headers["ETag"]) == (before.json, before.headers["ETag"])
    assert conn.execute("SELECT count(*) FROM tool_type_revisions").fetchone() == (1,)


def test_faults(typed: FlaskClient) -> None:
    """Every fault at once: shape, unknown fits, fits without a growth."""
    growth = EXAMPLE["records"][0]["growth"]
    records = [
        {"growth": growth | {"ring": 0.1}, "loss": 1.01, "weight": -1},
        {"growth": {name: value for name, value in growth.items() if name != "nose-in-bearing"}},
        {"growth": growth | {"piston-in-casing": "0.1", "stem-in-piston": None}, "loss": 0.1, "metres": 1},
        {"growth": [0.1], "loss": 0.1},
        7,
    ]
    body = {"unit": "thou", "records": records, "fit_shares": 1, "prior_weight": 0}
    answered = typed.post(URL, json=body)
    assert answered.status_code == 422
    assert [(item["pointer"], item["code"]) for item in answered.get_json(force=True)["errors"]] == [
        ("/fit_shares", "not-a-flag"),
        ("/prior_weight", "out-of-range"),
        ("/records/0/growth/ring", "unknown-fit"),
        ("/records/0/loss", "out-of-range"),
        ("/records/0/weight", "out-of-range"),
        ("/records/1/growth/nose-in-bearing", "required"),
        ("/records/1/loss", "required"),
        ("/records/2/growth/piston-in-casing", "not-a-number"),
        ("/records/2/growth/stem-in-piston", "required"),
        ("/records/2/metres", "unknown-field"),
        ("/records/3/growth", "not-an-object"),
        ("/records/4", "not-an-object"),
        ("/unit", "bad-unit"),
    ]


def test_services_on_record_or_records_sent(typed: FlaskClient) -> None:
    """Without records those of the fleet are taken, none here; what bounds them goes with no records of the request."""
    found = typed.post(URL, json={})
    assert found.status_code == 200 and found.json["services"] == [] and found.json["records"] == 0
    assert found.json["standard_uncertainty_per_mm"] == pytest.approx(
        0.04 / np.sqrt(0.04**2 / 0.3**2) / np.sqrt(0.2806)
    )
    sent = _post(typed, _simulated(3))
    assert sent["services"] is None and sent["left_out"] is None
    bounded = {"site": "x", "from": "2026-01-01T00:00:00Z", "to": "2026-01-01T00:00:00Z", "records": []}
    for body, expected in (
        (bounded, [("/from", "invalid"), ("/site", "invalid"), ("/to", "bad-interval"), ("/to", "invalid")]),
        ({"records": []}, [("/unit", "required")]),
        ({"prior_weight": 0.02, "to": "2026"}, [("/to", "bad-time"), ("/unit", "required")]),
        ([], [("", "not-an-object")]),
    ):
        answered = typed.post(URL, json=body if body is not bounded else bounded | {"unit": "mm"})
        found = [(item["pointer"], item["code"]) for item in answered.get_json(force=True)["errors"]]
        assert answered.status_code == 422 and found == expected


def test_how_many(typed: FlaskClient) -> None:
    """A thousand records are fitted, one more is refused."""
    assert _post(typed, _simulated(1000, noise=0.04))["records"] == 1000
    answered = typed.post(URL, json={"unit": "mm", "records": _simulated(1001)})
    (found,) = answered.get_json(force=True)["errors"]
    assert (answered.status_code, found["pointer"], found["code"]) == (422, "/records", "too-many")


def test_a_type_without_shares(typed: FlaskClient) -> None:
    """Shares have to be there to begin with; an unknown type is 404."""
    bare = [{name: value for name, value in fit.items() if name != "loss_share"} for fit in TYPE["fits"]]
    typed.put("/v1/tool-types/bare", json=TYPE | {"fits": bare})
    answered = typed.post("/v1/tool-types/bare/calibrations", json=EXAMPLE)
    assert (answered.status_code, answered.get_json(force=True)["code"]) == (409, "no-loss-shares")
    assert typed.post("/v1/tool-types/none/calibrations", json=EXAMPLE).status_code == 404
