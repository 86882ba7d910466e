"""Verdicts: conformance probabilities, guard bands and the decision table (S6)."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from tests.method.check_cases import agrees, cases, worked_example
from tests.method.size_bench import from_documents
from worker.method.clearances import clear
from worker.method.conformity import (
    capability_index,
    guard_band,
    probability_above,
    probability_below,
    probability_between,
    probability_beyond,
)
from worker.method.sizes import measure
from worker.method.verdicts import Verdict, decide, decide_offset, monitor_limit

INF, NAN = np.inf, np.nan


def name(verdict) -> str:
    return Verdict(int(verdict)).name.lower()


@pytest.mark.published
@pytest.mark.parametrize("case", cases("conform"))
def test_conformance_probability_is_the_published_one(case):
    """JCGM 106 clause 7, one- and two-sided."""
    given_ = case["in"]
    p = probability_between(given_["y"], given_["u"], INF, given_.get("lo", NAN), given_.get("hi", NAN))
    agrees(case, p_in=float(p))


@pytest.mark.published
@pytest.mark.parametrize("case", cases("verdict"))
def test_the_decision_table_gives_the_published_verdict(case):
    """S6.3 for large and small is bad, finite and infinite nu, final or not."""
    x = case["in"]
    grows = x.get("side") != "lower"
    nu = INF if x.get("nu") is None else x["nu"]
    verdict, p = decide(
        x["y"], x["u"], nu, (x["discard"], x["monitor"]), grows, final=x.get("final", False)
    )  # fmt: skip
    p_monitor = probability_beyond(x["y"], x["u"], nu, x["monitor"], grows)
    agrees(case, P_discard=float(p), P_monitor=float(p_monitor), verdict=name(verdict))


@pytest.mark.published
@pytest.mark.parametrize("case", cases("guard"))
def test_the_guard_band_is_the_published_one(case):
    """g = 1.645 u at one-sided 95 %."""
    agrees(case, g=float(guard_band(case["in"]["u"], INF, case["in"]["p"])))


@pytest.mark.published
def test_the_worked_example_gives_its_verdicts():
    """Every verdict and probability of the worked example, sizes and clearances."""
    document = worked_example()
    made = from_documents(document)
    sizes = measure(made.bench)
    clearances = clear(sizes, made.fits)
    judged = [
        (document["expected"]["sizes"], "feature", made.features, sizes.worst, sizes.of_worst,
         made.bench.measurands.grows),
        (document["expected"]["clearances"], "fit", made.fit_codes, clearances.worst, clearances.of_worst, True),
    ]  # fmt: skip
    for expected, key, codes, worst, of, grows in judged:
        discard = np.array([made.discard[code] for code in codes])
        monitor = monitor_limit([made.new[code] for code in codes], discard, 0.8)
        verdict, p = decide(worst, of.u, of.nu, (discard, monitor), grows)
        for row in expected:
            i = codes.index(row[key])
            assert name(verdict[i]) == row["verdict"]
            tolerance = document["tolerances"]["probability_abs"]
            assert p[i] == pytest.approx(row["probability_beyond"], abs=tolerance)


def test_tails_agree_with_the_survival_function():
    """P(beyond) equals scipy's survival function of t down to 1e-100, fractional nu included (S0.2, S0.3)."""
    nu = np.array([1.3, 4.6, 12.0, 173.66, 353.2, INF])
    y, u, limit = 97.876, 0.00163, 97.94
    expected = [stats.norm.sf((limit - y) / u) if n == INF else stats.t.sf((limit - y) / u, n) for n in nu]
    np.testing.assert_allclose(probability_above(y, u, nu, limit), expected, rtol=1e-9)
    np.testing.assert_allclose(probability_below(-y, u, nu, -limit), expected, rtol=1e-9)


@pytest.mark.parametrize("u", [0.0, -0.001, NAN, INF])
def test_without_a_valid_uncertainty_only_remeasure(u):
    """u <= 0, NaN or infinite: no verdict other than remeasure, final or not (S0.5)."""
    verdict, p = decide(0.3, u, 10, (0.2, 0.15), True, final=True)
    assert name(verdict) == "remeasure" and np.isnan(p)
    assert name(decide_offset(1.0, u, 10, (0.8, 2.2))[0]) == "remeasure"
    assert name(decide(NAN, 0.004, 10, (0.2, 0.15), True)[0]) == "remeasure"


def test_a_blocking_flag_outranks_every_figure():
    """Row 1 of S6.3 comes before discard."""
    verdict, p = decide(0.3, 0.001, INF, (0.2, 0.2), True, blocked=[True, False])
    assert [name(v) for v in verdict] == ["remeasure", "discard"]
    assert p == pytest.approx(1.0)


def test_a_final_decision_follows_the_value():
    """Row 6: reached the limit (tie 1e-9 mm) is discard, else monitor; mirrored for a shaft (S6.3)."""
    y = np.array([0.2, 0.2 - 5e-10, 0.1999])
    assert [name(v) for v in decide(y, 0.004, INF, (0.2, 0.2), True, final=True)[0]] == [
        "discard", "discard", "monitor"
    ]  # fmt: skip
    assert [name(v) for v in decide(-y, 0.004, INF, (-0.2, -0.2), False, final=True)[0]] == [
        "discard", "discard", "monitor"
    ]  # fmt: skip
    assert [name(v) for v in decide(y, 0.004, INF, (0.2, 0.2), True)[0]] == ["remeasure"] * 3


