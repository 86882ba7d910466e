"""What the measurements are made on: the published worked example's hammer, many tools of it, their inspections."""

from __future__ import annotations

import json
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from itertools import count
from pathlib import Path
from typing import Any

from tests.bench.http_load import request_bytes
from tests.plugins.live import LiveStack

EXAMPLE = json.loads((Path(__file__).parents[1] / "published" / "worked_example.json").read_text(encoding="utf-8"))
READINGS = 24
FIRST_DAY = datetime(2026, 1, 1, tzinfo=UTC)


def put_fleet(stack: LiveStack, tools: int) -> list[str]:
    """Put in the reference data and so many tools; return their serials."""

    def put(path: str, body: Any) -> None:
        answer = stack.call("PUT", path, body)
        assert answer.status in (200, 201), answer.body

    put("/v1/sites/yard", {"name": "Yard", "time_zone": "UTC"})
    put("/v1/tool-types/example", EXAMPLE["catalogue"])
    for serial, gauge in EXAMPLE["gauges"].items():
        put(f"/v1/gauges/{serial}", gauge)
    for serial, master in EXAMPLE["masters"].items():
        put(f"/v1/masters/{serial}", master)
    serials = [f"B-{number:04d}" for number in range(tools)]
    for serial in serials:
        put(f"/v1/tools/{serial}", {"tool_type": "example", "site": "yard", "commissioned_on": "2025-12-01"})
    return serials


def inspection(tool: str, number: int, readings: int = READINGS) -> dict[str, Any]:
    """The example's inspection with so many of its readings, as the n-th of a tool."""
    body = {key: value for key, value in EXAMPLE["inspection"].items() if key != "usage"}
    taken_at = FIRST_DAY + timedelta(seconds=number)
    return body | {
        "tool": tool,
        "reference": f"N-{number}",
        "taken_at": taken_at.isoformat().replace("+00:00", "Z"),
        "readings": body["readings"][:readings],
    }


def inspections(path: str, token: str, tools: list[str], lane: int, lanes: int, first: int) -> Iterator[bytes]:
    """Requests of one connection, which has tools of its own so that connections do not wait for one another."""
    own = tools[lane::lanes]
    mark = "§".encode()
    bodies = {
        tool: json.dumps(inspection(tool, 0) | {"reference": "§", "taken_at": "§"}, ensure_ascii=False)
        .encode()
        .split(mark)
        for tool in own
    }
    for number in count(first):
        taken_at = (FIRST_DAY + timedelta(seconds=number)).isoformat().replace("+00:00", "Z").encode()
        for tool in own:
            start, middle, end = bodies[tool]
            yield request_bytes("POST", path, token, start + b"N-%d" % number + middle + taken_at + end)
