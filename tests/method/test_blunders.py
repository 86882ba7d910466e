"""Blunder checks on numbers (sizes method, S8 and S8.1): each fires on a plain case and leaves a near one alone."""

from __future__ import annotations

import numpy as np
import pytest

from tests.method.check_cases import cases
from tests.method.size_bench import NAN, bench
from worker.method import blunders
from worker.method.history_blunders import common_stations, find_exchanges, steps_between, wear_score
from worker.method.sizes import Sizes, measure

STUDIED = {"kind": 3, "resolution": 0.0005, "repeatability": 0.002, "repeatability_nu": 60.0}
NAMES = {"inch_mm": "inch-mm", "decimal_slip": "decimal-slip", "negative_wear": "negative-wear"}


@pytest.mark.published
@pytest.mark.parametrize("case", cases("sanity_size"))
def test_slips_are_told_as_published(case: dict) -> None:
    """A reading outside its window is explained by the slip that brings it inside, and by no other."""
    asked = case["in"]
    found = [slip.code for slip in blunders.slips(asked["x"], asked["nominal"], asked["window"])]
    assert found == [NAMES[flag] for flag in case["expect"]["flags"]]


@pytest.mark.published
@pytest.mark.parametrize("case", cases("sanity_wear"))
def test_the_score_of_negative_wear_is_as_published(case: dict) -> None:
    """Wear over the expanded uncertainty of its difference."""
    asked = case["in"]
    score = float(wear_score(asked["now"] - asked["ref"], asked["U_now"], asked["U_ref"]))
    tolerance = case["tol"]["*"]
    assert score == pytest.approx(case["expect"]["score"], abs=tolerance["abs"], rel=tolerance["rel"])
    assert score < -1.0


@pytest.mark.parametrize(
    ("x", "codes"),
    [
        (97.861, []),
        (98.91, []),  # on the edge of the window
        (98.92, ["thimble-turn"]),
        (97.861 / 25.4, ["inch-mm"]),
        (97.861 * 25.4, ["inch-mm"]),
        (978.61, ["decimal-slip"]),
        (0.097861, ["decimal-slip"]),
        (97.91 + 1.4, ["thimble-turn"]),
        (97.91 + 1.6, ["thimble-turn"]),  # a turn of 0.635 mm
        (97.91 + 1.64, []),
        (97.91 - 3.0, []),
    ],
)
def test_a_slip_is_told_only_where_it_brings_the_reading_inside(x: float, codes: list[str]) -> None:
    """Inside the window nothing is a slip; outside it is one only where the correction fits."""
    assert [slip.code for slip in blunders.slips(x, 97.91, 1.0)] == codes


def deviations(values: list[float], **gauge: float) -> Sizes:
    rows = [
        {
            "station": n + 1, "orientation": 0.0, "value": v, "is_deviation": True, "gauge": 0, "master": 0,
            "part_c": 20.0, "reference_c": 20.0,
        }
        for n, v in enumerate(values)
    ]  # fmt: skip
    return measure(bench(rows, [{"grows": True}], [STUDIED | gauge], [{"size": 98.0}]))


@pytest.mark.parametrize(
    ("values", "slipped"),
    [
        ([0.034, 0.036, 0.035, 0.0014], [3]),  # 0.0014 in
        ([0.0014, 0.036, 0.035, 0.034], [0]),
        ([0.034, 0.036, 0.035, 0.035 * 25.4], [3]),
        ([0.034, 0.036, 0.035, 0.033], []),
        ([0.034, 0.036, 0.035, 0.005], []),  # apart, but not by a change of unit
        ([0.034, 0.010, 0.060, 0.0014], []),  # the others do not agree among themselves
        ([0.034, 0.036, 0.0014], [2]),
        ([0.034, 0.0014], []),  # which of the two is it?
    ],
)
def test_a_deviation_in_the_other_unit_is_found_by_its_siblings(values: list[float], slipped: list[int]) -> None:
    """Too small to leave the window: what stands apart and agrees in the other unit."""
    sizes = deviations(values)
    n = len(values)
    found = blunders.sibling_slips(sizes.places, np.full(n, 98.0), np.full(n, 0.002))
    assert [slip.group for slip in found] == slipped
    assert all(abs(slip.meant - 0.035) < 0.002 for slip in found)


