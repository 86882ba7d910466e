"""Tools over HTTP."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from tests.plugins.fleet import Fleet

pytestmark = pytest.mark.db


def test_put_makes_a_tool_and_get_returns_it(fleet: Fleet) -> None:
    """A new tool answers 201 with Location and its defaults, and is then there."""
    body = {"tool_type": "small", "site": "north-yard", "commissioned_on": "2026-01-05", "note": "spare"}
    answer = fleet.call("PUT", "/tools/H-1", body, 201)
    assert answer.headers["Location"] == "/v1/tools/H-1"
    assert answer.headers["ETag"] == '"1-mm"'
    assert fleet.get("/tools/H-1") == answer.json
    assert answer.json["serial"] == "H-1"
    assert (answer.json["history"], answer.json["air_setting"]) == ("new", None)
    assert answer.json["commissioned_on"] == "2026-01-05"


def test_an_identical_put_makes_no_version(fleet: Fleet) -> None:
    """PUT is idempotent: the same again answers 200 under the same tag, a change makes the next version."""
    fleet.put_tool()
    assert fleet.call("PUT", "/tools/H-1", {"tool_type": "small", "site": "north-yard"}, 200).json["version"] == 1
    changed = fleet.call("PUT", "/tools/H-1", {"tool_type": "small", "site": "south-camp"}, 200)
    assert (changed.json["version"], changed.json["site"]) == (2, "south-camp")


def test_null_is_as_if_left_out(fleet: Fleet) -> None:
    """A field that is null has its default, as one that is left out."""
    optional = dict.fromkeys(("air_setting", "history", "commissioned_on", "note"))
    body = {"tool_type": "small", "site": "north-yard"}
    assert fleet.call("PUT", "/tools/H-1", body | optional, 201).json["history"] == "new"
    assert fleet.call("PUT", "/tools/H-1", body, 200).json["version"] == 1


def test_every_fault_of_a_tool_is_told_at_once(fleet: Fleet) -> None:
    """Faults of fields and names of nothing come in one answer, sorted, with pointers."""
    body = {"tool_type": "none", "site": "nowhere", "history": "old", "colour": "red"}
    errors = fleet.call("PUT", "/tools/H-1", body, 422).json["errors"]
    assert [(error["pointer"], error["code"]) for error in errors] == [
        ("/colour", "unknown-field"),
        ("/history", "not-one-of"),
        ("/site", "unknown-site"),
        ("/tool_type", "unknown-tool-type"),
    ]


def test_an_air_setting_must_be_one_of_the_types(fleet: Fleet) -> None:
    """`air_setting` names one of the tool type's settings."""
    fleet.put_tool(air_setting="low-air")
    body = {"tool_type": "small", "site": "north-yard", "air_setting": "high-air"}
    (error,) = fleet.call("PUT", "/tools/H-1", body, 422).json["errors"]
    assert (error["pointer"], error["code"]) == ("/air_setting", "unknown-air-setting")


def test_preconditions_are_compared_with_the_stored_version(fleet: Fleet) -> None:
    """If-Match of another version and If-None-Match: * on what is there are 412; a GET with its tag is 304."""
    body = {"tool_type": "small", "site": "north-yard", "note": "changed"}
    fleet.call("PUT", "/tools/H-1", body, 412, If_Match='"1-mm"')
    fleet.put_tool()
    fleet.call("PUT", "/tools/H-1", body, 412, If_None_Match="*")
    fleet.call("PUT", "/tools/H-1", body, 412, If_Match='"2-mm"')
    fleet.call("PUT", "/tools/H-1", body, 200, If_Match='"1-mm"')
    fleet.call("GET", "/tools/H-1", status=304, If_None_Match='"2-mm"')
    fleet.call("DELETE", "/tools/H-1", status=412, If_Match='"1-mm"')


