"""Bad input, one by one: each is a problem document that says where and what, and nothing of it is stored."""

from __future__ import annotations

from typing import Any

import orjson
import pytest

from tests.api.inspection_bodies import codes, inspection, post, put_workshop, reading
from tests.plugins.fleet import Fleet

pytestmark = pytest.mark.db


@pytest.fixture
def workshop(fleet: Fleet) -> Fleet:
    return put_workshop(fleet)


def stored(fleet: Fleet) -> int:
    row = fleet.conn.execute(
        "SELECT (SELECT count(*) FROM inspections) + (SELECT count(*) FROM readings) + (SELECT count(*) FROM usage)"
        " + (SELECT count(*) FROM fittings) + (SELECT count(*) FROM tool_work)"
    ).fetchone()
    fleet.conn.rollback()
    assert row is not None
    return row[0]


def send(fleet: Fleet, raw: bytes, status: int, query: str = "") -> Any:
    answer = fleet.client.post(f"/v1/inspections{query}", data=raw, content_type="application/json")
    assert answer.status_code == status, answer.get_data(True)
    assert answer.content_type == "application/problem+json"
    assert stored(fleet) == 0
    return answer.json


HALF = {"feature": "split-ring-half.thickness", "value": 10.0}

#: What is wrong, and the faults it has to give.
BAD: list[tuple[str, dict[str, Any], list[tuple[str, str]]]] = [
    ("unit", {"unit": "cm"}, [("/unit", "bad-unit")]),
    ("no unit", {"unit": None}, [("/unit", "required")]),
    ("no tool", {"tool": None}, [("/tool", "required")]),
    ("unknown tool", {"tool": "H-9"}, [("/tool", "unknown-tool")]),
    ("tool no identifier", {"tool": "H 9"}, [("/tool", "bad-identifier")]),
    ("reference no identifier", {"reference": "WO/1"}, [("/reference", "bad-identifier")]),
    ("reference too long", {"reference": "W" * 65}, [("/reference", "bad-identifier")]),
    ("reference a number", {"reference": 1}, [("/reference", "not-text")]),
    ("stage", {"stage": "found"}, [("/stage", "not-one-of")]),
    ("unknown field", {"colour": "red"}, [("/colour", "unknown-field")]),
    ("no offset", {"taken_at": "2026-03-01T09:30:00"}, [("/taken_at", "bad-time")]),
    ("no time", {"taken_at": "2026-03-01"}, [("/taken_at", "bad-time")]),
    ("in the future", {"taken_at": "2199-03-01T09:30:00Z"}, [("/taken_at", "time-in-future")]),
    ("time a number", {"taken_at": 5}, [("/taken_at", "bad-time")]),
    ("nothing in it", {"readings": None, "checks": None}, [("/readings", "no-readings")]),
    ("empty lists", {"readings": [], "checks": []}, [("/readings", "no-readings")]),
    ("readings no list", {"readings": {}}, [("/readings", "not-a-list")]),
    ("reading no object", {"readings": [5]}, [("/readings/0", "not-an-object")]),
    ("unknown feature", {"readings": [reading("piston.nose")]}, [("/readings/0/feature", "unknown-feature")]),
    ("feature of no part", {"readings": [reading("piston")]}, [("/readings/0/feature", "bad-identifier")]),
    ("no feature", {"readings": [{"value": 1.0}]}, [("/readings/0/feature", "required")]),
    ("no value", {"readings": [{"feature": "piston.large-diameter"}]}, [("/readings/0/value", "required")]),
    ("number as text", {"readings": [reading(value="97.861")]}, [("/readings/0/value", "not-a-number")]),  # type: ignore[arg-type]
    ("NaN as text", {"readings": [reading(value="NaN")]}, [("/readings/0/value", "not-a-number")]),  # type: ignore[arg-type]
    ("value a flag", {"readings": [reading(value=True)]}, [("/readings/0/value", "not-a-number")]),
    ("size below 0", {"readings": [reading(value=-1.0)]}, [("/readings/0/value", "out-of-range")]),
    ("enormous", {"readings": [reading(value=1e30)]}, [("/readings/0/value", "out-of-range")]),
    ("station 0", {"readings": [reading(station=0)]}, [("/readings/0/station", "out-of-range")]),
    ("station 1.5", {"readings": [reading(station=1.5)]}, [("/readings/0/station", "not-a-whole-number")]),
    ("orientation 360", {"readings": [reading(orientation=360)]}, [("/readings/0/orientation", "out-of-range")]),
    ("kind", {"readings": [reading(kind="guess")]}, [("/readings/0/kind", "not-one-of")]),
    (
        "trace",
        {"readings": [{"feature": "casing.piston-bore", "kind": "trace"}]},
        [("/readings/0/trace", "required")],
    ),
    (
        "trace with a value",
        {"readings": [{"feature": "casing.piston-bore", "kind": "trace", "trace": [0.1] * 20, "value": 98.0}]},
        [("/readings/0/value", "invalid")],
    ),
    (
        "trace of a size",
        {"readings": [reading() | {"trace": [0.1] * 20}]},
        [("/readings/0/trace", "invalid")],
    ),
    (
        "deviation without master",
        {"readings": [reading(kind="deviation", value=0.01)]},
        [("/readings/0/master", "master-required")],
    ),
    ("unknown gauge", {"readings": [reading(gauge="MIC-9")]}, [("/readings/0/gauge", "unknown-gauge")]),
    ("gauge no identifier", {"readings": [reading(gauge="MIC 1")]}, [("/readings/0/gauge", "bad-identifier")]),
    ("unknown master", {"readings": [reading(master="R-9")]}, [("/readings/0/master", "unknown-master")]),
    ("unknown component", {"readings": [reading(component="P-9")]}, [("/readings/0/component", "unknown-component")]),
    ("position missing", {"readings": [HALF]}, [("/readings/0/position", "position-required")]),
    ("position over", {"readings": [HALF | {"position": 3}]}, [("/readings/0/position", "out-of-range")]),
    ("temperature", {"readings": [reading(temperature_c=1e9)]}, [("/readings/0/temperature_c", "out-of-range")]),
    ("unknown in reading", {"readings": [reading(depth=1)]}, [("/readings/0/depth", "unknown-field")]),
    ("unknown check", {"checks": [{"check": "colour", "result": "pass"}]}, [("/checks/0/check", "unknown-check")]),
    ("check result", {"checks": [{"check": "valve-condition", "result": "ok"}]}, [("/checks/0/result", "not-one-of")]),
    (
        "check twice",
        {"checks": [{"check": "valve-condition", "result": r} for r in ("pass", "fail")]},
        [("/checks/1/check", "duplicate")],
    ),
    (
        "note too long",
        {"checks": [{"check": "valve-condition", "result": "fail", "note": "x" * 2001}]},
        [("/checks/0/note", "too-long")],
    ),
    ("unknown part renewed", {"renewals": [{"part": "bit"}]}, [("/renewals/0/part", "unknown-part")]),
    ("renewal position", {"renewals": [{"part": "split-ring-half"}]}, [("/renewals/0/position", "position-required")]),
    (
        "renewed twice",
        {"renewals": [{"part": "piston"}, {"part": "piston", "position": 1}]},
        [("/renewals/1/part", "duplicate")],
    ),
    (
        "removed_to",
        {"renewals": [{"part": "piston", "removed_to": "sold"}]},
        [("/renewals/0/removed_to", "not-one-of")],
    ),
    ("setup gauge", {"setups": [{"setup": "am", "gauge": "DBG-9"}]}, [("/setups/0/gauge", "unknown-gauge")]),
    (
        "setup twice",
        {"setups": [{"setup": "am", "gauge": "DBG-1", "readings_at_zero": n} for n in (1, 2)]},
        [("/setups/1/setup", "duplicate")],
    ),
    ("at zero", {"setups": [{"setup": "am", "readings_at_zero": 0}]}, [("/setups/0/readings_at_zero", "out-of-range")]),
    (
        "thermometer",
        {"thermometer": {"standard_uncertainty_c": 0}},
        [("/thermometer/standard_uncertainty_c", "out-of-range")],
    ),
    ("usage below 0", {"usage": {"metres": -1}}, [("/usage/metres", "out-of-range")]),
    ("usage of nothing", {"usage": {"ground": "hard"}}, [("/usage", "required")]),
    ("usage empty list", {"usage": []}, [("/usage", "too-few")]),
    ("shares", {"usage": {"metres": 1, "ground": {"soft": 0.5, "hard": 0.4}}}, [("/usage/ground", "bad-ground")]),
    ("share over 1", {"usage": {"metres": 1, "ground": {"soft": 2}}}, [("/usage/ground/soft", "out-of-range")]),
    ("ground a number", {"usage": {"metres": 1, "ground": 5}}, [("/usage/ground", "bad-ground")]),
    (
        "ground twice",
        {"usage": [{"metres": 1, "ground": "hard"}, {"metres": 2, "ground": "hard"}]},
        [("/usage/1/ground", "duplicate")],
    ),
    ("unknown remeasured", {"remeasures": "WO-0"}, [("/remeasures", "unknown-inspection")]),
    ("final no flag", {"final": 1}, [("/final", "not-a-flag")]),
]


