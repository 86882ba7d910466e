"""Files of readings, posted and read in this process."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any
from uuid import UUID

import pytest
from werkzeug.test import TestResponse

from tests.plugins.fleet import Fleet
from worker.intake.intake import intake_one

ROW = {
    "reference": "WO-1",
    "tool": "H-1",
    "taken_at": "2026-03-01T09:30:00+10:00",
    "feature": "piston.large-diameter",
    "station": "1",
    "orientation": "0",
    "value": "97.861",
    "unit": "mm",
}
CHECK_ROW = {
    "reference": "WO-1",
    "tool": "H-1",
    "taken_at": "2026-03-01T09:30:00+10:00",
    "check": "ring-seated",
    "result": "pass",
}


def as_csv(rows: Iterable[Mapping[str, Any]], columns: Iterable[str] = ROW) -> bytes:
    """Rows as a file; `columns` are its header."""
    columns = list(columns)
    lines = [",".join(columns), *(",".join(str(row.get(name, "")) for name in columns) for row in rows)]
    return "\n".join(lines).encode() + b"\n"


def rows(count: int, **more: Any) -> list[dict[str, Any]]:
    """Good rows of one inspection, each another orientation."""
    return [ROW | {"orientation": str(n * 360 / count)} | more for n in range(count)]


@dataclass(slots=True)
class Exports:
    """A fleet whose gauges write files, and the worker that reads them when the test says so."""

    fleet: Fleet

    def post(self, content: bytes, status: int = 202, **query: str) -> TestResponse:
        """Post a file; `type`, `encoding`, `key`, `prefer` are headers, the rest is its query."""
        headers = {
            name: query.pop(short)
            for short, name in (("encoding", "Content-Encoding"), ("key", "Idempotency-Key"), ("prefer", "Prefer"))
            if short in query
        }
        kind = query.pop("type", "text/csv")
        asked = {"layout": "plain"} | query
        answer = self.fleet.client.post(
            "/v1/gauge-exports", query_string=asked, data=content, content_type=kind, headers=headers
        )
        assert answer.status_code == status, answer.get_data(True)
        return answer

    def read(self, content: bytes, **query: str) -> Any:
        """Post a file and read it; return the export."""
        posted = self.post(content, **query).json
        while intake_one():
            pass
        return self.get(posted["id"])

    def get(self, export: str) -> Any:
        return self.fleet.get(f"/gauge-exports/{export}")

    def faults(self, export: Any) -> list[tuple[int, str | None, str]]:
        """Row, column and code of what is wrong."""
        items = self.fleet.get(f"/gauge-exports/{export['id']}/faults?limit=1000")["items"]
        return [(item["row"], item["column"], item["code"]) for item in items]

    def inspections(self, tool: str = "H-1") -> list[Any]:
        """Every inspection in force of a tool, with all it says."""
        listed = self.fleet.get(f"/inspections?tool={tool}")["items"]
        return [self.fleet.get(f"/inspections/{item['id']}") for item in listed if item["state"] != "withdrawn"]

    def digests(self, inspection: Any) -> set[str]:
        found = self.fleet.conn.execute(
            "SELECT encode(digest, 'hex') FROM inspection_sources WHERE inspection_id = %s AND until_version IS NULL",
            [UUID(inspection["id"])],
        ).fetchall()
        self.fleet.conn.rollback()
        return {row[0] for row in found}


@pytest.fixture
def exports(fleet: Fleet) -> Exports:
    """One tool with two gauges, a setting master and no inspection yet."""
    fleet.put_tool()
    gauge = {"kind": "micrometer", "unit": "mm", "resolution": 0.001}
    fleet.call("PUT", "/gauges/MIC-1", gauge)
    fleet.call("PUT", "/gauges/DBG-1", gauge | {"kind": "dial-bore"})
    fleet.call("PUT", "/masters/RING-98", {"unit": "mm", "size": 98.0, "expanded_uncertainty": 0.002})
    fleet.settle()
    return Exports(fleet)
