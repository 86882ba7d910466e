"""Usage that another transaction stores meanwhile, without holding the tool, met by many changes at once."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any
from uuid import UUID

import psycopg
import pytest

from service.config import Config
from service.store import pool
from service.store.errors import Conflict
from service.store.export_withdrawal import take_out_export
from service.store.pool import transaction
from tests.plugins.exports import ROW, Exports, as_csv, rows
from worker.intake.intake import intake_one

pytestmark = pytest.mark.db

COLUMNS = (*ROW, "metres", "inspector")
APART_S = 0.5
ENTRY = """
INSERT INTO usage (tool_id, period, metres, amounts)
SELECT tool_id, tstzrange(%s, %s), 5, '[{"metres": 5, "hours": null, "ground": null}]' FROM tools WHERE serial = 'H-1'
"""


def at(day: int) -> str:
    return f"2026-03-{day:02d}T00:00:00Z"


def file_of(*days: int, **more: Any) -> bytes:
    """An inspection of each of these days."""
    every: list[dict[str, Any]] = []
    for day in days:
        every += rows(2, reference=f"WO-{day}", taken_at=at(day), **more)
    return as_csv(every, COLUMNS)


@contextmanager
def stored_meanwhile(config: Config, since: str, until: str) -> Iterator[None]:
    """A ledger entry that somebody writes by hand, and commits only while the block runs."""
    with psycopg.connect(config.database_url, options=pool.options(config)) as conn:
        conn.execute(ENTRY, [since, until])
        timer = threading.Timer(APART_S, conn.commit)
        timer.start()
        try:
            yield
        finally:
            timer.join()


def states(exports: Exports) -> list[str]:
    return [item["state"] for item in exports.fleet.get("/inspections")["items"]]


def test_withdrawn_at_once(exports: Exports, store: Config) -> None:
    """Taking an export out whose usage would then meet such an entry is 409, and takes nothing out."""
    exports.read(file_of(1, 20, metres="10"))
    middle = exports.read(file_of(10, 12))
    with stored_meanwhile(store, at(2), at(4)):
        exports.fleet.conn.rollback()
        answer = exports.fleet.call("DELETE", f"/gauge-exports/{middle['id']}", status=409)
    assert answer.json["code"] == "conflict"
    assert "withdrawn" not in states(exports)


def test_changed_at_once(exports: Exports) -> None:
    """Sources taken out of many inspections leave no overlap of their transaction unchecked, though they move none."""
    exports.read(file_of(1, 10))
    more = exports.read(file_of(1, 10, value="97.8", inspector="CD"), on_existing="add")
    assert more["inspections"]["total"] == 2
    with pytest.raises(Conflict) as refused, transaction() as conn:
        conn.execute("SET CONSTRAINTS usage_no_overlap DEFERRED")
        conn.execute(ENTRY, [at(2), at(5)])
        conn.execute(ENTRY, [at(3), at(6)])
        take_out_export(conn, UUID(more["id"]))
    assert refused.value.code == "conflict"


def test_late_inspections_of_a_file(exports: Exports, store: Config) -> None:
    """A file whose late usage meets such an entry is read again, and then refuses the row by name."""
    exports.read(file_of(1, 20, metres="10"))
    exports.fleet.conn.execute("DELETE FROM usage WHERE lower(period) IS NOT NULL")
    exports.fleet.conn.commit()
    posted = exports.post(file_of(10, metres="10")).json
    with stored_meanwhile(store, at(2), at(4)):
        assert intake_one()
    assert exports.get(posted["id"])["state"] == "received"
    exports.fleet.conn.execute("UPDATE gauge_exports SET run_at = now() WHERE state = 'received'")
    exports.fleet.conn.commit()
    assert intake_one()
    assert {code for _, _, code in exports.faults(posted)} == {"usage-overlap"}
