"""Wear learned from a fleet: restricted likelihood, priors, outliers, running-in, breakage."""

import csv
import json
import warnings

import numpy as np
import pytest
from scipy import optimize, stats

from tests.method.forecast_cases import PUBLISHED
from worker.method.breakage import fit_weibull
from worker.method.fleet_readings import FleetReadings, least_squares, pad
from worker.method.fleet_wear import FleetPrior, fit_fleet, profiled
from worker.method.running_in import fit_with_running_in
from worker.method.wear_filter import filter_wear
from worker.method.wear_state import WearStates

GROUND = np.array([0.6, 1.0, 1.9])
PRIOR = FleetPrior(0.016, 0.0056, 0.0045, np.array([0.8, 1.0, 1.4]))
DEGRADATION = json.loads((PUBLISHED / "degradation.json").read_text())
REML = json.loads((PUBLISHED / "fleet_101.json").read_text())


def invented(seed, instances=150, most=10, run_in=0.0, outliers=0.0):
    """A fleet of known parameters: mean 0.012, spread 0.003, wandering 0.0045, error 0.004, new sd 0.005."""
    rng = np.random.default_rng(seed)
    counts = rng.integers(1, most + 1, instances)
    usage, wear = [], []
    for count in counts:
        steps = rng.dirichlet([1.0, 1.0, 1.0], count) * rng.uniform(0.5, 2.5, (count, 1))
        steps[0] = 0.0
        du = steps @ GROUND
        rate = 0.012 + 0.003 * rng.normal()
        u = np.cumsum(du)
        path = rate * u + np.cumsum(0.0045 * np.sqrt(du) * rng.normal(size=count)) + 0.005 * rng.normal()
        path += run_in * np.exp(0.3 * rng.normal()) * (1 - np.exp(-u / 0.5))
        error = 0.004 * rng.normal(size=count)
        error += 0.032 * (rng.random(count) < outliers) * rng.choice([-1, 1], count)
        usage.append(np.cumsum(steps, axis=0))
        wear.append(path + error)
    y = np.concatenate(wear)
    return FleetReadings.of(counts, np.concatenate(usage), y, np.full(y.size, 0.004), 0.0, 0.005**2)


def dense_criterion(readings, tau, process_sd, ground, prior):
    """The criterion of the method page written out with full covariance matrices."""
    log_det = information = projected = total = 0.0
    ends = np.cumsum(readings.counts)
    for end, count, m0, v0 in zip(ends, readings.counts, readings.start_level, readings.start_variance, strict=True):
        rows = slice(end - count, end)
        u, y = readings.usage[rows] @ ground, readings.wear[rows] - m0
        cov = tau**2 * np.outer(u, u) + process_sd**2 * np.minimum.outer(u, u) + v0
        cov = cov + np.diag(readings.uncertainty[rows] ** 2)
        solved = np.linalg.solve(cov, np.stack([u, y]).T)
        log_det += np.linalg.slogdet(cov)[1]
        information, projected, total = (
            information + u @ solved[:, 0],
            projected + u @ solved[:, 1],
            total + y @ solved[:, 1],
        )
    information += 1 / prior.mean_variance
    mean = (projected + prior.mean / prior.mean_variance) / information
    quadratic = total - 2 * mean * projected + mean**2 * (information - 1 / prior.mean_variance)
    quadratic += (mean - prior.mean) ** 2 / prior.mean_variance
    return mean, 1 / information, 0.5 * (log_det + np.log(information) + quadratic)


def test_one_pass_equals_full_covariances():
    """Mean, its variance and the criterion from the filter pass equal those of dense matrices."""
    readings = invented(1, 30)
    padded = pad(readings)
    for tau, process_sd in ((0.003, 0.0045), (0.001, 0.01), (0.02, 1e-5)):
        got = profiled(least_squares(padded, tau, process_sd, GROUND, 0.0, 0.0), PRIOR)
        assert got == pytest.approx(dense_criterion(readings, tau, process_sd, GROUND, PRIOR), rel=1e-9)


def fleet_101(feature):
    with (PUBLISHED / "fleet_101.csv").open() as source:
        rows = [row for row in csv.DictReader(source) if row["feature"] == feature]
    counts = np.unique([int(row["component"]) for row in rows], return_counts=True)[1]
    usage = [[float(row[f"km_g{g}"]) for g in range(3)] for row in rows]
    wear, u = ([float(row[name]) for row in rows] for name in ("wear_mm", "u_mm"))
    return FleetReadings.of(counts, usage, wear, u, 0.0, REML["features"][feature]["v_new"])


@pytest.mark.published
@pytest.mark.parametrize("feature", REML["features"])
def test_fleet_101(feature):
    """REML without prior within 1e-3 of two other optimisers (fleet_101.json)."""
    expected = REML["features"][feature]
    found = fit_fleet(fleet_101(feature), None, reference=1, robust=False)
    got = [found.mean, np.sqrt(found.mean_variance), found.tau, found.process_sd, *found.ground_factors[[0, 2]]]
    names = ("mu", "mu_sd", "tau", "sigma_B", "gamma0", "gamma2")
    assert got == pytest.approx([expected[name] for name in names], rel=1e-3)
    assert found.ground_factors[1] == 1.0


