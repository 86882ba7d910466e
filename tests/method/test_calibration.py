"""Loss by the rule, and its figures fitted to records."""

import json
from pathlib import Path

import numpy as np
import pytest
from scipy.optimize import lsq_linear

from worker.method.calibration import PRIOR_WEIGHT, SIGMA_LOSS, calibrate_loss
from worker.method.performance import loss_by_rule
from worker.method.service_losses import service_losses

PUBLISHED = Path(__file__).parents[1] / "published"
CASES = json.loads((PUBLISHED / "leakage.json").read_text())["cases"]
WORKED = json.loads((PUBLISHED / "worked_example.json").read_text())
SHARES = np.array([0.40, 0.22, 0.19, 0.19])


@pytest.mark.published
@pytest.mark.parametrize("case", [c for c in CASES if c["kind"] == "loss_linear"], ids=lambda c: c["id"])
def test_loss_by_rule_case(case: dict) -> None:
    """20 % with every fit at discard, 8 % with the piston alone: by hand."""
    given = case["input"]
    found = loss_by_rule([given["c_mm"]], [[0.0] * 4], given["c_new_mm"], given["k_per_mm"], given["share"])
    assert found.loss[0] == pytest.approx(case["expect"]["loss"], abs=case["abs_tol"])
    assert found.by_fit.sum() == pytest.approx(found.loss[0], abs=1e-15)


@pytest.mark.published
def test_worked_example_loss_by_rule() -> None:
    """The worked example's loss by rule and its split."""
    fits = WORKED["catalogue"]["fits"]
    rows = {row["fit"]: row for row in WORKED["expected"]["clearances"]}
    expect = WORKED["expected"]["performance"]
    found = loss_by_rule(
        [[rows[fit["code"]]["mean"] for fit in fits]],
        [[rows[fit["code"]]["standard_uncertainty"] for fit in fits]],
        [(fit["new"]["min"] + fit["new"]["max"]) / 2 for fit in fits],
        WORKED["catalogue"]["loss_per_mm"],
        [fit["loss_share"] for fit in fits],
        [fit["discard"] for fit in fits],
    )
    assert found.loss[0] == pytest.approx(expect["loss_by_rule"], abs=WORKED["tolerances"]["loss_by_rule_abs"])
    assert found.by_fit[0] == pytest.approx([row["loss"] for row in expect["by_fit"]], abs=1e-9)
    assert not found.extrapolated[0] and found.loss_u[0] > 0.0


def test_loss_by_rule_at_its_edges() -> None:
    """Tighter than new gains nothing, the loss ends at 1, beyond the rule's reach is said, unknown stays unknown."""
    new, discard = np.full(2, 0.08), np.array([0.21, np.nan])
    clearance = [[0.05, 0.05], [5.0, 5.0], [0.28, 0.08], [0.27, 0.08], [np.nan, 0.1]]
    found = loss_by_rule(clearance, np.full((5, 2), 0.004), new, 1.5, [0.5, 0.5], discard)
    assert found.loss[:2].tolist() == [0.0, 1.0]
    assert found.by_fit[1] == pytest.approx([0.5, 0.5])
    assert found.extrapolated[:4].tolist() == [False, True, True, False]
    assert np.isnan(found.loss[4]) and np.isnan(found.loss_u[4])
    assert found.loss_u[0] == 0.0 and found.loss_u[1] == 0.0


def test_uncertainty_of_the_rule_is_that_of_three_points() -> None:
    """A straight line carries its slope; at the start of wear, and at a loss of all, that of drawn clearances."""
    new, shares, u = np.full(2, 0.08), np.array([0.6, 0.4]), np.array([0.004, 0.006])
    clearance = np.array([[0.2, 0.15], [0.08, 0.08], [0.083, 0.2], [0.7199, 0.75]])
    found = loss_by_rule(clearance, np.tile(u, (4, 1)), new, 1.5, shares)
    assert found.loss_u[0] == pytest.approx(1.5 * np.hypot(0.6 * 0.004, 0.4 * 0.006), rel=1e-12)
    for row, (c, near) in enumerate(zip(clearance, (1e-3, 0.15, 0.15, 0.15), strict=True)):
        drawn = np.random.default_rng(8).normal(c, u, (100_000, 2))
        spread = np.clip(1.5 * (shares * np.maximum(drawn - new, 0.0)).sum(axis=1), 0.0, 1.0).std()
        assert found.loss_u[row] == pytest.approx(spread, rel=max(near, 0.01), abs=1e-12)


