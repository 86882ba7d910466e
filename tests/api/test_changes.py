"""The feed of changes."""

from __future__ import annotations

import threading
import time
from typing import Any

import pytest

from service.api.schema import check
from service.api.status_document import ToolStatus
from tests.plugins.fleet import Fleet

pytestmark = pytest.mark.db
STATUS = ToolStatus()
QUANTILES = {"p10": None, "p50": None, "p90": None}


def change(fleet: Fleet, sequence: int, tool: str = "H-1", site: str = "north-yard", **more: Any) -> None:
    """Write a change as a worker writes one."""
    document = {
        "tool": tool,
        "tool_type": "small",
        "site": site,
        "wear_model": None,
        "state": "monitor",
        "unit": "mm",
        "inspection": None,
        "inspected_at": None,
        "updated_at": None,
        "sequence": sequence,
        "performance": {"retained": 0.8, "service_loss": 0.2},
        "remaining": {
            "basis": "metres", "ground": None, "governing": None, **QUANTILES,
            "used_since": 0.0, "as_of": "2026-03-01T00:00:00Z", "campaign": None,
        },
        "due_on": QUANTILES,
        "renew": [],
        "parts": [],
        "remarks": [],
    }  # fmt: skip
    at = f"2026-03-0{sequence}T00:00:00Z"
    fleet.insert("changes", tool_id=fleet.tool_id(tool), sequence=sequence, changed_at=at, document=document | more)


def told(page: dict[str, Any]) -> list[tuple[str, int]]:
    return [(item["tool"], item["sequence"]) for item in page["items"]]


def test_every_change_once_in_the_order_of_commits(fleet: Fleet) -> None:
    """From page to page every change comes once, whole, and at the end a cursor stays to go on from."""
    fleet.put_tool()
    fleet.put_tool("H-2")
    for tool, sequence in (("H-1", 1), ("H-2", 1), ("H-1", 2)):
        change(fleet, sequence, tool)
    first = fleet.call("GET", "/changes?limit=2")
    assert told(first.json) == [("H-1", 1), ("H-2", 1)] and 'rel="next"' in first.headers["Link"]
    assert all(check(STATUS, item)[1] == [] for item in first.json["items"])
    assert first.json["items"][0]["updated_at"] == "2026-03-01T00:00:00Z"
    second = fleet.call("GET", f"/changes?limit=2&after={first.json['next']}")
    assert told(second.json) == [("H-1", 2)] and "Link" not in second.headers
    end = fleet.get(f"/changes?after={second.json['next']}")
    assert end == {"items": [], "next": second.json["next"]}
    change(fleet, 2, "H-2")
    assert told(fleet.get(f"/changes?after={end['next']}")) == [("H-2", 2)]


def test_an_empty_feed_can_be_gone_on_from(fleet: Fleet) -> None:
    """Before the first change there is a cursor already; what is no cursor is refused."""
    start = fleet.get("/changes")
    assert start["items"] == []
    fleet.put_tool()
    change(fleet, 1)
    assert told(fleet.get(f"/changes?after={start['next']}")) == [("H-1", 1)]
    refused = fleet.get("/changes?after=x", status=422)
    assert [(item["pointer"], item["code"]) for item in refused["errors"]] == [("?after", "bad-cursor")]


def test_changes_of_some_tools_only(fleet: Fleet) -> None:
    """Site, tool and tool type choose by what each change says: a tool that moved was then where it was."""
    fleet.put_tool()
    fleet.put_tool("H-2")
    change(fleet, 1)
    change(fleet, 1, "H-2", site="south-camp")
    change(fleet, 2, site="south-camp")
    assert told(fleet.get("/changes?site=south-camp")) == [("H-2", 1), ("H-1", 2)]
    assert told(fleet.get("/changes?site=south-camp&tool=H-1")) == [("H-1", 2)]
    assert fleet.get("/changes?tool_type=large")["items"] == []


def test_amounts_are_shown_as_the_status_shows_them(fleet: Fleet) -> None:
    """Adding and taking away leaves its rounding in the store, not in what is told."""
    fleet.put_tool()
    remaining = {"basis": "metres", "ground": None, "governing": None, **QUANTILES, "used_since": 9.999999999999787}
    change(fleet, 1, remaining=remaining | {"as_of": "2026-03-01T00:00:00Z", "campaign": None})
    fleet.insert_status(sequence=1, used_since=9.999999999999787)
    told_now = fleet.get("/tools/H-1/status")["remaining"]["used_since"]
    assert fleet.get("/changes")["items"][0]["remaining"]["used_since"] == told_now == 10.0


def test_a_token_of_one_site_sees_its_changes(fleet: Fleet, bound_fleet: Fleet) -> None:
    """Who is bound to a site is told what happened there, and nothing else."""
    fleet.put_tool()
    change(fleet, 1)
    change(fleet, 2, site="south-camp")
    assert told(bound_fleet.get("/changes")) == [("H-1", 2)]
    assert bound_fleet.get("/changes?site=north-yard")["items"] == []


def test_a_wait_ends_with_the_first_change(fleet: Fleet) -> None:
    """`Prefer: wait` holds the answer until something changes; when nothing does, it is empty in the end."""
    fleet.put_tool()
    start = fleet.get("/changes")["next"]
    began = time.monotonic()
    empty = fleet.call("GET", f"/changes?after={start}", Prefer="wait=1")
    assert empty.json == {"items": [], "next": start} and empty.headers["Preference-Applied"] == "wait=1"
    assert time.monotonic() - began >= 1
    later = threading.Timer(0.3, change, (fleet, 1))
    later.start()
    began = time.monotonic()
    assert told(fleet.get(f"/changes?after={start}", Prefer="wait=30")) == [("H-1", 1)]
    assert time.monotonic() - began < 10
    later.join()
