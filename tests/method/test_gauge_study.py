"""Gauge studies: the published example, another library's variance components, degrees of freedom, refusals."""

import json
from pathlib import Path

import numpy as np
import pytest

from worker.method.gauge_study import Spreads, UnfitStudy, analyse_ranges, analyse_variance
from worker.method.range_constants import (
    per_mean_range,
    per_single_range,
    range_moments,
    upper_range_factor,
)

PUBLISHED = json.loads((Path(__file__).parents[1] / "published" / "gauge_study.json").read_text())
MEASUREMENTS = np.array(PUBLISHED["measurements"])
CASES = {case["id"]: case for case in PUBLISHED["cases"]}


def simulated(parts: int, appraisers: int, trials: int, seed: int) -> np.ndarray:
    rng = np.random.default_rng(seed)
    return (
        90.0
        + 0.02 * rng.normal(size=(parts, 1, 1))
        + 0.002 * rng.normal(size=(1, appraisers, 1))
        + 0.001 * rng.normal(size=(parts, appraisers, 1))
        + 0.0015 * rng.normal(size=(parts, appraisers, trials))
    )


def agree(case_id: str, found: dict[str, object]) -> None:
    case = CASES[case_id]

    def check(path: str, expected: object, got: object) -> None:
        if isinstance(expected, dict):
            for name, value in expected.items():
                check(f"{path}.{name}" if path else name, value, got[name])  # type: ignore[index]
            return
        tolerance = case["tol"].get(path, case["tol"]["*"])
        if isinstance(expected, bool) or not tolerance:
            assert got == expected, path
        else:
            assert got == pytest.approx(expected, abs=tolerance.get("abs", 0), rel=tolerance.get("rel", 0)), path

    for name, expected in case["expect"].items():
        check(name, expected, found[name])


@pytest.mark.published
def test_pooled_analysis_of_variance() -> None:
    """AIAG MSA 4th ed., analysis of variance table: interaction pooled, EV, AV, GRR, PV, TV, percentages, ndc 4."""
    study = analyse_variance(MEASUREMENTS)
    spread, percent, contribution = (
        study.spreads,
        study.spreads.percent_of_study(),
        study.spreads.percent_contribution(),
    )
    words = {"rep": "repeatability", "op": "reproducibility", "grr": "gauge", "part": "part", "total": "total"}
    agree(
        "P09",
        {
            "df_rep": study.repeatability_dof,
            "sd": {short: getattr(spread, word) for short, word in words.items()},
            "pct_sv": {short: percent[word] for short, word in words.items()},
            "pct_contribution": {short: contribution[word] for short, word in words.items()},
            "ndc": spread.distinct_categories,
            "ndc_raw": 1.41 * spread.part / spread.gauge,
            "pooled": study.pooled,
        },
    )
    assert study.reproducibility_dof == pytest.approx(1.900, abs=5e-4)  # Satterthwaite, by hand


@pytest.mark.published
def test_analysis_of_variance_with_interaction() -> None:
    """AIAG MSA 4th ed., same data, never pooled: sums of squares, F, p, raw negative interaction variance."""
    study = analyse_variance(MEASUREMENTS, pool_above=1.0)
    short = {"part": "part", "op": "appraiser", "int": "interaction", "rep": "repeatability"}
    agree(
        "P10",
        {
            "SS": {name: study.sums_of_squares[word] for name, word in short.items()},
            "F_int": study.interaction_f,
            "p_int": study.interaction_p,
            "F_part": study.part_f,
            "F_op": study.appraiser_f,
            "sd": {"rep": study.spreads.repeatability},
            "raw_var": {"int": study.variances["interaction"]},
        },
    )
    assert study.interaction == 0.0 and not study.pooled
    assert analyse_variance(MEASUREMENTS, pool_above=0.0).pooled


