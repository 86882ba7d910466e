"""Intervals of the usage that inspections carry: from the order in time, not of arrival."""

from __future__ import annotations

from typing import Any

import pytest

from tests.api.inspection_bodies import codes, inspection, post, put_workshop
from tests.plugins.fleet import Fleet

pytestmark = pytest.mark.db


@pytest.fixture
def workshop(fleet: Fleet) -> Fleet:
    return put_workshop(fleet)


def at(day: int) -> str:
    return f"2026-03-{day:02d}T00:00:00Z"


def run(fleet: Fleet, reference: str, day: int, status: int = 202, **more: Any) -> Any:
    return post(fleet, status, reference=reference, taken_at=at(day), **({"usage": {"metres": 10.0}} | more))


def periods(fleet: Fleet, tool: str = "H-1") -> dict[str, tuple[str | None, str, float]]:
    """Reference -> (from, to, metres) of what inspections carry."""
    rows = fleet.conn.execute(
        "SELECT i.reference, to_char(lower(u.period), 'MM-DD HH24:MI'), to_char(upper(u.period), 'MM-DD'), u.metres"
        " FROM usage u JOIN inspections i USING (inspection_id) JOIN tools t ON t.tool_id = u.tool_id"
        " WHERE t.serial = %s ORDER BY i.taken_at, i.stage",
        [tool],
    ).fetchall()
    fleet.conn.rollback()
    return {row[0]: row[1:] for row in rows}


def test_the_first_interval_is_open(workshop: Fleet) -> None:
    """Without commissioning, ledger or inspection before, nobody knows when it began."""
    run(workshop, "A", 10)
    assert periods(workshop) == {"A": (None, "03-10", 10.0)}


def test_the_first_interval_begins_with_the_tool(workshop: Fleet) -> None:
    """It begins at midnight of the day of commissioning in the site's time zone."""
    workshop.put_tool("H-1", commissioned_on="2026-03-01")
    run(workshop, "A", 10)
    assert periods(workshop)["A"][0] == "02-28 16:00"  # Perth is 8 h ahead


def test_the_first_interval_begins_where_the_ledger_ends(workshop: Fleet) -> None:
    """Else it begins at the end of the last ledger entry before."""
    workshop.run(at(1), at(4))
    run(workshop, "A", 10)
    assert periods(workshop)["A"][0] == "03-04 00:00"


def test_a_late_inspection_shortens_the_next_interval(workshop: Fleet) -> None:
    """The order in time counts: one that arrives late shortens the next one's interval and leaves its amounts."""
    run(workshop, "A", 1)
    run(workshop, "C", 20, usage={"metres": 30.0})
    run(workshop, "B", 10, usage=None)
    assert periods(workshop) == {"A": (None, "03-01", 10.0), "C": ("03-10 00:00", "03-20", 30.0)}
    run(workshop, "B2", 15, usage={"metres": 5.0})
    assert periods(workshop)["B2"] == ("03-10 00:00", "03-15", 5.0)
    assert periods(workshop)["C"] == ("03-15 00:00", "03-20", 30.0)


def test_any_order_of_arrival_gives_the_same_intervals(workshop: Fleet) -> None:
    """Posted in whatever order, with corrections and withdrawals between, the intervals are the same."""
    days = {"A": 1, "B": 5, "C": 9, "D": 13}
    for reference, day in days.items():
        run(workshop, reference, day)
    wanted = periods(workshop)
    ids = {ref: run(workshop, ref, days[ref] + (ref == "B"), tool="H-2")["id"] for ref in "DBAC"}
    extra = run(workshop, "X", 7, tool="H-2")
    workshop.call("DELETE", f"/inspections/{extra['id']}", status=200)
    body = inspection("B", at(5), tool="H-2", usage={"metres": 10.0})
    workshop.call("PUT", f"/inspections/{ids['B']}", body, 200)
    assert periods(workshop, "H-2") == wanted


def test_the_two_stages_of_one_moment(workshop: Fleet) -> None:
    """As-found comes before as-left, which has no time of its own to have run in."""
    run(workshop, "A", 10)
    assert codes(run(workshop, "A", 10, 422, stage="as_left")) == [("/usage", "usage-without-time")]
    run(workshop, "A", 10, stage="as_left", usage=None)


def test_what_would_leave_another_without_time_is_refused(workshop: Fleet) -> None:
    """An inspection that leaves the next one's usage without any time is refused, and names it."""
    run(workshop, "B", 10, stage="as_left")
    problem = run(workshop, "A", 10, 422, usage=None)
    assert codes(problem) == [("/taken_at", "usage-without-time")]
    assert "B" in problem["errors"][0]["message"]
    assert workshop.get("/inspections")["items"][0]["reference"] == "B"


def test_withdrawing_into_the_ledger_is_refused(workshop: Fleet) -> None:
    """A withdrawal or correction after which an interval meets a ledger entry is 409 and names both."""
    run(workshop, "A", 1)
    second = run(workshop, "B", 10, usage=None)
    run(workshop, "C", 20)
    entry = workshop.run(at(4), at(6))
    problem = workshop.call("DELETE", f"/inspections/{second['id']}", status=409).json
    assert (problem["code"], problem["entry"]["id"]) == ("usage-overlap", entry["id"])
    assert problem["inspection"]["reference"] == "C"
    workshop.call("PUT", f"/inspections/{second['id']}", inspection("B", at(5)), 409)
    workshop.call("PUT", f"/inspections/{second['id']}", inspection("B", at(8)), 200)
    assert periods(workshop)["C"][0] == "03-08 00:00"


def test_the_ledger_keeps_off_what_inspections_carry(workshop: Fleet) -> None:
    """An entry on an interval for which an inspection carries usage is 409."""
    run(workshop, "A", 1)
    run(workshop, "B", 10)
    entry = {"tool": "H-1", "from": at(4), "to": at(5), "metres": 1.0}
    assert workshop.call("POST", "/usage", {"entries": [entry]}, 409).json["code"] == "usage-overlap"


def test_a_correction_takes_the_amounts_along(workshop: Fleet) -> None:
    """Corrected usage takes the place of what was there; usage left out goes."""
    first = run(workshop, "A", 10)
    path = f"/inspections/{first['id']}"
    workshop.call("PUT", path, inspection("A", at(12), usage={"metres": 99.0}), 200)
    assert periods(workshop) == {"A": (None, "03-12", 99.0)}
    workshop.call("PUT", path, inspection("A", at(12)), 200)
    assert periods(workshop) == {}
    post(workshop, query="?on_existing=add", reference="A", taken_at=at(12), checks=None, usage={"metres": 7.0})
    assert periods(workshop) == {"A": (None, "03-12", 7.0)}
