"""Leak and lost performance of assessed inspections: both tiers, which one governs, and what is said with them."""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import numpy as np
import pytest

from service.catalogue import Air, Compressor, Fit, Interval, LeakPath
from tests.worker.conftest import KIND, Workshop, day
from worker.method.flow_loss import FlowModel

pytestmark = pytest.mark.db

LEAK = {"land_length": 70.0, "upstream_fraction": 0.86, "downstream_fraction": 0.16, "duty": 0.55, "eccentricity": 0.5}
AIR: dict[str, Any] = {
    "supply_bar": 21.0,
    "temperature_c": 56.85,
    "consumption_m3_min": 14.0,
    "compressor": {"delivery_m3_min": 14.4, "set_bar": 21.0},
}


def flow_kind(**changes: Any) -> dict[str, Any]:
    """The workshop's hammer with figures for its leak, its loss by flow."""
    return {
        "loss_model": "flow",
        "air": AIR,
        "air_settings": [{"code": "low-air", "consumption_m3_min": 11.5}],
        "fits": [KIND["fits"][0] | {"leak": LEAK}],
    } | changes


def tight_kind() -> dict[str, Any]:
    """The same, with parts that may touch when new: no clearance from 0 on is impossible."""
    casing = KIND["features"][1] | {"new": {"min": 97.90, "max": 98.08}}
    fit = KIND["fits"][0] | {"leak": LEAK, "new": {"min": 0.0, "max": 0.16}}
    return flow_kind(features=[KIND["features"][0], casing, KIND["features"][2]], fits=[fit])


def model() -> FlowModel:
    """The same hammer, put together here."""
    air = Air(21.0, 56.85, 14.0, 1.0, 1.25, 1.0, Compressor(14.4, 21.0))
    path = LeakPath(70.0, 0.86, 0.16, 0.55, 0.5)
    fit = Fit("piston-in-casing", "piston.od", "casing.bore", Interval(0.06, 0.10), 0.21, None, 1.0, None, path)
    return FlowModel(air, [fit])


def codes(assessment: Any) -> set[tuple[str, str]]:
    return {(remark["code"], remark["about"]) for remark in assessment["remarks"]}


def test_the_flow_governs_where_the_catalogue_says_so(shop: Workshop) -> None:
    """With `loss_model` flow and its figures, loss, by-fit, state and limit are by flow; the rule's loss beside it."""
    shop.put_kind(**flow_kind(service_loss=0.05))
    found = shop.inspect(10, {"piston.od": 97.850, "casing.bore": 98.040}, metres=2000.0)
    shop.work()
    got = shop.assessment(found)
    performance, clearance = got["performance"], got["clearances"][0]
    leaks, loss = model().assess([[97.945]], [[clearance["clearance_for_leakage"]]], [[0.0]])
    assert performance["loss_model"] == "flow" and performance["loss"] == performance["loss_by_flow"]
    assert performance["loss"] == pytest.approx(float(loss.loss[0]), rel=1e-6)
    assert performance["hammer_pressure_bar"] == pytest.approx(float(loss.pressure_bar[0]), rel=1e-8)
    assert performance["loss_by_rule"] == pytest.approx(1.538462 * (clearance["mean"] - 0.08), rel=1e-9)
    assert performance["by_fit"] == [{"fit": "piston-in-casing", "loss": pytest.approx(performance["loss"])}]
    assert clearance["leak"]["free_air_m3_min"] == pytest.approx(float(leaks.free_air[0, 0]), rel=1e-6)
    assert clearance["leak"]["mass_flow_kg_s"] == pytest.approx(float(leaks.mass_flow[0, 0]), rel=1e-6)
    assert performance["loss"] > 0.05 and got["state"] == "service-due"
    assert "loss-by-rule-only" not in {code for code, _ in codes(got)}
    limit = {row["limit"]: row for row in got["remaining"]["limits"]}["performance"]
    assert limit["p50"] == 0.0 and limit["probability_beyond_now"] > 0.9
    assert any("30 %" in caution for caution in got["cautions"])


