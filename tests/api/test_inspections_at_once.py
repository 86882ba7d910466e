"""Requests at once: each inspection once, each interval once, whoever comes first."""

from __future__ import annotations

import time
from collections import Counter
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from itertools import pairwise

import pytest
from flask.testing import FlaskClient

from tests.api.inspection_bodies import inspection, put_workshop, reading
from tests.plugins.fleet import Fleet

pytestmark = pytest.mark.db


@pytest.fixture
def workshop(fleet: Fleet) -> Fleet:
    return put_workshop(fleet)


def at_once(make_client: Callable[..., FlaskClient], bodies: list[dict], query: str = "") -> Counter[int]:
    clients = [make_client("intake") for _ in range(4)]

    def send(index: int) -> int:
        answer = clients[index % 4].post(f"/v1/inspections{query}", json=bodies[index])
        return answer.status_code

    with ThreadPoolExecutor(4) as pool:
        return Counter(pool.map(send, range(len(bodies))))


def test_the_same_document_at_once_is_stored_once(workshop: Fleet, make_client: Callable[..., FlaskClient]) -> None:
    """Of several equal ones at once one is accepted and the others are told that it is there."""
    assert at_once(make_client, [inspection()] * 12) == {202: 1, 200: 11}


def test_sources_that_join_at_once_all_join(workshop: Fleet, make_client: Callable[..., FlaskClient]) -> None:
    """Different sources of one inspection, added at once, are all in it in the end."""
    bodies = [inspection(readings=[reading(value=97.0 + number / 100)], checks=None) for number in range(12)]
    assert at_once(make_client, bodies, "?on_existing=add") == {202: 12}
    (line,) = workshop.get("/inspections")["items"]
    record = workshop.get(f"/inspections/{line['id']}")
    assert (record["inspection_version"], len(record["readings"])) == (12, 12)


def test_one_component_at_once_goes_to_one_tool(workshop: Fleet, make_client: Callable[..., FlaskClient]) -> None:
    """A component put into two tools at once gets into one of them."""
    renewal = [{"part": "piston", "component": "P-1"}]
    bodies = [inspection(tool=tool, renewals=renewal) for tool in ("H-1", "H-2")]
    assert at_once(make_client, bodies) == {202: 1, 409: 1}


def test_inspections_of_one_tool_at_once_leave_no_gap(workshop: Fleet, make_client: Callable[..., FlaskClient]) -> None:
    """Intervals of usage meet end to end, whatever came first."""
    bodies = [
        inspection(f"WO-{day}", f"2026-03-{day:02d}T00:00:00Z", usage={"metres": float(day)}) for day in range(1, 21)
    ]
    assert at_once(make_client, bodies) == {202: 20}
    rows = workshop.conn.execute("SELECT lower(period), upper(period), metres FROM usage ORDER BY period").fetchall()
    assert [row[2] for row in rows] == list(range(1, 21))
    assert all(before[1] == after[0] for before, after in pairwise(rows))


def test_a_batch_and_a_worker_do_not_wait_for_each_other(
    workshop: Fleet, make_client: Callable[..., FlaskClient]
) -> None:
    """A batch marks its tools at its end, in the order in which workers lock their work: one waits, and not both."""
    for tool in ("H-1", "H-2"):
        workshop.call("POST", "/inspections", inspection(tool=tool), 202)
    batch = {"inspections": [inspection("WO-2", "2026-03-02T09:30:00Z", tool=tool) for tool in ("H-2", "H-1")]}
    client, worker = make_client("intake"), workshop.conn
    worker.execute("SELECT FROM tool_work ORDER BY tool_id LIMIT 1 FOR UPDATE")
    with ThreadPoolExecutor(1) as pool:
        sent = pool.submit(lambda: client.post("/v1/inspections/batch", json=batch))
        until = time.monotonic() + 20
        while worker.execute("SELECT NOT EXISTS (SELECT FROM pg_locks WHERE NOT granted)").fetchone() == (True,):
            assert time.monotonic() < until
            time.sleep(0.01)
        worker.execute("SELECT FROM tool_work ORDER BY tool_id FOR UPDATE NOWAIT")
        worker.commit()
        assert [item["status"] for item in sent.result().json["items"]] == [202, 202]


def test_what_is_remembered_of_reference_data_is_checked(workshop: Fleet) -> None:
    """A gauge deleted, a feature taken out of the catalogue, a tool moved: the next inspection is judged by what is."""

    def send(number: int, status: int) -> dict:
        body = inspection(
            f"WO-{number}", f"2026-03-{number:02d}T00:00:00Z", readings=[reading(gauge="MIC-2")], checks=None
        )
        return workshop.call("POST", "/inspections", body, status).json

    workshop.call("PUT", "/gauges/MIC-2", {"kind": "micrometer", "unit": "mm", "resolution": 0.001})
    for number in (1, 2, 3):
        send(number, 202)
    for line in workshop.get("/inspections")["items"]:
        workshop.call("DELETE", f"/inspections/{line['id']}", status=200)
    workshop.conn.execute("DELETE FROM readings")
    workshop.conn.commit()
    workshop.call("DELETE", "/gauges/MIC-2", status=204)
    assert send(4, 422)["errors"][0]["code"] == "unknown-gauge"
    workshop.call("PUT", "/gauges/MIC-2", {"kind": "micrometer", "unit": "mm", "resolution": 0.001})
    for number in (5, 6):
        send(number, 202)
    tool_type = workshop.get("/tool-types/small")
    body = {name: value for name, value in tool_type.items() if name not in ("code", "revision", "recorded_at")}
    body |= {"features": body["features"][1:], "fits": []}
    workshop.call("PUT", "/tool-types/small", body)
    assert send(7, 422)["errors"][0]["code"] == "unknown-feature"
