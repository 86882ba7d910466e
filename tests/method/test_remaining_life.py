"""Limits on wear and the remaining usage to each of them."""

import numpy as np
import pytest

from tests.method.check_cases import worked_example
from tests.method.forecast_cases import forecast_cases
from tests.method.size_bench import from_documents
from worker.method.first_passage import Gap, reached
from worker.method.remaining_life import (
    governing_limit,
    less_usage,
    remaining_usage,
    survival,
    survival_bounds,
)
from worker.method.sizes import measure
from worker.method.wear_filter import filter_wear
from worker.method.wear_limits import allowed_wear, catalogue_life, combine, gaps, wear_limits
from worker.method.wear_state import WearStates, new_size_variance, prior_states

CHAINS = [case for case in forecast_cases() if "features" in case]


@pytest.mark.published
@pytest.mark.parametrize("case", CHAINS, ids=lambda case: f"{case['id']}: {case['source'][:40]}")
def test_published_chain_from_readings(case):
    """Readings to states to a combined gap to survival, each as two other routes computed it."""
    features = case["features"]
    counts = np.array([len(feature["u"]) for feature in features])
    start = prior_states(*([f[name] for f in features] for name in ("m0", "v0", "mu", "tau2")))
    columns = [[x for f in features for x in f[name]] for name in ("u", "y", "s")]
    found = filter_wear(start, 0.0, [f["s2"] for f in features], counts, *columns)
    last = np.cumsum(counts) - 1
    states = found.states.at(last) if counts.all() else start
    gap = combine(
        [case["coef"]], [case["limit"]], states, [f["s2"] for f in features], case["drift_scale"] or 1.0, case["rho"]
    )
    expected = [case[name] for name in ("A", "Pa", "B", "Pb", "C", "s2")]
    assert [float(c[0]) for c in gap.columns()] == pytest.approx(expected, rel=1e-9, abs=1e-15)
    for horizon, share in case["survive"].items():
        assert 1 - float(reached(gap, float(horizon))[0]) == pytest.approx(share, abs=case["tol_F"])


class Worked:
    """The worked example's catalogue as arrays, and the states its single inspection leads to."""

    def __init__(self):
        example = worked_example()
        catalogue, self.expected = example["catalogue"], example["expected"]
        self.tolerances = example["tolerances"]
        features, fits = catalogue["features"], catalogue["fits"]
        self.codes = [f"{f['part']}.{f['code']}" for f in features]
        slot = {code: n for n, code in enumerate(self.codes)}
        self.low = np.array([f["new"]["min"] for f in features])
        self.high = np.array([f["new"]["max"] for f in features])
        self.middle = (self.low + self.high) / 2
        self.discard = np.array([f["discard"] for f in features])
        self.sign = np.array([1.0 if f["kind"] == "bore" else -1.0 for f in features])
        self.rate = np.array([f["wear_per_1000"]["mean"] for f in features])
        self.rate_sd = np.array([f["wear_per_1000"]["sd"] for f in features])
        self.diffusion = np.array([f["process_sd"] for f in features]) ** 2
        self.hard = catalogue["ground_factors"]["hard"]
        self.fits = (
            [slot[f["shaft"]] for f in fits],
            [slot[f["bore"]] for f in fits],
            [(f["new"]["min"] + f["new"]["max"]) / 2 for f in fits],
            [f["discard"] for f in fits],
        )
        shares = [f["loss_share"] for f in fits]
        self.limits = wear_limits(
            self.middle, self.discard, *self.fits, shares, catalogue["loss_per_mm"], catalogue["service_loss"]
        )
        self.names = [f"feature:{c}" for c in self.codes] + [f"fit:{f['code']}" for f in fits] + ["performance"]

    def states(self, of):
        """Readings to sizes to states, each statistic with its own uncertainty."""
        made = from_documents(worked_example())
        sizes = measure(made.bench)
        rows = [made.features.index(code) for code in self.codes]
        wear = self.sign * (getattr(sizes, of)[rows] - self.middle)
        u = getattr(sizes, f"of_{of}").u[rows]
        start = prior_states(0.0, new_size_variance(self.high - self.low), self.rate, self.rate_sd**2)
        n = len(self.codes)
        return filter_wear(start, 0.0, self.diffusion, [1] * n, [5.2 * self.hard] * n, wear, u).states

    def gap(self):
        return gaps(self.limits, self.states("worst"), self.states("mean"), self.diffusion, self.hard)


@pytest.mark.published
def test_worked_example_wear_states():
    """Two states per feature, of the worst and of the mean size, after 5200 m of hard ground."""
    worked = Worked()
    found = {of: worked.states(of) for of in ("worst", "mean")}
    assert len(worked.expected["wear_states"]) == 16
    for state in worked.expected["wear_states"]:
        row = worked.codes.index(state["feature"])
        got = [float(column[row]) for column in found[state["of"]].columns()]
        expected = [state[name] for name in ("m", "b", "P11", "P12", "P22")]
        assert got == pytest.approx(expected, rel=worked.tolerances["wear_state_rel"])


