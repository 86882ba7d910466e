"""What an inspection looks like, coming and going (the OpenAPI document is made from this)."""

from __future__ import annotations

from typing import Any

import marshmallow as ma

from service import canonical, faults
from service.api import fields
from service.api.assessment_document import Assessment
from service.api.before_closing import BEFORE_CLOSING, Confirmation
from service.api.schema import Document

STATES = ("accepted", "assessed", "failed", "withdrawn")
_NULL = {"type": "null"}
CAUSES = ("posted", "added", "replaced", "corrected", "withdrawn", "source-withdrawn")


class Ground(ma.fields.Field[Any]):
    """A ground class, or shares of classes that sum to 1."""

    def __init__(self, **more: object) -> None:
        metadata = {
            "oneOf": [
                {"type": "string", "pattern": faults.IDENTIFIER},
                {"type": "object", "additionalProperties": {"type": "number", "minimum": 0, "maximum": 1}},
                _NULL,
            ]
        }
        super().__init__(allow_none=True, metadata=metadata, **more)  # type: ignore[arg-type]

    def _deserialize(self, value: object, attr: object, data: object, **more: object) -> object:
        if isinstance(value, str):
            return self.name_.deserialize(value)
        if isinstance(value, dict):
            return self.shares.deserialize(value)
        raise ma.ValidationError("bad-ground")

    name_ = fields.Name()
    shares = fields.Table(fields.Number(low=0, high=1))


class UsageBody(Document):
    """What was run; at least one of the two amounts."""

    metres = fields.Number(low=0, high=canonical.MAX_AMOUNT)
    hours = fields.Number(low=0, high=canonical.MAX_AMOUNT)
    ground = Ground()


class Usages(ma.fields.Field[Any]):
    """One entry of usage, or a list with one per ground class."""

    def __init__(self, **more: object) -> None:
        entry = {"$ref": "#/components/schemas/UsageBody"}
        metadata = {"oneOf": [entry, {"type": "array", "items": entry, "minItems": 1, "maxItems": 100}, _NULL]}
        super().__init__(allow_none=True, metadata=metadata, **more)  # type: ignore[arg-type]

    def _deserialize(self, value: object, attr: object, data: object, **more: object) -> object:
        return (self.many if isinstance(value, list) else self.one).deserialize(value)

    one = fields.Inner(UsageBody)
    many = fields.ListOf(fields.Inner(UsageBody), fewest=1, most=100)


class ReadingBody(Document):
    """One reading. Its value, or its trace, is in the document's unit."""

    feature = fields.FeatureName(required=True)
    value = fields.Length()
    kind = fields.Choice(canonical.KINDS, metadata={"description": "Left out: `size`"})
    component = fields.Name()
    position = fields.Count(low=1, high=canonical.MAX_POSITION)
    station = fields.Count(low=1, high=canonical.MAX_POSITION)
    orientation = fields.Number(low=0, below=360, metadata={"description": "Degrees"})
    trace = fields.ListOf(
        fields.Length(),
        fewest=1,
        most=100_000,
        metadata={
            "description": "Equidistant samples of a rocked bore gauge, for kind `trace`; fewer than 15 give no reading"
        },
    )
    gauge = fields.Name()
    master = fields.Name(metadata={"description": "The setting master; a deviation needs one"})
    setup = fields.Name()
    temperature_c = fields.Number(low=canonical.TEMPERATURES_C[0], high=canonical.TEMPERATURES_C[1])
    reference_temperature_c = fields.Number(low=canonical.TEMPERATURES_C[0], high=canonical.TEMPERATURES_C[1])


class SetupBody(Document):
    """One zero setting of a gauge."""

    setup = fields.Name(required=True)
    gauge = fields.Name()
    master = fields.Name()
    readings_at_zero = fields.Count(low=1, high=canonical.MAX_AT_ZERO, metadata={"description": "Left out: 1"})
    return_reading = fields.Length(
        metadata={
            "description": "What the gauge read back on its master after the readings, less its zero;"
            " a gauge export has no column for it"
        }
    )


class ThermometerBody(Document):
    """The thermometer every temperature was read with."""

    serial = fields.Name()
    standard_uncertainty_c = fields.Number(above=0, high=100)


class CheckSent(Document):
    """The answer to one of the tool type's checks."""

    check = fields.Name(required=True)
    result = fields.Choice(canonical.RESULTS, required=True)
    note = fields.Text(longest=faults.MAX_NOTE)


class RenewalBody(Document):
    """A component put in: after the readings of an as-found, before those of an as-left inspection."""

    part = fields.Name(required=True)
    position = fields.Count(low=1, high=canonical.MAX_POSITION)
    component = fields.Name(metadata={"description": "Created if unknown; left out: a new one without a serial"})
    removed_to = fields.Choice(canonical.DESTINATIONS, metadata={"description": "Left out: `scrapped`"})
    reason = fields.Choice(
        canonical.REASONS,
        metadata={"description": "Why: what broke is told apart from what wore out or left for another reason"},
    )


class ReversalBody(Document):
    """A part turned end for end: after the readings of an as-found, before those of an as-left inspection."""

    part = fields.Name(required=True, metadata={"description": "One with `sides` in the catalogue"})
    position = fields.Count(low=1, high=canonical.MAX_POSITION)


