"""Fits and offsets with a side of quantity 2: judged once for each position of that side (contract 2)."""

from __future__ import annotations

import math

import psycopg
import pytest

from tests.worker.conftest import Workshop
from worker.method.performance import loss_by_rule

pytestmark = pytest.mark.db

CHANGES = {
    "parts": [{"code": "stem", "name": "Stem"}, {"code": "bush", "name": "Bush", "quantity": 2}],
    "features": [
        {
            "part": "stem", "code": "od", "kind": "shaft", "new": {"min": 49.94, "max": 49.96}, "discard": 49.80,
            "wear_per_1000": {"mean": 0.01, "sd": 0.005}, "process_sd": 0.004,
        },
        {
            "part": "bush", "code": "bore", "kind": "bore", "new": {"min": 49.99, "max": 50.01}, "discard": 50.20,
            "wear_per_1000": {"mean": 0.01, "sd": 0.005}, "process_sd": 0.004,
        },
    ],
    "fits": [
        {
            "code": "stem-in-bush", "shaft": "stem.od", "bore": "bush.bore", "new": {"min": 0.03, "max": 0.07},
            "discard": 0.25, "loss_share": 1.0,
        }
    ],
    "offsets": [{"code": "proud", "larger": "bush.bore", "smaller": "stem.od", "min": 0.0, "max": 0.16}],
}  # fmt: skip
SIZES = {"stem.od": 49.90, "bush.bore@1": 50.02, "bush.bore@2": 50.12}


@pytest.fixture
def bushed(shop: Workshop) -> Workshop:
    """A tool whose stem runs in two bushes."""
    shop.call("PUT", "/tool-types/bushed", {"name": "Two bushes", "unit": "mm", "loss_per_mm": 1.0} | CHANGES)
    shop.call("PUT", "/tools/B-1", {"tool_type": "bushed", "site": "yard", "commissioned_on": "2026-01-01"})
    return shop


def test_names_of_results_are_numbered_with_the_revision(bushed: Workshop, conn: psycopg.Connection) -> None:
    """A new revision numbers every name of its results: a worker adds none in a snapshot that another writer moved."""
    known = {row[0] for row in conn.execute("SELECT code FROM codes")}
    found = bushed.inspect(10, SIZES, 2000.0, tool="B-1")
    bushed.work()
    document = bushed.assessment(found)
    assert len(document["remaining"]["limits"]) == 6
    assert known >= {limit["limit"] for limit in document["remaining"]["limits"]}
    assert known >= {"stem.od", "bush.bore", "stem-in-bush"}
    assert conn.execute("SELECT count(*) FROM codes").fetchone() == (len(known),)


def test_fit_is_judged_at_each_position(bushed: Workshop) -> None:
    """A row, a limit and a verdict of each position; the loss takes the mean over the positions once."""
    found = bushed.inspect(10, SIZES, 2000.0, tool="B-1")
    bushed.work()
    document = bushed.assessment(found)
    clearances = {row["position"]: row for row in document["clearances"]}
    assert {position: round(row["worst"], 3) for position, row in clearances.items()} == {1: 0.12, 2: 0.22}
    names = [limit["limit"] for limit in document["remaining"]["limits"]]
    assert names == [
        "feature:stem.od", "feature:bush.bore@1", "feature:bush.bore@2", "fit:stem-in-bush@1", "fit:stem-in-bush@2",
        "performance",
    ]  # fmt: skip
    assert document["remaining"]["governing"]["limit"] == "fit:stem-in-bush@2"
    mean = [[clearances[1]["mean"], clearances[2]["mean"]]]
    expected = loss_by_rule(mean, [[0.0, 0.0]], [0.05, 0.05], 1.0, [0.5, 0.5]).loss[0]
    assert document["performance"]["loss"] == pytest.approx(expected, rel=1e-12)
    assert document["performance"]["by_fit"] == [{"fit": "stem-in-bush", "loss": pytest.approx(expected)}]


def test_the_part_at_the_position_is_blamed(bushed: Workshop) -> None:
    """An offset outside its limits watches the parts that make it, at that position only."""
    found = bushed.inspect(10, SIZES, 2000.0, tool="B-1")
    bushed.work()
    document = bushed.assessment(found)
    offsets = {row["position"]: row for row in document["offsets"]}
    assert {position: row["verdict"] for position, row in offsets.items()} == {1: "serviceable", 2: "monitor"}
    assert offsets[2]["value"] == pytest.approx(0.22, abs=1e-4)
    assert math.isclose(offsets[2]["probability_outside"], 1.0, abs_tol=0.05)
    parts = {(part["part"], part["position"]): part["verdict"] for part in document["parts"]}
    assert parts["bush", 1] == "serviceable"
    assert parts["bush", 2] != "serviceable"


def test_offset_stands_while_its_parts_do(bushed: Workshop) -> None:
    """An inspection that does not measure an offset leaves its verdict; a renewed part takes it away."""
    bushed.inspect(10, SIZES, 2000.0, tool="B-1")
    kept = bushed.inspect(20, {"stem.od": 49.89}, 500.0, tool="B-1", renewals=[{"part": "bush", "position": 2}])
    bushed.work()
    document = bushed.assessment(kept)
    assert document["offsets"] == []
    parts = {(part["part"], part["position"]): part for part in document["parts"]}
    assert any("proud" in reason for reason in parts["bush", 2]["reasons"])
    assert ("bush", 2) not in {(part["part"], part["position"]) for part in bushed.status("B-1")["parts"]}
