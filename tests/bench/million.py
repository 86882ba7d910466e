"""A gauge export of a million readings, from its POST to the last stored assessment, against a COPY of its readings."""

from __future__ import annotations

import sys
import time
from collections.abc import Iterator
from statistics import median

import psycopg

from tests.bench.export_file import READINGS, export_bytes, put_fleet
from tests.bench.exports import LIMIT_MB, TABLES, copy_of_readings, count, peaks, post_and_load, stop, tables, warm_log
from tests.bench.processes import tree_cpu_s
from tests.bench.stack import Bench, bench

INSPECTIONS, TOOLS = 40_000, 2_000
PATIENCE_S = 300.0
LOOK_S = 0.1
RESULTS = ("assessments", "sizes", "clearances", "limits", "tool_status", "changes")
ASSESSED = "SELECT count(DISTINCT inspection_id) FROM assessments"
WORK = "SELECT EXISTS (SELECT FROM tool_work WHERE claimed_from < '2025-06-01' OR dirty_from < '2025-06-01')"
"""Cheap to ask; what a newer wear model moves on is later, and no part of the export."""


def measure() -> Iterator[str]:
    """Rows of the table, with two computing processes on the machine's cores: loss by the rule, then by the flow.

    With one process last.
    """
    yield from run(2)
    for processes, by_flow in ((2, True), (1, False)):
        yield from [line for line in run(processes, by_flow=by_flow) if "assess" in line and "table" not in line]


def run(processes: int, *, by_flow: bool = False) -> Iterator[str]:
    """Rows of the table with so many computing processes, with leakage and loss by the flow or without."""
    body = export_bytes(INSPECTIONS, TOOLS)
    with bench("worker", "scheduler", "api", worker_processes=processes) as bed:
        put_fleet(bed.stack, TOOLS, by_flow=by_flow)
        with peaks(bed) as peak, psycopg.connect(bed.servers.database_url(), autocommit=True) as conn:
            _settle(conn)
            warm_log(conn)
            before, begun = _cpu(bed), time.perf_counter()
            loaded = post_and_load(bed, body)
            between = _cpu(bed)
            _assessed(conn, begun)
            assessed_s = time.perf_counter() - begun
            after = _cpu(bed)
        for role in ("worker", "scheduler", "api"):
            stop(bed, role)
        with psycopg.connect(bed.servers.database_url()) as conn:
            assert count(conn, "readings") == INSPECTIONS * READINGS
            assert conn.execute(ASSESSED).fetchall() == [(INSPECTIONS,)]
            lying = list(tables(conn, TABLES + RESULTS))
            copied_s = median(copy_of_readings(conn))
    yield (
        f"| export of {READINGS * INSPECTIONS:,} readings: POST to the last one queryable"
        f" (answered after {loaded.answered_s:.1f} s) | {loaded.loaded_s:.2f} s | binary COPY {copied_s:.2f} s "
        f"| {loaded.loaded_s / copied_s:.2f} | <= 3.5 |"
    )
    yield (
        f"| the same: POST to the last of {INSPECTIONS:,} assessments stored, {processes} computing process"
        f"{'es' * (processes > 1)}{', leakage and loss by flow' * by_flow} "
        f"| {assessed_s:.2f} s | the same COPY | {assessed_s / copied_s:.2f} | <= 10 |"
    )
    yield _spent("of this, processor time until the readings are queryable", before, between)
    yield _spent("of this, processor time from there to the last assessment", between, after)
    for role, size in sorted(peak.items()):
        yield f"| peak proportional memory: {role} | {size:.0f} MB | | | < {LIMIT_MB} MB |"
    yield from lying


def _settle(conn: psycopg.Connection) -> None:
    """Wait until the statuses of the new tools are computed: they are no part of what is measured."""
    until = time.monotonic() + PATIENCE_S
    while conn.execute("SELECT EXISTS (SELECT FROM tool_work)").fetchall()[0][0]:
        assert time.monotonic() < until, "the new tools have no status"
        time.sleep(LOOK_S)


def _assessed(conn: psycopg.Connection, begun: float) -> None:
    while conn.execute(WORK).fetchall()[0][0]:
        assert time.perf_counter() - begun < PATIENCE_S, "not assessed in time"
        time.sleep(LOOK_S)


def _cpu(bed: Bench) -> dict[str, float]:
    found = {child.name: tree_cpu_s(child.process.pid) for child in bed.stack.children}
    assert bed.servers.postgres is not None
    return found | {"PostgreSQL": tree_cpu_s(bed.servers.postgres.process.pid)}


def _spent(what: str, before: dict[str, float], after: dict[str, float]) -> str:
    parts = ", ".join(f"{role} {after[role] - before[role]:.1f} s" for role in sorted(after))
    return f"| {what} | {parts} | | | |"


if __name__ == "__main__":
    print(*run(2, by_flow="flow" in sys.argv), sep="\n")
