"""Days until a limit: remaining usage mixed over an uncertain rate of use."""

import numpy as np
import pytest
from scipy import integrate

from worker.method.due_date import UsageRate, due_days, usage_rate
from worker.method.first_passage import Gap, reached
from worker.method.passage_quantile import quantiles

P = [0.1, 0.5, 0.9]
# remaining usage of some 7.2, 9.9 and 14.4 units of 1000 m
GAP = Gap([0.2], [3.6e-5], [0.02], [1.6e-5], [-1e-5], [1e-4])


def steady(per_day, variance=0.25, windows=3.5):
    return UsageRate(np.array([per_day]), np.array([variance]), np.array([windows]))


def test_agrees_with_simulated_rates():
    """Days drawn as remaining usage over a lognormal rate have these quantiles."""
    rng = np.random.default_rng(1)
    rate = steady(40.0)
    days = due_days(GAP, rate, probabilities=P)[0]
    horizon = quantiles(GAP, [0.5])[0, 0] * 1000 / 40.0
    u = rng.random(200_000)
    p = np.linspace(0.001, 0.999, 1999)
    remaining = np.interp(u, p, quantiles(GAP, p)[0]) * 1000
    drawn = remaining / (40.0 * np.exp(float(rate.log_sd(horizon)[0]) * rng.normal(size=u.size)))
    assert days == pytest.approx(np.quantile(drawn, P), rel=0.01)


def test_known_rate_divides_usage():
    """With a rate known exactly the days are the remaining usage over it."""
    days = due_days(GAP, steady(40.0, variance=0.0), probabilities=P)
    assert days[0] == pytest.approx(quantiles(GAP, P)[0] * 1000 / 40.0, rel=1e-6)


def test_uncertain_rate_widens_both_ways():
    """An uncertain rate brings the early date nearer and the late one further off."""
    sure, unsure = due_days(GAP, steady(40.0, 0.0))[0], due_days(GAP, steady(40.0, 0.5))[0]
    assert unsure[0] < sure[0] and unsure[2] > sure[2] and (np.diff(unsure) > 0).all()


def test_a_date_has_its_probability():
    """The chance of reaching the limit by the date of a probability is that probability.

    By quadrature over the log rate, which the nine points meet within 3e-4: less than a day in the date.
    """
    rate, used = steady(25.0), 1500.0
    sd = float(rate.log_sd((quantiles(GAP, [0.5])[0, 0] * 1000 - used) / 25.0)[0])

    def reached_by(days):
        def integrand(z):
            usage = (used + days * 25.0 * np.exp(sd * z)) / 1000
            return float(reached(GAP, usage)[0]) * np.exp(-z * z / 2) / np.sqrt(2 * np.pi)

        return integrate.quad(integrand, -8, 8, epsabs=1e-9, limit=200)[0]

    assert [reached_by(days) for days in due_days(GAP, rate, used, P)[0]] == pytest.approx(P, abs=3e-4)


def test_usage_since_brings_the_date_nearer():
    """What was used since the forecast counts, and a limit reached by now is due today."""
    assert (due_days(GAP, steady(40.0), 3000.0) < due_days(GAP, steady(40.0))).all()
    late = due_days(GAP, steady(40.0), 11_000.0)[0]
    assert late[0] == 0 and late[1] == 0 and late[2] > 0


def test_what_has_no_date():
    """Idle for good, a limit never reached, or beyond a hundred years: no date. Nothing on record: unknown."""
    gap = Gap([0.1] * 4, 1e-4, [0.004, 0.004, 0.004, 0.004], 3.6e-5, -2e-5, 1.6e-5)
    rate = UsageRate(np.array([0.0, 40.0, 0.01, np.nan]), np.full(4, 0.25), np.array([3.5, 3.5, 3.5, np.nan]))
    days = due_days(gap, rate)
    assert np.isinf(days[0]).all()
    assert days[1, 0] < days[1, 1] < np.inf and days[1, 2] == np.inf
    assert np.isinf(days[2]).all() and np.isnan(days[3]).all()


def test_batch_row_equals_single_tool():
    """A tool's dates in a batch are those it gets alone."""
    rng = np.random.default_rng(3)
    gap = Gap(rng.uniform(0.0, 0.2, 30), 3.6e-5, rng.uniform(0.005, 0.03, 30), 1.6e-5, -1e-5, 1e-4)
    rate = UsageRate(rng.uniform(5, 80, 30), rng.uniform(0.05, 0.5, 30), rng.uniform(1, 4, 30))
    batch = due_days(gap, rate)
    for row in range(0, 30, 5):
        alone = due_days(
            Gap(*(c[row : row + 1] for c in gap.columns())),
            UsageRate(rate.per_day[row : row + 1], rate.window_variance[row : row + 1], rate.windows[row : row + 1]),
        )
        assert alone[0] == pytest.approx(batch[row], rel=1e-9)


def test_even_use_gives_its_rate():
    """A fleet that uses 40 m every day is used at 40 m a day, and windows do not vary."""
    start = np.arange(0, 360, 10.0)
    rate = usage_rate(np.zeros(36, int), start, start + 10, np.full(36, 400.0), [0.0], 360.0)
    assert rate.per_day == pytest.approx([40.0])
    assert rate.windows == pytest.approx([4.5]) and 0 < rate.window_variance[0] < 0.1


def test_idle_days_count_and_the_year_is_remembered():
    """Idle for the last 90 days the rate is small but not 0, since the year and the fleet keep a share of it."""
    tool, start = np.array([0, 1]), np.array([0.0, 0.0])
    rate = usage_rate(tool, start, np.array([270.0, 360.0]), np.array([270 * 40.0, 360 * 40.0]), [0.0, 0.0], 360.0)
    year, fleet = 270 * 40 / 360, (0 + 90 * 40) / 180
    assert rate.per_day[0] == pytest.approx((1.0 * year + 0.5 * fleet) / 4.5)
    assert 0 < rate.per_day[0] < 15 and rate.per_day[1] > 35
    assert rate.window_variance[0] > rate.window_variance[1]


def test_a_new_tool_borrows_from_the_fleet():
    """Ten days old, a tool's rate lies between its own and the fleet's; not begun, it is the fleet's."""
    entries = np.array([0, 1]), np.array([0.0, 350.0]), np.array([360.0, 360.0]), np.array([360 * 40.0, 10 * 10.0])
    rate = usage_rate(*entries, [0.0, 350.0, np.inf], 360.0)
    assert 10 < rate.per_day[1] < 40
    assert rate.per_day[2] == pytest.approx((90 * 40 + 100) / 100)
    assert rate.windows[2] < rate.windows[1] < rate.windows[0]


def test_nothing_on_record_is_unknown():
    """Without any tool in use there is no rate."""
    none = np.array([])
    assert np.isnan(usage_rate(none.astype(int), none, none, none, [np.inf], 360.0).per_day).all()
