"""From verdicts to parts, states and statuses, over HTTP and the worker (contract, section 4)."""

from __future__ import annotations

from typing import Any

import pytest

from tests.worker.conftest import KIND, Workshop, day
from worker.method.wear_filter import filter_wear
from worker.method.wear_state import prior_states

pytestmark = pytest.mark.db
GOOD = {"piston.od": 97.900, "casing.bore": 97.995}


def verdicts(document: dict[str, Any]) -> dict[str, str]:
    return {f"{part['part']}@{part['position']}": part["verdict"] for part in document["parts"]}


def codes(document: dict[str, Any]) -> set[str]:
    return {remark["code"] for remark in document["remarks"]}


def test_never_inspected_is_remeasure(shop: Workshop) -> None:
    """A tool never inspected is `remeasure`, says so, and has the prior's forecast."""
    status = shop.status()
    assert (status["state"], status["sequence"], status["inspection"]) == ("remeasure", 1, None)
    assert {"not-inspected", "not-measured"} <= set(status["remarks"])
    assert set(verdicts(status).values()) == {"remeasure"}
    assert status["renew"] == []
    assert status["remaining"]["p50"] > 0


def test_an_inspection_that_measures_less_takes_nothing_away(shop: Workshop) -> None:
    """The newest verdict of each feature stands while its component is fitted."""
    shop.inspect(10, {"piston.od": 97.75, "casing.bore": 97.995}, 1000.0)
    last = shop.inspect(20, {"casing.bore": 97.996}, 1000.0)
    shop.work()
    found = shop.assessment(last)
    assert [size["feature"] for size in found["sizes"]] == ["casing.bore"]
    assert verdicts(found)["piston@1"] == "discard"
    assert (found["state"], shop.status()["state"]) == ("service-due", "service-due")
    assert [part["part"] for part in shop.status()["renew"]] == ["piston"]


def test_a_renewal_takes_verdicts_and_wear_with_it(shop: Workshop) -> None:
    """A renewed, unmeasured part starts from its prior; its predecessor's verdict is gone from the status."""
    worn = shop.inspect(
        10, {"piston.od": 97.75, "casing.bore": 97.995}, 1000.0, renewals=[{"part": "piston", "component": "P-2"}]
    )
    shop.work()
    assert verdicts(shop.assessment(worn))["piston@1"] == "discard"
    status = shop.status()
    assert verdicts(status) == {"casing@1": "serviceable"}
    assert (status["state"], status["renew"]) == ("serviceable", [])
    assert "not-measured" in status["remarks"]
    # the loss is of the present components: the new piston's prior against the casing
    assert status["performance"]["retained"] > 1 - shop.assessment(worn)["performance"]["loss"]
    next_one = shop.inspect(20, {"piston.od": 97.905}, 1000.0)
    shop.work()
    size = shop.assessment(next_one)["sizes"][0]
    assert (size["component"], size["wear_state"]["usage"]) == ("P-2", pytest.approx(2.0))


def test_fit_blames_the_side_that_is_worn_the_more_of_its_way(shop: Workshop) -> None:
    """A fit beyond its limit while neither size is discards the part with the larger share of its way used up."""
    found_of = {}
    for tool, sizes in {
        "BOTH": {"piston.od": 97.815, "casing.bore": 98.075},
        "PISTON": {"piston.od": 97.806, "casing.bore": 98.058},
    }.items():
        shop.put_tool(tool, commissioned_on="2026-01-01")
        found_of[tool] = shop.inspect(10, sizes, 1000.0, tool=tool, final=True)
    shop.work()
    both, piston = (shop.assessment(found_of[tool]) for tool in ("BOTH", "PISTON"))
    assert both["clearances"][0]["verdict"] == piston["clearances"][0]["verdict"] == "discard"
    assert verdicts(both) == {"piston@1": "discard", "casing@1": "discard"}
    assert verdicts(piston)["piston@1"] == "discard"
    assert verdicts(piston)["casing@1"] != "discard"
    assert "fit piston-in-casing: discard; this side is the more worn" in piston["parts"][0]["reasons"]
    assert all("fit piston-in-casing: discard; both sides are worn alike" in part["reasons"] for part in both["parts"])
    assert both["state"] == piston["state"] == "service-due"


def test_loss_watches_the_parts_of_the_fit_that_loses_most(shop: Workshop) -> None:
    """At the service loss the tool is due for service and the losing fit's parts are watched."""
    shop.put_kind(service_loss=0.05)
    found = shop.inspect(10, {"piston.od": 97.885, "casing.bore": 98.010}, 1000.0)
    shop.work()
    document = shop.assessment(found)
    assert document["performance"]["loss"] > 0.05
    assert document["state"] == "service-due"
    assert verdicts(document) == {"piston@1": "monitor", "casing@1": "monitor"}


