"""Sizes: means, extremes, shape and uncertainty of measurands (S4.4, S5)."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import studentized_range

from tests.method.check_cases import agrees, cases, worked_example
from tests.method.size_bench import NAN, bench, from_documents
from worker.method.budget import repeat_statistics
from worker.method.history_blunders import station_u
from worker.method.roundness import fit_second_harmonic, ovality_threshold, selection_bias, taper_weights
from worker.method.sizes import measure
from worker.method.wear_track import wear_tracks

GAUGE = {
    "resolution": 0.001, "calibration_u": 0.001, "repeatability": 0.001, "repeatability_nu": 40.0
}  # fmt: skip
AT_20 = {"gauge": 0, "part_c": 20.0, "reference_c": 20.0}


def at(station: int, orientation: float, value: float, position: float = NAN) -> dict[str, object]:
    return AT_20 | {
        "station": station, "orientation": orientation, "value": value, "position": position
    }  # fmt: skip


@pytest.mark.published
@pytest.mark.parametrize("case", cases("harmonic2"))
def test_an_ellipse_is_fitted_as_published(case):
    """(5.1): mean, ovality, extremes and axis of a station's diameters."""
    fit = fit_second_harmonic(np.array(case["in"]["phi"], float), np.array(case["in"]["d"]), np.array([0]))
    largest, least = fit.mean[0] + fit.amplitude[0], fit.mean[0] - fit.amplitude[0]
    agrees(case, mean=fit.mean[0], ovality=fit.ovality[0], max=largest, min=least, phi_max=fit.axis[0])


@pytest.mark.published
@pytest.mark.parametrize("case", cases("taper"))
def test_taper_is_the_slope_times_the_span_as_published(case):
    """S5.3: slope, taper, its uncertainty per station's, and the residual, against the published line."""
    z, d = np.array(case["in"]["z"], float), np.array(case["in"]["d"])
    weights = taper_weights(z, np.zeros(len(z), np.int64), 1)
    span = np.ptp(z)
    slope = weights @ d / span
    rest = d - d.mean() - slope * (z - z.mean())
    agrees(
        case,
        slope=slope,
        taper=weights @ d,
        u_slope_per_unit_s=np.sqrt(weights @ weights) / span,
        s_res=np.sqrt(rest @ rest / (len(z) - 2)),
    )


@pytest.mark.published
@pytest.mark.parametrize("case", cases("wear_track"))
def test_the_wear_track_is_found_as_published(case):
    """S5.4: deepest station, vertex of the parabola through its neighbours, ends of the track."""
    # among a shorter one, so that the columns after its last station are empty
    rows = [np.array([case["in"][name], [0, 1, *[np.nan] * 4]], float) for name in ("z", "wear", "u_wear")]
    track = wear_tracks(*rows)
    agrees(
        case,
        i_max=track.deepest[0],
        z_peak=track.peak_position[0],
        wear_peak=track.peak_wear[0],
        track=[track.first[0], track.last[0]],
    )
    assert (track.deepest[1], track.peak_position[1], track.peak_wear[1]) == (1, 1.0, 1.0)


def test_a_wear_track_without_significant_wear_has_no_ends():
    """Wear within 2 u of nothing makes no track; a deepest point at the end has no parabola."""
    track = wear_tracks(np.array([[0.0, 10, 20]]), np.array([[0.003, 0.001, 0.0]]), np.full((1, 3), 0.002))
    assert np.isnan(track.first) and np.isnan(track.last)
    assert (track.deepest, track.peak_position, track.peak_wear) == (0, 0.0, 0.003)


