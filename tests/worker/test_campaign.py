"""The chances of getting through a campaign, of an assessment and of a status."""

from __future__ import annotations

import pytest

from tests.worker.conftest import Workshop, day

NEW = {"piston.od": 97.91, "casing.bore": 97.99}
WORN = {"piston.od": 97.88, "casing.bore": 98.01}


@pytest.fixture
def worn(shop: Workshop) -> str:
    """An inspection of a tool half worn, measured as new before."""
    shop.inspect(0, NEW, stage="as_left")
    found = shop.inspect(30, WORN, metres=1000.0)
    shop.work()
    return found


def chances(remaining: dict) -> dict[str, float]:
    return {row["limit"]: row["probability"] for row in remaining["campaign"]["limits"]}


@pytest.mark.parametrize(("quantile", "through"), [("p10", 0.9), ("p50", 0.5), ("p90", 0.1)])
def test_a_campaign_as_long_as_a_quantile(shop: Workshop, worn: str, quantile: str, through: float):
    """The chance of getting through what is left with probability p is 1 - p, for every limit."""
    limits = shop.assessment(worn)["remaining"]["limits"]
    for row in limits:
        if row["limit"] != "feature:ring.wall@1" and row[quantile]:
            asked = shop.assessment(worn, campaign=row[quantile])["remaining"]
            assert chances(asked)[row["limit"]] == pytest.approx(through, abs=1e-5)


def test_bounds_of_all(shop: Workshop, worn: str):
    """Limits share parts: together they hold with at least 1 less the sum of what fails and at most the least."""
    campaign = shop.assessment(worn, campaign=1500)["remaining"]["campaign"]
    p = [row["probability"] for row in campaign["limits"]]
    assert campaign["usage"] == 1500 and len(p) == 6
    assert campaign["all"]["at_most"] == pytest.approx(min(p))
    assert campaign["all"]["at_least"] == pytest.approx(max(0.0, 1 - sum(1 - x for x in p)))
    assert shop.assessment(worn)["remaining"]["campaign"] is None


def test_in_the_ground_asked_for(shop: Workshop, worn: str):
    """A metre in soft ground counts a quarter of one in hard: four times as many are as likely to be got through."""
    hard = chances(shop.assessment(worn, campaign=800)["remaining"])
    soft = chances(shop.assessment(worn, campaign=3200, ground="soft")["remaining"])
    assert soft == pytest.approx(hard)


def test_a_status_counts_what_was_used_since(shop: Workshop, worn: str):
    """After 300 m more, getting through 500 is what getting through 800 was at the inspection."""
    then = chances(shop.call("GET", "/tools/H-1/status?campaign=800")["remaining"])
    entry = {"tool": "H-1", "from": day(30), "to": day(40), "metres": 300.0, "ground": "hard"}
    shop.call("POST", "/usage", {"entries": [entry]})
    shop.work()
    assert chances(shop.call("GET", "/tools/H-1/status?campaign=500")["remaining"]) == pytest.approx(then)


def test_amounts_without_noise(shop: Workshop, worn: str):
    """Usage since, weighted by ground over the planned ground, is shown as the amount it is."""
    ledger = [(30, 0.1, "hard"), (31, 0.2, "soft"), (32, 1 / 3, {"soft": 0.3, "hard": 0.7})]
    entries = [
        {"tool": "H-1", "from": day(n), "to": day(n + 1), "metres": amount, "ground": ground}
        for n, amount, ground in ledger
    ]
    shop.call("POST", "/usage", {"entries": entries})
    shop.work()
    for query in ("", "?ground=soft", "?ground=soft:0.3,hard:0.7"):
        used = shop.call("GET", f"/tools/H-1/status{query}")["remaining"]["used_since"]
        assert used == round(used, 6) and used > 0
        assert shop.call("GET", f"/tools/H-1/outlook{query}")["used_since"] == used


def test_a_tool_nobody_has_looked_at_yet(shop: Workshop):
    """No limit, no bounds; and no entity tag for an answer that depends on the question."""
    shop.put_tool("H-9")
    answer = shop.client.get("/v1/tools/H-9/status?campaign=500")
    assert answer.status_code == 200 and "ETag" not in answer.headers
    assert shop.client.get("/v1/tools/H-1/status?campaign=-1").status_code == 422
    assert shop.client.get("/v1/status?campaign=500").status_code == 422
