"""From POST to assessed, as a client sees it: inspections posted at a steady rate with `Prefer: wait`."""

from __future__ import annotations

import json
import time
from collections.abc import Iterator
from threading import Thread

from tests.bench.fleet import inspection, put_fleet
from tests.bench.stack import Bench, bench

RATE = 20
TOOLS = 100


def measure(seconds: float = 60.0) -> Iterator[str]:
    """Yield the lines of the table: p50 and p99 of the time until the answer holds the assessment."""
    with bench("api", "worker", "scheduler") as bed:
        tools = put_fleet(bed.stack, TOOLS)
        waits = sorted(_post_steadily(bed, tools, seconds))
    p50, p99 = waits[len(waits) // 2], waits[int(len(waits) * 0.99)]
    yield f"| POST to assessed, {RATE}/s for {seconds:.0f} s | p50 {p50 * 1000:.0f} ms | p99 {p99 * 1000:.0f} ms | | |"


def _post_steadily(bed: Bench, tools: list[str], seconds: float) -> list[float]:
    began = time.monotonic()
    threads = []
    waits: list[float] = []
    for number in range(int(RATE * seconds)):
        tool = tools[number % len(tools)]
        body = json.dumps(inspection(tool, number)).encode()
        time.sleep(max(0.0, began + number / RATE - time.monotonic()))
        thread = Thread(target=_post, args=(bed, body, waits))
        thread.start()
        threads.append(thread)
    for thread in threads:
        thread.join()
    # a request is not held while half of a process's threads wait already: those few are left out
    assert len(waits) > 0.95 * len(threads), f"{len(waits)} of {len(threads)} were held until assessed"
    return waits


def _post(bed: Bench, body: bytes, waits: list[float]) -> None:
    began = time.monotonic()
    answer = bed.stack.call("POST", "/v1/inspections", body, Prefer="wait=30")
    assert answer.status in (201, 202), answer.body
    if answer.status == 201:
        waits.append(time.monotonic() - began)
