"""Layouts: files as gauges really write them, mapped to our columns, tried before they are sent."""

from __future__ import annotations

import gzip
from collections.abc import Callable
from typing import Any

import pytest
from flask.testing import FlaskClient

from tests.plugins.exports import Exports

pytestmark = [pytest.mark.db, pytest.mark.broker]

COLUMNS = {
    "reference": "Auftrag",
    "tool": "Gerät",
    "taken_at": "Datum",
    "feature": "Maß",
    "value": "Messwert",
    "orientation": "Winkel",
}
LAYOUT: dict[str, Any] = {
    "columns": COLUMNS,
    "feature_codes": {"Bohrung A": "casing.piston-bore", "AD 1": "piston.large-diameter"},
    "timestamp": "%d.%m.%Y %H:%M",
    "time_zone": "Australia/Perth",
    "constants": {"inspector": "gauge 7"},
}
LINES = [
    "Messprotokoll;Halle 3",
    "",
    "Auftrag;Gerät;Datum;Maß;Messwert [mm];Winkel;Anm. 1;Anm. 2",
    "WO-1;H-1;01.03.2026 09:30;AD 1;97,861;0;x;",
    "",
    'WO-1;H-1;01.03.2026 09:31;AD 1;"97,8730";90;;"a;b"',
    "WO-1;H-1;01.03.2026 09:32;Bohrung A;98,021;0,5;;",
]


def put(exports: Exports, code: str = "hall-3", **more: Any) -> Any:
    return exports.fleet.call("PUT", f"/layouts/{code}", LAYOUT | more)


def test_kept_as_said(exports: Exports) -> None:
    """A layout is created, replaced by its next revision, left alone by an identical PUT, listed and deleted."""
    created = put(exports)
    assert (created.status_code, created.headers["Location"]) == (201, "/v1/layouts/hall-3")
    assert (created.json["revision"], created.json["delimiter"], created.json["columns"]) == (1, "auto", COLUMNS)
    assert put(exports).json["revision"] == 1
    assert put(exports, unit="um").json["revision"] == 2
    assert [item["code"] for item in exports.fleet.get("/layouts")["items"]] == ["checks", "hall-3", "plain"]
    assert exports.fleet.get("/layouts/plain")["revision"] == 0
    exports.fleet.call("PUT", "/layouts/plain", LAYOUT, status=409)
    exports.fleet.call("DELETE", "/layouts/checks", status=409)
    exports.fleet.call("DELETE", "/layouts/hall-3", status=204)
    exports.fleet.get("/layouts/hall-3", 404)


def test_not_deleted_while_used(exports: Exports) -> None:
    """A layout that an export was read by stays."""
    put(exports)
    exports.post("\n".join(LINES).encode(), layout="hall-3")
    exports.fleet.call("DELETE", "/layouts/hall-3", status=409)


@pytest.mark.parametrize(
    ("more", "pointer", "code"),
    [
        ({"columns": {"colour": "x"}}, "/columns/colour", "unknown-field"),
        ({"columns": {"check": "x"}}, "/columns/check", "unknown-column"),
        ({"constants": {"tool": "H-1"}}, "/constants/tool", "duplicate"),
        ({"delimiter": "::"}, "/delimiter", "not-one-of"),
        ({"encoding": "klingon"}, "/encoding", "not-one-of"),
        ({"header_row": 0}, "/header_row", "out-of-range"),
        ({"feature_codes": {"A": "bore"}}, "/feature_codes/A", "bad-identifier"),
        ({"feature_codes": {"A ": "casing.bore"}}, "/feature_codes/A ", "invalid"),
        ({"timestamp": "%H:%M"}, "/timestamp", "invalid"),
        ({"time_zone": "Mars/North"}, "/time_zone", "bad-time-zone"),
        ({"unit": "furlong"}, "/unit", "bad-unit"),
        ({"colour": "red"}, "/colour", "unknown-field"),
    ],
)
def test_refused(exports: Exports, more: dict[str, Any], pointer: str, code: str) -> None:
    """A layout that cannot be read by is refused with a pointer."""
    problem = exports.fleet.call("PUT", "/layouts/hall-3", LAYOUT | more, status=422).json
    assert [(error["pointer"], error["code"]) for error in problem["errors"]] == [(pointer, code)]


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "cp1252"])
@pytest.mark.parametrize(("delimiter", "ends"), [(";", "\n"), ("\t", "\r\n"), ("|", "\r")])
def test_found_by_itself(exports: Exports, encoding: str, delimiter: str, ends: str) -> None:
    """Delimiter, decimal sign, encoding, header row and line ends are found; lines above the header are left out."""
    put(exports)
    text = ends.join(line.replace(";", delimiter) for line in LINES)
    export = exports.read(text.encode(encoding), layout="hall-3")
    assert exports.faults(export) == []
    assert export["rows"] == {"total": 3, "accepted": 3, "faulty": 0}
    (one,) = exports.inspections()
    assert one["taken_at"] == "2026-03-01T01:32:00Z"
    assert one["sources"][0]["inspector"] == "gauge 7"
    assert [(r["feature"], r["orientation"], r["value"]) for r in one["readings"]] == [
        ("piston.large-diameter", 0, 97.861),
        ("piston.large-diameter", 90, 97.873),
        ("casing.piston-bore", 0.5, 98.021),
    ]


