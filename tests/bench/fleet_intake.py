"""A simulated fleet put in over HTTP: gauges whose study has the simulated error, ground as lists, parts replaced."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
from flask.testing import FlaskClient

from tests.bench.simulated_fleet import FEATURES, Tool, tool_type

START = datetime(2023, 1, 1, tzinfo=UTC)
DAYS_PER_KM = 20.0
CLASSES = ("soft", "medium", "hard")
CODE = "simulated"
AT_ONCE = 100


def call(client: FlaskClient, method: str, path: str, body: Any = None) -> Any:
    """Send a request that has to succeed."""
    answer = client.open("/v1" + path, method=method, json=body)
    assert answer.status_code < 300, answer.get_data(as_text=True)[:2000]
    return answer.json


def put_catalogue(client: FlaskClient, **changes: Any) -> None:
    """Put in a site, the tool type and a gauge for each feature."""
    call(client, "PUT", "/sites/yard", {"name": "Yard", "time_zone": "UTC"})
    call(client, "PUT", f"/tool-types/{CODE}", tool_type() | changes)
    for feature in FEATURES:
        gauge = {
            "kind": "micrometer", "unit": "mm", "resolution": 1e-6,
            "repeatability": {"sd": feature.error, "degrees_of_freedom": 10_000},
            "calibration": {"expanded_uncertainty": 1e-6, "degrees_of_freedom": 10_000},
        }  # fmt: skip
        call(client, "PUT", f"/gauges/G-{feature.name}", gauge)


def post_tools(client: FlaskClient, tools: list[Tool], prefix: str) -> dict[tuple[int, int], str]:
    """Put in tools with all their inspections; return the inspection of each (tool, visit)."""
    for n in range(len(tools)):
        tool = {"tool_type": CODE, "site": "yard", "commissioned_on": START.date().isoformat()}
        call(client, "PUT", f"/tools/{prefix}{n}", tool)
    found: dict[tuple[int, int], str] = {}
    bodies = [(key, body) for n, tool in enumerate(tools) for key, body in _inspections(n, tool, f"{prefix}{n}")]
    for start in range(0, len(bodies), AT_ONCE):
        part = bodies[start : start + AT_ONCE]
        answer = call(client, "POST", "/inspections/batch", {"inspections": [body for _, body in part]})
        for (key, _), item in zip(part, answer["items"], strict=True):
            assert item["status"] < 300, item
            if key is not None:
                found[key] = item["id"]
    return found


def _inspections(n: int, tool: Tool, serial: str) -> Iterator[tuple[tuple[int, int] | None, dict[str, Any]]]:
    new = {f: float(wear) for f, wear in enumerate(tool.new)}
    yield None, _body(serial, "new", START, new, stage="as_left")
    for k, visit in enumerate(tool.visits):
        moment = START + timedelta(days=DAYS_PER_KM * visit.at_km)
        run = zip(CLASSES, visit.run.tolist(), strict=True)
        usage = [{"metres": 1000.0 * km, "ground": name} for name, km in run if km > 0]
        renewals = [{"part": FEATURES[f].name.partition("_")[0]} for f in visit.replaced]
        wear = {f: float(w) for f, w in enumerate(visit.found)}
        more = {"renewals": renewals} if renewals else {}
        yield (n, k), _body(serial, f"V{k}", moment, wear, usage=usage, **more)
        if visit.replaced:
            yield None, _body(serial, f"V{k}", moment + timedelta(hours=2), visit.replaced, stage="as_left")


def _body(serial: str, reference: str, moment: datetime, wear: dict[int, float], **more: Any) -> dict[str, Any]:
    features = tool_type()["features"]
    readings = []
    for f, amount in wear.items():
        row = features[f]
        middle = 0.5 * (row["new"]["min"] + row["new"]["max"])
        sign = 1.0 if row["kind"] == "bore" else -1.0
        readings.append(
            {
                "feature": f"{row['part']}.{row['code']}", "station": 1, "orientation": 0,
                "value": middle + sign * amount,
                "gauge": f"G-{FEATURES[f].name}", "temperature_c": 20.0, "reference_temperature_c": 20.0,
            }
        )  # fmt: skip
    body = {"reference": reference, "tool": serial, "taken_at": moment.isoformat(), "unit": "mm", "readings": readings}
    return body | more


def planned(plan: np.ndarray[Any, np.dtype[np.float64]]) -> str:
    """A planned mix as `?ground=` takes it."""
    return ",".join(f"{name}:{share:.12f}" for name, share in zip(CLASSES, plan.tolist(), strict=True))
