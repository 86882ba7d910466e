"""The tangent of the flow loss: where it touches, its slope, and what it does to remaining life."""

from dataclasses import replace

import numpy as np
import pytest

from service.catalogue import Compressor
from tests.method.test_flow_loss import DIAMETER, tool_type
from worker.method.flow_limit import linearise_loss
from worker.method.flow_loss import FlowModel


def flow_model() -> FlowModel:
    kind = tool_type()
    assert kind.air is not None
    return FlowModel(kind.air, kind.fits)


def losses(model: FlowModel, clearance: np.ndarray) -> np.ndarray:
    return model.assess(np.repeat(DIAMETER, clearance.shape[0], axis=0), clearance, 0.0 * clearance)[1].loss


@pytest.mark.parametrize("service_loss", [0.05, 0.2, 0.35, 0.7])
def test_tangent_touches_where_the_path_meets_the_service_loss(service_loss: float) -> None:
    """At the point found the loss is the service loss, on the expected path, ahead or already behind."""
    model = flow_model()
    rng = np.random.default_rng(41)
    clearance, rate = rng.uniform(0.05, 0.35, (200, 4)), rng.uniform(0.001, 0.03, (200, 4))
    limit = linearise_loss(model, np.repeat(DIAMETER, 200, axis=0), clearance, rate, service_loss)
    assert losses(model, limit.at) == pytest.approx(np.full(200, service_loss), abs=2e-6)
    assert limit.at == pytest.approx(np.maximum(clearance + rate * limit.ahead[:, None], 0.0), abs=1e-12)
    passed = losses(model, clearance) > service_loss + 1e-5
    assert np.array_equal(limit.ahead < 0.0, passed)


def test_coefficients_are_the_gradient() -> None:
    """The coefficients are the derivative of the loss by each clearance."""
    model = flow_model()
    limit = linearise_loss(model, DIAMETER, [[0.13, 0.19, 0.21, 0.07]], [[0.02, 0.02, 0.015, 0.013]], 0.2)
    step = 1e-3
    above, below = (losses(model, limit.at + sign * step * np.eye(4)) for sign in (1.0, -1.0))
    assert limit.coefficient[0] == pytest.approx((above - below) / (2.0 * step), rel=1e-3)
    assert limit.level(model.new_clearance)[0] == pytest.approx(
        float(limit.coefficient[0] @ (limit.at[0] - model.new_clearance))
    )


def test_tools_of_a_batch_do_not_touch_one_another() -> None:
    """A tool's tangent is the same alone; one with unknown figures is NaN and spoils no other."""
    model = flow_model()
    clearance = np.array([[0.1, 0.1, 0.1, 0.1], [0.1, np.nan, 0.1, 0.1], [0.3, 0.1, 0.2, 0.1]])
    rate = np.array([[0.01, 0.02, 0.01, 0.01], [0.01, 0.02, 0.01, 0.01], [0.01, 0.0, 0.01, -0.01]])
    with np.errstate(all="raise", under="ignore"):
        batch = linearise_loss(model, np.repeat(DIAMETER, 3, axis=0), clearance, rate, 0.2)
        alone = linearise_loss(model, DIAMETER, clearance[2:], rate[2:], 0.2)
    assert np.isnan(batch.coefficient[1]).all() and np.isnan(batch.ahead[1])
    assert batch.coefficient[2] == pytest.approx(alone.coefficient[0], rel=1e-12)
    assert np.isfinite(batch.coefficient[[0, 2]]).all()


def test_nothing_expected_to_wear_is_taken_to_wear_alike() -> None:
    """Without any expected wear the tangent lies in the direction of uniform growth."""
    model = flow_model()
    limit = linearise_loss(model, DIAMETER, model.new_clearance[None, :], np.zeros((1, 4)), 0.2)
    growth = limit.at[0] - model.new_clearance
    assert growth == pytest.approx(np.full(4, growth[0]))
    assert losses(model, limit.at)[0] == pytest.approx(0.2, abs=2e-6)


def test_remaining_life_by_the_tangent_against_the_full_flow_model() -> None:
    """Monte Carlo: usage to the service loss through the full flow model, against the straight limit.

    Clearances and rates are drawn with the scatter of a measured hammer half way through its life; the quantiles
    of the two agree within 2 %.
    """
    model, service_loss, n = flow_model(), 0.2, 6_000
    clearance = np.array([0.127, 0.16, 0.14, 0.073])
    rate = np.array([0.0080, 0.0147, 0.0125, 0.0060])
    limit = linearise_loss(model, DIAMETER, clearance[None], rate[None], service_loss)
    rng = np.random.default_rng(42)
    start = rng.normal(clearance, 0.003, (n, 4))
    speed = np.maximum(rng.normal(rate, 0.25 * rate, (n, 4)), 1e-4)
    straight = (limit.coefficient[0] * (limit.at[0] - start)).sum(axis=1) / (limit.coefficient[0] * speed).sum(axis=1)
    low, high = np.zeros(n), np.full(n, 25.0)
    for _ in range(16):
        middle = 0.5 * (low + high)
        over = losses(model, start + speed * middle[:, None]) > service_loss
        low, high = np.where(over, low, middle), np.where(over, middle, high)
    quantiles = (0.1, 0.5, 0.9)
    assert np.quantile(straight, quantiles) == pytest.approx(np.quantile(low, quantiles), rel=0.02)


def test_another_consumption_shifts_the_limit() -> None:
    """A hammer set to take less air starves later on the same compressor."""
    kind = tool_type()
    assert kind.air is not None
    model = FlowModel(replace(kind.air), kind.fits)
    c, r = [[0.1, 0.1, 0.1, 0.1]] * 2, [[0.01] * 4] * 2
    limit = linearise_loss(model, np.repeat(DIAMETER, 2, axis=0), c, r, 0.2, consumption=[14.0, 11.5])
    assert limit.ahead[1] > limit.ahead[0]


def test_a_compressor_that_drives_no_hammer_has_passed_the_limit() -> None:
    """Where not even new fits bring the pressure above the back pressure: far beyond the limit, and no warning."""
    kind = tool_type()
    assert kind.air is not None
    model = FlowModel(replace(kind.air, compressor=Compressor(1e-6, 21.0)), kind.fits)
    with np.errstate(all="raise", under="ignore"):
        limit = linearise_loss(model, np.repeat(DIAMETER, 2, axis=0), [[0.1] * 4, [np.nan] * 4], [[0.01] * 4] * 2, 0.2)
        _, loss = model.assess(DIAMETER, [[0.1] * 4], [[0.002] * 4])
    assert (limit.coefficient[0] > 0.0).all() and (limit.at[0] < -9.0).all() and limit.ahead[0] == -np.inf
    assert np.isnan(limit.coefficient[1]).all() and loss.loss[0] == 1.0