def test_a_tool_with_history_keeps_its_type_and_is_not_deleted(fleet: Fleet) -> None:
    """Once inspected, fitted or run, a tool's type is fixed and DELETE says what refers to it."""
    fleet.call("PUT", "/tool-types/other", _other_type(fleet))
    fleet.put_tool()
    fleet.call("PUT", "/tools/H-1", {"tool_type": "other", "site": "north-yard"}, 200)
    fleet.put_tool()
    inspection = fleet.insert_inspection("2026-03-01T00:00:00Z")
    problem = fleet.call("PUT", "/tools/H-1", {"tool_type": "other", "site": "north-yard"}, 409).json
    assert (problem["code"], problem["used_by"][0]["kind"]) == ("in-use", "inspection")
    fleet.call("DELETE", "/tools/H-1", status=409)
    fleet.conn.execute("DELETE FROM inspections WHERE inspection_id = %s", [inspection])
    fleet.conn.commit()
    fleet.call("DELETE", "/tools/H-1", status=204)
    fleet.get("/tools/H-1", 404)


def _other_type(fleet: Fleet) -> dict:
    kept = ("name", "unit", "parts", "features")
    return {name: value for name, value in fleet.get("/tool-types/small").items() if name in kept}


def test_a_change_has_the_tool_computed_again(fleet: Fleet) -> None:
    """A new tool is work (it gets a status); a change is work from its first inspection on, an equal PUT is none."""
    fleet.put_tool()
    assert fleet.dirty_from() is not None
    fleet.insert_inspection("2026-03-01T00:00:00Z")
    fleet.settle()
    fleet.put_tool()
    assert fleet.dirty_from() is None
    fleet.put_tool(history="unknown")
    assert fleet.dirty_from() == datetime(2026, 3, 1, tzinfo=UTC)


def test_commissioning_later_than_usage_says_is_refused(fleet: Fleet) -> None:
    """A commissioning that would leave an inspection's usage no time to be run in is a conflict."""
    fleet.put_tool()
    inspection = fleet.insert_inspection("2026-03-01T00:00:00Z")
    usage = {"tool_id": fleet.tool_id("H-1"), "inspection_id": inspection, "metres": 5.0}
    fleet.insert("usage", period="(,2026-03-01T00:00:00Z)", amounts=[{"metres": 5.0}], **usage)
    body = {"tool_type": "small", "site": "north-yard", "commissioned_on": "2026-03-02"}
    assert fleet.call("PUT", "/tools/H-1", body, 409).json["code"] == "usage-without-time"
    fleet.put_tool(commissioned_on="2026-02-01")
    (entry,) = fleet.get("/usage?tool=H-1")["items"]
    assert entry["from"] == "2026-01-31T16:00:00Z"  # midnight in Perth


def test_tools_are_listed_by_serial_in_pages(fleet: Fleet) -> None:
    """A list is in the order of serials, filtered, and says where the next page begins."""
    for number in (3, 1, 2):
        fleet.put_tool(f"H-{number}")
    fleet.put_tool("H-4", site="south-camp")
    first = fleet.call("GET", "/tools?limit=2&site=north-yard")
    assert [tool["serial"] for tool in first.json["items"]] == ["H-1", "H-2"]
    link = first.headers["Link"].partition(">")[0].removeprefix("</v1")
    rest = fleet.get(link)
    assert ([tool["serial"] for tool in rest["items"]], rest["next"]) == (["H-3"], None)
    (error,) = fleet.get("/tools?colour=red", 422)["errors"]
    assert (error["pointer"], error["code"]) == ("?colour", "unknown-parameter")


def test_a_token_of_a_site_sees_and_writes_only_its_tools(fleet: Fleet, bound_fleet: Fleet) -> None:
    """By name another site's tool is 403 (reading, writing, moving it there), in lists it is left out."""
    fleet.put_tool("H-1")
    fleet.put_tool("H-2", site="south-camp")
    assert bound_fleet.get("/tools/H-1", 403)["code"] == "outside-site"
    body = {"tool_type": "small", "site": "north-yard"}
    for tool in ("H-1", "H-2", "H-3"):
        bound_fleet.call("PUT", f"/tools/{tool}", body, 403)
    assert [tool["serial"] for tool in bound_fleet.get("/tools")["items"]] == ["H-2"]


@pytest.mark.parametrize("scope", ["read", "intake"])
def test_writing_tools_needs_the_catalogue_scope(fleet: Fleet, make_client, scope: str) -> None:
    """A token without the scope is refused with 403."""
    client = make_client(scope)
    answer = client.put("/v1/tools/H-1", json={"tool_type": "small", "site": "north-yard"})
    assert (answer.status_code, answer.json["code"]) == (403, "outside-scope")