def test_matched_set_is_discarded_together(shop: Workshop) -> None:
    """A discarded half takes the other with it, with that reason; each half has its own size, limit and verdict."""
    found = shop.inspect(10, {"ring.wall@1": 9.45, "ring.wall@2": 9.95}, 1000.0)
    shop.work()
    document = shop.assessment(found)
    assert {(size["position"], size["verdict"]) for size in document["sizes"]} == {(1, "discard"), (2, "serviceable")}
    assert verdicts(document) == {"ring@1": "discard", "ring@2": "discard"}
    second = next(part for part in document["parts"] if part["position"] == 2)
    assert any("set" in reason for reason in second["reasons"])
    names = [limit["limit"] for limit in document["remaining"]["limits"]]
    assert names == [
        "feature:piston.od", "feature:casing.bore", "feature:ring.wall@1", "feature:ring.wall@2",
        "fit:piston-in-casing", "performance",
    ]  # fmt: skip


CHECKS = [
    {"code": "faces", "part": "piston", "stage": "as_found", "sequence": 1, "question": "Whole?", "on_fail": "discard"},
    {"code": "seated", "part": "ring", "stage": "as_left", "sequence": 2, "question": "Seated?", "on_fail": "stop"},
    {"code": "greased", "part": "casing", "stage": "as_left", "sequence": 3, "question": "Done?", "on_fail": "monitor"},
]  # fmt: skip


def test_checks_and_stops(shop: Workshop) -> None:
    """A failed check judges its part; a stop holds until a later as-left passes it or a later as-found is assessed."""
    shop.put_kind(checks=CHECKS)
    damaged = shop.inspect(10, GOOD, 1000.0, checks=[{"check": "faces", "result": "fail"}])
    left = shop.inspect(11, {"casing.bore": 97.995}, stage="as_left", reference="W10")
    shop.work()
    assert verdicts(shop.assessment(damaged))["piston@1"] == "discard"
    missed = shop.assessment(left)
    assert {check["check"]: (check["result"], check["verdict"]) for check in missed["checks"]} == {
        "seated": ("not-done", "remeasure"),
        "greased": ("not-done", None),
    }
    assert "check-not-done" in codes(missed)
    assert verdicts(missed)["ring@1"] == "remeasure"
    passed = shop.inspect(
        12, stage="as_left", reference="W12",
        checks=[{"check": "seated", "result": "pass"}, {"check": "greased", "result": "fail"}],
    )  # fmt: skip
    shop.work()
    document = shop.assessment(passed)
    assert "ring@1" not in verdicts(document)
    assert verdicts(document)["casing@1"] == "monitor"
    assert document["state"] == "service-due"


def test_a_type_without_any_limit_is_assessed(shop: Workshop) -> None:
    """A catalogue that knows no discard and no fit: sizes and a state, nothing to forecast."""
    features = [{key: value for key, value in f.items() if key != "discard"} for f in KIND["features"]]
    shop.put_kind(features=features, fits=[])
    found = shop.inspect(10, GOOD, 1000.0)
    shop.work()
    document = shop.assessment(found)
    assert (len(document["sizes"]), document["state"]) == (2, "serviceable")
    assert (document["remaining"]["limits"], document["remaining"]["governing"]) == ([], None)
    assert shop.status()["remaining"]["p50"] is None


