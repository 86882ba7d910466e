"""Gauges and their certificates."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import psycopg
import pytest
from flask.testing import FlaskClient

pytestmark = pytest.mark.db
URL = "/v1/gauges/MIC-07"
GAUGE: dict[str, Any] = json.loads((Path(__file__).parents[2] / "openapi" / "examples" / "gauge.json").read_text())


def _certificates(client: FlaskClient, query: str = "") -> list[dict[str, Any]]:
    items: list[dict[str, Any]] = client.get(f"{URL}/certificates{query}").json["items"]
    return items


def test_required_is_little(client: FlaskClient) -> None:
    """Kind, unit and resolution are enough; what is not said is shown as null or by its default."""
    answer = client.put(URL, json={"kind": "caliper", "unit": "mm", "resolution": 0.01})
    assert (answer.status_code, answer.headers["Location"]) == (201, URL)
    shown = answer.json
    assert (shown["serial"], shown["revision"], shown["bias"]) == ("MIC-07", 1, 0.0)
    assert shown["calibration"] is shown["repeatability"] is shown["reproducibility"] is None
    assert _certificates(client) == []


def test_put_then_get(client: FlaskClient) -> None:
    """What was put is what is got, with the defaults in force; an identical PUT makes no revision."""
    put = client.put(URL, json=GAUGE)
    assert put.json.items() >= {key: GAUGE[key] for key in ("kind", "resolution", "bias", "repeatability")}.items()
    assert put.json["calibration"] == GAUGE["calibration"] | {"degrees_of_freedom": None}
    assert client.get(URL).json == put.json
    same = GAUGE | {"material": None}
    assert (client.put(URL, json=same).status_code, client.get(URL).json["revision"]) == (200, 1)
    assert client.put(URL, json=GAUGE | {"bias": 0.001}).json["revision"] == 2
    assert [item["serial"] for item in client.get("/v1/gauges").json["items"]] == ["MIC-07"]


def test_certificates_are_kept(client: FlaskClient) -> None:
    """Every certificate stays; one that says what the last of its day said is not written again."""
    early = {"expanded_uncertainty": 0.004, "calibrated_on": "2025-01-10", "due_on": "2026-01-10"}
    late = GAUGE["calibration"]
    client.put(URL, json=GAUGE | {"calibration": early})
    client.put(URL, json=GAUGE | {"calibration": late})
    client.put(URL, json=GAUGE | {"calibration": late, "bias": 0.002})
    client.put(URL, json={key: GAUGE[key] for key in ("kind", "unit", "resolution")})
    shown = _certificates(client)
    assert [item["calibrated_on"] for item in shown] == ["2025-01-10", "2026-01-10"]
    assert shown[0]["coverage_factor"] == 2.0
    client.put(URL, json=GAUGE | {"calibration": early | {"expanded_uncertainty": 0.005}})
    client.put(URL, json=GAUGE | {"calibration": early})
    assert [item["expanded_uncertainty"] for item in _certificates(client)] == [0.004, 0.002, 0.005, 0.004]
    first = client.get(f"{URL}/certificates?limit=3").json
    rest = client.get(f"{URL}/certificates?limit=3&after={first['next']}").json
    assert [len(first["items"]), len(rest["items"]), rest["next"]] == [3, 1, None]
    assert client.get("/v1/gauges/none/certificates").status_code == 404


def test_units(client: FlaskClient) -> None:
    """A gauge in inches is stored in mm and shown in either; degrees of freedom and expansion stay."""
    inch = {
        **{"kind": "dial-bore", "unit": "in", "resolution": 0.0001, "bias": -0.0002, "expansion_per_k": 1.1e-5},
        "calibration": {"expanded_uncertainty": 0.0001, "degrees_of_freedom": 50},
        "repeatability": {"sd": 0.00005, "degrees_of_freedom": 12},
        "reproducibility": {"sd": 0, "degrees_of_freedom": 3},
    }
    mm = client.put(URL, json=inch).json
    assert (mm["unit"], mm["resolution"]) == ("mm", pytest.approx(0.00254, abs=1e-12))
    assert mm["repeatability"] == {"sd": pytest.approx(0.00127, abs=1e-12), "degrees_of_freedom": 12}
    assert (mm["expansion_per_k"], mm["calibration"]["degrees_of_freedom"]) == (1.1e-5, 50)
    assert _certificates(client)[0]["expanded_uncertainty"] == pytest.approx(0.00254, abs=1e-12)
    assert _certificates(client, "?unit=in")[0]["expanded_uncertainty"] == pytest.approx(0.0001)
    assert client.get(f"{URL}?unit=in").json["bias"] == pytest.approx(-0.0002, abs=1e-15)
    assert client.get("/v1/gauges?unit=in").json["items"][0]["unit"] == "in"


def test_what_the_worker_reads(client: FlaskClient, conn: psycopg.Connection) -> None:
    """The columns are mm, whatever was sent."""
    client.put(URL, json=GAUGE | {"unit": "in"})
    row = conn.execute(
        "SELECT resolution, bias, repeatability_sd, repeatability_dof, reproducibility_sd, unit FROM gauge_revisions"
    ).fetchone()
    assert row == (
        pytest.approx(0.0254),
        pytest.approx(0.0127),
        pytest.approx(0.0254),
        40.0,
        pytest.approx(0.02032),
        "in",
    )


def test_faults(client: FlaskClient) -> None:
    """Every fault of a gauge at once, each with its place."""
    body = {
        **{"kind": "ruler", "unit": "um", "resolution": 0, "bias": "0", "colour": 1, "material": "a b"},
        "calibration": {"coverage_factor": 0, "calibrated_on": "2026-02-30", "due_on": "20260101"},
        "repeatability": {"sd": -1, "degrees_of_freedom": 0},
        "reproducibility": {},
    }
    found = client.put(URL, json=body).get_json(force=True)["errors"]
    assert [(item["pointer"], item["code"]) for item in found] == [
        ("/bias", "not-a-number"),
        ("/calibration/calibrated_on", "bad-date"),
        ("/calibration/coverage_factor", "out-of-range"),
        ("/calibration/due_on", "bad-date"),
        ("/calibration/expanded_uncertainty", "required"),
        ("/colour", "unknown-field"),
        ("/kind", "not-one-of"),
        ("/material", "bad-identifier"),
        ("/repeatability/degrees_of_freedom", "out-of-range"),
        ("/repeatability/sd", "out-of-range"),
        ("/reproducibility/sd", "required"),
        ("/resolution", "out-of-range"),
        ("/unit", "bad-unit"),
    ]
    late = GAUGE | {"calibration": GAUGE["calibration"] | {"due_on": "2025-12-31"}}
    found = client.put(URL, json=late).get_json(force=True)["errors"]
    assert [(item["pointer"], item["code"]) for item in found] == [("/calibration/due_on", "bad-interval")]


@pytest.mark.parametrize("where", ["reading", "set-up"])
def test_a_gauge_in_use_stays(client: FlaskClient, conn: psycopg.Connection, where: str) -> None:
    """A gauge that readings were taken with, or that was set up, is not deleted; the answer names the inspection."""
    client.put(URL, json=GAUGE)
    inspection = insert_inspection(conn, gauge="MIC-07" if where == "set-up" else None)
    if where == "reading":
        insert_reading(conn, "gauge_id", "SELECT gauge_id FROM gauges")
    answer = client.delete(URL)
    assert answer.status_code == 409
    assert answer.get_json(force=True)["used_by"] == [{"kind": "inspection", "key": inspection}]
    assert client.put("/v1/gauges/spare", json=GAUGE).status_code == 201
    assert client.delete("/v1/gauges/spare").status_code == 204


def insert_inspection(conn: psycopg.Connection, **setup: str | None) -> str:
    """One inspection of one tool, with a set-up that names what is given; returns its id."""
    conn.execute("INSERT INTO sites (code, name, time_zone) VALUES ('s', 's', 'UTC')")
    conn.execute("INSERT INTO tool_types (code, revision) VALUES ('t', 1)")
    conn.execute(
        "INSERT INTO tools (serial, tool_type_id, site_id) SELECT 'H-1', tool_type_id, site_id FROM tool_types, sites"
    )
    row = conn.execute(
        "INSERT INTO inspections (tool_id, reference, stage, taken_at, inputs_as_of)"
        " SELECT tool_id, 'r', 'as_found', now() - interval '1 day', now() FROM tools RETURNING inspection_id"
    ).fetchone()
    assert row is not None
    setups = json.dumps([{"source": 1, **setup}])
    conn.execute(
        "INSERT INTO inspection_versions (inspection_id, inspection_version, taken_at, inputs_as_of, cause, setups)"
        " VALUES (%s, 1, now(), now(), 'posted', %s)",
        [row[0], setups],
    )
    conn.commit()
    return str(row[0])


def insert_reading(conn: psycopg.Connection, column: str, select: str) -> None:
    """One reading of that inspection whose `column` is what `select` gives."""
    conn.execute(
        "INSERT INTO readings (taken_at, inspection_id, inspection_version, ordinal, tool_id, source, feature_id,"
        f" kind, value, {column}) SELECT taken_at, inspection_id, 1, 0, tool_id, 1, 1, 0, 50.0, ({select})"
        " FROM inspections"
    )
    conn.commit()
