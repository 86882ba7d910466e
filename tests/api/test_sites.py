"""Sites."""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import datetime
from pathlib import Path

import psycopg
import pytest
from flask.testing import FlaskClient

pytestmark = pytest.mark.db
EXAMPLES = Path(__file__).parents[2] / "openapi" / "examples"
SITE = {"name": "North yard", "time_zone": "Australia/Brisbane"}


def test_put_creates_then_replaces(client: FlaskClient) -> None:
    """201 with Location when new, else 200; an identical one changes nothing."""
    first = client.put("/v1/sites/north", json=SITE)
    assert (first.status_code, first.headers["Location"]) == (201, "/v1/sites/north")
    assert first.json == {"code": "north", **SITE, "version": 1}
    again = client.put("/v1/sites/north", json=SITE)
    assert (again.status_code, again.json["version"], "Location" in again.headers) == (200, 1, False)
    changed = client.put("/v1/sites/north", json=SITE | {"time_zone": "UTC"})
    assert (changed.status_code, changed.json["version"], changed.json["time_zone"]) == (200, 2, "UTC")
    assert client.get("/v1/sites/north").json == changed.json


@pytest.mark.parametrize(
    ("change", "pointer", "code"),
    [
        ({"time_zone": "Mars/Olympus"}, "/time_zone", "bad-time-zone"),
        ({"time_zone": "../etc/passwd"}, "/time_zone", "bad-time-zone"),
        ({"time_zone": None}, "/time_zone", "required"),
        ({"name": ""}, "/name", "too-short"),
        ({"name": "x" * 201}, "/name", "too-long"),
        ({"name": 7}, "/name", "not-text"),
        ({"colour": "red"}, "/colour", "unknown-field"),
        ({"a/b~c": 1}, "/a~1b~0c", "unknown-field"),
    ],
)
def test_faults(client: FlaskClient, change: dict[str, object], pointer: str, code: str) -> None:
    """What a site cannot be is refused with where and what."""
    answer = client.put("/v1/sites/north", json=SITE | change)
    assert answer.status_code == 422
    errors = answer.get_json(force=True)["errors"]
    assert [(item["pointer"], item["code"]) for item in errors] == [(pointer, code)]
    assert client.get("/v1/sites/north").status_code == 404


@pytest.mark.parametrize("body", [[], "text", 3, None, True])
def test_a_body_that_is_no_object(client: FlaskClient, body: object) -> None:
    """A document is an object."""
    sent = json.dumps(body)
    errors = client.put("/v1/sites/north", data=sent, content_type="application/json").get_json(force=True)["errors"]
    assert [(item["pointer"], item["code"]) for item in errors] == [("", "not-an-object")]


def test_a_site_in_use_stays(client: FlaskClient, make_token: Callable[..., str]) -> None:
    """Deleting what something refers to is a 409 naming it; afterwards it goes."""
    client.put("/v1/sites/north", json=SITE)
    client.put("/v1/sites/south", json=SITE)
    make_token("read", site="north")
    answer = client.delete("/v1/sites/north")
    problem = answer.get_json(force=True)
    assert (answer.status_code, problem["code"]) == (409, "in-use")
    assert problem["used_by"] == [{"kind": "token", "key": "test"}] and "token test" in problem["detail"]
    assert client.delete("/v1/sites/south").status_code == 204
    assert client.delete("/v1/sites/south").status_code == 404


def test_another_time_zone_moves_the_days(client: FlaskClient, conn: psycopg.Connection) -> None:
    """With the zone, the first day of a tool begins at another moment, and its tools are computed again."""
    client.put("/v1/sites/north", json=SITE)
    client.put("/v1/tool-types/t", json=json.loads((EXAMPLES / "tool-type.json").read_text()))
    tool = {"tool_type": "t", "site": "north", "commissioned_on": "2026-02-01"}
    assert client.put("/v1/tools/H-1", json=tool).status_code == 201
    inspection = {
        **{"reference": "r", "tool": "H-1", "taken_at": "2026-03-01T00:00:00Z"},
        **{"checks": [{"check": "valve-condition", "result": "pass"}], "usage": {"metres": 100}},
    }
    assert client.post("/v1/inspections", json=inspection).status_code == 202
    begins = "SELECT lower(period) AT TIME ZONE 'UTC' FROM usage"
    assert conn.execute(begins).fetchone() == (datetime(2026, 1, 31, 14),)  # noqa: DTZ001  as the database shows it
    conn.execute("DELETE FROM tool_work")
    conn.commit()
    assert client.put("/v1/sites/north", json=SITE | {"name": "Other"}).status_code == 200
    assert conn.execute("SELECT count(*) FROM tool_work").fetchone() == (0,)
    conn.commit()
    assert client.put("/v1/sites/north", json=SITE | {"time_zone": "UTC"}).status_code == 200
    assert conn.execute(begins).fetchone() == (datetime(2026, 2, 1),)  # noqa: DTZ001
    assert conn.execute("SELECT dirty_from::date::text FROM tool_work").fetchone() == ("2026-03-01",)


def test_a_bound_token_writes_its_own_site_only(client: FlaskClient, make_client: Callable[..., FlaskClient]) -> None:
    """A token bound to a site changes that one, no other, and makes none."""
    for code in ("north", "south"):
        client.put(f"/v1/sites/{code}", json=SITE)
    bound = make_client("catalogue", site="north")
    assert bound.put("/v1/sites/north", json=SITE | {"name": "N"}).status_code == 200
    for answer in (
        bound.put("/v1/sites/south", json=SITE),
        bound.put("/v1/sites/west", json=SITE),
        bound.delete("/v1/sites/south"),
    ):
        assert (answer.status_code, answer.get_json(force=True)["code"]) == (403, "outside-site")
