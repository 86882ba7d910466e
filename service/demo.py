"""The invented fleet of `stripdown demo`: in over HTTP like anyone's readings, out as tool states.

What is invented is how far each tool was worn at each strip-down (`demo_fleet.json`, dates relative to
today). The readings are made from that here: the middle of new, less or plus the wear, plus a seeded gauge
error. This module knows the service by its address only.
"""

from __future__ import annotations

import csv
import io
import json
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from importlib.resources import files
from random import Random
from typing import Any
from urllib.error import HTTPError
from urllib.request import Request, urlopen

GAUGES = {
    "north-yard": {"shaft": "MIC-N1", "bore": "DBG-N1", "wall": "CAL-N1"},
    "south-camp": {"shaft": "MIC-S1", "bore": "DBG-S1", "wall": "MIC-S1"},
}
#: Spread of one reading, mm.
NOISE, COARSE_NOISE = 0.0012, 0.01
COARSE = {"bit.gauge-diameter": "CAL-N1", "sleeve.outside-diameter": "CAL-N1"}


class Refused(RuntimeError):
    """The service did not take a part of the demo fleet."""


@dataclass(frozen=True, slots=True)
class Service:
    """A running service and a token that may do everything."""

    url: str
    token: str

    def call(self, method: str, path: str, body: Any = None, content_type: str = "application/json") -> Any:
        """Send one request; return the answer read as JSON."""
        payload = body if isinstance(body, bytes) or body is None else json.dumps(body).encode()
        headers = {"Authorization": f"Bearer {self.token}", "Content-Type": content_type}
        request = Request(self.url + path, data=payload, method=method, headers=headers)  # noqa: S310  our own address
        try:
            with urlopen(request, timeout=120) as answer:  # noqa: S310  our own address
                return json.loads(answer.read() or b"null")
        except HTTPError as refusal:
            raise Refused(f"{method} {path}: {refusal.code} {refusal.read().decode()[:2000]}") from None


def run(base_url: str, token: str, say: Callable[[str], None] = print) -> None:
    """Load the demo fleet, wait until it is assessed, and print its states."""
    service = Service(base_url.rstrip("/"), token)
    fleet = json.loads(files("service").joinpath("demo_fleet.json").read_text(encoding="utf-8"))
    began = time.monotonic()
    put_reference_data(service, fleet)
    readings = sum(load_tool(service, fleet, tool) for tool in fleet["tools"])
    statuses = wait_for_statuses(service)
    took = time.monotonic() - began
    say(f"{len(statuses)} tools, {readings} readings posted and assessed in {took:.1f} s\n")
    for line in table(statuses, {tool["serial"]: tool["story"] for tool in fleet["tools"]}):
        say(line)


def put_reference_data(service: Service, fleet: dict[str, Any]) -> None:
    """Sites, catalogue, gauges, masters, tools and the serialised spares."""
    today = datetime.now(UTC).date()
    certificate = {
        "calibrated_on": (today - timedelta(days=400)).isoformat(),
        "due_on": (today + timedelta(days=200)).isoformat(),
    }
    for site in fleet["sites"]:
        service.call("PUT", f"/v1/sites/{site['code']}", {k: site[k] for k in ("name", "time_zone")})
    for code, tool_type in fleet["tool_types"].items():
        service.call("PUT", f"/v1/tool-types/{code}", tool_type)
    for serial, gauge in fleet["gauges"].items():
        dated = {"calibration": gauge["calibration"] | certificate} if "calibration" in gauge else {}
        service.call("PUT", f"/v1/gauges/{serial}", gauge | dated)
    for serial, master in fleet["masters"].items():
        service.call("PUT", f"/v1/masters/{serial}", master | certificate)
    for tool in fleet["tools"]:
        optional = {key: tool[key] for key in ("history", "air_setting") if key in tool}
        started = (today - timedelta(days=tool["started"])).isoformat()
        body = {"tool_type": tool["tool_type"], "site": tool["site"], "commissioned_on": started} | optional
        service.call("PUT", f"/v1/tools/{tool['serial']}", body | {"note": tool["story"]})
    for component in fleet["components"]:
        body = {key: component[key] for key in ("part", "tool_type", "site")}
        service.call("PUT", f"/v1/components/{component['serial']}", body | {"state": "stock"})