@pytest.mark.published
def test_worked_example_remaining():
    """Thirteen limits in metres of hard ground, and the one that governs."""
    worked = Worked()
    gap = worked.gap()
    found = remaining_usage(gap, catalogue_life(worked.limits, worked.rate))
    through = survival(gap, 1000.0)
    expected = worked.expected["remaining"]
    assert [limit["limit"] for limit in expected["limits"]] == worked.names
    for row, limit in enumerate(expected["limits"]):
        quantiles = [limit[name] for name in ("p10", "p50", "p90")]
        assert found.quantiles[row] == pytest.approx(quantiles, rel=worked.tolerances["remaining_rel"])
        assert found.never[row] == pytest.approx(limit["probability_never"], rel=1e-6, abs=1e-9)
        assert found.beyond_now[row] == pytest.approx(limit["probability_beyond_now"], abs=1e-6)
        assert through[row] == pytest.approx(limit["survive_1000_m"], abs=worked.tolerances["survival_abs"])
    governing = int(governing_limit(found.quantiles, found.beyond_now))
    assert worked.names[governing] == expected["governing"]


def test_ground_scales_usage():
    """When all features share the ground factors, harder ground only shortens the usage in proportion."""
    worked = Worked()
    judged, mean = worked.states("worst"), worked.states("mean")
    soft = remaining_usage(gaps(worked.limits, judged, mean, worked.diffusion, 0.6)).quantiles
    reference = remaining_usage(gaps(worked.limits, judged, mean, worked.diffusion)).quantiles
    assert soft * 0.6 == pytest.approx(reference, rel=1e-6)


def test_weights_of_a_shared_slot_add_before_squaring():
    """One shaft in two fits of the loss enters with the sum of its shares."""
    limits = wear_limits(
        middle=[10.0, 10.1, 10.2],
        discard=[np.nan, np.nan, np.nan],
        fit_shaft=[0, 0],
        fit_bore=[1, 2],
        fit_new=[0.12, 0.2],
        fit_discard=[np.nan, np.nan],
        fit_share=[0.6, 0.4],
        loss_per_mm=2.0,
        service_loss=0.2,
    )
    assert limits.coefficients == pytest.approx(np.array([[2.0, 1.2, 0.8]]))
    # nominal clearances 0.1 and 0.2: the first fit starts 0.02 tighter than the middle of its new
    assert limits.value == pytest.approx([0.2 + 2 * 0.6 * 0.02]) and limits.of_mean.tolist() == [True]
    states = WearStates.of([0.01, 0.02, 0.03], 0.01, 1e-6, 0.0, 4e-6)
    gap = combine(limits.coefficients, limits.value, states, 1e-5)
    assert gap.level_variance == pytest.approx([(4 + 1.44 + 0.64) * 1e-6])


def test_slot_without_a_state_silences_only_its_limits():
    """A limit of which one feature has no state is unknown; the others are answered."""
    c = np.array([[1.0, 0.0], [0.0, 1.0], [1.0, 1.0]])
    states = WearStates.of([0.05, np.nan], [0.01, np.nan], 1e-6, 0.0, 1e-6)
    found = remaining_usage(combine(c, [0.1, 0.1, 0.2], states, [1e-5, np.nan]))
    assert np.isnan(found.quantiles).all(axis=1).tolist() == [False, True, True]
    assert int(governing_limit(found.quantiles, found.beyond_now)) == 0


def test_batch_of_tools_equals_single_tools():
    """Limits of many tools at once are those of each alone."""
    rng = np.random.default_rng(1)
    c = np.array([[1.0, 0.0, 0.0], [1.0, 1.0, 0.0], [3.0, 2.0, 1.0]])
    value = np.array([0.2, 0.3, 1.0])
    n = 20
    columns = [rng.uniform(0, 0.1, (n, 3)), rng.uniform(0.005, 0.02, (n, 3)), rng.uniform(1e-6, 1e-5, (n, 3))]
    states = WearStates.of(*columns, 1e-7, 4e-6)
    scale = rng.uniform(0.6, 1.9, (n, 1))
    batch = remaining_usage(combine(c, value, states, 2e-5, scale)).quantiles
    for row in range(n):
        alone = remaining_usage(combine(c, value, states.at(row), 2e-5, scale[row])).quantiles
        assert alone == pytest.approx(batch[row], rel=1e-12)


def test_correlated_rates_widen_a_sum():
    """With correlation rho of the rates the drift variance is (1 - rho) sum + rho (sum of sd)^2."""
    states = WearStates.of([0.05, 0.04], 0.01, 1e-6, 0.0, [4e-6, 9e-6])
    apart, tied = (combine([[1.0, 2.0]], [0.4], states, 1e-5, 1.5, rho) for rho in (0.0, 0.3))
    assert apart.drift_variance == pytest.approx([1.5**2 * (4e-6 + 4 * 9e-6)])
    together = (1.5 * (2e-3 + 2 * 3e-3)) ** 2
    assert tied.drift_variance == pytest.approx(0.7 * apart.drift_variance + 0.3 * together)


