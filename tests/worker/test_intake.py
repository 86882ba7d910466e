"""What the worker makes of a file: good rows stored, bad ones told, all or nothing where that was asked."""

from __future__ import annotations

from typing import Any

import pytest

from service import canonical
from tests.api.inspection_bodies import put_workshop
from tests.plugins.exports import CHECK_ROW, ROW, Exports, as_csv, rows

pytestmark = [pytest.mark.db, pytest.mark.broker]


def test_a_missing_column(exports: Exports) -> None:
    """A file without a column that is needed fails and says which."""
    export = exports.read(as_csv(rows(3), [name for name in ROW if name not in ("taken_at", "value")]))
    assert (export["state"], export["problem"]["code"]) == ("failed", "column-missing")
    assert exports.faults(export) == [(1, "taken_at", "column-missing"), (1, "value", "column-missing")]


@pytest.mark.parametrize("on_fault", ["skip", "reject"])
def test_three_bad_rows_among_a_thousand(exports: Exports, on_fault: str) -> None:
    """Three bad rows of a thousand are told by number; the rest is stored, or nothing where that was asked."""
    every = rows(1000)
    every[9]["value"], every[500]["feature"], every[998]["orientation"] = "wide", "piston.nose", "-1"
    export = exports.read(as_csv(every), on_fault=on_fault)
    assert exports.faults(export) == [
        (11, "value", "not-a-number"),
        (502, "feature", "unknown-feature"),
        (1000, "orientation", "out-of-range"),
    ]
    stored = [len(one["readings"]) for one in exports.inspections()]
    if on_fault == "skip":
        assert export["rows"] == {"total": 1000, "accepted": 997, "faulty": 3}
        assert stored == [997]
    else:
        assert export["rows"] == {"total": 1000, "accepted": 0, "faulty": 3}
        assert (export["state"], export["problem"]["code"], stored) == ("failed", "rows-with-faults", [])
        assert exports.fleet.dirty_from() is None


@pytest.mark.parametrize("mark", ["utf-8-sig", "utf-16"])
def test_a_byte_order_mark(exports: Exports, mark: str) -> None:
    """A byte-order mark is no part of the first column's name, whichever encoding it announces."""
    export = exports.read(as_csv(rows(3)).decode().encode(mark))
    assert export["rows"] == {"total": 3, "accepted": 3, "faulty": 0}


def test_a_broken_quote(exports: Exports) -> None:
    """A quotation mark left open spoils its own line, and no other."""
    lines = as_csv(rows(5)).split(b"\n")
    lines[2] = lines[2].replace(b"WO-1", b'"WO-1')
    export = exports.read(b"\n".join(lines))
    assert exports.faults(export) == [(3, None, "broken-quote")]
    assert export["rows"] == {"total": 5, "accepted": 4, "faulty": 1}


@pytest.mark.parametrize(
    ("content", "row", "code"),
    [
        (b"\n", 1, "empty-file"),
        (b" \n\n", 1, "empty-file"),
        (b"\x00\x01\x02\xff\xfe" * 1000, 1, "binary"),
        (bytes(range(256)) * 20, 1, "binary"),
        (b"\x89PNG\r\n\x1a\n" + bytes(500), 2, "binary"),
    ],
)
def test_no_file_of_readings(exports: Exports, content: bytes, row: int, code: str) -> None:
    """Blank and binary files fail at once, with one fault that says which, not with every column missing."""
    export = exports.read(content)
    assert (export["state"], exports.faults(export)) == ("failed", [(row, None, code)])


def test_a_header_alone(exports: Exports) -> None:
    """A file that has a header and no row fails."""
    export = exports.read(as_csv([]))
    assert (export["state"], exports.faults(export)) == ("failed", [(1, None, "empty-file")])


@pytest.mark.parametrize("on_fault", ["skip", "reject"])
def test_an_unknown_column(exports: Exports, on_fault: str) -> None:
    """A column that the built-in layout does not know is a fault of the header."""
    export = exports.read(as_csv(rows(2), [*ROW, "colour"]), on_fault=on_fault)
    assert exports.faults(export) == [(1, "colour", "unknown-column")]
    assert len(exports.inspections()) == (1 if on_fault == "skip" else 0)


def test_what_stands_once(exports: Exports) -> None:
    """What an inspection says once may stand on any of its rows; a second one that differs is a fault of its row."""
    every = rows(4)
    every[1] |= {"inspector": "AB", "metres": "1520.0", "ground": "hard"}
    every[2] |= {"inspector": "AB", "metres": "1520"}
    every[3] |= {"inspector": "CD", "hours": "3"}
    exports.fleet.put_tool(commissioned_on="2026-01-01")
    export = exports.read(as_csv(every, [*ROW, "inspector", "metres", "hours", "ground"]))
    assert exports.faults(export) == [(5, "inspector", "header-differs")]
    (one,) = exports.inspections()
    assert one["usage"] == [{"metres": 1520.0, "hours": None, "ground": {"hard": 1.0}}]
    assert one["sources"][0]["inspector"] == "AB"