def test_the_performance_limit_lies_where_the_flow_loss_reaches_it(shop: Workshop) -> None:
    """Of a hammer whose wear is known well, the median usage to the limit ends at the service loss by flow."""
    sure = [
        feature | {"wear_per_1000": feature["wear_per_1000"] | {"sd": 1e-5}, "process_sd": 1e-5}
        for feature in KIND["features"]
    ]
    shop.put_kind(**flow_kind(service_loss=0.06, features=sure))
    found = shop.inspect(10, {"piston.od": 97.910, "casing.bore": 97.990}, metres=1.0)
    shop.work()
    got = shop.assessment(found)
    limit = {row["limit"]: row for row in got["remaining"]["limits"]}["performance"]
    # hard ground wears twice as fast; both sides wear from the middle of new
    clearance = 0.08 + (0.012 + 0.007) * 2.0 * (limit["p50"] + 1.0) / 1000.0
    _, loss = model().assess([[97.95]], [[clearance]], [[0.0]])
    assert float(loss.loss[0]) == pytest.approx(0.06, rel=0.01)
    assert limit["p10"] < limit["p50"] < limit["p90"]


def test_without_figures_the_rule_governs_and_says_so(shop: Workshop) -> None:
    """A catalogue that asks for the flow and cannot give it gets the rule, with a remark; asked for nothing, none."""
    shop.put_kind(loss_model="flow", air=AIR)
    found = shop.inspect(10, {"piston.od": 97.880, "casing.bore": 98.010}, metres=500.0)
    shop.work()
    got = shop.assessment(found)
    assert got["performance"]["loss_model"] == "rule" and got["performance"]["loss_by_flow"] is None
    assert got["performance"]["hammer_pressure_bar"] is None and got["clearances"][0]["leak"] is None
    assert ("loss-by-rule-only", "performance") in codes(got)
    shop.put_kind(**flow_kind(loss_model="rule"))
    shop.work()
    again = shop.assessment(found)
    assert again["performance"]["loss"] == again["performance"]["loss_by_rule"] == got["performance"]["loss"]
    assert again["performance"]["loss_by_flow"] > 0.0 and again["clearances"][0]["leak"] is not None
    assert "loss-by-rule-only" not in {code for code, _ in codes(again)}


def test_air_setting_chooses_the_consumption(shop: Workshop) -> None:
    """Set to take less air, a hammer has the compressor to spare; the tool's change is assessed anew."""
    shop.put_kind(**flow_kind())
    found = shop.inspect(10, {"piston.od": 97.850, "casing.bore": 98.040}, metres=2000.0)
    shop.work()
    before = shop.assessment(found)
    shop.put_tool(commissioned_on="2026-01-01", air_setting="low-air")
    shop.work()
    after = shop.assessment(found)
    assert (before["performance"]["consumption_m3_min"], after["performance"]["consumption_m3_min"]) == (14.0, 11.5)
    assert after["version"] == before["version"] + 1
    assert after["performance"]["loss"] == 0.0 < before["performance"]["loss"]
    assert ("loss-capped", "performance") in codes(after) - codes(before)
    assert "loss-capped" in shop.status()["remarks"]


def test_a_compressor_that_does_not_drive_the_hammer(shop: Workshop) -> None:
    """No pressure above the back pressure: the loss is whole, the limit passed, and both documents say why."""
    shop.put_kind(**flow_kind(air=AIR | {"compressor": {"delivery_m3_min": 0.1, "set_bar": 21.0}}))
    found = shop.inspect(10, {"piston.od": 97.900, "casing.bore": 97.990}, metres=500.0)
    shop.work()
    got = shop.assessment(found)
    performance = got["performance"]
    assert (performance["loss"], performance["loss_by_flow"], performance["retained"]) == (1.0, 1.0, 0.0)
    assert (performance["hammer_pressure_bar"], performance["standard_uncertainty"]) == (1.0, 0.0)
    assert performance["by_fit"] == [{"fit": "piston-in-casing", "loss": 1.0}] and performance["loss_by_rule"] < 0.1
    assert ("compressor-too-small", "performance") in codes(got) and got["state"] == "service-due"
    limit = {row["limit"]: row for row in got["remaining"]["limits"]}["performance"]
    assert (limit["p10"], limit["p50"], limit["p90"], limit["probability_beyond_now"]) == (0.0, 0.0, 0.0, 1.0)
    assert "compressor-too-small" in shop.status()["remarks"]


