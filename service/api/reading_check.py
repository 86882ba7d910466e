"""The shape of an inspection: read at once where it is right, explained fault by fault where it is not.

One compiled reader (the types of `service.canonical`) takes what is well formed. Only what it refuses goes through the
schemas, which say everything that is wrong; of readings only the rows that it refuses, and no more of them than an
answer can tell.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any, TypeVar

import msgspec

from service import canonical, faults, units
from service.api.inspection_document import InspectionHeader, ReadingBody
from service.api.schema import check
from service.canonical import CheckResult, Inspection, Reading, Renewal, Reversal, Setup, Thermometer, Usage
from service.faults import Fault, fault, pointer

Entry = TypeVar("Entry", bound=msgspec.Struct)

_HEADER = InspectionHeader()
_READING = ReadingBody()
SHARES_TOLERANCE = 1e-3  # shares are written with a few digits
_WHOLE = frozenset({"position", "station", "readings_at_zero"})


@dataclass(frozen=True, slots=True)
class Sent:
    """An inspection as far as it could be read."""

    inspection: Inspection  # texts that could not be read are empty, the rest absent
    taken_at: datetime | None
    faults: list[Fault]


def read_inspection(document: Any) -> Sent:
    """Read one inspection from parsed JSON.

    Returns
    -------
    Sent
        With everything that is wrong with its shape; what it names is not looked up here.
    """
    if not isinstance(document, dict):
        return Sent(_nothing(), None, [fault("", "not-an-object")])
    try:
        inspection = msgspec.convert(document, Inspection)
        found: list[Fault] = []
    except msgspec.ValidationError:
        inspection, found = _explain(document)
    taken_at = units.read_moment(inspection.taken_at) if inspection.taken_at else None
    found += _check_time(inspection, taken_at, found)
    found += _check_header(inspection, found)
    found += _check_readings(inspection.readings or (), found)
    return Sent(inspection, taken_at, found)


# ---------------------------------------------------------------- what is refused, explained


def _explain(document: dict[str, Any]) -> tuple[Inspection, list[Fault]]:
    header = {name: value for name, value in document.items() if name != "readings"}
    _, found = check(_HEADER, header)
    readings, in_readings = _explain_readings(document.get("readings"))
    found += in_readings
    bad = _names_in(found)
    inspection = Inspection(
        reference=_text(document, "reference", bad),
        tool=_text(document, "tool", bad),
        taken_at=_text(document, "taken_at", bad),
        stage=_text(document, "stage", bad) or "as_found",  # type: ignore[arg-type]
        inspector=_text(document, "inspector", bad) or None,
        unit=_text(document, "unit", bad) or None,  # type: ignore[arg-type]
        usage=_usage(document.get("usage"), found),
        readings=readings,
        setups=_entries(document.get("setups"), Setup, found, "setups"),
        thermometer=_entry(document.get("thermometer"), Thermometer, found, "/thermometer"),
        checks=_entries(document.get("checks"), CheckResult, found, "checks"),
        renewals=_entries(document.get("renewals"), Renewal, found, "renewals"),
        reversals=_entries(document.get("reversals"), Reversal, found, "reversals"),
        remeasures=_text(document, "remeasures", bad) or None,
        final=document.get("final") is True,
    )
    return inspection, found


def _nothing() -> Inspection:
    return Inspection(reference="", tool="", taken_at="")


def _names_in(found: Iterable[Fault]) -> set[str]:
    """Return the first steps of the pointers of faults."""
    return {item.pointer.split("/", 2)[1] for item in found if item.pointer}


def _text(document: dict[str, Any], name: str, bad: set[str]) -> str:
    value = document.get(name)
    return value if isinstance(value, str) and name not in bad else ""


def _explain_readings(rows: Any) -> tuple[list[Reading] | None, list[Fault]]:
    if rows is None:
        return None, []
    if not isinstance(rows, list):
        return None, [fault("/readings", "not-a-list")]
    if len(rows) > canonical.MAX_READINGS:
        words = f"must have at most {canonical.MAX_READINGS} entries"
        return None, [fault("/readings", "too-many", words)]
    readings: list[Reading] = []
    found: list[Fault] = []
    for index, row in enumerate(rows):
        try:
            readings.append(msgspec.convert(row, Reading))
        except msgspec.ValidationError:
            at = pointer("readings", index)
            in_row = check(_READING, row, at)[1]
            found += in_row
            if len(found) >= faults.MAX_FAULTS:
                break  # the rest would not be told
            readings.append(_partly(row, Reading, in_row, at))
    return readings, found


def _entries(rows: Any, kind: type[Entry], found: Sequence[Fault], name: str) -> list[Entry] | None:
    if not isinstance(rows, list) or any(item.pointer == f"/{name}" for item in found):
        return None
    return [_partly(row, kind, found, pointer(name, index)) for index, row in enumerate(rows)]


def _entry(row: Any, kind: type[Entry], found: Sequence[Fault], at: str) -> Entry | None:
    return _partly(row, kind, found, at) if isinstance(row, dict) else None


def _usage(value: Any, found: Sequence[Fault]) -> Usage | list[Usage] | None:
    if isinstance(value, list):
        return _entries(value, Usage, found, "usage")
    return _entry(value, Usage, found, "/usage")


def _partly(row: Any, kind: type[Entry], found: Iterable[Fault], at: str) -> Entry:
    """Read what has no fault of an entry; a text that is required and has one is empty."""
    row = row if isinstance(row, dict) else {}
    bad = {item.pointer[len(at) + 1 :].split("/", 1)[0] for item in found if item.pointer.startswith(f"{at}/")}
    read: dict[str, Any] = {}
    for known in msgspec.structs.fields(kind):
        value = row.get(known.name)
        if value is not None and known.name not in bad:
            read[known.name] = int(value) if known.name in _WHOLE else value
        elif known.required:
            read[known.name] = ""
    return kind(**read)


# ---------------------------------------------------------------- rules between fields


def _check_time(inspection: Inspection, taken_at: datetime | None, found: Sequence[Fault]) -> Iterator[Fault]:
    if taken_at is None:
        if inspection.taken_at and not any(item.pointer == "/taken_at" for item in found):
            yield fault("/taken_at", "bad-time")
    elif taken_at > datetime.now(UTC) + timedelta(seconds=faults.FUTURE_TOLERANCE_S):
        if not any(item.pointer == "/taken_at" for item in found):
            yield fault("/taken_at", "time-in-future")


def _check_header(inspection: Inspection, found: Sequence[Fault]) -> Iterator[Fault]:
    bad = _names_in(found)
    lengths = inspection.readings or any(s.return_reading is not None for s in inspection.setups or ())
    if lengths and inspection.unit is None and "unit" not in bad:
        yield fault("/unit", "required", "is required with readings")
    if not inspection.readings and not inspection.checks and not bad & {"readings", "checks"}:
        yield fault("/readings", "no-readings")
    if inspection.usage is not None:
        yield from _check_usage(inspection, found)
    if inspection.setups:
        yield from _repeated(((s.setup, s.gauge) for s in inspection.setups), "setups", "setup")
    if inspection.checks:
        yield from _repeated(((c.check,) for c in inspection.checks), "checks", "check")
    if inspection.renewals:
        yield from _repeated(((r.part, r.position or 1) for r in inspection.renewals), "renewals", "part")
        named = ((r.component or "",) for r in inspection.renewals)
        yield from _repeated(named, "renewals", "component")
    if inspection.reversals:
        yield from _repeated(((r.part, r.position or 1) for r in inspection.reversals), "reversals", "part")
        renewed = {(r.part, r.position or 1) for r in inspection.renewals or () if r.part}
        for index, reversal in enumerate(inspection.reversals):
            if (reversal.part, reversal.position or 1) in renewed:
                yield fault(pointer("reversals", index, "part"), "reversed-and-renewed")


def _repeated(keys: Iterable[tuple[Any, ...]], name: str, field: str) -> Iterator[Fault]:
    seen: set[tuple[Any, ...]] = set()
    for index, key in enumerate(keys):
        if key[0] == "":
            continue  # not given, or a fault of its own
        if key in seen:
            yield fault(pointer(name, index, field), "duplicate")
        seen.add(key)


def _check_usage(inspection: Inspection, found: Sequence[Fault]) -> Iterator[Fault]:
    single = not isinstance(inspection.usage, list)
    bad = {item.pointer for item in found}
    grounds: set[str] = set()
    for index, usage in enumerate(inspection.usages()):
        at = "/usage" if single else pointer("usage", index)
        if usage.metres is None and usage.hours is None and not any(p.startswith(at) for p in bad):
            yield fault(at, "required", "metres or hours is required")
        if isinstance(usage.ground, dict) and abs(sum(usage.ground.values()) - 1.0) > SHARES_TOLERANCE:
            yield fault(f"{at}/ground", "bad-ground")
        text = canonical.usage_line(Usage(ground=usage.ground))
        if text in grounds:
            yield fault(f"{at}/ground" if usage.ground is not None else at, "duplicate")
        grounds.add(text)


def _check_readings(readings: Sequence[Reading], found: Sequence[Fault]) -> Iterator[Fault]:
    bad: set[str] | None = None
    for index, reading in enumerate(readings):
        if reading.kind == "size" and reading.value is not None and reading.value >= 0 and reading.trace is None:
            continue
        if reading.kind == "deviation" and reading.value is not None and reading.trace is None:
            continue
        if bad is None:
            bad = {item.pointer for item in found}
        for field, code, words in _reading_rules(reading):
            at = pointer("readings", index, field)
            if at not in bad and pointer("readings", index) not in bad:
                yield fault(at, code, words)


def _reading_rules(reading: Reading) -> Iterator[tuple[str, str, str | None]]:
    if reading.kind == "trace":
        if reading.trace is None:
            yield "trace", "required", None
        if reading.value is not None:
            yield "value", "invalid", faults.NO_VALUE_BESIDE_A_TRACE
        return
    if reading.value is None:
        yield "value", "required", None
    elif reading.kind == "size" and not 0 <= reading.value < math.inf:
        yield "value", "out-of-range", "a size cannot be below 0"
    if reading.trace is not None:
        yield "trace", "invalid", faults.NO_TRACE_BESIDE_A_VALUE
