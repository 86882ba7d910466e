"""A real Celery worker behind a real API: answers that wait for it, and one that is killed in the middle."""

from __future__ import annotations

import json
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import psycopg
import pytest
from celery import Celery

from service import queue
from service.config import Config
from service.store.work import mark_dirty
from tests.plugins.exports import ROW, as_csv
from tests.plugins.live import LiveStack
from worker.tasks import ASSESS_S

pytestmark = [pytest.mark.db, pytest.mark.broker]

EXAMPLE: dict[str, Any] = json.loads(
    (Path(__file__).parents[1] / "published" / "worked_example.json").read_text(encoding="utf-8")
)


def put_example(stack: LiveStack) -> None:
    """The example's catalogue and instruments."""
    rows = [("/v1/sites/yard", {"name": "Yard", "time_zone": "UTC"}), ("/v1/tool-types/we-120", EXAMPLE["catalogue"])]
    rows += [(f"/v1/gauges/{serial}", gauge) for serial, gauge in EXAMPLE["gauges"].items()]
    rows += [(f"/v1/masters/{serial}", master) for serial, master in EXAMPLE["masters"].items()]
    rows += [("/v1/tools/WE-TOOL", {"tool_type": "we-120", "site": "yard"})]
    for path, body in rows:
        answer = stack.call("PUT", path, body)
        assert answer.status in (200, 201), answer.body


def in_inches(inspection: dict[str, Any]) -> dict[str, Any]:
    readings = [reading | {"value": reading["value"] / 25.4} for reading in inspection["readings"]]
    return inspection | {"unit": "in", "readings": readings}


def test_post_waits_for_its_assessment(live_stack: LiveStack) -> None:
    """The worked example posted with `Prefer: wait=10` is answered 201 with the assessment, in inches the same."""
    put_example(live_stack)
    answer = live_stack.call("POST", "/v1/inspections", EXAMPLE["inspection"], Prefer="wait=10")
    assert answer.status == 201, answer.body
    sizes = answer.json["assessment"]["sizes"]
    expected = {size["feature"]: size["worst"] for size in EXAMPLE["expected"]["sizes"]}
    assert {size["feature"]: size["worst"] for size in sizes} == pytest.approx(expected, abs=2e-9)
    live_stack.call("PUT", "/v1/tools/WE-2", {"tool_type": "we-120", "site": "yard"})
    inches = in_inches(EXAMPLE["inspection"]) | {"tool": "WE-2"}
    other = live_stack.call("POST", "/v1/inspections", inches, Prefer="wait=10")
    assert other.status == 201, other.body
    for one, two in zip(sizes, other.json["assessment"]["sizes"], strict=True):
        assert two["worst"] == pytest.approx(one["worst"], abs=1e-9)


def test_a_file_waits_for_no_computing(live_api: LiveStack) -> None:
    """While tools are computed without a pause, and a hundred hints of that wait, a file is read within seconds."""
    put_example(live_api)
    answer = live_api.call("POST", "/v1/inspections", EXAMPLE["inspection"])
    assert answer.status == 202, answer.body
    send_hints(live_api.config, queue.ENOUGH)
    with never_done(live_api.config):
        live_api.start("worker", replace(live_api.config, worker_processes=1))
        time.sleep(1.0)
        rows = as_csv([ROW | {"tool": "WE-TOOL", "reference": "WO-CSV"}])
        export = live_api.call("POST", "/v1/gauge-exports?layout=plain", rows, Content_Type="text/csv")
        assert export.status == 202, export.body
        address = f"/v1/gauge-exports/{export.json['id']}"
        began = time.monotonic()
        live_api.wait_for(lambda: live_api.call("GET", address).json["state"] in ("assessing", "done"), 60)
        assert time.monotonic() - began < 10 * ASSESS_S  # and not a hundred times


