"""Wear states: what readings, usage, reversal and missing figures make of level and rate."""

import numpy as np
import pytest
from scipy import stats

from tests.method.forecast_cases import forecast_cases
from worker.method.wear_filter import filter_wear
from worker.method.wear_state import (
    WearStates,
    fill_wear_rates,
    new_size_variance,
    own_weight,
    prior_states,
    propagate,
    reverse,
)

CHAINS = [case for case in forecast_cases() if "features" in case]


def histories(seed, n=60, longest=9):
    """Ragged histories, some of them empty, with their starts."""
    rng = np.random.default_rng(seed)
    counts = rng.integers(0, longest, n)
    usage = np.concatenate([np.cumsum(rng.uniform(0, 2, k)) for k in counts])
    wear = 0.012 * usage + 0.01 * rng.normal(size=usage.size)
    start = prior_states(
        0.001 * rng.normal(size=n), rng.uniform(1e-6, 3e-5, n), rng.uniform(0.005, 0.02, n), rng.uniform(1e-6, 2e-5, n)
    )
    return counts, usage, wear, rng.uniform(0.002, 0.008, usage.size), start, rng.uniform(1e-6, 3e-5, n)


def rows_of(counts):
    last = np.cumsum(counts)
    return [np.arange(end - count, end) for end, count in zip(last, counts, strict=True)]


@pytest.mark.published
@pytest.mark.parametrize("case", CHAINS, ids=lambda case: f"{case['id']}: {case['source'][:40]}")
def test_published_posteriors(case):
    """States and log-likelihood within 1e-9 of multivariate normal conditioning and of statsmodels."""
    features = case["features"]
    counts = [len(feature["u"]) for feature in features]
    start = prior_states(*([f[name] for f in features] for name in ("m0", "v0", "mu", "tau2")))
    columns = [[x for f in features for x in f[name]] for name in ("u", "y", "s")]
    found = filter_wear(start, 0.0, [f["s2"] for f in features], counts, *columns)
    for row, (rows, expected) in enumerate(zip(rows_of(counts), case["posterior"], strict=True)):
        state = found.states.at(rows[-1:]) if rows.size else start.at(slice(row, row + 1))
        level, rate, p11, p12, p22 = (float(column[0]) for column in state.columns())
        got = [level, rate, p11, p12, p22, found.log_likelihood[row]]
        assert got == pytest.approx(expected, rel=1e-9, abs=1e-15)


def test_states_after_every_reading_agree_with_conditioning():
    """After each reading the state is the conditional normal of level and rate given all readings so far."""
    counts, usage, wear, s, start, wander = histories(1)
    found = filter_wear(start, 0.0, wander, counts, usage, wear, s, robust=False)
    for row, rows in enumerate(rows_of(counts)):
        level, rate, v0, _, tau2 = (float(column[row]) for column in start.columns())
        for k in range(1, rows.size + 1):
            u, y = usage[rows[:k]], wear[rows[:k]]
            path = v0 + tau2 * np.outer(u, u) + wander[row] * np.minimum.outer(u, u)
            cov = path + np.diag(s[rows[:k]] ** 2)
            cross = np.stack([path[-1], tau2 * u])
            gain = np.linalg.solve(cov, cross.T).T
            mean = np.array([level + rate * u[-1], rate]) + gain @ (y - level - rate * u)
            spread = np.array([[path[-1, -1], tau2 * u[-1]], [tau2 * u[-1], tau2]]) - gain @ cross.T
            got = [float(column[rows[k - 1]]) for column in found.states.columns()]
            expected = [*mean, spread[0, 0], spread[0, 1], spread[1, 1]]
            assert got == pytest.approx(expected, rel=1e-8, abs=1e-14)
        if rows.size:
            direct = stats.multivariate_normal(level + rate * u, cov).logpdf(y)
            assert found.log_likelihood[row] == pytest.approx(direct, rel=1e-9, abs=1e-9)