def test_leak_and_loss_never_fall_or_jump_as_the_clearance_grows(shop: Workshop) -> None:
    """Through every regime, many tools in one batch: rising leak and loss, falling pressure, each as if alone."""
    shop.put_kind(**tight_kind())
    bores = [97.915 + 0.006 * n for n in range(36)]
    found = []
    for n, bore in enumerate(bores):
        shop.put_tool(f"T-{n}", commissioned_on="2026-01-01")
        found.append(shop.inspect(10, {"piston.od": 97.910, "casing.bore": bore}, 100.0, tool=f"T-{n}"))
    shop.work()
    got = [shop.assessment(one) for one in found]
    clearances = [one["clearances"][0] for one in got]
    regimes = [clearance["leak"]["regime"] for clearance in clearances]
    assert list(dict.fromkeys(regimes)) == ["laminar", "transitional", "turbulent"]
    leaks = [clearance["leak"]["free_air_m3_min"] for clearance in clearances]
    losses = [one["performance"]["loss_by_flow"] for one in got]
    pressures = [one["performance"]["hammer_pressure_bar"] for one in got]
    for low, high in pairwise(range(len(bores))):
        assert leaks[low] < leaks[high] and losses[low] <= losses[high] and pressures[low] >= pressures[high]
        # never steeper than the laminar cube, which a jump would be
        grown = clearances[high]["clearance_for_leakage"] / clearances[low]["clearance_for_leakage"]
        assert leaks[high] / leaks[low] <= 1.01 * grown**3
    said = {about for one in got for code, about in codes(one) if code == "leak-transitional"}
    assert said == {"fit:piston-in-casing"}
    alone = model()
    for one, clearance in zip(got, clearances, strict=True):
        diameter = np.mean([size["mean"] for size in one["sizes"]])
        leak, loss = alone.assess([[diameter]], [[clearance["clearance_for_leakage"]]], [[0.0]])
        assert clearance["leak"]["mass_flow_kg_s"] == pytest.approx(float(leak.mass_flow[0, 0]), rel=1e-9)
        assert one["performance"]["loss_by_flow"] == pytest.approx(float(loss.loss[0]), rel=1e-9, abs=1e-12)


@pytest.mark.parametrize(
    ("bore", "code", "verdict"), [(97.905, "interference", "serviceable"), (97.80, "negative-clearance", "remeasure")]
)
def test_interference(shop: Workshop, bore: float, code: str, verdict: str) -> None:
    """A clearance below 0 within its doubt leaks nothing, with a remark; beyond doubt it is measured again."""
    shop.put_kind(**tight_kind())
    found = shop.inspect(10, {"piston.od": 97.910, "casing.bore": bore}, metres=500.0)
    shop.work()
    got = shop.assessment(found)
    clearance = got["clearances"][0]
    assert clearance["mean"] < 0.0
    assert (code, "fit:piston-in-casing") in codes(got)
    assert clearance["verdict"] == verdict
    leak = clearance["leak"]
    assert leak is None if code == "negative-clearance" else (leak["free_air_m3_min"], leak["regime"]) == (0.0, "none")
    assert got["performance"]["loss"] >= 0.0


def test_a_renewed_part_takes_its_leak_along(shop: Workshop) -> None:
    """The status is of the parts fitted now: with a new piston it regains what the worn one leaked."""
    shop.put_kind(**flow_kind())
    found = shop.inspect(
        10,
        {"piston.od": 97.800, "casing.bore": 98.000},
        metres=5000.0,
        renewals=[{"part": "piston", "component": "P-2"}],
    )
    shop.work()
    worn = shop.assessment(found)["performance"]["retained"]
    assert shop.status()["performance"]["retained"] > worn + 0.02


