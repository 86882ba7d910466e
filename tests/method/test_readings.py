"""Readings to sizes at 20 degC with their influences: S1, S3, S4.2, S11 and S12 of the method page."""

import numpy as np
import pytest

from tests.method.check_cases import agrees, cases
from tests.method.size_bench import NAN, bench, parameters
from worker.method.influences import GAUGE_KINDS, Influence, budget_lines
from worker.method.sizes import Sizes, measure
from worker.method.thermal import size_at_20

MICROMETER = {
    "kind": GAUGE_KINDS.index("micrometer"), "resolution": 0.001, "calibration_u": 0.001,
    "repeatability": 0.001, "repeatability_nu": 40.0, "reproducibility": 0.0008, "reproducibility_nu": 12.0,
}  # fmt: skip
AT_25 = {"station": 1, "orientation": 0.0, "gauge": 0, "operator": 0, "part_c": 25.0, "reference_c": 25.0}
ALPHA = 1e-6 / 3**0.5


def terms(sizes: Sizes, row: int = 0) -> dict[tuple[Influence, tuple[int | str, ...]], float]:
    """Contribution of each influence to the mean of one measurand."""
    columns = sizes.reduced.columns
    lines = budget_lines(sizes.mean_forms, row, columns)
    return {columns.describe(int(c)): float(d) for c, d in zip(lines.column, lines.contribution, strict=True)}


def kinds(sizes: Sizes, row: int = 0) -> set[Influence]:
    return {kind for kind, _ in terms(sizes, row)}


@pytest.mark.published
@pytest.mark.parametrize("case", cases("size20"))
def test_a_size_is_carried_to_20_degrees(case):
    """(3.1) and (3.2) give the published sizes at the reference temperature."""
    given = {"t_part": 20.0, "t_ref_obj": 20.0, "a_part": 11.5e-6, "a_ref": 11.5e-6} | case["in"]
    deviation = given.get("dev")
    got = size_at_20(
        np.array([given["L"] if deviation is None else deviation]),
        np.array([deviation is not None]),
        np.array([given["L"]]),
        (np.array([given["a_part"]]), np.array([given["t_part"] - 20])),
        (np.array([given["a_ref"]]), np.array([given["t_ref_obj"] - 20])),
    )
    agrees(case, v=got.size[0])


@pytest.mark.parametrize("is_deviation", [True, False])
def test_sensitivities_are_the_derivatives(is_deviation):
    """(3.3) with its divisor equals central differences of (3.1) and (3.2) in every input."""
    at = np.array([0.031 if is_deviation else 89.9, 90.0012, 12e-6, 4.3, 11.5e-6, -2.2])

    def size(x):
        indication, master, a_p, theta_p, a_r, theta_r = x[:, None]
        flag = np.array([is_deviation])
        return size_at_20(indication, flag, master, (a_p, theta_p), (a_r, theta_r))

    steps = np.array([1e-3, 1e-3, 1e-6, 1e-2, 1e-6, 1e-2])
    numeric = []
    for i, step in enumerate(steps):
        e = np.zeros(6)
        e[i] = step
        numeric.append((size(at + e).size[0] - size(at - e).size[0]) / (2 * step))
    s = size(at)
    exact = [
        s.to_indication, s.to_master, s.to_part_expansion, s.to_part_temperature, s.to_reference_expansion,
        s.to_reference_temperature,
    ]  # fmt: skip
    np.testing.assert_allclose(numeric, np.concatenate(exact), rtol=1e-6, atol=1e-10)
    np.testing.assert_allclose(s.to_zero, -s.to_indication if is_deviation else 0)


def test_bias_is_taken_off():
    """A gauge's error of indication is subtracted from what it showed (S1)."""
    sizes = measure(bench([AT_25 | {"value": 90.0}], [{}], [MICROMETER | {"bias": 0.0005}]))
    assert sizes.mean[0] == pytest.approx(89.9995, abs=1e-12)


