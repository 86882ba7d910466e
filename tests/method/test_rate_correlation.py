"""Correlation of rates between features of a tool and across a reversal."""

import numpy as np
import pytest

from worker.method.rate_correlation import reversal_correlation, slope_correlation
from worker.method.wear_filter import filter_wear
from worker.method.wear_state import own_weight, prior_states

TAU, MEAN = 0.003, 0.012


def estimated(rng, rate):
    """Rates of instances as the filter estimates them from four readings, and how far they are their own."""
    n = rate.size
    u = np.tile([1.0, 2.5, 4.0, 6.0], (n, 1))
    y = rate[:, None] * u + 0.004 * rng.normal(size=u.shape)
    start = prior_states(np.zeros(n), 1e-5, MEAN, TAU**2)
    found = filter_wear(start, 0.0, 1e-6, np.full(n, 4), u.ravel(), y.ravel(), np.full(u.size, 0.004))
    last = found.states.at(np.arange(n) * 4 + 3)
    return (last.rate - MEAN) / TAU, own_weight(last, TAU**2)


@pytest.mark.parametrize("rho", [0.0, 0.4])
def test_correlation_between_features_of_a_tool(rho):
    """Rates that share a tool's effect are found to; independent ones are left alone."""
    rng = np.random.default_rng(1)
    tools = 300
    common = rng.normal(size=(tools, 1))
    rate = MEAN + TAU * (np.sqrt(rho) * common + np.sqrt(1 - rho) * rng.normal(size=(tools, 4)))
    off, weight = estimated(rng, rate.ravel())
    found = slope_correlation(np.repeat(np.arange(tools), 4), np.tile(np.arange(4), tools), off, weight)
    assert found == pytest.approx(rho, abs=0.08)


def test_few_tools_say_nothing():
    """Below 20 tools the correlation stays 0, whatever they show."""
    off = np.repeat(np.linspace(-2, 2, 19), 2)
    assert slope_correlation(np.repeat(np.arange(19), 2), np.tile([0, 1], 19), off, np.ones(38)) == 0.0
    assert slope_correlation([], [], [], []) == 0.0


def test_correlation_across_a_reversal():
    """The rates before and after are found as correlated as they are; the default stands for a few."""
    rng = np.random.default_rng(2)
    z = rng.multivariate_normal([0, 0], [[1, 0.6], [0.6, 1]], size=800)
    before, w0 = estimated(rng, MEAN + TAU * z[:, 0])
    after, w1 = estimated(rng, MEAN + TAU * z[:, 1])
    assert reversal_correlation(before, after, w0 * w1) == pytest.approx(0.6, abs=0.08)
    assert reversal_correlation(before[:19], after[:19], (w0 * w1)[:19]) == 0.4