@pytest.mark.published
def test_the_worked_example_gives_its_sizes():
    """Every size of the worked example within its stated tolerances."""
    document = worked_example()
    tolerance = document["tolerances"]
    made = from_documents(document)
    sizes = measure(made.bench)
    for expected in document["expected"]["sizes"]:
        i = made.features.index(expected["feature"])
        assert sizes.readings[i] == expected["readings"]
        assert sizes.worst_station[i] == expected["worst_station"]
        for name in ("mean", "min", "max", "worst", "out_of_round"):
            assert getattr(sizes, name)[i] == pytest.approx(expected[name], abs=tolerance["lengths_mm"])
        of = sizes.of_worst
        u, nu = expected["standard_uncertainty"], expected["degrees_of_freedom"]
        assert of.u[i] == pytest.approx(u, rel=tolerance["standard_uncertainty_rel"])
        assert of.nu[i] == pytest.approx(nu, rel=tolerance["degrees_of_freedom_rel"])
        assert of.k[i] == pytest.approx(expected["coverage_factor"], rel=tolerance["coverage_factor_rel"])
        assert of.U[i] == pytest.approx(expected["expanded_uncertainty"], rel=1e-6)
    assert np.isnan(sizes.taper).all()
    assert not sizes.assumed_gauge.any() and not sizes.temperature_missing.any()


def test_stations_weigh_equally_in_the_mean():
    """A station with three orientations counts no more than one with a single reading (S5)."""
    rows = [at(1, 0.0, 90.0), at(1, 60.0, 90.0), at(1, 120.0, 90.0), at(2, 0.0, 90.04)]
    assert measure(bench(rows, [{}], [GAUGE])).mean[0] == pytest.approx(90.02, abs=1e-12)


def test_worst_follows_the_kind_and_names_its_station():
    """The smallest shaft and the largest bore are the worst; the first of equals names the station."""
    rows = [at(1, 0.0, 90.0), at(2, 0.0, 90.01), at(2, 90.0, 90.03), at(3, 0.0, 90.0), at(4, 0.0, 90.03)]
    both = [row | {"measurand": m} for m in (0, 1) for row in rows]
    sizes = measure(bench(both, [{"grows": False}, {"grows": True}], [GAUGE]))
    assert sizes.worst.tolist() == [90.0, 90.03]
    assert sizes.worst_station.tolist() == [1, 2]
    assert sizes.min.tolist() == [90.0, 90.0] and sizes.max.tolist() == [90.03, 90.03]


def test_out_of_round_is_the_largest_of_the_stations():
    """Second harmonic where a station has 3 orientations mod 180, else max - min (S5.2)."""
    ellipse = [at(1, phi, 90 + 0.01 * np.cos(np.radians(2 * (phi - 30)))) for phi in (0.0, 60.0, 120.0)]
    assert measure(bench(ellipse, [{}], [GAUGE])).out_of_round[0] == pytest.approx(0.02, abs=1e-10)
    # 0 and 180 deg are one diameter: two orientations, so the difference counts
    turned = [at(1, 0.0, 90.0), at(1, 90.0, 90.005), at(1, 180.0, 90.008)]
    assert measure(bench(turned, [{}], [GAUGE])).out_of_round[0] == pytest.approx(0.008, abs=1e-10)
    wide = [*ellipse, at(2, 0.0, 90.0), at(2, 90.0, 90.03)]
    assert measure(bench(wide, [{}], [GAUGE])).out_of_round[0] == pytest.approx(0.03, abs=1e-10)
    assert measure(bench([at(1, 0.0, 90.0)], [{}], [GAUGE])).out_of_round[0] == 0


def test_the_ellipse_agrees_with_least_squares_at_uneven_angles():
    """Independent path: numpy's least squares on the same three columns."""
    rng = np.random.default_rng(5)
    phi = np.sort(rng.uniform(0, 360, 7))
    d = 90 + 0.01 * np.cos(np.radians(2 * phi - 40)) + rng.normal(0, 0.001, 7)
    t = np.radians(2 * phi)
    (mean, a, b), *_ = np.linalg.lstsq(np.stack([np.ones(7), np.cos(t), np.sin(t)], axis=1), d)
    fit = fit_second_harmonic(phi, d, np.array([0]))
    np.testing.assert_allclose([fit.mean[0], fit.amplitude[0]], [mean, np.hypot(a, b)], rtol=1e-9)


def test_taper_needs_two_positions_and_carries_only_read_terms():
    """Shared influences cancel in a taper; u is u_station / sqrt(sum (z - zbar)^2) times the span (S5.3)."""
    rows = [at(s, phi, 90 + 0.01 * s, 20.0 * s) for s in (1, 2, 3) for phi in (0.0, 90.0)]
    sizes = measure(bench(rows, [{}], [GAUGE]))
    assert sizes.taper[0] == pytest.approx(0.02, abs=1e-10)
    assert sizes.taper_u[0] == pytest.approx(0.001 / 2**0.5 / 800**0.5 * 40, rel=1e-4)
    one = measure(bench([at(1, 0.0, 90.0, 20.0), at(2, 0.0, 90.0)], [{}], [GAUGE]))
    assert np.isnan(one.taper[0]) and np.isnan(one.taper_u[0])


