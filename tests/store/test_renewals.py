"""Fittings derived from renewals: late ones, undone ones, moved ones, and what is in their way."""

from __future__ import annotations

from typing import Any

import pytest

from tests.api.inspection_bodies import codes, inspection, post, put_workshop, reading
from tests.plugins.fleet import Fleet

pytestmark = pytest.mark.db

MARCH, APRIL, MAY, JUNE = (f"2026-0{month}-01T00:00:00Z" for month in (3, 4, 5, 6))


@pytest.fixture
def workshop(fleet: Fleet) -> Fleet:
    return put_workshop(fleet)


def fittings(fleet: Fleet, tool: str = "H-1") -> list[tuple[str, int, str | None, str, str | None]]:
    """(part, position, component, from, until) of a tool."""
    rows = fleet.conn.execute(
        "SELECT f.part, f.position, c.serial, to_char(lower(f.period), 'MM-DD'), to_char(upper(f.period), 'MM-DD')"
        " FROM fittings f JOIN tools t USING (tool_id) LEFT JOIN components c USING (component_id)"
        " WHERE t.serial = %s ORDER BY f.part, f.position, f.period",
        [tool],
    ).fetchall()
    fleet.conn.rollback()
    return rows


def state(fleet: Fleet, component: str) -> str:
    return fleet.get(f"/components/{component}")["state"]


def renew(fleet: Fleet, reference: str, taken_at: str, component: str | None, status: int = 202, **more: Any) -> Any:
    """Post an inspection that puts a piston in."""
    renewal = {"part": "piston"} | ({"component": component} if component else {})
    return post(fleet, status, reference=reference, taken_at=taken_at, renewals=[renewal], **more)


def test_a_renewal_puts_a_new_component_in(workshop: Fleet) -> None:
    """A renewal names a component, created if unknown, which holds the position from then on."""
    renew(workshop, "WO-1", MARCH, "P-1")
    assert fittings(workshop) == [("piston", 1, "P-1", "03-01", None)]
    component = workshop.get("/components/P-1")
    assert (component["state"], component["tool"], component["part"]) == ("fitted", "H-1", "piston")


def test_a_renewal_ends_what_held_the_position(workshop: Fleet) -> None:
    """The predecessor is scrapped, or goes to stock where the renewal says so."""
    renew(workshop, "WO-1", MARCH, "P-1")
    renew(workshop, "WO-2", APRIL, "P-2")
    assert fittings(workshop) == [("piston", 1, "P-1", "03-01", "04-01"), ("piston", 1, "P-2", "04-01", None)]
    assert state(workshop, "P-1") == "scrapped"
    renewal = {"part": "piston", "component": "P-3", "removed_to": "stock"}
    post(workshop, reference="WO-3", taken_at=MAY, renewals=[renewal])
    assert state(workshop, "P-2") == "stock"


def test_a_late_renewal_lasts_until_the_end_of_what_it_ends(workshop: Fleet) -> None:
    """A renewal that arrives late cuts the fitting of its time and lasts until that one's end."""
    renew(workshop, "WO-1", MARCH, "P-1")
    renew(workshop, "WO-3", MAY, "P-3")
    workshop.settle()
    renew(workshop, "WO-2", APRIL, None)
    assert fittings(workshop) == [
        ("piston", 1, "P-1", "03-01", "04-01"),
        ("piston", 1, None, "04-01", "05-01"),
        ("piston", 1, "P-3", "05-01", None),
    ]
    renew(workshop, "WO-0", "2026-02-01T00:00:00Z", "P-0")
    assert fittings(workshop)[0] == ("piston", 1, "P-0", "02-01", "03-01")


def test_withdrawing_undoes_fittings(workshop: Fleet) -> None:
    """A withdrawn renewal gives its time back to the fitting that it had ended."""
    first = renew(workshop, "WO-1", MARCH, "P-1")
    second = renew(workshop, "WO-2", APRIL, "P-2")
    renew(workshop, "WO-3", MAY, "P-3")
    workshop.call("DELETE", f"/inspections/{second['id']}", status=200)
    assert fittings(workshop) == [("piston", 1, "P-1", "03-01", "05-01"), ("piston", 1, "P-3", "05-01", None)]
    assert state(workshop, "P-2") == "stock"
    workshop.call("DELETE", f"/inspections/{first['id']}", status=200)
    assert fittings(workshop) == [("piston", 1, "P-3", "05-01", None)]


