"""The inspection as a document, and the canonical form by which the same source is known again.

A source is one JSON document or one file's group of good rows. Its canonical form does not depend on the order of
its readings, on the unit its lengths came in, on the offset its times were written with, or on defaults spelt out:
so the same inspection by JSON and by CSV has one digest. The form is text, made of lines, so that a reader of files
can build it column by column:

    document = sections joined by GS: header, usage, readings, checks, renewals, set-ups, and reversals if any
    section  = its lines, sorted by code point, joined by RS
    line     = its fields joined by US, nothing where a field is not given

Numbers are the shortest decimal that reads back as the same double, without exponent and without trailing zeros;
lengths are that decimal in mm, exactly (1 in = 25.4 mm); times are UTC; texts have their separators escaped.

Pure: no I/O, shared by the API and the worker.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime
from decimal import Decimal
from functools import lru_cache
from typing import Annotated, Literal

from msgspec import Meta, Struct

from service import faults, units

US, RS, GS = "\x1f", "\x1e", "\x1d"

MAX_LENGTH = 1e6  # of a length, in the unit it came in
MAX_AMOUNT = 1e9  # of usage, metres or hours
MAX_POSITION = 32_767  # what a smallint holds: positions and stations
MAX_AT_ZERO = 1_000
MAX_READINGS = 10_000  # of one inspection
MAX_ENTRIES = 1_000  # of its other lists
TEMPERATURES_C = (-100.0, 300.0)

Name = Annotated[str, Meta(pattern=r"\A[A-Za-z0-9._-]{1,64}\Z")]
#: A name that is looked up: what is found is well formed, so only one that is not found needs its letters checked.
Known = Annotated[str, Meta(min_length=1, max_length=64)]
KnownFeature = Annotated[str, Meta(min_length=3, max_length=129)]
Text = Annotated[str, Meta(max_length=faults.MAX_TEXT)]
Note = Annotated[str, Meta(max_length=faults.MAX_NOTE)]
Ordinal = Annotated[int, Meta(ge=1, le=MAX_POSITION)]
Temperature = Annotated[float, Meta(ge=TEMPERATURES_C[0], le=TEMPERATURES_C[1])]
Length = Annotated[float, Meta(ge=-MAX_LENGTH, le=MAX_LENGTH)]
Amount = Annotated[float, Meta(ge=0, le=MAX_AMOUNT)]
Share = Annotated[float, Meta(ge=0, le=1)]

STAGES = ("as_found", "as_left")
KINDS = ("size", "deviation", "trace")  # in the order of their numbers in the table of readings
RESULTS = ("pass", "fail", "not-done")
DESTINATIONS = ("scrapped", "stock")
REASONS = ("worn", "broken", "other")  # why a component was renewed


class Reading(Struct, forbid_unknown_fields=True, gc=False):
    """One reading as sent: lengths in the unit of its document, temperatures in degC."""

    feature: KnownFeature
    value: Length | None = None
    kind: Literal["size", "deviation", "trace"] = "size"
    component: Known | None = None
    position: Ordinal | None = None
    station: Ordinal | None = None
    orientation: Annotated[float, Meta(ge=0, lt=360)] | None = None
    trace: Annotated[list[Length], Meta(min_length=1, max_length=100_000)] | None = None
    gauge: Known | None = None
    master: Known | None = None
    setup: Name | None = None
    temperature_c: Temperature | None = None
    reference_temperature_c: Temperature | None = None


class Setup(Struct, forbid_unknown_fields=True, gc=False):
    """One zero setting of a gauge on its master."""

    setup: Name
    gauge: Known | None = None
    master: Known | None = None
    readings_at_zero: Annotated[int, Meta(ge=1, le=MAX_AT_ZERO)] = 1
    return_reading: Length | None = None  # put back on the master after the readings, less the zero


class CheckResult(Struct, forbid_unknown_fields=True, gc=False):
    check: Known
    result: Literal["pass", "fail", "not-done"]
    note: Note | None = None


class Renewal(Struct, forbid_unknown_fields=True, gc=False):
    """A component put in; `component` None is a new one without a serial."""

    part: Known
    position: Ordinal | None = None
    component: Name | None = None
    removed_to: Literal["scrapped", "stock"] = "scrapped"
    reason: Literal["worn", "broken", "other"] | None = None


class Reversal(Struct, forbid_unknown_fields=True, gc=False):
    """A part turned end for end."""

    part: Known
    position: Ordinal | None = None


class Thermometer(Struct, forbid_unknown_fields=True, gc=False):
    serial: Name | None = None
    standard_uncertainty_c: Annotated[float, Meta(gt=0, le=100)] | None = None


class Usage(Struct, forbid_unknown_fields=True, gc=False):
    """What was run, of one ground class or of shares of several."""

    metres: Amount | None = None
    hours: Amount | None = None
    ground: Name | dict[Name, Share] | None = None


class Inspection(Struct, forbid_unknown_fields=True):
    """An inspection as sent, once its shape is known to be right."""

    reference: Name
    tool: Known
    taken_at: str
    stage: Literal["as_found", "as_left"] = "as_found"
    inspector: Text | None = None
    unit: Literal["mm", "in"] | None = None
    usage: Usage | Annotated[list[Usage], Meta(min_length=1, max_length=100)] | None = None
    readings: Annotated[list[Reading], Meta(max_length=MAX_READINGS)] | None = None
    setups: Annotated[list[Setup], Meta(max_length=MAX_ENTRIES)] | None = None
    thermometer: Thermometer | None = None
    checks: Annotated[list[CheckResult], Meta(max_length=MAX_ENTRIES)] | None = None
    renewals: Annotated[list[Renewal], Meta(max_length=MAX_ENTRIES)] | None = None
    reversals: Annotated[list[Reversal], Meta(max_length=MAX_ENTRIES)] | None = None
    remeasures: Name | None = None
    final: bool = False

    def usages(self) -> Sequence[Usage]:
        """Return the usage entries, however many there are."""
        if self.usage is None:
            return ()
        return self.usage if isinstance(self.usage, list) else (self.usage,)


@lru_cache(maxsize=65_536)
def number_text(value: float) -> str:
    """Return the shortest decimal of a number, without exponent and trailing zeros.

    Examples
    --------
    >>> number_text(97.50), number_text(3), number_text(-0.0), number_text(1e-05)
    ('97.5', '3', '0', '0.00001')
    """
    text = repr(value + 0)
    if "e" in text:
        return format(Decimal(text).normalize(), "f")
    return text[:-2] if text.endswith(".0") else text


@lru_cache(maxsize=65_536)
def length_text(value: float, unit: str) -> str:
    """Return a length as its exact decimal in mm.

    Examples
    --------
    >>> length_text(3.853, "in"), length_text(97.8662, "mm"), length_text(97866.2, "um")
    ('97.8662', '97.8662', '97.8662')
    """
    return number_text(value) if unit == "mm" else format(units.exact_mm(value, unit), "f")


@lru_cache(maxsize=65_536)
def length_mm(value: float, unit: str) -> float:
    """Return the double nearest to the exact length in mm, so that a length sent in inches or in mm is one figure.

    Examples
    --------
    >>> length_mm(3.8, "in"), length_mm(96.52, "mm"), length_mm(-0.0, "mm")
    (96.52, 96.52, 0.0)
    """
    return float(value) + 0.0 if unit == "mm" else float(units.exact_mm(value, unit))  # minus zero is zero


_ESCAPES = {ord("\\"): "\\\\", ord(US): "\\u", ord(RS): "\\r", ord(GS): "\\g"}


def text_field(text: str | None) -> str:
    """Return a free text with the separators escaped."""
    return "" if text is None else text.translate(_ESCAPES)


def _optional(value: float | None) -> str:
    return "" if value is None else number_text(value)


def position_text(position: int | None, component: str | None) -> str:
    """Return the position of a reading: 1 where neither position nor component is given."""
    if position is None:
        return "" if component else "1"
    return str(position)


def reading_line(reading: Reading, unit: str) -> str:
    """Return the line of one reading whose lengths are in `unit`."""
    r = reading
    value = "" if r.value is None else length_text(r.value, unit)
    trace = "" if r.trace is None else " ".join([length_text(sample, unit) for sample in r.trace])
    orientation = "" if r.orientation is None else number_text(r.orientation)
    part = "" if r.temperature_c is None else number_text(r.temperature_c)
    other = "" if r.reference_temperature_c is None else number_text(r.reference_temperature_c)
    position = position_text(r.position, r.component)
    # \x1f is US: spelt out, since this runs for every reading.
    return (
        f"{r.feature}\x1f{r.component or ''}\x1f{position}\x1f{r.station or ''}\x1f{orientation}\x1f{r.kind}\x1f{value}"
        f"\x1f{trace}\x1f{r.gauge or ''}\x1f{r.master or ''}\x1f{r.setup or ''}\x1f{part}\x1f{other}"
    )


def all_setups(
    declared: Iterable[Setup], readings: Iterable[Reading], unit: str = "mm"
) -> set[tuple[str, str, str, int, str]]:
    """Return (setup, gauge, master, readings at zero, return reading) of every set-up: those declared or only named.

    A reading may name a set-up that nothing declares; it was then zeroed with one reading.
    """
    found = {(s.setup, s.gauge or "", s.master or "", s.readings_at_zero, _returned(s, unit)) for s in declared}
    named = {(setup, gauge) for setup, gauge, *_ in found}
    for reading in readings:
        if reading.setup is not None:
            key = (reading.setup, reading.gauge or "")
            if key not in named and (reading.setup, "") not in named:
                found.add((*key, reading.master or "", 1, ""))
    return found


def _returned(setup: Setup, unit: str) -> str:
    return "" if setup.return_reading is None else length_text(setup.return_reading, unit)


def ground_shares(ground: str | Mapping[str, float] | None) -> dict[str, float] | None:
    """Return a ground as shares of classes; None where it is not known."""
    if isinstance(ground, str):
        return {ground: 1.0}
    return None if ground is None else {name: ground[name] for name in sorted(ground)}


def usage_line(usage: Usage) -> str:
    shares = ground_shares(usage.ground) or {}
    ground = " ".join(f"{name}:{number_text(share)}" for name, share in shares.items())
    return f"{_optional(usage.metres)}{US}{_optional(usage.hours)}{US}{ground}"


def check_line(check: CheckResult) -> str:
    return f"{check.check}{US}{check.result}{US}{text_field(check.note)}"


def renewal_line(renewal: Renewal) -> str:
    line = f"{renewal.part}{US}{renewal.position or 1}{US}{renewal.component or ''}{US}{renewal.removed_to}"
    return f"{line}{US}{renewal.reason}" if renewal.reason else line


def reversal_line(reversal: Reversal) -> str:
    return f"{reversal.part}{US}{reversal.position or 1}"


def setup_line(setup: str, gauge: str, master: str, readings_at_zero: int, returned: str = "") -> str:
    line = f"{setup}{US}{gauge}{US}{master}{US}{readings_at_zero}"
    return f"{line}{US}{returned}" if returned else line


def header_line(
    *,
    tool: str,
    reference: str,
    stage: str,
    taken_at: datetime,
    inspector: str | None,
    thermometer: str | None,
    thermometer_u_c: float | None,
    remeasures: str | None,
    final: bool,
) -> str:
    """Return the line of what a source says once."""
    return US.join(
        (
            tool,
            reference,
            stage,
            units.show_moment(taken_at),
            text_field(inspector),
            text_field(thermometer),
            _optional(thermometer_u_c),
            remeasures or "",
            "final" if final else "",
        )
    )


def digest_of_lines(
    header: str,
    usage: Iterable[str],
    readings: Iterable[str],
    checks: Iterable[str],
    renewals: Iterable[str],
    setups: Iterable[str],
    reversals: Iterable[str] = (),
) -> bytes:
    """Return the SHA-256 of a canonical form given as its lines, in any order."""
    sections = [header, *(RS.join(sorted(lines)) for lines in (usage, readings, checks, renewals, setups))]
    turned = sorted(reversals)
    sections += [RS.join(turned)] if turned else []
    return hashlib.sha256(GS.join(sections).encode()).digest()


def digest(inspection: Inspection, taken_at: datetime) -> bytes:
    """Return the SHA-256 of the canonical form of a document.

    Parameters
    ----------
    inspection : Inspection
        As sent; with a unit if it has readings.
    taken_at : datetime
        Its `taken_at`, read.
    """
    unit = inspection.unit or "mm"
    thermometer = inspection.thermometer or Thermometer()
    header = header_line(
        tool=inspection.tool,
        reference=inspection.reference,
        stage=inspection.stage,
        taken_at=taken_at,
        inspector=inspection.inspector,
        thermometer=thermometer.serial,
        thermometer_u_c=thermometer.standard_uncertainty_c,
        remeasures=inspection.remeasures,
        final=inspection.final,
    )
    return digest_of_lines(
        header,
        [usage_line(usage) for usage in inspection.usages()],
        [reading_line(reading, unit) for reading in inspection.readings or ()],
        [check_line(check) for check in inspection.checks or ()],
        [renewal_line(renewal) for renewal in inspection.renewals or ()],
        [setup_line(*setup) for setup in all_setups(inspection.setups or (), inspection.readings or (), unit)],
        [reversal_line(reversal) for reversal in inspection.reversals or ()],
    )
