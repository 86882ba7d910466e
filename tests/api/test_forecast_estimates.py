"""Forecast estimates over HTTP: the published cases, what may be left out, every fault at once."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from flask.testing import FlaskClient

pytestmark = pytest.mark.db
URL = "/v1/forecast-estimates"
ROOT = Path(__file__).parents[2]
CASES = json.loads((ROOT / "tests" / "published" / "forecast.json").read_text())["cases"]
EXAMPLE: dict[str, Any] = json.loads((ROOT / "openapi" / "examples" / "forecast-estimates.json").read_text())
STATE = ("level", "rate", "level_variance", "covariance", "rate_variance")
FEATURE: dict[str, Any] = {
    "coefficient": 1.0,
    "start": {"mean": 0.0, "sd": 0.005},
    "rate": {"mean": 0.012, "sd": 0.003},
    "process_sd": 0.0049,
    "observations": [
        {"usage": usage, "wear": wear, "standard_uncertainty": 0.004}
        for usage, wear in ((0.0, 0.002), (1.5, 0.018), (3.1, 0.041))
    ],
}
CASE: dict[str, Any] = {"limit": 0.2, "features": [FEATURE]}


def _post(client: FlaskClient, *cases: dict[str, Any]) -> list[dict[str, Any]]:
    answered = client.post(URL, json={"cases": list(cases)})
    assert answered.status_code == 200, answered.get_data(True)
    rows: list[dict[str, Any]] = answered.json["cases"]
    return rows


def _case_of(case: dict[str, Any]) -> dict[str, Any]:
    """A published case as a client says it."""
    if "features" not in case:
        return {"limit": case["A"] + case["B"] * _usage(case), "features": _features_of(case), "horizons": case["t"]}
    scale = case["drift_scale"] or [1.0] * len(case["coef"])
    features = [
        {
            "coefficient": coefficient,
            "drift_scale": g,
            "start": {"mean": row["m0"], "sd": math.sqrt(row["v0"])},
            "rate": {"mean": row["mu"], "sd": math.sqrt(row["tau2"])},
            "process_sd": math.sqrt(row["s2"]),
            "observations": [
                {"usage": u, "wear": y, "standard_uncertainty": s}
                for u, y, s in zip(row["u"], row["y"], row["s"], strict=True)
            ],
        }
        for coefficient, g, row in zip(case["coef"], scale, case["features"], strict=True)
    ]
    horizons = [*case["t"], *map(float, case["survive"])]
    rest = {"slope_correlation": case["rho"], "horizons": horizons}
    return {"limit": case["limit"], "features": features} | rest


def _usage(case: dict[str, Any]) -> float:
    """Usage after which an unmeasured feature has the case's covariance of gap and drift."""
    return -case["C"] / case["Pb"] if case["C"] else 0.0


def _features_of(case: dict[str, Any]) -> list[dict[str, Any]]:
    """Two features whose sum has the case's gap and drift: one all uncertain, one known but wandering."""
    usage = _usage(case)
    return [
        {
            "coefficient": 1.0,
            "start": {"mean": 0.0, "sd": math.sqrt(case["Pa"] - usage**2 * case["Pb"])},
            "rate": {"mean": case["B"], "sd": math.sqrt(case["Pb"])},
            "process_sd": 0.0,
            "usage_now": usage,
        },
        {
            "coefficient": 1.0,
            "start": {"mean": 0.0, "sd": 0.0},
            "rate": {"mean": 0.0, "sd": 0.0},
            "process_sd": math.sqrt(case["s2"]),
        },
    ]


@pytest.mark.published
@pytest.mark.parametrize("case", CASES, ids=lambda case: case["id"])
def test_published_case(client: FlaskClient, case: dict[str, Any]) -> None:
    """Every published case comes out of the service: states 1e-9 relative, F 1e-6, quantiles 1e-5 relative."""
    (found,) = _post(client, _case_of(case))
    for name, expected in case["quantiles"].items():
        got = found[f"p{round(float(name) * 100)}"]
        assert got is None if expected is None else got == pytest.approx(expected, rel=case["tol_q_rel"])
    near = {"abs": case["tol_F"]}
    assert found["probability_beyond_now"] == pytest.approx(case["p_already"], **near)
    assert found["probability_ever"] == pytest.approx(case["p_ever"], **near)
    survived = list(case.get("survive", {}).values())
    assert found["reached"] == pytest.approx([*case["F"], *(1.0 - p for p in survived)], **near)
    for row, expected in zip(found["features"], case.get("posterior", []), strict=False):
        assert [row[name] for name in STATE] == pytest.approx(expected[:5], rel=1e-9, abs=1e-18)