class InspectionHeader(Document):
    """An inspection without its readings."""

    reference = fields.Name(required=True)
    tool = fields.Name(required=True)
    taken_at = fields.Moment(required=True, past=True)
    stage = fields.Choice(canonical.STAGES, metadata={"description": "Left out: `as_found`"})
    inspector = fields.Text()
    unit = fields.Unit(metadata={"description": "Of every length; required with readings"})
    usage = Usages()
    setups = fields.ListOf(fields.Inner(SetupBody), most=canonical.MAX_ENTRIES)
    thermometer = fields.Inner(ThermometerBody)
    checks = fields.ListOf(fields.Inner(CheckSent), most=canonical.MAX_ENTRIES)
    renewals = fields.ListOf(fields.Inner(RenewalBody), most=canonical.MAX_ENTRIES)
    reversals = fields.ListOf(fields.Inner(ReversalBody), most=canonical.MAX_ENTRIES)
    remeasures = fields.Name(metadata={"description": "Reference of the earlier inspection measured again"})
    final = fields.Flag(metadata={"description": "No further measurement is possible"})


class InspectionBody(InspectionHeader):
    """An inspection of a stripped hammer: readings or checks, or both."""

    readings = fields.ListOf(fields.Inner(ReadingBody), most=canonical.MAX_READINGS)


class BatchBody(Document):
    """Several inspections, each stored or refused by itself."""

    inspections = fields.ListOf(fields.Inner(InspectionBody), required=True, fewest=1, most=500)


class SourceAnswer(Document):
    """One of the sources an inspection rests on."""

    source = fields.Count(required=True)
    taken_at = fields.Moment(required=True)
    sha256 = fields.Text(required=True, metadata={"description": "Of the canonical form"})
    export = fields.Text(allow_none=True)
    inspector = fields.Text(allow_none=True)
    thermometer = fields.Inner(ThermometerBody, allow_none=True)


class SentLength(Document):
    """A length as it came, where that was not in mm."""

    value = fields.Number(required=True)
    unit = fields.Choice(("in", "um"), required=True)


class ReadingAnswer(ReadingBody):
    """A reading as stored."""

    source = fields.Count(required=True)
    sent = fields.Inner(SentLength, allow_none=True)


class RecordContent(Document):
    """What an inspection says."""

    taken_at = fields.Moment(required=True)
    inspector = fields.Text(allow_none=True)
    thermometer = fields.Inner(ThermometerBody, allow_none=True)
    usage = fields.ListOf(fields.Inner(UsageBody), allow_none=True)
    remeasures = fields.Name(allow_none=True)
    final = fields.Flag()
    readings = fields.ListOf(fields.Inner(ReadingAnswer))
    setups = fields.ListOf(fields.Inner(SetupBody))
    checks = fields.ListOf(fields.Inner(CheckSent))
    renewals = fields.ListOf(fields.Inner(RenewalBody))
    reversals = fields.ListOf(fields.Inner(ReversalBody))
    sources = fields.ListOf(fields.Inner(SourceAnswer))


class VersionAnswer(RecordContent):
    """One version of an inspection."""

    inspection_version = fields.Count(required=True)
    inputs_as_of = fields.Moment(required=True)
    recorded_at = fields.Moment(required=True)
    cause = fields.Choice(CAUSES, required=True)


class VersionPage(Document):
    """Versions of an inspection, newest first."""

    unit = fields.Unit(required=True)
    items = fields.ListOf(fields.Inner(VersionAnswer), required=True)
    next = fields.Text(allow_none=True)


class InspectionLine(Document):
    """An inspection in a list."""

    id = fields.Text(required=True)
    tool = fields.Name(required=True)
    tool_type = fields.Name(required=True)
    site = fields.Name(required=True)
    reference = fields.Name(required=True)
    stage = fields.Choice(canonical.STAGES, required=True)
    taken_at = fields.Moment(required=True)
    state = fields.Choice(STATES, required=True)
    problem = ma.fields.Dict(allow_none=True)
    inspection_version = fields.Count(required=True)
    inputs_as_of = fields.Moment(required=True)
    created_at = fields.Moment(required=True)
    updated_at = fields.Moment(required=True)


class InspectionPage(Document):
    """Inspections in the order of time."""

    items = fields.ListOf(fields.Inner(InspectionLine), required=True)
    next = fields.Text(allow_none=True)


class RecordAnswer(InspectionLine, RecordContent):
    """An inspection with all it says."""

    before_closing = fields.ListOf(fields.Inner(Confirmation), required=True, metadata=BEFORE_CLOSING)
    unit = fields.Unit(required=True)


class AcceptedAnswer(Document):
    """An inspection that was accepted, or was there already."""

    id = fields.Text(required=True)
    state = fields.Choice(STATES, required=True)
    tool = fields.Name(required=True)
    reference = fields.Name(required=True)
    stage = fields.Choice(canonical.STAGES, required=True)
    inspection_version = fields.Count(required=True)
    problem = ma.fields.Dict(allow_none=True, metadata={"description": "Why it failed"})
    assessment = fields.Inner(Assessment, allow_none=True, metadata={"description": "With `Prefer: wait`"})


class WithdrawnUsage(Document):
    """Usage that went with a withdrawn inspection."""

    since = fields.Moment(data_key="from", allow_none=True)
    until = fields.Moment(data_key="to", required=True)
    metres = fields.Number(low=0, allow_none=True)
    hours = fields.Number(low=0, allow_none=True)
    amounts = fields.ListOf(fields.Inner(UsageBody), required=True)


class WithdrawnAnswer(Document):
    """A withdrawn inspection, and the usage that went with it."""

    id = fields.Text(required=True)
    state = fields.Choice(("withdrawn",), required=True)
    inspection_version = fields.Count(required=True)
    usage = fields.Inner(WithdrawnUsage, allow_none=True)


class BatchItem(Document):
    """What became of one inspection of a batch."""

    index = fields.Count(required=True)
    status = fields.Count(required=True)
    id = fields.Text(allow_none=True)
    problem = ma.fields.Dict(allow_none=True)


class BatchAnswer(Document):
    """What became of each."""

    items = fields.ListOf(fields.Inner(BatchItem), required=True)