def test_day_and_time_apart(exports: Exports) -> None:
    """A file that has day and time in two columns: both are named, a trial shows where they are, and what they say."""
    put(exports, columns=COLUMNS | {"time_of_day": "Uhrzeit"})
    text = "\n".join(LINES).replace(" 09:", ";09:").replace("Datum", "Datum;Uhrzeit").encode()
    trial = exports.fleet.client.post("/v1/layouts/hall-3/trial", data=text, content_type="text/csv").json
    assert trial["columns"]["taken_at"] == "Datum" and trial["columns"]["time_of_day"] == "Uhrzeit"
    assert [row["taken_at"][11:16] for row in trial["rows"]] == ["01:30", "01:31", "01:32"]
    assert exports.read(text, layout="hall-3")["rows"] == {"total": 3, "accepted": 3, "faulty": 0}
    (one,) = exports.inspections()
    assert one["taken_at"] == "2026-03-01T01:32:00Z"


def test_rows_are_numbered_as_an_editor_does(exports: Exports) -> None:
    """The number of a row is that of its line, blank lines and what stands above the header counted."""
    put(exports)
    lines = [*LINES, "WO-1;H-1;31.02.2026 09:32;Bohrung A;98,021;0", "WO-1;H-1;01.03.2026 09:33;Bohrung B;wide;0;;"]
    export = exports.read("\n".join(lines).encode(), layout="hall-3")
    assert exports.faults(export) == [
        (8, None, "wrong-columns"),
        (9, "feature", "unknown-feature"),
        (9, "value", "not-a-number"),
    ]


@pytest.mark.parametrize(
    ("name", "text", "unit"),
    [("Messwert (µm)", "97861", "um"), ("Messwert/inch", "3,853", "in"), ("Messwert", "97,861", None)],
)
def test_units(exports: Exports, name: str, text: str, unit: str | None) -> None:
    """The name of the column of values says their unit, or the layout does."""
    put(exports, **({"unit": "mm"} if unit is None else {}))
    lines = ["Auftrag;Gerät;Datum;Maß;" + name, "WO-1;H-1;01.03.2026 09:30;AD 1;" + text]
    exports.read("\n".join(lines).encode(), layout="hall-3")
    ((reading,),) = [one["readings"] for one in exports.inspections()]
    assert reading["value"] == pytest.approx({"um": 97.861, "in": 97.8662, None: 97.861}[unit], abs=1e-12)
    assert (reading["sent"] or {}).get("unit") == unit


def test_hundreds_of_columns_not_needed(exports: Exports) -> None:
    """Columns that the layout does not name are passed over."""
    put(exports)
    more = [f"Kanal {n}" for n in range(300)]
    lines = [
        ";".join([*more, "Auftrag", "Gerät", "Datum", "Maß", "Messwert", *more]),
        ";".join([*["1,5"] * 300, "WO-1", "H-1", "01.03.2026 09:30", "AD 1", "97,861", *["x"] * 300]),
    ]
    export = exports.read("\n".join(lines).encode(), layout="hall-3")
    assert export["rows"] == {"total": 1, "accepted": 1, "faulty": 0}


