"""First passage of an uncertain wear path: probabilities and quantiles."""

import numpy as np
import pytest
from scipy import stats
from scipy.special import ndtri

from tests.method.forecast_cases import ever_by_quadrature, forecast_cases, reached_by_quadrature
from worker.method.first_passage import Gap, already_beyond, reached
from worker.method.passage_never import never_reached
from worker.method.passage_quantile import quantiles

P = np.array([0.1, 0.5, 0.9])


@pytest.fixture(autouse=True)
def _no_warnings():
    """Every figure comes without an overflow, a division by zero or an invalid value on the way."""
    with np.errstate(all="raise", under="ignore"):
        yield


def case_gap(case):
    return Gap(*(case[name] for name in ("A", "Pa", "B", "Pb", "C", "s2")))


def population(n, seed, kind="typical"):
    """Gaps of a fleet in service, near their limits, or of any shape at all."""
    rng = np.random.default_rng(seed)
    drift = 0.012 * np.exp(0.3 * rng.normal(size=n))
    drift_sd = drift * rng.uniform(0.05, 0.4, n)
    sd = 0.004 * np.exp(0.4 * rng.normal(size=n))
    level, s2, corr = rng.uniform(0.02, 0.2, n), np.full(n, 0.0045**2), -rng.uniform(0, 0.5, n)
    if kind == "at limit":
        level = 2 * sd * rng.normal(size=n)
    if kind == "wild":
        level = rng.uniform(-3, 12, n) * sd
        drift = drift * rng.normal(size=n) * np.exp(rng.normal(size=n))
        drift_sd = np.abs(drift) * np.exp(1.5 * rng.normal(size=n))
        s2, corr = s2 * np.exp(3 * rng.normal(size=n)), rng.uniform(-0.98, 0.98, n)
    return Gap(level, sd**2, drift, drift_sd**2, corr * sd * drift_sd, s2)


def one(gap, row):
    return Gap(*(column[row] for column in gap.columns()))


@pytest.mark.published
@pytest.mark.parametrize("case", forecast_cases(), ids=lambda case: f"{case['id']}: {case['source'][:40]}")
def test_published_case(case):
    """F within 1e-6, quantiles within 1e-5 relative, of figures computed by two other routes."""
    gap = case_gap(case)
    assert reached(gap, case["t"]) == pytest.approx(case["F"], abs=case["tol_F"])
    assert float(already_beyond(gap)) == pytest.approx(case["p_already"], abs=case["tol_F"])
    assert 1 - float(never_reached(gap)) == pytest.approx(case["p_ever"], abs=case["tol_F"])
    expected = [np.inf if q is None else q for q in case["quantiles"].values()]
    got = quantiles(gap, [float(p) for p in case["quantiles"]])
    assert got == pytest.approx(expected, rel=case["tol_q_rel"])


@pytest.mark.published
@pytest.mark.parametrize(("a", "b", "s2"), [(10.0, 1.0, 0.5), (0.2, 0.02, 1e-4), (1.0, 3.0, 40.0), (5.0, 0.01, 1.0)])
def test_known_gap_and_drift_is_inverse_gaussian(a, b, s2):
    """With gap and drift known, the passage is inverse Gaussian (scipy.stats.invgauss)."""
    law = stats.invgauss(mu=(a / b) / (a * a / s2), scale=a * a / s2)
    gap = Gap(a, 0.0, b, 0.0, 0.0, s2)
    t = law.ppf([1e-6, 0.01, 0.3, 0.7, 0.99])
    assert reached(gap, t) == pytest.approx(law.cdf(t), abs=1e-12)
    assert quantiles(gap, P) == pytest.approx(law.ppf(P), rel=1e-7)
    assert float(never_reached(gap)) == 0.0


@pytest.mark.published
def test_known_drift_away_is_reached_with_exponential_probability():
    """A known drift away from the limit is overcome with exp(2ab/s2) (Chhikara and Folks 1989)."""
    gap = Gap(0.8, 0.0, -0.4, 0.0, 0.0, 0.84)
    assert 1 - float(never_reached(gap)) == pytest.approx(np.exp(2 * 0.8 * -0.4 / 0.84), rel=1e-9)


