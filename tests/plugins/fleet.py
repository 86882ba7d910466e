"""A small invented fleet, put in over HTTP, and results written as a worker would have written them."""

from __future__ import annotations

import copy
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from uuid import UUID, uuid4

import psycopg
import pytest
from flask.testing import FlaskClient
from psycopg.types.json import Jsonb
from werkzeug.test import TestResponse

#: Two sites, a hammer of three parts: one pair that makes a fit, and a ring of two halves.
SITES = {"north-yard": "Australia/Perth", "south-camp": "Australia/Adelaide"}
TOOL_TYPE: dict[str, Any] = {
    "name": "Small test hammer",
    "unit": "mm",
    "life_basis": "metres",
    "parts": [
        {"code": "piston", "name": "Piston"},
        {"code": "casing", "name": "Wear casing"},
        {"code": "split-ring-half", "name": "Ring half", "quantity": 2, "matched_set": True},
    ],
    "features": [
        {
            "part": "piston",
            "code": "large-diameter",
            "kind": "shaft",
            "new": {"min": 97.90, "max": 97.92},
            "discard": 97.80,
        },
        {
            "part": "casing",
            "code": "piston-bore",
            "kind": "bore",
            "new": {"min": 97.98, "max": 98.00},
            "discard": 98.10,
        },
        {
            "part": "split-ring-half",
            "code": "thickness",
            "kind": "wall",
            "new": {"min": 9.98, "max": 10.02},
            "discard": 9.5,
        },
    ],
    "fits": [
        {
            "code": "piston-in-casing",
            "shaft": "piston.large-diameter",
            "bore": "casing.piston-bore",
            "new": {"min": 0.06, "max": 0.10},
            "discard": 0.21,
            "loss_share": 1.0,
        }
    ],
    "air_settings": [{"code": "low-air", "consumption_m3_min": 11.5}],
    "ground_factors": {"soft": 0.5, "hard": 2.0},
}


