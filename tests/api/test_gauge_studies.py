"""Gauge studies over HTTP: the published study, what becomes the gauge's, units, faults."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any
from uuid import UUID

import psycopg
import pytest
from flask.testing import FlaskClient

pytestmark = pytest.mark.db
ROOT = Path(__file__).parents[2]
GAUGE_URL = "/v1/gauges/MIC-07"
URL = f"{GAUGE_URL}/studies"
GAUGE: dict[str, Any] = {"kind": "micrometer", "unit": "mm", "resolution": 0.001}
PUBLISHED: dict[str, Any] = json.loads((ROOT / "tests" / "published" / "gauge_study.json").read_text())
EXPECTED = {case["id"]: case for case in PUBLISHED["cases"]}
AIAG = {"unit": "mm", "measurements": PUBLISHED["measurements"]}
EXAMPLE: dict[str, Any] = json.loads((ROOT / "openapi" / "examples" / "gauge-study.json").read_text())
WORDS = {"rep": "repeatability", "op": "reproducibility", "grr": "gauge", "part": "part", "total": "total"}


@pytest.fixture
def gauge(client: FlaskClient) -> FlaskClient:
    """A client with a gauge in place."""
    assert client.put(GAUGE_URL, json=GAUGE).status_code == 201
    return client


def _post(client: FlaskClient, body: dict[str, Any], query: str = "") -> dict[str, Any]:
    answered = client.post(URL + query, json=body)
    assert answered.status_code == 201, answered.get_data(True)
    study: dict[str, Any] = answered.json
    return study


def _faults(client: FlaskClient, body: Any) -> list[tuple[str, str]]:
    answered = client.post(URL, json=body)
    assert answered.status_code == 422, answered.get_data(True)
    return [(item["pointer"], item["code"]) for item in answered.get_json(force=True)["errors"]]


def _agree(case_id: str, **found: Any) -> None:
    """Every figure of a published case, by its dotted path, within its tolerance."""
    case = EXPECTED[case_id]

    def check(path: str, expected: Any, got: Any) -> None:
        if isinstance(expected, dict):
            for name, value in expected.items():
                check(f"{path}.{name}".lstrip("."), value, got[name])
        else:
            tolerance = case["tol"].get(path, case["tol"]["*"])
            margin = max(tolerance.get("abs", 0.0), tolerance.get("rel", 0.0) * abs(expected))
            assert abs(got - expected) <= margin, (path, got, expected)

    check("", {name: case["expect"][name] for name in found}, found)


@pytest.mark.published
def test_published_study_pooled(gauge: FlaskClient) -> None:
    """AIAG MSA 4th ed., analysis of variance with the interaction pooled: the printed figures come out."""
    study = _post(gauge, AIAG)
    anova = study["anova"]
    assert anova["interaction"]["pooled"] is True and study["pool_above"] == 0.25
    _agree(
        "P09",
        sd={short: anova["standard_deviations"][word] for short, word in WORDS.items()},
        pct_sv={short: study["percent_of_study"][word] for short, word in WORDS.items()},
        pct_contribution={short: study["percent_contribution"][word] for short, word in WORDS.items()},
        ndc=anova["distinct_categories"],
        df_rep=study["repeatability"]["degrees_of_freedom"],
    )
    assert anova["standard_deviations"]["distinct_categories"] == anova["distinct_categories"]
    assert study["percent_of_tolerance"] is None


@pytest.mark.published
def test_published_study_never_pooled(gauge: FlaskClient) -> None:
    """AIAG MSA 4th ed., the same data, never pooled: sums of squares, F and p."""
    anova = _post(gauge, AIAG | {"pool_above": 1})["anova"]
    short = {"part": "part", "op": "appraiser", "int": "interaction", "rep": "repeatability"}
    _agree(
        "P10",
        SS={name: anova["sums_of_squares"][word] for name, word in short.items()},
        F_int=anova["interaction"]["f"],
        p_int=anova["interaction"]["p_value"],
        F_part=anova["f"]["part"],
        F_op=anova["f"]["appraiser"],
        sd={"rep": anova["standard_deviations"]["repeatability"]},
        raw_var={"int": anova["variances"]["interaction"]},
    )
    for source, square in anova["mean_squares"].items():
        assert square == pytest.approx(anova["sums_of_squares"][source] / anova["degrees_of_freedom"][source])
    assert anova["degrees_of_freedom"] == {"part": 9, "appraiser": 2, "interaction": 18, "repeatability": 60}
    assert anova["interaction"]["pooled"] is False


@pytest.mark.published
def test_published_study_by_range(gauge: FlaskClient) -> None:
    """AIAG MSA 4th ed., the average and range report."""
    found = _post(gauge, AIAG)["average_and_range"]
    percent = found["percent_of_study"]
    _agree(
        "P11",
        Rbar=found["mean_range"],
        Xdiff=found["appraiser_range"],
        Rp=found["part_range"],
        EV=found["repeatability"],
        AV=found["reproducibility"],
        GRR=found["gauge"],
        PV=found["part"],
        TV=found["total"],
        ndc=found["distinct_categories"],
        pct={
            "EV": percent["repeatability"],
            "AV": percent["reproducibility"],
            "GRR": percent["gauge"],
            "PV": percent["part"],
        },
    )


def test_what_is_found_becomes_the_gauges(gauge: FlaskClient, conn: psycopg.Connection) -> None:
    """A study makes a revision of the gauge with its spreads and their degrees of freedom; the rest stays."""
    before = gauge.get(GAUGE_URL).json
    study = _post(gauge, AIAG)
    after = gauge.get(GAUGE_URL).json
    assert (after["revision"], study["gauge_revision"], after["study"]) == (2, 2, study["id"])
    assert after["recorded_at"] == study["recorded_at"] > before["recorded_at"]
    assert after["repeatability"] == study["repeatability"]
    assert after["repeatability"] == {"sd": pytest.approx(0.199933, abs=2e-6), "degrees_of_freedom": 78}
    # Satterthwaite on the published mean squares, by hand
    assert after["reproducibility"]["degrees_of_freedom"] == pytest.approx(1.900, abs=5e-4)
    changed = {"revision", "recorded_at", "study", "repeatability", "reproducibility"}
    assert {name: value for name, value in after.items() if name not in changed} == {
        name: value for name, value in before.items() if name not in changed
    }
    rows = conn.execute(
        "SELECT revision, repeatability_sd IS NULL, study_id, resolution FROM gauge_revisions ORDER BY revision"
    ).fetchall()
    assert rows == [(1, True, None, 0.001), (2, False, UUID(study["id"]), 0.001)]
    with pytest.raises(psycopg.errors.ForeignKeyViolation):
        conn.execute("DELETE FROM gauge_studies")
        conn.commit()


def test_a_put_after_a_study(gauge: FlaskClient) -> None:
    """A PUT that states no spread leaves the study's in force; one that states a spread replaces them."""
    study = _post(gauge, AIAG)
    put = gauge.put(GAUGE_URL, json=GAUGE)
    assert (put.status_code, put.json["revision"], put.json["study"]) == (200, 2, study["id"])
    calibrated = GAUGE | {"calibration": {"expanded_uncertainty": 0.002}}
    put = gauge.put(GAUGE_URL, json=calibrated)
    assert (put.json["revision"], put.json["study"]) == (3, study["id"])
    assert put.json["reproducibility"] == study["reproducibility"]
    same = calibrated | {name: study[name] for name in ("repeatability", "reproducibility")}
    assert gauge.put(GAUGE_URL, json=same).json["revision"] == 3
    put = gauge.put(GAUGE_URL, json=calibrated | {"repeatability": {"sd": 0.003}})
    assert (put.json["revision"], put.json["study"], put.json["reproducibility"]) == (4, None, None)
    assert gauge.get(f"{URL}/{study['id']}").json["gauge_revision"] == 2
    again = _post(gauge, EXAMPLE)
    assert gauge.get(GAUGE_URL).json["study"] == again["id"] and again["gauge_revision"] == 5