@pytest.mark.published
def test_calibration_case() -> None:
    """Six records, four fits, a prior: confirmed by scipy's bounded least squares and the KKT conditions."""
    (case,) = [c for c in CASES if c["kind"] == "fit_linear"]
    given, expect, b0 = case["input"], case["expect"], np.array(case["input"]["b0"])
    found = calibrate_loss(
        given["dc_mm"], given["y"], b0.sum(), b0 / b0.sum(), prior_weight=given["lam"], separable_from=0
    )
    assert found.loss_per_mm == pytest.approx(expect["k"], abs=case["abs_tol"])
    assert found.shares == pytest.approx(expect["share"], abs=case["abs_tol"])
    assert found.coefficients == pytest.approx(expect["b"], abs=case["abs_tol"])


def records(n: int, seed: int, noise: float = 0.0) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    growth = rng.uniform(0.02, 0.18, (n, 4))
    return growth, growth @ (1.6 * np.array([0.5, 0.2, 0.2, 0.1])) + rng.normal(0.0, noise, n)


def test_no_record_gives_the_prior() -> None:
    """Without observations the catalogue's figures stand."""
    found = calibrate_loss([], [], 1.538462, SHARES)
    assert found.loss_per_mm == pytest.approx(1.538462) and found.shares == pytest.approx(SHARES)
    assert found.records == 0 and not found.shares_fitted
    assert np.isnan(found.leave_one_out) and np.isnan(found.residual_sd) and found.condition == np.inf


def test_few_records_move_the_level_only() -> None:
    """Below 20 records the shares keep the catalogue's, the loss per mm follows the records."""
    growth, loss = records(19, 71)
    few = calibrate_loss(growth, loss, 1.538462, SHARES)
    assert not few.shares_fitted and few.shares == pytest.approx(SHARES)
    assert 1.55 < few.loss_per_mm < 1.65
    growth, loss = records(20, 71)
    assert calibrate_loss(growth, loss, 1.538462, SHARES).shares_fitted


def test_many_records_find_the_truth() -> None:
    """400 records with the usual scatter: loss per mm within 3 %, shares within two standard errors."""
    growth, loss = records(400, 72, noise=0.04)
    found = calibrate_loss(growth, loss, 1.538462, SHARES)
    assert found.loss_per_mm == pytest.approx(1.6, rel=0.03)
    assert found.shares == pytest.approx([0.5, 0.2, 0.2, 0.1], abs=0.06)
    assert found.leave_one_out == pytest.approx(0.04, rel=0.1) and found.leave_one_out > found.residual_sd


@pytest.mark.parametrize(("n", "shares"), [(12, [0.40, 0.22, 0.19, 0.19]), (60, [0.45, 0.25, 0.2, 0.1])])
def test_the_stated_uncertainty_covers_the_truth(n: int, shares: list[float]) -> None:
    """Of 200 seeded fleets the true loss per mm, and each fit's, lie within 2 u for about 95 %."""
    rng = np.random.default_rng(76)
    inside, each = 0, np.zeros(4)
    for _ in range(200):
        truth = rng.normal(1.54, 0.15) * np.array(shares)
        growth = rng.uniform(0.02, 0.18, (n, 1)) * rng.uniform(0.6, 1.4, (n, 4))
        u = rng.uniform(0.02, 0.06, n)
        loss = growth @ truth + rng.normal(0.0, u)
        found = calibrate_loss(growth, loss, 1.54, SHARES, SIGMA_LOSS**2 / u**2)
        inside += abs(found.loss_per_mm - truth.sum()) < 2.0 * found.loss_per_mm_u
        each += np.abs(found.coefficients - truth) < 2.0 * found.coefficients_u
    assert 0.92 < inside / 200 <= 0.995
    assert (each / 200 > 0.91).all()