def test_out_of_range_is_no_size_or_a_master_too_far() -> None:
    """A size that is not positive, and a deviation no gauge spans."""
    x = np.array([97.9, 0.0, -1.0, 97.9, 97.9, 100.0])
    deviation = np.array([NAN, NAN, NAN, 2.0, 2.1, -2.9])
    half = np.array([1.0, 1.0, 1.0, 1.0, 1.0, 3.0])
    assert blunders.is_out_of_range(x, deviation, half).tolist() == [False, True, True, False, True, False]


def repeated(*groups: list[float], **gauge: float) -> blunders.Repeats:
    rows = [
        {"station": n + 1, "orientation": 0.0, "value": v, "gauge": 0, "part_c": 20.0, "reference_c": 20.0}
        for n, values in enumerate(groups)
        for v in values
    ]
    sizes = measure(bench(rows, [{}], [STUDIED | gauge]))
    n = len(rows)
    made = STUDIED | gauge
    return blunders.spread_of_repeats(
        sizes.places, np.zeros(n, np.int64), np.full(n, made["repeatability"]), np.full(n, made["resolution"])
    )


def test_repeats_may_range_over_what_the_study_allows() -> None:
    """D4 d2 EV of two repeats is 3.686 EV: 7.37 um of a gauge of 2 um; of three 4.358 EV."""
    found = repeated([90.0, 90.0073], [90.0, 90.0075], [90.0, 90.004, 90.0086], [90.0, 90.004, 90.0088], [90.0])
    assert found.too_wide.tolist() == [False, True, False, True, False]
    # S7.6: d2 1.1284 and 1.6926, D4 3.2665 and 2.5746
    assert found.allowed[[0, 2]] == pytest.approx([3.2665 * 1.1284 * 0.002, 2.5746 * 1.6926 * 0.002], rel=1e-4)
    assert not repeated([90.0, 90.1], repeatability=NAN).too_wide.any()


def test_one_step_of_the_display_is_no_spread() -> None:
    """EV below q / (2 sqrt 3) of the resolution: repeats a step apart are good, two steps a blunder (4.1, S8)."""
    found = repeated([90.0, 90.001], [90.0, 90.001, 90.001], [90.0, 90.002], repeatability=0.0002, resolution=0.001)
    assert found.too_wide.tolist() == [False, False, True]


def test_frozen_repeats_need_five_locations_and_a_gauge_that_shows_its_hand() -> None:
    """All repeats identical at five locations, although the step is finer than the repeatability."""
    still = [[90.0 + n / 100] * 2 for n in range(5)]
    assert repeated(*still).frozen.all()
    assert not repeated(*still[:4]).frozen.any()
    assert not repeated(*still[:4], [90.0, 90.0005]).frozen.any()
    assert not repeated(*still, resolution=0.002).frozen.any()


def test_capability_blocks_below_one_unless_far_beyond() -> None:
    """C_m = T/(4u); a gauge that cannot decide still condemns what lies beyond the limit by more than 3 u."""
    y = [97.85, 97.85, 97.67, 97.69]
    unfit, marginal, index = blunders.is_unfit(y, [0.027, 0.028, 0.04, 0.04], (97.91, 97.80), False)
    assert unfit.tolist() == [False, True, False, True]
    assert marginal.all() and index[0] == pytest.approx(0.11 / 4 / 0.027)
    assert not blunders.is_unfit(97.85, 0.1, (97.91, NAN), False)[0]


