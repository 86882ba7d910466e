"""The usage ledger over HTTP."""

from __future__ import annotations

from datetime import UTC, datetime
from itertools import pairwise
from typing import Any

import pytest

from tests.plugins.fleet import Fleet

pytestmark = pytest.mark.db
FEB, MAR, APR = "2026-02-01T00:00:00Z", "2026-03-01T00:00:00Z", "2026-04-01T00:00:00Z"


@pytest.fixture
def tool(fleet: Fleet) -> Fleet:
    """The fleet with one tool and no work waiting."""
    fleet.put_tool()
    fleet.settle()
    return fleet


def entry(since: str = FEB, until: str = MAR, **more: Any) -> dict[str, Any]:
    return {"tool": "H-1", "from": since, "to": until, "metres": 760.5} | more


def post(fleet: Fleet, *entries: dict[str, Any], status: int = 201) -> Any:
    return fleet.call("POST", "/usage", {"entries": list(entries)}, status).json


def ledger(fleet: Fleet) -> list[dict[str, Any]]:
    return fleet.get("/usage?tool=H-1")["items"]


def carried(fleet: Fleet, taken_at: str, period: str, **more: Any) -> str:
    """An inspection that carries usage."""
    inspection = fleet.insert_inspection(taken_at, **more)
    row = {"tool_id": fleet.tool_id("H-1"), "inspection_id": inspection, "metres": 50.0}
    fleet.insert("usage", period=period, amounts=[{"metres": 50.0, "hours": None, "ground": None}], **row)
    return str(inspection)


def test_entries_are_stored_and_read(tool: Fleet) -> None:
    """A posted entry is answered as stored, with its id, and marks the tool from its start."""
    sent = entry(hours=31.0, ground={"hard": 0.6, "soft": 0.4}, rate_m_h=24.5, pressure_bar=19.5)
    (shown,) = post(tool, sent)["entries"]
    assert {name: shown[name] for name in sent if name != "ground"} == {k: v for k, v in sent.items() if k != "ground"}
    assert shown["ground"] == {"hard": 0.6, "soft": 0.4}
    assert (shown["inspection"], tool.get(f"/usage/{shown['id']}")) == (None, shown)
    assert tool.dirty_from() == datetime(2026, 2, 1, tzinfo=UTC)


def test_a_ground_class_is_one_share(tool: Fleet) -> None:
    """A class by itself is all of the ground; a class the type does not know is taken too."""
    shown = post(tool, entry(ground="hard"), entry(MAR, APR, ground="swamp"))["entries"]
    assert [row["ground"] for row in shown] == [{"hard": 1.0}, {"swamp": 1.0}]


def test_an_equal_entry_changes_nothing(tool: Fleet) -> None:
    """An entry the ledger has is answered 200 with the same id; beside a new one the answer is 201."""
    (first,) = post(tool, entry(ground="hard"))["entries"]
    tool.settle()
    again = post(tool, entry(ground={"hard": 1}), status=200)["entries"]
    assert [row["id"] for row in again] == [first["id"]]
    assert tool.dirty_from() is None
    both = post(tool, entry(MAR, APR), entry(ground="hard"), entry(MAR, APR))["entries"]
    assert (both[1]["id"], both[0]["id"]) == (first["id"], both[2]["id"])
    assert len(ledger(tool)) == 2


def test_overlaps_are_refused_naming_both(tool: Fleet) -> None:
    """An entry that overlaps another, stored or of the same request, is a conflict; nothing is stored."""
    (first,) = post(tool, entry())["entries"]
    problem = post(tool, entry(MAR, APR), entry("2026-02-20T00:00:00Z", MAR), status=409)
    assert problem["code"] == "usage-overlap"
    (overlap,) = problem["overlaps"]
    assert overlap["entry"]["pointer"] == "/entries/1"
    assert overlap["with"] == {"id": first["id"], "from": FEB, "to": MAR}
    problem = post(tool, entry(MAR, APR), entry("2026-03-10T00:00:00Z", APR, metres=1.0), status=409)
    pointers = {problem["overlaps"][0]["entry"]["pointer"], problem["overlaps"][0]["with"]["pointer"]}
    assert pointers == {"/entries/0", "/entries/1"}
    assert [row["id"] for row in ledger(tool)] == [first["id"]]
    post(tool, entry(metres=761.0), status=409)
    post(tool, entry(MAR, APR))  # half-open: it begins where the other ends


