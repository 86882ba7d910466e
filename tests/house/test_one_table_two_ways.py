"""The same mistake has the same code whether it comes as JSON or in a file: one table, sent both ways."""

from __future__ import annotations

from typing import Any

import pytest

from tests.api.inspection_bodies import put_workshop
from tests.plugins.exports import Exports, as_csv
from tests.plugins.fleet import Fleet

pytestmark = [pytest.mark.db, pytest.mark.broker]

GOOD: dict[str, Any] = {"feature": "piston.large-diameter", "value": 97.861}
HALF: dict[str, Any] = {"feature": "split-ring-half.thickness", "value": 10.0}

#: What is wrong; the reading; more of the document; where (field or column) and which code.
TABLE: list[tuple[str, dict[str, Any], dict[str, Any], str, str]] = [
    ("value text", GOOD | {"value": "wide"}, {}, "value", "not-a-number"),
    ("value missing", {"feature": "piston.large-diameter"}, {}, "value", "required"),
    ("value below 0", GOOD | {"value": -1.0}, {}, "value", "out-of-range"),
    ("value enormous", GOOD | {"value": 1e30}, {}, "value", "out-of-range"),
    ("station 0", GOOD | {"station": 0}, {}, "station", "out-of-range"),
    ("station 1.5", GOOD | {"station": 1.5}, {}, "station", "not-a-whole-number"),
    ("station 40000", GOOD | {"station": 40_000}, {}, "station", "out-of-range"),
    ("orientation 360", GOOD | {"orientation": 360}, {}, "orientation", "out-of-range"),
    ("orientation -1", GOOD | {"orientation": -1}, {}, "orientation", "out-of-range"),
    ("kind", GOOD | {"kind": "guess"}, {}, "kind", "not-one-of"),
    ("no trace", {"feature": "casing.piston-bore", "kind": "trace"}, {}, "trace", "required"),
    ("no master", GOOD | {"kind": "deviation", "value": 0.1}, {}, "master", "master-required"),
    ("unknown feature", GOOD | {"feature": "piston.nose"}, {}, "feature", "unknown-feature"),
    ("feature of no part", GOOD | {"feature": "piston"}, {}, "feature", "bad-identifier"),
    ("unknown gauge", GOOD | {"gauge": "MIC-9"}, {}, "gauge", "unknown-gauge"),
    ("gauge no name", GOOD | {"gauge": "MIC/9"}, {}, "gauge", "bad-identifier"),
    ("unknown master", GOOD | {"master": "RING-9"}, {}, "master", "unknown-master"),
    ("setup no name", GOOD | {"setup": "mor ning"}, {}, "setup", "bad-identifier"),
    ("hot", GOOD | {"temperature_c": 301}, {}, "temperature_c", "out-of-range"),
    ("cold", GOOD | {"reference_temperature_c": -101}, {}, "reference_temperature_c", "out-of-range"),
    ("position needed", HALF, {}, "position", "position-required"),
    ("position 0", GOOD | {"position": 0}, {}, "position", "out-of-range"),
    ("position 3 of 2", HALF | {"position": 3}, {}, "position", "out-of-range"),
    ("unknown component", GOOD | {"component": "P-9"}, {}, "component", "unknown-component"),
    ("component elsewhere", HALF | {"component": "P-1"}, {}, "component", "wrong-part"),
    ("not fitted there", GOOD | {"component": "P-1", "position": 1}, {}, "position", "position-mismatch"),
    ("unit", GOOD, {"unit": "cm"}, "unit", "bad-unit"),
    ("no offset", GOOD, {"taken_at": "2026-03-01T09:30:00"}, "taken_at", "bad-time"),
    ("date", GOOD, {"taken_at": "2026-03-01"}, "taken_at", "bad-time"),
    ("future", GOOD, {"taken_at": "2199-03-01T09:30:00Z"}, "taken_at", "time-in-future"),
    ("long ago", GOOD, {"taken_at": "1949-03-01T09:30:00Z"}, "taken_at", "bad-time"),
    ("stage", GOOD, {"stage": "found"}, "stage", "not-one-of"),
    ("no tool", GOOD, {"tool": None}, "tool", "required"),
    ("unknown tool", GOOD, {"tool": "H-9"}, "tool", "unknown-tool"),
    ("tool no name", GOOD, {"tool": "H 9"}, "tool", "bad-identifier"),
    ("reference", GOOD, {"reference": "WO/1"}, "reference", "bad-identifier"),
    ("no reference", GOOD, {"reference": None}, "reference", "required"),
    ("measured again", GOOD, {"remeasures": "WO-0"}, "remeasures", "unknown-inspection"),
    ("metres", GOOD, {"usage": {"metres": -1}}, "metres", "out-of-range"),
    ("ground", GOOD, {"usage": {"metres": 1, "ground": "very hard"}}, "ground", "bad-identifier"),
    ("ground alone", GOOD, {"usage": {"ground": "hard"}}, "metres", "required"),
    (
        "no time for usage",
        GOOD,
        {"usage": {"metres": 5}, "taken_at": "2025-12-01T00:00:00Z"},
        "metres",
        "usage-without-time",
    ),
    ("thermometer", GOOD, {"thermometer": {"serial": "T 1"}}, "thermometer", "bad-identifier"),
    (
        "thermometer unsure",
        GOOD,
        {"thermometer": {"standard_uncertainty_c": 0}},
        "thermometer_u_c",
        "out-of-range",
    ),
]
_RENAMED = {"standard_uncertainty_c": "thermometer_u_c", "serial": "thermometer"}


