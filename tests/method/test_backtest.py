"""Scores of past forecasts: outcomes, calibration, recalibration, skill."""

import numpy as np
import pytest
from scipy import integrate, stats

from tests.method.test_fleet_wear import DEGRADATION
from worker.method.backtest import calibration, crps, line_score, pinball, skill, transform
from worker.method.first_passage import Gap, reached
from worker.method.outcomes import Outcomes, find_outcomes, line_remaining, line_slopes
from worker.method.passage_quantile import quantiles
from worker.method.recalibration import learn_recalibration, trust_in

NAN, INF = np.nan, np.inf


def known(truth):
    """Outcomes known exactly, at times in the life basis; inf for one that lies beyond any score."""
    t = np.asarray(truth, dtype=float)
    return Outcomes(np.where(np.isinf(t), 1e9, t), t, np.where(np.isinf(t), NAN, t))


def forecasts(seed, n, overconfident=1.0):
    """Gaps of n limits and passages drawn from them; an overconfident forecaster states smaller variances."""
    rng = np.random.default_rng(seed)
    level, level_sd = rng.uniform(0.02, 0.2, n), np.full(n, 0.004)
    drift, drift_sd = 0.012 * np.exp(0.3 * rng.normal(size=n)), np.full(n, 0.003)
    s2 = 2e-5
    a, b = level + level_sd * rng.normal(size=n), drift + drift_sd * rng.normal(size=n)
    law = stats.invgauss(mu=np.maximum(b, 1e-3) ** -1 * s2 / np.maximum(a, 1e-6), scale=np.maximum(a, 1e-6) ** 2 / s2)
    drawn = law.rvs(random_state=rng)
    # a drift away from the limit reaches it with exp(2ab/s2) only, then as fast as one towards it
    away = (b <= 0) & (rng.random(n) > np.exp(np.minimum(2 * a * b / s2, 0)))
    truth = np.where(a <= 0, 0.0, np.where(away, INF, drawn)) * 1000
    k = overconfident
    return Gap(level, level_sd**2 * k, drift, drift_sd**2 * k, 0.0, s2 * k), known(truth)


@pytest.mark.published
def test_pinball():
    """Check PIN: T = 3, 8, 2 against q = 4, 5, 2 at p = 0.1 (definition, by hand)."""
    assert pinball([3.0, 8.0, 2.0], [4.0, 5.0, 2.0], 0.1) == pytest.approx([0.9, 0.3, 0.0])


@pytest.mark.published
def test_lasers_that_cross():
    """Of the 15 lasers only units 1, 6 and 10 reach 10 % by 4000 h (Meeker and Escobar 1998)."""
    increase = np.array(DEGRADATION["gaas_laser"]["increase"])
    n, k = increase.shape
    usage = np.tile(np.arange(k) * 250.0, n)
    found = find_outcomes(np.repeat(np.arange(n), k), usage, increase.ravel(), np.full(n * k, 10.0))
    first = np.arange(n) * k
    assert (np.flatnonzero(~np.isnan(found.point[first])) + 1).tolist() == [1, 6, 10]
    assert found.lower[first[0]] == 3750.0 and found.upper[first[0]] == 4000.0
    assert found.point[first[0]] == pytest.approx(3750 + 250 * (10 - 9.8675) / (10.9446 - 9.8675))
    assert (found.lower[first[1]], found.upper[first[1]]) == (4000.0, INF)


def test_outcomes_of_one_series():
    """Next reading beyond: the crossing; a later one: an interval; none before replacement: censored; beyond: 0."""
    series = [0, 0, 0, 0, 1, 1]
    found = find_outcomes(series, [0.0, 10, 20, 30, 40, 55], [0.0, 0.4, 0.8, 1.2, 0.1, 0.2], [1.0] * 6)
    assert found.lower.tolist() == [20, 10, 5, 0, 15, 0]
    assert found.upper.tolist() == [30, 20, 5, 0, INF, INF]
    assert found.point[:4] == pytest.approx([25, 15, 5, 0]) and np.isnan(found.point[4:]).all()
    empty = find_outcomes([], [], [], [])
    assert empty.lower.size == 0