def test_undoing_does_not_reopen_a_fitting_ended_by_itself(workshop: Fleet) -> None:
    """A fitting that a client ended stays ended when the renewal at that moment is withdrawn."""
    workshop.put_component("P-1")
    workshop.fit("P-1", MARCH, until=APRIL)
    second = renew(workshop, "WO-2", APRIL, "P-2")
    workshop.call("DELETE", f"/inspections/{second['id']}", status=200)
    assert fittings(workshop) == [("piston", 1, "P-1", "03-01", "04-01")]


def test_correcting_moves_fittings(workshop: Fleet) -> None:
    """A corrected time moves the fitting; a corrected component takes the other's place."""
    renew(workshop, "WO-1", MARCH, "P-1")
    second = renew(workshop, "WO-2", MAY, "P-2")
    body = inspection("WO-2", APRIL, renewals=[{"part": "piston", "component": "P-2"}])
    workshop.call("PUT", f"/inspections/{second['id']}", body, 200)
    assert fittings(workshop) == [("piston", 1, "P-1", "03-01", "04-01"), ("piston", 1, "P-2", "04-01", None)]
    body["renewals"] = [{"part": "piston", "component": "P-9"}, {"part": "casing"}]
    workshop.call("PUT", f"/inspections/{second['id']}", body, 200)
    assert fittings(workshop)[0] == ("casing", 1, None, "04-01", None)
    assert fittings(workshop)[2] == ("piston", 1, "P-9", "04-01", None)
    assert state(workshop, "P-2") == "stock"


def test_correcting_a_reading_leaves_the_fitting_as_it_is(workshop: Fleet) -> None:
    """Fittings keep their identity where the renewals did not change."""
    first = renew(workshop, "WO-1", MARCH, "P-1")
    before = workshop.conn.execute("SELECT fitting_id FROM fittings").fetchall()
    workshop.conn.rollback()
    body = inspection("WO-1", MARCH, renewals=[{"part": "piston", "component": "P-1"}], readings=[reading()])
    workshop.call("PUT", f"/inspections/{first['id']}", body, 200)
    assert workshop.conn.execute("SELECT fitting_id FROM fittings").fetchall() == before


def test_a_component_fitted_elsewhere_is_refused(workshop: Fleet) -> None:
    """A component sits in one position of one tool: a renewal with it in another one is 409 and names the place."""
    renew(workshop, "WO-1", MARCH, "P-1")
    problem = renew(workshop, "WO-1", APRIL, "P-1", 409, tool="H-2")
    assert (problem["code"], problem["fitting"]["tool"]) == ("component-fitted", "H-1")
    assert fittings(workshop, "H-2") == []
    assert workshop.get("/inspections?tool=H-2")["items"] == []


def test_a_component_of_another_part_is_refused(workshop: Fleet) -> None:
    """A casing cannot be put in as a piston, nor measured as one."""
    workshop.put_component("C-1", "casing")
    assert codes(renew(workshop, "WO-1", MARCH, "C-1", 422)) == [("/renewals/0/component", "wrong-part")]
    refused = post(workshop, 422, readings=[reading(component="C-1")])
    assert codes(refused) == [("/readings/0/component", "wrong-part")]


def test_a_later_renewal_that_names_it_keeps_a_component(workshop: Fleet) -> None:
    """409, naming them: a later renewal, a fitting posted by itself, or a reading that names what was put in."""
    first = renew(workshop, "WO-1", MARCH, "P-1")
    renew(workshop, "WO-2", APRIL, "P-2")
    renew(workshop, "WO-9", MAY, "P-1", tool="H-2")
    problem = workshop.call("DELETE", f"/inspections/{first['id']}", status=409).json
    assert problem["code"] == "component-named"
    assert [row["tool"] for row in problem["named_by"]] == ["H-2"]
    assert len(fittings(workshop)) == 2


