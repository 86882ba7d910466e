"""Whether usage is known is told alike by builds, histories and assessments (forecast method 12)."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any
from urllib.parse import quote

import pytest

from tests.worker.conftest import Workshop, day

pytestmark = pytest.mark.db
SIZES = {"piston.od": 97.90, "casing.bore": 97.995}
Situation = Callable[[Workshop], str]
"""Puts something in; returns the inspection that is asked about."""


def ledger(shop: Workshop, *days: tuple[float, float], tool: str = "H-1", **amount: Any) -> None:
    ran = amount or {"metres": 100.0, "ground": "hard"}
    entries = [{"tool": tool, "from": day(since), "to": day(until)} | ran for since, until in days]
    shop.call("POST", "/usage", {"entries": entries})


def put_in(shop: Workshop, since: float, until: float | None = None, tool: str = "H-1") -> None:
    shop.call("PUT", "/components/P-1", {"part": "piston", "tool_type": "kind", "site": "yard"})
    body = {"component": "P-1", "from": day(since)} | ({} if until is None else {"until": day(until)})
    shop.call("POST", f"/tools/{tool}/fittings", body)


def one_strip_down(shop: Workshop) -> str:
    shop.inspect(10, SIZES, 1000.0, reference="W1")
    return shop.inspect(11, SIZES, reference="W1", stage="as_left")


def two_strip_downs(shop: Workshop) -> str:
    shop.inspect(10, SIZES, 1000.0, reference="W1")
    return shop.inspect(11, SIZES, reference="W2", stage="as_left")


def shifts_with_pauses(shop: Workshop) -> str:
    ledger(shop, (0.3, 0.8), (1.3, 1.8), (5.3, 5.8), (12.3, 12.8))
    shop.inspect(10, SIZES)
    return shop.inspect(20, SIZES)


def whole_stretch_without(shop: Workshop) -> str:
    ledger(shop, (0.3, 9.0), (25.0, 29.0))
    shop.inspect(10, SIZES)
    shop.inspect(20, SIZES)
    return shop.inspect(30, SIZES)


def in_the_other_quantity(shop: Workshop) -> str:
    ledger(shop, (0.0, 10.0), hours=40.0)
    return shop.inspect(10, SIZES)


def never_commissioned(shop: Workshop) -> str:
    shop.put_tool()
    return shop.inspect(10, SIZES)


def never_commissioned_but_run(shop: Workshop) -> str:
    shop.put_tool()
    return shop.inspect(10, SIZES, 1000.0)


def on_the_day_of_commissioning(shop: Workshop) -> str:
    shop.inspect(0.4, SIZES)
    return shop.inspect(10, SIZES, 1000.0)


def before_commissioning(shop: Workshop) -> str:
    shop.inspect(-5, SIZES)
    return shop.inspect(10, SIZES, 1000.0)


def measured_again(shop: Workshop) -> str:
    shop.inspect(10, SIZES, 1000.0, reference="W1")
    shop.inspect(11, {"casing.bore": 97.995}, reference="W2")
    return shop.inspect(12, SIZES, reference="W3", remeasures="W1")


def moved_with_its_usage(shop: Workshop) -> str:
    shop.put_tool("H-2", commissioned_on="2026-01-01")
    put_in(shop, 0, 10, "H-2")
    put_in(shop, 10)
    ledger(shop, (2, 5), tool="H-2")
    ledger(shop, (0, 1), (12, 13))
    return shop.inspect(20, SIZES)


def moved_after_a_stretch_without(shop: Workshop) -> str:
    shop.put_tool("H-2", commissioned_on="2026-01-01")
    put_in(shop, 0, 10, "H-2")
    put_in(shop, 10)
    ledger(shop, (2, 5), tool="H-2")
    shop.inspect(7, SIZES, tool="H-2", reference="N")  # and nothing from then until it was taken out
    ledger(shop, (0, 1), (12, 13))
    return shop.inspect(20, SIZES)


def moved_out_of_a_tool_that_says_nothing(shop: Workshop) -> str:
    shop.put_tool("H-2", commissioned_on="2026-01-01")
    put_in(shop, 0, 10, "H-2")
    put_in(shop, 10)
    ledger(shop, (12, 13))
    return shop.inspect(20, SIZES)


def moved_out_before_its_tool_ran(shop: Workshop) -> str:
    shop.put_tool("H-2", commissioned_on="2026-01-01")
    put_in(shop, 0, 10, "H-2")
    put_in(shop, 10)
    ledger(shop, (12, 13))
    ledger(shop, (12, 13), tool="H-2")
    shop.inspect(15, SIZES, tool="H-2", reference="N")
    return shop.inspect(20, SIZES)


def put_in_during_the_strip_down(shop: Workshop) -> str:
    shop.inspect(10, SIZES, 1000.0, reference="W1")
    put_in(shop, 10.5)
    return shop.inspect(11, SIZES, reference="W1", stage="as_left")


def taken_out_during_the_strip_down(shop: Workshop) -> str:
    shop.put_tool("H-2", commissioned_on="2026-01-01")
    put_in(shop, 0, 10.5, "H-2")
    put_in(shop, 12)
    shop.inspect(10, SIZES, 1000.0, tool="H-2", reference="N")
    shop.inspect(11, {"casing.bore": 97.995}, tool="H-2", reference="N", stage="as_left")
    ledger(shop, (12, 13))
    return shop.inspect(20, SIZES)


SITUATIONS: list[tuple[Situation, bool]] = [
    (one_strip_down, True),
    (two_strip_downs, False),
    (shifts_with_pauses, True),
    (whole_stretch_without, False),
    (in_the_other_quantity, False),
    (never_commissioned, False),
    (never_commissioned_but_run, True),
    (on_the_day_of_commissioning, True),
    (before_commissioning, True),
    (measured_again, True),
    (moved_with_its_usage, True),
    (moved_after_a_stretch_without, False),
    (moved_out_of_a_tool_that_says_nothing, False),
    (moved_out_before_its_tool_ran, False),
    (put_in_during_the_strip_down, True),
    (taken_out_during_the_strip_down, True),
]


@pytest.mark.parametrize(("situation", "known"), SITUATIONS, ids=[one.__name__ for one, _ in SITUATIONS])
def test_what_is_shown_agrees_with_what_is_assessed(shop: Workshop, situation: Situation, known: bool) -> None:
    """Usage is known to the build, to the histories and to the wear state of a component alike, and the same."""
    inspection = situation(shop)
    shop.work()
    document = shop.assessment(inspection)
    (state,) = [size["wear_state"] for size in document["sizes"] if size["feature"] == "piston.od"]
    assert (state["usage"] is not None, "no-usage" not in remarks(document, "piston.od")) == (known, known)
    at = shop.call("GET", f"/inspections/{inspection}")["taken_at"]
    (piston,) = [row for row in build(shop, at)["components"] if row["part"] == "piston"]
    assert piston["usage_known"] is known
    if known:
        assert piston["effective"] / 1000.0 == pytest.approx(state["usage"])
    points = shop.call("GET", "/tools/H-1/history?feature=piston.od")["items"]
    assert (points[-1]["component_usage"] is not None) is known
    if piston["component"] is None:
        assert points[-1]["tool_usage"]["usage_known"] is known
    else:
        assert shop.call("GET", "/components/P-1/history")["usage"]["usage_known"] is known


def remarks(document: Any, feature: str) -> set[str]:
    return {remark["code"] for remark in document["remarks"] if remark["about"] in (f"feature:{feature}", "tool")}


def build(shop: Workshop, at: str) -> Any:
    return shop.call("GET", f"/tools/H-1/build?at={quote(at)}")


def test_a_history_says_from_when_on_usage_is_missing(shop: Workshop) -> None:
    """Each point of a tool's history tells what is known up to its own inspection."""
    whole_stretch_without(shop)
    shop.work()
    points = shop.call("GET", "/tools/H-1/history?feature=piston.od")["items"]
    assert [point["tool_usage"]["usage_known"] for point in points] == [True, False, False]
    assert [point["component_usage"] is not None for point in points] == [True, False, False]
