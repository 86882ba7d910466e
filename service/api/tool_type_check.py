"""What a catalogue entry must be beyond its shape: names that resolve, limits on the right side, shares that
add up.

Every rule looks at what could be read and leaves alone what could not, so that its faults join those of the
shape.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from typing import Any

from service.catalogue import GROWING
from service.catalogue_defaults import AIR, natural_clearance
from service.faults import Fault, fault, pointer

TIE = 1e-9  # mm: sizes that agree to this agree
SHARES_TIE = 1e-3

Row = dict[str, Any]


def check_rules(document: Row, found: Sequence[Fault]) -> list[Fault]:
    """Return what is wrong with a document whose lengths are mm.

    Parameters
    ----------
    document : dict
        What could be read; fields that could not are absent.
    found : sequence of Fault
        What is wrong with those: what rests on one of them is not judged.
    """
    parts = document.get("parts", [])
    quantities = {part["code"]: part.get("quantity", 1) for part in parts if "code" in part}
    features: dict[str, Row] = {}
    for feature in document.get("features", []):
        if "part" in feature and "code" in feature:
            features.setdefault(f"{feature['part']}.{feature['code']}", feature)
    judged = [
        *_duplicates(document),
        *_top(document),
        *_features(document.get("features", []), quantities),
        *_sides(parts, features),
        *_fits(document.get("fits", []), features, quantities),
        *_offsets(document.get("offsets", []), features, quantities),
        *_unknown_parts("checks", document.get("checks", []), quantities),
    ]
    void = {code for pattern, codes in _RESTS_ON for code in codes if any(pattern.fullmatch(f.pointer) for f in found)}
    return [item for item in judged if item.code not in void]


#: A part that could not be read may be the one that is not found, and so on.
_RESTS_ON = (
    (re.compile(r"/parts(/\d+(/code)?)?"), ("unknown-part",)),
    (re.compile(r"/features(/\d+(/part|/code)?)?"), ("unknown-feature",)),
    (re.compile(r"/fits(/\d+(/loss_share)?)?"), ("shares-sum",)),
)


def _duplicates(document: Row) -> Iterator[Fault]:
    for name in ("parts", "fits", "offsets", "checks", "air_settings"):
        codes = [row.get("code") for row in document.get(name, [])]
        yield from _repeated(codes, lambda at, name=name: pointer(name, at, "code"))
    features = document.get("features", [])
    codes = [f"{row['part']}.{row['code']}" if {"part", "code"} <= row.keys() else None for row in features]
    yield from _repeated(codes, lambda at: pointer("features", at, "code"))
    for at, row in enumerate(features):
        stations = [station.get("station") for station in row.get("stations", [])]
        yield from _repeated(stations, lambda nth, at=at: pointer("features", at, "stations", nth, "station"))


def _repeated(keys: Sequence[Any], where: Any) -> Iterator[Fault]:
    seen = set()
    for at, key in enumerate(keys):
        if key is not None and key in seen:
            yield fault(where(at), "duplicate", f"{key} is there more than once")
        seen.add(key)


def _top(document: Row) -> Iterator[Fault]:
    air = document.get("air", {})
    back = air.get("back_pressure_bar", AIR["back_pressure_bar"])
    if back >= air.get("supply_bar", float("inf")):
        yield fault("/air/back_pressure_bar", "pressure-order", "must lie below the supply pressure")
    if back >= air.get("compressor", {}).get("set_bar", float("inf")):
        yield fault("/air/compressor/set_bar", "pressure-order", "must lie above the back pressure")
    decision = document.get("decision", {})
    if decision.get("risk_accept", 0) + decision.get("risk_discard", 0) > 1:
        yield fault("/decision/risk_discard", "risk-sum")
    shares = [row["loss_share"] for row in document.get("fits", []) if "loss_share" in row]
    if shares and abs(sum(shares) - 1) > SHARES_TIE:
        yield fault("/fits", "shares-sum", f"the loss shares sum to {sum(shares):.6g}, not 1")


def _unknown_parts(name: str, rows: Sequence[Row], quantities: dict[str, int]) -> Iterator[Fault]:
    for at, row in enumerate(rows):
        if "part" in row and row["part"] not in quantities:
            yield fault(pointer(name, at, "part"), "unknown-part", f"there is no part {row['part']}")


def _features(rows: Sequence[Row], quantities: dict[str, int]) -> Iterator[Fault]:
    yield from _unknown_parts("features", rows, quantities)
    for at, row in enumerate(rows):
        if "kind" in row:
            yield from _limits(pointer("features", at), row, grows=row["kind"] in GROWING)


def _limits(at: str, row: Row, *, grows: bool) -> Iterator[Fault]:
    """The interval of new, then discard beyond it on the side wear leads to, then monitor between the two."""
    new = row.get("new", {})
    if not {"min", "max"} <= new.keys():
        return
    if new["min"] > new["max"]:
        yield fault(f"{at}/new", "empty-interval")
        return
    sign = 1 if grows else -1
    first, last = sorted((sign * new["min"], sign * new["max"]))
    discard, monitor = row.get("discard"), row.get("monitor")
    if discard is not None and sign * discard <= last:
        side = "above" if grows else "below"
        yield fault(f"{at}/discard", "discard-side", f"must lie {side} the new sizes")
    if monitor is None:
        return
    if sign * monitor < first or (discard is not None and sign * monitor > sign * discard):
        yield fault(f"{at}/monitor", "monitor-side")


#: What both ends of a part that can be reversed have in common; how fast each wears is its own.
_ALIKE = {"kind": None, "new": None, "discard": None, "discard_on": "worst", "monitor": None}


def _sides(parts: Sequence[Row], features: dict[str, Row]) -> Iterator[Fault]:
    for at, part in enumerate(parts):
        sides, where = part.get("sides", []), pointer("parts", at, "sides")
        if len(sides) == 1:
            yield fault(where, "two-sides")
        yield from _repeated([row.get("side") for row in sides], lambda n, where=where: f"{where}/{n}/side")
        seen: set[str] = set()
        lists = [row.get("features", []) for row in sides]
        for nth, codes in enumerate(lists):
            for place, code in enumerate(codes):
                here = f"{where}/{nth}/features/{place}"
                if f"{part.get('code')}.{code}" not in features:
                    yield fault(here, "unknown-feature", f"there is no feature {part.get('code')}.{code}")
                elif code in seen:
                    yield fault(here, "duplicate", f"{code} is there more than once")
                seen.add(code)
        if len(lists) == 2:
            yield from _unlike(f"{where}/1/features", str(part.get("code")), lists, features)


def _unlike(where: str, part: str, lists: Sequence[list[str]], features: dict[str, Row]) -> Iterator[Fault]:
    if len(lists[0]) != len(lists[1]):
        yield fault(where, "sides-differ", "must have as many features as the other side")
        return
    for place, codes in enumerate(zip(*lists, strict=True)):
        one, other = (features.get(f"{part}.{code}") for code in codes)
        if one is None or other is None:
            continue
        differing = [name for name, left_out in _ALIKE.items() if one.get(name, left_out) != other.get(name, left_out)]
        if differing:
            words = f"{codes[0]} and {codes[1]} change places and must be alike: they differ in {', '.join(differing)}"
            yield fault(f"{where}/{place}", "sides-differ", words)


def _fits(rows: Sequence[Row], features: dict[str, Row], quantities: dict[str, int]) -> Iterator[Fault]:
    for nth, row in enumerate(rows):
        at = pointer("fits", nth)
        yield from _limits(at, row, grows=True)
        for side in ("shaft", "bore"):
            yield from _side(at, row, side, features)
        yield from _two_quantities(at, row, ("shaft", "bore"), features, quantities)
        yield from _new_clearance(at, row, features)
        yield from _mating(at, row, features)
        leak = row.get("leak", {})
        if leak.get("downstream_fraction", 0) > leak.get("upstream_fraction", 1):
            yield fault(f"{at}/leak/downstream_fraction", "pressure-order")


def _side(at: str, row: Row, side: str, features: dict[str, Row]) -> Iterator[Fault]:
    name = row.get(side)
    if name is None:
        return
    if name not in features:
        yield fault(f"{at}/{side}", "unknown-feature", f"there is no feature {name}")
    elif features[name].get("kind", side) != side:
        yield fault(f"{at}/{side}", f"not-a-{side}", f"{name} is of kind {features[name]['kind']}, not {side}")


def _two_quantities(
    at: str, row: Row, sides: tuple[str, str], features: dict[str, Row], quantities: dict[str, int]
) -> Iterator[Fault]:
    named = [features[row[side]]["part"] for side in sides if row.get(side) in features]
    if len(named) == 2 and all(quantities.get(part, 1) > 1 for part in named):
        yield fault(f"{at}/{sides[1]}", "two-quantities")


def _new_clearance(at: str, row: Row, features: dict[str, Row]) -> Iterator[Fault]:
    sides = [features.get(row.get(side, ""), {}).get("new", {}) for side in ("shaft", "bore")]
    new = row.get("new", {})
    if not all({"min", "max"} <= interval.keys() for interval in (*sides, new)):
        return
    low, high = natural_clearance(features[row["shaft"]], features[row["bore"]])
    if new["max"] < low - TIE or new["min"] > high + TIE:
        yield fault(f"{at}/new", "new-interval")


def _mating(at: str, row: Row, features: dict[str, Row]) -> Iterator[Fault]:
    known = [
        {station.get("station") for station in features.get(row.get(side, ""), {}).get("stations", [])}
        for side in ("bore", "shaft")
    ]
    for nth, pair in enumerate(row.get("mating_stations", [])):
        for which, station in enumerate(pair[:2] if len(pair) == 2 else []):
            if known[which] and station not in known[which]:
                yield fault(f"{at}/mating_stations/{nth}/{which}", "unknown-station")


def _offsets(rows: Sequence[Row], features: dict[str, Row], quantities: dict[str, int]) -> Iterator[Fault]:
    for nth, row in enumerate(rows):
        at = pointer("offsets", nth)
        for side in ("larger", "smaller"):
            if side in row and row[side] not in features:
                yield fault(f"{at}/{side}", "unknown-feature", f"there is no feature {row[side]}")
        if "larger" in row and row["larger"] == row.get("smaller"):
            yield fault(f"{at}/smaller", "same-feature")
        yield from _two_quantities(at, row, ("larger", "smaller"), features, quantities)
        if {"min", "max"} <= row.keys():
            if row["min"] > row["max"]:
                yield fault(f"{at}/max", "empty-interval")
            elif not row["min"] <= row.get("target", row["min"]) <= row["max"]:
                yield fault(f"{at}/target", "target-outside")