@pytest.mark.published
def test_ovality_is_judged_by_the_studentised_range():
    """q(0.95; 3, 10) = 3.88 and q(0.95; 5, inf) = 3.86. Tables of the studentised range, from memory."""
    assert ovality_threshold(3, 10, 1.0) == pytest.approx(3.88, abs=0.005)
    assert ovality_threshold(5, np.inf, 1.0) == pytest.approx(3.86, abs=0.005)


@pytest.mark.parametrize("n", [3, 12, 20])
def test_the_studentised_range_between_the_columns_of_the_table(n):
    """The table and what lies between its columns agree with scipy's distribution; below 6 it is never too small."""
    for nu in (9.5, 42, np.inf):
        missed = studentized_range.cdf(ovality_threshold(n, nu, 1.0), n, min(nu, 1e5))
        assert missed == pytest.approx(0.95, abs=0.0005 if n <= 12 else 0.03), nu
    assert studentized_range.cdf(ovality_threshold(n, 2.7, 1.0), n, 2.7) > 0.95


@pytest.mark.published
def test_selection_bias_is_the_mean_of_the_largest_of_normal_values():
    """e_K of S5.1 agrees with simulation, and beyond 12 stays at that of 12."""
    draws = np.random.default_rng(1).normal(size=(200_000, 12))
    for k in range(1, 13):
        assert selection_bias(np.array(k), 1.0) == pytest.approx(draws[:, :k].max(axis=1).mean(), abs=0.006)
    assert selection_bias(np.array(40), 1.0) == pytest.approx(1.629)


FIGURES = ("mean", "min", "max", "worst", "out_of_round", "taper", "taper_u")


def same_sizes(a, b, rows_a=slice(None), rows_b=slice(None), rel=1e-12):
    """All figures of two results agree; shape figures against the size they are differences of."""
    for name in FIGURES:
        x, y = getattr(a, name)[rows_a], getattr(b, name)[rows_b]
        np.testing.assert_allclose(x, y, rtol=rel, atol=rel * 100, equal_nan=True, err_msg=name)
    for of in ("of_worst", "of_mean"):
        for name in ("u", "nu", "k", "U"):
            x, y = getattr(getattr(a, of), name)[rows_a], getattr(getattr(b, of), name)[rows_b]
            np.testing.assert_allclose(x, y, rtol=rel, equal_nan=True, err_msg=name)


places = st.tuples(
    st.integers(0, 2),  # measurand
    st.integers(0, 3),  # station
    st.sampled_from([NAN, 0.0, 60.0, 90.0, 120.0]),
    st.integers(-60, 60),  # um
    st.integers(-1, 1),  # gauge
    st.sampled_from([NAN, 20.0, 24.5]),
    st.sampled_from([NAN, 22.0]),
)
batches = st.lists(places, min_size=3, max_size=30).filter(lambda rows: {r[0] for r in rows} == {0, 1, 2})


def batch(rows) -> list[dict[str, object]]:
    return [
        {
            "measurand": m, "station": s, "orientation": phi, "value": 90 + um * 1e-3, "gauge": g,
            "position": 30.0 * s if s else NAN, "part_c": part, "reference_c": reference,
        }
        for m, s, phi, um, g, part, reference in rows
    ]  # fmt: skip


SUBJECTS = [{"grows": True}, {"grows": False, "inspection": 1}, {"grows": True, "inspection": 1}]
GAUGES = [GAUGE, {"kind": 3, "resolution": 0.002}]


@settings(max_examples=150, deadline=None)
@given(batches, st.randoms(use_true_random=False))
def test_the_order_of_readings_changes_no_figure(rows, random):
    """Permuting readings changes no figure beyond 1e-12 relative."""
    shuffled = list(rows)
    random.shuffle(shuffled)
    same_sizes(measure(bench(batch(rows), SUBJECTS, GAUGES)), measure(bench(batch(shuffled), SUBJECTS, GAUGES)))