def test_a_fault_is_told_where_it_is(workshop: Fleet) -> None:
    """Each bad field is a 422 with its pointer and code, and nothing is stored."""
    told = {name: codes(send(workshop, orjson.dumps(inspection(**change)), 422)) for name, change, _ in BAD}
    assert told == {name: expected for name, _, expected in BAD}


def test_all_faults_come_at_once(workshop: Fleet) -> None:
    """Faults of shape and of reference are in one answer, sorted, those of good fields beside bad ones included."""
    body = inspection(
        tool="H-1",
        taken_at="yesterday",
        colour="red",
        readings=[
            reading(value="x", gauge="MIC-9"),  # type: ignore[arg-type]
            reading("piston.nose", station=-1),
            reading("casing.piston-bore", 0.01, kind="deviation"),
            reading(component="P-9"),
        ],
        checks=[{"check": "colour", "result": "maybe"}],
        usage={"metres": "many"},
        renewals=[{"part": "bit", "removed_to": "sold"}],
    )
    assert codes(send(workshop, orjson.dumps(body), 422)) == [
        ("/checks/0/check", "unknown-check"),
        ("/checks/0/result", "not-one-of"),
        ("/colour", "unknown-field"),
        ("/readings/0/gauge", "unknown-gauge"),
        ("/readings/0/value", "not-a-number"),
        ("/readings/1/feature", "unknown-feature"),
        ("/readings/1/station", "out-of-range"),
        ("/readings/2/master", "master-required"),
        ("/readings/3/component", "unknown-component"),
        ("/renewals/0/part", "unknown-part"),
        ("/renewals/0/removed_to", "not-one-of"),
        ("/taken_at", "bad-time"),
        ("/usage/metres", "not-a-number"),
    ]