def test_units(gauge: FlaskClient) -> None:
    """A study may come in inches and is shown in either unit; measurements are shown as sent in theirs."""
    mm = _post(gauge, EXAMPLE)
    inches = [[[value / 25.4 for value in cell] for cell in part] for part in EXAMPLE["measurements"]]
    study = _post(gauge, EXAMPLE | {"unit": "in", "tolerance": 0.1 / 25.4, "measurements": inches}, "?unit=in")
    assert study["measurements"] == inches and study["unit"] == "in"
    assert study["tolerance"] == pytest.approx(0.1 / 25.4, rel=1e-15)
    shown = gauge.get(f"{URL}/{study['id']}").json
    for name in ("anova", "average_and_range", "percent_of_tolerance", "percent_of_study"):
        _near(shown[name], mm[name])
    _near(shown["measurements"], mm["measurements"])
    squares = study["anova"]["sums_of_squares"]["part"]
    assert squares == pytest.approx(mm["anova"]["sums_of_squares"]["part"] / 25.4**2, rel=1e-6)
    assert study["repeatability"]["degrees_of_freedom"] == mm["repeatability"]["degrees_of_freedom"]
    assert gauge.get(f"{GAUGE_URL}?unit=in").json["repeatability"] == study["repeatability"]


def _near(got: Any, expected: Any) -> None:
    """Equal but for the last digits that the other unit costs (spreads are microns of sizes of 98 mm)."""
    if isinstance(expected, dict):
        assert got.keys() == expected.keys()
        for name, value in expected.items():
            _near(got[name], value)
    elif isinstance(expected, list):
        for one, other in zip(got, expected, strict=True):
            _near(one, other)
    else:
        assert got == (expected if expected is None else pytest.approx(expected, rel=1e-8, abs=1e-12))


