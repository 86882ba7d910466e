"""What a reader asks for, at 100,000 readings and at a hundred times as many: the same tools a hundred times over.

The small fleet is assessed by the worker; the large one is the small one copied in SQL, tool by tool as exports would
bring it, with identities of its own. 20 inspections of 25 readings a tool over ten years. Nothing is written while it
is read, so that PostgreSQL runs without fsync here.
"""

from __future__ import annotations

import random
import sys
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from statistics import median

import psycopg
from psycopg.sql import SQL, Identifier

from tests.bench.exports import tables
from tests.bench.fleet_rows import EACH, READINGS, mark_all, put_reference, put_rows, use
from tests.bench.processes import tree_cpu_s
from tests.bench.stack import Bench, bench
from worker.assess import assess_until

TOOLS, TIMES = 200, 100
ROUNDS = 300
LANES = 2
FEATURE, FIT = "piston.large-diameter", "piston-in-casing"
UNSAFE = ("fsync=off", "synchronous_commit=off", "full_page_writes=off", "autovacuum=off", "shared_buffers=1GB")
OF_TOOLS = ("tools", "tool_status", "tool_status_limits", "changes")
OF_INSPECTIONS = (
    "inspections", "inspection_versions", "inspection_sources", "usage", "assessments",
    "readings", "sizes", "clearances", "limits",
)  # fmt: skip
NEW = {
    "tool_id": "tool_id + %(n)s * (SELECT last FROM first_fleet)",
    "serial": "serial || '-' || %(n)s",
    "inspection_id": "md5(inspection_id::text || %(n)s)::uuid",
    "usage_id": "uuidv7()",
}
"""What a copy has of its own; `seq` of a change is left to its sequence."""
COLUMNS = """
SELECT attname FROM pg_attribute WHERE attrelid = %s::regclass AND attnum > 0 AND NOT attisdropped
  AND NOT (attidentity <> '' AND attname <> 'tool_id') ORDER BY attnum
"""


@dataclass(frozen=True, slots=True)
class Asked:
    """What requests of one kind took: processor time of API and database, and time until the answer; each [ms]."""

    cpu_ms: float
    wall_ms: float


def measure(times: int = TIMES) -> Iterator[str]:
    """Rows of the table."""
    with bench("api", settings=UNSAFE) as bed:
        url = bed.servers.database_url()
        put_reference(bed.stack.config)
        use(bed.stack.config)
        with psycopg.connect(url, autocommit=True) as conn:
            put_rows(conn, TOOLS, "S-")
            mark_all(conn, "S-")
            conn.execute("VACUUM ANALYZE")
            assess_until(time.monotonic() + 120)
            small = _ask_all(bed, conn)
            began = time.monotonic()
            _copy_fleet(url, times)
            filled_s = time.monotonic() - began
            large = _ask_all(bed, conn)
            lying = list(tables(conn, OF_INSPECTIONS + OF_TOOLS))
    before, after = (TOOLS * EACH * READINGS * n for n in (1, times))
    for what, asked in large.items():
        one = small[what]
        yield (
            f"| {what}: {before:,} and {after:,} readings, processor time of API and database (until answered) "
            f"| {asked.cpu_ms:.2f} ms ({asked.wall_ms:.2f}) | {one.cpu_ms:.2f} ms ({one.wall_ms:.2f}) "
            f"| {asked.cpu_ms / one.cpu_ms:.2f} ({asked.wall_ms / one.wall_ms:.2f}) | <= 1.5 |"
        )
    yield f"| filling the large one by copies in SQL | {filled_s:.0f} s | | | |"
    yield from lying


def _ask_all(bed: Bench, conn: psycopg.Connection) -> dict[str, Asked]:
    conn.execute("VACUUM ANALYZE")
    conn.execute("CHECKPOINT")
    serials = [row[0] for row in conn.execute("SELECT serial FROM tools ORDER BY serial").fetchall()]
    draw = random.Random(7)
    chosen = [draw.choice(serials) for _ in range(ROUNDS)]
    return {
        "status of a tool": _ask(bed, lambda n: f"/v1/tools/{chosen[n]}/status"),
        "history of a feature of a tool": _ask(bed, lambda n: f"/v1/tools/{chosen[n]}/history?feature={FEATURE}"),
        "history of a fit of a tool": _ask(bed, lambda n: f"/v1/tools/{chosen[n]}/history?fit={FIT}"),
        "first page of /v1/status": _ask(bed, lambda _: "/v1/status"),
        "first page of /v1/inspections of a tool": _ask(bed, lambda n: f"/v1/inspections?tool={chosen[n]}"),
    }


def _ask(bed: Bench, path: Callable[[int], str]) -> Asked:
    """Ask twice over, for tools drawn by lot; the first time fills caches and is not counted."""
    for n in range(ROUNDS):
        assert bed.stack.call("GET", path(n)).status == 200, path(n)
    begun, taken = _cpu_s(bed), []
    for n in range(ROUNDS):
        at = time.perf_counter()
        bed.stack.call("GET", path(n))
        taken.append(time.perf_counter() - at)
    return Asked(1e3 * (_cpu_s(bed) - begun) / ROUNDS, 1e3 * median(taken))


def _cpu_s(bed: Bench) -> float:
    assert bed.servers.postgres is not None
    roles = sum(tree_cpu_s(child.process.pid) for child in bed.stack.children)
    return roles + tree_cpu_s(bed.servers.postgres.process.pid)


def _copy_fleet(url: str, times: int) -> None:
    """Put the first fleet in again so many times less one, over as many connections as there are cores to use."""
    with psycopg.connect(url, autocommit=True) as conn:
        for name in OF_TOOLS + OF_INSPECTIONS:
            first, whole = Identifier(f"first_{name}"), Identifier(name)
            conn.execute(SQL("CREATE UNLOGGED TABLE {} AS SELECT * FROM {}").format(first, whole))
        conn.execute("CREATE VIEW first_fleet AS SELECT max(tool_id) AS last FROM first_tools")
        statements = [_copy(conn, name) for name in OF_TOOLS + OF_INSPECTIONS]
    with ThreadPoolExecutor(LANES) as pool:
        lanes = [pool.submit(_copy_lane, url, statements, range(1 + lane, times, LANES)) for lane in range(LANES)]
        for lane in lanes:
            lane.result()
    with psycopg.connect(url, autocommit=True) as conn:
        conn.execute("DROP VIEW first_fleet")
        for name in OF_TOOLS + OF_INSPECTIONS:
            conn.execute(SQL("DROP TABLE {}").format(Identifier(f"first_{name}")))


def _copy_lane(url: str, statements: list[str], numbers: range) -> None:
    with psycopg.connect(url, autocommit=True) as conn:
        conn.execute("SET session_replication_role = replica")  # rows that stand for rows that were checked
        for n in numbers:
            with conn.transaction():
                for statement in statements:
                    conn.execute(statement, {"n": n})


def _copy(conn: psycopg.Connection, name: str) -> str:
    columns = [row[0] for row in conn.execute(COLUMNS, [name]).fetchall()]
    values = ", ".join(NEW.get(column, column) for column in columns)
    return f"INSERT INTO {name} ({', '.join(columns)}) OVERRIDING SYSTEM VALUE SELECT {values} FROM first_{name}"


if __name__ == "__main__":
    print(*measure(int(sys.argv[1]) if len(sys.argv) > 1 else TIMES), sep="\n")
