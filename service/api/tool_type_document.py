"""The catalogue entry of a hammer type as clients say it and as the service answers it."""

from __future__ import annotations

from typing import Any

from service.api import fields
from service.api.schema import Document
from service.catalogue import FEATURE_KINDS
from service.catalogue_defaults import ASSUMED_UNCERTAINTY, TEMPERATURE

_KINDS: tuple[str, ...] = tuple(ASSUMED_UNCERTAINTY["random"])  # type: ignore[arg-type]


def _fraction(**more: Any) -> fields.Number:
    return fields.Number(low=0, high=1, **more)


def _amount(**more: Any) -> fields.Number:
    return fields.Number(low=0, high=1e12, **more)


class Interval(Document):
    """Closed interval."""

    min = fields.Length(required=True)
    max = fields.Length(required=True)


class SizeInterval(Document):
    """Closed interval of sizes."""

    min = fields.Length(low=0, required=True)
    max = fields.Length(low=0, required=True)


class Compressor(Document):
    """What feeds the hammer."""

    delivery_m3_min = fields.Number(above=0, high=1e4, required=True)
    set_bar = fields.Number(above=0, high=1e3, required=True)


class Air(Document):
    """The air the hammer runs on; pressures are absolute."""

    supply_bar = fields.Number(above=0, high=1e3, required=True)
    consumption_m3_min = fields.Number(above=0, high=1e4, required=True)
    temperature_c = fields.Number(low=-90, high=300)
    consumption_exponent = fields.Number(low=0, high=10)
    rate_exponent = fields.Number(low=0.1, high=10)
    back_pressure_bar = fields.Number(above=0, high=1e3)
    compressor = fields.Inner(Compressor)


class AirSetting(Document):
    """A way of setting the hammer up, by what it consumes."""

    code = fields.Name(required=True)
    consumption_m3_min = fields.Number(above=0, high=1e4, required=True)


class Decision(Document):
    """Risks taken with a decision."""

    risk_accept = _fraction()
    risk_discard = _fraction()
    monitor_fraction = _fraction(metadata={"description": "Of the way from new to discard"})


class AssumedUncertainty(Document):
    """Standard uncertainties where a gauge has no study or no certificate, by gauge kind."""

    allowed = fields.Flag()
    degrees_of_freedom = fields.Number(low=1)
    random = fields.Table(fields.Length(above=0), keys=_KINDS)
    calibration = fields.Table(fields.Length(above=0), keys=_KINDS)


TemperatureDoubt = type(
    "TemperatureDoubt",
    (Document,),
    {name: fields.Number(low=0, high=1 if name.endswith("_per_k") else 100) for name in TEMPERATURE}
    | {"__doc__": "What is assumed about temperatures and expansion."},
)


class Side(Document):
    """One end of a part that can be turned end for end."""

    side = fields.Name(required=True)
    features = fields.ListOf(
        fields.Name(),
        required=True,
        fewest=1,
        most=200,
        metadata={"description": "Codes of the part's features at this end, in the order of those at the other end"},
    )


class Part(Document):
    """A part of the hammer; several of one part have positions 1 to `quantity`."""

    code = fields.Name(required=True)
    name = fields.Text(shortest=1, longest=200, metadata={"description": "Default: the code"})
    quantity = fields.Count(low=1, high=100)
    matched_set = fields.Flag(metadata={"description": "A discard of one makes every fitted one of its set discard"})
    price = _amount()
    mass_kg = _amount()
    lead_days = _amount()
    sides = fields.ListOf(
        fields.Inner(Side),
        most=2,
        metadata={
            "description": "The two ends of a part that can be turned end for end (`reversals` of an inspection): the "
            "features at the same place in both lists then change places. None: it cannot be"
        },
    )


class Wear(Document):
    """Wear per 1000 of the life basis."""

    mean = fields.Length(low=0)
    sd = fields.Length(low=0)


class Station(Document):
    """A place along a feature where it is measured."""

    station = fields.Count(low=1, high=32767, required=True)
    position = fields.Length()