def send_hints(config: Config, count: int) -> None:
    """As many hints of inspections as nobody has read yet."""
    with Celery("hints", broker=queue.broker_url(config.redis_url), set_as_current=False) as app:
        for _ in range(count):
            app.send_task(queue.ASSESS, queue=queue.ASSESS, ignore_result=True)


@contextmanager
def never_done(config: Config) -> Iterator[None]:
    """Make the tool dirty again and again, faster than it is computed."""
    over = threading.Event()

    def make_dirty() -> None:
        with psycopg.connect(config.database_url, autocommit=True) as conn:
            tool = conn.execute("SELECT tool_id FROM tools").fetchone()
            while not over.wait(0.005):
                mark_dirty(conn, tool, [datetime(2026, 1, 1, tzinfo=UTC)])

    endless = threading.Thread(target=make_dirty, daemon=True)
    endless.start()
    try:
        yield
    finally:
        over.set()
        endless.join()


@pytest.mark.faults
def test_celery_worker_killed_in_the_middle(live_api: LiveStack, conn: psycopg.Connection) -> None:
    """`kill -9` of the worker in the middle of 200 inspections, then a new one: all assessed, one version each."""
    put_example(live_api)
    batch = []
    for n in range(200):
        tool = f"K-{n % 40}"
        if n < 40:
            live_api.call("PUT", f"/v1/tools/{tool}", {"tool_type": "we-120", "site": "yard"})
        changes = {"tool": tool, "reference": f"W{n}", "taken_at": f"2026-03-{1 + n // 40:02d}T09:30:00Z"}
        batch.append(EXAMPLE["inspection"] | changes)
    first = live_api.start("worker")
    for start in range(0, 200, 50):
        answer = live_api.call("POST", "/v1/inspections/batch", {"inspections": batch[start : start + 50]})
        assert {item["status"] for item in answer.json["items"]} == {202}, answer.body

    def assessed() -> int:
        row = conn.execute("SELECT count(*) FROM inspections WHERE state = 'assessed'").fetchone()
        conn.rollback()
        assert row is not None
        return int(row[0])

    live_api.wait_for(assessed)
    live_api.kill(first)
    live_api.start("worker")
    live_api.start("scheduler")
    live_api.wait_for(lambda: assessed() == 200, 60)
    assert conn.execute("SELECT count(*), max(version) FROM assessments").fetchall() == [(200, 1)]
    live_api.wait_for(lambda: conn.execute("SELECT NOT EXISTS (SELECT 1 FROM tool_work)").fetchone() == (True,), 60)


@pytest.mark.faults
@pytest.mark.long
def test_a_busy_worker_that_is_asked_to_end_ends(live_api: LiveStack, config: Config) -> None:
    """SIGTERM while a message takes minutes: ended after some 20 s, by itself; another worker does what it was at."""
    put_example(live_api)
    answer = live_api.call("POST", "/v1/inspections", EXAMPLE["inspection"])
    assert answer.status == 202, answer.body
    with psycopg.connect(config.database_url) as held:
        held.execute("LOCK TABLE changes IN ACCESS EXCLUSIVE MODE")
        patient = replace(live_api.config, lock_timeout_s=200.0, statement_timeout_s=200.0)
        busy = live_api.start("worker", patient)
        waiting = "SELECT count(*) FROM pg_locks WHERE relation = 'changes'::regclass AND NOT granted"
        live_api.wait_for(lambda: held.execute(waiting).fetchone() == (1,))
        began = time.monotonic()
        busy.ask_to_end()
        busy.process.wait(30)
        assert 15.0 < time.monotonic() - began < 28.0 and busy.process.returncode == 0
        held.rollback()
    live_api.start("worker")
    live_api.start("scheduler")
    record = f"/v1/inspections/{answer.json['id']}"
    live_api.wait_for(lambda: live_api.call("GET", record).json["state"] == "assessed", 60)
    assert live_api.call("GET", f"{record}/assessment").json["version"] == 1