def test_every_case_by_itself_and_in_order(client: FlaskClient) -> None:
    """Cases of different sizes are answered in their order, each as if it were alone."""
    cases = [_case_of(case) for case in CASES]
    for case, row in zip(cases, _post(client, *cases), strict=True):
        (alone,) = _post(client, case)
        assert len(row["features"]) == len(case["features"]) and len(row["reached"]) == len(case["horizons"])
        for name in ("p10", "p50", "p90", "probability_ever"):
            assert row[name] == (None if alone[name] is None else pytest.approx(alone[name], rel=1e-9))
        assert row["reached"] == pytest.approx(alone["reached"], abs=1e-12)
    assert _post(client) == []


def test_what_may_be_left_out(client: FlaskClient) -> None:
    """Defaults: no horizon, no correlation, drift as it is, now at the last observation; null says the same."""
    said = FEATURE | {"drift_scale": 1, "usage_now": 3.1}
    null = FEATURE | {"drift_scale": None, "usage_now": None}
    whole = {"horizons": [], "slope_correlation": 0}
    empty = {"horizons": None, "slope_correlation": None}
    first, second, third = _post(client, CASE, CASE | whole | {"features": [said]}, CASE | empty | {"features": [null]})
    assert first == second == third
    assert first["reached"] == []
    prior = {name: value for name, value in FEATURE.items() if name != "observations"}
    (bare,) = _post(client, CASE | {"features": [prior]})
    assert bare["features"] == [
        {
            "level": 0.0,
            "rate": 0.012,
            "level_variance": pytest.approx(2.5e-5),
            "covariance": 0.0,
            "rate_variance": pytest.approx(9e-6),
        }
    ]


def test_the_filter_is_conditioning(client: FlaskClient) -> None:
    """The states are those of the multivariate normal given the readings (numpy's own algebra), in any order."""
    u, y, s = (
        np.array([0.4, 0.4, 1.7, 2.9]),
        np.array([0.01, 0.006, 0.03, 0.041]),
        np.array([0.004, 0.003, 0.004, 0.005]),
    )
    now = 3.6
    at = np.append(u, now)
    variance = 0.005**2 + 0.003**2 * np.outer(at, at) + 0.0049**2 * np.minimum.outer(at, at)
    prior = 0.012 * at
    gain = np.linalg.solve(variance[:-1, :-1] + np.diag(s**2), variance[:-1, -1])
    level = prior[-1] + gain @ (y - prior[:-1])
    rows = [
        {"usage": a, "wear": b, "standard_uncertainty": c}
        for a, b, c in np.stack([u, y, s], axis=1)[[2, 0, 3, 1]].tolist()
    ]
    (found,) = _post(client, CASE | {"features": [FEATURE | {"observations": rows, "usage_now": now}]})
    (state,) = found["features"]
    assert state["level"] == pytest.approx(level, rel=1e-9)
    assert state["level_variance"] == pytest.approx(variance[-1, -1] - gain @ variance[:-1, -1], rel=1e-9)


def test_usage_since_moves_the_forecast(client: FlaskClient) -> None:
    """Usage after the last observation is carried: more wear, more doubt; in softer ground the limit lies further."""
    later = FEATURE | {"usage_now": 5.1}
    now, then, soft = _post(
        client, CASE, CASE | {"features": [later]}, CASE | {"features": [FEATURE | {"drift_scale": 0.5}]}
    )
    before, after = now["features"][0], then["features"][0]
    assert after["level"] == pytest.approx(before["level"] + 2 * before["rate"], rel=1e-12)
    assert after["level_variance"] > before["level_variance"]
    assert then["p50"] < now["p50"]
    assert soft["p50"] == pytest.approx(2 * now["p50"], rel=1e-6)


