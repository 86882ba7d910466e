"""Locations and stations: where a feature was measured and what came out there (method page "sizes" S5)."""

from dataclasses import dataclass

import numpy as np
from scipy.sparse import csr_array

from worker.method.budget import Floats, Ints
from worker.method.places import Places
from worker.method.reduction import Reduced
from worker.method.roundness import fit_second_harmonic


@dataclass(frozen=True, slots=True)
class Locations:
    """Values of single locations, ordered by measurand, station and orientation.

    Attributes
    ----------
    measurand, station : ndarray of int, shape (L,)
        Row of `Measurands`; station, 0 = none.
    orientation : ndarray, shape (L,)
        [deg]; NaN for a reading that names neither station nor orientation.
    value : ndarray, shape (L,)
        Size at 20 degC, [mm].
    readings : ndarray of int, shape (L,)
        Repeats averaged.
    station_row : ndarray of int, shape (L,)
        Row of `Stations`.
    weights : csr_array, shape (L, n)
        Weights of the reduced readings in each location.
    """

    measurand: Ints
    station: Ints
    orientation: Floats
    value: Floats
    readings: Ints
    station_row: Ints
    weights: csr_array


@dataclass(frozen=True, slots=True)
class Stations:
    """Stations, ordered by measurand and number; shape (S,) each.

    Attributes
    ----------
    measurand, station : ndarray of int
        Row of `Measurands`; number, 0 = none.
    position : ndarray
        [mm]; NaN = none.
    mean, min, max : ndarray
        Over its locations, [mm].
    locations : ndarray of int
        How many.
    start : ndarray of int
        First row in `Locations`.
    min_at, max_at : ndarray of int
        Row of the smallest and largest in `Locations`.
    ovality : ndarray
        Second harmonic where there are 3 or more orientations mod 180, else max - min, [mm].
    centre, axis, gain : ndarray
        Of the second harmonic: D0, [mm], angle of the largest diameter, [deg], and uncertainty of the ovality over that
        of one location, [-]; NaN where none was fitted.
    """

    measurand: Ints
    station: Ints
    position: Floats
    mean: Floats
    min: Floats
    max: Floats
    locations: Ints
    start: Ints
    min_at: Ints
    max_at: Ints
    ovality: Floats
    centre: Floats
    axis: Floats
    gain: Floats


def average_locations(places: Places, reduced: Reduced) -> Locations:
    """Average the repeats and groups of each location. [S4.2]

    Parameters
    ----------
    places : Places
        Readings in order.
    reduced : Reduced
        The same at 20 degC.

    Returns
    -------
    Locations
        L locations.
    """
    weights = places.reading_weights()
    first, r = places.first_reading, places.readings
    station_sizes = np.diff(np.append(places.station_start, len(first)))
    alone = (r.station[first] == 0) & np.isnan(r.orientation[first])
    return Locations(
        measurand=r.measurand[first],
        station=r.station[first],
        orientation=np.where(alone, np.nan, np.nan_to_num(r.orientation[first])),
        value=weights @ reduced.value,
        readings=np.diff(weights.indptr).astype(np.int64),
        station_row=np.repeat(np.arange(len(station_sizes)), station_sizes),
        weights=weights,
    )


def summarise_stations(places: Places, locations: Locations) -> Stations:
    """Mean, extremes and ovality of each station. [S5, S5.2]

    Parameters
    ----------
    places : Places
        Readings in order.
    locations : Locations
        Their locations.

    Returns
    -------
    Stations
        S stations.
    """
    start, value, row = places.station_start, locations.value, locations.station_row
    count = np.diff(np.append(start, len(value)))
    min_at, max_at = first_largest(-value, start, row), first_largest(value, start, row)
    ovality, centre, axis, gain = _roundness(locations, start, count, value[max_at] - value[min_at])
    return Stations(
        measurand=locations.measurand[start],
        station=locations.station[start],
        position=places.readings.position[places.first_reading[start]],
        mean=np.add.reduceat(value, start) / count,
        min=value[min_at],
        max=value[max_at],
        locations=count,
        start=start,
        min_at=min_at,
        max_at=max_at,
        ovality=ovality,
        centre=centre,
        axis=axis,
        gain=gain,
    )


def _roundness(
    locations: Locations, start: Ints, count: Ints, two_point: Floats
) -> tuple[Floats, Floats, Floats, Floats]:
    """Second harmonic at stations with 3 or more orientations mod 180, else max - min for the ovality (S5.2)."""
    ovality = two_point.copy()
    centre, axis, gain = (np.full(len(start), np.nan) for _ in range(3))
    rows = np.flatnonzero(count >= 3)
    rows = rows[np.isfinite(locations.orientation[start[rows]])]
    if not len(rows):
        return ovality, centre, axis, gain
    at = runs(start[rows], count[rows])
    phi = locations.orientation[at]
    begin = np.append(0, np.cumsum(count[rows])[:-1])
    fit = fit_second_harmonic(phi, locations.value[at], begin)
    fitted = rows[fit.fitted]
    for column, found in ((ovality, fit.ovality), (centre, fit.mean), (axis, fit.axis), (gain, fit.gain)):
        column[fitted] = found[fit.fitted]
    return ovality, centre, axis, gain


def first_largest(value: Floats, start: Ints, owner: Ints) -> Ints:
    """Row of the first largest value of each run.

    Parameters
    ----------
    value : ndarray, shape (n,)
        Finite values, runs one after another.
    start : ndarray of int, shape (s,)
        First row of each run.
    owner : ndarray of int, shape (n,)
        Run of each value, from 0, increasing.

    Returns
    -------
    ndarray of int, shape (s,)
        Row numbers.
    """
    largest = np.maximum.reduceat(value, start)
    hits = np.flatnonzero(value == largest[owner])
    return hits[np.searchsorted(owner[hits], np.arange(len(start)))]


def runs(start: Ints, count: Ints) -> Ints:
    """Rows of the given runs, one after another.

    Parameters
    ----------
    start, count : ndarray of int, shape (s,)
        First row and number of rows of each run.

    Returns
    -------
    ndarray of int, shape (sum of count,)
        Row numbers.
    """
    ends = np.cumsum(count)
    return np.repeat(start - (ends - count), count) + np.arange(count.sum())
