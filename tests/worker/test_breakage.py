"""Breakage: told with a renewal, learned from the fleet, and shown beside wear."""

from __future__ import annotations

import math
from typing import Any

import pytest
from scipy import stats

from tests.worker.conftest import Workshop
from worker.learn import learn_due

NEW = {"piston.od": 97.91, "casing.bore": 97.99}
BROKEN = (900.0, 1300.0, 1500.0, 1700.0, 2100.0)
WHOLE = (400.0, 1200.0, 2500.0)


def lives(shop: Workshop) -> None:
    """Five pistons broke, one wore out, one was taken out for another reason, and some still run."""
    for n, (metres, reason) in enumerate(
        [*((u, "broken") for u in BROKEN), (WHOLE[0], "worn"), (WHOLE[1], "other"), (WHOLE[2], None)]
    ):
        tool = f"B-{n}"
        shop.put_tool(tool, commissioned_on="2026-01-01")
        shop.inspect(0, NEW, stage="as_left", tool=tool)
        renewals = [{"part": "piston", "reason": reason}] if reason else []
        shop.inspect(30, NEW, metres=metres, tool=tool, renewals=renewals)
    shop.work()


def test_it_is_learned_and_told_apart_from_wear(shop: Workshop) -> None:
    """The Weibull life of what broke, all else censored; what is left of it for a piston that has run 1,000 m."""
    lives(shop)
    assert learn_due() >= 1
    shop.work()
    (row,) = shop.call("GET", "/tool-types/kind/wear-model")["breakage"]
    data = stats.CensoredData(uncensored=[u / 1000 for u in BROKEN], right=[u / 1000 for u in WHOLE])
    shape, _, scale = stats.weibull_min.fit(data, floc=0)
    assert (row["part"], row["components"], row["broken"]) == ("piston", 8, 5)
    assert row["shape"] == pytest.approx(shape, rel=1e-3) and row["scale"] == pytest.approx(scale, rel=1e-3)
    shop.inspect(0, NEW, stage="as_left")
    shop.inspect(30, NEW, metres=1000.0)
    found = shop.inspect(60, NEW, metres=0.0, renewals=[{"part": "piston"}])
    shop.work()
    (chance,) = shop.assessment(found, campaign=800)["remaining"]["campaign"]["breakage"]
    expected = math.exp((1.0 / row["scale"]) ** row["shape"] - (1.8 / row["scale"]) ** row["shape"])
    assert chance["part"] == "piston" and chance["usage"] == 1000.0
    assert chance["probability"] == pytest.approx(expected)
    (fresh,) = shop.call("GET", "/tools/H-1/status?campaign=800")["remaining"]["campaign"]["breakage"]
    assert fresh["usage"] == 0.0 and fresh["probability"] == pytest.approx(
        math.exp(-((0.8 / row["scale"]) ** row["shape"]))
    )


def test_where_usage_is_not_known_no_chance_is_told(shop: Workshop) -> None:
    """Who does not know how long a part ran cannot say how it breaks: usage missing until the inspection, or used."""
    lives(shop)
    assert learn_due() >= 1
    shop.inspect(0, NEW, stage="as_left")
    shop.inspect(30, NEW, metres=1000.0)
    missing = shop.inspect(60, NEW, renewals=[{"part": "piston"}])
    shop.put_tool("USED", history="unknown", commissioned_on="2026-01-01")
    used = shop.inspect(30, NEW, metres=1000.0, tool="USED")
    renewed = shop.inspect(60, NEW, metres=500.0, tool="USED", stage="as_left", renewals=[{"part": "piston"}])
    shop.work()
    found = [
        shop.assessment(one, campaign=800)["remaining"]["campaign"]["breakage"][0] for one in (missing, used, renewed)
    ]
    assert [(one["usage"], one["probability"] is None) for one in found] == [(None, True), (None, True), (0.0, False)]


def test_too_few_say_nothing(shop: Workshop) -> None:
    """Nothing is said of parts that broke less than five times; a reason is one of three."""
    shop.inspect(0, NEW, stage="as_left")
    found = shop.inspect(30, NEW, metres=1000.0, renewals=[{"part": "piston", "reason": "broken"}])
    shop.work()
    assert shop.assessment(found, campaign=800)["remaining"]["campaign"]["breakage"] == []
    assert shop.call("GET", f"/inspections/{found}")["renewals"][0]["reason"] == "broken"
    body: dict[str, Any] = {"reference": "X", "tool": "H-1", "taken_at": "2026-03-01T00:00:00Z", "checks": []}
    answer = shop.client.post("/v1/inspections", json=body | {"renewals": [{"part": "piston", "reason": "tired"}]})
    faults = {(one["pointer"], one["code"]) for one in answer.get_json(force=True)["errors"]}
    assert ("/renewals/0/reason", "not-one-of") in faults