def test_correlated_rates(client: FlaskClient) -> None:
    """A common correlation of the rates widens the interval of a sum."""
    pair = CASE | {"limit": 0.4, "features": [FEATURE, FEATURE]}
    alone, together = _post(client, pair, pair | {"slope_correlation": 0.5})
    assert together["p10"] < alone["p10"] and together["p90"] > alone["p90"]


def test_a_wild_reading_counts_for_less(client: FlaskClient) -> None:
    """A reading beyond three standard deviations is down-weighted as in the service's own forecasts."""
    wild = [*FEATURE["observations"], {"usage": 4.0, "wear": 0.5, "standard_uncertainty": 0.004}]
    (found,) = _post(client, CASE | {"features": [FEATURE | {"observations": wild}]})
    (calm,) = _post(client, CASE | {"features": [FEATURE | {"usage_now": 4.0}]})
    expected = calm["features"][0]
    spread = expected["level_variance"] + 0.004**2
    z = (0.5 - expected["level"]) / math.sqrt(spread)
    gain = expected["level_variance"] / (spread * z / 3)
    assert found["features"][0]["level"] == pytest.approx(
        expected["level"] + gain * (0.5 - expected["level"]), rel=1e-9
    )


def test_already_and_never(client: FlaskClient) -> None:
    """A limit passed for certain has 0 left; one that is walked away from is never reached: null."""
    still = FEATURE | {"rate": {"mean": -1.0, "sd": 0.0}, "process_sd": 0.0, "observations": []}
    passed, never = _post(client, CASE | {"limit": -1.0}, CASE | {"features": [still], "horizons": [1e6]})
    assert (passed["p10"], passed["p50"], passed["p90"], passed["probability_beyond_now"]) == (0.0, 0.0, 0.0, 1.0)
    assert (never["p10"], never["p90"], never["probability_ever"], never["reached"]) == (None, None, 0.0, [0.0])


def test_extremes_are_finite(client: FlaskClient) -> None:
    """Figures as far apart as is allowed give finite states and probabilities, and quantiles or null; no warning."""
    rng = np.random.default_rng(5)
    amounts = (0.0, 5e-324, 1e-200, 1e-40, 1e-9, 0.02, 1.0, 1e5, 1e9)

    def amount() -> float:
        return float(rng.choice(amounts))

    def expected() -> dict[str, float]:
        return {"mean": float(rng.choice((-1.0, 1.0))) * amount(), "sd": amount()}

    def feature() -> dict[str, Any]:
        rows = [{"usage": amount(), "wear": amount(), "standard_uncertainty": amount()} for _ in range(rng.integers(4))]
        rest = {"coefficient": amount(), "process_sd": amount(), "drift_scale": amount(), "observations": rows}
        return {"start": expected(), "rate": expected()} | rest

    cases = [
        {"limit": amount(), "horizons": [amount()], "features": [feature() for _ in range(rng.integers(1, 4))]}
        | {"slope_correlation": float(rng.choice((0.0, 0.3, 1.0)))}
        for _ in range(800)
    ]
    for row in _post(client, *cases):
        figures = [value for state in row["features"] for value in state.values()]
        assert None not in [*figures, *row["reached"], row["probability_ever"], row["probability_beyond_now"]]
        assert 0.0 <= row["probability_beyond_now"] <= 1.0 and 0.0 <= row["probability_ever"] <= 1.0
        for p, name in ((0.1, "p10"), (0.5, "p50"), (0.9, "p90")):
            assert row[name] is None or row[name] >= 0.0
            assert row[name] == 0.0 or row["probability_beyond_now"] < p


