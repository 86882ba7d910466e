"""An inspection that measures an earlier one again."""

from __future__ import annotations

from typing import Any

import pytest

from tests.api.inspection_bodies import codes, inspection, post, put_workshop, reading
from tests.plugins.fleet import Fleet

pytestmark = pytest.mark.db

FIRST, LATER, SECOND = "2026-03-01T00:00:00Z", "2026-03-01T06:00:00Z", "2026-03-01T12:00:00Z"
PISTON = [reading()]


@pytest.fixture
def workshop(fleet: Fleet) -> Fleet:
    return put_workshop(fleet)


def again(fleet: Fleet, status: int = 202, **more: Any) -> Any:
    body = {"reference": "B", "taken_at": SECOND, "remeasures": "A", "readings": PISTON, "checks": None} | more
    return post(fleet, status, **body)


def test_a_second_measurement_names_the_first(workshop: Fleet) -> None:
    """`remeasures` and `final` are kept and shown."""
    post(workshop, reference="A", taken_at=FIRST)
    record = workshop.get(f"/inspections/{again(workshop, final=True)['id']}")
    assert (record["remeasures"], record["final"]) == ("A", True)


def test_the_first_has_to_be_stored_and_earlier(workshop: Fleet) -> None:
    """It names an earlier inspection of the same tool and stage, already stored."""
    assert codes(again(workshop, 422)) == [("/remeasures", "unknown-inspection")]
    post(workshop, reference="A", taken_at=FIRST, stage="as_left")
    assert codes(again(workshop, 422)) == [("/remeasures", "unknown-inspection")]
    post(workshop, reference="A", taken_at="2026-03-02T00:00:00Z")
    assert codes(again(workshop, 422)) == [("/remeasures", "not-earlier")]
    assert codes(again(workshop, 422, reference="A")) != []


@pytest.mark.parametrize("usage", ["ledger", "own", "between"])
def test_usage_in_between_refuses_it(workshop: Fleet, usage: str) -> None:
    """After usage it is no second measurement of the same thing: `remeasure-after-use`."""
    post(workshop, reference="A", taken_at=FIRST, usage={"metres": 5.0})
    if usage == "ledger":
        workshop.run(FIRST, LATER)
    if usage == "between":
        post(workshop, reference="M", taken_at=LATER, usage={"metres": 5.0})
    own = {"usage": {"metres": 5.0}} if usage == "own" else {}
    assert codes(again(workshop, 422, **own)) == [("/remeasures", "remeasure-after-use")]


def test_what_was_run_after_both_counts_for_neither(workshop: Fleet) -> None:
    """A second measurement that comes in late, after the next inspection with its usage, is taken as if in order."""
    post(workshop, reference="A", taken_at=FIRST)
    post(workshop, reference="N", taken_at="2026-03-09T00:00:00Z", usage={"metres": 5.0})
    again(workshop)
    [entry] = workshop.get("/usage?tool=H-1")["items"]
    assert entry["from"] == SECOND


def test_another_component_in_between_refuses_it(workshop: Fleet) -> None:
    """A component changed in between: refused; one of another part does not matter."""
    post(workshop, reference="A", taken_at=FIRST, renewals=[{"part": "casing"}])
    again(workshop)
    post(workshop, reference="M", taken_at=LATER, renewals=[{"part": "piston", "component": "P-2"}])
    assert codes(again(workshop, 422, reference="C")) == [("/remeasures", "remeasure-after-use")]


def test_a_fitting_posted_in_between_refuses_it(workshop: Fleet) -> None:
    """A fitting posted by itself changes the component, too."""
    post(workshop, reference="A", taken_at=FIRST)
    workshop.put_component("P-1")
    workshop.fit("P-1", LATER)
    assert codes(again(workshop, 422)) == [("/remeasures", "remeasure-after-use")]


def test_the_renewals_of_the_first_come_in_between(workshop: Fleet) -> None:
    """Renewals of an as-found inspection take effect after its readings, those of an as-left one before."""
    renewals = [{"part": "piston", "component": "P-1"}]
    post(workshop, reference="A", taken_at=FIRST, renewals=renewals)
    assert codes(again(workshop, 422)) == [("/remeasures", "remeasure-after-use")]
    post(workshop, reference="L", taken_at=LATER, stage="as_left", renewals=[{"part": "piston", "component": "P-3"}])
    again(workshop, reference="L2", stage="as_left", remeasures="L")


def test_the_first_cannot_go(workshop: Fleet) -> None:
    """While another one measures it again, it is neither withdrawn nor moved behind that one."""
    first = post(workshop, reference="A", taken_at=FIRST)
    second = again(workshop)
    path = f"/inspections/{first['id']}"
    problem = workshop.call("DELETE", path, status=409).json
    assert (problem["code"], problem["by"][0]["id"]) == ("inspection-remeasured", second["id"])
    workshop.call("PUT", path, inspection("A", "2026-03-05T00:00:00Z"), 409)
    workshop.call("PUT", path, inspection("A", LATER), 200)
    workshop.call("DELETE", f"/inspections/{second['id']}", status=200)
    workshop.call("DELETE", path, status=200)
