"""Back-pressure: intake answers 503 with `Retry-After` beyond the backlog limit or below the free-disk floor."""

from __future__ import annotations

import gzip
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from flask import Flask
from werkzeug.test import TestResponse

from service.api import room
from service.config import Config
from tests.api.inspection_bodies import inspection, put_workshop
from tests.plugins.fleet import Fleet

pytestmark = pytest.mark.db

USAGE = {"entries": [{"tool": "H-1", "from": "2026-01-01T00:00:00Z", "to": "2026-02-01T00:00:00Z", "metres": 100.0}]}
FILE = b"reference,tool,taken_at,feature,value,unit\nWO-9,H-1,2026-03-01T00:00:00Z,piston.large-diameter,97.9,mm\n"


@contextmanager
def limited(app: Flask, **limits: Any) -> Iterator[None]:
    """The API with other limits."""
    before: Config = app.extensions["stripdown"]
    app.extensions["stripdown"] = replace(before, **limits)
    yield
    app.extensions["stripdown"] = before


def every_way_in(fleet: Fleet, existing: str) -> dict[str, TestResponse]:
    """The answers of every route that takes something in."""
    post, body = fleet.client.post, inspection("WO-2")
    return {
        "one": post("/v1/inspections", json=body),
        "batch": post("/v1/inspections/batch", json={"inspections": [body]}),
        "correction": fleet.client.put(f"/v1/inspections/{existing}", json=inspection(checks=None)),
        "usage": post("/v1/usage", json=USAGE),
        "file": post("/v1/gauge-exports?layout=plain", data=FILE, content_type="text/csv"),
        "packed": post("/v1/gauge-exports?layout=plain", data=gzip.compress(FILE), content_type="application/gzip"),
    }


def stored(fleet: Fleet) -> list[int]:
    tables = ("inspections", "inspection_versions", "usage", "gauge_exports", "gauge_export_chunks", "idempotency_keys")
    counts = [fleet.conn.execute(f"SELECT count(*) FROM {table}").fetchone()[0] for table in tables]  # type: ignore[arg-type, index]
    fleet.conn.rollback()
    return counts


def test_beyond_the_backlog_intake_waits(app: Flask, fleet: Fleet) -> None:
    """With as many inspections waiting as the limit says, every intake route is a 503 `backlog` and stores nothing."""
    put_workshop(fleet)
    first = fleet.call("POST", "/inspections", inspection("WO-1"), 202).json["id"]
    before = stored(fleet)
    with limited(app, backlog_limit=1):
        for name, answer in every_way_in(fleet, first).items():
            assert (answer.status_code, answer.json["code"]) == (503, "backlog"), (name, answer.json)
            assert int(answer.headers["Retry-After"]) > 0
        assert stored(fleet) == before
        assert fleet.client.get(f"/v1/inspections/{first}").status_code == 200
        assert fleet.client.delete(f"/v1/inspections/{first}").status_code == 200
    fleet.settle()
    with limited(app, backlog_limit=1):
        fleet.call("POST", "/inspections", inspection("WO-2"), 202)


def test_a_refused_request_can_come_again(app: Flask, fleet: Fleet) -> None:
    """A 503 is not kept under its Idempotency-Key: the same request later is accepted."""
    put_workshop(fleet)
    fleet.call("POST", "/inspections", inspection("WO-1"), 202)
    with limited(app, backlog_limit=1):
        fleet.call("POST", "/inspections", inspection("WO-2"), 503, Idempotency_Key="k-1")
    room.forget()
    fleet.call("POST", "/inspections", inspection("WO-2"), 202, Idempotency_Key="k-1")


def test_with_the_disk_nearly_full_intake_waits(app: Flask, fleet: Fleet, tmp_path: Path) -> None:
    """With less than the floor free on the disk of the data, every intake route is a 503 `disk-low`."""
    put_workshop(fleet)
    first = fleet.call("POST", "/inspections", inspection("WO-1"), 202).json["id"]
    before = stored(fleet)
    with limited(app, data_directory=str(tmp_path), free_disk_floor_mb=10**12):
        for name, answer in every_way_in(fleet, first).items():
            assert (answer.status_code, answer.json["code"]) == (503, "disk-low"), (name, answer.json)
            assert int(answer.headers["Retry-After"]) > 0
    assert stored(fleet) == before
    with limited(app, data_directory=str(tmp_path), free_disk_floor_mb=1):
        fleet.call("POST", "/inspections", inspection("WO-2"), 202)


def test_looking_costs_one_query_a_second(app: Flask, fleet: Fleet) -> None:
    """What was seen is remembered for a second: requests in between do not count anew, later ones do."""
    put_workshop(fleet)
    room.forget()
    with limited(app, backlog_limit=2):
        fleet.call("POST", "/inspections", inspection("WO-1"), 202)
        fleet.call("POST", "/inspections", inspection("WO-2"), 202)
        fleet.call("POST", "/inspections", inspection("WO-3"), 202)
        time.sleep(room.LOOKED_EVERY_S + 0.05)
        fleet.call("POST", "/inspections", inspection("WO-4"), 503)