def test_all_faults_at_once(client: FlaskClient) -> None:
    """Every fault of every case is told, with its place; nothing is computed."""
    row = FEATURE["observations"][0]
    cases = [
        CASE,
        {"limit": "0.2", "features": [], "horizons": [1, -1, "2"], "slope_correlation": 1.5, "colour": 1},
        {
            "limit": 0.2,
            "slope_correlation": 0.5,
            "features": [
                FEATURE | {"usage_now": 3.0, "process_sd": -1, "drift_scale": -1},
                FEATURE | {"coefficient": -1.0, "start": {"mean": 0}, "rate": 7},
                FEATURE | {"observations": [row, row | {"usage": -1, "standard_uncertainty": -0.1, "wear": True}, 3]},
                {"process_sd": 0},
            ],
        },
    ]
    answered = client.post(URL, json={"cases": cases, "unit": "mm"})
    assert answered.status_code == 422
    at = "/cases/2/features"
    assert [(item["pointer"], item["code"]) for item in answered.get_json(force=True)["errors"]] == [
        ("/cases/1/colour", "unknown-field"),
        ("/cases/1/features", "too-few"),
        ("/cases/1/horizons/1", "out-of-range"),
        ("/cases/1/horizons/2", "not-a-number"),
        ("/cases/1/limit", "not-a-number"),
        ("/cases/1/slope_correlation", "out-of-range"),
        (f"{at}/0/drift_scale", "out-of-range"),
        (f"{at}/0/process_sd", "out-of-range"),
        (f"{at}/0/usage_now", "out-of-range"),
        (f"{at}/1/rate", "not-an-object"),
        (f"{at}/1/start/sd", "required"),
        (f"{at}/2/observations/1/standard_uncertainty", "out-of-range"),
        (f"{at}/2/observations/1/usage", "out-of-range"),
        (f"{at}/2/observations/1/wear", "not-a-number"),
        (f"{at}/2/observations/2", "not-an-object"),
        (f"{at}/3/coefficient", "required"),
        (f"{at}/3/rate", "required"),
        (f"{at}/3/start", "required"),
        ("/cases/2/slope_correlation", "out-of-range"),
        ("/unit", "unknown-field"),
    ]


def test_rules_between_fields_alone(client: FlaskClient) -> None:
    """What only goes wrong together is found where every field by itself is right."""
    early = CASE | {"features": [FEATURE | {"usage_now": 3.0}]}
    both = CASE | {"slope_correlation": 0.1, "features": [FEATURE, FEATURE | {"coefficient": -1.0}]}
    found = client.post(URL, json={"cases": [early, both]}).get_json(force=True)["errors"]
    assert [item["pointer"] for item in found] == ["/cases/0/features/0/usage_now", "/cases/1/slope_correlation"]
    assert len(_post(client, both | {"slope_correlation": 0})) == 1


def test_not_finite(client: FlaskClient) -> None:
    """NaN and infinity are refused by name."""
    text = json.dumps({"cases": [CASE | {"limit": math.nan, "horizons": [math.inf]}]})
    answered = client.post(URL, data=text, content_type="application/json")
    found = [(item["pointer"], item["code"]) for item in answered.get_json(force=True)["errors"]]
    assert found == [("/cases/0/horizons/0", "not-finite"), ("/cases/0/limit", "not-finite")]


def test_how_many(client: FlaskClient) -> None:
    """A thousand cases are answered, one more is refused; so are more observations than fit in a second."""
    assert len(_post(client, *[CASE | {"horizons": [3.0]}] * 1000)) == 1000
    answered = client.post(URL, json={"cases": [CASE] * 1001})
    (found,) = answered.get_json(force=True)["errors"]
    assert (answered.status_code, found["pointer"], found["code"]) == (422, "/cases", "too-many")
    long = FEATURE | {"observations": FEATURE["observations"][:1] * 1000}
    (found,) = client.post(URL, json={"cases": [CASE | {"features": [long] * 3}] * 17}).get_json(force=True)["errors"]
    assert (found["pointer"], found["code"]) == ("/cases", "too-many")


def test_the_example_and_a_key(client: FlaskClient) -> None:
    """The documented example is answered; with a key, twice the same, and another body is refused."""
    (found,) = _post(client, *EXAMPLE["cases"])
    assert 0 < found["p10"] < found["p50"] < found["p90"]
    key = {"Idempotency-Key": "forecast-1"}
    first = client.post(URL, json=EXAMPLE, headers=key)
    assert client.post(URL, json=EXAMPLE, headers=key).get_data() == first.get_data()
    assert client.post(URL, json={"cases": []}, headers=key).status_code == 422
