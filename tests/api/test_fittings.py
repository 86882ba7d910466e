"""Fittings and builds over HTTP."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

import pytest

from tests.plugins.fleet import Fleet

pytestmark = pytest.mark.db
FEB, MAR, APR = "2026-02-01T00:00:00Z", "2026-03-01T00:00:00Z", "2026-04-01T00:00:00Z"


@pytest.fixture
def tool(fleet: Fleet) -> Fleet:
    """The fleet with one tool and some components."""
    fleet.put_tool()
    for serial in ("P-1", "P-2"):
        fleet.put_component(serial)
    for serial in ("RH-1", "RH-2"):
        fleet.put_component(serial, part="split-ring-half", set="SET-4")
    fleet.settle()
    return fleet


def post(fleet: Fleet, status: int, tool: str = "H-1", **body: Any) -> Any:
    sent = {("from" if name == "since" else name): value for name, value in body.items()}
    return fleet.call("POST", f"/tools/{tool}/fittings", sent, status).json


def test_a_fitting_is_made_read_and_listed(tool: Fleet) -> None:
    """A fitting answers 201 with Location, is read by it, and marks the tool from its start."""
    answer = tool.call("POST", "/tools/H-1/fittings", {"component": "P-1", "from": "2026-02-01T08:00:00+08:00"}, 201)
    assert answer.json == {
        "id": answer.json["id"],
        "tool": "H-1",
        "part": "piston",
        "position": 1,
        "component": "P-1",
        "from": FEB,
        "until": None,
        "inspection": None,
    }
    assert tool.get(answer.headers["Location"].removeprefix("/v1")) == answer.json
    assert tool.get("/tools/H-1/fittings")["items"] == [answer.json]
    assert tool.dirty_from() == datetime(2026, 2, 1, tzinfo=UTC)


def test_a_second_piston_in_one_position_is_refused_by_name(tool: Fleet) -> None:
    """A position holds one component at a time; the answer names the fitting in the way."""
    first = tool.fit("P-1", FEB)
    problem = post(tool, 409, component="P-2", since=MAR)
    assert (problem["code"], problem["fittings"]) == ("position-occupied", [first])
    problem = post(tool, 409, component="P-2", since="2026-01-01T00:00:00Z")
    assert problem["code"] == "position-occupied"
    post(tool, 201, component="P-2", since="2026-01-01T00:00:00Z", until=FEB)


def test_a_component_sits_in_one_place(tool: Fleet) -> None:
    """A component fitted elsewhere at the time is refused, naming where; half-open times may touch."""
    tool.put_tool("H-2")
    first = tool.fit("P-1", FEB, until=MAR)
    problem = post(tool, 409, "H-2", component="P-1", since=FEB)
    assert (problem["code"], problem["fittings"]) == ("component-fitted", [first])
    post(tool, 201, "H-2", component="P-1", since=MAR)


def test_the_database_guards_what_the_check_promises(tool: Fleet) -> None:
    """The constraints refuse two components in one position and one component in two, whoever writes."""
    tool.fit("P-1", FEB)
    row = {"tool_id": tool.tool_id("H-1"), "part": "piston", "position": 1, "period": f"[{MAR},)"}
    with pytest.raises(Exception, match="fittings_one_per_position"):
        tool.insert("fittings", **row)
    tool.conn.rollback()
    (component_id,) = tool.conn.execute("SELECT component_id FROM components WHERE serial = 'P-1'").fetchone()
    tool.put_tool("H-2")
    with pytest.raises(Exception, match="fittings_one_place"):
        tool.insert("fittings", **(row | {"tool_id": tool.tool_id("H-2"), "component_id": component_id}))


@pytest.mark.parametrize(
    ("body", "pointer", "code"),
    [
        ({"component": "RH-1", "from": FEB}, "/position", "position-required"),
        ({"component": "RH-1", "from": FEB, "position": 3}, "/position", "out-of-range"),
        ({"component": "P-1", "from": FEB, "position": 2}, "/position", "out-of-range"),
        ({"component": "none", "from": FEB}, "/component", "unknown-component"),
        ({"component": "P-1", "from": "2026-02-01T00:00:00"}, "/from", "bad-time"),
        ({"component": "P-1", "from": "2126-02-01T00:00:00Z"}, "/from", "time-in-future"),
        ({"component": "P-1", "from": FEB, "until": FEB}, "/until", "bad-interval"),
        ({"component": "P-1"}, "/from", "required"),
        ({"component": "P-1", "from": FEB, "to": MAR}, "/to", "unknown-field"),
    ],
)
def test_a_wrong_fitting_is_a_fault_that_says_where(tool: Fleet, body: dict, pointer: str, code: str) -> None:
    """Each input fault has its pointer and code, and nothing is stored."""
    (error,) = tool.call("POST", "/tools/H-1/fittings", body, 422).json["errors"]
    assert (error["pointer"], error["code"]) == (pointer, code)
    assert tool.get("/tools/H-1/fittings")["items"] == []


def test_a_component_of_another_type_is_refused(tool: Fleet) -> None:
    """A component fits tools of its own type only."""
    other = {name: tool.get("/tool-types/small")[name] for name in ("name", "unit", "parts", "features")}
    tool.call("PUT", "/tool-types/other", other)
    tool.put_component("P-9", tool_type="other")
    (error,) = post(tool, 422, component="P-9", since=FEB)["errors"]
    assert (error["pointer"], error["code"]) == ("/component", "wrong-tool-type")


def test_a_scrapped_component_is_not_put_in(tool: Fleet) -> None:
    """What is scrapped cannot sit in a tool now; that it did sit there once can still be told."""
    tool.put_component("P-1", state="scrapped")
    assert post(tool, 409, component="P-1", since=FEB)["code"] == "component-scrapped"
    post(tool, 201, component="P-1", since=FEB, until=MAR)


def test_patch_ends_changes_and_reopens(tool: Fleet) -> None:
    """PATCH ends a fitting by `until`, changes what it names, and opens it again by null."""
    fitting = tool.fit("P-1", FEB)
    path = f"/tools/H-1/fittings/{fitting['id']}"
    tool.settle()
    assert tool.call("PATCH", path, {"until": MAR}, 200).json["until"] == MAR
    assert tool.dirty_from() == datetime(2026, 2, 1, tzinfo=UTC)
    changed = tool.call("PATCH", path, {"component": "P-2", "from": "2026-01-15T00:00:00Z"}, 200).json
    assert [changed[name] for name in ("component", "from", "until")] == ["P-2", "2026-01-15T00:00:00Z", MAR]
    assert tool.call("PATCH", path, {"until": None}, 200).json["until"] is None
    tool.call("PATCH", path, {"until": "2026-01-01T00:00:00Z"}, 422)
    tool.call("PATCH", path, {"until": MAR}, 412, If_Match='"1-mm"')
    tag = tool.call("GET", path).headers["ETag"]
    tool.call("PATCH", path, {"until": MAR}, 200, If_Match=tag)


def test_a_fitting_of_a_renewal_cannot_be_patched(tool: Fleet) -> None:
    """A fitting derived from an inspection is changed by correcting that; the answer says which."""
    inspection = tool.insert_inspection(MAR, reference="WO-7")
    place = {"tool_id": tool.tool_id("H-1"), "part": "piston", "position": 1, "period": f"[{MAR},)"}
    tool.insert("fittings", inspection_id=inspection, **place)
    (fitting,) = tool.get("/tools/H-1/fittings")["items"]
    assert (fitting["component"], fitting["inspection"]["reference"]) == (None, "WO-7")
    for method, body in (("PATCH", {"until": APR}), ("DELETE", None)):
        problem = tool.call(method, f"/tools/H-1/fittings/{fitting['id']}", body, 409).json
        assert problem["code"] == "derived-fitting"
        assert problem["inspection"] == {"id": str(inspection), "reference": "WO-7", "stage": "as_found"}


def test_delete_takes_a_fitting_back(tool: Fleet) -> None:
    """A fitting posted by mistake goes, and the tool is computed again from its start."""
    fitting = tool.fit("P-1", FEB)
    tool.settle()
    tool.call("DELETE", f"/tools/H-1/fittings/{fitting['id']}", status=204)
    assert tool.get("/tools/H-1/fittings")["items"] == []
    assert tool.dirty_from() == datetime(2026, 2, 1, tzinfo=UTC)


def test_a_key_makes_a_post_happen_once(tool: Fleet) -> None:
    """The same Idempotency-Key answers with the same fitting and makes no second one."""
    body = {"component": "P-1", "from": FEB}
    first = tool.call("POST", "/tools/H-1/fittings", body, 201, Idempotency_Key="k1")
    again = tool.call("POST", "/tools/H-1/fittings", body, 201, Idempotency_Key='"k1"')
    assert (again.json, again.headers["Location"]) == (first.json, first.headers["Location"])
    tool.call("POST", "/tools/H-1/fittings", body | {"until": MAR}, 422, Idempotency_Key="k1")


def test_fittings_page_in_the_order_of_time(tool: Fleet) -> None:
    """Pages follow each other without repeating or missing a fitting."""
    for start, component in ((APR, "P-1"), (FEB, "P-2")):
        tool.fit(component, start, until=start.replace("-01T", "-11T"))
    tool.fit("RH-1", MAR, position=1)
    first = tool.get("/tools/H-1/fittings?limit=2")
    rest = tool.get(f"/tools/H-1/fittings?limit=2&after={first['next']}")
    assert [fitting["from"] for fitting in first["items"] + rest["items"]] == [FEB, MAR, APR]


def test_the_build_names_every_position_with_what_it_ran(tool: Fleet) -> None:
    """Every position is there, by serial or not, with the usage since it went in, straddling entries by time."""
    tool.put_tool(commissioned_on="2026-01-01")
    tool.fit("P-1", "2026-01-11T00:00:00Z")
    tool.fit("RH-1", FEB, position=1)
    tool.run("2026-01-01T00:00:00Z", "2026-01-21T00:00:00Z", metres=1000.0, hours=40.0, ground="hard")
    tool.run(FEB, MAR, metres=500.0, hours=20.0, ground={"soft": 0.5, "hard": 0.5})
    build = tool.get("/tools/H-1/build")
    assert (build["basis"], build["tool_type"]) == ("metres", {"code": "small", "revision": 1})
    rows = {(row["part"], row["position"]): row for row in build["components"]}
    assert list(rows) == [("piston", 1), ("casing", 1), ("split-ring-half", 1), ("split-ring-half", 2)]
    ran = {place: [row["component"], row["metres"], row["hours"], row["effective"]] for place, row in rows.items()}
    assert ran[("piston", 1)] == ["P-1", 1000.0, 40.0, 500 * 2 + 500 * 1.25]
    assert ran[("casing", 1)] == [None, 1500.0, 60.0, 1000 * 2 + 500 * 1.25]
    assert ran[("split-ring-half", 1)] == ["RH-1", 500.0, 20.0, 625.0]
    assert rows[("split-ring-half", 1)]["set"] == "SET-4"
    assert rows[("casing", 1)]["from"] == "2025-12-31T16:00:00Z"
    assert rows[("split-ring-half", 1)]["usage_known"] is True
    assert rows[("piston", 1)]["usage_known"] is True  # from 21 January to February it stood


def test_the_build_is_of_the_moment_asked_for(tool: Fleet) -> None:
    """`?at=` shows who sat there then, and what it had run by then; a component brings its usage along."""
    tool.put_tool("H-2")
    first = tool.fit("P-1", FEB, until=MAR)
    tool.fit("P-2", MAR)
    tool.fit("P-1", MAR, tool="H-2")
    tool.run(FEB, MAR, metres=280.0)
    tool.run(MAR, APR, tool="H-2", metres=310.0)

    def piston(name: str, at: str) -> list:
        row = tool.get(f"/tools/{name}/build?at={at}")["components"][0]
        return [row["component"], row["fitting"], row["metres"]]

    assert piston("H-1", "2026-02-15T00:00:00Z") == ["P-1", first["id"], 140.0]
    assert piston("H-1", "2026-01-15T00:00:00Z") == [None, None, 0.0]
    assert piston("H-2", APR)[::2] == ["P-1", 590.0]
    assert tool.get("/tools/H-1/build?at=soon", 422)["errors"][0]["code"] == "bad-time"


def test_usage_without_a_known_start_counts_from_the_first_fitting(tool: Fleet) -> None:
    """What the first inspection says was run, with no commissioning, belongs to what was fitted from the start."""
    tool.fit("P-1", FEB)
    inspection = tool.insert_inspection(MAR)
    usage = {"tool_id": tool.tool_id("H-1"), "inspection_id": inspection, "metres": 1520.0, "hours": 61.5}
    tool.insert("usage", period=f"(,{MAR})", amounts=[{"metres": 1520.0, "hours": 61.5, "ground": None}], **usage)
    piston, casing, *_ = tool.get("/tools/H-1/build")["components"]
    assert (piston["metres"], piston["usage_known"]) == (1520.0, True)
    assert (casing["metres"], casing["usage_known"]) == (1520.0, True)
