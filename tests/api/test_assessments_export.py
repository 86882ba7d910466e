"""Assessments in bulk, as flat rows."""

from __future__ import annotations

import csv
import io
import json
from typing import Any
from uuid import UUID

import pytest

from service.api import assessments_export
from service.api.assessments_export import ROW
from service.api.schema import check
from tests.plugins.fleet import Fleet

pytestmark = pytest.mark.db


def assessed(fleet: Fleet, taken_at: str, tool: str = "H-1", **more: Any) -> UUID:
    """An inspection with an assessment of one size and one clearance."""
    inspection = fleet.insert_inspection(taken_at, tool, **more)
    key = fleet.insert_assessment(inspection)
    fleet.insert_size(key)
    fleet.insert_clearance(key)
    return inspection


def lines(fleet: Fleet, query: str = "") -> list[dict[str, Any]]:
    answer = fleet.call("GET", "/assessments/export" + query, Accept="application/x-ndjson")
    assert answer.content_type == "application/x-ndjson"
    return [json.loads(line) for line in answer.get_data(True).splitlines()]


def test_a_row_for_each_size_and_clearance(fleet: Fleet) -> None:
    """A size names its feature, a clearance its fit; both say which assessment, tool and revision they are of."""
    fleet.put_tool()
    inspection = assessed(fleet, "2026-03-01T09:30:00Z")
    size, clearance = lines(fleet)
    assert all(check(ROW, row)[1] == [] and list(row) == list(ROW.fields) for row in (size, clearance))
    assert (size["feature"], size["fit"], size["worst"]) == ("piston.large-diameter", None, 97.861)
    assert (clearance["feature"], clearance["fit"], clearance["worst"]) == (None, "piston-in-casing", 0.163)
    for row in (size, clearance):
        told = (row["inspection"], row["tool"], row["tool_type"], row["revision"], row["taken_at"])
        assert told == (str(inspection), "H-1", "small", 1, "2026-03-01T09:30:00Z")


def test_csv_says_the_same(fleet: Fleet) -> None:
    """CSV, what is sent to who asks for nothing else, has a header and the same rows; what is missing is empty."""
    fleet.put_tool()
    assessed(fleet, "2026-03-01T09:30:00Z")
    answer = fleet.call("GET", "/assessments/export")
    assert answer.content_type.startswith("text/csv") and answer.headers["Vary"] == "Accept"
    rows = list(csv.DictReader(io.StringIO(answer.get_data(True))))
    assert rows == [{name: "" if value is None else str(value) for name, value in row.items()} for row in lines(fleet)]
    assert fleet.get("/assessments/export", 406, Accept="image/png")["code"] == "not-acceptable"


def test_no_row_gives_a_header(fleet: Fleet) -> None:
    """Nothing to tell is a header alone, or no line of JSON."""
    assert fleet.call("GET", "/assessments/export").get_data(True) == ",".join(ROW.fields) + "\r\n"
    assert lines(fleet) == []


def test_which_inspections(fleet: Fleet, bound_fleet: Fleet) -> None:
    """Half-open in time, by tool, site and type, none of another site; withdrawn, failed, waiting ones are left out."""
    fleet.put_tool()
    fleet.put_tool("H-2", site="south-camp")
    for taken_at, tool in (
        ("2025-12-31T23:59:59Z", "H-1"),
        ("2026-01-01T00:00:00Z", "H-2"),
        ("2026-02-01T00:00:00Z", "H-1"),
    ):
        assessed(fleet, taken_at, tool)
    for state in ("withdrawn", "failed"):
        assessed(fleet, "2026-01-05T00:00:00Z", state=state)
    fleet.insert_inspection("2026-01-06T00:00:00Z", state="accepted", assessment_version=None)

    def of(query: str, asker: Fleet = fleet) -> list[str]:
        return [row["taken_at"][:10] for row in lines(asker, query) if row["fit"]]

    assert of("") == ["2025-12-31", "2026-01-01", "2026-02-01"]
    assert of("?from=2026-01-01T00:00:00Z&to=2026-02-01T00:00:00Z") == ["2026-01-01"]
    assert of("?tool=H-1") == ["2025-12-31", "2026-02-01"]
    assert of("?site=south-camp&tool_type=small") == of("", bound_fleet) == ["2026-01-01"]
    assert of("?tool_type=large") == []
    fault = fleet.get("/assessments/export?form=2026", 422)["errors"][0]
    assert (fault["pointer"], fault["code"]) == ("?form", "unknown-parameter")


def test_page_after_page(fleet: Fleet, monkeypatch: pytest.MonkeyPatch) -> None:
    """However many are read at once, every row comes once; one that measured nothing has a row of its own."""
    fleet.put_tool()
    for n in range(1, 6):
        assessed(fleet, f"2026-03-0{n % 3 + 1}T00:00:00Z")
    fleet.insert_assessment(fleet.insert_inspection("2026-03-09T00:00:00Z"))
    whole = lines(fleet)
    assert len(whole) == 11 and (whole[-1]["feature"], whole[-1]["fit"]) == (None, None)
    monkeypatch.setattr(assessments_export, "INSPECTIONS_AT_ONCE", 2)
    assert lines(fleet) == whole


def test_in_inches(fleet: Fleet) -> None:
    """Lengths come in inches where they are asked for, and each row says so."""
    fleet.put_tool()
    assessed(fleet, "2026-03-01T09:30:00Z")
    _, clearance = lines(fleet, "?unit=in")
    assert (clearance["unit"], clearance["worst"]) == ("in", pytest.approx(0.163 / 25.4, rel=1e-12))


def test_what_is_archived_is_not_left_out_silently(fleet: Fleet) -> None:
    """A span that reaches into an archived year is refused with that year; from the next year on it is answered."""
    fleet.put_tool()
    assessed(fleet, "2020-03-01T00:00:00Z")
    assessed(fleet, "2026-03-01T00:00:00Z")
    fleet.insert("archived_years", year=2020, folder="/archive", archived_at="2026-01-01T00:00:00Z")
    assert fleet.get("/assessments/export", 409)["year"] == 2020
    assert fleet.get("/assessments/export?to=2020-01-01T00:00:01Z", 409)["code"] == "archived"
    assert len(lines(fleet, "?from=2021-01-01T00:00:00Z")) == 2
    assert lines(fleet, "?to=2020-01-01T00:00:00Z") == []
