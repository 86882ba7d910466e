"""Events in the life of a part, each with its answer (forecast method, section 3)."""

from __future__ import annotations

from typing import Any

import pytest

from tests.worker.conftest import Workshop, day

NEW = {"piston.od": 97.91, "casing.bore": 97.99}
WORN = {"piston.od": 97.85, "casing.bore": 98.03}


def size(assessment: Any, feature: str = "piston.od") -> Any:
    return next(row for row in assessment["sizes"] if row["feature"] == feature)


def limit(document: Any, name: str) -> Any:
    return next(row for row in document["remaining"]["limits"] if row["limit"] == name)


def codes(document: Any) -> set[str]:
    return {remark["code"] for remark in document["remarks"]}


def begun(shop: Workshop) -> None:
    shop.inspect(0, NEW, stage="as_left")
    shop.inspect(30, WORN, metres=1000.0)


def test_replaced(shop: Workshop) -> None:
    """A new part starts as new; its mate keeps its state, and the fit reads the two that are fitted now."""
    begun(shop)
    found = shop.inspect(60, WORN, metres=500.0, renewals=[{"part": "piston"}])
    after = shop.inspect(60, {"piston.od": 97.91}, stage="as_left")
    shop.work()
    before, renewed = shop.assessment(found), shop.assessment(after)
    assert size(before)["wear_state"]["usage"] == 3.0 and size(renewed)["wear_state"]["usage"] == 0.0
    assert size(renewed)["wear_state"]["level"] == pytest.approx(0.0, abs=1e-6)
    assert size(renewed)["wear_state"]["rate"] == pytest.approx(0.012)
    same = limit(before, "feature:casing.bore")["p50"]
    assert limit(renewed, "feature:casing.bore")["p50"] == pytest.approx(same)
    assert limit(renewed, "fit:piston-in-casing")["p50"] > limit(before, "fit:piston-in-casing")["p50"]


def test_remachined(shop: Workshop) -> None:
    """A renewed part found far from its drawing before it ran was re-machined: it starts at its size, prior rate."""
    begun(shop)
    shop.inspect(60, WORN, metres=500.0, renewals=[{"part": "casing"}])
    after = shop.inspect(60, {"casing.bore": 98.05}, stage="as_left")
    later = shop.inspect(90, {"casing.bore": 98.064}, metres=1000.0)
    shop.work()
    start = size(shop.assessment(after), "casing.bore")["wear_state"]
    u = size(shop.assessment(after), "casing.bore")["standard_uncertainty"]
    assert start["level"] == pytest.approx(0.06) and start["level_variance"] == pytest.approx(u * u)
    assert start["rate"] == pytest.approx(0.007) and start["rate_variance"] == pytest.approx(0.003**2)
    state = size(shop.assessment(later), "casing.bore")["wear_state"]
    assert state["level"] == pytest.approx(0.074, abs=1e-4) and state["usage"] == 2.0


def test_a_part_lost_stays_in_what_was_learned(shop: Workshop) -> None:
    """Readings of a part that left for another reason keep their states in its history; the next one starts as new."""
    begun(shop)
    lost = shop.inspect(60, {"casing.bore": 98.04}, metres=500.0, renewals=[{"part": "piston", "component": "P-9"}])
    shop.work()
    (kept,) = shop.rows("SELECT count(*), max(worst_level) FROM sizes WHERE worst < 97.9 AND worst_rate IS NOT NULL")
    assert kept[0] == 1 and 0.03 < kept[1] < 0.06
    assert limit(shop.assessment(lost), "feature:piston.od")["p50"] is not None
    assert "not-measured" in shop.status()["remarks"]


def test_no_usage(shop: Workshop) -> None:
    """Where usage is missing since a part was fitted its level is shown, and no forecast of its limits is made."""
    shop.inspect(0, NEW, stage="as_left")
    found = shop.inspect(30, WORN)
    shop.work()
    answer = shop.assessment(found)
    assert "no-usage" in codes(answer)
    state = size(answer)["wear_state"]
    assert state["level"] == pytest.approx(0.06) and state["rate"] is None and state["usage"] is None
    row = limit(answer, "feature:piston.od")
    assert (row["p10"], row["p50"], row["p90"]) == (None, None, None)
    asked = shop.assessment(found, campaign=1000)["remaining"]["campaign"]
    assert all(row["probability"] is None for row in asked["limits"] if "ring" not in row["limit"])


def test_unknown_ground(shop: Workshop) -> None:
    """Usage without ground counts as it is, and is remarked on."""
    shop.inspect(0, NEW, stage="as_left")
    found = shop.inspect(30, WORN, usage={"metres": 1000.0})
    shop.work()
    answer = shop.assessment(found)
    assert "unknown-ground" in codes(answer) and size(answer)["wear_state"]["usage"] == 1.0


