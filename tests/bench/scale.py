"""What a reader asks for, at 100,000 readings and at a hundred times as many: the same tools a hundred times over.

The small fleet is assessed by the worker; the large one is the small one copied in SQL, tool by tool as exports would
bring it, with identities of its own. 20 inspections of 25 readings a tool over ten years. Both are asked in turn, each
by an API of its own. Nothing is written while it is read, so that PostgreSQL runs without fsync here.
"""

from __future__ import annotations

import random
import sys
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from statistics import median

import psycopg
from psycopg.sql import SQL, Identifier

from service.embedded.servers import DATABASE
from service.store import pool
from tests.bench.exports import stop, tables
from tests.bench.fleet_rows import EACH, READINGS, mark_all, put_reference, put_rows, use
from tests.bench.processes import tree_cpu_s
from tests.bench.stack import API_PROCESSES, Bench, bench
from tests.plugins.live import LiveStack, live
from worker.assess import assess_until

TOOLS, TIMES = 200, 100
FEW = "few"
"""The database of the small fleet."""
ROUNDS, TURNS = 600, 6
LANES = 2
FEATURE, FIT = "piston.large-diameter", "piston-in-casing"
ASKED: dict[str, Callable[[str], str]] = {
    "status of a tool": lambda tool: f"/v1/tools/{tool}/status",
    "history of a feature of a tool": lambda tool: f"/v1/tools/{tool}/history?feature={FEATURE}",
    "history of a fit of a tool": lambda tool: f"/v1/tools/{tool}/history?fit={FIT}",
    "first page of /v1/status": lambda _: "/v1/status",
    "first page of /v1/inspections of a tool": lambda tool: f"/v1/inspections?tool={tool}",
}
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
class Side:
    """A fleet, and the API on it."""

    stack: LiveStack
    chosen: list[str]  # tools, by lot


@dataclass(slots=True)
class Asked:
    """What requests of one kind took: processor time of API and database, and time until each answer; both [s]."""

    cpu_s: float = 0.0
    wall_s: list[float] = field(default_factory=list)

    def __str__(self) -> str:
        return f"{1e3 * self.cpu_s / len(self.wall_s):.2f} ms ({1e3 * median(self.wall_s):.2f})"


def measure(times: int = TIMES) -> Iterator[str]:
    """Rows of the table."""
    with bench("api", settings=UNSAFE) as bed:
        url, few_url = bed.servers.database_url(), bed.servers.database_url(FEW)
        put_reference(bed.stack.config)
        use(bed.stack.config)
        with psycopg.connect(url, autocommit=True) as conn:
            put_rows(conn, TOOLS, "S-")
            mark_all(conn, "S-")
            conn.execute("VACUUM ANALYZE")
            assess_until(time.monotonic() + 120)
            pool.close()
            stop(bed, "api")
            conn.execute(SQL("CREATE DATABASE {} TEMPLATE {}").format(Identifier(FEW), Identifier(DATABASE)))
            began = time.monotonic()
            _copy_fleet(url, times)
            filled_s = time.monotonic() - began
            bed.stack.start("api")
            beside = replace(bed.stack.config, database_url=few_url)
            with live(beside, bed.stack.folder, "api", api_processes=API_PROCESSES) as few:
                sides = [_side(few_url, few), _side(url, bed.stack)]
                asked = {what: _ask_in_turn(bed, sides, path) for what, path in ASKED.items()}
            lying = list(tables(conn, OF_INSPECTIONS + OF_TOOLS))
    before, after = (TOOLS * EACH * READINGS * n for n in (1, times))
    for what, (one, many) in asked.items():
        ratios = f"{many.cpu_s / one.cpu_s:.2f} ({median(many.wall_s) / median(one.wall_s):.2f})"
        yield (
            f"| {what}: {after:,} and {before:,} readings, processor time of API and database (until answered) "
            f"| {many} | {one} | {ratios} | <= 1.5 |"
        )
    yield f"| filling the large one by copies in SQL | {filled_s:.0f} s | | | |"
    yield from lying


def _side(url: str, stack: LiveStack) -> Side:
    with psycopg.connect(url, autocommit=True) as conn:
        conn.execute("VACUUM ANALYZE")
        conn.execute("CHECKPOINT")
        serials = [row[0] for row in conn.execute("SELECT serial FROM tools ORDER BY serial").fetchall()]
    draw = random.Random(7)
    return Side(stack, [draw.choice(serials) for _ in range(ROUNDS)])


def _ask_in_turn(bed: Bench, sides: list[Side], path: Callable[[str], str]) -> list[Asked]:
    """Ask each side by turns, so that a machine that gets slower does so for both.

    Every tool is asked for once before, which fills caches and is not counted.
    """
    asked = [Asked() for _ in sides]
    for side in sides:
        for tool in side.chosen:
            assert side.stack.call("GET", path(tool)).status == 200, path(tool)
    for turn in range(TURNS):
        for side, found in zip(sides, asked, strict=True):
            begun = _cpu_s(bed, side.stack)
            for tool in side.chosen[turn::TURNS]:
                at = time.perf_counter()
                side.stack.call("GET", path(tool))
                found.wall_s.append(time.perf_counter() - at)
            found.cpu_s += _cpu_s(bed, side.stack) - begun
    return asked


def _cpu_s(bed: Bench, stack: LiveStack) -> float:
    assert bed.servers.postgres is not None
    roles = sum(tree_cpu_s(child.process.pid) for child in stack.children)
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