def test_a_constant_that_cannot_be(exports: Exports) -> None:
    """A constant that its column cannot hold fails the export and says so."""
    put(exports, constants={"station": "third"})
    export = exports.read("\n".join(LINES).encode(), layout="hall-3")
    assert (export["state"], exports.faults(export)) == ("failed", [(3, "station", "not-a-number")])


def test_the_revision_it_was_sent_under(exports: Exports) -> None:
    """An export is read by the layout as it was when the file came; under a new one the same bytes are another."""
    put(exports)
    first = exports.post("\n".join(LINES).encode(), layout="hall-3").json
    put(exports, constants={"inspector": "gauge 8"})
    second = exports.read("\n".join(LINES).encode(), layout="hall-3", on_existing="add")
    assert (first["layout_revision"], second["layout_revision"]) == (1, 2)
    assert exports.get(first["id"])["rows"]["accepted"] == 3
    (one,) = exports.inspections()
    assert one["sources"][0]["inspector"] == "gauge 7"


def trial(exports: Exports, content: bytes, status: int = 200) -> Any:
    answer = exports.fleet.client.post("/v1/layouts/hall-3/trial", data=content, content_type="text/csv")
    assert answer.status_code == status, answer.get_data(True)
    return answer.json


def test_tried_first(exports: Exports) -> None:
    """A trial shows what would be made of the first rows, and stores nothing."""
    put(exports)
    content = "\n".join([*LINES, "WO-1;H-1;01.03.2026;AD 1;97,861;0;;"]).encode()
    for sent in (content, gzip.compress(content)):
        told = trial(exports, sent)
        assert (told["header_row"], told["delimiter"], told["unit"], told["total"]) == (3, ";", "mm", 4)
        assert told["columns"]["value"] == "Messwert [mm]"
        assert told["rows"][1] == {
            "row": 6, "faulty": False, "reference": "WO-1", "tool": "H-1", "taken_at": "2026-03-01T01:31:00Z",
            "feature": "piston.large-diameter", "orientation": 90.0, "value": 97.873, "value_mm": 97.873, "unit": "mm",
            "inspector": "gauge 7",
        }  # fmt: skip
        assert [(f["row"], f["column"], f["code"], f["text"]) for f in told["faults"]] == [
            (8, "taken_at", "bad-time", "01.03.2026")
        ]
    assert exports.fleet.get("/gauge-exports")["items"] == []
    assert [f["column"] for f in trial(exports, b"a;b\n1;2\n")["faults"]] == [
        "reference", "tool", "taken_at", "feature", "value",
    ]  # fmt: skip


def test_a_trial_looks_at_rows_together(exports: Exports) -> None:
    """A trial tells what an export would of rows that do not go together, and shows them as faulty."""
    put(exports, columns=COLUMNS | {"metres": "Bohrmeter"})
    head = LINES[2].replace("Anm. 1", "Bohrmeter")
    rows = [LINES[3].replace("x", text) for text in ("1520", "1520", "1533,5")]
    content = "\n".join([head, *rows, LINES[6].replace("01.03.2026", "04.03.2026"), "W\0"]).encode()
    told = trial(exports, content)
    export = exports.read(content, layout="hall-3")
    assert told["faults"] == exports.fleet.get(f"/gauge-exports/{export['id']}/faults")["items"]
    assert [(fault["row"], fault["code"]) for fault in told["faults"]] == [
        (4, "header-differs"), (5, "group-spread"), (6, "binary"),
    ]  # fmt: skip
    assert [row["faulty"] for row in told["rows"]] == [False, False, True, True]


def test_tried_where_exports_are_sent(exports: Exports, make_client: Callable[..., FlaskClient]) -> None:
    """Whoever may send exports may try a layout on one first."""
    put(exports)
    client = make_client("intake")
    answer = client.post("/v1/layouts/hall-3/trial", data="\n".join(LINES).encode(), content_type="text/csv")
    assert (answer.status_code, answer.json["total"]) == (200, 3)  # type: ignore[index]


def test_a_trial_of_a_long_file(exports: Exports) -> None:
    """Of a long file the beginning is read, and the line that is cut off is no fault."""
    put(exports)
    rows = [LINES[3].replace("WO-1", f"WO-{n % 99}") for n in range(60_000)]
    told = trial(exports, "\n".join([*LINES, *rows]).encode())
    assert told["faults"] == []
    assert 1_000 < told["total"] < 60_000
    trial(exports, b"", 422)
