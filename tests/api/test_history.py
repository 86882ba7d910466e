"""Histories of tools and components."""

from __future__ import annotations

from typing import Any

import pytest

from service.api.history import TOOL_POINT, ComponentHistory
from service.api.schema import check
from tests.plugins.fleet import Fleet

pytestmark = pytest.mark.db
FEB, MAR, APR = "2026-02-01T00:00:00Z", "2026-03-01T00:00:00Z", "2026-04-01T00:00:00Z"
SERIES = "/tools/H-1/history?feature=piston.large-diameter"


@pytest.fixture
def tool(fleet: Fleet) -> Fleet:
    """A tool that ran 100 m a month, inspected in March and April."""
    fleet.put_tool(commissioned_on="2026-02-01", site="north-yard")
    fleet.put_component("P-1")
    fleet.run(FEB, MAR, metres=100.0, ground="hard")
    fleet.run(MAR, APR, metres=100.0, ground="soft")
    return fleet


def assess(fleet: Fleet, taken_at: str, worst: float, version: int = 1, **more: Any) -> Any:
    inspection = fleet.insert_inspection(taken_at, assessment_version=version, **more)
    for number in range(1, version + 1):
        key = fleet.insert_assessment(inspection, version=number)
        fleet.insert_size(key, worst=worst if number == version else 1.0, usage=0.2)
        fleet.insert_size(key, "casing.piston-bore", ordinal=1, usage=0.3)
        fleet.insert_clearance(key, worst=0.1)
    return inspection


def test_a_series_is_in_the_order_of_time_with_usage(tool: Fleet) -> None:
    """Sizes come in time order from the newest assessments, against component and tool usage, with uncertainty."""
    assess(tool, APR, 97.85, reference="WO-2")
    first = assess(tool, MAR, 97.87, version=2, reference="WO-1")
    history = tool.get(SERIES)
    assert (history["unit"], history["basis"], history["next"]) == ("mm", "metres", None)
    points = history["items"]
    assert [(point["reference"], point["worst"], point["version"]) for point in points] == [
        ("WO-1", 97.87, 2),
        ("WO-2", 97.85, 1),
    ]
    assert check(TOOL_POINT, points[0])[1] == []
    assert points[0]["inspection"] == str(first)
    assert points[0]["tool_type"] == {"code": "small", "revision": 1}
    assert (points[0]["standard_uncertainty"], points[0]["component_usage"]) == (0.0019, 0.2)
    assert [point["tool_usage"]["metres"] for point in points] == [100.0, 200.0]
    assert [point["tool_usage"]["effective"] for point in points] == [200.0, 250.0]


def test_withdrawn_and_failed_inspections_are_left_out(tool: Fleet) -> None:
    """What was withdrawn, or failed, measures nothing."""
    assess(tool, MAR, 97.87, state="withdrawn")
    assess(tool, MAR, 97.86, state="failed")
    assess(tool, APR, 97.85)
    assert [point["worst"] for point in tool.get(SERIES)["items"]] == [97.85]


def test_clearances_come_with_both_components(tool: Fleet) -> None:
    """A fit's series carries the usage of the shaft's and of the bore's component."""
    assess(tool, MAR, 97.87)
    (point,) = tool.get("/tools/H-1/history?fit=piston-in-casing")["items"]
    assert check(TOOL_POINT, point)[1] == []
    assert (point["worst"], point["shaft_usage"], point["bore_usage"]) == (0.1, 0.2, 0.3)


def test_lengths_come_in_inches_on_demand(tool: Fleet) -> None:
    """`?unit=in` converts the series."""
    assess(tool, MAR, 97.87)
    history = tool.get(SERIES + "&unit=in")
    assert history["unit"] == "in"
    assert history["items"][0]["worst"] * 25.4 == pytest.approx(97.87, rel=1e-15)


def test_pages_follow_each_other(tool: Fleet) -> None:
    """Inspections of one moment keep their order (as_found before as_left, then reference) across pages."""
    for reference, stage in (("WO-2", "as_found"), ("WO-1", "as_left"), ("WO-1", "as_found")):
        assess(tool, MAR, 97.87, reference=reference, stage=stage)
    seen, after = [], ""
    for _ in range(3):
        history = tool.get(SERIES + "&limit=1" + after)
        seen += [(point["reference"], point["stage"]) for point in history["items"]]
        after = f"&after={history['next']}"
    assert seen == [("WO-1", "as_found"), ("WO-2", "as_found"), ("WO-1", "as_left")]
    assert history["next"] is None


def test_exactly_one_known_series_is_asked_for(tool: Fleet) -> None:
    """Neither, both, or one the tool type does not have is a fault."""
    wanted = {
        "": "required",
        "?feature=piston.large-diameter&fit=piston-in-casing": "required",
        "?feature=piston.weight": "unknown-feature",
        "?fit=piston-in-piston": "unknown-fit",
    }
    for query, code in wanted.items():
        assert tool.get(f"/tools/H-1/history{query}", 422)["errors"][0]["code"] == code


def test_a_component_tells_where_it_sat_what_it_ran_and_measured(tool: Fleet) -> None:
    """The history of a component spans tools, with the usage in each and its sizes, on the bench too."""
    tool.put_tool("H-2")
    first = tool.fit("P-1", FEB, until=MAR)
    second = tool.fit("P-1", MAR, tool="H-2")
    tool.run(MAR, APR, tool="H-2", metres=50.0, ground="hard")
    (component_id,) = tool.conn.execute("SELECT component_id FROM components").fetchone()
    key = tool.insert_assessment(tool.insert_inspection(MAR, reference="WO-1"))
    tool.insert_size(key, component_id=component_id)
    tool.insert_size(key, ordinal=1, component_id=None)
    key = tool.insert_assessment(tool.insert_inspection(APR, "H-2", reference="WO-2"))
    tool.insert_size(key, component_id=component_id, position=None, worst=97.84)
    history = tool.get("/components/P-1/history")
    assert check(ComponentHistory(), history)[1] == []
    assert [(stint["fitting"], stint["tool"], stint["metres"]) for stint in history["fittings"]] == [
        (first["id"], "H-1", 100.0),
        (second["id"], "H-2", 50.0),
    ]
    assert (history["usage"]["metres"], history["usage"]["effective"]) == (150.0, 300.0)
    assert [(size["tool"], size["reference"], size["worst"]) for size in history["sizes"]] == [
        ("H-1", "WO-1", 97.861),
        ("H-2", "WO-2", 97.84),
    ]
    assert history["sizes"][1]["position"] is None
    assert tool.get("/components/P-1/history?feature=casing.piston-bore")["sizes"] == []
    page = tool.get("/components/P-1/history?limit=1")
    assert ([size["tool"] for size in page["sizes"]], len(page["fittings"])) == (["H-1"], 2)
    last = tool.get(f"/components/P-1/history?limit=1&after={page['next']}")
    assert ([size["tool"] for size in last["sizes"]], last["next"]) == (["H-2"], None)
    assert tool.get("/components/P-1/history?after=WyJ4Il0", 422)["errors"][0]["code"] == "bad-cursor"


def test_histories_belong_to_a_site(tool: Fleet, bound_fleet: Fleet) -> None:
    """A token of another site does not read them."""
    bound_fleet.get(SERIES, 403)
    bound_fleet.get("/components/P-1/history", 403)
