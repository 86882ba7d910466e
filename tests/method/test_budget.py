"""Budgets: law of propagation, Welch-Satterthwaite, coverage, correlation by shared keys (S4)."""

import numpy as np
import pytest
from scipy.sparse import csr_array
from uncertainties import correlated_values, ufloat

from tests.method.check_cases import agrees, cases, worked_example
from tests.method.size_bench import from_documents
from worker.method.budget import (
    Forms,
    correlated_uncertainty,
    covariance,
    coverage_factor,
    evaluate,
    pooled_sd,
    repeat_statistics,
)
from worker.method.clearances import clear
from worker.method.influences import Influence, budget_lines
from worker.method.sizes import measure

INF = np.inf


def forms(*rows: list[float], nu: list[float]) -> Forms:
    return Forms(csr_array(np.array(rows, float)), np.array(nu, float))


@pytest.mark.published
@pytest.mark.parametrize("case", cases("budget"))
def test_a_budget_gives_the_published_uncertainty(case):
    """u, nu_eff, k and U of a list of terms agree with the printed digits."""
    terms = case["in"]["terms"]
    row = [t.get("c", 1) * t["u"] for t in terms]
    spread = evaluate(forms(row, nu=[t.get("nu") or INF for t in terms]), case["in"].get("p", 0.95))
    agrees(case, u=spread.u[0], nu=spread.nu[0], k=spread.k[0], U=spread.U[0])


@pytest.mark.published
@pytest.mark.parametrize("case", cases("corr"))
def test_a_full_correlation_matrix_gives_the_published_uncertainty(case):
    """GUM (16) with a full matrix agrees with the printed digits and with the `uncertainties` library."""
    c, u, R = (np.array(case["in"][name]) for name in ("c", "u", "R"))
    got = correlated_uncertainty(c, u, R)
    agrees(case, u=got)
    inputs = correlated_values(np.zeros(len(c)), R * np.outer(u, u))
    assert got == pytest.approx(sum(k * x for k, x in zip(c, inputs, strict=True)).s, rel=1e-9)


@pytest.mark.published
@pytest.mark.parametrize("case", cases("type_a"))
def test_repeats_give_the_published_mean_and_deviation(case):
    """Mean, s and s/sqrt(n) of repeats agree with the printed digits."""
    mean, s, n = repeat_statistics(np.array(case["in"]["x"]), np.array([0]))
    agrees(case, mean=mean[0], s=s[0], u=s[0] / np.sqrt(n[0]), nu=n[0] - 1)


@pytest.mark.published
@pytest.mark.parametrize("case", cases("pooled"))
def test_deviations_pool_to_the_published_one(case):
    """Standard deviations pool by degrees of freedom as printed."""
    s, nu = pooled_sd(case["in"]["s"], case["in"]["nu"])
    agrees(case, s=s, nu=nu)


@pytest.mark.parametrize(
    "R",
    [
        [[1.0, 0.5], [0.4, 1.0]],
        [[1.0, 0.5], [0.5, 0.9]],
        [[1.0, 0.9, -0.9], [0.9, 1.0, 0.9], [-0.9, 0.9, 1.0]],
        [[1.0, 0.5]],
    ],
)
def test_an_impossible_correlation_matrix_is_refused(R):
    """A matrix that is lopsided, without unit diagonal, indefinite or not square is no correlation matrix."""
    n = len(R[0])
    with pytest.raises(ValueError, match="correlation matrix"):
        correlated_uncertainty(np.ones(n), np.ones(n), R)


def test_full_correlation_of_equal_terms_cancels_to_zero():
    """A variance that rounding makes slightly negative counts as 0."""
    assert correlated_uncertainty([1, -1], [0.1 + 0.2, 0.3], [[1, 1], [1, 1]]) == pytest.approx(0, abs=1e-9)


def test_shared_influences_add_before_they_are_squared():
    """u(x + y) and u(x - y) through shared columns equal GUM (16) with the covariance of the shared part."""
    both = forms([3.0, 1.0, 0.0], [2.0, 0.0, 4.0], nu=[5, 7, 9])
    sums = evaluate(both.combine(csr_array(np.array([[1.0, 1.0], [1.0, -1.0]]))))
    shared = covariance(Forms(both.terms[[0]], both.nu), Forms(both.terms[[1]], both.nu))
    assert shared[0] == 6.0
    np.testing.assert_allclose(np.square(sums.u), [10 + 20 + 12, 10 + 20 - 12])
    np.testing.assert_allclose(sums.nu[1], 18**2 / (1 / 5 + 1 / 7 + 4**4 / 9))


def test_coverage_uses_whole_degrees_of_freedom_and_at_least_one():
    """k truncates nu_eff (GUM G.4.1), takes 1 as the least, and is normal beyond 1e9 (S0.2)."""
    k = coverage_factor([16.99, 17 - 1e-10, 0.3, INF, 2e9, np.nan])
    np.testing.assert_allclose(k[:5], [2.119905, 2.109816, 12.706205, 1.959964, 1.959964], rtol=1e-6)
    assert np.isnan(k[5])


