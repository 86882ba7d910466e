"""Claims: who holds a tool, until when, and what becomes of work that fails (house, "The tables")."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
import time
from datetime import timedelta
from pathlib import Path
from uuid import UUID, uuid4

import psycopg
import pytest

from service.config import Config
from service.store.claims import claim_tools, finish_claim, put_back
from service.store.errors import Conflict
from service.store.pool import transaction
from service.store.work import mark_dirty
from tests.worker.conftest import START, Workshop
from worker import assess
from worker.batch import Batch
from worker.judge import Judged, judge_batch

pytestmark = pytest.mark.db
LEASE = timedelta(seconds=60)
GOOD = {"piston.od": 97.900, "casing.bore": 97.995}


def mark(*tools: int) -> None:
    with transaction() as conn:
        mark_dirty(conn, tools, [START] * len(tools))


def take(tools: int = 10, lease: timedelta = LEASE, claim: UUID | None = None) -> tuple[UUID, list[int]]:
    mine = claim or uuid4()
    with transaction() as conn:
        return mine, [tool.tool_id for tool in claim_tools(conn, mine, lease, tools)]


def test_two_workers_never_hold_one_tool(shop: Workshop) -> None:
    """A claim skips what another holds, even before that one has committed."""
    shop.put_tool("H-2")
    shop.work()
    mark(1, 2)
    with transaction() as one, transaction() as other:
        first = claim_tools(one, uuid4(), LEASE, 1)
        second = claim_tools(other, uuid4(), LEASE, 10)
        assert sorted(tool.tool_id for tool in first + second) == [1, 2]
    assert take()[1] == []


def test_what_comes_during_the_computing_survives(shop: Workshop) -> None:
    """A mark set while a worker holds the tool stays when that worker ends its claim."""
    mark(1)
    claim, tools = take()
    assert tools == [1]
    mark(1)
    assert take()[1] == []
    with transaction() as conn:
        finish_claim(conn, claim, tools)
    assert take()[1] == [1]


def test_expired_worker_is_refused(shop: Workshop) -> None:
    """Once the lease has run out and another has taken over, the first one's save is refused."""
    mark(1)
    late, tools = take(lease=timedelta(seconds=-1))
    _, again = take()
    assert tools == again == [1]
    with pytest.raises(Conflict, match="taken over"), transaction() as conn:
        finish_claim(conn, late, tools)


def test_expired_worker_writes_nothing(shop: Workshop, monkeypatch: pytest.MonkeyPatch) -> None:
    """A worker that was overtaken while it computed leaves no rows; the other's assessment is the only one."""
    found = shop.inspect(10, GOOD, 1000.0)

    def overtaken(batch: Batch, compute: list[int] | None, tools: list[int] | None) -> list[Judged]:
        monkeypatch.setattr(assess, "LEASE", LEASE)
        assert assess.assess_batch() == 1
        return judge_batch(batch, compute, tools)

    monkeypatch.setattr(assess, "LEASE", timedelta(seconds=-1))
    assert assess.assess_batch(judge=overtaken) == 1
    assert shop.assessment(found)["version"] == 1
    assert shop.rows("SELECT count(*) FROM sizes") == [(2,)]
    assert shop.rows("SELECT count(*) FROM tool_work") == [(0,)]


@pytest.mark.parametrize("moment", ["before it is read", "while it is computed"])
def test_a_tool_deleted_meanwhile_holds_up_no_other(
    shop: Workshop, caplog: pytest.LogCaptureFixture, monkeypatch: pytest.MonkeyPatch, moment: str
) -> None:
    """Its neighbours in the batch are assessed at once, nothing of it is left, and nobody looks for a bug."""
    found = shop.inspect(10, GOOD, 1000.0)
    shop.put_tool("H-2")

    def delete() -> None:
        if shop.client.get("/v1/tools/H-2").status_code == 200:
            assert shop.client.delete("/v1/tools/H-2").status_code == 204

    def judge(batch: Batch, compute: list[int] | None, tools: list[int] | None) -> list[Judged]:
        if moment == "while it is computed":
            delete()
        return judge_batch(batch, compute, tools)

    if moment == "before it is read":
        load = assess.load
        monkeypatch.setattr(assess, "load", lambda conn, claimed: (delete(), load(conn, claimed))[1])
    assert assess.assess_batch(judge=judge) == 2
    assert shop.assessment(found)["version"] == 1 and shop.status()["inspection"] == found
    assert shop.client.get("/v1/tools/H-2/status").status_code == 404
    assert shop.rows("SELECT count(*) FROM tool_work") == [(0,)]
    assert not [record for record in caplog.records if record.exc_info]


def test_failed_attempts_wait_longer_each_time(shop: Workshop) -> None:
    """Work that was given back is due again after a pause that doubles, with jitter."""
    mark(1)
    pauses = []
    for _ in range(5):
        with transaction() as conn:
            conn.execute("UPDATE tool_work SET run_at = now()")
        claim, tools = take()
        with transaction() as conn:
            put_back(conn, claim, tools, pause_s=10.0)
        pauses.append(shop.rows("SELECT extract(epoch FROM run_at - now())::float8 FROM tool_work")[0][0])
    for n, pause in enumerate(pauses):
        assert 0.45 * 10 * 2**n <= pause <= 1.55 * 10 * 2**n
    assert take()[1] == []