def test_rows_a_day_apart(exports: Exports) -> None:
    """An inspection is taken when its latest row is; a row more than a day from the rest is a fault."""
    every = rows(3)
    every[1]["taken_at"] = "2026-03-01T20:00:00+10:00"
    every[2]["taken_at"] = "2026-03-03T09:30:00+10:00"
    export = exports.read(as_csv(every))
    assert exports.faults(export) == [(4, "taken_at", "group-spread")]
    (fault,) = exports.fleet.get(f"/gauge-exports/{export['id']}/faults")["items"]
    assert fault["text"] == "2026-03-02T23:30:00Z"
    assert [one["taken_at"] for one in exports.inspections()] == ["2026-03-01T10:00:00Z"]


def test_an_inspection_that_is_there(exports: Exports) -> None:
    """Rows of an inspection that is there already are faults, unless they are to join it or to replace it."""
    first = exports.read(as_csv(rows(2)))
    bore = rows(2, feature="casing.piston-bore", value="98.021")
    refused = exports.read(as_csv(bore))
    assert exports.faults(refused) == [(2, "reference", "inspection-exists"), (3, "reference", "inspection-exists")]
    assert (refused["state"], refused["rows"]["faulty"]) == ("done", 2)
    joined = exports.read(as_csv(bore), on_existing="add")
    (one,) = exports.inspections()
    assert [s["export"] for s in one["sources"]] == [first["id"], joined["id"]]
    assert [r["feature"] for r in one["readings"]] == ["piston.large-diameter"] * 2 + ["casing.piston-bore"] * 2
    replaced = exports.read(as_csv(rows(1)), on_existing="replace")
    (one,) = exports.inspections()
    assert ([s["export"] for s in one["sources"]], len(one["readings"])) == ([replaced["id"]], 1)
    assert one["inspection_version"] == 3


def test_checks(exports: Exports) -> None:
    """The layout `checks` reads the answers to questions; they join the readings of their inspection."""
    put_workshop(exports.fleet)
    exports.read(as_csv(rows(2)))
    columns = [*CHECK_ROW, "note"]
    every = [
        CHECK_ROW | {"check": "valve-condition", "result": "fail", "note": "chipped"},
        CHECK_ROW | {"check": "valve-condition"},
        CHECK_ROW | {"check": "nobody-asked"},
        CHECK_ROW | {"result": "perhaps"},
        CHECK_ROW,
    ]
    export = exports.read(as_csv(every, columns), layout="checks", on_existing="add")
    assert exports.faults(export) == [
        (3, "check", "duplicate"),
        (4, "check", "unknown-check"),
        (5, "result", "not-one-of"),
    ]
    (one,) = exports.inspections()
    assert [(c["check"], c["result"], c["note"]) for c in one["checks"]] == [
        ("valve-condition", "fail", "chipped"),
        ("ring-seated", "pass", None),
    ]
    assert len(one["readings"]) == 2
    new = exports.read(as_csv([CHECK_ROW | {"reference": "WO-7"}], CHECK_ROW), layout="checks")
    assert new["inspections"]["total"] == 1


def test_usage_among_the_ledger(exports: Exports) -> None:
    """Usage that meets the ledger, or has no time to have been run in, is a fault of its inspection's rows."""
    exports.fleet.put_tool(commissioned_on="2026-01-01")
    exports.fleet.run("2026-02-01T00:00:00Z", "2026-02-10T00:00:00Z")
    columns = [*ROW, "metres"]
    every = [
        ROW | {"reference": "A", "taken_at": "2026-01-20T00:00:00Z", "metres": "10"},
        ROW | {"reference": "B", "taken_at": "2026-02-05T00:00:00Z", "metres": "10"},
        ROW | {"reference": "C", "taken_at": "2026-02-20T00:00:00Z"},
        ROW | {"reference": "D", "taken_at": "2026-02-20T00:00:00Z", "metres": "10"},
        ROW | {"reference": "E", "taken_at": "2026-02-25T00:00:00Z", "metres": "10"},
    ]
    export = exports.read(as_csv(every, columns))
    assert exports.faults(export) == [(3, "metres", "usage-overlap"), (5, "metres", "usage-without-time")]
    periods = exports.fleet.conn.execute(
        "SELECT reference, lower(period), upper(period) FROM usage JOIN inspections USING (inspection_id) ORDER BY 2"
    ).fetchall()
    assert [(name, since.isoformat()[:10], until.isoformat()[:10]) for name, since, until in periods] == [
        ("A", "2025-12-31", "2026-01-20"),  # midnight at the tool's site
        ("E", "2026-02-20", "2026-02-25"),
    ]


