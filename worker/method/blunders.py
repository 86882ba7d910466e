"""Slips of the pen, of the gauge and of the hand, found in the readings themselves (method page "sizes" S8, S8.1).

Rules of this file:

1. Masks are computed on arrays over all readings of a batch; what explains a suspicious one is asked only of the few.
2. Nothing here changes a figure: a correction is proposed, and a person confirms it.
3. Thresholds are design choices of the method page unless said otherwise.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import chdtri

from worker.method.budget import Bools, Floats, Ints
from worker.method.conformity import capability_index, is_valid, probability_below
from worker.method.places import Places
from worker.method.range_constants import range_moments, upper_range_factor
from worker.method.reduction import QUANTISATION

INCH = 25.4
"""Millimetres in an inch, exactly."""
THIMBLE_TURNS = (0.5, 0.635)
"""One turn of a metric thread, and of an inch thread of 0.025 in, [mm]."""
LEAST_WINDOW, WINDOW_IN_WEAR = 1.0, 3.0
"""The plausible band: at least so many mm, and so many times the way from new to discard, to either side."""
SPAN = 2.0
"""What a bore gauge spans about its master, [mm]. Common practice, no source."""
CLEAR_OF_SIBLINGS = 3.0
"""A deviation stands out where it is so many times further from its siblings than they are from one another."""
SURE_OF_SIBLINGS = 3.0
"""Standard uncertainties of one reading within which siblings agree."""
FROZEN_LOCATIONS = 5
DRIFT = 3.0
PART_FROM_MASTER_K, FROM_REFERENCE_K = 5.0, 15.0
UNFIT, MARGINAL = 1.0, 4.0
"""Capability index below which a gauge decides nothing, and below which it decides little (S6.2)."""
BEYOND_DOUBT = 3.0
GAUGE_SHARE = 0.30
SURELY_BELOW_NEW = 0.95
ROUNDING = 1e-9
"""Room for rounding where a reading is compared with a limit, relative."""


@dataclass(frozen=True, slots=True)
class Slip:
    """One way a reading outside its window comes inside: which slip it was, and what was meant, [mm]."""

    code: str
    meant: float


def window(middle: ArrayLike, discard: ArrayLike, stated: ArrayLike) -> Floats:
    """Half width of the plausible band about the middle of new. [S8.1]

    Parameters
    ----------
    middle, discard : array_like, shape (s,)
        Middle of the new sizes, and discard size, [mm]; NaN = none.
    stated : array_like, shape (s,)
        Half width by the catalogue, [mm]; NaN = none.

    Examples
    --------
    >>> window([90.0, 10.0, 90.0], [90.5, np.nan, 91.0], [np.nan, np.nan, 0.5]).tolist()
    [1.5, 1.0, 0.5]
    """
    way = np.nan_to_num(np.abs(np.asarray(discard, float) - middle))
    given = np.asarray(stated, float)
    return np.where(np.isnan(given), np.maximum(LEAST_WINDOW, WINDOW_IN_WEAR * way), given)


def is_outside(x: ArrayLike, middle: ArrayLike, half_width: ArrayLike) -> Bools:
    """Whether each reading lies outside the plausible band; what is no number does."""
    return ~np.asarray(np.abs(np.asarray(x, float) - middle) <= np.asarray(half_width, float) * (1.0 + ROUNDING))


def slips(x: float, middle: float, half_width: float) -> list[Slip]:
    """What slip of the pen or of the thimble explains a reading outside its window. [S8, rows 1 to 3]

    Parameters
    ----------
    x : float
        The size it gives, [mm].
    middle, half_width : float
        The plausible band, [mm].

    Returns
    -------
    list of Slip
        Empty where none does, or where the reading is inside.

    Examples
    --------
    >>> [(slip.code, round(slip.meant, 4)) for slip in slips(3.5435, 90.0, 1.0)]
    [('inch-mm', 90.0049)]
    """
    if not is_outside(x, middle, half_width):
        return []
    meant = [("inch-mm", x * INCH), ("inch-mm", x / INCH)]
    meant += [("decimal-slip", x * 10.0**n) for n in (1, 2, 3, -1, -2, -3)]
    meant += [("thimble-turn", x + sign * turn) for turn in THIMBLE_TURNS for sign in (1, -1)]
    found: dict[str, Slip] = {}
    for code, value in meant:
        if not is_outside(value, middle, half_width):
            found.setdefault(code, Slip(code, value))
    return list(found.values())


@dataclass(frozen=True, slots=True)
class SiblingSlip:
    """A deviation that agrees with the other readings of its feature once it is taken in the other unit.

    Attributes
    ----------
    group : int
        Row of the groups of `Places`.
    read, meant : float
        The deviation as it stands, and in the other unit, [mm].
    low, high : float
        Between which the siblings lie, [mm].
    """

    group: int
    read: float
    meant: float
    low: float
    high: float


def sibling_slips(places: Places, master_size: Floats, u_read: Floats) -> list[SiblingSlip]:
    """Find deviations in the wrong unit by the other readings of the same feature. [S8, row 1]

    Such a slip is too small to leave the window. Sought is one location that stands clear of two or more others
    which agree among themselves, and agrees with them after the change of unit.

    Parameters
    ----------
    places : Places
        Readings in order.
    master_size : ndarray, shape (n,)
        L_m of each reading, [mm]; NaN for a size.
    u_read : ndarray, shape (n,)
        Standard uncertainty of a single reading, [mm]; NaN = not known.
    """
    start, r = places.group_start, places.readings
    count = np.diff(np.append(start, len(r.value)))
    rows = np.flatnonzero(r.is_deviation[start] & np.isfinite(master_size[start]))
    if not len(rows):
        return []
    delta = (np.add.reduceat(r.value, start) / count)[rows]
    size, owner = delta + master_size[start][rows], r.measurand[start][rows]
    order = np.lexsort((size, owner))
    rows, size, delta, owner = rows[order], size[order], delta[order], owner[order]
    begin = np.flatnonzero(np.append(True, owner[1:] != owner[:-1]))
    many = np.diff(np.append(begin, len(owner)))
    begin, end = begin[many >= 3], (begin + many - 1)[many >= 3]
    found = []
    for lone, low, high in ((begin, begin + 1, end), (end, begin, end - 1)):
        spread = size[high] - size[low]
        agree = np.maximum(0.5 * spread, SURE_OF_SIBLINGS * np.nan_to_num(u_read[start][rows[lone]]))
        gap = np.minimum(np.abs(size[lone] - size[low]), np.abs(size[lone] - size[high]))
        for n in np.flatnonzero(gap > CLEAR_OF_SIBLINGS * agree).tolist():
            at = int(lone[n])
            for meant in (delta[at] * INCH, delta[at] / INCH):
                moved = size[at] + meant - delta[at]
                if size[low[n]] - agree[n] <= moved <= size[high[n]] + agree[n]:
                    siblings = (float(size[low[n]]), float(size[high[n]]))
                    found.append(SiblingSlip(int(rows[at]), float(delta[at]), float(meant), *siblings))
                    break
    return found


def is_out_of_range(x: Floats, deviation: Floats, half_width: Floats) -> Bools:
    """Sizes that are not positive, and masters further from the part than a gauge spans. [S8, row 5]

    Parameters
    ----------
    x : ndarray, shape (n,)
        Size by each reading, [mm].
    deviation : ndarray, shape (n,)
        Deviation from the master, [mm]; NaN for a size.
    half_width : ndarray, shape (n,)
        Of the feature's window, [mm]; a master within it is near enough.
    """
    return ~(x > 0) | (np.abs(np.nan_to_num(deviation)) > np.maximum(SPAN, half_width) * (1.0 + ROUNDING))


@dataclass(frozen=True, slots=True)
class Repeats:
    """Spread of the repeats of each group of `Places`; shape (G,) each.

    Attributes
    ----------
    count : ndarray of int
        Readings.
    range, allowed : ndarray
        Largest less smallest, and the largest range to be expected, [mm]; NaN for a single one or without a study.
    frozen : ndarray of bool
        The gauge repeats itself to the last digit although its study says it cannot.
    """

    count: Ints
    range: Floats
    allowed: Floats
    frozen: Bools

    @property
    def too_wide(self) -> Bools:
        """Range above D4 d2 EV, or of the resolution where that is the larger."""
        return np.asarray(self.range > self.allowed * (1.0 + ROUNDING))


def spread_of_repeats(places: Places, inspection: Ints, repeatability: Floats, step: Floats) -> Repeats:
    """Compare repeats with the gauge's study. [S8, repeat spread and frozen repeats]

    Parameters
    ----------
    places : Places
        Readings in order.
    inspection : ndarray of int, shape (n,)
        Inspection of each reading.
    repeatability, step : ndarray, shape (n,)
        EV of the gauge's study, NaN = none, and its digital step, [mm].
    """
    start, r = places.group_start, places.readings
    count = np.diff(np.append(start, len(r.value)))
    ev = np.where(np.isfinite(r.trace_u[start]), np.nan, repeatability[start])
    repeated = (count > 1) & np.isfinite(ev)
    spread, allowed = np.full(len(start), np.nan), np.full(len(start), np.nan)
    frozen = np.zeros(len(start), np.bool_)
    if not repeated.any():
        return Repeats(count, spread, allowed, frozen)
    widest = np.maximum.reduceat(r.value, start) - np.minimum.reduceat(r.value, start)
    spread[repeated] = widest[repeated]
    # a display that moves by whole steps scatters by what rounding makes of it, however steady the hand (4.1)
    scatter = np.fmax(ev, step[start] * QUANTISATION)
    for n in np.unique(count[repeated]).tolist():
        of_n = repeated & (count == n)
        allowed[of_n] = upper_range_factor(n) * range_moments(n)[0] * scatter[of_n]
    # a step wider than EV hides what the hand does, so that identical repeats say nothing
    rows = np.flatnonzero(repeated & (ev > step[start]))
    gauge = int(r.gauge.max(initial=0)) + 1
    key, number = np.unique(inspection[start][rows] * gauge + r.gauge[start][rows], return_inverse=True)
    still = np.bincount(number, spread[rows] == 0.0, len(key))
    every = np.bincount(number, minlength=len(key))
    frozen[rows] = ((still == every) & (every >= FROZEN_LOCATIONS))[number]
    return Repeats(count, spread, allowed, frozen)


def is_one_way(orientation: Floats, measurand: Ints, count: int) -> Bools:
    """Measurands all of whose locations lie in one orientation, which cannot show whether they are round. [S8, too few]

    Parameters
    ----------
    orientation : ndarray, shape (L,)
        Of each location, [deg]; NaN where none is named, which says nothing.
    measurand : ndarray of int, shape (L,)
    count : int
        Number of measurands.

    Examples
    --------
    >>> is_one_way(np.array([0.0, 180.0, 0.0, 90.0, np.nan]), np.array([0, 0, 1, 1, 2]), 3).tolist()
    [True, False, False]
    """
    named = np.isfinite(orientation)
    low, high = np.full(count, np.inf), np.full(count, -np.inf)
    np.minimum.at(low, measurand[named], orientation[named] % 180.0)
    np.maximum.at(high, measurand[named], orientation[named] % 180.0)
    return np.asarray(low == high)


def has_drifted(return_reading: ArrayLike, u_read: ArrayLike, step: ArrayLike) -> Bools:
    """Whether a gauge put back on its master has left its zero. [S8, zero drift]

    Parameters
    ----------
    return_reading : array_like, shape (z,)
        Indication on the master after the readings, less that it was set to, [mm].
    u_read, step : array_like, shape (z,)
        EV, or the standard uncertainty assumed of one reading, and digital step, [mm].

    Examples
    --------
    >>> has_drifted([0.0059, 0.0061], [0.002, 0.002], [0.001, 0.001]).tolist()
    [False, True]
    """
    floor = np.asarray(step, float) / (2.0 * np.sqrt(3.0))
    return np.asarray(np.abs(return_reading) > DRIFT * np.fmax(u_read, floor) * (1.0 + ROUNDING))


def too_warm(part_c: Floats, reference_c: Floats) -> tuple[Bools, Bools]:
    """Part and master far apart, and either far from 20 degC. [S8, temperature]

    Parameters
    ----------
    part_c, reference_c : ndarray, shape (n,)
        [degC]; NaN = not given.

    Examples
    --------
    >>> [mask.tolist() for mask in too_warm(np.array([26.0, 36.0]), np.array([20.5, 34.0]))]
    [[True, False], [False, True]]
    """
    apart = np.abs(part_c - reference_c) > PART_FROM_MASTER_K * (1.0 + ROUNDING)
    far = np.fmax(np.abs(part_c - 20.0), np.abs(reference_c - 20.0)) > FROM_REFERENCE_K * (1.0 + ROUNDING)
    return apart, far


def is_unfit(
    y: ArrayLike, u: ArrayLike, limits: tuple[ArrayLike, ArrayLike], grows: ArrayLike
) -> tuple[Bools, Bools, Floats]:
    """Whether an uncertainty is too wide for what is to be decided. [S8, gauge unfit; S6.2]

    Parameters
    ----------
    y, u : array_like, shape (n,)
        Value and standard uncertainty, [mm].
    limits : tuple of array_like, shape (n,)
        Middle of new, and discard limit, [mm]; NaN = none.
    grows : array_like of bool, shape (n,)
        True where large is worn.

    Returns
    -------
    unfit : ndarray of bool
        C_m below 1, and the value not beyond the limit by more than 3 u.
    marginal : ndarray of bool
        C_m below 4.
    index : ndarray
        C_m; NaN without a limit or a valid u.

    Examples
    --------
    >>> [mask.tolist() for mask in is_unfit([0.1, 0.4], [0.04, 0.04], (0.08, 0.2), True)[:2]]
    [[True, False], [True, True]]
    """
    new, discard = (np.asarray(limit, float) for limit in limits)
    index = capability_index(new, discard, u)
    way = np.where(grows, np.asarray(y, float) - discard, discard - y)
    beyond = is_valid(u) & (way > BEYOND_DOUBT * np.asarray(u, float))
    return np.asarray((index < UNFIT) & ~beyond), np.asarray(index < MARGINAL), index


def is_below_new(worst: Floats, u: Floats, nu: Floats, expanded: Floats, new_least: Floats) -> Bools:
    """Clearances that no wear could have made: below 0 for sure, or surely below the least as new. [S8]

    Parameters
    ----------
    worst, u, nu, expanded : ndarray, shape (f,)
        Clearance, its standard uncertainty, degrees of freedom and expanded uncertainty, [mm].
    new_least : ndarray, shape (f,)
        Least clearance as new, [mm].
    """
    below = probability_below(worst, u, nu, new_least) >= SURELY_BELOW_NEW
    return np.asarray((worst + expanded < 0.0) | below)


def chi2_limit(n: int, p: float) -> float:
    """Quantile of the chi-square distribution.

    Examples
    --------
    >>> round(chi2_limit(4, 0.999), 3)
    18.467
    """
    return float(chdtri(n, 1.0 - p))