@pytest.mark.parametrize("kind", ["typical", "at limit", "wild"])
def test_probability_agrees_with_quadrature(kind):
    """F agrees with quadrature of the inverse Gaussian over gap and drift, on every branch of the integral."""
    gap = population(25, seed=4, kind=kind)
    rng = np.random.default_rng(5)
    for row in range(25):
        single = one(gap, row)
        t = float(np.abs(single.level) + np.sqrt(single.level_variance)) / abs(float(single.drift))
        t *= float(np.exp(rng.normal()))
        assert float(reached(single, t)) == pytest.approx(reached_by_quadrature(single.columns(), t), abs=2e-7)


@pytest.mark.parametrize("kind", ["at limit", "wild"])
def test_ever_agrees_with_quadrature(kind):
    """P(ever) agrees with quadrature of min(1, exp(2ab/s2)) over gap and drift."""
    gap = population(8, seed=6, kind=kind)
    for row in range(8):
        single = one(gap, row)
        expected = ever_by_quadrature(single.columns())
        assert 1 - float(never_reached(single)) == pytest.approx(expected, abs=2e-7)


def test_strongly_receding_and_correlated_drift():
    """A drift many deviations away from the limit and tied to the gap, where plain rules lose two digits."""
    for corr in (0.85, 0.9, 0.95):
        gap = Gap(2.0, 1.0, -5.0, 1.0, corr, 0.3)
        for t in (0.3, 1.0, 5.0):
            assert float(reached(gap, t)) == pytest.approx(reached_by_quadrature(gap.columns(), t), abs=1e-7)


def test_agrees_with_simulated_paths():
    """Seeded paths, closed between steps by the Brownian bridge, reach the limit as often as F says."""
    rng = np.random.default_rng(20)
    n, steps, horizon = 100_000, 40, 1.5
    case = next(c for c in forecast_cases() if c["id"] == "K2")
    gap = case_gap(case)
    a, b = rng.multivariate_normal([case["A"], case["B"]], [[case["Pa"], case["C"]], [case["C"], case["Pb"]]], size=n).T
    dt = horizon / steps
    alive, x = a > 0, a.copy()
    for step in range(1, steps + 1):
        ahead = x - b * dt - np.sqrt(case["s2"] * dt) * rng.normal(size=n)
        with np.errstate(over="ignore"):
            bridge = np.exp(-2 * np.maximum(x, 0) * np.maximum(ahead, 0) / (case["s2"] * dt))
        alive &= (ahead > 0) & (rng.random(n) > bridge)
        x = ahead
        if step % 8 == 0:
            share = 1 - alive.mean()
            expected = float(reached(gap, step * dt))
            assert abs(share - expected) < 4 * np.sqrt(expected * (1 - expected) / n)


@pytest.mark.parametrize("kind", ["typical", "at limit", "wild"])
def test_probability_grows_with_usage(kind):
    """F never falls, starts at P(already beyond) and stays below P(ever)."""
    gap = population(500, seed=7, kind=kind)
    column = Gap(*(c[:, None] for c in gap.columns()))
    f = reached(column, np.concatenate([[0.0], np.geomspace(1e-6, 1e6, 120)]))
    assert (np.diff(f, axis=1) > -1e-7).all()
    assert f[:, 0] == pytest.approx(already_beyond(gap), abs=1e-12)
    assert (f <= 1 - never_reached(gap)[:, None] + 1e-6).all()


@pytest.mark.parametrize("kind", ["typical", "at limit", "wild"])
def test_quantile_inverts_probability(kind):
    """F at a quantile is its probability; 0 and inf stand exactly where the probability is out of reach."""
    gap = population(3000, seed=8, kind=kind)
    p = np.array([0.01, 0.1, 0.5, 0.9, 0.99])
    q = quantiles(gap, p)
    now, ever = already_beyond(gap)[:, None], 1 - never_reached(gap)[:, None]
    assert ((q == 0) == (p <= now)).all()
    assert (np.isinf(q) <= (p >= ever - 1e-5)).all() and (np.isinf(q) >= (p >= ever)).all()
    inside = np.isfinite(q) & (q > 0)
    f = reached(Gap(*(c[:, None] for c in gap.columns())), np.where(inside, q, 1.0))
    assert np.abs(np.where(inside, f - p, 0.0)).max() < 1e-7


def test_batch_row_equals_single_call():
    """A row of a batch of mixed branches is the figure of a call of its own, to rounding."""
    kinds = [population(40, 9, kind) for kind in ("typical", "at limit", "wild")]
    gap = Gap(*(np.concatenate(c) for c in zip(*(g.columns() for g in kinds), strict=True)))
    q, f, never = quantiles(gap, P), reached(gap, 3.0), never_reached(gap)
    for row in range(0, 120, 7):
        single = one(gap, row)
        assert quantiles(single, P) == pytest.approx(q[row], rel=1e-12)
        assert float(reached(single, 3.0)) == pytest.approx(f[row], rel=1e-12)
        assert float(never_reached(single)) == pytest.approx(never[row], rel=1e-9, abs=1e-15)