def test_true_forecasts_are_calibrated():
    """Passages drawn from the very forecasts: uniform PIT, 80 % within the interval, each tail a tenth."""
    gap, outcomes = forecasts(1, 20_000)
    pit = transform(gap, outcomes, np.random.default_rng(2))
    assert stats.kstest(pit, "uniform").pvalue > 0.001
    found = calibration(pit, np.arange(pit.size) // 20, np.random.default_rng(3))
    assert found.coverage == pytest.approx(0.8, abs=0.012)
    assert found.below == pytest.approx(0.1, abs=0.01) and found.above == pytest.approx(0.1, abs=0.01)
    assert found.band[0] < found.coverage < found.band[1] and found.histogram.sum() == found.forecasts == 20_000


def test_censored_and_interval_outcomes_stay_calibrated():
    """Hiding outcomes behind intervals and ends of record leaves the PIT uniform."""
    gap, exact = forecasts(4, 20_000)
    rng = np.random.default_rng(5)
    end = rng.uniform(2000, 20_000, exact.lower.size)
    truth = np.nan_to_num(exact.point, nan=INF)
    gone = truth > end
    step = 1500.0
    low = np.floor(truth / step, where=np.isfinite(truth), out=np.zeros_like(truth)) * step
    hidden = Outcomes(np.where(gone, end, low), np.where(gone, INF, low + step), np.where(gone, NAN, truth))
    assert stats.kstest(transform(gap, hidden, rng), "uniform").pvalue > 0.001


def test_band_widens_when_forecasts_of_a_tool_go_together():
    """Resampling tools sees that twenty copies of one forecast are one."""
    rng = np.random.default_rng(6)
    pit = np.repeat(rng.random(300), 20)
    together = calibration(pit, np.repeat(np.arange(300), 20), rng)
    apart = calibration(pit, np.arange(6000), rng)
    assert np.diff(together.band)[0] > 3 * np.diff(apart.band)[0]


def test_nothing_to_score():
    """Without forecasts there is no coverage, and nothing breaks."""
    found = calibration(np.array([]), [], np.random.default_rng(0))
    assert found.forecasts == 0 and np.isnan(found.coverage)
    assert np.isnan(skill(np.array([]), np.array([])))


def test_crps_against_quadrature():
    """The score is the integral of (F - step)^2, to the horizon or to the end of the record."""
    gap = Gap([0.1, 0.1, 0.1, 0.01], 1e-5, 0.012, 9e-6, 0.0, 2e-5)
    outcomes = Outcomes(
        np.array([7000.0, 30_000.0, 6000.0, 0.0]), np.array([7000.0, 30_000.0, INF, 0.0]), np.array([7000, 3e4, NAN, 0])
    )
    got = crps(gap, outcomes, 20_000.0)
    for row, (end, truth) in enumerate([(2e4, 7e3), (2e4, 3e4), (6e3, INF), (2e4, 0.0)]):
        single = Gap(*(c[row] for c in gap.columns()))

        def squared(t, single=single, truth=truth):
            return float((reached(single, t / 1000) - (truth <= t)) ** 2)

        breaks = [truth] if 0 < truth < end else None
        assert got[row] == pytest.approx(integrate.quad(squared, 0, end, points=breaks, limit=200)[0], rel=1e-3)


def test_line_score_is_the_distance():
    """A point prediction scores its distance from the truth within the range scored."""
    outcomes = Outcomes(np.array([7000.0, 6000.0]), np.array([7000.0, INF]), np.array([7000.0, NAN]))
    assert line_score([9000.0, 9000.0], outcomes, 20_000.0).tolist() == [2000.0, 0.0]
    assert line_score([30_000.0, 4000.0], outcomes, 20_000.0).tolist() == [13_000.0, 2000.0]


def test_the_truth_scores_best():
    """A forecaster who states the true variances beats one who states a ninth of them, and the median alone."""
    true, outcomes = forecasts(7, 4000)
    bold, _ = forecasts(7, 4000, overconfident=1 / 9)
    score, other = crps(true, outcomes, 30_000.0), crps(bold, outcomes, 30_000.0)
    assert 0 < skill(score, other) < 1
    median = np.minimum(quantiles(true, [0.5])[:, 0] * 1000, 30_000.0)
    assert skill(score, line_score(median, outcomes, 30_000.0)) > 0.2


def test_recalibration_repairs_intervals_that_are_too_narrow():
    """Learned on one half of the tools it brings the other half's coverage from below 60 % to 80 %."""
    gap, outcomes = forecasts(8, 8000, overconfident=0.25)
    pit = transform(gap, outcomes, np.random.default_rng(9))
    learn, test = pit[:4000], pit[4000:]
    raw = np.mean((test >= 0.1) & (test <= 0.9))
    again = learn_recalibration(learn).probability(test)
    assert raw < 0.65 and np.mean((again >= 0.1) & (again <= 0.9)) == pytest.approx(0.8, abs=0.03)


def test_recalibrated_quantiles_and_probabilities_agree():
    """Asking the raw forecast at the changed levels is inverting the changed probabilities."""
    gap, outcomes = forecasts(10, 2000, overconfident=0.25)
    made = learn_recalibration(transform(gap, outcomes, np.random.default_rng(11)))
    p = np.array([0.05, 0.1, 0.37, 0.5, 0.9])
    assert made.probability(made.levels(p)) == pytest.approx(p, abs=1e-9)
    q = quantiles(gap, made.levels(p))
    rows = np.isfinite(q).all(axis=1) & (q > 0).all(axis=1)
    f = reached(Gap(*(c[rows][:, None] for c in gap.columns())), q[rows])
    assert made.probability(f) == pytest.approx(np.broadcast_to(p, f.shape), abs=1e-6)


def test_recalibration_leans_on_what_it_has():
    """Nothing known: the identity. Few outcomes: half way at 200. Always increasing."""
    assert learn_recalibration([]).levels([0.1, 0.5, 0.9]) == pytest.approx([0.1, 0.5, 0.9])
    rng = np.random.default_rng(12)
    pit = rng.beta(3, 3, 200)
    made = learn_recalibration(pit)
    assert made.levels(0.1) == pytest.approx(np.sqrt(0.1 * np.quantile(pit, 0.1)), rel=1e-6)
    odd = learn_recalibration([0.5] * 500)
    assert (np.diff(odd.level) > 0).all() and (np.diff(made.level) > 0).all()


def test_chance_is_not_believed():
    """Forty tools whose forecasts are right: departures within two standard errors, as tools go, correct nothing."""
    rng = np.random.default_rng(13)
    tool = np.repeat(np.arange(40), 60)
    trusts = []
    for _ in range(200):
        # forecasts of a tool go together: half of each normal score is the tool's
        score = np.sqrt(0.5) * rng.standard_normal(40)[tool] + np.sqrt(0.5) * rng.standard_normal(tool.size)
        trusts.append(trust_in(stats.norm.cdf(score), tool))
    assert np.mean(np.array(trusts) == 0.0) > 0.7 and np.mean(trusts) < 0.1
    # as single forecasts, the same would be believed time and again
    assert np.mean([trust_in(stats.norm.cdf(score), np.arange(tool.size)) > 0.0]) == 1.0
    assert trust_in([], []) == trust_in([0.01] * 50, [1] * 50) == 0.0


def test_what_is_beyond_doubt_is_believed():
    """Intervals half as wide as they should be, over forty tools: nearly all of the departure counts."""
    gap, outcomes = forecasts(14, 2400, overconfident=0.25)
    pit = transform(gap, outcomes, np.random.default_rng(15))
    trust = trust_in(pit, np.arange(pit.size) // 60)
    assert trust > 0.95
    assert learn_recalibration(pit, trust).levels(0.1) < learn_recalibration(pit, 0.5).levels(0.1) < 0.1
    assert learn_recalibration(pit, 0.0).levels([0.1, 0.5, 0.9]) == pytest.approx([0.1, 0.5, 0.9])


def test_straight_line_through_first_and_last_reading():
    """The line people draw: none after one reading, the horizon where it does not rise, 0 where it is beyond."""
    slope = line_slopes([3, 1], [0.0, 2.0, 4.0, 0.0], [0.0, 0.03, 0.04, 0.01])
    assert slope == pytest.approx([NAN, 0.015, 0.01, NAN], nan_ok=True)
    got = line_remaining([0.06, 0.06, -0.01, 0.06, 9.0], [0.01, NAN, 0.01, -0.01, 0.01], 30.0)
    assert got == pytest.approx([6.0, 30.0, 0.0, 30.0, 30.0])