def test_an_inspections_usage_is_in_the_way_too(tool: Fleet) -> None:
    """An entry may not overlap an interval for which an inspection carries usage; the answer names it."""
    tool.insert_inspection(FEB)
    inspection = carried(tool, MAR, f"[{FEB},{MAR})", reference="WO-7")
    problem = post(tool, entry("2026-02-20T00:00:00Z", APR), status=409)
    assert problem["overlaps"][0]["with"]["inspection"] == {"id": inspection, "reference": "WO-7", "stage": "as_found"}
    post(tool, entry(MAR, APR))


def test_a_ledger_entry_gives_an_open_interval_its_start(tool: Fleet) -> None:
    """The usage of a first inspection begins where the ledger before it ends, and opens again when that goes."""
    inspection = carried(tool, APR, f"(,{APR})")
    (first,) = post(tool, entry())["entries"]

    def start() -> Any:
        return next(row["from"] for row in ledger(tool) if row["inspection"])

    assert start() == MAR
    assert next(row["inspection"]["id"] for row in ledger(tool) if row["inspection"]) == inspection
    tool.call("DELETE", f"/usage/{first['id']}", status=204)
    assert start() is None


@pytest.mark.parametrize("until", [APR, "2026-04-10T00:00:00Z"])
def test_a_ledger_entry_may_not_fill_an_open_interval(tool: Fleet, until: str) -> None:
    """An entry up to, or beyond, a first inspection that carries usage overlaps it."""
    inspection = carried(tool, APR, f"(,{APR})")
    problem = post(tool, entry(FEB, until), status=409)
    assert problem["code"] == "usage-overlap"
    assert problem["overlaps"][0]["with"]["inspection"]["id"] == inspection


@pytest.mark.parametrize(
    ("wrong", "pointer", "code"),
    [
        ({"tool": "H-9"}, "/entries/0/tool", "unknown-tool"),
        ({"to": FEB}, "/entries/0/to", "bad-interval"),
        ({"to": "2026-03-01"}, "/entries/0/to", "bad-time"),
        ({"to": "2126-03-01T00:00:00Z"}, "/entries/0/to", "time-in-future"),
        ({"metres": -1}, "/entries/0/metres", "out-of-range"),
        ({"metres": "760"}, "/entries/0/metres", "not-a-number"),
        ({"metres": None}, "/entries/0/metres", "required"),
        ({"rate_m_h": 0}, "/entries/0/rate_m_h", "out-of-range"),
        ({"ground": {"hard": 0.5}}, "/entries/0/ground", "bad-ground"),
        ({"ground": {"hard": 1.5, "soft": -0.5}}, "/entries/0/ground", "bad-ground"),
        ({"ground": "hard rock"}, "/entries/0/ground", "bad-ground"),
        ({"feet": 3}, "/entries/0/feet", "unknown-field"),
    ],
)
def test_a_wrong_entry_is_a_fault_that_says_where(tool: Fleet, wrong: dict, pointer: str, code: str) -> None:
    """Each fault has its pointer and code, and the good entry beside it is not stored either."""
    (error,) = post(tool, entry() | wrong, entry(MAR, APR), status=422)["errors"]
    assert (error["pointer"], error["code"]) == (pointer, code)
    assert ledger(tool) == []