@pytest.mark.parametrize(
    ("gap", "expected"),
    [
        (Gap(1.0, 0.0, 0.5, 0.0, 0.0, 0.0), [2.0, 2.0, 2.0]),
        (Gap(-0.1, 0.0, 0.5, 0.01, 0.0, 0.1), [0.0, 0.0, 0.0]),
        (Gap(0.0, 0.0, 0.5, 0.01, 0.0, 0.1), [0.0, 0.0, 0.0]),
        (Gap(1.0, 0.0, 0.0, 0.0, 0.0, 0.0), [np.inf, np.inf, np.inf]),
        (Gap(1.0, 0.0, -0.5, 0.0, 0.0, 0.0), [np.inf, np.inf, np.inf]),
        # Levy: driftless diffusion reaches a with probability 2 (1 - Phi(a / sqrt(s2 t)))
        (Gap(1.0, 0.0, 0.0, 0.0, 0.0, 2.0), 0.5 / ndtri(1 - P / 2) ** 2),
    ],
    ids=["known path", "known to be beyond", "exactly at the limit", "no wear", "receding", "diffusion only"],
)
def test_limits_of_the_model(gap, expected):
    """What is known exactly, does not move, or only wanders has its plain answer."""
    assert quantiles(gap, P) == pytest.approx(expected, rel=1e-9)


def test_a_path_known_exactly_reaches_its_limit_when_it_touches_it():
    """Without any doubt the limit is reached at gap over drift: not before, and from there on."""
    gap = Gap(10.0, 0.0, 1.0, 0.0, 0.0, 0.0)
    assert reached(gap, [9.999, 10.0, 10.001]).tolist() == [0.0, 1.0, 1.0]
    assert quantiles(gap, P) == pytest.approx([10.0, 10.0, 10.0])


def test_quantiles_of_a_path_known_exactly_are_its_crossing():
    """Without any doubt every quantile is gap over drift (section 4, special cases), to the last digit."""
    level, drift = np.array([1.0, 0.03625930670473132, 3.994384048775655]), np.array([0.1, 0.00517083624163, 0.027])
    found = quantiles(Gap(level, 0.0, drift, 0.0, 0.0, 0.0), P)
    assert np.array_equal(found, np.repeat((level / drift)[:, None], 3, axis=1))


@pytest.mark.parametrize("smallest", [1e-12, 1e-6], ids=["all but known", "narrow"])
def test_quantiles_are_in_order(smallest):
    """p10 <= p50 <= p90 whatever the spread, also where all three fall on one usage; and for levels in any order."""
    rng, n = np.random.default_rng(11), 4000
    level, drift = np.exp(rng.normal(size=n)), 0.1 * np.exp(rng.normal(size=n))
    sd = [np.where(rng.random(n) < 0.4, 0.0, np.exp(rng.uniform(np.log(smallest), -2.0, n))) for _ in range(3)]
    gap = Gap(level, (sd[0] * level) ** 2, drift, (sd[1] * drift) ** 2, 0.0, (sd[2] * drift) ** 2)
    found = quantiles(gap, P)
    assert (found[:, :-1] <= found[:, 1:]).all()
    assert np.array_equal(quantiles(gap, P[::-1])[:, ::-1], found)


def test_unknown_gap_stays_unknown():
    """A row with a NaN is NaN in every answer and leaves its neighbours alone."""
    gap = Gap([np.nan, 0.2], [0.0, 3.6e-5], [0.02, 0.02], 1.6e-5, [0.0, -1e-5], 1e-4)
    q = quantiles(gap, P)
    assert np.isnan(q[0]).all() and q[1] == pytest.approx([7.232018, 9.876615, 14.395001], rel=1e-6)
    assert np.isnan(already_beyond(gap)[0]) and np.isnan(never_reached(gap)[0]) and np.isnan(reached(gap, 1.0)[0])


def test_negative_variance_is_refused():
    """A negative variance is a mistake of the caller."""
    with pytest.raises(ValueError, match="level_variance"):
        Gap(1.0, -1e-9, 1.0, 0.0, 0.0, 0.0)