def test_batch_row_equals_single_history():
    """A history in a batch is filtered to the same digits as alone."""
    counts, usage, wear, s, start, wander = histories(2)
    found = filter_wear(start, 0.0, wander, counts, usage, wear, s)
    for row, rows in enumerate(rows_of(counts)):
        alone = filter_wear(
            start.at(slice(row, row + 1)), 0.0, wander[row : row + 1], [rows.size], usage[rows], wear[rows], s[rows]
        )
        for a, b in zip(alone.states.columns(), found.states.columns(), strict=True):
            assert (a == b[rows]).all()


def test_resumed_filter_equals_one_pass():
    """Resuming from a stored state gives what one pass over all readings gives."""
    u, y, s = np.array([1.0, 2.5, 4.0, 4.0]), np.array([0.01, 0.03, 0.05, 0.047]), np.full(4, 0.003)
    start = prior_states([0.0], 1e-5, 0.012, 9e-6)
    whole = filter_wear(start, 0.0, 2e-5, [4], u, y, s)
    rest = filter_wear(whole.states.at(slice(1, 2)), [2.5], 2e-5, [2], u[2:], y[2:], s[2:])
    for a, b in zip(rest.states.columns(), whole.states.columns(), strict=True):
        assert a == pytest.approx(b[2:], rel=1e-12)


def test_far_reading_is_down_weighted_and_asked_about():
    """Beyond three deviations the innovation variance grows to |z|/3 of itself; beyond six somebody is asked."""
    start = prior_states([0.0, 0.0, 0.0], 1e-5, 0.01, 4e-6)
    u, s2, wander = 2.0, 9e-6, 1e-5
    p11 = 1e-5 + 4 * 4e-6 + 2 * wander
    spread = p11 + s2
    z = np.array([2.9, 4.5, -7.0])
    found = filter_wear(start, 0.0, wander, [1, 1, 1], [u] * 3, 0.02 + z * np.sqrt(spread), np.full(3, 0.003))
    assert found.innovation == pytest.approx(z)
    assert found.down_weighted.tolist() == [False, True, True] and found.asks.tolist() == [False, False, True]
    widened = spread * np.maximum(np.abs(z) / 3, 1)
    gain = p11 / widened
    assert found.states.level == pytest.approx(0.02 + gain * z * np.sqrt(spread))
    assert found.states.level_variance == pytest.approx(p11 - gain * p11)
    assert found.states.rate_variance == pytest.approx(4e-6 - (2 * 4e-6) ** 2 / widened)


def test_unknown_history_begins_with_its_first_reading():
    """Bought used: the first reading is the level with its own variance, the rate the prior's, usage from there."""
    start = prior_states([0.0, 0.0], 1e-5, 0.012, 9e-6)
    u, y, s = np.array([5.0, 6.0, 5.0, 6.0]), np.array([0.09, 0.1, 0.09, 0.1]), np.full(4, 0.003)
    found = filter_wear(start, 0.0, 2e-5, [2, 2], u, y, s, from_first_reading=[True, False])
    first = [float(column[0]) for column in found.states.columns()]
    assert first == pytest.approx([0.09, 0.012, 9e-6, 0.0, 9e-6])
    assert found.innovation[0] == 0.0 and not found.down_weighted[0]
    after = propagate(found.states.at(slice(0, 1)), 1.0, 2e-5)
    assert found.innovation[1] == pytest.approx((0.1 - after.level[0]) / np.sqrt(after.level_variance[0] + 9e-6))


def test_usage_between_readings_only_widens():
    """Propagation is the same in one step or many, and repeats at one usage need none."""
    state = WearStates.of(0.05, 0.01, 4e-6, 3e-7, 2e-6)
    whole, halves = propagate(state, 3.0, 2e-5), propagate(propagate(state, 1.2, 2e-5), 1.8, 2e-5)
    for a, b in zip(whole.columns(), halves.columns(), strict=True):
        assert float(a) == pytest.approx(float(b), rel=1e-12)
    still = propagate(state, 0.0, 2e-5)
    assert all(float(a) == float(b) for a, b in zip(still.columns(), state.columns(), strict=True))