def test_services_are_compared_as_their_rates_are() -> None:
    """Rates by ground, clearances with the same weights; no like ground, or another compressor, is told."""
    nan = np.nan
    found = service_losses(
        [0, 0, 0, 0, 0, 1, 1, 2, 2],
        [0, 0, 1, 1, 1, 0, 1, 0, 0],
        [False, True, False, True, False, False, True, False, True],
        [27.0, 30.0, 18.0, 20.0, 18.0, 25.0, 25.0, 20.0, 25.0],
        [nan] * 5 + [20.0, 20.0, 14.0, 20.0],
        [[0.10], [0.02], [0.08], [0.00], [0.12], [0.1], [0.0], [0.1], [0.0]],
        3,
    )
    assert found.loss[0] == pytest.approx(0.1, rel=1e-12) and np.isnan(found.loss[1]) and np.isnan(found.growth[1, 0])
    # ground 0: 0.08 with weight 1/2; ground 1: 0.10 with weight 2/3
    assert found.growth[0, 0] == pytest.approx((0.08 * 0.5 + 0.10 * 2 / 3) / (0.5 + 2 / 3), rel=1e-12)
    assert (found.before[0], found.after[0]) == (3, 2)
    assert found.same_pressure.tolist() == [True, True, False]
    none = service_losses([], [], [], [], [], np.zeros((0, 4)), 0)
    assert none.growth.shape == (0, 4) and none.loss.shape == (0,)


def test_coefficients_stay_positive_and_optimal() -> None:
    """A fit that seems to help is set to zero, as bounded least squares sets it."""
    growth, _ = records(30, 73)
    weights = np.random.default_rng(74).uniform(0.2, 2.0, 30)
    loss = growth @ np.array([1.2, -0.6, 0.3, 0.2])
    found = calibrate_loss(growth, loss, 1.538462, SHARES, weights, prior_weight=0.002)
    rows = np.vstack((np.sqrt(weights)[:, None] * growth, np.sqrt(0.002) * np.eye(4)))
    target = np.concatenate((np.sqrt(weights) * loss, np.sqrt(0.002) * 1.538462 * SHARES))
    expected = lsq_linear(rows, target, (0.0, np.inf), method="bvls").x
    assert found.coefficients == pytest.approx(expected, abs=1e-9) and found.coefficients.min() == 0.0


def test_fits_that_wear_together_are_badly_conditioned() -> None:
    """The condition number tells when shares cannot be told apart."""
    growth, loss = records(40, 75)
    together = np.mean(growth, axis=1, keepdims=True) + 1e-3 * growth
    assert calibrate_loss(growth, loss, 1.5, SHARES).condition < 20.0
    assert calibrate_loss(together, loss, 1.5, SHARES).condition > 1000.0
    assert calibrate_loss(growth[:3], loss[:3], 1.5, SHARES).condition == np.inf


def test_default_prior_weight_is_the_stated_one() -> None:
    """0.04^2 over 0.3^2 per mm: 0.018 mm2."""
    assert pytest.approx(0.018, abs=5e-4) == PRIOR_WEIGHT


@pytest.mark.parametrize(
    ("growth", "loss", "weights"),
    [([[0.1, 0.1]], [0.1], None), ([[0.1] * 4], [np.nan], None), ([[0.1] * 4], [0.1], [-1.0])],
)
def test_unfit_records_are_refused(growth: list, loss: list, weights: list | None) -> None:
    """Wrong shapes, figures that are not finite and negative weights."""
    with pytest.raises(ValueError, match="record"):
        calibrate_loss(growth, loss, 1.5, SHARES, weights)