def test_percent_of_tolerance(gauge: FlaskClient) -> None:
    """Six standard deviations over the tolerance, in per cent."""
    study = _post(gauge, EXAMPLE)
    spread = study["anova"]["standard_deviations"]
    for name, percent in study["percent_of_tolerance"].items():
        assert percent == pytest.approx(600 * spread[name] / 0.1, rel=1e-12)


def test_no_scatter_at_all(gauge: FlaskClient) -> None:
    """Readings that the step of a gauge makes all alike: spreads of 0, no category, null where nothing divides."""
    study = _post(gauge, {"unit": "mm", "tolerance": 0.1, "measurements": [[[9.7] * 3] * 2] * 4})
    assert study["repeatability"]["sd"] == study["reproducibility"]["sd"] == 0.0
    assert study["reproducibility"]["degrees_of_freedom"] is None
    assert study["anova"]["distinct_categories"] is None
    assert study["anova"]["interaction"]["f"] is None and study["percent_of_study"]["gauge"] is None
    assert study["percent_of_tolerance"]["gauge"] == 0.0
    assert gauge.get(GAUGE_URL).json["repeatability"] == study["repeatability"]


def test_studies_are_kept(gauge: FlaskClient) -> None:
    """Every study stays readable, by itself and in a list in the order they came."""
    ids = [_post(gauge, body)["id"] for body in (AIAG, EXAMPLE, EXAMPLE)]
    first = gauge.get(f"{URL}?limit=2").json
    rest = gauge.get(f"{URL}?limit=2&after={first['next']}").json
    assert [row["id"] for row in first["items"] + rest["items"]] == ids and rest["next"] is None
    assert "measurements" not in first["items"][0]
    assert (first["items"][0]["parts"], first["items"][0]["appraisers"], first["items"][0]["trials"]) == (10, 3, 3)
    one = gauge.get(f"{URL}/{ids[0]}")
    assert one.json.items() >= first["items"][0].items() and one.json["measurements"] == AIAG["measurements"]
    assert gauge.get(f"{URL}/{ids[0]}", headers={"If-None-Match": one.headers["ETag"]}).status_code == 304
    gauge.put("/v1/gauges/other", json=GAUGE)
    assert gauge.get(f"/v1/gauges/other/studies/{ids[0]}").status_code == 404
    assert gauge.get("/v1/gauges/other/studies").json["items"] == []
    assert gauge.get("/v1/gauges/none/studies").status_code == 404
    assert gauge.post("/v1/gauges/none/studies", json=AIAG).status_code == 404