def test_what_is_to_be_confirmed_before_closing(shop: Workshop) -> None:
    """An as-left inspection lists the catalogue's as-left checks in their sequence, from the moment it is accepted; one
    that stops and is missing or failed makes the tool `remeasure`, and status and assessment say which and why."""
    closing = [CHECKS[1], CHECKS[2] | {"sequence": 1}, CHECKS[1] | {"code": "torqued", "sequence": 9, "part": "casing"}]
    shop.put_kind(checks=[CHECKS[0], *closing])
    shop.inspect(10, GOOD, 1000.0)
    answers = [{"check": "torqued", "result": "fail"}, {"check": "greased", "result": "pass"}]
    left = shop.inspect(11, stage="as_left", reference="W10", checks=answers)
    accepted = shop.call("GET", f"/inspections/{left}")["before_closing"]
    assert [(one["check"], one["result"], one["confirmed"], one["on_fail"]) for one in accepted] == [
        ("greased", "pass", True, "monitor"), ("seated", "not-done", False, "stop"), ("torqued", "fail", False, "stop"),
    ]  # fmt: skip
    assert (accepted[1]["part"], accepted[1]["sequence"], accepted[1]["question"]) == ("ring", 2, "Seated?")
    shop.work()
    document = shop.assessment(left)
    assert document["before_closing"] == accepted
    assert [check["check"] for check in document["checks"]] == ["greased", "seated", "torqued"]
    words = {one["about"]: one["message"] for one in document["remarks"] if one["code"] == "stop-open"}
    assert words == {
        "check:seated": "check seated was not done: not to be run until it is put right (Seated?)",
        "check:torqued": "check torqued failed: not to be run until it is put right (Seated?)",
    }
    status = shop.status()
    assert (document["state"], status["state"], "stop-open" in status["remarks"]) == ("remeasure", "remeasure", True)
    reasons = {part["part"]: part["reasons"] for part in status["parts"] if part["verdict"] == "remeasure"}
    assert reasons == {"ring": [words["check:seated"]], "casing": [words["check:torqued"]]}
    # an as-found inspection has nothing to close up; put right and confirmed, the stop is gone
    found = shop.call("GET", "/inspections?tool=H-1")["items"][0]["id"]
    assert shop.call("GET", f"/inspections/{found}")["before_closing"] == []
    assert shop.assessment(found)["before_closing"] == []
    every = [{"check": code, "result": "pass"} for code in ("seated", "torqued", "greased")]
    shop.inspect(12, stage="as_left", reference="W12", checks=every)
    shop.work()
    status = shop.status()
    assert (status["state"], "stop-open" in status["remarks"]) == ("serviceable", False)


def test_component_on_the_bench_touches_nothing(shop: Workshop) -> None:
    """A component that is not fitted has its size with `position: null`, and a remark; the tool's state is its own."""
    shop.call("PUT", "/components/P-9", {"part": "piston", "tool_type": "kind", "site": "yard", "state": "stock"})
    found = shop.inspect(10, GOOD | {"piston.od@P-9": 97.70}, 1000.0)
    shop.work()
    document = shop.assessment(found)
    bench = next(size for size in document["sizes"] if size["component"] == "P-9")
    assert (bench["position"], bench["verdict"]) == (None, "discard")
    assert "component-not-fitted" in codes(document)
    assert (document["state"], verdicts(document)["piston@1"]) == ("serviceable", "serviceable")


def test_second_measurement_is_combined_and_final(shop: Workshop) -> None:
    """What measures again is averaged with the first, decides finally, and is one observation of the wear."""
    first = shop.inspect(10, {"piston.od": 97.801}, 1000.0)
    second = shop.inspect(10.1, {"piston.od": 97.803}, remeasures="W10", reference="W10b")
    shop.work()
    assert shop.assessment(first)["sizes"][0]["verdict"] == "remeasure"
    combined = shop.assessment(second)["sizes"][0]
    assert combined["worst"] == pytest.approx(97.802, abs=2e-3)
    assert combined["verdict"] == "monitor"
    wear, u = 97.91 - combined["worst"], combined["standard_uncertainty"]
    alone = filter_wear(
        prior_states([0.0], 0.02**2 / 12, 0.012, 0.005**2), 0.0, 0.004**2, [1], [2.0],
        [wear], [u],
    ).states  # fmt: skip
    shown = combined["wear_state"]
    assert [shown[name] for name in ("level", "rate", "level_variance")] == pytest.approx(
        [float(alone.level[0]), float(alone.rate[0]), float(alone.level_variance[0])], rel=1e-9
    )
    # it stays out of later states as well
    later = shop.inspect(20, {"piston.od": 97.80}, 500.0)
    shop.work()
    assert shop.assessment(later)["sizes"][0]["wear_state"]["usage"] == pytest.approx(3.0)


def test_no_usage_no_forecast(shop: Workshop) -> None:
    """An interval without usage since the fitting leaves the level alone: no forecast, remark `no-usage`."""
    shop.inspect(10, GOOD, 1000.0)
    found = shop.inspect(20, GOOD)
    shop.work()
    document = shop.assessment(found)
    state = document["sizes"][0]["wear_state"]
    assert (state["usage"], state["rate"]) == (None, None)
    assert state["level"] is not None
    limits = {limit["limit"]: limit["p50"] for limit in document["remaining"]["limits"]}
    assert limits["feature:piston.od"] is None
    assert "no-usage" in codes(document)
    assert "not-measured" not in codes(document)  # it promises a forecast, and there is none
    assert document["remaining"]["governing"] is None


