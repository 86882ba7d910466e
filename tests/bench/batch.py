"""Processor time of an inspection in a batch, on one core: the method, and loading and storing around it.

25 readings, 8 features, 4 fits with leakage; blunder checks; a wear model that the fleet has taught; the loss by the
rule and by the flow.
"""

from __future__ import annotations

import time
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import psycopg

from tests.bench.fleet import EXAMPLE
from tests.bench.fleet_rows import EACH, mark_all, put_reference, put_rows, use
from tests.bench.processes import tree_cpu_s
from tests.bench.stack import Bench, bench
from worker.assess import TOOLS_AT_ONCE, assess_batch, assess_until
from worker.batch import Batch
from worker.judge import Judged, judge_batch
from worker.learn import learn_type

TEACHERS, TOOLS = 40, 250
PATIENCE_S = 200.0
TYPE = "SELECT tool_type_id FROM tool_types"
MODELLED = "SELECT count(*), count(wear_model) FROM assessments JOIN tools USING (tool_id) WHERE serial LIKE 'B-%'"


@dataclass(slots=True)
class _Clock:
    """A judge that counts the processor time of this process in it, [s]."""

    spent: float = 0.0

    def judge(self, batch: Batch, compute: list[int] | None, tools: list[int] | None) -> list[Judged]:
        begun = time.process_time()
        try:
            return judge_batch(batch, compute, tools)
        finally:
            self.spent += time.process_time() - begun


def measure() -> Iterator[str]:
    """Rows of the table."""
    for loss_model in ("rule", "flow"):
        yield from _measure(loss_model)


def _measure(loss_model: str) -> Iterator[str]:
    catalogue: dict[str, Any] = EXAMPLE["catalogue"] | {"loss_model": loss_model}
    with bench() as bed:
        put_reference(bed.stack.config, catalogue)
        use(bed.stack.config)
        with psycopg.connect(bed.servers.database_url(), autocommit=True) as conn:
            _teach(conn)
            put_rows(conn, TOOLS, "B-")
            conn.execute("VACUUM ANALYZE")
            mark_all(conn, "B-")
            method, around, database = _run(bed)
            count = TOOLS * EACH
            assert conn.execute(MODELLED).fetchall() == [(count, count)]
    yield f"| batch, loss by {loss_model}: method, processor time an inspection | {method:.3f} ms | | | <= 0.4 ms |"
    yield (
        f"| batch, loss by {loss_model}: loading and storing ({around:.3f} ms the worker, {database:.3f} ms all of "
        f"PostgreSQL) | {around + database:.3f} ms | | | <= 0.4 ms |"
    )


def _teach(conn: psycopg.Connection) -> None:
    """Let a smaller fleet teach its wear."""
    put_rows(conn, TEACHERS, "A-")
    mark_all(conn, "A-")
    assess_until(time.monotonic() + PATIENCE_S)
    assert learn_type(int(conn.execute(TYPE).fetchall()[0][0])) == 1
    conn.execute("DELETE FROM tool_work")  # what the new version moves on is no part of this


def _run(bed: Bench) -> tuple[float, float, float]:
    """Milliseconds an inspection: method, the rest of this process, PostgreSQL."""
    assert bed.servers.postgres is not None
    server = bed.servers.postgres.process.pid
    clock, begun, database = _Clock(), time.process_time(), tree_cpu_s(server)
    while assess_batch(TOOLS_AT_ONCE, clock.judge):
        pass
    spent = time.process_time() - begun
    each = 1e3 / (TOOLS * EACH)
    return clock.spent * each, (spent - clock.spent) * each, (tree_cpu_s(server) - database) * each
