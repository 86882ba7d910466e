"""Leak estimates: air past annular fits, without a tool. Nothing is stored."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import marshmallow as ma
import numpy as np

from service.access import requires
from service.api import fields
from service.api.answers import Answer, answer
from service.api.blueprint import Blueprint, gives, keyed, takes
from service.api.schema import Document, in_mm
from worker.method.leakage import REGIMES, TEMPERATURE_RANGE, LeakFlow, leak_flow

blueprint = Blueprint("leak-estimates", url_prefix="/v1/leak-estimates", description="Air past annular fits")

MAX_PATHS = 1_000  # some 15 ms, all of them eccentric
MAX_PRESSURE_BAR = 1e6
MAX_ENTRANCE_LOSS = 1e6
ZERO_CELSIUS_K = 273.15
PA_PER_BAR = 1e5
M_PER_MM = 1e-3
DEFAULTS = {"temperature_c": 20.0, "entrance_loss": 0.5, "roughness": 0.0}


class PathBody(Document):
    """One annular gap and the air on both sides of it."""

    diameter = fields.Length(above=0, required=True, metadata={"description": "Mean of the two sizes"})
    clearance = fields.Length(low=0, required=True, metadata={"description": "Diametral; smaller than the diameter"})
    land_length = fields.Length(above=0, required=True, metadata={"description": "Along the flow"})
    eccentricity = fields.Number(
        low=0, high=1, required=True, metadata={"description": "Offset of the axes over the mean gap"}
    )
    upstream_bar = fields.Number(low=0, high=MAX_PRESSURE_BAR, required=True, metadata={"description": "Absolute"})
    downstream_bar = fields.Number(
        low=0, high=MAX_PRESSURE_BAR, required=True, metadata={"description": "Absolute; above upstream: flows back"}
    )
    temperature_c = fields.Number(
        low=-123.15, high=1226.85, metadata={"description": "Total temperature of the air; default 20"}
    )
    entrance_loss = fields.Number(
        low=0, high=MAX_ENTRANCE_LOSS, metadata={"description": "Velocity heads; default 0.5, a square edge"}
    )
    roughness = fields.Length(low=0, metadata={"description": "Of the walls; default 0"})

    @ma.validates_schema(skip_on_field_errors=False)
    def check_gap(self, path: Mapping[str, Any], **_: Any) -> None:
        """Refuse a clearance that leaves no shaft."""
        if path.get("clearance", 0.0) >= path.get("diameter", np.inf):
            raise ma.ValidationError({"clearance": ["out-of-range|must be smaller than the diameter"]})


class PathsBody(Document):
    """Up to 1,000 paths, each by itself."""

    unit = fields.Unit(required=True)
    paths = fields.ListOf(fields.Inner(PathBody), required=True, most=MAX_PATHS)


class LeakAnswer(Document):
    """The leak of one path; negative where air flows from downstream to upstream."""

    mass_flow_kg_s = fields.Number(required=True)
    free_air_m3_min = fields.Number(required=True, metadata={"description": "At 1 bar absolute, 20 degC, dry"})
    slope_kg_s_per_mm = fields.Number(
        required=True, metadata={"description": "Change of the mass flow per mm of clearance, whatever the unit"}
    )
    reynolds = fields.Number(required=True, metadata={"description": "On twice the mean gap"})
    regime = fields.Choice(REGIMES, required=True)
    choked = fields.Flag(required=True, metadata={"description": "Speed of sound at the exit of the mean gap"})
    exit_mach = fields.Number(required=True)


class LeaksAnswer(Document):
    """One leak for each path, in their order."""

    paths = fields.ListOf(fields.Inner(LeakAnswer), required=True, most=MAX_PATHS)


_BODY = PathsBody()


@blueprint.post("")
@requires("read")
@takes(PathsBody, examples="leak-estimates")
@keyed()
@gives(200, LeaksAnswer)
def estimate_leaks(body: dict[str, Any]) -> Answer:
    """Estimate the air that leaks past annular fits: laminar to choked, concentric or not.

    Honest uncertainty: 15 % in laminar or fully turbulent flow, 30 % between; motion of the piston, oil and tilt
    are not modelled.
    """
    return answer({"paths": _shown(_flow(in_mm(_BODY, body, body["unit"])["paths"]))})


def _flow(paths: Sequence[Mapping[str, float]]) -> LeakFlow:
    """Return the leaks of paths whose lengths are mm."""

    def column(name: str, factor: float = 1.0) -> Any:
        return np.array([path.get(name, DEFAULTS.get(name)) for path in paths], np.float64) * factor

    return leak_flow(
        column("diameter", M_PER_MM),
        column("clearance", M_PER_MM),
        column("land_length", M_PER_MM),
        column("upstream_bar", PA_PER_BAR),
        column("downstream_bar", PA_PER_BAR),
        np.clip(column("temperature_c") + ZERO_CELSIUS_K, *TEMPERATURE_RANGE),  # a sum may miss its limit by a digit
        column("eccentricity"),
        column("entrance_loss"),
        column("roughness", M_PER_MM),
    )


def _shown(flow: LeakFlow) -> list[dict[str, Any]]:
    columns = {
        "mass_flow_kg_s": flow.mass_flow,
        "free_air_m3_min": flow.free_air,
        "slope_kg_s_per_mm": flow.slope * M_PER_MM,
        "reynolds": flow.reynolds,
        "regime": np.array(REGIMES)[flow.regime],
        "choked": flow.choked,
        "exit_mach": flow.exit_mach,
    }
    return [dict(zip(columns, row, strict=True)) for row in zip(*(c.tolist() for c in columns.values()), strict=True)]
