"""Bodies of inspections that the tests of several routes send."""

from __future__ import annotations

from typing import Any

from tests.plugins.fleet import Fleet


def reading(feature: str = "piston.large-diameter", value: float = 97.861, **more: Any) -> dict[str, Any]:
    return {"feature": feature, "value": value} | more


def inspection(reference: str = "WO-1", taken_at: str = "2026-03-01T09:30:00+10:00", **more: Any) -> dict[str, Any]:
    """An as-found inspection of a piston and a casing."""
    body = {
        "reference": reference,
        "tool": "H-1",
        "taken_at": taken_at,
        "unit": "mm",
        "readings": [
            reading(station=1, orientation=0, gauge="MIC-1", temperature_c=24.5),
            reading("casing.piston-bore", 0.034, kind="deviation", gauge="DBG-1", master="RING-98", setup="morning"),
        ],
        "checks": [{"check": "valve-condition", "result": "pass"}],
    }
    return {name: value for name, value in (body | more).items() if value is not None}


def put_workshop(fleet: Fleet) -> Fleet:
    """A tool type with checks, two tools, a micrometer, a bore gauge and its ring."""
    tool_type = fleet.get("/tool-types/small")
    body = {name: value for name, value in tool_type.items() if name not in ("code", "revision", "recorded_at")}
    body["checks"] = [
        {"code": "valve-condition", "part": "piston", "stage": "as_found", "sequence": 1, "question": "Undamaged?"},
        {"code": "ring-seated", "part": "split-ring-half", "stage": "as_left", "sequence": 2, "question": "Seated?"},
    ]
    fleet.call("PUT", "/tool-types/small", body)
    fleet.put_tool("H-1")
    fleet.put_tool("H-2")
    fleet.call("PUT", "/gauges/MIC-1", {"kind": "micrometer", "unit": "mm", "resolution": 0.001})
    fleet.call("PUT", "/gauges/DBG-1", {"kind": "dial-bore", "unit": "mm", "resolution": 0.001})
    fleet.call("PUT", "/masters/RING-98", {"unit": "mm", "size": 98.0008, "expanded_uncertainty": 0.001})
    fleet.settle()
    return fleet


def post(fleet: Fleet, status: int = 202, query: str = "", **more: Any) -> Any:
    """Post an inspection; return the answer's document."""
    return fleet.call("POST", f"/inspections{query}", inspection(**more), status).json


def codes(problem: dict[str, Any]) -> list[tuple[str, str]]:
    return [(error["pointer"], error["code"]) for error in problem["errors"]]
