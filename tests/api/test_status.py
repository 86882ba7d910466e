"""Statuses as other systems query them."""

from __future__ import annotations

from typing import Any

import pytest

from service.api.schema import check
from service.api.status_document import ToolStatus
from tests.plugins.fleet import Fleet

pytestmark = pytest.mark.db
STATUS = ToolStatus()


def insert(fleet: Fleet, tool: str = "H-1", **more: Any) -> None:
    row = {
        "sequence": 12,
        "retained": 0.83,
        "service_loss": 0.2,
        "governing": fleet.code("performance"),
        "p10": 1080.0,
        "p50": 1780.0,
        "p90": 2880.0,
        "used_since": 420.0,
        "as_of": "2026-03-01T09:30:00Z",
        "due_p50": "2026-03-12",
        "dates_on": "2026-03-02",
        "renew": [{"part": "piston", "component": "P-1", "position": 1}],
        "remarks": ("calibration-due-soon",),
    }
    fleet.insert_status(tool, **(row | more))


def test_the_status_is_what_the_worker_wrote(fleet: Fleet) -> None:
    """A status shows the stored figures under the tag of its sequence and unit."""
    fleet.put_tool()
    inspection = fleet.insert_inspection("2026-03-01T09:30:00Z")
    insert(fleet, inspection_id=inspection, inspected_at="2026-03-01T09:30:00Z")
    answer = fleet.call("GET", "/tools/H-1/status")
    assert answer.headers["ETag"] == '"12-mm"'
    assert check(STATUS, answer.json)[1] == []
    assert answer.json == {
        "tool": "H-1",
        "tool_type": "small",
        "site": "north-yard",
        "state": "monitor",
        "unit": "mm",
        "inspection": str(inspection),
        "inspected_at": "2026-03-01T09:30:00Z",
        "updated_at": "2026-03-02T00:00:00Z",
        "sequence": 12,
        "wear_model": None,
        "performance": {"retained": 0.83, "service_loss": 0.2},
        "remaining": {
            "basis": "metres",
            "ground": {"hard": 1.0},
            "governing": "performance",
            "p10": 1080.0,
            "p50": 1780.0,
            "p90": 2880.0,
            "used_since": 420.0,
            "as_of": "2026-03-01T09:30:00Z",
            "campaign": None,
        },
        "due_on": {"p10": None, "p50": "2026-03-12", "p90": None},
        "renew": [{"part": "piston", "component": "P-1", "position": 1}],
        "parts": [],
        "remarks": ["calibration-due-soon"],
    }


def test_an_unchanged_status_is_not_sent_again(fleet: Fleet) -> None:
    """If-None-Match with the tag of the same sequence and unit is 304; another unit is another document."""
    fleet.put_tool()
    insert(fleet)
    fleet.call("GET", "/tools/H-1/status", status=304, If_None_Match='"12-mm"')
    answer = fleet.call("GET", "/tools/H-1/status?unit=in", status=200, If_None_Match='"12-mm"')
    assert (answer.headers["ETag"], answer.json["unit"]) == ('"12-in"', "in")


def test_a_tool_never_inspected_says_so(fleet: Fleet) -> None:
    """Before any worker saw it a tool is `remeasure`, and says that it was not inspected."""
    fleet.put_tool()
    answer = fleet.call("GET", "/tools/H-1/status")
    assert check(STATUS, answer.json)[1] == []
    assert set(answer.json) == set(STATUS.fields)
    shown = {name: answer.json[name] for name in ("state", "inspection", "sequence", "remarks", "renew")}
    assert shown == {"state": "remeasure", "inspection": None, "sequence": 0, "remarks": ["not-inspected"], "renew": []}
    assert answer.headers["ETag"] == '"0-mm"'
    assert (answer.json["remaining"]["basis"], answer.json["remaining"]["p50"]) == ("metres", None)


def test_an_unknown_tool_is_404_and_another_sites_403(fleet: Fleet, bound_fleet: Fleet) -> None:
    """A status belongs to its tool and the tool's site."""
    fleet.put_tool()
    assert fleet.get("/tools/H-9/status", 404)["code"] == "not-found"
    assert bound_fleet.get("/tools/H-1/status", 403)["code"] == "outside-site"


def test_another_ground_is_a_change_of_scale(fleet: Fleet) -> None:
    """`?ground=` rescales what is left and what was used, and the days from when the dates were computed."""
    fleet.put_tool()
    insert(fleet)
    answer = fleet.call("GET", "/tools/H-1/status?ground=soft")
    assert "ETag" not in answer.headers
    remaining = answer.json["remaining"]  # stored for hard ground, factor 2; soft counts 0.5
    assert [remaining[name] for name in ("p10", "p50", "p90", "used_since")] == [4320.0, 7120.0, 11520.0, 1680.0]
    assert remaining["ground"] == {"soft": 1.0}
    assert answer.json["due_on"]["p50"] == "2026-04-11"  # 10 days become 40
    (error,) = fleet.get("/tools/H-1/status?ground=swamp:0.4,soft:0.6", 422)["errors"]
    assert (error["pointer"], error["code"], "swamp" in error["message"]) == ("?ground", "unknown-ground", True)
    fleet.get("/tools/H-1/status?ground=soft:0.1", 422)


def test_the_fleet_is_listed_by_serial_with_filters(fleet: Fleet, bound_fleet: Fleet) -> None:
    """The list filters by site, state and type, holds tools without a status too, and is paged."""
    for number, site in enumerate(("north-yard", "south-camp", "north-yard"), start=1):
        fleet.put_tool(f"H-{number}", site=site)
    insert(fleet, "H-1")
    insert(fleet, "H-2", state="service-due")

    def listed(seen: Fleet, query: str) -> list[str]:
        return [status["tool"] for status in seen.get(f"/status?{query}")["items"]]

    assert listed(fleet, "") == ["H-1", "H-2", "H-3"]
    assert listed(fleet, "state=remeasure") == ["H-3"]
    assert listed(fleet, "state=service-due&site=south-camp") == ["H-2"]
    assert listed(fleet, "tool_type=other") == []
    assert listed(bound_fleet, "") == ["H-2"]
    first = fleet.get("/status?limit=2&unit=in")
    assert [status["unit"] for status in first["items"]] == ["in", "in"]
    assert listed(fleet, f"limit=2&after={first['next']}") == ["H-3"]
    assert fleet.get("/status?state=broken", 422)["errors"][0]["pointer"] == "?state"


def test_changed_since_gives_what_was_written_since(fleet: Fleet) -> None:
    """`changed_since` lists only statuses written at or after a time, in the order of writing, in pages."""
    written = {"H-1": "2026-03-05T00:00:00Z", "H-2": "2026-03-01T00:00:00Z", "H-3": "2026-03-03T00:00:00.25Z"}
    for tool, moment in written.items():
        fleet.put_tool(tool)
        insert(fleet, tool, updated_at=moment)

    def listed(query: str) -> tuple[list[str], str | None]:
        page = fleet.get(f"/status?{query}")
        return [status["tool"] for status in page["items"]], page["next"]

    assert listed("changed_since=2026-03-02T00:00:00Z") == (["H-3", "H-1"], None)
    tools, cursor = listed("changed_since=2026-03-01T00:00:00Z&limit=1")
    assert tools == ["H-2"]
    assert listed(f"changed_since=2026-03-01T00:00:00Z&after={cursor}")[0] == ["H-3", "H-1"]
    assert fleet.get("/status?changed_since=yesterday", 422)["errors"][0]["code"] == "bad-time"
