"""Clearances of fits: worst, smallest, mean and the one that leaks (method page "sizes" S5.1, S5.5).

Always diametral: bore less shaft. Influences that bore and shaft share cancel, because their forms are
subtracted column by column.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.sparse import csr_array

from worker.method.budget import Bools, Floats, Forms, Ints, Spread, evaluate, select
from worker.method.sizes import Sizes
from worker.method.stations import Stations, runs

SURELY = 2.0
"""Standard uncertainties by which a clearance below 0 is not just doubt, [-]."""


@dataclass(frozen=True, slots=True)
class Fits:
    """Fits to be judged: one row per (inspection, fit, position); both sides measured in that inspection.

    Attributes
    ----------
    bore, shaft : ndarray of int, shape (f,)
        Rows of `Measurands`, each with at least one reading (``sizes.readings > 0``).
    pair_fit : ndarray of int, shape (q,)
        Row of this table for each pair of stations that can face each other; a fit without any pair here
        means all.
    pair_bore_station, pair_shaft_station : ndarray of int, shape (q,)
        The two station numbers.
    """

    bore: Ints
    shaft: Ints
    pair_fit: Ints
    pair_bore_station: Ints
    pair_shaft_station: Ints


@dataclass(frozen=True, slots=True)
class Clearances:
    """Clearances of f fits; shape (f,) unless said.

    Attributes
    ----------
    worst : ndarray
        Largest local clearance of stations that can face each other (S5.1), [mm].
    smallest : ndarray
        Smallest of them, [mm].
    mean : ndarray
        Mean size of the bore less that of the shaft, [mm].
    for_leakage : ndarray
        Cubic equivalent (5.2), [mm]; 0 if any local clearance is not positive.
    of_worst, of_mean : Spread
        Uncertainty of `worst` and `mean`.
    worst_bore_at, worst_shaft_at : ndarray of int
        Rows of `Locations` of the two sides of `worst`.
    worst_forms, mean_forms : Forms
        Linear forms, f rows.
    """

    worst: Floats
    smallest: Floats
    mean: Floats
    for_leakage: Floats
    of_worst: Spread
    of_mean: Spread
    worst_bore_at: Ints
    worst_shaft_at: Ints
    worst_forms: Forms
    mean_forms: Forms

    @property
    def interferes(self) -> Bools:
        """Whether the mean clearance is negative beyond doubt. [leakage method 1.7]"""
        return np.asarray(self.mean < -SURELY * self.of_mean.u)


@dataclass(frozen=True, slots=True)
class _Facing:
    """Rows of `Locations` of the extreme clearances, shape (f,) each."""

    worst_bore: Ints
    worst_shaft: Ints
    smallest_bore: Ints
    smallest_shaft: Ints


def clear(sizes: Sizes, fits: Fits) -> Clearances:
    """Compute the clearances of fits from the sizes of their two sides. [S5.1, S5.5]

    Parameters
    ----------
    sizes : Sizes
        Of each inspection by itself, not yet combined with a remeasurement.
    fits : Fits
        f fits.

    Returns
    -------
    Clearances
        f clearances.

    Raises
    ------
    ValueError
        If a side of a fit has no reading.

    Notes
    -----
    A location that names no station may face every one of the other side. Where no pair that can face each other was
    measured, every location may face every other, which can only make the worst clearance larger.
    """
    if (sizes.readings[fits.bore] == 0).any() or (sizes.readings[fits.shaft] == 0).any():
        raise ValueError("a side of a fit has no reading")
    facing = _facing(sizes, fits)
    value = sizes.locations.value
    worst_forms = sizes.location_forms(_difference(facing.worst_bore, facing.worst_shaft, len(value)))
    mean_forms = sizes.mean_forms.combine(_difference(fits.bore, fits.shaft, len(sizes.mean)))
    return Clearances(
        worst=value[facing.worst_bore] - value[facing.worst_shaft],
        smallest=value[facing.smallest_bore] - value[facing.smallest_shaft],
        mean=sizes.mean[fits.bore] - sizes.mean[fits.shaft],
        for_leakage=_for_leakage(sizes, fits),
        of_worst=evaluate(worst_forms),
        of_mean=evaluate(mean_forms),
        worst_bore_at=facing.worst_bore,
        worst_shaft_at=facing.worst_shaft,
        worst_forms=worst_forms,
        mean_forms=mean_forms,
    )


def clearance_for_leakage(c: Floats, station: Ints, owner: Ints, owners: int) -> Floats:
    """Uniform clearance that leaks as much as local ones in laminar flow. [(5.2)]

    Parameters
    ----------
    c : ndarray, shape (n,)
        Local clearances, ordered by station, [mm].
    station : ndarray of int, shape (n,)
        Number of each one's station from 0, dense and increasing.
    owner : ndarray of int, shape (s,)
        Fit of each station.
    owners : int
        Number of fits.

    Returns
    -------
    ndarray, shape (owners,)
        [mm]; parallel round the circumference, in series along the land. 0 if any local clearance is not
        positive.

    Examples
    --------
    >>> c = np.array([0.1, 0.2, 0.1, 0.2])
    >>> float(clearance_for_leakage(c, np.array([0, 0, 1, 1]), np.array([0, 0]), 1)[0].round(6))
    0.165096
    """
    conductance = np.bincount(station, np.maximum(c, 0.0) ** 3) / np.bincount(station)
    closed = np.bincount(owner[station], c <= 0, owners) > 0
    resistance = np.bincount(owner, 1.0 / np.where(closed[owner], 1.0, conductance), owners)
    equivalent = np.cbrt(np.bincount(owner, minlength=owners) / resistance)
    return np.where(closed, 0.0, equivalent)


def consumed_share(worst: ArrayLike, new: ArrayLike, discard: ArrayLike) -> Floats:
    """Share of the way from the new clearance to the discard limit that is used up, unclipped. [S12]

    Parameters
    ----------
    worst, new, discard : array_like, shape (f,)
        Worst clearance, middle of the fit's new limits and discard limit, [mm].

    Returns
    -------
    ndarray, shape (f,)
        [-]; NaN without a discard limit.

    Examples
    --------
    >>> float(consumed_share(0.145, 0.08, 0.21).round(6))
    0.5
    """
    way = np.asarray(discard, float) - np.asarray(new, float)
    share = np.full(way.shape, np.nan)
    np.divide(np.asarray(worst, float) - new, way, out=share, where=np.isfinite(way) & (way != 0))
    return share


def _facing(sizes: Sizes, fits: Fits) -> _Facing:
    """Extremes over all pairs of locations, or over the pairs that can face each other where known."""
    bore, shaft, stations = fits.bore, fits.shaft, sizes.stations
    rows = _Facing(sizes.max_at[bore], sizes.min_at[shaft], sizes.min_at[bore], sizes.max_at[shaft])
    i, bore_station, shaft_station = _measured_pairs(sizes, fits)
    if not len(i):
        return rows
    largest = stations.max[bore_station] - stations.min[shaft_station]
    least = stations.min[bore_station] - stations.max[shaft_station]
    for distance, bores, shafts, bore_at, shaft_at in (
        (-largest, rows.worst_bore, rows.worst_shaft, stations.max_at, stations.min_at),
        (least, rows.smallest_bore, rows.smallest_shaft, stations.min_at, stations.max_at),
    ):
        order = np.lexsort((distance, i))
        fit, first = np.unique(i[order], return_index=True)
        bores[fit] = bore_at[bore_station[order][first]]
        shafts[fit] = shaft_at[shaft_station[order][first]]
    return rows


def _measured_pairs(sizes: Sizes, fits: Fits) -> tuple[Ints, Ints, Ints]:
    """Fit, bore row and shaft row of `Stations` of each pair of stations that was measured and may face each other."""
    stations = sizes.stations
    i = fits.pair_fit
    bore, has_bore = _station_row(stations, fits.bore[i], fits.pair_bore_station)
    shaft, has_shaft = _station_row(stations, fits.shaft[i], fits.pair_shaft_station)
    both = has_bore & has_shaft
    at_bore, nowhere_bore, any_shaft = _nowhere(stations, fits.bore, fits.shaft, i)
    at_shaft, nowhere_shaft, any_bore = _nowhere(stations, fits.shaft, fits.bore, i)
    return (
        np.concatenate([i[both], at_bore, at_shaft]),
        np.concatenate([bore[both], nowhere_bore, any_bore]),
        np.concatenate([shaft[both], any_shaft, nowhere_shaft]),
    )


def _nowhere(stations: Stations, side: Ints, other: Ints, paired: Ints) -> tuple[Ints, Ints, Ints]:
    """Pairs of what names no station on one side, station 0, with every station of the other side.

    Of the fits `paired`, since the others pair everything: fit, and rows of `Stations` of both sides.
    """
    fit = np.unique(paired)
    row, unnamed = _station_row(stations, side[fit], np.zeros(len(fit), np.int64))
    fit, row = fit[unnamed], row[unnamed]
    first = np.searchsorted(stations.measurand, other[fit])
    count = np.searchsorted(stations.measurand, other[fit], side="right") - first
    return np.repeat(fit, count), np.repeat(row, count), runs(first, count)


def _station_row(stations: Stations, measurand: Ints, station: Ints) -> tuple[Ints, Bools]:
    """Row of `Stations` of each (measurand, station), and whether it was measured."""
    width = int(max(stations.station.max(initial=0), station.max(initial=0))) + 1
    code, wanted = stations.measurand * width + stations.station, measurand * width + station
    row = np.minimum(np.searchsorted(code, wanted), len(code) - 1)
    return row, code[row] == wanted


def _difference(plus: Ints, minus: Ints, columns: int) -> csr_array:
    """Matrix that subtracts row `minus` from row `plus`, shape (f, columns)."""
    f = len(plus)
    at, sign = np.concatenate([plus, minus]), np.repeat([1.0, -1.0], f)
    return select(np.tile(np.arange(f), 2), at, sign, (f, columns))


def _for_leakage(sizes: Sizes, fits: Fits) -> Floats:
    """Local clearance = bore location less the mean size of the shaft (S5.5)."""
    stations, value, m = sizes.stations, sizes.locations.value, len(sizes.readings)
    first = np.searchsorted(stations.measurand, np.arange(m + 1))
    station_count = (first[1:] - first[:-1])[fits.bore]
    fit = np.repeat(np.arange(len(fits.bore)), station_count)
    row = runs(first[fits.bore], station_count)
    at = runs(stations.start[row], stations.locations[row])
    station = np.repeat(np.arange(len(row)), stations.locations[row])
    c = value[at] - sizes.mean[fits.shaft][fit[station]]
    return clearance_for_leakage(c, station, fit, len(fits.bore))
