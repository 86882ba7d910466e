"""Late, corrected and withdrawn inspections end in the same states as if all had come in order."""

from __future__ import annotations

import itertools
from typing import Any

import pytest

from tests.worker.conftest import Workshop

pytestmark = pytest.mark.db

STORY: list[tuple[float, dict[str, float], float]] = [
    (10, {"piston.od": 97.903, "casing.bore": 97.992}, 1500.0),
    (20, {"piston.od": 97.884, "casing.bore": 98.006}, 1500.0),
    (30, {"casing.bore": 98.017}, 1500.0),
    (40, {"piston.od": 97.853, "casing.bore": 98.031, "ring.wall@1": 9.8}, 1500.0),
]


def told(shop: Workshop, tool: str) -> list[Any]:
    """All that is visible of a tool's assessments and status but for names, versions and the times they were made."""
    found = []
    for (identity,) in shop.rows(
        "SELECT inspection_id FROM inspections JOIN tools USING (tool_id)"
        " WHERE serial = %s AND inspections.state = 'assessed' ORDER BY taken_at",
        tool,
    ):
        document = shop.assessment(str(identity))
        for name in ("inspection", "version", "inspection_version", "inputs_as_of", "computed_at", "tool"):
            del document[name]
        found.append(document)
    status = shop.status(tool)
    for name in ("tool", "inspection", "updated_at", "sequence"):
        del status[name]
    return [*found, status]


def same(one: Any, other: Any) -> bool:
    """Equal but for roundings."""
    if isinstance(one, float) and isinstance(other, float):
        return one == pytest.approx(other, rel=1e-9, abs=1e-12)
    if isinstance(one, dict):
        return one.keys() == other.keys() and all(same(one[key], other[key]) for key in one)
    if isinstance(one, list):
        return len(one) == len(other) and all(map(same, one, other))
    return bool(one == other)


def test_any_order_of_arrival_ends_the_same(shop: Workshop) -> None:
    """Four inspections in every order of arrival, assessed after each, leave the same assessments and status."""
    expected: list[Any] = []
    for n, order in enumerate(itertools.permutations(range(4))):
        tool = f"P-{n}"
        shop.put_tool(tool, commissioned_on="2026-01-01")
        for at in order:
            shop.inspect(*STORY[at], tool=tool)
            if n % 2 == 0:
                shop.work()
        shop.work()
        expected = expected or told(shop, tool)
        assert len(expected) == 5
        assert same(told(shop, tool), expected), order


def test_withdrawn_is_as_if_never_there(shop: Workshop) -> None:
    """A withdrawn inspection takes its sizes, verdicts and amounts with it."""
    shop.put_tool("A", commissioned_on="2026-01-01")
    shop.put_tool("B", commissioned_on="2026-01-01")
    for step in (0, 1, 3):
        shop.inspect(*STORY[step], tool="A")
    for step in range(4):
        identity = shop.inspect(*STORY[step], tool="B")
        shop.work()
        if step == 2:
            wrong = identity
    shop.call("DELETE", f"/inspections/{wrong}")
    shop.work()
    assert same(told(shop, "B"), told(shop, "A"))


def test_corrected_is_as_if_right_from_the_start(shop: Workshop) -> None:
    """A corrected reading changes everything after it to what it had been with the right value."""
    shop.put_tool("A", commissioned_on="2026-01-01")
    shop.put_tool("B", commissioned_on="2026-01-01")
    for step in range(4):
        shop.inspect(*STORY[step], tool="A")
    day, sizes, metres = STORY[1]
    wrong = shop.inspect(day, sizes | {"piston.od": 97.85}, metres, tool="B")
    for step in (0, 2, 3):
        shop.inspect(*STORY[step], tool="B")
    shop.work()
    record = shop.call("GET", f"/inspections/{wrong}")
    body = {name: record[name] for name in ("reference", "tool", "stage", "taken_at", "unit")} | {
        "usage": {"metres": metres, "ground": "hard"},
        "readings": [],
    }
    for name, value in sizes.items():
        for orientation in (0, 90):
            body["readings"].append({"feature": name, "station": 1, "orientation": orientation, "value": value})
    shop.call("PUT", f"/inspections/{wrong}", body)
    shop.work()
    assert same(told(shop, "B"), told(shop, "A"))


def test_same_inputs_write_no_new_version(shop: Workshop) -> None:
    """An inspection computed again from the same inputs keeps its assessment; a late one before it makes a new one."""
    first = shop.inspect(*STORY[0])
    last = shop.inspect(*STORY[3])
    shop.work()
    shop.conn.execute("INSERT INTO tool_work (tool_id, dirty_from) SELECT tool_id, '2020-01-01' FROM tools")
    shop.conn.commit()
    assert shop.work() == 1
    assert shop.rows("SELECT max(version), count(*) FROM assessments") == [(1, 2)]
    assert shop.status()["sequence"] == 2
    shop.inspect(*STORY[1])
    shop.work()
    assert (shop.assessment(first)["version"], shop.assessment(last)["version"]) == (1, 2)
    assert shop.assessment(last, version=1)["version"] == 1