def test_run_but_not_measured(shop: Workshop) -> None:
    """Usage without a reading carries the state on: the doubt grows, and what is left goes down by what was run."""
    begun(shop)
    shop.work()
    before = shop.status()["remaining"]
    entry = {"tool": "H-1", "from": day(30), "to": day(40), "metres": 200.0, "ground": "hard"}
    shop.call("POST", "/usage", {"entries": [entry]})
    shop.work()
    after = shop.status()["remaining"]
    assert after["used_since"] == pytest.approx(200.0)
    assert after["p50"] == pytest.approx(max(before["p50"] - 200.0, 0.0))
    found = shop.inspect(50, {"casing.bore": 98.03})
    shop.work()
    level = shop.rows(
        "SELECT gap_var FROM limits l JOIN codes c ON c.code_id = l.limit_id WHERE c.code = 'feature:piston.od'"
        " ORDER BY taken_at"
    )
    assert level[-1][0] > level[-2][0] and limit(shop.assessment(found), "feature:piston.od")["p50"] is not None


def test_ground_borrowed_from_the_site(shop: Workshop) -> None:
    """A tool without ground on record is planned by its site's mix, whose spread of factors widens the rates."""
    shop.put_tool("H-2", commissioned_on="2026-01-01")
    shop.inspect(0, NEW, stage="as_left", tool="H-2", reference="N")
    ledger = [
        {"tool": "H-2", "from": day(n), "to": day(n + 10), "metres": 500.0, "ground": ground}
        for n, ground in ((0, "soft"), (10, "hard"))
    ]
    shop.call("POST", "/usage", {"entries": ledger})
    shop.inspect(0, NEW, stage="as_left")
    found = shop.inspect(30, WORN, usage={"metres": 1000.0})
    shop.work()
    answer = shop.assessment(found)
    assert answer["remaining"]["ground"] == {"soft": 0.5, "hard": 0.5} and "unknown-ground" in codes(answer)
    ((drift, drift_var),) = shop.rows(
        "SELECT drift, drift_var FROM limits l JOIN codes c ON c.code_id = l.limit_id"
        " WHERE c.code = 'feature:piston.od' AND inspection_id = %s",
        found,
    )
    ((rate, rate_var),) = shop.rows("SELECT worst_rate, worst_rate_var FROM sizes WHERE worst < 97.9 AND worst > 97")
    # factors 0.5 and 2: mean 1.25, relative variance 0.36
    assert drift == pytest.approx(1.25 * rate)
    assert drift_var == pytest.approx(1.25**2 * (rate_var * 1.36 + 0.36 * rate**2))


def test_measured_on_the_day_it_was_put_in(shop: Workshop) -> None:
    """What is measured later on the day of commissioning, at the site, is measured as put in: nothing is missing."""
    shop.call("PUT", "/sites/west", {"name": "West", "time_zone": "Australia/Perth"})
    shop.put_tool("H-3", commissioned_on="2026-01-02", site="west")
    shop.inspect(1.2, NEW, tool="H-3", stage="as_left", reference="N")  # 12:48 there
    found = shop.inspect(30, WORN, metres=1000.0, tool="H-3")
    shop.put_tool("H-4", commissioned_on="2026-01-02", site="west")
    shop.inspect(1.7, NEW, tool="H-4", stage="as_left", reference="N")  # 00:48 of the next day
    late = shop.inspect(30, WORN, metres=1000.0, tool="H-4")
    shop.work()
    assert limit(shop.assessment(found), "feature:piston.od")["p50"] is not None
    assert "no-usage" not in codes(shop.assessment(found)) and "no-usage" in codes(shop.assessment(late))


def test_a_size_that_nothing_explains(shop: Workshop) -> None:
    """Far from what was expected it counts less in the wear state, and somebody is asked to look at it."""
    shop.inspect(0, NEW, stage="as_left")
    early = shop.inspect(30, {"piston.od": 97.905}, metres=100.0)
    odd = shop.inspect(40, {"piston.od": 97.83}, metres=50.0)
    shop.work()
    assert "wear-unexplained" not in codes(shop.assessment(early))
    answer = shop.assessment(odd)
    (remark,) = [one for one in answer["remarks"] if one["code"].startswith("wear-un")]
    assert remark["about"] == "feature:piston.od" and "Proposed" in remark["message"]
    assert 0.01 < size(answer)["wear_state"]["level"] < 0.08  # it was worn 0.08 by this reading alone
    assert "wear-unexplained" in shop.status()["remarks"]
