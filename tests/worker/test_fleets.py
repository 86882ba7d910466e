"""What fleets of different kinds teach: small ones, ground of one class, rates that go together."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from tests.bench.direct import collect, fleet_of
from tests.bench.simulated_fleet import simulate
from tests.worker.conftest import Workshop
from tests.worker.test_learning import document, put_fleet, teach
from tests.worker.test_reversals import BOTTOM, TOP, reversible
from worker.learn import learn_due, learned_document
from worker.record import score_history


def feature(model: Any, code: str) -> Any:
    return next(row for row in model["features"] if row["feature"] == code)


def test_four_tools(shop: Workshop):
    """Four tools teach a rate between the catalogue's and their own, in doubt, and correct no quantiles."""
    fleet = put_fleet(shop, tools=4)
    learn_due()
    shop.work()
    model = shop.call("GET", "/tool-types/kind/wear-model")
    piston = feature(model, "piston.od")
    assert 0.012 < piston["mean"] < 0.021 and piston["mean_sd"] > 0.001 and piston["tools"] == 4
    assert model["slope_correlation"] == 0.0 and model["reversal_correlation"] == 0.4
    assert not any(row["applied"] for row in model["recalibration"].values())
    found = shop.assessment(fleet[0][-1])
    assert found["wear_model"] == model["version"] and "recalibrated" not in {row["code"] for row in found["remarks"]}
    record = shop.call("GET", "/tool-types/kind/forecast-record")
    assert record["tools"] == 4 and record["recalibration"]["own"]["trust"] == 0.0


def test_tools_with_two_inspections(shop: Workshop):
    """New and once more: the spread between tools and the wandering cannot be told apart and stay near the catalogue,
    the mean does not, and every limit has a forecast."""
    fleet = put_fleet(shop, tools=8, visits=1)
    learn_due()
    shop.work()
    model = shop.call("GET", "/tool-types/kind/wear-model")
    piston = feature(model, "piston.od")
    assert 0.014 < piston["mean"] < 0.021
    assert 0.5 * 0.005 < piston["tau"] < 2 * 0.005 and 0.25 * 0.004 < piston["process_sd"] < 4 * 0.004
    for row in shop.assessment(fleet[0][-1])["remaining"]["limits"]:
        assert 0 < row["p10"] < row["p50"] and (row["p90"] is None or row["p50"] < row["p90"])


def test_one_class_of_ground(shop: Workshop):
    """Where all usage is of one class, what another counts for stays exactly the catalogue's, and so does the planned
    mix's factor."""
    fleet = put_fleet(shop, tools=6)
    learn_due()
    shop.work()
    factors = shop.call("GET", "/tool-types/kind/wear-model")["ground_factors"]
    assert factors["soft"] == 0.5
    hard = shop.assessment(fleet[0][-1])["remaining"]["governing"]["p50"]
    soft = shop.assessment(fleet[0][-1], ground="soft")["remaining"]["governing"]["p50"]
    assert soft == pytest.approx(hard * factors["hard"] / 0.5)


def test_rates_that_go_together_are_found():
    """Forty simulated tools whose parts share operator and air are seen to; independent ones are left at 0."""
    fleets = (fleet_of(collect(simulate(7, 40, scenario))) for scenario in ("tool_effect", "correct"))
    together, apart = (learned_document(fleet, None) for fleet in fleets)
    assert 0.15 < together["slope_correlation"] < 0.6 and apart["slope_correlation"] == 0.0


def test_rates_that_go_together_widen_limits_on_several(shop: Workshop):
    """Variance of a fit's drift: (1 - rho) of the sum of variances and rho of the square of the sum of deviations."""
    put_fleet(shop, tools=1, visits=2)
    teach(shop, document(slope_correlation=0.3))
    found = dict(
        shop.rows(
            "SELECT code, drift_var FROM tool_status_limits JOIN codes ON code_id = limit_id"
            " JOIN tools USING (tool_id) WHERE serial = 'F-0'"
        )
    )
    own = np.array([found["feature:piston.od"], found["feature:casing.bore"]])
    assert found["fit:piston-in-casing"] == pytest.approx(0.7 * own.sum() + 0.3 * np.sqrt(own).sum() ** 2)


@pytest.mark.parametrize(("tools", "expected"), [(24, (0.6, 0.9)), (9, (0.4, 0.4))])
def test_rates_before_and_after_a_reversal(shop: Workshop, tools: int, expected: tuple[float, float]):
    """Ends that wear on as they did are seen to once there were 20 reversals; before that the default stands."""
    shop.put_kind(**reversible())
    rng = np.random.default_rng(3)
    for n in range(tools):
        shop.put_tool(f"R-{n}", commissioned_on="2026-01-01")
        z = dict(zip(("top", "bottom"), rng.standard_normal(2), strict=True))
        size = {end: 120.0 for end in z}
        for k in range(6):
            was_top = k <= 2  # turned at the second visit
            for end in z if k else ():
                place = TOP if (end == "top") == was_top else BOTTOM
                wear = 2.0 * (place["mean"] + place["sd"] * z[end]) + 0.001 * rng.standard_normal()
                size[end] -= float(wear)
            named = size if was_top else {"top": size["bottom"], "bottom": size["top"]}
            sizes = {f"casing.{end}-od": value for end, value in named.items()}
            more = {"reversals": [{"part": "casing"}]} if k == 2 else {}
            shop.inspect(10 * k, sizes, metres=1000.0 if k else None, tool=f"R-{n}", **more)
    shop.work()
    learn_due()
    found = shop.call("GET", "/tool-types/kind/wear-model?version=1")["reversal_correlation"]
    assert expected[0] <= found <= expected[1]


def test_what_is_corrected_is_what_the_parameters_in_force_get_wrong():
    """Wear that speeds up is reached sooner than was forecast: the correction asks lower for the 10 % point, believes
    nearly all of it, and brings the record's coverage nearer to 80 %."""
    fleet = fleet_of(collect(simulate(7, 24, "accel")))
    record = score_history(fleet)
    own = record.recalibration["own"]
    assert own["applied"] and own["trust"] > 0.7 and own["level"][1] < 0.07
    kept = next(row for row in record.document["groups"] if row["group"] == "after_learning")
    assert abs(kept["recalibrated"]["coverage"] - 0.8) < abs(kept["raw"]["coverage"] - 0.8)
    assert kept["recalibrated"]["crps"] < kept["raw"]["crps"]