def load_tool(service: Service, fleet: dict[str, Any], tool: dict[str, Any]) -> int:
    """Post one tool's ledger and strip-downs; return the number of readings."""
    tool_type = fleet["tool_types"][tool["tool_type"]]
    service.call("POST", "/v1/usage", {"entries": list(ledger(tool, tool_type["life_basis"]))})
    posted = 0
    for number, strip_down in enumerate(tool["strip_downs"], start=1):
        for inspection in inspections(fleet, tool, strip_down, f"SD-{tool['serial'][2:]}-{number}"):
            posted += len(inspection["readings"])
            if strip_down.get("as") == "csv":
                path = "/v1/gauge-exports?layout=plain&on_fault=reject"
                service.call("POST", path, as_csv(inspection), "text/csv")
            else:
                service.call("POST", "/v1/inspections", inspection)
    return posted


def ledger(tool: dict[str, Any], basis: str) -> Iterator[dict[str, Any]]:
    """Usage in fortnights from the start to yesterday, uneven as work is."""
    random = Random(tool["serial"])  # noqa: S311  a demo that repeats
    now = midnight()
    for day in range(tool["started"], 0, -14):
        end = max(day - 14, 0)
        amount = tool["per_month"] * (day - end) / 30 * random.uniform(0.6, 1.4)
        yield {
            "tool": tool["serial"],
            "from": stamp(now - timedelta(days=day)),
            "to": stamp(now - timedelta(days=end)),
            basis: round(amount, 1),
            "ground": tool["ground"],
        }


def inspections(
    fleet: dict[str, Any], tool: dict[str, Any], strip_down: dict[str, Any], reference: str
) -> Iterator[dict[str, Any]]:
    """The as-found inspection of one strip-down and, where parts were renewed, the as-left one."""
    taken_at = midnight() - timedelta(days=strip_down["days_ago"]) + timedelta(hours=2)
    tool_type = fleet["tool_types"][tool["tool_type"]]
    as_found = {check["code"]: "pass" for check in tool_type.get("checks", []) if check["stage"] == "as_found"}
    common = {"reference": reference, "tool": tool["serial"], "inspector": "demo", "unit": "mm"}
    yield common | {
        "stage": "as_found",
        "taken_at": stamp(taken_at),
        "readings": list(readings(fleet, tool, strip_down, reference)),
        "checks": check_results(as_found | strip_down.get("checks", {})),
    }
    closing = strip_down.get("then")
    if closing:
        renewed = {row["part"] for row in closing["renew"]}
        measured = readings(fleet, tool, closing, reference + "-left")
        yield common | {
            "stage": "as_left",
            "taken_at": stamp(taken_at + timedelta(hours=3)),
            "renewals": closing["renew"],
            "readings": [row for row in measured if row["feature"].partition(".")[0] in renewed],
            "checks": check_results(closing["checks"]),
        }


def check_results(results: dict[str, str]) -> list[dict[str, str]]:
    return [{"check": code, "result": result} for code, result in results.items()]


def readings(fleet: dict[str, Any], tool: dict[str, Any], state: dict[str, Any], seed: str) -> Iterator[dict[str, Any]]:
    """Every feature of the tool, each station twice, at a quarter turn."""
    tool_type = fleet["tool_types"][tool["tool_type"]]
    quantity = {part["code"]: part.get("quantity", 1) for part in tool_type["parts"]}
    random = Random(seed)  # noqa: S311  a demo that repeats
    for feature in tool_type["features"]:
        name = f"{feature['part']}.{feature['code']}"
        worn = state["worn"] * state.get("more", {}).get(name, 1.0)
        for position in range(1, quantity[feature["part"]] + 1):
            for station in range(1, max(1, len(feature.get("stations", []))) + 1):
                for orientation in (0, 90):
                    row = reading(fleet, tool, feature, worn * (1.0 - 0.06 * (station - 1)), random)
                    place = {"feature": name, "station": station, "orientation": orientation}
                    which = {"position": position} if quantity[feature["part"]] > 1 else {}
                    yield place | which | row