def test_a_fit_with_several_positions_leaks_their_mean(shop: Workshop) -> None:
    """Each position shows its own leak; loss and air taken count the mean of them once."""
    parts = [*KIND["parts"], {"code": "guide", "name": "Guide", "quantity": 2}]
    guide = {"part": "guide", "code": "bore", "kind": "bore", "new": {"min": 97.98, "max": 98.00}}
    fit = KIND["fits"][0] | {"bore": "guide.bore", "leak": LEAK}
    shop.put_kind(**flow_kind(parts=parts, features=[*KIND["features"], guide], fits=[fit]))
    both = {"piston.od": 97.910, "guide.bore@1": 98.000, "guide.bore@2": 98.060}
    found = shop.inspect(10, both, metres=500.0)
    shop.work()
    got = shop.assessment(found)
    rows = sorted(got["clearances"], key=lambda row: row["position"])
    narrow, wide = (row["leak"]["free_air_m3_min"] for row in rows)
    alone = model()
    for row, leak in zip(rows, (narrow, wide), strict=True):
        diameter = 97.910 + row["mean"] / 2.0
        whole, _ = alone.assess([[diameter]], [[row["clearance_for_leakage"]]], [[0.0]])
        assert leak == pytest.approx(float(whole.free_air[0, 0]), rel=1e-5)
    performance = got["performance"]
    taken = 14.0 * performance["hammer_pressure_bar"] / 21.0
    # at the fallen pressure the leaks are in proportion to it, nearly: choked or turbulent
    assert taken + (narrow + wide) / 2.0 * performance["hammer_pressure_bar"] / 21.0 == pytest.approx(14.4, rel=0.01)
    assert [row["fit"] for row in performance["by_fit"]] == ["piston-in-casing"]


def put_rates(shop: Workshop, first: int, days: int, rate: float, ground: str = "hard", **more: Any) -> None:
    """A rate each day; 50 m a day in the tool's first days, 300 m later: a tenth of the piston's life is 917 m."""
    metres = 50.0 if first < 10 else 300.0
    entries = [
        {"tool": "H-1", "from": day(n), "to": day(n + 1), "metres": metres, "ground": ground, "rate_m_h": rate} | more
        for n in range(first, first + days)
    ]
    shop.call("POST", "/usage", {"entries": entries})


def test_observed_performance_stands_beside_the_computed(shop: Workshop) -> None:
    """Rates of the last weeks against those as new in the same ground, with pressures, entries and uncertainty."""
    shop.put_kind(**flow_kind())
    put_rates(shop, 0, 4, 30.0, pressure_bar=20.0)
    put_rates(shop, 4, 4, 60.0, "soft")
    put_rates(shop, 60, 40, 28.5, pressure_bar=19.0)
    found = shop.inspect(100, {"piston.od": 97.870, "casing.bore": 98.020})
    shop.work()
    got = shop.assessment(found)
    observed = got["performance"]["observed"]
    assert observed["retained"] == pytest.approx(0.95)
    assert (observed["entries"], observed["baseline_entries"]) == (13, 4)
    assert (observed["pressure_bar"], observed["baseline_pressure_bar"]) == (19.0, 20.0)
    assert 0.0 < observed["standard_uncertainty"] < 0.1
    assert ("performance-disagrees", "performance") not in codes(got)
    first = got["version"]
    shop.call("POST", "/usage", {"entries": [{"tool": "H-1", "from": day(50), "to": day(51), "metres": 1.0}]})
    shop.work()
    assert shop.assessment(found)["version"] == first + 1


def test_a_hammer_that_drills_worse_than_it_measures_is_remarked(shop: Workshop) -> None:
    """Far below what the clearances say, the disagreement is a remark of the assessment and of the status."""
    shop.put_kind(**flow_kind())
    put_rates(shop, 0, 6, 30.0)
    put_rates(shop, 60, 40, 15.0)
    found = shop.inspect(100, {"piston.od": 97.870, "casing.bore": 98.020})
    shop.work()
    got = shop.assessment(found)
    assert got["performance"]["observed"]["retained"] == pytest.approx(0.5)
    remark = next(row for row in got["remarks"] if row["code"] == "performance-disagrees")
    assert remark["message"].startswith("observed 50 % of the rate as new, 9")
    assert "performance-disagrees" in shop.status()["remarks"]