def test_a_late_file_shortens_the_next_interval(exports: Exports) -> None:
    """An inspection that comes late takes its time from the one after it."""
    columns = [*ROW, "metres"]
    exports.fleet.put_tool(commissioned_on="2026-01-01")
    exports.read(as_csv([ROW | {"reference": "B", "taken_at": "2026-02-20T00:00:00Z", "metres": "10"}], columns))
    exports.read(as_csv([ROW | {"reference": "A", "taken_at": "2026-02-01T00:00:00Z", "metres": "10"}], columns))
    found = exports.fleet.conn.execute("SELECT lower(period) FROM usage ORDER BY 1").fetchall()
    assert [row[0].isoformat()[:10] for row in found] == ["2025-12-31", "2026-02-01"]


def test_components_and_second_measurements(exports: Exports) -> None:
    """Rows may name components, and an inspection that they measure again; a row that cannot be leaves the rest."""
    exports.fleet.put_component("P-1")
    exports.fleet.fit("P-1", "2026-01-01T00:00:00Z")
    columns = [*ROW, "component", "remeasures"]
    every = rows(3, component="P-1")
    every[2]["component"] = "P-9"
    again = rows(2, reference="WO-2", taken_at="2026-03-01T12:00:00+10:00", remeasures="WO-1")
    export = exports.read(as_csv([*again, *every], columns))
    assert exports.faults(export) == [(6, "component", "unknown-component")]
    found = {one["reference"]: one for one in exports.inspections()}
    assert [r["component"] for r in found["WO-1"]["readings"]] == ["P-1", "P-1"]
    assert found["WO-2"]["remeasures"] == "WO-1"
    assert export["inspections"]["total"] == 2


READINGS: list[dict[str, Any]] = [
    {"feature": "piston.large-diameter", "station": 1, "orientation": 0, "value": 97.861, "gauge": "MIC-1"},
    {"feature": "piston.large-diameter", "station": 1, "orientation": 0, "value": 97.861, "gauge": "MIC-1"},
    {"feature": "piston.large-diameter", "station": 2, "orientation": 22.5, "value": 97.9, "temperature_c": 24.5},
    {
        "feature": "casing.piston-bore", "kind": "deviation", "value": -0.034, "gauge": "DBG-1", "master": "RING-98",
        "setup": "morning", "temperature_c": 24.5, "reference_temperature_c": 22,
    },
    {"feature": "split-ring-half.thickness", "position": 2, "value": 10.0},
]  # fmt: skip


@pytest.mark.parametrize("unit", ["mm", "in"])
@pytest.mark.parametrize("first", ["file", "document"])
def test_one_source_whichever_way_it_comes(exports: Exports, first: str, unit: str) -> None:
    """The same inspection as a file and as a document has one digest, and the same figures to the last digit."""
    exports.fleet.put_tool(commissioned_on="2026-01-01")
    readings = [
        r | {"value": float(canonical.number_text(r["value"] / (25.4 if unit == "in" else 1)))} for r in READINGS
    ]
    body = {
        "reference": "WO-1",
        "tool": "H-1",
        "taken_at": "2026-03-01T09:30:00+10:00",
        "inspector": "AB",
        "unit": unit,
        "usage": {"metres": 1520.0, "hours": 61.5, "ground": "hard"},
        "readings": readings,
        "setups": [{"setup": "morning", "gauge": "DBG-1", "master": "RING-98", "readings_at_zero": 3}],
        "thermometer": {"serial": "T-1", "standard_uncertainty_c": 0.25},
    }
    once = {
        "inspector": "AB",
        "metres": "1520",
        "hours": "61.5",
        "ground": "hard",
        "thermometer": "T-1",
        "thermometer_u_c": "0.250",
    }
    every = [
        r | {"reference": "WO-1", "tool": "H-1", "taken_at": "2026-02-28T23:30:00Z", "unit": unit} for r in readings
    ]
    every[3] |= once
    every[3]["readings_at_zero"] = 3
    columns = dict.fromkeys(name for row in every for name in row)
    content = as_csv(reversed(every), columns)  # the order of readings does not matter
    if first == "file":
        exports.read(content)
        exports.fleet.call("POST", "/inspections", body, status=200)
    else:
        exports.fleet.call("POST", "/inspections", body, status=202)
        export = exports.read(content)
        assert (export["state"], export["rows"]["accepted"], export["rows"]["faulty"]) == ("done", 5, 0)
    (one,) = exports.inspections()
    assert len(exports.digests(one)) == 1
    values = sorted((r["feature"], r["value"], (r["sent"] or {}).get("value")) for r in one["readings"])
    exact = [
        (r["feature"], canonical.length_mm(r["value"], unit), r["value"] if unit == "in" else None) for r in readings
    ]
    assert values == sorted(exact)
