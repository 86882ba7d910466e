"""A gauge export of any size, invented and always the same: 25 readings an inspection, 8 features, 4 fits."""

from __future__ import annotations

import random
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any

from service.layouts import READING_COLUMNS
from tests.plugins.live import LiveStack

READINGS = 25
FIRST_DAY = datetime(2016, 1, 1, tzinfo=UTC)
DAYS = 3_650
WEAR = 0.003  # mm an inspection
SCATTER = 0.003


@dataclass(frozen=True, slots=True)
class Feature:
    """A feature that every tool of the file has; `sign` is the direction it wears in."""

    part: str
    code: str
    new: float
    sign: int

    @property
    def name(self) -> str:
        return f"{self.part}.{self.code}"

    @property
    def master(self) -> str:
        return f"RING-{self.new:.0f}"


FEATURES = (
    Feature("piston", "large-diameter", 97.90, -1),
    Feature("casing", "piston-bore", 97.98, 1),
    Feature("piston", "small-diameter", 60.00, -1),
    Feature("sleeve", "bore", 60.08, 1),
    Feature("bit", "shank-diameter", 80.00, -1),
    Feature("chuck", "bore", 80.08, 1),
    Feature("tube", "outside-diameter", 40.00, -1),
    Feature("piston", "tube-bore", 40.08, 1),
)
FITS = {"upper": (0, 1), "lower": (2, 3), "shank": (4, 5), "tube": (6, 7)}


AIR = {
    "supply_bar": 21.0, "temperature_c": 56.85, "consumption_m3_min": 14.0, "consumption_exponent": 1.0,
    "rate_exponent": 1.25, "back_pressure_bar": 1.0, "compressor": {"delivery_m3_min": 14.72, "set_bar": 21.0},
}  # fmt: skip
LEAK = {"land_length": 70.0, "upstream_fraction": 0.86, "downstream_fraction": 0.16, "duty": 0.5, "eccentricity": 0.5}


GAUGE = {
    "unit": "mm", "resolution": 0.001, "calibration": {"expanded_uncertainty": 0.002},
    "repeatability": {"sd": SCATTER, "degrees_of_freedom": 30}, "reproducibility": {"sd": 0.001},
}  # fmt: skip


def tool_type(*, by_flow: bool = False) -> dict[str, Any]:
    """The catalogue of every tool of the file; with leakage and loss by the flow, or without."""
    features = [
        {
            "part": f.part, "code": f.code, "kind": "shaft" if f.sign < 0 else "bore",
            "new": {"min": f.new, "max": f.new + 0.02}, "discard": f.new + (0.3 if f.sign > 0 else -0.2),
            "wear_per_1000": {"mean": 0.01, "sd": 0.005}, "process_sd": 0.002,
        }
        for f in FEATURES
    ]  # fmt: skip
    fits = [
        {
            "code": code, "shaft": FEATURES[shaft].name, "bore": FEATURES[bore].name,
            "new": {"min": 0.06, "max": 0.10}, "discard": 0.4, "loss_share": 0.25, "leak": LEAK if by_flow else None,
        }
        for code, (shaft, bore) in FITS.items()
    ]  # fmt: skip
    return {
        "name": "File", "unit": "mm", "life_basis": "metres", "service_loss": 0.2, "loss_per_mm": 1.5,
        "parts": [{"code": part, "name": part} for part in sorted({f.part for f in FEATURES})],
        "features": features, "fits": fits, "ground_factors": {"hard": 1.5, "medium": 1.0},
        "air": AIR if by_flow else None, "loss_model": "flow" if by_flow else "rule",
    }  # fmt: skip


def serial(tool: int) -> str:
    """The serial of the n-th tool."""
    return f"X-{tool:05d}"


def put_fleet(stack: LiveStack, tools: int, *, by_flow: bool = False) -> None:
    """Put in everything that the file names."""

    def put(path: str, body: Any) -> None:
        answer = stack.call("PUT", path, body)
        assert answer.status in (200, 201), answer.body

    put("/v1/sites/yard", {"name": "Yard", "time_zone": "UTC"})
    put("/v1/tool-types/file", tool_type(by_flow=by_flow))
    for number in range(10):
        put(f"/v1/gauges/MIC-{number:02d}", {"kind": "micrometer"} | GAUGE)
        put(f"/v1/gauges/DBG-{number:02d}", {"kind": "dial-bore"} | GAUGE)
    for feature in FEATURES:
        if feature.sign > 0:
            put(f"/v1/masters/{feature.master}", {"unit": "mm", "size": feature.new, "expanded_uncertainty": 0.002})
    for tool in range(tools):
        put(f"/v1/tools/{serial(tool)}", {"tool_type": "file", "site": "yard", "commissioned_on": "2015-01-01"})


def export_bytes(inspections: int, tools: int, *, stations: tuple[int, ...] = (1, 2, 3)) -> bytes:
    """The file: so many inspections, dealt to so many tools.

    Other stations make other readings of the very same inspections.
    """
    draw = random.Random(1)
    rows = [",".join(READING_COLUMNS)]
    for tool in range(tools):
        count = inspections // tools + (tool < inspections % tools)
        for number in range(count):
            days = (number + draw.random() * 0.5) * DAYS / count
            rows += _inspection(draw, tool, number, FIRST_DAY + timedelta(days=days), stations)
    return "\n".join(rows).encode() + b"\n"


def _inspection(
    draw: random.Random, tool: int, number: int, taken_at: datetime, stations: tuple[int, ...]
) -> Iterator[str]:
    moment = taken_at.replace(microsecond=0).isoformat().replace("+00:00", "Z")
    room = 20 + draw.random() * 8
    temperature = room + draw.random()
    for k in range(READINGS):
        feature = FEATURES[k % len(FEATURES)]
        value = feature.new + feature.sign * WEAR * number + draw.gauss(0, SCATTER)
        gauge = f"MIC-{tool % 10:02d}," if feature.sign < 0 else f"DBG-{tool % 10:02d},{feature.master}"
        run = "1520.5,61.5,hard" if k == 0 else ",,"
        again = k // len(FEATURES)
        station = stations[again % len(stations)]
        yield (
            f"WO-{tool}-{number},{serial(tool)},as_found,{moment},{feature.name},,,{station},{again * 60},,"
            f"{value:.3f},,mm,{gauge},,,,,{temperature:.1f},{room:.1f},AB,{run},"
        )
