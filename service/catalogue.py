"""A tool type of the catalogue as typed, frozen data.

The document that `from_document` reads is the canonical form kept with each revision: lengths in mm, every
default filled in, already checked (``service.api.tool_types`` checks what clients send). What a client leaves
out is decided in ``service.catalogue_defaults``.

Pure: no I/O, shared by the API and the worker.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any

SHRINKING = frozenset({"shaft", "wall", "length"})
GROWING = frozenset({"bore", "gap"})
FEATURE_KINDS = SHRINKING | GROWING


@dataclass(frozen=True, slots=True)
class Interval:
    """Closed interval of new sizes or clearances, [mm]."""

    min: float
    max: float

    @property
    def middle(self) -> float:
        return (self.min + self.max) / 2


@dataclass(frozen=True, slots=True)
class Side:
    """One end of a part that can be turned end for end."""

    side: str
    features: tuple[str, ...]  # part.feature, in an order that both sides have in common


@dataclass(frozen=True, slots=True)
class Part:
    code: str
    name: str
    quantity: int = 1
    matched_set: bool = False
    price: float | None = None
    mass_kg: float | None = None
    lead_days: float | None = None
    sides: tuple[Side, ...] = ()  # two, or none: what stands at the same place in them changes places


@dataclass(frozen=True, slots=True)
class Feature:
    """One measured dimension of a part; `code` is ``part.feature``."""

    part: str
    code: str
    kind: str
    new: Interval
    discard: float | None
    discard_on: str  # "worst" or "mean"
    monitor: float | None
    wear_mean: float | None  # mm per 1000 of the life basis
    wear_sd: float | None
    process_sd: float | None  # mm per root of 1000 of the life basis
    expansion_per_k: float
    material: str | None
    minimum_readings: int
    window: float | None  # half width of the plausible band about the middle of new, mm
    positions: Mapping[int, float]  # station -> axial position, mm

    @property
    def grows(self) -> bool:
        return self.kind in GROWING

    @property
    def allowed_wear(self) -> float | None:
        """Distance from the middle of new to the discard size, [mm]; None without a discard size."""
        return None if self.discard is None else abs(self.discard - self.new.middle)


@dataclass(frozen=True, slots=True)
class LeakPath:
    land_length: float  # mm
    upstream_fraction: float  # of the supply pressure
    downstream_fraction: float
    duty: float
    eccentricity: float


@dataclass(frozen=True, slots=True)
class Fit:
    code: str
    shaft: str  # part.feature
    bore: str
    new: Interval
    discard: float | None
    monitor: float | None
    loss_share: float | None
    mating_stations: tuple[tuple[int, int], ...] | None  # (bore station, shaft station); None = all
    leak: LeakPath | None


@dataclass(frozen=True, slots=True)
class Offset:
    """A difference of two mean sizes that has to stay between two values."""

    code: str
    larger: str
    smaller: str
    target: float | None
    min: float
    max: float


@dataclass(frozen=True, slots=True)
class Check:
    code: str
    part: str
    stage: str  # "as_found" or "as_left"
    sequence: int
    question: str
    on_fail: str  # "monitor", "discard" or "stop"


@dataclass(frozen=True, slots=True)
class Compressor:
    delivery_m3_min: float
    set_bar: float


@dataclass(frozen=True, slots=True)
class Air:
    supply_bar: float
    temperature_c: float
    consumption_m3_min: float
    consumption_exponent: float
    rate_exponent: float
    back_pressure_bar: float
    compressor: Compressor | None


@dataclass(frozen=True, slots=True)
class Decision:
    risk_accept: float
    risk_discard: float
    monitor_fraction: float


@dataclass(frozen=True, slots=True)
class AssumedUncertainty:
    """Standard uncertainties where a gauge has no study or no certificate, [mm] by gauge kind."""

    allowed: bool
    degrees_of_freedom: float
    random: Mapping[str, float]
    calibration: Mapping[str, float]


@dataclass(frozen=True, slots=True)
class TemperatureDoubt:
    """What is assumed about temperatures and expansion, [K] and [1/K]."""

    room_half_width_c: float
    between_objects_half_width_c: float
    part_u_c: float
    master_u_c: float
    gauge_u_c: float
    thermometer_u_c: float
    expansion_half_width_per_k: float


@dataclass(frozen=True)
class ToolType:
    """One revision of one tool type."""

    code: str
    revision: int
    name: str
    unit: str  # as the client sent it; everything here is mm
    life_basis: str  # "metres" or "hours"
    service_loss: float
    loss_model: str  # "rule" or "flow"
    loss_per_mm: float
    air: Air | None
    air_settings: Mapping[str, float]  # code -> consumption, m3/min
    decision: Decision
    assumed_uncertainty: AssumedUncertainty
    temperature: TemperatureDoubt
    currency: str | None
    stripdown_cost: float | None
    campaign: float | None
    parts: tuple[Part, ...]
    features: tuple[Feature, ...]
    fits: tuple[Fit, ...]
    offsets: tuple[Offset, ...]
    checks: tuple[Check, ...]
    ground_factors: Mapping[str, float]

    @cached_property
    def part_by_code(self) -> dict[str, Part]:
        return {part.code: part for part in self.parts}

    @cached_property
    def feature_by_code(self) -> dict[str, Feature]:
        return {feature.code: feature for feature in self.features}

    @cached_property
    def fit_by_code(self) -> dict[str, Fit]:
        return {fit.code: fit for fit in self.fits}

    @cached_property
    def check_by_code(self) -> dict[str, Check]:
        return {check.code: check for check in self.checks}

    def quantity_of(self, part: str) -> int:
        return self.part_by_code[part].quantity

    def names(self) -> set[str]:
        """Every name that results of this type are kept under: features, fits, and their limits at each position."""
        quantity = {feature.code: self.quantity_of(feature.part) for feature in self.features}
        several = {f"feature:{code}": count for code, count in quantity.items()}
        several |= {f"fit:{fit.code}": max(quantity[fit.shaft], quantity[fit.bore]) for fit in self.fits}
        names = {"performance", *quantity, *self.fit_by_code}
        for limit, count in several.items():
            names |= {limit} if count == 1 else {f"{limit}@{position}" for position in range(1, count + 1)}
        return names


def from_document(code: str, revision: int, document: Mapping[str, Any]) -> ToolType:
    """Read a canonical document.

    Parameters
    ----------
    code, revision : str, int
        Which tool type, and which revision of it.
    document : mapping
        As `catalogue_defaults.canonical_defaults` returns it.
    """
    air = document["air"]
    return ToolType(
        code=code,
        revision=revision,
        name=document["name"],
        unit=document["unit"],
        life_basis=document["life_basis"],
        service_loss=document["service_loss"],
        loss_model=document["loss_model"],
        loss_per_mm=document["loss_per_mm"],
        air=None if air is None else _air(air),
        air_settings={row["code"]: row["consumption_m3_min"] for row in document["air_settings"]},
        decision=Decision(**document["decision"]),
        assumed_uncertainty=AssumedUncertainty(**document["assumed_uncertainty"]),
        temperature=TemperatureDoubt(**document["temperature"]),
        currency=document["currency"],
        stripdown_cost=document["stripdown_cost"],
        campaign=document["campaign"],
        parts=tuple(_part(part) for part in document["parts"]),
        features=tuple(_feature(feature) for feature in document["features"]),
        fits=tuple(_fit(fit) for fit in document["fits"]),
        offsets=tuple(Offset(**offset) for offset in document["offsets"]),
        checks=tuple(Check(**check) for check in document["checks"]),
        ground_factors=document["ground_factors"],
    )


def _part(row: Mapping[str, Any]) -> Part:
    sides = [Side(one["side"], tuple(f"{row['code']}.{f}" for f in one["features"])) for one in row.get("sides") or ()]
    return Part(**{**row, "sides": tuple(sides)})


def _air(air: Mapping[str, Any]) -> Air:
    compressor = air["compressor"]
    return Air(**{**air, "compressor": None if compressor is None else Compressor(**compressor)})


def _feature(row: Mapping[str, Any]) -> Feature:
    wear = row["wear_per_1000"] or {}
    return Feature(
        part=row["part"],
        code=f"{row['part']}.{row['code']}",
        kind=row["kind"],
        new=Interval(**row["new"]),
        discard=row["discard"],
        discard_on=row["discard_on"],
        monitor=row["monitor"],
        wear_mean=wear.get("mean"),
        wear_sd=wear.get("sd"),
        process_sd=row["process_sd"],
        expansion_per_k=row["expansion_per_k"],
        material=row["material"],
        minimum_readings=row["minimum_readings"],
        window=row["window"],
        positions={s["station"]: s["position"] for s in row["stations"] if s.get("position") is not None},
    )


def _fit(row: Mapping[str, Any]) -> Fit:
    pairs = row["mating_stations"]
    return Fit(
        code=row["code"],
        shaft=row["shaft"],
        bore=row["bore"],
        new=Interval(**row["new"]),
        discard=row["discard"],
        monitor=row["monitor"],
        loss_share=row["loss_share"],
        mating_stations=None if pairs is None else tuple((b, s) for b, s in pairs),
        leak=None if row["leak"] is None else LeakPath(**row["leak"]),
    )