def test_one_bad_inspection_is_parked_and_its_tool_goes_on(shop: Workshop) -> None:
    """A failing batch is halved until the one inspection is found; it is parked, the rest goes on."""
    for n in range(2, 6):
        shop.put_tool(f"H-{n}", commissioned_on="2026-01-01")
    found = {(t, d): shop.inspect(d, GOOD, 500.0, tool=f"H-{t}") for t in range(1, 6) for d in (10, 20, 30)}
    bad = found[3, 20]

    def judge(batch: Batch, compute: list[int] | None, tools: list[int] | None) -> list[Judged]:
        chosen = batch.compute if compute is None else compute
        if any(str(batch.inspections[n].inspection_id) == bad for n in chosen):
            raise ZeroDivisionError("a figure nobody thought of")
        return judge_batch(batch, compute, tools)

    assert assess.assess_batch(judge=judge) == 5
    states = dict(shop.rows("SELECT inspection_id::text, state FROM inspections"))
    assert states.pop(bad) == "failed"
    assert set(states.values()) == {"assessed"}
    record = shop.call("GET", f"/inspections/{bad}")
    assert record["problem"]["code"] == "assessment-failed"
    assert shop.client.get(f"/v1/inspections/{bad}/assessment").status_code == 409
    # it measured nothing, but the usage that came with it was run
    assert shop.assessment(found[3, 30])["sizes"][0]["wear_state"]["usage"] == pytest.approx(3.0)
    assert shop.rows("SELECT count(*) FROM tool_work") == [(0,)]


def test_inspection_that_kills_its_worker_is_parked(shop: Workshop) -> None:
    """An inspection in whose computing workers keep dying is found by the name left behind, and parked."""
    shop.inspect(10, GOOD, 500.0)
    bad = shop.inspect(20, GOOD, 500.0)
    last = shop.inspect(30, GOOD, 500.0)
    shop.conn.execute("UPDATE tool_work SET attempts = 4, suspect = %s", [bad])
    shop.conn.commit()
    shop.work()
    assert shop.call("GET", f"/inspections/{bad}")["state"] == "failed"
    assert shop.assessment(last)["version"] == 1


WORKER = """
import sys
from service.config import Config
from service.store import pool
from worker import assess
pool.configure(Config(database_url=sys.argv[1], redis_url="redis://127.0.0.1:1/0", pool_timeout_s=5.0), size=3)
while True:
    assess.assess_batch(tools_at_once=3)
"""


@pytest.mark.faults
def test_killed_worker_loses_and_repeats_nothing(shop: Workshop, config: Config) -> None:
    """`kill -9` of the worker in the middle of 200 inspections, then a new one: all assessed, one version each."""
    for tool in range(20):
        shop.put_tool(f"K-{tool}", commissioned_on="2026-01-01")
        for n in range(10):
            shop.inspect(10 + n, GOOD, 100.0, tool=f"K-{tool}")
    command = [sys.executable, "-c", WORKER, config.database_url]
    first = subprocess.Popen(command, cwd=Path(__file__).parents[2])
    done = "SELECT count(*) FROM inspections WHERE state = 'assessed'"
    deadline = time.monotonic() + 60
    while not 10 < shop.rows(done)[0][0] < 200 and time.monotonic() < deadline:
        time.sleep(0.005)
    os.kill(first.pid, signal.SIGKILL)
    first.wait()
    assert 10 < shop.rows(done)[0][0] < 200
    shop.conn.execute("UPDATE tool_work SET lease_until = now() WHERE claim IS NOT NULL")
    shop.conn.commit()
    shop.work()
    assert shop.rows(done) == [(200,)]
    assert shop.rows("SELECT count(*), max(version) FROM assessments") == [(200, 1)]
    assert shop.rows("SELECT count(*) FROM tool_work") == [(0,)]


def test_a_batch_that_waits_for_who_waits_for_it_is_saved_again(shop: Workshop, store: Config) -> None:
    """The database ends one of two transactions that wait for each other; the batch is then saved by another try."""
    shop.inspect(1, GOOD)
    begun = threading.Event()

    def rival() -> None:
        with psycopg.connect(store.database_url) as conn:
            conn.execute("SET deadlock_timeout = '30s'")  # the other one notices first
            conn.execute("SELECT FROM tool_work FOR UPDATE")
            begun.set()
            until = time.monotonic() + 20
            while not conn.execute("SELECT EXISTS (SELECT FROM pg_locks WHERE NOT granted)").fetchall()[0][0]:
                assert time.monotonic() < until
                time.sleep(0.02)
            conn.execute("UPDATE inspections SET updated_at = now()")

    other = threading.Thread(target=rival)

    def judged(batch: Batch, rows: list[int] | None, tools: list[int] | None) -> list[Judged]:
        other.start()
        assert begun.wait(20)
        return judge_batch(batch, rows, tools)

    assert assess.assess_batch(judge=judged) == 1
    other.join(20)
    rows = shop.conn.execute("SELECT version FROM assessments").fetchall()
    assert [row[0] for row in rows] == [1]
    assert shop.conn.execute("SELECT count(*) FROM tool_work").fetchall() == [(0,)]