def test_weak_terms_flag_the_degrees_of_freedom():
    """More than 10 % of the variance from terms with fewer than 5 degrees of freedom is flagged (S4.6)."""
    spread = evaluate(forms([1.0, 0.34], [1.0, 0.33], [1.0, 0.0], nu=[50, 4.9]))
    assert spread.low_dof.tolist() == [True, False, False]


def test_an_unknown_term_makes_its_row_unknown_and_no_other():
    """A NaN term gives a NaN uncertainty, so that row decides nothing (S0.5)."""
    spread = evaluate(forms([1.0, np.nan], [1.0, 0.0], nu=[INF, 8]))
    assert np.isnan(spread.u[0]) and np.isnan(spread.k[0]) and np.isnan(spread.U[0])
    assert spread.u[1] == 1.0 and spread.nu[1] == INF


@pytest.mark.published
def test_a_clearance_budget_agrees_with_the_uncertainties_library():
    """The whole chain (3.1), (3.2) by another library's derivatives gives u of the worked example's worst fit.

    Library: `uncertainties` (E. O. Lebigot), automatic differentiation; one `ufloat` per physical influence.
    """
    alpha = 1e-6 / 3**0.5
    thermometer = ufloat(0, 0.25)
    t_casing = 24.5 + ufloat(0, 0.3) + thermometer
    t_ring = 22.0 + ufloat(0, 0.2) + thermometer
    t_piston = 24.5 + ufloat(0, 0.3) + thermometer
    t_scale = 22.0 + ufloat(0, 0.5) + thermometer
    a_casing, a_ring, a_piston, a_scale = (11.5e-6 + ufloat(0, alpha) for _ in range(4))
    zero = ufloat(0, 0.0012 / 3**0.5)
    bore_gauge = ufloat(0, 0.00075) + ufloat(0, 0.0008)
    delta = (0.018 + 0.017) / 2 + ufloat(0, 0.0012 / 2**0.5) - zero + bore_gauge
    bore = (ufloat(98.0008, 0.0005) * (1 + a_ring * (t_ring - 20)) + delta) / (1 + a_casing * (t_casing - 20))
    micrometer = ufloat(0, 0.001) + ufloat(0, 0.0008)
    indication = (97.879 + 97.880) / 2 - 0.0005 + ufloat(0, 0.001 / 2**0.5) + micrometer
    shaft = indication * (1 + a_scale * (t_scale - 20)) / (1 + a_piston * (t_piston - 20))
    expected = bore - shaft

    made = from_documents(worked_example())
    clearances = clear(measure(made.bench), made.fits)
    assert clearances.worst[0] == pytest.approx(expected.n, abs=1e-12)
    assert clearances.of_worst.u[0] == pytest.approx(expected.s, rel=1e-9)


def test_a_budget_is_listed_line_by_line():
    """The lines name each influence once, the largest share first, and rebuild u and the value's terms."""
    made = from_documents(worked_example())
    sizes = measure(made.bench)
    clearances = clear(sizes, made.fits)
    columns = sizes.reduced.columns
    lines = budget_lines(clearances.worst_forms, 0, columns)
    assert lines.share.sum() == pytest.approx(1)
    assert (np.diff(lines.share) <= 0).all()
    assert np.sqrt(np.square(lines.contribution).sum()) == pytest.approx(clearances.of_worst.u[0])
    np.testing.assert_allclose(lines.sensitivity * lines.u, lines.contribution)
    named = {
        columns.describe(int(c)): (columns.distribution(int(c)), u) for c, u in zip(lines.column, lines.u, strict=True)
    }
    assert len(named) == len(lines.column)
    casing, piston = made.features.index("casing.piston-bore"), made.features.index("piston.large-diameter")
    assert named[(Influence.CALIBRATION, (0,))] == ("normal", 0.001)
    assert named[(Influence.MASTER, (0,))] == ("normal", 0.0005)
    assert named[(Influence.OPERATOR, (0, 0))] == ("t", 0.0008)
    assert named[(Influence.ZERO, (0, 0, 2))] == ("t", pytest.approx(0.0012 / 3**0.5))
    assert named[(Influence.LOCAL_TEMPERATURE, ("gauge", 0))] == ("normal", 0.5)
    assert named[(Influence.LOCAL_TEMPERATURE, ("master", 0))] == ("normal", 0.2)
    assert named[(Influence.LOCAL_TEMPERATURE, ("part", piston))] == ("normal", 0.3)
    assert named[(Influence.EXPANSION, ("part", casing))] == ("rectangular", pytest.approx(1e-6 / 3**0.5))
    assert named[(Influence.THERMOMETER, (0,))] == ("normal", 0.25)


def test_degrees_of_freedom_beyond_a_thousand_million_are_infinite():
    """A term of few degrees of freedom that all but cancels leaves nu_eff infinite, not 20 digits of it (S0.2)."""
    forms = Forms(csr_array(np.array([[1.0, 1e-8], [1.0, 0.01]])), np.array([np.inf, 2.0]))
    spread = evaluate(forms)
    assert spread.nu[0] == np.inf
    assert spread.nu[1] == pytest.approx(2.0 * 1.0001**2 / 0.01**4)
    np.testing.assert_allclose(spread.k, 1.96, atol=1e-3)