def test_repeats_average_the_random_part_and_nothing_else():
    """n repeats divide the study's EV by sqrt(n); calibration and operator stay whole (4.1, S4.4)."""
    rows = [AT_25 | {"value": v} for v in (90.0, 90.004, 89.998, 90.002)]
    got = terms(measure(bench(rows, [{}], [MICROMETER])))
    read = next(d for (kind, _), d in got.items() if kind is Influence.READ)
    assert read == pytest.approx(0.0005, rel=1e-3)
    assert got[(Influence.CALIBRATION, (0,))] == pytest.approx(0.001, rel=1e-3)
    assert got[(Influence.OPERATOR, (0, 0))] == pytest.approx(0.0008, rel=1e-3)


def test_locations_average_the_random_part_and_nothing_else():
    """A mean of four locations divides the read term by four readings' worth, the shared terms by nothing (S4.4)."""
    rows = [AT_25 | {"value": 90.0, "station": s, "orientation": o} for s in (1, 2) for o in (0.0, 90.0)]
    sizes = measure(bench(rows, [{}], [MICROMETER]))
    got = terms(sizes)
    read = [d for (kind, _), d in got.items() if kind is Influence.READ]
    np.testing.assert_allclose(read, 0.00025, rtol=1e-3)
    assert len(read) == 4
    assert got[(Influence.CALIBRATION, (0,))] == pytest.approx(0.001, rel=1e-3)
    assert sizes.readings[0] == 4


def test_the_resolution_wins_where_it_is_the_larger():
    """u = max(s / sqrt(n), q / (2 sqrt 3)), never both; the resolution is rectangular and exact (4.1)."""
    coarse = MICROMETER | {"resolution": 0.01}
    sizes = measure(bench([AT_25 | {"value": 90.0}], [{}], [coarse]))
    columns = sizes.reduced.columns
    lines = budget_lines(sizes.mean_forms, 0, columns)
    assert columns.describe(int(lines.column[0]))[0] is Influence.READ
    assert lines.u[0] == pytest.approx(0.01 / 12**0.5)
    assert lines.nu[0] == np.inf and columns.distribution(int(lines.column[0])) == "rectangular"


def test_a_repeatability_stated_without_degrees_of_freedom_is_normal():
    """Only what the resolution decides is rectangular: a stated s is normal, of readings and zero (4.1, S4.7)."""
    stated = MICROMETER | {"repeatability": 0.002, "repeatability_nu": np.inf}
    row = AT_25 | {"value": 0.01, "is_deviation": True, "master": 0, "setup": 0, "zero_readings": 1}
    columns = {}
    for gauge in (stated, stated | {"resolution": 0.01}):
        sizes = measure(bench([row], [{}], [gauge], [{"size": 90.0, "u": 0.0005}]))
        lines = budget_lines(sizes.mean_forms, 0, sizes.reduced.columns)
        columns[gauge["resolution"]] = {
            sizes.reduced.columns.describe(int(c))[0]: sizes.reduced.columns.distribution(int(c)) for c in lines.column
        }
    kinds = (Influence.READ, Influence.ZERO)
    assert [columns[stated["resolution"]][kind] for kind in kinds] == ["normal", "normal"]
    assert [columns[0.01][kind] for kind in kinds] == ["rectangular", "rectangular"]