def test_a_clearance_below_new_is_impossible() -> None:
    """Below 0 by its expanded uncertainty, or below the least as new with 95 %."""
    worst = np.array([0.0535, 0.0525, -0.01, 0.06])
    u, nu = np.full(4, 0.0043), np.full(4, np.inf)
    found = blunders.is_below_new(worst, u, nu, 2 * u, np.array([0.06, 0.06, -1.0, 0.06]))
    assert found.tolist() == [False, True, True, False]


def history(now: list[float], before: list[float], stations: list[int] | None = None, **more: float) -> Sizes:
    """Two measurements of one shaft: rows 0 and 1, a reading a station."""
    numbers = stations or list(range(1, len(before) + 1))
    rows = [
        {"measurand": m, "station": s, "orientation": 0.0, "value": v, "gauge": 0, "part_c": 20.0, "reference_c": 20.0}
        for m, values, named in ((0, before, range(1, len(before) + 1)), (1, now, numbers))
        for s, v in zip(named, values, strict=True)
    ]
    subjects = [{"inspection": 0, "part_object": 0}, {"inspection": 1, "part_object": 0}]
    return measure(bench(rows, subjects, [STUDIED | {"calibration_u": 0.01} | more]))


def step(sizes: Sizes) -> tuple[float, float]:
    now, before = np.array([1]), np.array([0])
    found = steps_between(sizes, now, before, common_stations(sizes, now, before), np.array([False]))
    return float(found.wear[0]), float(found.score[0])


def test_wear_goes_backwards_only_beyond_what_both_do_not_share() -> None:
    """The calibration, 10 um, is common to both and drops out: 2 um of reading in each mean of four remain."""
    before = [97.86, 97.861, 97.862, 97.863]
    u = 2 * np.hypot(0.001, 0.001)  # expanded, of two means of four readings of 2 um
    near = step(history([v + 0.95 * u for v in before], before))
    beyond = step(history([v + 1.05 * u for v in before], before))
    assert -1.0 < near[1] < -0.9
    assert beyond == pytest.approx((-1.05 * u, -1.05), rel=2e-3)
    assert np.isnan(step(history([v - 0.001 for v in before], before))[1])


def test_only_stations_measured_both_times_are_compared() -> None:
    """A worn station that is left out the second time is no wear undone."""
    before = [97.86, 97.80, 97.862]
    assert step(history([97.86, 97.862], before, [1, 3]))[0] == pytest.approx(0.0, abs=1e-12)
    # without one in common the whole is compared
    assert step(history([97.80, 97.80], before, [7, 8]))[0] == pytest.approx(0.0407, abs=1e-4)


def exchanges(now: list[float], before: list[float]) -> list[tuple[int, int]]:
    sizes = history(now, before)
    common = common_stations(sizes, np.array([1]), np.array([0]))
    return [found.stations for found in find_exchanges(sizes, common, 1)]


BEFORE = [97.880, 97.862, 97.870, 97.885]


def test_two_stations_exchanged_are_found() -> None:
    """One exchange explains it all: chi-square falls below the 99 % point, and by nine times."""
    worn = [v - 0.004 for v in BEFORE]
    assert exchanges([worn[1], worn[0], worn[2], worn[3]], BEFORE) == [(1, 2)]
    assert exchanges([worn[0], worn[3], worn[2], worn[1]], BEFORE) == [(2, 4)]
    assert exchanges([97.8621, 97.8802], [97.880, 97.862]) == [(1, 2)]


def test_uneven_wear_is_no_exchange() -> None:
    """Wear that differs, a station that jumped alone, and noise are left alone."""
    assert exchanges([v - d for v, d in zip(BEFORE, (0.004, 0.004, 0.030, 0.004), strict=True)], BEFORE) == []
    assert exchanges([v - d for v, d in zip(BEFORE, (0.004, 0.009, 0.014, 0.020), strict=True)], BEFORE) == []
    assert exchanges([v + d for v, d in zip(BEFORE, (0.002, -0.002, 0.001, 0.0), strict=True)], BEFORE) == []
    assert exchanges([97.86], [97.88]) == []
