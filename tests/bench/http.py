"""POST of an inspection and GET of a status against bare routes: the same server, in turn, medians of ratios."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import repeat
from statistics import median

import psycopg

from tests.bench.fleet import inspections, put_fleet
from tests.bench.http_load import Load, request_bytes, run_load
from tests.bench.stack import Bench, bench

CONNECTIONS = 8
TOOLS = 160


def measure(rounds: int = 5, seconds: float = 10.0) -> Iterator[str]:
    """Yield the lines of the table; workers do not run."""
    with bench("api", bare=True) as bed:
        tools = put_fleet(bed.stack, TOOLS)
        _make_bare_tables(bed, tools)
        yield from _compare("POST inspection, 24 readings", bed, _posts(bed, tools), rounds, seconds)
        yield from _compare("GET status", bed, _gets(bed, tools[0]), rounds, seconds)


def _make_bare_tables(bed: Bench, tools: list[str]) -> None:
    from tests.bench.bare import TABLES

    status = bed.stack.call("GET", f"/v1/tools/{tools[0]}/status").body.decode()
    with psycopg.connect(bed.servers.database_url()) as conn:
        conn.execute(TABLES)
        conn.execute("INSERT INTO bare.statuses VALUES (%s, %s)", [tools[0], status])


class _posts:
    """Runs of POSTs on either side, each run with references of its own."""

    def __init__(self, bed: Bench, tools: list[str]) -> None:
        self.bed, self.tools, self.first = bed, tools, 0

    def __call__(self, ours: bool, seconds: float) -> Load:
        path, port = ("/v1/inspections", self.bed.port) if ours else ("/inspections", self.bed.bare_port)
        self.first += 100_000
        first, token, tools = self.first, self.bed.stack.token, self.tools
        return run_load(port, lambda n: inspections(path, token, tools, n, CONNECTIONS, first), seconds, CONNECTIONS)


class _gets:
    """Runs of GETs of one status on either side."""

    def __init__(self, bed: Bench, tool: str) -> None:
        self.ports = {True: bed.port, False: bed.bare_port}
        self.requests = {
            True: request_bytes("GET", f"/v1/tools/{tool}/status", bed.stack.token),
            False: request_bytes("GET", f"/status/{tool}"),
        }

    def __call__(self, ours: bool, seconds: float) -> Load:
        return run_load(self.ports[ours], lambda _: repeat(self.requests[ours]), seconds, CONNECTIONS)


def _compare(what: str, bed: Bench, run: _posts | _gets, rounds: int, seconds: float) -> Iterator[str]:
    for ours in (True, False):
        run(ours, 2.0)  # warm
    ratios, both = [], []
    for number in range(rounds):
        first = bool(number % 2)
        sides = {first: run(first, seconds), not first: run(not first, seconds)}
        assert not sides[True].refused and not sides[False].refused, sides
        ratios.append(sides[True].per_second / sides[False].per_second)
        both.append((sides[True].per_second, sides[False].per_second))
    ours_median, bare_median = (median(values) for values in zip(*both, strict=True))
    yield f"| {what} | {ours_median:.0f}/s | {bare_median:.0f}/s | {median(ratios):.2f} | >= 0.6 |"
