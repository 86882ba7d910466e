"""Components over HTTP."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from tests.plugins.fleet import Fleet

pytestmark = pytest.mark.db


def test_put_makes_a_component_in_stock(fleet: Fleet) -> None:
    """A new component answers 201 and is in stock unless its PUT says otherwise."""
    body = {"part": "split-ring-half", "tool_type": "small", "site": "north-yard", "set": "SET-4"}
    answer = fleet.call("PUT", "/components/RH-1", body, 201)
    assert answer.headers["Location"] == "/v1/components/RH-1"
    assert fleet.get("/components/RH-1") == answer.json
    shown = {name: answer.json[name] for name in ("state", "set", "tool", "position", "version")}
    assert shown == {"state": "stock", "set": "SET-4", "tool": None, "position": None, "version": 1}
    assert fleet.call("PUT", "/components/RH-1", body, 200).json["version"] == 1


def test_every_fault_of_a_component_is_told_at_once(fleet: Fleet) -> None:
    """The part must be one of the tool type's; `fitted` is shown, never said."""
    body = {"part": "anvil", "tool_type": "small", "site": "nowhere", "state": "fitted"}
    errors = fleet.call("PUT", "/components/P-1", body, 422).json["errors"]
    assert [(error["pointer"], error["code"]) for error in errors] == [
        ("/part", "unknown-part"),
        ("/site", "unknown-site"),
        ("/state", "not-one-of"),
    ]


def test_a_fitted_component_is_shown_where_it_is(fleet: Fleet) -> None:
    """`state` is `fitted` where a fitting says so, and another tag goes with it; scrapping it then is a conflict."""
    fleet.put_tool()
    fleet.put_component("P-1")
    before = fleet.call("GET", "/components/P-1").headers["ETag"]
    fleet.fit("P-1", "2026-02-01T00:00:00Z")
    answer = fleet.call("GET", "/components/P-1", status=200, If_None_Match=before)
    assert [answer.json[name] for name in ("state", "tool", "position")] == ["fitted", "H-1", 1]
    body = {"part": "piston", "tool_type": "small", "site": "north-yard", "state": "scrapped"}
    problem = fleet.call("PUT", "/components/P-1", body, 409).json
    assert (problem["code"], problem["tool"]) == ("component-fitted", "H-1")


def test_a_put_without_state_leaves_it_as_it_was(fleet: Fleet) -> None:
    """Sending master data again does not take a scrapped component back into stock; saying `stock` does."""
    fleet.put_component("P-1", state="scrapped")
    fleet.put_component("P-1", set="SET-1")
    assert fleet.get("/components/P-1")["state"] == "scrapped"
    fleet.put_component("P-1", set="SET-1", state="stock")
    assert fleet.get("/components/P-1")["state"] == "stock"


def test_a_used_component_keeps_its_part_and_is_not_deleted(fleet: Fleet) -> None:
    """Once a fitting or a measurement refers to it, its part is fixed and DELETE says what refers to it."""
    fleet.put_tool()
    fleet.put_component("P-1")
    fleet.put_component("P-1", part="casing")
    fleet.put_component("P-1")
    key = fleet.insert_assessment(fleet.insert_inspection("2026-03-01T00:00:00Z"))
    row = fleet.conn.execute("SELECT component_id FROM components").fetchone()
    fleet.insert_size(key, component_id=row[0], position=None)
    body = {"part": "casing", "tool_type": "small", "site": "north-yard"}
    assert fleet.call("PUT", "/components/P-1", body, 409).json["code"] == "in-use"
    problem = fleet.call("DELETE", "/components/P-1", status=409).json
    assert problem["used_by"][0]["kind"] == "inspection"
    fleet.put_component("P-2")
    fleet.call("DELETE", "/components/P-2", status=204)
    fleet.get("/components/P-2", 404)


def test_another_set_has_the_tools_it_was_in_computed_again(fleet: Fleet) -> None:
    """A matched set bears on verdicts: changing it is work for the tools the component has been in."""
    fleet.put_tool()
    fleet.put_component("RH-1", part="split-ring-half")
    fleet.fit("RH-1", "2026-02-01T00:00:00Z", position=1)
    fleet.settle()
    fleet.put_component("RH-1", part="split-ring-half", set="SET-2")
    assert fleet.dirty_from() == datetime(2026, 2, 1, tzinfo=UTC)


def test_components_are_listed_by_serial_with_filters(fleet: Fleet, bound_fleet: Fleet) -> None:
    """Lists filter by site, part, tool and state; a bound token sees its own site's."""
    fleet.put_tool()
    for number in range(3):
        fleet.put_component(f"P-{number}")
    fleet.put_component("C-1", part="casing", site="south-camp")
    fleet.fit("P-1", "2026-02-01T00:00:00Z")

    def listed(seen: Fleet, query: str) -> list[str]:
        return [component["serial"] for component in seen.get(f"/components?{query}")["items"]]

    assert listed(fleet, "") == ["C-1", "P-0", "P-1", "P-2"]
    assert listed(fleet, "site=south-camp") == ["C-1"]
    assert listed(fleet, "part=piston&state=stock") == ["P-0", "P-2"]
    assert listed(fleet, "tool=H-1") == ["P-1"]
    assert listed(bound_fleet, "") == ["C-1"]
    bound_fleet.get("/components/P-1", 403)