@dataclass(slots=True)
class Fleet:
    """What a test puts in and reads back; every call is checked unless it says which status it wants."""

    client: FlaskClient
    conn: psycopg.Connection

    def call(self, method: str, path: str, body: Any = None, status: int | None = None, **headers: str) -> TestResponse:
        sent = {name.replace("_", "-"): value for name, value in headers.items()}
        answer = self.client.open("/v1" + path, method=method, json=body, headers=sent)
        assert answer.status_code < 300 if status is None else answer.status_code == status, answer.get_data(True)
        return answer

    def get(self, path: str, status: int = 200, **headers: str) -> Any:
        return self.call("GET", path, status=status, **headers).json

    def put_tool(self, serial: str = "H-1", **more: Any) -> None:
        self.call("PUT", f"/tools/{serial}", {"tool_type": "small", "site": "north-yard"} | more)

    def put_component(self, serial: str, part: str = "piston", **more: Any) -> None:
        self.call("PUT", f"/components/{serial}", {"part": part, "tool_type": "small", "site": "north-yard"} | more)

    def fit(self, component: str, since: str, tool: str = "H-1", **more: Any) -> Any:
        return self.call("POST", f"/tools/{tool}/fittings", {"component": component, "from": since} | more).json

    def run(self, since: str, until: str, tool: str = "H-1", **more: Any) -> Any:
        entry = {"tool": tool, "from": since, "to": until} | (more or {"metres": 100.0})
        return self.call("POST", "/usage", {"entries": [entry]}).json["entries"][0]

    def dirty_from(self, tool: str = "H-1") -> datetime | None:
        """From when on the worker is to compute a tool again."""
        row = self.conn.execute(
            "SELECT w.dirty_from FROM tool_work w JOIN tools t USING (tool_id) WHERE t.serial = %s", [tool]
        ).fetchone()
        self.conn.rollback()
        return row[0] if row else None

    def settle(self) -> None:
        """Take all work away, as if a worker had done it."""
        self.conn.execute("DELETE FROM tool_work")
        self.conn.commit()

    def code(self, name: str) -> int:
        self.conn.execute("INSERT INTO codes (code) VALUES (%s) ON CONFLICT DO NOTHING", [name])
        row = self.conn.execute("SELECT code_id FROM codes WHERE code = %s", [name]).fetchone()
        assert row is not None
        return row[0]

    def insert(self, table: str, **values: Any) -> None:
        """Write one row as a worker would; lists and dicts are jsonb, a tuple is an array."""
        columns = ", ".join(f'"{name}"' for name in values)
        places = ", ".join(f"%({name})s" for name in values)
        sent = {name: Jsonb(value) if isinstance(value, list | dict) else value for name, value in values.items()}
        sent |= {name: list(value) for name, value in values.items() if isinstance(value, tuple)}
        self.conn.execute(f"INSERT INTO {table} ({columns}) VALUES ({places})", sent)  # type: ignore[arg-type]
        self.conn.commit()

    def insert_inspection(self, taken_at: str, tool: str = "H-1", **more: Any) -> UUID:
        """Write an inspection and its first version, without readings."""
        inspection_id = uuid4()
        row = {
            "inspection_id": inspection_id,
            "tool_id": self.tool_id(tool),
            "reference": f"WO-{str(inspection_id)[:8]}",
            "stage": "as_found",
            "taken_at": taken_at,
            "inputs_as_of": taken_at,
            "state": "assessed",
            "assessment_version": 1,
        }
        years = f"SELECT make_partitions({taken_at[:4]}, {taken_at[:4]})"
        self.conn.execute(years)  # type: ignore[arg-type]
        head = row | more
        self.insert("inspections", **head)
        said = {name: head[name] for name in ("inspection_id", "taken_at", "inputs_as_of")}
        self.insert("inspection_versions", **said, inspection_version=1, cause="posted")
        return inspection_id

    def insert_assessment(self, inspection_id: UUID, version: int = 1, **more: Any) -> dict[str, Any]:
        """Write an assessment of an inspection; return the key its sizes, clearances and limits share."""
        found = self.conn.execute(
            "SELECT i.taken_at, i.tool_id, i.inspection_version, t.tool_type_id FROM inspections i"
            " JOIN tools t USING (tool_id) WHERE inspection_id = %s",
            [inspection_id],
        ).fetchone()
        assert found is not None
        taken_at, tool_id, inspection_version, tool_type_id = found
        key = {"taken_at": taken_at, "inspection_id": inspection_id, "version": version, "tool_id": tool_id}
        row = {
            "inspection_version": inspection_version,
            "computed_at": taken_at,
            "inputs_as_of": taken_at,
            "digest": b"",
            "method": "1.0",
            "tool_type_id": tool_type_id,
            "revision": 1,
            "state": "monitor",
            "basis": "metres",
            "ground": {"hard": 1.0},
            "ground_factor": 2.0,
        }
        self.insert("assessments", **(key | row | more))
        return key

    def insert_size(self, key: dict[str, Any], feature: str = "piston.large-diameter", **more: Any) -> None:
        row = {
            "ordinal": 0,
            "feature_id": self.code(feature),
            "position": 1,
            "readings": 8,
            "mean": 97.872,
            "worst": 97.861,
            "worst_u": 0.0019,
            "worst_dof": None,
            "mean_u": 0.0011,
            "mean_dof": 12.0,
            "discard": 97.8,
            "discard_on": 0,
            "verdict": "serviceable",
            "blocked": False,
            "usage": 7.8,
            "worst_level": 0.034,
            "worst_rate": 0.005,
            "worst_level_var": 4e-6,
            "worst_cov": 1e-7,
            "worst_rate_var": 2e-6,
        }
        self.insert("sizes", **(key | row | more))

    def insert_clearance(self, key: dict[str, Any], fit: str = "piston-in-casing", **more: Any) -> None:
        row = {"ordinal": 0, "fit_id": self.code(fit), "mean": 0.141, "worst": 0.163, "worst_u": 0.0031}
        self.insert("clearances", **(key | row | {"verdict": "serviceable"} | more))

    def insert_status(self, tool: str = "H-1", **more: Any) -> None:
        row = {
            "tool_id": self.tool_id(tool),
            "sequence": 1,
            "state": "monitor",
            "updated_at": "2026-03-02T00:00:00Z",
            "basis": "metres",
            "ground": {"hard": 1.0},
            "ground_factor": 2.0,
        }
        self.insert("tool_status", **(row | more))

    def tool_id(self, tool: str) -> int:
        row = self.conn.execute("SELECT tool_id FROM tools WHERE serial = %s", [tool]).fetchone()
        assert row is not None
        return row[0]


@pytest.fixture
def fleet(client: FlaskClient, conn: psycopg.Connection) -> Fleet:
    """Two sites and a tool type; no tool yet."""
    made = Fleet(client, conn)
    for code, zone in SITES.items():
        made.call("PUT", f"/sites/{code}", {"name": code, "time_zone": zone})
    made.call("PUT", "/tool-types/small", copy.deepcopy(TOOL_TYPE))
    return made


@pytest.fixture
def bound_fleet(fleet: Fleet, make_client: Callable[..., FlaskClient]) -> Fleet:
    """The same fleet seen with a token bound to south-camp."""
    return Fleet(make_client("admin", site="south-camp"), fleet.conn)