def test_uncertain_ground_adds_to_the_drift_variance():
    """A relative variance v of the drift scale adds g^2 v (b^2 + P22)."""
    states = WearStates.of([0.05], [0.01], 1e-6, 1e-7, [4e-6])
    gap = combine([[1.0]], [0.2], states, 1e-5, 1.5, scale_variance=0.04)
    assert gap.drift_variance == pytest.approx([1.5**2 * (4e-6 + 0.04 * (1e-4 + 4e-6))])
    assert gap.covariance == pytest.approx([-1.5e-7])


def test_calibration_error_is_added_once():
    """An error common to all readings behind a limit widens the gap and nothing else."""
    states = WearStates.of([0.05], [0.01], 1e-6, 1e-7, [4e-6])
    gap = combine([[1.0]], [0.2], states, 1e-5, common_variance=[9e-6])
    assert gap.level_variance == pytest.approx([1e-5]) and gap.drift_variance == pytest.approx([4e-6])


def test_forecast_beyond_ten_lives_is_no_number():
    """A quantile beyond ten catalogue lives is not given; what lies nearer is."""
    gap = Gap([0.2, 0.2], 1e-8, [0.025, 0.025], 1e-4, 0.0, 1e-6)
    far, near = remaining_usage(gap, [1.0, 5.0]).quantiles
    assert 1e3 < near[0] == far[0] < near[1] == far[1] < 1e4
    assert far[2] == np.inf and 1e4 < near[2] < 5e4


def test_allowed_wear_of_a_feature_without_discard_is_its_fits():
    """Own discard first, else the least of the fits' discard less new, else unknown."""
    found = allowed_wear(
        [10.0, 10.1, 10.2, 5.0], [9.9, np.nan, np.nan, np.nan], [0, 0], [1, 2], [0.1, 0.2], [0.25, np.nan]
    )
    assert found == pytest.approx([0.1, 0.15, np.nan, np.nan], nan_ok=True)


def test_governing_limit():
    """Least p50, then least p10, then the larger chance of being beyond; null counts as infinite, unknown as none."""
    inf, nan = np.inf, np.nan
    q = np.array(
        [
            [[1, 5, 9], [0, 4, 8], [2, 4, 9]],
            [[0, 0, 0], [0, 0, 1], [nan, nan, nan]],
            [[7, inf, inf], [6, inf, inf], [8, inf, inf]],
            [[nan] * 3] * 3,
        ],
        dtype=float,
    )
    beyond = np.array([[0.0, 0, 0], [0.7, 0.9, nan], [0, 0, 0], [nan] * 3])
    assert governing_limit(q, beyond).tolist() == [1, 1, 1, -1]
    assert governing_limit(np.empty((2, 0, 3)), np.empty((2, 0))).tolist() == [-1, -1]


def test_usage_since_runs_the_quantiles_down():
    """Each quantile less the usage since, not below 0; what is never reached stays so."""
    q = np.array([[[100.0, 500.0, np.inf]]])
    assert less_usage(q, [300.0]).tolist() == [[[0.0, 200.0, np.inf]]]


def test_survival_bounds_hold_the_joint_survival():
    """All limits surviving lies between the bounds, as simulated features sharing one shaft show."""
    rng = np.random.default_rng(2)
    states = WearStates.of([0.05, 0.06], [0.012, 0.01], [4e-6, 9e-6], 2e-7, [9e-6, 4e-6])
    c, value, diffusion = np.array([[1.0, 0.0], [0.0, 1.0], [1.0, 1.0]]), np.array([0.13, 0.13, 0.22]), 2e-5
    each = survival(combine(c, value, states, diffusion), 5000.0)
    low, high = survival_bounds(each)
    n, steps = 20_000, 100
    draws = [
        rng.multivariate_normal([m, b], [[p11, p12], [p12, p22]], size=n)
        for m, b, p11, p12, p22 in zip(*states.columns(), strict=True)
    ]
    w = np.stack([draw[:, 0] for draw in draws])
    rate = np.stack([draw[:, 1] for draw in draws])
    alive = np.ones(n, dtype=bool)
    for _ in range(steps):
        w = w + rate * 5 / steps + np.sqrt(diffusion * 5 / steps) * rng.normal(size=w.shape)
        alive &= (c @ w < value[:, None]).all(axis=0)
    assert 0 < low < alive.mean() < high + 0.01
    unknown = survival_bounds(np.array([[np.nan, 0.9], [np.nan, np.nan]]))
    assert unknown[0] == pytest.approx([np.nan, np.nan], nan_ok=True)  # the unknown one may fail first