def test_a_reading_that_names_it_keeps_a_component(workshop: Fleet) -> None:
    """A later reading of the tool that names the component: 409 on withdrawal, and on a correction that drops it."""
    first = renew(workshop, "WO-1", MARCH, "P-1")
    post(workshop, reference="WO-2", taken_at=APRIL, readings=[reading(component="P-1")])
    problem = workshop.call("DELETE", f"/inspections/{first['id']}", status=409).json
    assert [row["reference"] for row in problem["named_by"]] == ["WO-2"]
    path = f"/inspections/{first['id']}"
    workshop.call("PUT", path, inspection("WO-1", MARCH), 409)
    earlier = inspection("WO-1", "2026-02-01T00:00:00Z", renewals=[{"part": "piston", "component": "P-1"}])
    workshop.call("PUT", path, earlier, 200)
    later = inspection("WO-1", MAY, renewals=[{"part": "piston", "component": "P-1"}])
    workshop.call("PUT", path, later, 409)


def test_a_fitting_that_begins_at_the_same_moment_is_in_the_way(workshop: Fleet) -> None:
    """Two components cannot begin in one position at one moment."""
    workshop.put_component("P-1")
    workshop.fit("P-1", MARCH)
    assert renew(workshop, "WO-1", MARCH, "P-2", 409)["code"] == "position-taken"


def test_renewals_take_effect_between_the_readings_of_the_two_stages(workshop: Fleet) -> None:
    """They come after the readings of an as-found and before those of an as-left inspection."""
    workshop.put_component("R-1", "split-ring-half")
    workshop.fit("R-1", "2026-01-01T00:00:00Z", position=2)
    new = [{"part": "split-ring-half", "position": 2, "component": "R-2"}]

    def half(component: str) -> list[dict[str, Any]]:
        return [reading("split-ring-half.thickness", 10.0, component=component, position=2)]

    bad = post(workshop, 422, taken_at=MARCH, readings=half("R-2"), renewals=new)
    assert codes(bad) == [("/readings/0/position", "position-mismatch")]
    post(workshop, taken_at=MARCH, readings=half("R-1"), renewals=new)
    bad = post(workshop, 422, taken_at=MARCH, stage="as_left", readings=half("R-1"))
    assert codes(bad) == [("/readings/0/position", "position-mismatch")]
    post(workshop, taken_at=MARCH, stage="as_left", readings=half("R-2"))
    again = [{"part": "split-ring-half", "position": 2, "component": "R-3"}]
    post(workshop, reference="WO-2", taken_at=APRIL, stage="as_left", readings=half("R-3"), renewals=again)


def test_a_component_on_the_bench_is_measured_without_a_position(workshop: Fleet) -> None:
    """A component that is not fitted is stock on the bench: it may be measured, but sits at no position."""
    workshop.put_component("R-1", "split-ring-half")
    bench = reading("split-ring-half.thickness", 10.0, component="R-1")
    accepted = post(workshop, readings=[bench])
    assert workshop.get(f"/inspections/{accepted['id']}")["readings"][0]["component"] == "R-1"
    refused = post(workshop, 422, reference="WO-2", readings=[bench | {"position": 1}])
    assert codes(refused) == [("/readings/0/position", "position-mismatch")]


def test_other_tools_of_its_components_are_computed_again(workshop: Fleet) -> None:
    """An inspection that arrives late marks the tools its components have gone to since."""
    renew(workshop, "WO-1", MARCH, "P-1")
    post(
        workshop,
        reference="WO-3",
        taken_at=MAY,
        renewals=[{"part": "piston", "component": "P-2", "removed_to": "stock"}],
    )
    renew(workshop, "WO-9", JUNE, "P-1", tool="H-2")
    workshop.settle()
    post(workshop, reference="WO-2", taken_at=APRIL)
    assert workshop.dirty_from("H-1") is not None
    dirty = workshop.dirty_from("H-2")
    assert dirty is not None and dirty.month == 6