@pytest.mark.published
def test_average_and_range() -> None:
    """AIAG MSA 4th ed., average and range report; it rounds the ranges first, hence 1e-4."""
    study = analyse_ranges(MEASUREMENTS)
    percent = study.spreads.percent_of_study()
    agree(
        "P11",
        {
            "Rbar": study.mean_range,
            "Xdiff": study.appraiser_range,
            "Rp": study.part_range,
            "EV": study.spreads.repeatability,
            "AV": study.spreads.reproducibility,
            "GRR": study.spreads.gauge,
            "PV": study.spreads.part,
            "TV": study.spreads.total,
            "pct": {
                "EV": percent["repeatability"],
                "AV": percent["reproducibility"],
                "GRR": percent["gauge"],
                "PV": percent["part"],
            },
            "ndc": study.spreads.distinct_categories,
        },
    )
    assert study.upper_range == pytest.approx(2.574 * 0.3417, rel=5e-4)  # D4 as printed


@pytest.mark.published
def test_range_constants_are_the_printed_ones() -> None:
    """AIAG MSA 4th ed. and control chart tables: d2, D4, K1, K2, K3."""
    assert [round(range_moments(n)[0], 4) for n in range(2, 7)] == [1.1284, 1.6926, 2.0588, 2.3259, 2.5344]
    assert [round(upper_range_factor(n), 4) for n in range(2, 7)] == [3.2665, 2.5746, 2.2821, 2.1145, 2.0038]
    assert [per_mean_range(n) for n in (2, 3)] == pytest.approx([0.8862, 0.5908], abs=6e-5)
    printed = [0.7071, 0.5231, 0.4467, 0.4030, 0.3742, 0.3534, 0.3375, 0.3249, 0.3146]
    assert [per_single_range(n) for n in range(2, 11)] == pytest.approx(printed, abs=6e-5)


@pytest.mark.published
@pytest.mark.parametrize(("parts", "appraisers", "trials"), [(10, 3, 3), (5, 2, 2), (12, 4, 2)])
def test_sums_of_squares_against_statsmodels(parts: int, appraisers: int, trials: int) -> None:
    """The two-way table of statsmodels on simulated studies."""
    pandas = pytest.importorskip("pandas")
    formula = pytest.importorskip("statsmodels.formula.api")
    anova = pytest.importorskip("statsmodels.stats.anova")
    y = simulated(parts, appraisers, trials, 51)
    index = np.indices(y.shape).reshape(3, -1)
    frame = pandas.DataFrame({"y": y.ravel() - 90.0, "part": index[0], "who": index[1]})
    table = anova.anova_lm(formula.ols("y ~ C(part) * C(who)", frame).fit())
    study = analyse_variance(y)
    rows = {
        "part": "C(part)",
        "appraiser": "C(who)",
        "interaction": "C(part):C(who)",
        "repeatability": "Residual",
    }
    for source, row in rows.items():
        assert study.sums_of_squares[source] == pytest.approx(table.loc[row, "sum_sq"], rel=1e-8)
        assert study.degrees_of_freedom[source] == table.loc[row, "df"]
    assert study.interaction_p == pytest.approx(table.loc["C(part):C(who)", "PR(>F)"], rel=1e-7)


def test_variance_components_are_unbiased() -> None:
    """Over 400 simulated studies the mean of each estimated variance is the true one within four standard errors."""
    found = [analyse_variance(simulated(10, 3, 3, seed), pool_above=1.0).variances for seed in range(400)]
    truth = {"repeatability": 0.0015**2, "interaction": 0.001**2, "appraiser": 0.002**2, "part": 0.02**2}
    for source, variance in truth.items():
        values = np.array([study[source] for study in found])
        assert abs(values.mean() - variance) < 4.0 * values.std() / 20.0, source


