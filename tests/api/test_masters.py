"""Setting masters and their certificates."""

from __future__ import annotations

import psycopg
import pytest
from flask.testing import FlaskClient

from tests.api.test_gauges import insert_inspection, insert_reading

pytestmark = pytest.mark.db
URL = "/v1/masters/RING-98"
RING = {"unit": "mm", "size": 98.0008, "expanded_uncertainty": 0.001, "due_on": "2027-01-10"}


def test_put_then_get(client: FlaskClient) -> None:
    """201 when new, 200 after; what is not said is null or its default; an identical PUT makes no certificate."""
    put = client.put(URL, json=RING)
    assert (put.status_code, put.headers["Location"], put.headers["ETag"]) == (201, URL, '"1-mm"')
    assert put.json.items() >= (RING | {"coverage_factor": 2.0, "calibrated_on": None, "revision": 1}).items()
    assert client.get(URL).json == put.json
    assert client.put(URL, json=RING | {"coverage_factor": 2}).json["revision"] == 1
    assert [item["serial"] for item in client.get("/v1/masters").json["items"]] == ["RING-98"]


def test_certificates_are_kept(client: FlaskClient) -> None:
    """A master's size is what its certificate says: each one is kept with all it says."""
    for n, year in enumerate((2024, 2025, 2026)):
        body = RING | {"size": 98 + n / 1000, "calibrated_on": f"{year}-01-10", "due_on": f"{year + 1}-01-10"}
        assert client.put(URL, json=body).json["revision"] == n + 1
    items = client.get(f"{URL}/certificates").json["items"]
    assert [(item["size"], item["calibrated_on"]) for item in items] == [
        (98.0, "2024-01-10"),
        (98.001, "2025-01-10"),
        (98.002, "2026-01-10"),
    ]
    first = client.get(f"{URL}/certificates?limit=2").json
    assert [i["revision"] for i in client.get(f"{URL}/certificates?after={first['next']}").json["items"]] == [3]
    assert client.get("/v1/masters/none/certificates").status_code == 404


def test_units(client: FlaskClient, conn: psycopg.Connection) -> None:
    """A master in inches is stored in mm and shown in either."""
    client.put(URL, json={"unit": "in", "size": 3.8583, "expanded_uncertainty": 0.00004, "expansion_per_k": 1e-5})
    mm, inch = client.get(URL).json, client.get(f"{URL}?unit=in").json
    assert (mm["size"], mm["unit"]) == (pytest.approx(3.8583 * 25.4, abs=1e-9), "mm")
    assert (inch["size"], inch["unit"]) == (pytest.approx(3.8583, abs=1e-12), "in")
    assert mm["expansion_per_k"] == inch["expansion_per_k"] == 1e-5
    row = conn.execute("SELECT size, expanded_uncertainty FROM master_certificates").fetchone()
    assert row == (pytest.approx(98.00082, abs=1e-9), pytest.approx(0.001016, abs=1e-12))


def test_faults(client: FlaskClient) -> None:
    """Every fault of a master at once, each with its place."""
    body = {"size": -1, "expanded_uncertainty": True, "calibrated_on": "yesterday", "due_on": 2027}
    found = client.put(URL, json=body).get_json(force=True)["errors"]
    assert [(item["pointer"], item["code"]) for item in found] == [
        ("/calibrated_on", "bad-date"),
        ("/due_on", "bad-date"),
        ("/expanded_uncertainty", "not-a-number"),
        ("/size", "out-of-range"),
        ("/unit", "required"),
    ]
    found = client.put(URL, json=RING | {"calibrated_on": "2027-02-01"}).get_json(force=True)["errors"]
    assert [(item["pointer"], item["code"]) for item in found] == [("/due_on", "bad-interval")]


@pytest.mark.parametrize("where", ["reading", "set-up"])
def test_a_master_in_use_stays(client: FlaskClient, conn: psycopg.Connection, where: str) -> None:
    """A master that readings were taken against is not deleted; the answer names the inspection."""
    client.put(URL, json=RING)
    inspection = insert_inspection(conn, master="RING-98" if where == "set-up" else None)
    if where == "reading":
        insert_reading(conn, "master_id", "SELECT master_id FROM masters")
    answer = client.delete(URL)
    assert answer.status_code == 409
    assert answer.get_json(force=True)["used_by"] == [{"kind": "inspection", "key": inspection}]
    client.put("/v1/masters/spare", json=RING)
    assert client.delete("/v1/masters/spare").status_code == 204
