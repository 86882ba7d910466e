"""From POST to assessed: inspections posted at a steady rate, the time until each one's assessment is stored."""

from __future__ import annotations

import json
import time
from collections.abc import Iterator
from threading import Thread

import psycopg

from tests.bench.fleet import inspection, put_fleet
from tests.bench.stack import Bench, bench

RATE = 20
TOOLS = 100


def measure(seconds: float = 60.0) -> Iterator[str]:
    """Yield the lines of the table: p50 and p99 of stored assessment less arrival, by the database's clock."""
    with bench("api", "worker", "scheduler") as bed:
        tools = put_fleet(bed.stack, TOOLS)
        _post_steadily(bed, tools, seconds)
        waits = _waits(bed, int(RATE * seconds))
    waits.sort()
    p50, p99 = waits[len(waits) // 2], waits[int(len(waits) * 0.99)]
    yield f"| POST to assessed, {RATE}/s for {seconds:.0f} s | p50 {p50 * 1000:.0f} ms | p99 {p99 * 1000:.0f} ms | | |"


def _post_steadily(bed: Bench, tools: list[str], seconds: float) -> None:
    began = time.monotonic()
    threads = []
    for number in range(int(RATE * seconds)):
        tool = tools[number % len(tools)]
        body = json.dumps(inspection(tool, number)).encode()
        time.sleep(max(0.0, began + number / RATE - time.monotonic()))
        thread = Thread(target=_post, args=(bed, body))
        thread.start()
        threads.append(thread)
    for thread in threads:
        thread.join()


def _post(bed: Bench, body: bytes) -> None:
    answer = bed.stack.call("POST", "/v1/inspections", body)
    assert answer.status == 202, answer.body


def _waits(bed: Bench, expected: int) -> list[float]:
    query = """
        SELECT extract(epoch FROM a.saved_at - i.created_at)::float8
        FROM inspections i JOIN LATERAL (
            SELECT min(computed_at) AS saved_at FROM assessments WHERE inspection_id = i.inspection_id) a ON true
        WHERE a.saved_at IS NOT NULL
    """
    until = time.monotonic() + 60
    with psycopg.connect(bed.servers.database_url(), autocommit=True) as conn:
        while True:
            waits = [row[0] for row in conn.execute(query)]
            if len(waits) >= expected or time.monotonic() > until:
                assert len(waits) == expected, f"{len(waits)} of {expected} assessed"
                return waits
            time.sleep(0.5)