def test_at_most_a_thousand_faults_are_told(workshop: Fleet) -> None:
    """Of thousands of faults a thousand are told."""
    body = inspection(readings=[reading(value="x") for _ in range(3000)])  # type: ignore[arg-type]
    assert len(send(workshop, orjson.dumps(body), 422)["errors"]) == 1000


def test_too_many_readings_are_refused(workshop: Fleet) -> None:
    """One inspection has at most 10,000 readings."""
    body = inspection(readings=[reading()] * 10_001)
    assert codes(send(workshop, orjson.dumps(body), 422)) == [("/readings", "too-many")]


def test_numbers_that_are_none_get_a_pointer(workshop: Fleet) -> None:
    """NaN, Infinity and a number beyond doubles are refused as not finite, with a pointer."""
    raw = orjson.dumps(inspection(readings=[reading(value=12345.5)]))
    for token in (b"NaN", b"Infinity", b"-Infinity", b"1e400"):
        assert codes(send(workshop, raw.replace(b"12345.5", token), 422)) == [("/readings/0/value", "not-finite")]


def test_what_is_no_json_is_refused_with_its_offset(workshop: Fleet) -> None:
    """Nesting, long integers, duplicate keys, NUL and broken text are 400 with the byte offset."""
    raw = orjson.dumps(inspection())
    for bad in (
        b"[" * 100_000,
        raw.replace(b"97.861", b"9" * 5000),
        raw.replace(b'"unit":"mm"', b'"unit":"mm","unit":"in"'),
        raw.replace(b"WO-1", b"WO\\u0000"),
        raw.replace(b"WO-1", b"WO\\ud800"),
        raw[:-5],
        b"",
        b"\xff\xfe",
    ):
        assert send(workshop, bad, 400)["code"] == "malformed-json"


def test_a_body_that_is_no_object_is_refused(workshop: Fleet) -> None:
    """A list, a text or null in place of an inspection is a fault of the whole document."""
    for raw in (b"[]", b'"x"', b"null", b"7"):
        assert codes(send(workshop, raw, 422)) == [("", "not-an-object")]


def test_a_wrong_media_type_is_415(workshop: Fleet) -> None:
    """What does not say that it is JSON is not read."""
    answer = workshop.client.post("/v1/inspections", data=b"{}", content_type="text/plain")
    assert answer.status_code == 415


def test_a_wrong_query_is_refused(workshop: Fleet) -> None:
    """An unknown on_existing is a fault that names the parameter."""
    assert codes(send(workshop, orjson.dumps(inspection()), 422, "?on_existing=merge")) == [
        ("?on_existing", "not-one-of")
    ]


def test_nulls_and_whole_numbers_written_as_decimals_are_fine(workshop: Fleet) -> None:
    """A field left out and one that is null are the same; 2.0 is a whole number."""
    row = reading(station=2.0, orientation=0, gauge=None, setup=None, kind=None)
    first = post(workshop, readings=[row], usage=None)
    body = inspection(readings=[reading(station=2, orientation=0.0)]) | {"usage": None, "final": None, "stage": None}
    assert workshop.call("POST", "/inspections", body, 200).json["id"] == first["id"]


def test_usage_overlaps_and_needs_time(workshop: Fleet) -> None:
    """Usage on an interval the ledger has is 409 naming both; on an empty interval it is a fault."""
    post(workshop, reference="WO-0", taken_at="2026-01-01T00:00:00Z")
    entry = workshop.run("2026-02-01T00:00:00Z", "2026-02-02T00:00:00Z")
    problem = post(workshop, 409, usage={"metres": 10.0})
    assert problem["code"] == "usage-overlap"
    assert problem["entry"]["id"] == entry["id"]
    assert (problem["inspection"]["reference"], "id" in problem["inspection"]) == ("WO-1", False)  # it was not stored
    refused = post(
        workshop, 422, reference="WO-2", stage="as_left", taken_at="2026-01-01T00:00:00Z", usage={"metres": 1}
    )
    assert codes(refused) == [("/usage", "usage-without-time")]