def test_risks_move_the_decision():
    """p_lo = risk_accept and p_hi = 1 - risk_discard come from the catalogue (S12)."""
    y, u, limits = 0.193, 0.004, (0.2, 0.2)  # P = 0.040
    assert name(decide(y, u, INF, limits, True)[0]) == "serviceable"
    assert name(decide(y, u, INF, limits, True, risks=(0.01, 0.05))[0]) == "remeasure"
    assert name(decide(0.207, u, INF, limits, True, risks=(0.05, 0.01))[0]) == "remeasure"
    assert name(decide(0.207, u, INF, limits, True, risks=(0.05, 0.05))[0]) == "discard"


def test_a_probability_on_the_risk_counts_as_within():
    """Ties of 1e-9 in P fall to the decision, not to a remeasurement (S0.4)."""
    g = float(guard_band(0.004, 12.0))
    assert name(decide(0.2 - g, 0.004, 12.0, (0.2, 0.2), True)[0]) == "serviceable"
    assert name(decide(0.2 + g, 0.004, 12.0, (0.2, 0.2), True)[0]) == "discard"
    assert name(decide(0.2 - g + 1e-7, 0.004, 12.0, (0.2, 0.2), True)[0]) == "remeasure"


def test_no_limit_discards_nothing():
    """Without a discard limit there is no probability; a monitor limit alone still watches."""
    verdict, p = decide([90.0, 91.0], 0.01, INF, (NAN, [NAN, 90.5]), True)
    assert [name(v) for v in verdict] == ["serviceable", "monitor"]
    assert np.isnan(p).all()


def test_an_offset_is_judged_by_conformance_probability():
    """Inside min..max is serviceable, outside or too near to tell is monitor, and never discard (S12)."""
    verdict, p = decide_offset([1.5, 0.7, 2.2, 0.805], 0.01, INF, (0.8, 2.2))
    assert [name(v) for v in verdict] == ["serviceable", "monitor", "monitor", "monitor"]
    np.testing.assert_allclose(p, [1, 0, 0.5, stats.norm.cdf(0.5)], atol=1e-9)
    assert name(decide_offset(5.0, 0.01, INF, (0.8, NAN))[0]) == "serviceable"
    assert name(decide_offset(1.5, 0.01, INF, (0.8, 2.2), blocked=True)[0]) == "remeasure"


def test_the_most_severe_verdict_is_the_maximum():
    """discard > remeasure > monitor > serviceable (S6.3)."""
    assert max(Verdict.REMEASURE, Verdict.MONITOR) is Verdict.REMEASURE
    assert sorted(Verdict) == [Verdict.SERVICEABLE, Verdict.MONITOR, Verdict.REMEASURE, Verdict.DISCARD]


def test_capability_compares_the_way_with_the_uncertainty():
    """C_m = T / (4 u); unknown without a limit or a u (S6.2)."""
    got = capability_index([0.08, 97.91, 0.08, 0.08], [0.21, 97.80, NAN, 0.21], [0.004, 0.04, 0.004, NAN])
    np.testing.assert_allclose(got, [8.125, 0.6875, NAN, NAN])


size = st.floats(0.1, 0.3)
width = st.floats(1e-4, 0.05)
dof = st.one_of(st.floats(1.0, 500.0), st.just(INF))


@given(size, size, width, dof)
def test_probability_grows_with_the_size(a, b, u, nu):
    """P(beyond) is monotone in the size: rising for a bore, falling for a shaft."""
    low, high = min(a, b), max(a, b)
    assert probability_beyond(low, u, nu, 0.2, True) <= probability_beyond(high, u, nu, 0.2, True)
    assert probability_beyond(low, u, nu, 0.2, False) >= probability_beyond(high, u, nu, 0.2, False)


@given(size, width, dof, st.floats(0.001, 0.2), st.floats(0.001, 0.2))
def test_verdicts_nest_with_the_risks(y, u, nu, a, b):
    """A smaller risk never turns remeasure into a decision: what is decided at the strict risk stays decided."""
    strict, lax = min(a, b), max(a, b)
    hard, _ = decide(y, u, nu, (0.2, 0.2), True, (strict, strict))
    soft, _ = decide(y, u, nu, (0.2, 0.2), True, (lax, lax))
    assert hard == soft or name(hard) == "remeasure"


@given(size, width, dof)
def test_guard_band_and_probability_are_one_rule(y, u, nu):
    """ "P <= 0.05" and "y <= L - g" are the same rule (S6.2)."""
    margin = 0.2 - guard_band(u, nu) - y
    if abs(margin) > 1e-6 * u:
        assert (probability_above(y, u, nu, 0.2) <= 0.05) == (margin > 0)


@given(st.lists(st.tuples(size, width, dof), min_size=1, max_size=8))
def test_a_row_of_a_batch_decides_like_its_single_case(rows):
    """Deciding many at once decides each as if alone."""
    y, u, nu = np.array(rows).T
    verdicts, p = decide(y, u, nu, (np.full(len(y), 0.2), np.full(len(y), 0.18)), True)
    for i, row in enumerate(rows):
        verdict, alone = decide(*row, (0.2, 0.18), True)
        assert verdict == verdicts[i] and alone == p[i]
