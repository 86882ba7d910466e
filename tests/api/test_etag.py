"""Entity tags and the preconditions on top of them."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor

import pytest
from flask import Flask
from flask.testing import FlaskClient

pytestmark = pytest.mark.db
GAUGE = {"kind": "micrometer", "unit": "mm", "resolution": 0.001}


def _put(client: FlaskClient, resolution: float = 0.001, **headers: str) -> int:
    named = {name.replace("_", "-"): value for name, value in headers.items()}
    return client.put("/v1/gauges/M-1", json=GAUGE | {"resolution": resolution}, headers=named).status_code


def test_a_tag_names_version_and_unit(client: FlaskClient) -> None:
    """The tag changes with the thing and with the unit it is shown in, and with nothing else."""
    assert _put(client) == 201
    assert client.get("/v1/gauges/M-1").headers["ETag"] == '"1-mm"'
    assert client.get("/v1/gauges/M-1?unit=in").headers["ETag"] == '"1-in"'
    assert _put(client) == 200
    assert client.get("/v1/gauges/M-1").headers["ETag"] == '"1-mm"'
    assert _put(client, 0.002) == 200
    assert client.get("/v1/gauges/M-1").headers["ETag"] == '"2-mm"'


def test_a_strong_tag_means_the_same_bytes(client: FlaskClient) -> None:
    """Answers under one tag are the same, byte for byte, from PUT and GET."""
    put = client.put("/v1/gauges/M-1", json=GAUGE)
    again = client.put("/v1/gauges/M-1", json=dict(reversed(GAUGE.items())))
    got = client.get("/v1/gauges/M-1")
    assert put.headers["ETag"] == again.headers["ETag"] == got.headers["ETag"]
    assert put.data == again.data == got.data


@pytest.mark.parametrize(
    ("header", "status"),
    [('"1-mm"', 304), ('W/"1-mm"', 304), ('"0-mm", "1-mm"', 304), ("*", 304), ('"1-in"', 200), ('"2-mm"', 200)],
)
def test_if_none_match_of_a_get(client: FlaskClient, header: str, status: int) -> None:
    """Who has it already is told so, with the tag and without a body."""
    _put(client)
    answer = client.get("/v1/gauges/M-1", headers={"If-None-Match": header})
    assert answer.status_code == status
    assert answer.headers["ETag"] == '"1-mm"'
    assert (answer.data == b"") == (status == 304)


@pytest.mark.parametrize(
    ("header", "status"),
    [('"1-mm"', 200), ('"1-in"', 200), ('"0-mm", "1-mm"', 200), ("*", 200), ('"2-mm"', 412), ('W/"1-mm"', 412)],
)
def test_if_match_of_a_put(client: FlaskClient, header: str, status: int) -> None:
    """A write on a version other than the one stored is a 412; a weak tag matches none; the unit does not matter."""
    _put(client)
    assert _put(client, 0.002, If_Match=header) == status
    assert client.get("/v1/gauges/M-1").json["resolution"] == (0.002 if status == 200 else 0.001)


def test_if_match_of_what_is_not_there(client: FlaskClient) -> None:
    """Nothing matches where nothing is."""
    assert _put(client, If_Match="*") == 412
    assert client.delete("/v1/gauges/M-1", headers={"If-Match": '"1-mm"'}).status_code == 412
    assert client.delete("/v1/gauges/M-1").status_code == 404


def test_create_only(client: FlaskClient) -> None:
    """`If-None-Match: *` creates and never replaces."""
    assert _put(client, If_None_Match="*") == 201
    assert _put(client, 0.002, If_None_Match="*") == 412
    assert _put(client, If_None_Match="*") == 412


def test_if_match_of_a_delete(client: FlaskClient) -> None:
    """A deletion meant for an older version is a 412."""
    _put(client)
    _put(client, 0.002)
    assert client.delete("/v1/gauges/M-1", headers={"If-Match": '"1-mm"'}).status_code == 412
    assert client.delete("/v1/gauges/M-1", headers={"If-Match": '"2-mm"'}).status_code == 204
    assert client.get("/v1/gauges/M-1").status_code == 404


@pytest.mark.parametrize("path", ["/v1/gauges/M-1", "/v1/masters/R-1", "/v1/sites/s-1", "/v1/tool-types/t-1"])
def test_of_two_writers_with_one_tag_one_loses(client: FlaskClient, app: Flask, path: str) -> None:
    """The tag is compared inside the write: of many at once exactly one passes; likewise for create-only."""
    bodies = {
        "gauges": lambda n: GAUGE | {"resolution": 0.001 * (n + 1)},
        "masters": lambda n: {"unit": "mm", "size": 50.0 + n, "expanded_uncertainty": 0.001},
        "sites": lambda n: {"name": f"Yard {n}", "time_zone": "UTC"},
        "tool-types": lambda n: {
            "name": f"Type {n}",
            "unit": "mm",
            "parts": [{"code": "p"}],
            "features": [{"part": "p", "code": "d", "kind": "shaft", "new": {"min": 1, "max": 2}}],
        },
    }
    body = bodies[path.split("/")[2]]

    def write(n: int, header: dict[str, str]) -> int:
        own = app.test_client()
        own.environ_base = client.environ_base
        return own.put(path, json=body(n), headers=header).status_code

    with ThreadPoolExecutor(4) as threads:
        created = list(threads.map(lambda n: write(n, {"If-None-Match": "*"}), range(8)))
        replaced = list(threads.map(lambda n: write(n + 10, {"If-Match": '"1-mm"'}), range(8)))
    assert sorted(created) == [201] + [412] * 7
    assert sorted(replaced) == [200] + [412] * 7
