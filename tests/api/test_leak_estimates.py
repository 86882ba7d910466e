"""Leak estimates over HTTP: the published cases, both units, every fault at once."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import pytest
from flask.testing import FlaskClient

from worker.method.leakage import leak_flow

pytestmark = pytest.mark.db
URL = "/v1/leak-estimates"
ROOT = Path(__file__).parents[2]
CASES = [
    case
    for case in json.loads((ROOT / "tests" / "published" / "leakage.json").read_text())["cases"]
    if case["kind"] == "leak"
]
EXAMPLE: dict[str, Any] = json.loads((ROOT / "openapi" / "examples" / "leak-estimates.json").read_text())
PATH: dict[str, Any] = {
    **{"diameter": 98.0, "clearance": 0.08, "land_length": 70.0, "eccentricity": 0.0},
    **{"upstream_bar": 18.0, "downstream_bar": 3.4, "temperature_c": 56.85},
}


def _post(client: FlaskClient, *paths: dict[str, Any], unit: str = "mm") -> list[dict[str, Any]]:
    answered = client.post(URL, json={"unit": unit, "paths": list(paths)})
    assert answered.status_code == 200, answered.get_data(True)
    rows: list[dict[str, Any]] = answered.json["paths"]
    return rows


def _path_of(given: dict[str, float]) -> dict[str, Any]:
    """A case in SI as a client says it."""
    optional = {"k_ent": "entrance_loss", "eps": "roughness"}
    return {
        "diameter": given["D"] * 1e3,
        "clearance": given["c"] * 1e3,
        "land_length": given["L"] * 1e3,
        "eccentricity": given["e"],
        "upstream_bar": given["p_up"] / 1e5,
        "downstream_bar": given["p_dn"] / 1e5,
        "temperature_c": given["T"] - 273.15,
    } | {name: given[short] * (1e3 if short == "eps" else 1.0) for short, name in optional.items() if short in given}


@pytest.mark.published
@pytest.mark.parametrize("case", CASES, ids=lambda case: case["id"])
def test_published_case(client: FlaskClient, case: dict[str, Any]) -> None:
    """Every case of the published set comes out of the service within its tolerance."""
    (found,) = _post(client, _path_of(case["input"]))
    names = {
        "mdot_kg_s": found["mass_flow_kg_s"],
        "free_air_m3_min": found["free_air_m3_min"],
        "dmdot_dc_kg_s_m": found["slope_kg_s_per_mm"] * 1e3,
        "Re": found["reynolds"],
        "regime": found["regime"],
        "choked": found["choked"],
        "mach_exit": found["exit_mach"],
    }
    for name, expected in case["expect"].items():
        if name == "code":
            continue
        if isinstance(expected, str | bool):
            assert names[name] == expected, name
        else:
            margin = max(case["abs_tol"], case["rel_tol"].get(name, 0.0) * abs(expected))
            assert abs(names[name] - expected) <= margin, name


def test_every_path_by_itself_and_in_order(client: FlaskClient) -> None:
    """Many paths are answered in their order, each as if it were alone."""
    paths = [_path_of(case["input"]) for case in CASES]
    together = _post(client, *paths)
    for path, row in zip(paths, together, strict=True):
        (alone,) = _post(client, path)
        assert alone["regime"] == row["regime"]
        for name in ("mass_flow_kg_s", "slope_kg_s_per_mm", "reynolds", "exit_mach"):
            assert row[name] == pytest.approx(alone[name], rel=1e-9, abs=1e-300)
    assert _post(client) == []


def test_defaults(client: FlaskClient) -> None:
    """Temperature, entrance loss and roughness may be left out or null: 20 degC, a square edge, smooth walls."""
    bare = {name: value for name, value in PATH.items() if name != "temperature_c"}
    said = bare | {"temperature_c": 20, "entrance_loss": 0.5, "roughness": 0}
    null = bare | {"temperature_c": None, "entrance_loss": None, "roughness": None}
    first, second, third = _post(client, bare, said, null)
    assert first == second == third
    expected = leak_flow(0.098, 80e-6, 0.07, 18e5, 3.4e5, 293.15)
    assert first["mass_flow_kg_s"] == pytest.approx(float(expected.mass_flow), rel=1e-12)


def test_inches(client: FlaskClient) -> None:
    """Lengths may be inches; the slope is per mm all the same."""
    path = PATH | {"roughness": 0.0008, "eccentricity": 0.4}
    lengths = ("diameter", "clearance", "land_length", "roughness")
    inch = path | {name: path[name] / 25.4 for name in lengths}
    (mm,), (inches,) = _post(client, path), _post(client, inch, unit="in")
    assert inches.pop("regime") == mm.pop("regime")
    assert inches == pytest.approx(mm, rel=1e-9)


def test_reversed_equal_and_closed(client: FlaskClient) -> None:
    """Reversed pressures turn the sign of flow and slope exactly; equal ones, or no gap, let nothing through."""
    back = PATH | {"upstream_bar": PATH["downstream_bar"], "downstream_bar": PATH["upstream_bar"]}
    forth, reverse = _post(client, PATH, back)
    for name in ("mass_flow_kg_s", "free_air_m3_min", "slope_kg_s_per_mm"):
        assert reverse[name] == -forth[name]
    for name in ("reynolds", "regime", "choked", "exit_mach"):
        assert reverse[name] == forth[name]
    still = [PATH | {"downstream_bar": 18.0}, PATH | {"upstream_bar": 0, "downstream_bar": 0}, PATH | {"clearance": 0}]
    for row in _post(client, *still):
        assert row["regime"] == "none" and not row["choked"]
        assert row["mass_flow_kg_s"] == row["slope_kg_s_per_mm"] == row["reynolds"] == 0.0
    (vacuum,) = _post(client, PATH | {"downstream_bar": 0})
    assert vacuum["choked"] and vacuum["mass_flow_kg_s"] >= forth["mass_flow_kg_s"]


def test_extremes_are_finite(client: FlaskClient) -> None:
    """At the corners of what is allowed every figure is a finite number."""
    corners = [
        PATH | {"clearance": clearance, "upstream_bar": pressure, "temperature_c": temperature, "entrance_loss": loss}
        for clearance in (1e-300, 1e-9, 97.999)
        for pressure in (1e-300, 3.4, 3.4 * (1 + 1e-15), 1e6)
        for temperature in (-123.15, 1226.85)
        for loss in (0, 1e6)
    ]
    for row in _post(client, *corners):
        assert all(math.isfinite(value) for name, value in row.items() if name != "regime")


def test_all_faults_at_once(client: FlaskClient) -> None:
    """Every fault of every path is told, with its place; nothing is computed."""
    paths = [
        PATH,
        PATH | {"diameter": 0, "clearance": -0.01, "land_length": "70", "eccentricity": 1.01},
        PATH | {"upstream_bar": -1, "temperature_c": -124, "entrance_loss": -0.5, "roughness": -1e-9, "colour": 1},
        PATH | {"clearance": 98.0, "downstream_bar": True},
        {"clearance": 0.1},
        7,
    ]
    answered = client.post(URL, json={"unit": "um", "paths": paths, "tool": "H-1"})
    assert answered.status_code == 422
    assert [(item["pointer"], item["code"]) for item in answered.get_json(force=True)["errors"]] == [
        ("/paths/1/clearance", "out-of-range"),
        ("/paths/1/diameter", "out-of-range"),
        ("/paths/1/eccentricity", "out-of-range"),
        ("/paths/1/land_length", "not-a-number"),
        ("/paths/2/colour", "unknown-field"),
        ("/paths/2/entrance_loss", "out-of-range"),
        ("/paths/2/roughness", "out-of-range"),
        ("/paths/2/temperature_c", "out-of-range"),
        ("/paths/2/upstream_bar", "out-of-range"),
        ("/paths/3/clearance", "out-of-range"),
        ("/paths/3/downstream_bar", "not-a-number"),
        ("/paths/4/diameter", "required"),
        ("/paths/4/downstream_bar", "required"),
        ("/paths/4/eccentricity", "required"),
        ("/paths/4/land_length", "required"),
        ("/paths/4/upstream_bar", "required"),
        ("/paths/5", "not-an-object"),
        ("/tool", "unknown-field"),
        ("/unit", "bad-unit"),
    ]


def test_not_finite(client: FlaskClient) -> None:
    """NaN and infinity are refused by name."""
    text = json.dumps({"unit": "mm", "paths": [PATH | {"clearance": math.nan, "upstream_bar": math.inf}]})
    answered = client.post(URL, data=text, content_type="application/json")
    found = [(item["pointer"], item["code"]) for item in answered.get_json(force=True)["errors"]]
    assert found == [("/paths/0/clearance", "not-finite"), ("/paths/0/upstream_bar", "not-finite")]


def test_how_many(client: FlaskClient) -> None:
    """A thousand paths are answered, one more is refused."""
    assert len(_post(client, *[PATH | {"eccentricity": 0.5}] * 1000)) == 1000
    answered = client.post(URL, json={"unit": "mm", "paths": [PATH] * 1001})
    (found,) = answered.get_json(force=True)["errors"]
    assert (answered.status_code, found["pointer"], found["code"]) == (422, "/paths", "too-many")


def test_the_example_and_a_key(client: FlaskClient) -> None:
    """The documented example is answered; with a key, twice the same, and another body is refused."""
    assert [row["regime"] for row in _post(client, *EXAMPLE["paths"])] == ["turbulent", "transitional"]
    key = {"Idempotency-Key": "leak-1"}
    first = client.post(URL, json=EXAMPLE, headers=key)
    assert client.post(URL, json=EXAMPLE, headers=key).get_data() == first.get_data()
    assert client.post(URL, json=EXAMPLE | {"paths": []}, headers=key).status_code == 422
