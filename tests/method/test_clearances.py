"""Clearances, offsets and remeasured pairs (S5.1, S5.5, S6.3 "Combining")."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.method.check_cases import agrees, cases, worked_example
from tests.method.size_bench import NAN, bench, fits, from_chain, from_documents, parameters
from worker.method.clearances import clear, clearance_for_leakage, consumed_share
from worker.method.conformity import probability_beyond
from worker.method.offsets import offset
from worker.method.remeasure import combine_clearances, combine_sizes
from worker.method.sizes import measure
from worker.method.verdicts import Verdict, decide

GAUGE = {
    "resolution": 0.001, "calibration_u": 0.001, "repeatability": 0.001, "repeatability_nu": 40.0,
    "reproducibility": 0.0008, "reproducibility_nu": 12.0,
}  # fmt: skip
AT_20 = {"gauge": 0, "operator": 0, "part_c": 20.0, "reference_c": 20.0}
BORE, SHAFT = {"grows": True}, {"grows": False}


def at(measurand: int, station: int, orientation: float, value: float, **more: object) -> dict[str, object]:
    return AT_20 | {"measurand": measurand, "station": station, "orientation": orientation, "value": value} | more


@pytest.mark.published
@pytest.mark.parametrize("case", cases("pipeline"))
def test_the_whole_chain_gives_the_published_clearance_and_verdict(case):
    """S1 to S6 from raw readings to a verdict, bore by deviation and shaft by micrometer."""
    sizes = measure(from_chain(case["in"]))
    got = clear(sizes, fits([0], [1]))
    places, limits = sizes.locations, case["in"]["limits"]
    of = got.of_worst
    bore, shaft = got.worst_bore_at[0], got.worst_shaft_at[0]
    verdict, p_discard = decide(got.worst, of.u, of.nu, (limits["discard"], limits["monitor"]), True)
    agrees(
        case,
        worst=got.worst[0],
        u_worst=of.u[0],
        nu_worst=of.nu[0],
        k=of.k[0],
        U=of.U[0],
        mean=got.mean[0],
        u_mean=got.of_mean.u[0],
        min=got.smallest[0],
        where=[
            f"B{places.station[bore]}",
            places.orientation[bore],
            f"S{places.station[shaft]}",
            places.orientation[shaft],
        ],
        P_discard=p_discard[0],
        P_monitor=probability_beyond(got.worst, of.u, of.nu, limits["monitor"], True)[0],
        verdict=Verdict(int(verdict[0])).name.lower(),
    )


@pytest.mark.published
@pytest.mark.parametrize("case", cases("clearance_for_leakage"))
def test_the_leaking_clearance_is_the_published_one(case):
    """(5.2): cubic mean round each station, harmonic mean of the cubes along the land."""
    c = np.array(case["in"]["c"])
    station = np.repeat(np.arange(c.shape[0]), c.shape[1])
    got = clearance_for_leakage(c.ravel(), station, np.zeros(len(c), np.int64), 1)
    agrees(case, c=got[0])


@pytest.mark.published
def test_the_worked_example_gives_its_clearances():
    """Every clearance of the worked example within its stated tolerances."""
    document = worked_example()
    tolerance = document["tolerances"]
    made = from_documents(document)
    got = clear(measure(made.bench), made.fits)
    for expected in document["expected"]["clearances"]:
        i = made.fit_codes.index(expected["fit"])
        lengths = {"mean": got.mean, "worst": got.worst, "clearance_for_leakage": got.for_leakage}
        for name, column in lengths.items():
            assert column[i] == pytest.approx(expected[name], abs=tolerance["lengths_mm"])
        of = got.of_worst
        u, nu = expected["standard_uncertainty"], expected["degrees_of_freedom"]
        assert of.u[i] == pytest.approx(u, rel=tolerance["standard_uncertainty_rel"])
        assert of.nu[i] == pytest.approx(nu, rel=tolerance["degrees_of_freedom_rel"])
        assert of.k[i] == pytest.approx(expected["coverage_factor"], rel=tolerance["coverage_factor_rel"])
        assert of.U[i] == pytest.approx(expected["expanded_uncertainty"], rel=1e-6)
        code = expected["fit"]
        share = consumed_share(got.worst[i], made.new[code], made.discard[code])
        assert share == pytest.approx(expected["consumed"], abs=tolerance["consumed_abs"])


def test_a_clearance_measured_with_one_micrometer_is_free_of_its_calibration():
    """Shared calibration and operator cancel in the difference; only the read terms remain at 20 degC (S4.3)."""
    still = parameters({"part_u": 0.0, "gauge_u": 0.0, "thermometer_u": 0.0, "expansion_half_width": 0.0})
    rows = [at(0, 1, 0.0, 72.1), at(1, 1, 0.0, 71.9)]
    got = clear(measure(bench(rows, [BORE, SHAFT], [GAUGE], par=still)), fits([0], [1]))
    assert got.of_worst.u[0] == pytest.approx(0.001 * 2**0.5, rel=1e-6)
    assert got.of_worst.nu[0] == pytest.approx(80, rel=1e-6)


@settings(max_examples=60, deadline=None)
@given(st.lists(st.floats(-0.02, 0.02), min_size=4, max_size=4), st.floats(-3, 3))
def test_a_constant_on_master_and_readings_changes_no_clearance(rests, constant):
    """At 20 degC a constant added to the master and to the direct readings leaves every clearance as it was."""
    still = parameters({"part_u": 0.0, "gauge_u": 0.0, "master_u": 0.0, "thermometer_u": 0.0})

    def compute(shift: float):
        rows = [
            at(0, 1, 0.0, 0.05 + rests[0], is_deviation=True, master=0),
            at(0, 2, 0.0, 0.05 + rests[1], is_deviation=True, master=0),
            at(1, 1, 0.0, 89.9 + rests[2] + shift),
            at(1, 2, 0.0, 89.9 + rests[3] + shift),
        ]
        masters = [{"size": 90.0 + shift, "u": 0.0005}]
        return clear(measure(bench(rows, [BORE, SHAFT], [GAUGE], masters, still)), fits([0], [1]))

    before, after = compute(0.0), compute(constant)
    for name in ("worst", "smallest", "mean", "for_leakage"):
        np.testing.assert_allclose(getattr(after, name), getattr(before, name), rtol=0, atol=1e-12 * 90)
    np.testing.assert_allclose(after.of_worst.u, before.of_worst.u, rtol=1e-12)


def test_only_stations_that_can_face_each_other_make_the_worst():
    """Mating pairs restrict worst and smallest; each fit has its own (S5.1)."""
    rows = [at(0, 1, 0.0, 90.05), at(0, 2, 0.0, 90.20), at(1, 1, 0.0, 89.95), at(1, 2, 0.0, 89.90)]
    sizes = measure(bench(rows, [BORE, SHAFT], [GAUGE]))
    got = clear(sizes, fits([0, 0, 0], [1, 1, 1], [(1, 1, 1), (1, 1, 2), (2, 2, 1), (2, 7, 2)]))
    np.testing.assert_allclose(got.worst, [0.30, 0.15, 0.25], atol=1e-12)
    np.testing.assert_allclose(got.smallest, [0.10, 0.10, 0.25], atol=1e-12)
    np.testing.assert_allclose(got.mean, 0.2, atol=1e-12)
    assert sizes.locations.station[got.worst_shaft_at].tolist() == [2, 2, 1]


def test_a_location_without_station_may_face_any():
    """Pairs cannot be applied to a side whose stations are unknown, or where no pair was measured (S5.1)."""
    rows = [at(0, 0, NAN, 90.2), at(0, 1, 0.0, 90.1), at(1, 1, 0.0, 90.0)]
    got = clear(measure(bench(rows, [BORE, SHAFT], [GAUGE])), fits([0], [1], [(0, 1, 1)]))
    assert got.worst[0] == pytest.approx(0.2, abs=1e-12)
    rows = [at(0, 1, 0.0, 90.2), at(1, 2, 0.0, 90.0)]
    got = clear(measure(bench(rows, [BORE, SHAFT], [GAUGE])), fits([0], [1], [(0, 1, 1)]))
    assert got.worst[0] == pytest.approx(0.2, abs=1e-12)


def test_stations_that_are_named_face_only_their_own_beside_one_that_is_not():
    """One reading without a station may face all, and frees no other of the pairs of the catalogue (S5.1)."""
    bores = [at(0, 1, 0.0, 90.02), at(0, 2, 0.0, 90.06)]
    shafts = [at(1, 1, 0.0, 89.90), at(1, 2, 0.0, 89.98)]
    pairs = [(0, 1, 1), (0, 2, 2)]  # 90.06 - 89.90 cannot be
    for alone, worst, smallest in (
        (at(0, 0, NAN, 90.03), 90.03 - 89.90, 90.03 - 89.98),
        (at(1, 0, NAN, 89.95), 90.02 - 89.90, 90.02 - 89.95),
    ):
        sizes = measure(bench([*bores, *shafts, alone], [BORE, SHAFT], [GAUGE]))
        got = clear(sizes, fits([0, 0], [1, 1], pairs))
        np.testing.assert_allclose(got.worst, [worst, 90.06 - 89.90], atol=1e-12)
        assert got.smallest[0] == pytest.approx(smallest, abs=1e-12)


def test_no_air_passes_where_the_parts_touch():
    """A local clearance that is not positive closes the fit for leakage, and no other fit (5.2)."""
    rows = [at(0, 1, 0.0, 90.1), at(0, 1, 90.0, 89.9), at(1, 1, 0.0, 90.0), at(2, 1, 0.0, 89.8)]
    sizes = measure(bench(rows, [BORE, SHAFT, SHAFT], [GAUGE]))
    got = clear(sizes, fits([0, 0], [1, 2]))
    assert got.for_leakage[0] == 0
    assert got.for_leakage[1] == pytest.approx(((0.3**3 + 0.1**3) / 2) ** (1 / 3), rel=1e-9)


def test_a_fit_with_an_unmeasured_side_is_refused():
    """Clearances are of fits whose both sides were measured; the caller leaves the others out."""
    sizes = measure(bench([at(0, 1, 0.0, 90.1)], [BORE, SHAFT], [GAUGE]))
    with pytest.raises(ValueError, match="no reading"):
        clear(sizes, fits([0], [1]))


def test_no_fits_give_no_clearances():
    """A batch may measure sizes only."""
    sizes = measure(bench([at(0, 1, 0.0, 90.1)], [BORE], [GAUGE]))
    got = clear(sizes, fits([], []))
    assert got.worst.shape == got.for_leakage.shape == got.of_worst.u.shape == (0,)


def test_consumed_is_unclipped_and_unknown_without_a_limit():
    """(worst - new) / (discard - new) may pass 0 and 1 (S12)."""
    share = consumed_share([0.05, 0.25, 0.1], [0.08, 0.08, 0.08], [0.18, 0.18, NAN])
    np.testing.assert_allclose(share, [-0.3, 1.7, NAN])


def test_an_offset_is_the_difference_of_the_means():
    """Larger less smaller with shared influences netted, like a clearance of means."""
    rows = [at(0, 1, 0.0, 127.5), at(0, 1, 90.0, 127.7), at(1, 1, 0.0, 126.1)]
    sizes = measure(bench(rows, [SHAFT, SHAFT, SHAFT], [GAUGE]))
    got = offset(sizes, np.array([0]), np.array([1]))
    assert got.value[0] == pytest.approx(1.5, abs=1e-12)
    assert got.of_value.u[0] < sizes.of_mean.u[0]
    assert np.isnan(offset(sizes, np.array([0]), np.array([2])).value[0])


def pair(shift: float) -> tuple[list[dict[str, object]], list[dict[str, object]]]:
    """Bore by deviation and shaft by micrometer, measured twice; the second time larger by `shift`."""
    rows = []
    for inspection, by in ((0, 0.0), (1, shift)):
        rows += [
            at(2 * inspection, 1, 0.0, 0.05 + by, is_deviation=True, master=0, setup=0, zero_readings=2),
            at(2 * inspection + 1, 1, 0.0, 89.9, thermometer=0),
        ]
    subjects = [
        {"inspection": i, "part_object": part, "grows": part == 0} for i in (0, 1) for part in (0, 1)
    ]  # fmt: skip
    return rows, subjects


def test_a_remeasured_size_is_the_mean_of_two_with_shared_keys_netted():
    """Read and zero terms average down by sqrt 2; gauge, master, operator and temperatures do not (S6.3)."""
    rows, subjects = pair(0.002)
    sizes = measure(bench(rows, subjects, [GAUGE], [{"size": 90.0, "u": 0.0005}]))
    combined, inconsistent = combine_sizes(sizes, np.array([2, 3]), np.array([0, 1]), np.zeros(4, bool))
    np.testing.assert_allclose(combined.worst, [90.05, 89.9, 90.051, 89.9], atol=1e-12)
    assert not inconsistent.any()
    var, both = np.square(sizes.of_worst.u[0]), np.square(combined.of_worst.u[2])
    fresh = 0.001**2 + 0.001**2 / 2
    assert var - both == pytest.approx(fresh / 2, rel=1e-3)
    assert combined.of_worst.u[:2].tolist() == sizes.of_worst.u[:2].tolist()
    np.testing.assert_allclose(combined.of_worst.U, combined.of_worst.k * combined.of_worst.u)


def test_a_remeasured_clearance_is_the_mean_of_two_and_says_when_they_disagree():
    """|c1 - c2| > 2 u(c1 - c2) is inconsistent, where u holds only what the two do not share (S6.3)."""
    for shift, expected in ((0.004, False), (0.006, True)):
        rows, subjects = pair(shift)
        sizes = measure(bench(rows, subjects, [GAUGE], [{"size": 90.0, "u": 0.0005}]))
        clearances = clear(sizes, fits([0, 2], [1, 3]))
        combined, inconsistent = combine_clearances(clearances, np.array([1]), np.array([0]))
        # u of the difference: two readings each (EV 1 um) and two zeros of two readings
        assert 2 * (4 * 0.001**2 + 2 * 0.001**2 / 2) ** 0.5 == pytest.approx(0.00447, abs=1e-5)
        assert inconsistent.tolist() == [False, expected]
        assert combined.worst[1] == pytest.approx(clearances.worst.mean())
        assert combined.of_worst.u[1] < clearances.of_worst.u[1]
        assert combined.mean[0] == clearances.mean[0]


def test_two_sizes_disagree_in_what_is_judged():
    """A feature judged by its mean is inconsistent where the means are, though the worst locations agree (S6.3)."""
    rows = [
        at(i, station, 0.0, 90.05 if station == 1 else 90.01 + 0.01 * i) for i in (0, 1) for station in (1, 2, 3)
    ]  # fmt: skip
    sizes = measure(bench(rows, [BORE, BORE | {"inspection": 1}], [GAUGE]))
    now, before = np.array([1]), np.array([0])
    for on_mean in (False, True):
        _, inconsistent = combine_sizes(sizes, now, before, np.full(2, on_mean))
        assert inconsistent.tolist() == [False, on_mean]


def test_nothing_remeasured_is_nothing_changed():
    """Without pairs the very results come back."""
    sizes = measure(bench([at(0, 1, 0.0, 90.1), at(1, 1, 0.0, 90.0)], [BORE, SHAFT], [GAUGE]))
    none = np.zeros(0, np.int64)
    clearances = clear(sizes, fits([0], [1]))
    assert combine_sizes(sizes, none, none, np.zeros(2, bool))[0] is sizes
    assert combine_clearances(clearances, none, none)[0] is clearances
