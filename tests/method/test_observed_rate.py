"""Rates now against rates as new: ground by ground, with their scatter."""

import numpy as np
import pytest

from worker.method.observed_rate import USUAL_SCATTER, compare_rates, disagrees, expected_ratio

NAN = float("nan")


def test_ratio_is_taken_ground_by_ground() -> None:
    """A hammer that moved from soft to hard ground has lost nothing by that: hard is compared with hard."""
    found = compare_rates(
        [0] * 6, [0, 1, 1, 0, 1, 1], [True, True, True, False, False, False], [40, 20, 20, 32, 16, 16], [NAN] * 6, 1
    )
    assert found.retained[0] == pytest.approx(0.8, rel=1e-12)
    assert (found.entries[0], found.baseline_entries[0]) == (3, 3)


def test_ground_without_a_rate_as_new_tells_nothing() -> None:
    """Rates in a ground that the tool never drilled as new are left out; with nothing left there is no figure."""
    found = compare_rates([0, 0, 1, 1], [0, 1, 0, 0], [True, False, True, False], [40, 5, 40, 36], [NAN] * 4, 3)
    assert np.isnan(found.retained[[0, 2]]).all() and found.retained[1] == pytest.approx(0.9)
    assert found.entries.tolist() == [0, 1, 0] and found.baseline_entries.tolist() == [0, 1, 0]


def test_two_equal_rates_do_not_look_certain() -> None:
    """With one rate on each side the usual scatter of 15 % is the uncertainty."""
    found = compare_rates([0, 0], [0, 0], [True, False], [30.0, 30.0], [NAN, NAN], 1)
    assert found.u[0] == pytest.approx(USUAL_SCATTER * np.sqrt(2.0))


def test_uncertainty_covers_the_ratio() -> None:
    """Of 2,000 seeded hammers with 12 % scatter of their rates, the true ratio lies within 2 u for about 95 %."""
    rng = np.random.default_rng(51)
    rows, each, truth = 2_000, 8, 0.82
    owner = np.repeat(np.arange(rows), 2 * each)
    as_new = np.tile(np.repeat([True, False], each), rows)
    rate = np.where(as_new, 30.0, 30.0 * truth) * np.exp(rng.normal(0.0, 0.12, owner.size))
    found = compare_rates(owner, rng.integers(0, 2, owner.size), as_new, rate, np.full(owner.size, NAN), rows)
    known = np.isfinite(found.retained)
    assert known.mean() > 0.99
    assert 0.93 < np.mean(np.abs(found.retained - truth)[known] < 2.0 * found.u[known]) < 0.985


def test_pressures_are_means_of_those_observed() -> None:
    """Pressures are averaged over the entries that are compared and have one."""
    found = compare_rates(
        [0] * 4, [0, 0, 0, 1], [True, False, False, False], [30, 25, 25, 9], [20.0, 18.0, NAN, 3.0], 1
    )
    assert (found.pressure_bar[0], found.baseline_pressure_bar[0]) == (18.0, 20.0)


def test_order_and_neighbours_do_not_matter() -> None:
    """A comparison is the same alone, among others, and in any order of its entries."""
    rng = np.random.default_rng(52)
    n = 60
    columns = (rng.integers(0, 3, n), rng.integers(0, 3, n), rng.random(n) < 0.5, rng.uniform(10, 40, n))
    pressure = np.full(n, NAN)
    every, order = compare_rates(*columns, pressure, 3), rng.permutation(n)
    again = compare_rates(*(column[order] for column in columns), pressure, 3)
    np.testing.assert_allclose(again.retained, every.retained, rtol=1e-12)
    own = columns[0] == 1
    alone = compare_rates(np.zeros(own.sum(), int), *(column[own] for column in columns[1:]), pressure[own], 1)
    np.testing.assert_allclose([alone.retained[0], alone.u[0]], [every.retained[1], every.u[1]], rtol=1e-12)


def test_disagreement_needs_more_than_twice_the_uncertainty() -> None:
    """The estimate's own 30 % counts, too; an unknown figure never disagrees."""
    assert disagrees([0.70, 0.60, NAN, 0.6], 0.05, [0.2, 0.2, 0.2, NAN], 0.01).tolist() == [False, True, False, False]


def test_rates_are_expected_of_parts_as_worn_as_they_were_then() -> None:
    """Rates taken before the inspection, against a baseline that is not quite new, show less than the whole loss."""
    assert expected_ratio(0.2) == pytest.approx(0.8) and np.isnan(expected_ratio(NAN))
    found = expected_ratio([0.2, 0.2, 1.0], [0.8, 0.5, 1.0], [0.1, 0.5, 1.0])
    assert found[:2] == pytest.approx([0.84 / 0.98, 1.0]) and np.isnan(found[2])
    assert disagrees(0.84 / 0.98, 0.01, 0.2, 0.0, 0.8, 0.1).tolist() is False
    assert disagrees([0.8, 1.0], 0.01, 0.2, 0.0, 0.5, 0.5).tolist() == [True, False]
    # half of the loss is seen, and half of its doubt with it: 0.9 less 2 of 0.015, and no more
    assert disagrees([0.8705, 0.8695], 0.0, 0.2, 0.0, 0.5, 0.0).tolist() == [False, True]