def test_all_faults_come_at_once(tool: Fleet) -> None:
    """Faults of several entries, references among them, come in one sorted answer."""
    errors = post(tool, entry(tool="H-9"), {"tool": "H-1"}, 7, entry(metres="x", tool="H-8"), status=422)["errors"]
    assert [(error["pointer"], error["code"]) for error in errors] == [
        ("/entries/0/tool", "unknown-tool"),
        ("/entries/1/from", "required"),
        ("/entries/1/metres", "required"),
        ("/entries/1/to", "required"),
        ("/entries/2", "not-an-object"),
        ("/entries/3/metres", "not-a-number"),
        ("/entries/3/tool", "unknown-tool"),
    ]
    assert post(tool, status=422)["errors"][0]["code"] == "too-few"


def test_what_an_inspection_carries_is_not_deleted_here(tool: Fleet) -> None:
    """Usage that an inspection carries is part of it; a ledger entry goes and has the tool computed again."""
    inspection = carried(tool, MAR, f"[{FEB},{MAR})", reference="WO-7")
    (row,) = ledger(tool)
    problem = tool.call("DELETE", f"/usage/{row['id']}", status=409).json
    assert (problem["code"], problem["inspection"]["id"]) == ("derived-usage", inspection)
    (shown,) = post(tool, entry(MAR, APR))["entries"]
    tool.settle()
    tool.call("DELETE", f"/usage/{shown['id']}", status=412, If_Match='"1-mm"')
    tool.call("DELETE", f"/usage/{shown['id']}", status=204)
    tool.get(f"/usage/{shown['id']}", 404)
    assert tool.dirty_from() == datetime(2026, 3, 1, tzinfo=UTC)


def test_a_key_makes_a_post_happen_once(tool: Fleet) -> None:
    """The same Idempotency-Key answers the same; a conflict is kept as well."""
    body = {"entries": [entry()]}
    first = tool.call("POST", "/usage", body, 201, Idempotency_Key="k1")
    assert tool.call("POST", "/usage", body, 201, Idempotency_Key="k1").json == first.json
    wrong = {"entries": [entry(metres=1.0)]}
    refused = tool.call("POST", "/usage", wrong, 409, Idempotency_Key="k2")
    tool.call("DELETE", f"/usage/{first.json['entries'][0]['id']}", status=204)
    assert tool.call("POST", "/usage", wrong, 409, Idempotency_Key="k2").json == refused.json


def test_usage_is_listed_with_filters(tool: Fleet, bound_fleet: Fleet) -> None:
    """Lists filter by tool, site, tool type and the time they touch, in pages."""
    tool.put_tool("H-2", site="south-camp")
    post(tool, entry(), entry(MAR, APR), entry(tool="H-2"))
    post(bound_fleet, entry(MAR, APR), status=403)

    def listed(seen: Fleet, query: str) -> list[tuple[str, str]]:
        return [(row["tool"], row["from"]) for row in seen.get(f"/usage?{query}")["items"]]

    assert listed(tool, "tool=H-1") == [("H-1", FEB), ("H-1", MAR)]
    assert listed(tool, "site=south-camp") == listed(bound_fleet, "") == [("H-2", FEB)]
    assert len(listed(tool, "tool_type=small")) == 3 and listed(tool, "tool_type=large") == []
    assert listed(tool, f"tool=H-1&from={MAR}") == [("H-1", MAR)]
    assert listed(tool, f"tool=H-1&to={MAR}") == [("H-1", FEB)]
    first = tool.get("/usage?limit=2")
    assert len(tool.get(f"/usage?after={first['next']}")["items"]) == 1


def test_a_large_ledger_is_stored_in_one_request(tool: Fleet) -> None:
    """A year of days for one tool goes in at once."""
    days = [f"2025-{1 + n // 28:02}-{1 + n % 28:02}T00:00:00Z" for n in range(12 * 28)]
    entries = [entry(a, b, metres=float(n)) for n, (a, b) in enumerate(pairwise(days))]
    shown = post(tool, *entries)["entries"]
    assert [row["metres"] for row in shown] == [row["metres"] for row in entries]