def test_usage_that_goes_back_is_refused():
    """Readings of one history come in order of usage."""
    with pytest.raises(ValueError, match="goes back"):
        filter_wear(prior_states([0.0], 1e-5, 0.01, 1e-6), 0.0, 1e-5, [2], [2.0, 1.0], [0.0, 0.0], [0.003, 0.003])
    with pytest.raises(ValueError, match="add up"):
        filter_wear(prior_states([0.0], 1e-5, 0.01, 1e-6), 0.0, 1e-5, [3], [2.0], [0.0], [0.003])


def test_reversal_keeps_the_level_and_redraws_the_rate():
    """Level stays; the rate is the new end's, correlated with the old one, as its joint normal says."""
    rng = np.random.default_rng(3)
    state = WearStates.of(0.05, 0.011, 4e-6, 1.5e-6, 4e-6)
    turned = reverse(state, 0.012, 0.003, 0.02, 0.006, 0.4)
    assert float(turned.level) == 0.05 and float(turned.level_variance) == 4e-6
    level, rate = rng.multivariate_normal([0.05, 0.011], [[4e-6, 1.5e-6], [1.5e-6, 4e-6]], size=400_000).T
    scale = 0.4 * 0.006 / 0.003
    new = 0.02 + scale * (rate - 0.012) + np.sqrt(1 - 0.4**2) * 0.006 * rng.normal(size=rate.size)
    assert float(turned.rate) == pytest.approx(new.mean(), abs=5 * new.std() / 630)
    assert float(turned.rate_variance) == pytest.approx(new.var(), rel=0.01)
    assert float(turned.covariance) == pytest.approx(np.cov(level, new)[0, 1], rel=0.05)


def test_reversal_to_a_like_end_with_full_correlation_changes_nothing():
    """With correlation 1 and equal ends the part wears on as before."""
    state = WearStates.of(0.05, 0.011, 4e-6, 1.5e-6, 4e-6)
    turned = reverse(state, 0.012, 0.003, 0.012, 0.003, 1.0)
    assert [float(c) for c in turned.columns()] == pytest.approx([float(c) for c in state.columns()])


def test_missing_wear_rates_are_filled_and_said():
    """Mean = allowed / 10, sd = half of it, process sd = 0.08 L / sqrt(life); each only where it is missing."""
    nan = np.nan
    rates = fill_wear_rates([0.11, 0.2, 0.1], [nan, 0.04, 0.012], [nan, nan, 0.005], [nan, nan, 0.004])
    assert rates.mean == pytest.approx([0.011, 0.04, 0.012])
    assert rates.sd == pytest.approx([0.0055, 0.02, 0.005])
    assert rates.process_sd == pytest.approx([0.08 * 0.11 / np.sqrt(10), 0.08 * 0.2 / np.sqrt(5), 0.004])
    assert rates.assumed.tolist() == [True, True, False]


def test_weight_of_own_readings():
    """With an error far above the wear nothing of the prior rate's variance is used up; with many readings most is."""
    start = prior_states([0.0, 0.0], 1e-5, 0.012, 9e-6)
    u = np.concatenate([np.arange(1, 9.0)] * 2)
    s = np.concatenate([np.full(8, 10.0), np.full(8, 0.001)])
    found = filter_wear(start, 0.0, 1e-6, [8, 8], u, 0.012 * u, s)
    weight = own_weight(found.states.at(np.array([7, 15])), 9e-6)
    assert weight[0] < 1e-4 and weight[1] > 0.9


def test_new_size_is_uniform_between_its_limits():
    """Variance of a new size is (max - min)^2 / 12."""
    assert new_size_variance([0.02, 12.0]) == pytest.approx([0.02**2 / 12, 12.0])