def lasers():
    increase = np.array(DEGRADATION["gaas_laser"]["increase"])
    return increase, np.arange(increase.shape[1]) * 0.25  # hours in thousands


@pytest.mark.published
def test_laser_increments_without_error():
    """Error-free increments: mean, spread and wandering of the balanced analysis of variance (Meeker and Escobar)."""
    increase, hours = lasers()
    n, k = increase.shape[0], hours.size - 1
    readings = FleetReadings.of([k] * n, np.tile(hours[1:], n)[:, None], increase[:, 1:].ravel(), np.zeros(n * k), 0, 0)
    found = fit_fleet(readings, None, robust=False)
    expected = DEGRADATION["gaas_laser"]["increments"]
    assert found.mean == pytest.approx(expected["mu"], rel=1e-6)
    assert [found.tau, found.process_sd] == pytest.approx([expected["tau"], expected["sigma_B"]], rel=1e-3)


@pytest.mark.published
def test_laser_random_slopes_against_statsmodels():
    """Random slopes through the origin: our restricted likelihood is greatest where MixedLM's is."""
    increase, hours = lasers()
    n = increase.shape[0]
    expected = DEGRADATION["gaas_laser"]["random_slope"]
    u = np.full(increase.size, np.sqrt(expected["residual_variance"]))
    padded = pad(FleetReadings.of([hours.size] * n, np.tile(hours, n)[:, None], increase.ravel(), u, 0, 0))

    def criterion(log_tau):
        return profiled(least_squares(padded, np.exp(log_tau), 1e-9, np.ones(1), 0.0, 0.0), None)

    best = optimize.minimize_scalar(
        lambda x: criterion(x)[2], bounds=(-4, 2), method="bounded", options={"xatol": 1e-8}
    )
    tau2, mean = np.exp(2 * best.x), criterion(best.x)[0]
    assert [tau2, mean] == pytest.approx([expected["tau2"], expected["mu"]], rel=1e-3)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        from statsmodels.regression.mixed_linear_model import MixedLM

        column, group = np.tile(hours, n)[:, None], np.repeat(np.arange(n), hours.size)
        mixed = MixedLM(increase.ravel(), column, group, exog_re=column).fit(reml=True)
    assert mean == pytest.approx(float(mixed.fe_params[0]), rel=1e-5)
    assert tau2 == pytest.approx(float(np.asarray(mixed.cov_re)[0, 0]), rel=1e-3)


@pytest.mark.published
def test_orthodontic_growth():
    """Random intercept and slope: the filter's likelihood gives the printed restricted one (Pinheiro and Bates)."""
    case = DEGRADATION["orthodont"]
    reml, distance = case["reml"], np.array(case["distance"])
    n, k = distance.shape
    sd0, sd1 = reml["sd_intercept"], reml["sd_slope"]

    def log_likelihood(beta):
        start = WearStates.of([beta[0]] * n, beta[1], sd0**2, reml["correlation"] * sd0 * sd1, sd1**2)
        s = np.full(n * k, reml["residual_sd"])
        usage = np.tile(case["age"], n)
        found = filter_wear(start, 0.0, np.zeros(n), [k] * n, usage, distance.ravel(), s, robust=False)
        return found.log_likelihood.sum()

    at = log_likelihood(np.zeros(2))
    e = np.eye(2)
    plus, minus = (np.array([log_likelihood(sign * e[j]) for j in range(2)]) for sign in (1, -1))
    hessian = np.diag(2 * at - plus - minus)
    both = log_likelihood(np.ones(2)) - plus[0] - plus[1] + at
    hessian[0, 1] = hessian[1, 0] = -both
    beta = np.linalg.solve(hessian, (plus - minus) / 2)
    restricted = log_likelihood(beta) - 0.5 * np.linalg.slogdet(hessian)[1] + np.log(2 * np.pi)
    assert beta == pytest.approx([reml["intercept"], reml["slope"]], abs=5e-6)
    assert restricted == pytest.approx(reml["log_likelihood"], abs=2e-4)


def test_no_reading_gives_exactly_the_catalogue():
    """Without data the answer is the prior; with as-new readings alone too."""
    none = FleetReadings.of([], np.empty((0, 3)), [], [], [], [])
    as_new = FleetReadings.of([1, 1], np.zeros((2, 3)), [0.002, -0.001], [0.004, 0.004], 0.0, 1e-5)
    for readings in (none, as_new):
        found = fit_fleet(readings, PRIOR, reference=1)
        assert (found.mean, found.tau, found.process_sd) == (PRIOR.mean, PRIOR.tau, PRIOR.process_sd)
        assert found.mean_variance == pytest.approx((0.5 * PRIOR.mean) ** 2)
        assert (found.ground_factors == PRIOR.ground_factors).all() and found.readings == 0
    with pytest.raises(ValueError, match="no prior"):
        fit_fleet(none, None)