def test_unpooled_reproducibility_has_its_own_degrees_of_freedom() -> None:
    """Satterthwaite on MS_O/(pr), (1/r - 1/(pr)) MS_PO and -MS_E/r, which sum to the reproducibility variance."""
    study = analyse_variance(simulated(8, 3, 2, 7), pool_above=1.0)
    p, r = 8, 2
    terms = np.array(
        [
            study.mean_squares["appraiser"] / (p * r),
            study.mean_squares["interaction"] * (1 / r - 1 / (p * r)),
            -study.mean_squares["repeatability"] / r,
        ]
    )
    dof = [study.degrees_of_freedom[source] for source in ("appraiser", "interaction", "repeatability")]
    assert study.reproducibility_dof == pytest.approx(terms.sum() ** 2 / (terms**2 / dof).sum())
    assert terms.sum() == pytest.approx(study.variances["appraiser"] + study.variances["interaction"])


def test_figures_do_not_depend_on_the_size_measured() -> None:
    """A nominal of 90 mm added to spreads of micrometres costs no digits."""
    y = simulated(10, 3, 3, 3) - 90.0
    small, large = analyse_variance(y), analyse_variance(np.round(y + 90.0, 12))
    assert large.spreads.gauge == pytest.approx(small.spreads.gauge, rel=1e-9)


def test_a_study_without_scatter_is_defined() -> None:
    """Identical trials: no gauge spread, no number of categories, no warning."""
    parts = np.arange(5.0)[:, None, None] * np.ones((1, 2, 2))
    with np.errstate(all="raise"):
        study, ranges = analyse_variance(parts), analyse_ranges(parts)
        flat = analyse_variance(np.ones((3, 2, 2)))
    assert study.spreads.gauge == 0.0 and study.spreads.distinct_categories is None
    assert ranges.spreads.distinct_categories is None
    assert np.isnan(study.reproducibility_dof)
    assert np.isnan(flat.spreads.percent_of_study()["gauge"])


def test_percentages_of_a_tolerance() -> None:
    """Six standard deviations against the tolerance."""
    spreads = Spreads.of(0.003, 0.004, 0.05)
    assert spreads.gauge == pytest.approx(0.005)
    assert spreads.percent_of_tolerance(0.1)["gauge"] == pytest.approx(30.0)
    assert spreads.distinct_categories == 14


@pytest.mark.parametrize(
    "bad",
    [
        [],
        [[[1.0, 2.0]]],
        [[[1.0], [2.0]], [[1.0], [2.0]]],
        [[[1.0, 2.0], [1.0, 2.0]], [[1.0, 2.0], [1.0]]],
        [[[1.0, np.nan], [1.0, 2.0]], [[1.0, 2.0], [1.0, 2.0]]],
        "study",
    ],
)
def test_what_is_no_study_is_refused(bad: object) -> None:
    """Too few parts, appraisers or trials, gaps and figures that are not finite."""
    with pytest.raises(UnfitStudy):
        analyse_variance(bad)  # type: ignore[arg-type]
    with pytest.raises(UnfitStudy):
        analyse_ranges(bad)  # type: ignore[arg-type]


def test_reproducibility_of_one_source_is_not_exact():
    """Where one estimate is negative, and larger than the other, AV is that of the other and its nu a number (S7.5)."""
    low, high = [-0.4, 0.4], [0.1, 0.9]
    study = analyse_variance([[low, high], [high, low]], pool_above=1.0)
    # MS_O = 0 with 1, MS_PO = 0.5 with 1, MS_E = 0.32 with 4: s2_O = -0.125, s2_PO = 0.09
    assert study.spreads.reproducibility == pytest.approx(0.3)
    assert study.reproducibility_dof == pytest.approx((0.125 - 0.16) ** 2 / (0.125**2 / 1 + 0.16**2 / 4))
    study = analyse_variance([[low, high], [low, high]], pool_above=1.0)
    # MS_O = 0.5, MS_PO = 0, MS_E = 0.32: s2_O = 0.125, s2_PO = -0.16
    assert study.spreads.reproducibility == pytest.approx(0.125**0.5)
    assert study.reproducibility_dof == pytest.approx((0.125 - 0.16) ** 2 / (0.125**2 / 1 + 0.16**2 / 4))
    none = analyse_variance([[low, low], [high, high]], pool_above=1.0)
    assert none.spreads.reproducibility == 0 and np.isnan(none.reproducibility_dof)
