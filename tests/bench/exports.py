"""Parts of the measurement of a gauge export: its way in, a binary COPY of the same rows, memory, what tables take."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field

import psycopg
from psycopg.sql import SQL, Identifier

from tests.bench.processes import read, tree
from tests.bench.stack import Bench

PATIENCE_S = 300.0
LOOK_S = 0.02
LIMIT_MB = 600
SIZES = """
SELECT sum(pg_total_relation_size(relid)), sum(pg_indexes_size(relid))
FROM (SELECT %(table)s::regclass AS relid UNION SELECT relid FROM pg_partition_tree(%(table)s)) AS parts
"""
TABLES = ("readings", "inspections", "inspection_versions", "inspection_sources", "usage", "gauge_export_chunks")


@dataclass(frozen=True, slots=True)
class Loaded:
    """An export whose last reading can be queried; seconds since its POST began."""

    export_id: str
    answered_s: float
    loaded_s: float


def post_and_load(bed: Bench, body: bytes) -> Loaded:
    """Post an export, and wait for the transaction that stores its rows."""
    begun = time.perf_counter()
    answer = bed.stack.call("POST", "/v1/gauge-exports?layout=plain", body, Content_Type="text/csv")
    answered_s = time.perf_counter() - begun
    assert answer.status == 202, answer.body
    export_id = answer.json["id"]
    with psycopg.connect(bed.servers.database_url(), autocommit=True) as conn:
        while time.perf_counter() - begun < PATIENCE_S:
            row = conn.execute(
                "SELECT state, rows_accepted, problem FROM gauge_exports WHERE export_id = %s", [export_id]
            ).fetchone()
            assert row is not None
            if row[0] in ("assessing", "done"):
                assert row[1] == body.count(b"\n") - 1, row
                return Loaded(export_id, answered_s, time.perf_counter() - begun)
            assert row[0] != "failed", row
            time.sleep(LOOK_S)
    raise AssertionError(f"not loaded within {PATIENCE_S:.0f} s")


def warm_log(conn: psycopg.Connection) -> None:
    """Have the write-ahead log's files made and written once, as in a database that has run for a while.

    Else what is measured first pays for making them, and the COPY it is compared with finds them there.
    """
    conn.execute("CREATE TABLE passing AS SELECT repeat('x', 900) FROM generate_series(1, 900000)")
    conn.execute("DROP TABLE passing")
    for _ in range(2):
        conn.execute("CHECKPOINT")


def stop(bed: Bench, role: str) -> None:
    """Stop a role: what follows is measured without it."""
    for child in [child for child in bed.stack.children if child.name == role]:
        bed.stack.kill(child)


def copy_of_readings(conn: psycopg.Connection, rounds: int = 3) -> list[float]:
    """Seconds that a binary COPY of the stored readings into their own empty table takes, its commit included.

    The table is emptied for each round, and holds the same rows at the end.
    """
    with conn.cursor() as cursor, cursor.copy("COPY (SELECT * FROM readings) TO STDOUT (FORMAT BINARY)") as out:
        pieces = [bytes(piece) for piece in out]
    stream = b"".join(pieces)
    conn.commit()
    taken = []
    for _ in range(rounds):
        conn.execute("TRUNCATE readings")
        conn.commit()
        conn.autocommit = True
        conn.execute("CHECKPOINT")
        conn.autocommit = False
        begun = time.perf_counter()
        with conn.cursor() as cursor, cursor.copy("COPY readings FROM STDIN (FORMAT BINARY)") as copy:
            for start in range(0, len(stream), 1 << 20):
                copy.write(stream[start : start + (1 << 20)])
        conn.commit()
        taken.append(time.perf_counter() - begun)
    return taken


def count(conn: psycopg.Connection, table: str) -> int:
    """Rows of one of our tables."""
    row = conn.execute(SQL("SELECT count(*) FROM {}").format(Identifier(table))).fetchone()
    assert row is not None
    return int(row[0])


def tables(conn: psycopg.Connection, names: tuple[str, ...] = TABLES) -> Iterator[str]:
    """A row for each table: its rows, and its bytes with and without indexes, over all partitions."""
    for name in names:
        row = conn.execute(SIZES, {"table": name}).fetchone()
        assert row is not None
        whole, indexes = (float(size) / 2**20 for size in row)
        yield f"| table `{name}` | {count(conn, name):,} rows | {whole:.0f} MB, {indexes:.0f} of it indexes | | |"


# ---------------------------------------------------------------- memory


@dataclass(slots=True)
class _Watch:
    """The largest proportional memory seen of each kind of process, the processes of a role taken together; MB."""

    roots: dict[int, str]
    peak: dict[str, float] = field(default_factory=dict)
    over: threading.Event = field(default_factory=threading.Event)

    def run(self) -> None:
        while not self.over.wait(0.2):
            now: dict[str, float] = {}
            for pid, role in self.roots.items():
                for process in tree(pid):
                    kind = "parser" if "parse_process" in read(process, "cmdline") else role
                    now[kind] = now.get(kind, 0.0) + _proportional_mb(process)
            for kind, size in now.items():
                self.peak[kind] = max(size, self.peak.get(kind, 0.0))


@contextmanager
def peaks(bed: Bench) -> Iterator[dict[str, float]]:
    """Watch the memory of the roles while the block runs: MB by role, and of the process that reads files."""
    watch = _Watch({child.process.pid: child.name for child in bed.stack.children})
    thread = threading.Thread(target=watch.run, daemon=True)
    thread.start()
    try:
        yield watch.peak
    finally:
        watch.over.set()
        thread.join()


def _proportional_mb(pid: int) -> float:
    for line in read(pid, "smaps_rollup").splitlines():
        if line.startswith("Pss:"):
            return int(line.split()[1]) / 1024
    return 0.0