class Feature(Document):
    """One measured dimension of a part, known as `part.code`."""

    part = fields.Name(required=True)
    code = fields.Name(required=True)
    kind = fields.Choice(sorted(FEATURE_KINDS), required=True)
    new = fields.Inner(SizeInterval, required=True)
    discard = fields.Length(low=0)
    discard_on = fields.Choice(("worst", "mean"))
    monitor = fields.Length(low=0)
    wear_per_1000 = fields.Inner(Wear)
    process_sd = fields.Length(low=0)
    expansion_per_k = fields.Number(low=0, high=1e-3)
    material = fields.Name(metadata={"description": "The same code = one expansion coefficient as an influence"})
    minimum_readings = fields.Count(low=1, high=1000)
    window = fields.Length(above=0, metadata={"description": "Half width of what is plausible about the middle of new"})
    stations = fields.ListOf(fields.Inner(Station), most=200)


class LeakPath(Document):
    """The annular gap of a fit; pressures are fractions of `air.supply_bar`."""

    land_length = fields.Length(above=0, required=True)
    upstream_fraction = _fraction(required=True)
    downstream_fraction = _fraction(required=True)
    duty = _fraction()
    eccentricity = _fraction()


class Fit(Document):
    """A shaft in a bore; clearances are diametral."""

    code = fields.Name(required=True)
    shaft = fields.FeatureName(required=True)
    bore = fields.FeatureName(required=True)
    new = fields.Inner(Interval, metadata={"description": "Default: what the new sizes of the two features give"})
    discard = fields.Length()
    monitor = fields.Length()
    loss_share = _fraction(metadata={"description": "Shares of all fits that have one sum to 1"})
    mating_stations = fields.ListOf(
        fields.ListOf(fields.Count(low=1, high=32767), fewest=2, most=2),
        most=1000,
        metadata={"description": "Pairs [bore station, shaft station] that can face each other; none = all"},
    )
    leak = fields.Inner(LeakPath)


class Offset(Document):
    """A difference of two mean sizes that has to stay between two values."""

    code = fields.Name(required=True)
    larger = fields.FeatureName(required=True)
    smaller = fields.FeatureName(required=True)
    target = fields.Length()
    min = fields.Length(required=True)
    max = fields.Length(required=True)


class Check(Document):
    """A question that an inspection answers."""

    code = fields.Name(required=True)
    part = fields.Name(required=True)
    stage = fields.Choice(("as_found", "as_left"))
    sequence = fields.Count(high=1_000_000)
    question = fields.Text()
    on_fail = fields.Choice(("monitor", "discard", "stop"))


class ToolTypeBody(Document):
    """What the maintenance manual of one hammer type states."""

    name = fields.Text(required=True, shortest=1, longest=200)
    unit = fields.Unit(required=True)
    life_basis = fields.Choice(("metres", "hours"))
    service_loss = fields.Number(above=0, high=1)
    loss_model = fields.Choice(("rule", "flow"))
    loss_per_mm = fields.Number(above=0, high=1e6)
    air = fields.Inner(Air)
    air_settings = fields.ListOf(fields.Inner(AirSetting), most=100)
    decision = fields.Inner(Decision)
    assumed_uncertainty = fields.Inner(AssumedUncertainty)
    temperature = fields.Inner(TemperatureDoubt)
    currency = fields.Currency(metadata={"description": "Of all costs; in the form of ISO 4217"})
    stripdown_cost = _amount()
    campaign = _amount(metadata={"description": "Planned work, in the life basis"})
    parts = fields.ListOf(fields.Inner(Part), required=True, fewest=1, most=200)
    features = fields.ListOf(fields.Inner(Feature), required=True, fewest=1, most=1000)
    fits = fields.ListOf(fields.Inner(Fit), most=500)
    offsets = fields.ListOf(fields.Inner(Offset), most=500)
    checks = fields.ListOf(fields.Inner(Check), most=500)
    ground_factors = fields.Table(
        fields.Number(above=0, high=1000), metadata={"description": "Ground class: wear relative to the medium one"}
    )


class ToolTypeAnswer(ToolTypeBody):
    """One revision of a catalogue entry, every default filled in."""

    code = fields.Name(required=True)
    revision = fields.Count(required=True)
    recorded_at = fields.Moment(required=True)


class ToolTypeLine(Document):
    """A catalogue entry in a list."""

    code = fields.Name(required=True)
    name = fields.Text(required=True)
    revision = fields.Count(required=True)
    recorded_at = fields.Moment(required=True)


class ToolTypePage(Document):
    """Catalogue entries by code, or the revisions of one."""

    items = fields.ListOf(fields.Inner(ToolTypeLine), required=True)
    next = fields.Text(allow_none=True)