def test_a_zero_setting_is_shared_by_its_set_up_only():
    """One zero term for all readings of a set-up, EV / sqrt(n_zero), not averaged down; another set-up has its own."""
    row = AT_25 | {"is_deviation": True, "master": 0, "value": 0.02, "zero_readings": 4}
    rows = [row | {"station": s, "setup": s // 3} for s in (1, 2, 3)]
    got = terms(measure(bench(rows, [{}], [MICROMETER], [{"size": 90.0, "u": 0.0005}])))
    zeros = {objects: d for (kind, objects), d in got.items() if kind is Influence.ZERO}
    assert zeros[(0, 0, 0)] == pytest.approx(-2 / 3 * 0.0005, rel=1e-3)
    assert zeros[(0, 1, 0)] == pytest.approx(-1 / 3 * 0.0005, rel=1e-3)


def test_an_unnamed_set_up_is_one_per_gauge_and_inspection():
    """Deviations that name no set-up share one zero within an inspection, and none across inspections (S12)."""
    row = AT_25 | {"is_deviation": True, "master": 0, "value": 0.02}
    rows = [row | {"station": 1}, row | {"station": 2}, row | {"measurand": 1}]
    made = bench(rows, [{}, {"inspection": 1}], [MICROMETER], [{"size": 90.0, "u": 0.0005}])
    sizes = measure(made)
    assert [o for k, o in terms(sizes, 0) if k is Influence.ZERO] == [(0, -1, 0)]
    assert [o for k, o in terms(sizes, 1) if k is Influence.ZERO] == [(1, -1, 0)]


def test_different_gauges_at_one_place_are_separate_groups():
    """Readings of one location with two gauges are two groups, averaged with their keys (S12)."""
    fine = MICROMETER | {"resolution": 0.0001}
    rows = [AT_25 | {"value": v, "gauge": g} for v, g in ((90.0, 0), (90.002, 0), (90.01, 1))]
    sizes = measure(bench(rows, [{}], [MICROMETER, fine]))
    assert sizes.mean[0] == pytest.approx((90.001 + 90.01) / 2, abs=1e-9)
    got = terms(sizes)
    assert got[(Influence.CALIBRATION, (0,))] == pytest.approx(0.0005, rel=1e-3)
    assert got[(Influence.CALIBRATION, (1,))] == pytest.approx(0.0005, rel=1e-3)
    reads = sorted(d for (kind, _), d in got.items() if kind is Influence.READ)
    np.testing.assert_allclose(reads, [0.001 / 2**0.5 / 2, 0.0005], rtol=1e-3)


def test_readings_without_a_place_are_never_repeats():
    """A reading with neither station nor orientation is its own location; with one of the two the other is 0."""
    nowhere = AT_25 | {"station": 0, "orientation": NAN}
    sizes = measure(bench([nowhere | {"value": 90.0}, nowhere | {"value": 90.01}], [{}], [MICROMETER]))
    assert len(sizes.locations.value) == 2
    assert sizes.worst_station[0] == 0 and sizes.worst[0] == pytest.approx(90.0, abs=1e-9)
    half = [AT_25 | {"orientation": NAN, "value": 90.0}, AT_25 | {"orientation": 0.0, "value": 90.01}]
    assert len(measure(bench(half, [{}], [MICROMETER])).locations.value) == 1
    half = [AT_25 | {"station": 0, "value": 90.0}, AT_25 | {"station": 0, "orientation": 0.0, "value": 90.01}]
    assert len(measure(bench(half, [{}], [MICROMETER])).locations.value) == 1


def test_a_reading_without_a_gauge_is_given_the_stated_uncertainty():
    """No gauge named: 8 um random and 4 um calibration with 8 degrees of freedom each (S11.1)."""
    sizes = measure(bench([AT_25 | {"value": 90.0, "gauge": -1}]))
    got = terms(sizes)
    assert got[(Influence.ASSUMED_CALIBRATION, (0, GAUGE_KINDS.index("unnamed")))] == pytest.approx(0.004)
    assert next(d for (kind, _), d in got.items() if kind is Influence.READ) == pytest.approx(0.008)
    assert got[(Influence.EXPANSION, ("gauge", -1))] == pytest.approx(90 * 5 * ALPHA, rel=1e-3)
    assert sizes.assumed_gauge[0]
    expected = 0.008**4 / 8 + 0.004**4 / 8
    assert sizes.of_mean.nu[0] == pytest.approx(sizes.of_mean.u[0] ** 4 / expected)


def test_each_missing_part_of_a_gauge_is_filled_by_itself():
    """No study: the assumed random part; no certificate: the assumed calibration, keyed by kind (S11.1)."""
    dial = GAUGE_KINDS.index("digital-bore")
    no_study = {"kind": dial, "resolution": 0.001, "calibration_u": 0.0007}
    no_certificate = {"kind": dial, "resolution": 0.001, "repeatability": 0.0011, "repeatability_nu": 30.0}
    rows = [AT_25 | {"value": 90.0}, AT_25 | {"value": 90.0, "measurand": 1, "gauge": 1}]
    sizes = measure(bench(rows, [{}, {}], [no_study, no_certificate]))
    first, second = terms(sizes, 0), terms(sizes, 1)
    assert first[(Influence.CALIBRATION, (0,))] == pytest.approx(0.0007)
    assert next(d for (kind, _), d in first.items() if kind is Influence.READ) == pytest.approx(0.0015)
    assert second[(Influence.ASSUMED_CALIBRATION, (0, dial))] == pytest.approx(0.0015)
    assert next(d for (kind, _), d in second.items() if kind is Influence.READ) == pytest.approx(0.0011)
    assert sizes.assumed_gauge.tolist() == [True, True]


def test_repeats_without_a_study_speak_for_themselves():
    """No study but two or more repeats: the sample deviation with n - 1 degrees of freedom (S4.2)."""
    gauge = {"resolution": 0.001, "calibration_u": 0.001}
    sizes = measure(bench([AT_25 | {"value": v} for v in (90.0, 90.004)], [{}], [gauge]))
    columns = sizes.reduced.columns
    lines = budget_lines(sizes.mean_forms, 0, columns)
    assert columns.describe(int(lines.column[0]))[0] is Influence.READ
    assert lines.u[0] == pytest.approx(0.002) and lines.nu[0] == 1
    assert sizes.of_mean.low_dof[0] and not sizes.assumed_gauge[0]


def test_what_has_no_uncertainty_stays_undecided_where_assuming_is_switched_off():
    """With `allowed` false, a single reading without study or certificate has no u (S4.2, S11.1)."""
    off = parameters({"assumed_allowed": False})
    single = {"resolution": 0.001, "calibration_u": 0.001}
    assert np.isnan(measure(bench([AT_25 | {"value": 90.0}], [{}], [single], par=off)).of_mean.u[0])
    no_certificate = {"repeatability": 0.001}
    assert np.isnan(measure(bench([AT_25 | {"value": 90.0}], [{}], [no_certificate], par=off)).of_mean.u[0])
    assert measure(bench([AT_25 | {"value": 90.0}], [{}], [MICROMETER], par=off)).of_mean.u[0] > 0


def test_missing_temperatures_become_one_room_and_own_differences():
    """20 degC +- 10 K for the room, +- 1 K for each object, and the second-order term (S11.2)."""
    row = AT_25 | {"value": 90.0, "part_c": NAN, "reference_c": NAN}
    sizes = measure(bench([row], [{"expansion": 16e-6}], [MICROMETER]))
    got = terms(sizes)
    assert sizes.mean[0] == 90.0 and sizes.temperature_missing[0]
    third = 3**-0.5
    assert got[(Influence.ROOM, (0,))] == pytest.approx(90 * (11.5e-6 - 16e-6) * 10 * third)
    assert got[(Influence.ROOM_OBJECT, ("part", 0))] == pytest.approx(-90 * 16e-6 * third)
    assert got[(Influence.ROOM_OBJECT, ("gauge", 0))] == pytest.approx(90 * 11.5e-6 * third)
    second = 90 * (2 * ALPHA**2 * (100 + 1) / 3 + ALPHA**2 * 2 / 3) ** 0.5
    assert got[(Influence.SECOND_ORDER, (0,))] == pytest.approx(second)
    assert not {Influence.THERMOMETER, Influence.LOCAL_TEMPERATURE, Influence.EXPANSION} & kinds(sizes)


@pytest.mark.parametrize(("given", "missing"), [("part_c", "reference_c"), ("reference_c", "part_c")])
def test_one_temperature_stands_for_the_other_within_a_kelvin(given, missing):
    """Only one given: the other equals it within +- 1 K, its own key; the rest of its error is shared (S12)."""
    sizes = measure(bench([AT_25 | {"value": 90.0, missing: NAN}], [{}], [MICROMETER]))
    got, part, gauge = terms(sizes), ("part", 0), ("gauge", 0)
    own, other = (gauge, part) if given == "part_c" else (part, gauge)
    sign = 1 if own == gauge else -1
    assert got[(Influence.ROOM_OBJECT, own)] == pytest.approx(sign * 90 * 11.5e-6 / 3**0.5, rel=1e-3)
    # both expand alike, so what they share cancels
    assert abs(got.get((Influence.LOCAL_TEMPERATURE, other), 0.0)) < 1e-7
    assert abs(got.get((Influence.THERMOMETER, (-1,)), 0.0)) < 1e-7
    assert not sizes.temperature_missing[0] and sizes.mean[0] == pytest.approx(90.0, abs=1e-9)


def test_the_second_order_counts_at_the_reference_temperature_only():
    """At 20 degC the first-order expansion terms vanish and GUM H.1.7 takes their place (S3)."""
    at_20 = measure(bench([AT_25 | {"value": 90.0, "part_c": 20.0, "reference_c": 20.0}], [{}], [MICROMETER]))
    second = 90 * (2 * ALPHA**2 * (0.3**2 + 0.25**2) + ALPHA**2 * (0.3**2 + 0.5**2)) ** 0.5
    assert terms(at_20)[(Influence.SECOND_ORDER, (0,))] == pytest.approx(second)
    assert Influence.SECOND_ORDER not in kinds(measure(bench([AT_25 | {"value": 90.0}], [{}], [MICROMETER])))


def test_one_material_code_is_one_expansion_coefficient():
    """Part and gauge of the same material at the same temperature: the coefficient cancels (S12)."""
    sizes = measure(bench([AT_25 | {"value": 90.0}], [{"material": 0}], [MICROMETER | {"material": 0}]))
    assert abs(terms(sizes).get((Influence.MATERIAL, (0,)), 0.0)) < 1e-12
    apart = measure(bench([AT_25 | {"value": 90.0}], [{"material": 0}], [MICROMETER]))
    assert terms(apart)[(Influence.MATERIAL, (0,))] == pytest.approx(-90 * 5 * ALPHA, rel=1e-3)


def test_a_trace_brings_its_own_random_part():
    """A fitted vertex enters with its u and nu in place of the study; several average (2.4, S4.4)."""
    row = AT_25 | {"is_deviation": True, "master": 0, "trace_u": 0.0004, "trace_nu": 9.0}
    master = [{"size": 90.0, "u": 0.0005}]
    sizes = measure(bench([row | {"value": 0.01}, row | {"value": 0.02}], [{}], [MICROMETER], master))
    columns = sizes.reduced.columns
    lines = budget_lines(sizes.mean_forms, 0, columns)
    read = [columns.describe(int(c))[0] for c in lines.column].index(Influence.READ)
    assert lines.u[read] == pytest.approx(0.0004 / 2**0.5) and lines.nu[read] == pytest.approx(18)
    assert sizes.mean[0] == pytest.approx(90.015, abs=1e-6)


def test_a_trace_without_minimum_and_a_deviation_without_master_are_no_readings():
    """NaN values and deviations with nothing to add to leave the measurand unmeasured, not zero (S11.3, S13)."""
    rows = [AT_25 | {"value": NAN}, AT_25 | {"value": 0.01, "is_deviation": True, "measurand": 1}]
    sizes = measure(bench([*rows, AT_25 | {"value": 90.0, "measurand": 2}], [{}, {}, {}], [MICROMETER]))
    assert sizes.readings.tolist() == [0, 0, 1]
    for column in (sizes.mean, sizes.worst, sizes.out_of_round, sizes.of_worst.u, sizes.of_mean.U):
        assert np.isnan(column[:2]).all() and np.isfinite(column[2])


def test_a_batch_without_readings_is_all_unmeasured():
    """No reading at all: every figure is NaN, and nothing breaks."""
    sizes = measure(bench([AT_25 | {"value": NAN}], [{}, {}], [MICROMETER]))
    assert np.isnan(sizes.mean).all() and np.isnan(sizes.of_mean.u).all() and (sizes.readings == 0).all()


def test_each_inspection_is_computed_under_its_own_parameters():
    """Catalogue parameters apply to the measurands that name them (S12)."""
    rows = [AT_25 | {"value": 90.0, "measurand": i, "gauge": -1} for i in (0, 1)]
    wide = {"random": [0.05] * len(GAUGE_KINDS), "part_u": 3.0}
    sizes = measure(bench(rows, [{}, {"inspection": 1, "parameters": 1}], par=parameters({}, wide)))
    assert sizes.of_mean.u[1] > 5 * sizes.of_mean.u[0]
    assert terms(sizes, 1)[(Influence.LOCAL_TEMPERATURE, ("part", 1))] == pytest.approx(
        10 * terms(sizes, 0)[(Influence.LOCAL_TEMPERATURE, ("part", 0))]
    )