def test_a_key_and_the_location(gauge: FlaskClient) -> None:
    """A study sent twice with one key is one study."""
    key = {"Idempotency-Key": "study-1"}
    first = gauge.post(URL, json=EXAMPLE, headers=key)
    second = gauge.post(URL, json=EXAMPLE, headers=key)
    assert first.headers["Location"] == second.headers["Location"] == f"{URL}/{first.json['id']}"
    assert gauge.get(first.headers["Location"]).json == first.json == second.json
    assert len(gauge.get(URL).json["items"]) == 1


def test_a_gauge_goes_with_its_studies(gauge: FlaskClient) -> None:
    """A gauge that no reading was taken with is deleted, studies and all."""
    _post(gauge, EXAMPLE)
    assert gauge.delete(GAUGE_URL).status_code == 204
    assert gauge.put(GAUGE_URL, json=GAUGE).json["study"] is None
    assert gauge.get(URL).json["items"] == []


def test_faults(gauge: FlaskClient) -> None:
    """Every fault of a study at once, each with its place."""
    assert _faults(gauge, {"tolerance": 0, "pool_above": 2, "colour": 1}) == [
        ("/colour", "unknown-field"),
        ("/measurements", "required"),
        ("/pool_above", "out-of-range"),
        ("/tolerance", "out-of-range"),
        ("/unit", "required"),
    ]
    wrong = [[[1, 2], [1, "2"]], [[1, 2], [1, 2], [1, 2]], [[1, 2], [1, 2, 3]], [[1, 2], [1]], 7, [[1, 2], None]]
    assert _faults(gauge, {"unit": "mm", "measurements": wrong}) == [
        ("/measurements/0/1/1", "not-a-number"),
        ("/measurements/1", "too-many"),
        ("/measurements/2/1", "too-many"),
        ("/measurements/3/1", "too-few"),
        ("/measurements/4", "not-a-list"),
        ("/measurements/5/1", "required"),
    ]
    assert gauge.get(URL).json["items"] == [] and gauge.get(GAUGE_URL).json["revision"] == 1


@pytest.mark.parametrize(
    ("measurements", "pointers"),
    [
        ([[[1, 2], [1, 2]]], [("/measurements", "too-few")]),
        ([[[1, 2]], [[1, 2]]], [("/measurements/0", "too-few"), ("/measurements/1", "too-few")]),
        ([[[1], [2]]] * 2, [(f"/measurements/{i}/{j}", "too-few") for i in (0, 1) for j in (0, 1)]),
        ([[[1.0] * 50] * 20] * 21, [("/measurements", "too-many")]),
    ],
    ids=["one part", "one appraiser", "one trial", "too many"],
)
def test_too_small_or_too_large(gauge: FlaskClient, measurements: Any, pointers: list[tuple[str, str]]) -> None:
    """Fewer than two parts, appraisers or trials tell nothing apart; more than 20,000 numbers are refused."""
    assert _faults(gauge, {"unit": "mm", "measurements": measurements}) == pointers


def test_who_may(gauge: FlaskClient, make_client: Any) -> None:
    """A study changes reference data: it needs the scope `catalogue`."""
    assert make_client("read").post(URL, json=EXAMPLE).status_code == 403
    assert make_client("catalogue").post(URL, json=EXAMPLE).status_code == 201
    assert make_client("read").get(URL).status_code == 200
