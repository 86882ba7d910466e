"""A workshop: a small hammer type, its inspections over HTTP, and a worker that is called when the test says so."""

from __future__ import annotations

import copy
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any

import psycopg
import pytest
from flask.testing import FlaskClient

from service.config import Config
from worker.assess import assess_batch

START = datetime(2026, 1, 1, tzinfo=UTC)
KIND: dict[str, Any] = {
    "name": "Workshop test hammer",
    "unit": "mm",
    "life_basis": "metres",
    "service_loss": 0.20,
    "loss_per_mm": 1.538462,
    "parts": [
        {"code": "piston", "name": "Piston"},
        {"code": "casing", "name": "Casing"},
        {"code": "ring", "name": "Ring half", "quantity": 2, "matched_set": True},
    ],
    "features": [
        {
            "part": "piston", "code": "od", "kind": "shaft", "new": {"min": 97.90, "max": 97.92}, "discard": 97.80,
            "wear_per_1000": {"mean": 0.012, "sd": 0.005}, "process_sd": 0.004,
        },
        {
            "part": "casing", "code": "bore", "kind": "bore", "new": {"min": 97.98, "max": 98.00}, "discard": 98.09,
            "wear_per_1000": {"mean": 0.007, "sd": 0.003}, "process_sd": 0.004,
        },
        {
            "part": "ring", "code": "wall", "kind": "wall", "new": {"min": 9.99, "max": 10.01}, "discard": 9.5,
            "wear_per_1000": {"mean": 0.05, "sd": 0.02}, "process_sd": 0.01,
        },
    ],
    "fits": [
        {
            "code": "piston-in-casing", "shaft": "piston.od", "bore": "casing.bore", "new": {"min": 0.06, "max": 0.10},
            "discard": 0.21, "loss_share": 1.0,
        }
    ],
    "ground_factors": {"soft": 0.5, "hard": 2.0},
}  # fmt: skip


def day(n: float) -> str:
    """The n-th day of the tests, as a time."""
    return (START + timedelta(days=n)).isoformat()


@dataclass(slots=True)
class Workshop:
    """What a test puts in, and the worker."""

    client: FlaskClient
    conn: psycopg.Connection

    def call(self, method: str, path: str, body: Any = None) -> Any:
        answer = self.client.open("/v1" + path, method=method, json=body)
        assert answer.status_code < 300, answer.get_data(True)
        return answer.json

    def put_kind(self, **changes: Any) -> None:
        self.call("PUT", "/tool-types/kind", copy.deepcopy(KIND) | changes)

    def put_tool(self, serial: str = "H-1", **more: Any) -> None:
        self.call("PUT", f"/tools/{serial}", {"tool_type": "kind", "site": "yard"} | more)

    def inspect(
        self,
        n: float,
        sizes: dict[str, float] | None = None,
        metres: float | None = None,
        tool: str = "H-1",
        **more: Any,
    ) -> str:
        """Post an inspection of day n: sizes by feature (`@2` for a position), each read twice."""
        readings = []
        for name, value in (sizes or {}).items():
            feature, _, at = name.partition("@")
            for orientation in (0, 90):
                reading = {"feature": feature, "station": 1, "orientation": orientation, "value": value}
                if at:
                    reading["component" if at[0].isalpha() else "position"] = at if at[0].isalpha() else int(at)
                readings.append(reading)
        body = {"reference": f"W{n:g}", "tool": tool, "taken_at": day(n), "unit": "mm", "readings": readings} | more
        if metres is not None:
            body["usage"] = {"metres": metres, "ground": "hard"}
        if not readings:
            del body["readings"], body["unit"]
        return str(self.call("POST", "/inspections", body)["id"])

    def work(self) -> int:
        """Let the worker assess until nothing is due."""
        done = 0
        while claimed := assess_batch():
            done += claimed
        return done

    def assessment(self, inspection: str, **query: Any) -> Any:
        sent = "&".join(f"{name}={value}" for name, value in query.items())
        return self.call("GET", f"/inspections/{inspection}/assessment?{sent}")

    def status(self, tool: str = "H-1") -> Any:
        return self.call("GET", f"/tools/{tool}/status")

    def rows(self, statement: str, *parameters: Any) -> list[Any]:
        found = self.conn.execute(statement, parameters).fetchall()  # type: ignore[arg-type]
        self.conn.rollback()
        return found


@pytest.fixture
def shop(client: FlaskClient, conn: psycopg.Connection, store: Config) -> Workshop:
    """A site, a tool type and a tool put in on day 0."""
    made = Workshop(client, conn)
    made.call("PUT", "/sites/yard", {"name": "Yard", "time_zone": "UTC"})
    made.put_kind()
    made.put_tool(commissioned_on="2026-01-01")
    made.work()
    return made
