"""What an inspection names, checked against what is stored; together with the faults of its shape it is one answer.

Shared by the API and the worker: an inspection that came by a file is judged as one that came as a document.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from uuid import UUID

from service.canonical import Inspection, Reading, Renewal, Reversal
from service.catalogue import ToolType
from service.faults import Fault, fault, is_name, pointer
from service.store import placements, remeasures
from service.store.archive import refuse_archived
from service.store.inspections import Surroundings
from service.store.placements import Instant, Placement
from service.store.pool import Connection


@dataclass(frozen=True, slots=True)
class Named:
    """The names an inspection holds, each once."""

    gauges: Sequence[str]
    masters: Sequence[str]
    components: Sequence[str]


@dataclass(frozen=True, slots=True)
class Found:
    """Ids of what is named; what does not exist is not there."""

    gauges: Mapping[str, int]
    masters: Mapping[str, int]
    components: Mapping[str, Sequence[Placement]]
    remeasures_id: UUID | None = None


def names_in(inspection: Inspection) -> Named:
    """Return what has to be looked up."""
    readings, setups = inspection.readings or (), inspection.setups or ()
    gauges = {r.gauge for r in readings} | {s.gauge for s in setups}
    masters = {r.master for r in readings} | {s.master for s in setups}
    components = {r.component for r in readings} | {r.component for r in inspection.renewals or ()}
    return Named(_sorted(gauges), _sorted(masters), _sorted(components))


def _sorted(names: set[str | None]) -> list[str]:
    return sorted(name for name in names if name)


def check_references(
    conn: Connection,
    inspection: Inspection,
    taken_at: datetime | None,
    around: Surroundings,
    tool_type: ToolType | None,
) -> tuple[Found, list[Fault]]:
    """Return the ids of everything an inspection names, and what is wrong with the names.

    Parameters
    ----------
    conn : Connection
    inspection : Inspection
        As far as it could be read.
    taken_at : datetime or None
    around : Surroundings
        Looked up by the names in it.
    tool_type : ToolType or None
        The newest revision of the tool's type; None where there is no such tool.

    Raises
    ------
    Conflict
        Code ``archived``: what it measures again lies in an archived year.
    """
    named = names_in(inspection)
    gauges = {name: i for name, i in zip(named.gauges, around.gauges, strict=True) if i is not None}
    masters = {name: i for name, i in zip(named.masters, around.masters, strict=True) if i is not None}
    places = _placements(conn, around, taken_at, named.components)
    faults = list(_unknown_names(inspection, gauges, masters))
    remeasured: UUID | None = None
    if around.tool_id is None:
        if inspection.tool:
            faults.append(_unknown("/tool", "unknown-tool", inspection.tool))
    elif tool_type is not None:
        faults += _check_catalogue(inspection, tool_type)
        if named.components:
            faults += _check_components(inspection, tool_type, around, places, _instant(inspection, taken_at, around))
        if taken_at is not None:
            faults += _check_usage(inspection, taken_at, around)
            if inspection.remeasures:
                remeasured, found = _check_remeasured(conn, inspection, taken_at, around, tool_type)
                faults += found
    return Found(gauges, masters, places, remeasured), faults


def _unknown(at: str, code: str, name: str) -> Fault:
    return fault(at, code if is_name(name) else "bad-identifier")


def _unknown_names(inspection: Inspection, gauges: Mapping[str, int], masters: Mapping[str, int]) -> Iterator[Fault]:
    for index, reading in enumerate(inspection.readings or ()):
        if reading.gauge is not None and reading.gauge not in gauges:
            yield _unknown(pointer("readings", index, "gauge"), "unknown-gauge", reading.gauge)
        if reading.master is not None:
            if reading.master not in masters:
                yield _unknown(pointer("readings", index, "master"), "unknown-master", reading.master)
        elif reading.kind == "deviation":
            yield fault(pointer("readings", index, "master"), "master-required")
    for index, setup in enumerate(inspection.setups or ()):
        if setup.gauge is not None and setup.gauge not in gauges:
            yield _unknown(pointer("setups", index, "gauge"), "unknown-gauge", setup.gauge)
        if setup.master is not None and setup.master not in masters:
            yield _unknown(pointer("setups", index, "master"), "unknown-master", setup.master)


def _check_catalogue(inspection: Inspection, tool_type: ToolType) -> Iterator[Fault]:
    features, quantities = tool_type.feature_by_code, {part.code: part.quantity for part in tool_type.parts}
    for index, reading in enumerate(inspection.readings or ()):
        feature = features.get(reading.feature)
        if feature is None:
            if reading.feature:
                yield _unknown_feature(index, reading)
            continue
        quantity = quantities[feature.part]
        if quantity > 1 and reading.position is None and reading.component is None:
            yield fault(pointer("readings", index, "position"), "position-required")
        elif reading.position is not None and reading.position > quantity:
            yield _no_position("readings", index, feature.part, quantity)
    for index, check in enumerate(inspection.checks or ()):
        if check.check and check.check not in tool_type.check_by_code:
            yield _unknown(pointer("checks", index, "check"), "unknown-check", check.check)
    for index, renewal in enumerate(inspection.renewals or ()):
        yield from _check_place("renewals", index, renewal, quantities)
    for index, reversal in enumerate(inspection.reversals or ()):
        yield from _check_place("reversals", index, reversal, quantities)
        part = tool_type.part_by_code.get(reversal.part)
        if part is not None and not part.sides:
            yield fault(pointer("reversals", index, "part"), "not-reversible")


def _check_place(name: str, index: int, entry: Renewal | Reversal, quantities: Mapping[str, int]) -> Iterator[Fault]:
    quantity = quantities.get(entry.part, 0)
    if not quantity:
        if entry.part:
            yield _unknown(pointer(name, index, "part"), "unknown-part", entry.part)
    elif quantity > 1 and entry.position is None:
        words = "is required: the part stands more than once in the tool"
        yield fault(pointer(name, index, "position"), "position-required", words)
    elif entry.position is not None and entry.position > quantity:
        yield _no_position(name, index, entry.part, quantity)


def _unknown_feature(index: int, reading: Reading) -> Fault:
    well_formed = all(is_name(part) for part in reading.feature.split(".", 1)) and "." in reading.feature
    return fault(pointer("readings", index, "feature"), "unknown-feature" if well_formed else "bad-identifier")


def _no_position(name: str, index: int, part: str, quantity: int) -> Fault:
    words = f"is above {quantity}, the quantity of {part} in a tool"
    return fault(pointer(name, index, "position"), "out-of-range", words)


# ---------------------------------------------------------------- components


def _instant(inspection: Inspection, taken_at: datetime | None, around: Surroundings) -> Instant | None:
    if taken_at is None:
        return None
    return Instant(taken_at, inspection.stage, inspection.reference, around.inspection_id)


def _placements(
    conn: Connection, around: Surroundings, taken_at: datetime | None, serials: Sequence[str]
) -> dict[str, Sequence[Placement]]:
    if not serials:
        return {}
    found: dict[str, list[Placement]] = defaultdict(list)
    at = taken_at or datetime.now().astimezone()
    for placement in placements.find_placements(conn, around.tool_id or 0, at, serials):
        found[placement.serial].append(placement)
    return dict(found)


def _check_components(
    inspection: Inspection,
    tool_type: ToolType,
    around: Surroundings,
    places: Mapping[str, Sequence[Placement]],
    instant: Instant | None,
) -> Iterator[Fault]:
    put_in = {r.component: (r.part, r.position or 1) for r in inspection.renewals or () if r.component}
    after_renewals = inspection.stage == "as_left"
    renewed = set(put_in.values()) if after_renewals else set()
    for index, renewal in enumerate(inspection.renewals or ()):
        if renewal.component and not is_name(renewal.component):
            yield fault(pointer("renewals", index, "component"), "bad-identifier")
        elif (
            renewal.component
            and renewal.component in places
            and not _is(places[renewal.component][0], renewal.part, around)
        ):
            yield fault(pointer("renewals", index, "component"), "wrong-part")
    for index, reading in enumerate(inspection.readings or ()):
        name, feature = reading.component, tool_type.feature_by_code.get(reading.feature)
        if name is None:
            continue
        at = pointer("readings", index, "component")
        if name not in places and name not in put_in:
            yield _unknown(at, "unknown-component", name)
        elif feature is not None:
            part = places[name][0].part if name in places else put_in[name][0]
            if part != feature.part or (name in places and places[name][0].tool_type_id != around.tool_type_id):
                yield fault(at, "wrong-part")
            elif instant is not None and reading.position is not None:
                sits_at = put_in[name][1] if after_renewals and name in put_in else None
                if sits_at is None:
                    sits_at = _sits_at(places.get(name, ()), instant, renewed)
                if sits_at != reading.position:
                    yield _mismatch(index, name, sits_at)


def _is(placement: Placement, part: str, around: Surroundings) -> bool:
    return placement.part == part and placement.tool_type_id == around.tool_type_id


def _sits_at(found: Sequence[Placement], instant: Instant, renewed: set[tuple[str, int]]) -> int | None:
    for placement in found:
        if placements.holds(placement, instant) and (placement.part, placement.position) not in renewed:
            return placement.position
    return None


def _mismatch(index: int, name: str, sits_at: int | None) -> Fault:
    words = f"{name} is not fitted in this tool then" if sits_at is None else f"{name} sits at {sits_at} then"
    return fault(pointer("readings", index, "position"), "position-mismatch", words)


# ---------------------------------------------------------------- time


def _check_usage(inspection: Inspection, taken_at: datetime, around: Surroundings) -> Iterator[Fault]:
    if inspection.usage is not None and around.usage_begins is not None and around.usage_begins >= taken_at:
        yield fault("/usage", "usage-without-time")


def _check_remeasured(
    conn: Connection, inspection: Inspection, taken_at: datetime, around: Surroundings, tool_type: ToolType
) -> tuple[UUID | None, list[Fault]]:
    assert around.tool_id is not None and inspection.remeasures is not None  # noqa: S101 - the caller asked
    earlier = remeasures.find_remeasured(conn, around.tool_id, inspection.remeasures, inspection.stage)
    if earlier is None:
        return None, [_unknown("/remeasures", "unknown-inspection", inspection.remeasures)]
    key = (earlier.taken_at, inspection.remeasures)
    if key >= (taken_at, inspection.reference):
        return None, [fault("/remeasures", "not-earlier")]
    refuse_archived(conn, earlier.taken_at)  # the two are assessed as one, and its readings have gone to files
    first = Instant(earlier.taken_at, inspection.stage, inspection.remeasures, None)
    second = Instant(taken_at, inspection.stage, inspection.reference, None)
    events = remeasures.events_between(conn, around.tool_id, first, second, around.inspection_id)
    if _used(inspection) or any(_disturbs(event, inspection, earlier, tool_type) for event in events):
        return None, [fault("/remeasures", "remeasure-after-use")]
    if inspection.stage == "as_left" and _renews_measured(inspection, earlier, tool_type):
        return None, [fault("/remeasures", "remeasure-after-use")]
    return earlier.inspection_id, []


def _used(inspection: Inspection) -> bool:
    return any((usage.metres or 0) > 0 or (usage.hours or 0) > 0 for usage in inspection.usages())


def _measured_twice(inspection: Inspection, earlier: remeasures.Remeasured, tool_type: ToolType) -> set[Any]:
    both = {r.feature for r in inspection.readings or ()} & set(earlier.features)
    return {tool_type.feature_by_code[code].part for code in both if code in tool_type.feature_by_code}


def _disturbs(
    event: remeasures.Event, inspection: Inspection, earlier: remeasures.Remeasured, tool_type: ToolType
) -> bool:
    return event.what == "usage" or event.part in _measured_twice(inspection, earlier, tool_type)


def _renews_measured(inspection: Inspection, earlier: remeasures.Remeasured, tool_type: ToolType) -> bool:
    parts = _measured_twice(inspection, earlier, tool_type)
    return any(entry.part in parts for entry in (*(inspection.renewals or ()), *(inspection.reversals or ())))