def test_bought_used_counts_from_its_first_reading(shop: Workshop) -> None:
    """A tool of unknown history has no slope from its first reading: that is the start level, at the prior's rate."""
    shop.put_tool("USED", history="unknown")
    first = shop.inspect(10, {"piston.od": 97.88}, tool="USED")
    second = shop.inspect(20, {"piston.od": 97.86}, 1000.0, tool="USED")
    shop.work()
    start = shop.assessment(first)["sizes"][0]["wear_state"]
    assert (start["usage"], start["rate"]) == (0.0, 0.012)
    assert start["level"] == pytest.approx(97.91 - 97.88, abs=1e-3)
    assert {"history-unknown"} <= codes(shop.assessment(first))
    later = shop.assessment(second)["sizes"][0]["wear_state"]
    assert later["usage"] == pytest.approx(2.0)
    assert later["rate"] < 0.012


def test_status_runs_down_between_events(shop: Workshop) -> None:
    """Each quantile is the event's less the usage since, weighted by ground; a median run down makes service due."""
    shop.inspect(10, {"piston.od": 97.86, "casing.bore": 97.995}, 4000.0)
    shop.work()
    before = shop.status()
    assert before["state"] == "serviceable"
    metres = before["remaining"]["p50"]
    entry = {"tool": "H-1", "from": day(10), "to": day(20), "metres": metres / 2, "ground": "hard"}
    shop.call("POST", "/usage", {"entries": [entry]})
    shop.work()
    after = shop.status()
    assert after["sequence"] == before["sequence"] + 1
    assert after["remaining"]["used_since"] == pytest.approx(metres / 2)
    assert after["remaining"]["p50"] == pytest.approx(metres / 2)
    assert after["remaining"]["as_of"] == before["remaining"]["as_of"]
    # softer ground than planned: four times the metres for the same wear
    entry = {"tool": "H-1", "from": day(20), "to": day(30), "metres": 2.2 * metres, "ground": "soft"}
    shop.call("POST", "/usage", {"entries": [entry]})
    shop.work()
    ended = shop.status()
    assert (ended["remaining"]["p50"], ended["state"]) == (0.0, "service-due")


def test_new_revision_moves_the_newest_inspection_on(shop: Workshop) -> None:
    """A new revision re-assesses the newest inspection of each tool; older assessments keep theirs."""
    old, new = shop.inspect(10, GOOD, 1000.0), shop.inspect(20, GOOD, 1000.0)
    shop.work()
    features = [dict(feature) for feature in KIND["features"]]
    features[0]["discard"] = 97.895
    shop.put_kind(features=features)
    shop.work()
    kept, moved = shop.assessment(old), shop.assessment(new)
    assert (kept["version"], kept["tool_type"]["revision"]) == (1, 1)
    assert (moved["version"], moved["tool_type"]["revision"]) == (2, 2)
    assert moved["inputs_as_of"] > kept["inputs_as_of"]
    assert moved["sizes"][0]["discard"] == 97.895
    assert shop.status()["state"] != "serviceable"
    # once a later inspection is accepted it stays where it is, whatever comes after
    shop.inspect(30, GOOD, 1000.0)
    shop.put_kind(features=KIND["features"])
    shop.inspect(5, GOOD, 100.0)
    shop.work()
    assert shop.assessment(new)["tool_type"]["revision"] == 2


def test_component_carries_its_wear_to_another_tool(shop: Workshop) -> None:
    """A component's usage and wear go with it; what comes late for the first tool is known in the second."""
    shop.call("PUT", "/components/P-1", {"part": "piston", "tool_type": "kind", "site": "yard"})
    shop.put_tool("H-2", commissioned_on="2026-01-01")
    first = shop.call("POST", "/tools/H-1/fittings", {"component": "P-1", "from": day(0)})
    shop.inspect(10, {"piston.od": 97.89}, 1000.0)
    shop.call("PATCH", f"/tools/H-1/fittings/{first['id']}", {"until": day(10)})
    shop.call("POST", "/tools/H-2/fittings", {"component": "P-1", "from": day(12)})
    shop.inspect(12, {"casing.bore": 97.99}, 500.0, tool="H-2")
    second = shop.inspect(20, {"piston.od": 97.87}, 1000.0, tool="H-2")
    shop.work()
    state = shop.assessment(second)["sizes"][0]["wear_state"]
    assert state["usage"] == pytest.approx(4.0)
    shop.inspect(5, {"piston.od": 97.91}, 300.0)
    shop.work()
    again = shop.assessment(second)
    assert again["version"] == 2
    assert again["sizes"][0]["wear_state"]["usage"] == pytest.approx(4.6)


def test_change_feed_is_the_status(shop: Workshop) -> None:
    """Each visible change is one row of the feed, its document the status as it is read."""
    shop.inspect(10, GOOD, 1000.0)
    shop.work()
    rows = shop.rows("SELECT sequence, document FROM changes ORDER BY seq")
    assert [sequence for sequence, _ in rows] == [1, 2]
    assert rows[-1][1] == shop.status()