def reading(
    fleet: dict[str, Any], tool: dict[str, Any], feature: dict[str, Any], worn: float, random: Random
) -> dict[str, Any]:
    """One reading with its gauge: bores against a setting ring, everything else directly."""
    gauges = GAUGES[tool["site"]]
    name = f"{feature['part']}.{feature['code']}"
    middle = (feature["new"]["min"] + feature["new"]["max"]) / 2
    toward_discard = feature.get("discard", middle) - middle
    gauge = COARSE.get(name) or gauges[feature["kind"]]
    coarse = gauge.startswith("CAL")
    size = middle + worn * toward_discard + random.gauss(0, COARSE_NOISE if coarse else NOISE)
    temperatures = {"temperature_c": 23.5, "reference_temperature_c": 22.0}
    if feature["kind"] != "bore":
        return {"kind": "size", "value": round(size, 2 if coarse else 3), "gauge": gauge} | temperatures
    masters = fleet["masters_for"]
    master = masters.get(name) or masters[f"{tool['tool_type']}/{name}"]
    deviation = round(size - fleet["masters"][master]["size"], 3)
    return {"kind": "deviation", "value": deviation, "gauge": gauge, "master": master} | temperatures


def as_csv(inspection: dict[str, Any]) -> bytes:
    """The same inspection as the file of a digital gauge, in the built-in layout `plain`."""
    header = ["reference", "tool", "stage", "taken_at", "inspector", "unit"]
    columns = [*header, *inspection["readings"][0]]
    columns += [name for name in ("master",) if name not in columns]
    sheet = io.StringIO()
    writer = csv.DictWriter(sheet, columns, lineterminator="\n")
    writer.writeheader()
    for row in inspection["readings"]:
        writer.writerow({key: inspection[key] for key in header} | row)
    return sheet.getvalue().encode()


def wait_for_statuses(service: Service, patience: float = 90.0) -> list[dict[str, Any]]:
    """The fleet's statuses once no file and no inspection waits for the worker."""
    until = time.monotonic() + patience
    while time.monotonic() < until:
        exports = service.call("GET", "/v1/gauge-exports")["items"]
        inspections = service.call("GET", "/v1/inspections?limit=1000")["items"]
        statuses: list[dict[str, Any]] = service.call("GET", "/v1/status")["items"]
        waiting = any(row["state"] == "accepted" for row in inspections) or any(
            row["state"] not in ("done", "failed") for row in exports
        )
        if not waiting and all(status["sequence"] > 0 for status in statuses):
            return statuses
        time.sleep(0.2)
    raise Refused(f"the demo fleet was not assessed within {patience:.0f} s")


COLUMNS = "{:8} {:11} {:12} {:>6}  {:26} {:10}  {}"


def table(statuses: list[dict[str, Any]], stories: dict[str, str]) -> Iterator[str]:
    """Two lines a tool: state, performance, remaining life, due date, parts to renew; and its story."""
    yield COLUMNS.format("tool", "site", "state", "of new", "remaining (10/50/90 %)", "due about", "renew")
    for status in statuses:
        retained = (status["performance"] or {}).get("retained")
        yield COLUMNS.format(
            status["tool"],
            status["site"],
            status["state"],
            "-" if retained is None else f"{retained:.0%}",
            remaining_life(status["remaining"] or {}),
            (status["due_on"] or {}).get("p50") or "-",
            ", ".join(named(part) for part in status["renew"]) or "-",
        )
        yield f"{'':8} {stories[status['tool']]}"


def remaining_life(remaining: dict[str, Any]) -> str:
    quantiles = [remaining.get(name) for name in ("p10", "p50", "p90")]
    unit = {"metres": "m", "hours": "h"}.get(remaining.get("basis", ""), "")
    return " / ".join("-" if amount is None else f"{amount:.0f}" for amount in quantiles) + f" {unit}"


def named(part: dict[str, Any]) -> str:
    return f"{part['part']} {part.get('component') or ''}".strip()


def midnight() -> datetime:
    return datetime.now(UTC).replace(hour=0, minute=0, second=0, microsecond=0)


def stamp(when: datetime) -> str:
    return when.isoformat().replace("+00:00", "Z")
