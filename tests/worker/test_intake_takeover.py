"""A worker that dies over a file: another one takes it over, and no row is there twice."""

from __future__ import annotations

from datetime import timedelta
from typing import Any
from uuid import UUID, uuid4

import psycopg
import pytest

from service.store import gauge_exports
from service.store.errors import Conflict
from service.store.gauge_exports import Outcome
from service.store.pool import transaction
from tests.plugins.exports import ROW, Exports, as_csv, rows
from tests.plugins.fleet import TOOL_TYPE
from tests.plugins.live import LiveStack
from worker.intake import intake, parser
from worker.intake.file import File
from worker.intake.load import Loaded
from worker.intake.load import load as real_load

pytestmark = [pytest.mark.db, pytest.mark.broker]


def counts(conn: psycopg.Connection) -> tuple[Any, ...]:
    """Readings, inspections, sources and versions."""
    row = conn.execute(
        "SELECT (SELECT count(*) FROM readings), (SELECT count(*) FROM inspections),"
        " (SELECT count(*) FROM inspection_sources), (SELECT count(*) FROM inspection_versions)"
    ).fetchone()
    conn.rollback()
    assert row is not None
    return row


def test_a_lease_that_ran_out(exports: Exports) -> None:
    """A claim whose lease ran out is taken by another worker; what the first one saves then is refused."""
    posted = exports.post(as_csv(rows(5))).json
    with transaction() as conn:
        slow = gauge_exports.claim_export(conn, claim := uuid4(), timedelta(seconds=-1))
    assert slow is not None
    assert intake.intake_one()
    assert exports.get(posted["id"])["rows"]["accepted"] == 5
    with pytest.raises(Conflict) as lost, transaction() as conn:
        gauge_exports.finish_export(conn, UUID(posted["id"]), claim, Outcome("failed", 0, 0, 0, 0), [])
    assert lost.value.code == "claim-lost"
    assert exports.get(posted["id"])["state"] == "assessing"


def test_held_by_one(exports: Exports) -> None:
    """An export that one worker holds is not there for another."""
    exports.post(as_csv(rows(5)))
    with transaction() as conn:
        gauge_exports.claim_export(conn, uuid4(), timedelta(seconds=60))
    assert not intake.intake_one()


def test_a_worker_overtaken_while_it_loads(exports: Exports, monkeypatch: pytest.MonkeyPatch) -> None:
    """What a worker loaded goes again where another has taken over before it was done."""
    posted = exports.post(as_csv(rows(5))).json

    def overtaken(conn: Any, export: Any, file: File, shown: Any) -> Loaded:
        loaded = real_load(conn, export, file, shown)
        with transaction() as other:
            other.execute("UPDATE gauge_exports SET claim = %s", [uuid4()])
        return loaded

    monkeypatch.setattr(intake, "load", overtaken)
    assert intake.intake_one()
    assert counts(exports.fleet.conn) == (0, 0, 0, 0)
    monkeypatch.undo()
    with transaction() as conn:
        conn.execute("UPDATE gauge_exports SET lease_until = now() - interval '1 s'")
    assert intake.intake_one()
    assert counts(exports.fleet.conn) == (5, 1, 1, 1)
    assert exports.get(posted["id"])["rows"] == {"total": 5, "accepted": 5, "faulty": 0}


def test_a_parser_that_dies(exports: Exports, monkeypatch: pytest.MonkeyPatch) -> None:
    """The death of the parsing process is a fault of its export, and of nothing else."""
    exports.post(as_csv(rows(5)))
    monkeypatch.setattr(parser.sys, "executable", "/bin/false")
    assert intake.intake_one()
    monkeypatch.undo()
    (export,) = exports.fleet.get("/gauge-exports")["items"]
    assert (export["state"], export["problem"]["code"]) == ("failed", "unreadable-file")
    exports.fleet.call("POST", f"/gauge-exports/{export['id']}/retry")
    assert intake.intake_one()
    assert exports.get(export["id"])["rows"]["accepted"] == 5


def test_given_up_in_the_end(exports: Exports, monkeypatch: pytest.MonkeyPatch) -> None:
    """What goes wrong here is tried again after a pause, and given up after some attempts, with a problem."""
    exports.post(as_csv(rows(5)))

    def broken(*_: Any) -> Any:
        raise RuntimeError("as a bug would")

    monkeypatch.setattr(intake, "prepare", broken)
    for _ in range(intake.MAX_ATTEMPTS + 1):
        assert intake.intake_one()
        assert not intake.intake_one()  # not before its pause is over
        with transaction() as conn:
            conn.execute("UPDATE gauge_exports SET run_at = now() WHERE state = 'received'")
    (export,) = exports.fleet.get("/gauge-exports")["items"]
    assert (export["state"], export["problem"]["code"]) == ("failed", "gave-up")
    assert counts(exports.fleet.conn) == (0, 0, 0, 0)


@pytest.mark.faults
@pytest.mark.timeout(240)
def test_killed_in_the_middle(live_stack: LiveStack, conn: psycopg.Connection) -> None:
    """`kill -9` of the worker in the middle of a file: another reads it to its end, and nothing is there twice."""
    live_stack.call("PUT", "/v1/sites/north-yard", {"name": "North", "time_zone": "UTC"})
    live_stack.call("PUT", "/v1/tool-types/small", TOOL_TYPE)
    for n in range(50):
        live_stack.call("PUT", f"/v1/tools/H-{n}", {"tool_type": "small", "site": "north-yard"})
    many = [
        ROW | {"tool": f"H-{group % 50}", "reference": f"WO-{group}", "orientation": str(n)}
        for group in range(4_000)
        for n in range(40)
    ]
    conn.execute("LOCK TABLE inspections IN SHARE MODE")  # the readings go first; here it stops, as if it took long
    posted = live_stack.call("POST", "/v1/gauge-exports?layout=plain", as_csv(many), Content_Type="text/csv")
    address = posted.headers["Location"]
    live_stack.wait_for(lambda: live_stack.call("GET", address).json["rows"]["accepted"], 60)
    live_stack.kill(next(child for child in live_stack.children if child.name == "worker"))
    assert live_stack.call("GET", address).json["state"] == "reading"
    conn.rollback()
    assert counts(conn) == (0, 0, 0, 0)
    live_stack.start("worker")
    live_stack.wait_for(lambda: live_stack.call("GET", address).json["state"] in ("assessing", "done"), 120)
    export = live_stack.call("GET", address).json
    assert export["rows"] == {"total": 160_000, "accepted": 160_000, "faulty": 0}
    assert counts(conn) == (160_000, 4_000, 4_000, 4_000)