@settings(max_examples=100, deadline=None)
@given(batches)
def test_a_row_of_a_batch_equals_its_single_case(rows):
    """What is computed for one measurand does not depend on the company it is computed in."""
    together = measure(bench(batch(rows), SUBJECTS, GAUGES))
    for m, subject in enumerate(SUBJECTS):
        own = [row | {"measurand": 0} for row in batch(rows) if row["measurand"] == m]
        alone = measure(bench(own, [subject | {"inspection": 0}], GAUGES))
        same_sizes(together, alone, [m], [0])


def test_the_worked_example_among_copies_equals_itself():
    """A batch of 50 inspections gives each what it gets by itself."""
    alone = measure(from_documents(worked_example()).bench)
    together = measure(from_documents(worked_example(), copies=50).bench)
    m = len(alone.mean)
    for copy in (0, 17, 49):
        same_sizes(together, alone, slice(copy * m, (copy + 1) * m))


@settings(max_examples=60, deadline=None)
@given(st.lists(st.floats(-0.05, 0.05), min_size=2, max_size=6), st.floats(-5, 5))
def test_a_constant_on_the_readings_shifts_the_size_and_nothing_else(deviations, constant):
    """At 20 degC a constant added to direct readings shifts mean and extremes, and leaves the random part."""
    rows = [at(i + 1, 0.0, 90 + d, 10.0 * i) for i, d in enumerate(deviations)]
    moved = [row | {"value": row["value"] + constant} for row in rows]
    a, b = measure(bench(rows, [{}], [GAUGE])), measure(bench(moved, [{}], [GAUGE]))
    for name in ("mean", "min", "max", "worst"):
        np.testing.assert_allclose(getattr(b, name), getattr(a, name) + constant, rtol=1e-12)
    np.testing.assert_allclose(b.out_of_round, a.out_of_round, atol=1e-12)
    np.testing.assert_allclose(b.taper, a.taper, atol=1e-11)


def test_the_random_part_of_a_station_is_known_by_itself():
    """u of a station's mean without shared influences divides by its readings alone (S8.1)."""
    rows = [at(1, 0.0, 90.0), at(1, 90.0, 90.0), at(1, 90.0, 90.001), at(2, 0.0, 90.0)]
    sizes = measure(bench(rows, [{}], [GAUGE]))
    expected = [(0.001**2 + 0.001**2 / 2) ** 0.5 / 2, 0.001]
    np.testing.assert_allclose(station_u(sizes), expected, rtol=1e-9)


@settings(max_examples=40, deadline=None)
@given(batches)
def test_a_reading_that_says_nothing_changes_nothing(rows):
    """A trace without an accepted swing beside other readings leaves every figure as it was (S13)."""
    empty = {"measurand": 1, "station": 2, "orientation": 60.0, "value": NAN, "trace_u": NAN, "gauge": 0}
    same_sizes(measure(bench(batch(rows), SUBJECTS, GAUGES)), measure(bench([empty, *batch(rows)], SUBJECTS, GAUGES)))


def test_repeats_far_from_zero_keep_their_spread():
    """The sample deviation of micrometres on 90 mm loses no digits."""
    x = 90 + 1e-3 * np.array([1.0, 2.0, 4.0])
    _, s, _ = repeat_statistics(x, np.array([0]))
    assert s[0] == pytest.approx(1e-3 * np.std([1, 2, 4], ddof=1), rel=1e-10)


def test_positions_of_unmeasured_stations_do_not_matter():
    """A measurand left without readings has no taper and no station, and its neighbours keep theirs."""
    rows = [at(1, 0.0, 90.0, 10.0), at(2, 0.0, 90.01, 20.0)]
    made = bench([row | {"measurand": 2} for row in rows], [{}, {}, {}], [GAUGE])
    sizes = measure(replace(made))
    assert np.isnan(sizes.taper[:2]).all() and sizes.taper[2] == pytest.approx(0.01, abs=1e-10)
    assert sizes.min_at.tolist() == [-1, -1, 0] and sizes.worst_station.tolist() == [0, 0, 1]