@pytest.fixture
def workshop(fleet: Fleet) -> Exports:
    """A tool in use since January, and a piston in the stock."""
    put_workshop(fleet)
    fleet.put_tool(commissioned_on="2026-01-01")
    fleet.put_component("P-1")
    return Exports(fleet)


def document(reading: dict[str, Any], more: dict[str, Any]) -> dict[str, Any]:
    said = {"reference": "WO-1", "tool": "H-1", "taken_at": "2026-03-01T09:30:00+10:00", "unit": "mm"} | more
    return {name: value for name, value in said.items() if value is not None} | {"readings": [reading]}


def flat(sent: dict[str, Any]) -> dict[str, Any]:
    """The document as one row of a file."""
    (reading,) = sent["readings"]
    row = {name: value for name, value in sent.items() if name not in ("readings", "usage", "thermometer")}
    row |= reading | sent.get("usage", {})
    return row | {_RENAMED[name]: value for name, value in sent.get("thermometer", {}).items()}


def field_of(pointer: str) -> str:
    """The column that a fault of the document stands in when it comes in a file."""
    last = pointer.rpartition("/")[2]
    return {"usage": "metres"}.get(last, _RENAMED.get(last, last))


def test_the_same_codes(workshop: Exports) -> None:
    """Each bad reading of the table is refused with the same code at the same field, as JSON and as a row."""
    sent = [
        document(reading, {"reference": f"WO-{place}"} | more) for place, (_, reading, more, *_) in enumerate(TABLE)
    ]
    expected = []
    for row, (body, (what, _, _, field, code)) in enumerate(zip(sent, TABLE, strict=True), 2):
        problem = workshop.fleet.call("POST", "/inspections", body, status=422).json
        assert [(field_of(e["pointer"]), e["code"]) for e in problem["errors"]] == [(field, code)], what
        expected.append((row, field, code))
    table = [flat(body) for body in sent]
    export = workshop.read(as_csv(table, dict.fromkeys(name for row in table for name in row)))
    assert workshop.faults(export) == expected
    assert export["rows"] == {"total": len(TABLE), "accepted": 0, "faulty": len(TABLE)}
    assert workshop.inspections() == []


def test_faults_together(workshop: Exports) -> None:
    """Every fault of a row is told at once, in the order of the columns, references among them."""
    row = flat(document(GOOD | {"value": "wide", "gauge": "MIC-9", "station": 0}, {"tool": "H-9"}))
    export = workshop.read(as_csv([row], row))
    assert workshop.faults(export) == [
        (2, "tool", "unknown-tool"),
        (2, "station", "out-of-range"),
        (2, "value", "not-a-number"),
        (2, "gauge", "unknown-gauge"),
    ]