def test_fleet_outgrows_a_wrong_catalogue():
    """With few instances the answer lies between catalogue and truth, with many it is the truth."""
    few, many = (fit_fleet(invented(2, n), PRIOR, reference=1) for n in (3, 400))
    assert abs(many.mean - 0.012) < 4 * np.sqrt(many.mean_variance) < 0.001
    assert many.tau == pytest.approx(0.003, rel=0.15) and many.process_sd == pytest.approx(0.0045, rel=0.1)
    assert many.ground_factors == pytest.approx(GROUND, rel=0.1)
    assert few.mean_variance > 10 * many.mean_variance
    off_few, off_many = (np.abs(f.ground_factors - PRIOR.ground_factors).sum() for f in (few, many))
    assert off_few < off_many


def test_unused_ground_keeps_the_catalogues_factor():
    """A class nobody drilled keeps its factor exactly."""
    readings = invented(3, 40)
    usage = readings.usage.copy()
    usage[:, 2] = 0.0
    readings = FleetReadings.of(readings.counts, usage, readings.wear, readings.uncertainty, 0.0, 25e-6)
    found = fit_fleet(readings, PRIOR, reference=1)
    assert found.ground_factors[2] == PRIOR.ground_factors[2] and found.ground_factors[0] != PRIOR.ground_factors[0]


def test_outliers_do_not_inflate_the_wandering():
    """With 4 % of readings eight errors off, two robust refits bring sigma_B most of the way back to the truth."""
    readings = invented(4, 200, outliers=0.04)
    plain, robust = (fit_fleet(readings, PRIOR, reference=1, robust=r) for r in (False, True))
    assert robust.process_sd - 0.0045 < 0.5 * (plain.process_sd - 0.0045)
    assert robust.tau == pytest.approx(0.003, rel=0.25)
    assert robust.outliers > 0.02 * readings.wear.size


@pytest.mark.parametrize("seed", [5, 6, 7])
def test_running_in_is_chosen_when_it_is_there(seed):
    """A fleet that runs in is found to, with its amount; one that does not keeps its as-new readings."""
    there = fit_with_running_in(invented(seed, 120, run_in=0.024), PRIOR, allowed=0.2, reference=1)
    absent = fit_with_running_in(invented(seed, 120), PRIOR, allowed=0.2, reference=1)
    assert there.running_in is not None and there.running_in.mean == pytest.approx(0.024, rel=0.35)
    assert there.wear.mean == pytest.approx(0.012, rel=0.2)
    assert absent.running_in is None and absent.gain < 0


def test_running_in_without_readings_is_not_assumed():
    """No worn part, no running-in."""
    readings = FleetReadings.of([1], np.zeros((1, 3)), [0.002], [0.004], 0.0, 1e-5)
    assert fit_with_running_in(readings, PRIOR, 0.2, 1).running_in is None


@pytest.mark.published
@pytest.mark.parametrize("name", ["nist_8413", "lz_bearing"])
def test_published_weibull(name):
    """Weibull life with and without censoring as printed (NIST/SEMATECH; Lieblein and Zelen, Lawless)."""
    case = DEGRADATION[name]
    usage = np.array(case["failed"] + case.get("censored", []), dtype=float)
    broke = np.arange(usage.size) < len(case["failed"])
    life = fit_weibull(usage, broke)
    digits = {"shape": 5e-5, "scale": 6e-4, "log_likelihood": 6e-4}
    for key, tolerance in digits.items():
        assert getattr(life, key) == pytest.approx(case[key], abs=tolerance)


def test_weibull_against_scipy_censored_fit():
    """Shape and scale agree with scipy's maximum likelihood on censored data."""
    rng = np.random.default_rng(9)
    drawn, stop = 8 * rng.weibull(1.7, 80), rng.uniform(2, 12, 80)
    usage, broke = np.minimum(drawn, stop), drawn < stop
    life = fit_weibull(usage, broke)
    law = stats.weibull_min.fit(stats.CensoredData(uncensored=usage[broke], right=usage[~broke]), floc=0)
    assert [life.shape, life.scale] == pytest.approx([law[0], law[2]], rel=1e-3)
    frozen = stats.weibull_min(life.shape, scale=life.scale)
    assert life.survival(3.0) == pytest.approx(frozen.sf(3.0))
    assert life.survival_beyond(3.0, 2.0) == pytest.approx(frozen.sf(5.0) / frozen.sf(3.0))


@pytest.mark.parametrize(
    ("usage", "broke", "words"), [([1.0, 0.0], [1, 1], "positive"), ([1.0, 2.0], [1, 0], "two different")]
)
def test_weibull_refuses_what_says_nothing(usage, broke, words):
    """One breakage or a part broken at usage 0 gives no life."""
    with pytest.raises(ValueError, match=words):
        fit_weibull(usage, broke)