def test_what_was_bought_used_has_no_baseline(shop: Workshop) -> None:
    """A tool of unknown history never drilled as new here; nor has one a baseline in ground it never drilled new."""
    shop.put_kind(**flow_kind())
    shop.put_tool(history="unknown", commissioned_on="2026-01-01")
    put_rates(shop, 0, 4, 30.0)
    put_rates(shop, 60, 40, 27.0)
    found = shop.inspect(100, {"piston.od": 97.870, "casing.bore": 98.020})
    shop.work()
    assert shop.assessment(found)["performance"]["observed"] is None
    shop.put_tool(commissioned_on="2026-01-01")
    shop.work()
    assert shop.assessment(found)["performance"]["observed"]["baseline_entries"] == 4


def test_rates_before_a_service_are_not_those_of_the_parts_found(shop: Workshop) -> None:
    """Judged are the rates since the inspection before, with the parts that this one found."""
    shop.put_kind(**flow_kind())
    put_rates(shop, 0, 4, 30.0)
    put_rates(shop, 40, 30, 20.0)
    shop.inspect(70, {"piston.od": 97.820, "casing.bore": 98.020}, renewals=[{"part": "piston", "component": "P-2"}])
    put_rates(shop, 71, 28, 27.0)
    found = shop.inspect(100, {"piston.od": 97.880, "casing.bore": 98.030})
    shop.work()
    observed = shop.assessment(found)["performance"]["observed"]
    assert observed["retained"] == pytest.approx(0.9) and observed["entries"] == 9


@pytest.mark.parametrize(
    ("changes", "where"),
    [
        ({"air": AIR | {"back_pressure_bar": 21.0}}, "/air/back_pressure_bar"),
        ({"air": AIR | {"supply_bar": 0.9}}, "/air/back_pressure_bar"),
        ({"air": AIR | {"compressor": {"delivery_m3_min": 14.4, "set_bar": 0.9}}}, "/air/compressor/set_bar"),
        ({"air": AIR | {"rate_exponent": 0}}, "/air/rate_exponent"),
        ({"air": AIR | {"supply_bar": -1}}, "/air/supply_bar"),
    ],
)
def test_absurd_pressures_are_refused(shop: Workshop, changes: dict[str, Any], where: str) -> None:
    """A hammer that no pressure would drive is no catalogue entry."""
    answer = shop.client.put("/v1/tool-types/absurd", json=KIND | flow_kind() | changes)
    assert answer.status_code == 422
    assert where in [fault["pointer"] for fault in answer.json["errors"]]


@pytest.mark.parametrize("changes", [{"loss_model": "rule"}, {}, {"air": {**AIR, "compressor": None}}])
@pytest.mark.parametrize(("shaft", "bore"), [(97.90, 97.98), (61.03, 61.11), (119.97, 120.07), (8.37, 8.41)])
def test_a_tool_as_new_has_lost_nothing(shop: Workshop, changes: dict[str, Any], shaft: float, bore: float) -> None:
    """A tool that was never measured is as new: what it retains is all, without a remainder of rounding."""
    kind = flow_kind(**changes)
    piston, casing, ring = KIND["features"]
    piston = piston | {"new": {"min": shaft, "max": shaft + 0.02}, "discard": shaft - 0.1}
    casing = casing | {"new": {"min": bore, "max": bore + 0.02}, "discard": bore + 0.11}
    new = {"min": round(bore - shaft - 0.02, 4), "max": round(bore - shaft + 0.02, 4)}
    for stated in (new, None):  # left out, it is that of the sizes
        shop.put_kind(**kind | {"features": [piston, casing, ring], "fits": [kind["fits"][0] | {"new": stated}]})
        shop.put_tool("N-1")
        shop.work()
        assert shop.status("N-1")["performance"]["retained"] == 1.0
