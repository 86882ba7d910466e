"""Sizes of a batch of measurands: mean, extremes, shape and uncertainty (method page "sizes" S4.4, S5).

`measure` is the way in. Everything is computed across all inspections of the batch at once; row i of every
column belongs to row i of `Measurands`.
"""

from dataclasses import dataclass

import numpy as np
from scipy.sparse import csr_array

from worker.method.budget import Bools, Floats, Forms, Ints, Spread, evaluate, select
from worker.method.places import Places, arrange
from worker.method.readings import Bench
from worker.method.reduction import Reduced, reduce_readings
from worker.method.roundness import fit_second_harmonic, taper_weights


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


@dataclass(frozen=True, slots=True)
class Sizes:
    """Sizes of m measurands; NaN, 0 or -1 where a measurand has no reading. Shape (m,) unless said.

    Attributes
    ----------
    readings : ndarray of int
        Raw readings used.
    mean, min, max, worst : ndarray
        [mm] at 20 degC; the mean weighs stations equally; worst = max where the feature grows, else min.
    worst_station : ndarray of int
        Station of `worst`; 0 = none given.
    out_of_round : ndarray
        Largest ovality of the stations, [mm].
    taper, taper_u : ndarray
        Change of the station means over their span, growing with the position, and its standard uncertainty,
        [mm]; NaN without two positions.
    of_worst, of_mean : Spread
        Uncertainty of `worst` and of `mean`.
    assumed_gauge, temperature_missing : ndarray of bool
        S11.1 or S11.2 filled in for at least one reading (remarks `assumed-gauge-uncertainty`,
        `temperature-missing`).
    worst_forms, mean_forms : Forms
        Linear forms of `worst` and `mean`, m rows.
    locations : Locations
        Single locations.
    stations : Stations
        Stations.
    min_at, max_at : ndarray of int
        Row of `min` and `max` in `locations`.
    reduced : Reduced
        Single readings at 20 degC and the meaning of the columns.
    places : Places
        Order of the readings.
    """

    readings: Ints
    mean: Floats
    min: Floats
    max: Floats
    worst: Floats
    worst_station: Ints
    out_of_round: Floats
    taper: Floats
    taper_u: Floats
    of_worst: Spread
    of_mean: Spread
    assumed_gauge: Bools
    temperature_missing: Bools
    worst_forms: Forms
    mean_forms: Forms
    locations: Locations
    stations: Stations
    min_at: Ints
    max_at: Ints
    reduced: Reduced
    places: Places

    def location_forms(self, weights: csr_array) -> Forms:
        """Forms of sums of locations, `weights` of shape (q, L)."""
        return self.reduced.forms.combine(weights @ self.locations.weights)


def measure(bench: Bench) -> Sizes:
    """Compute the sizes of a batch from its readings. [S1, S3 to S5]

    Parameters
    ----------
    bench : Bench
        n readings of m measurands.

    Returns
    -------
    Sizes
        m sizes; without readings a size is NaN and its `u` is NaN.
    """
    places = arrange(bench)
    reduced = reduce_readings(bench, places)
    locations = _locations(places, reduced)
    stations = _stations(places, locations)
    m = len(bench.measurands.inspection)
    return _summarise(m, bench.measurands.grows, places, reduced, locations, stations)


def _locations(places: Places, reduced: Reduced) -> Locations:
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


def _stations(places: Places, locations: Locations) -> Stations:
    start, value, row = places.station_start, locations.value, locations.station_row
    count = np.diff(np.append(start, len(value)))
    min_at, max_at = _first_extreme(-value, start, row), _first_extreme(value, start, row)
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
        ovality=_ovality(locations, start, count, value[max_at] - value[min_at]),
    )


def _ovality(locations: Locations, start: Ints, count: Ints, two_point: Floats) -> Floats:
    """Second harmonic at stations with 3 or more orientations mod 180, else max - min (S5.2)."""
    ovality = two_point.copy()
    rows = np.flatnonzero(count >= 3)
    rows = rows[np.isfinite(locations.orientation[start[rows]])]
    if not len(rows):
        return ovality
    at = runs(start[rows], count[rows])
    phi = locations.orientation[at]
    begin = np.append(0, np.cumsum(count[rows])[:-1])
    fit = fit_second_harmonic(phi, locations.value[at], begin)
    ovality[rows[fit.fitted]] = fit.ovality[fit.fitted]
    return ovality


def _summarise(
    m: int, grows: Bools, places: Places, reduced: Reduced, locations: Locations, stations: Stations
) -> Sizes:
    """Bring locations and stations together into m sizes."""
    measured = places.measurand
    location_start = stations.start[places.measurand_start]
    owner = np.repeat(np.arange(len(measured)), np.diff(np.append(location_start, len(locations.value))))
    min_at = _first_extreme(-locations.value, location_start, owner)
    max_at = _first_extreme(locations.value, location_start, owner)
    worst_at = np.where(grows[measured], max_at, min_at)

    station_count = np.bincount(stations.measurand, minlength=m)
    station_weight = 1.0 / station_count[stations.measurand]
    mean_weight = (station_weight / stations.locations)[locations.station_row]
    slope_weight = taper_weights(stations.position, stations.measurand, m)
    lever = (slope_weight / stations.locations)[locations.station_row]
    every, shape = np.arange(len(locations.value)), (m, len(locations.value))
    mean = np.bincount(stations.measurand, station_weight * stations.mean, m)
    has_taper = np.bincount(stations.measurand, slope_weight != 0, m) > 0
    taper = np.bincount(stations.measurand, slope_weight * stations.mean, m)

    def forms(rows: Ints, columns: Ints, weights: Floats) -> Forms:
        return reduced.forms.combine(select(rows, columns, weights, shape) @ locations.weights)

    mean_forms = forms(locations.measurand, every, mean_weight)
    worst_forms = forms(measured, worst_at, np.ones(len(measured)))
    sloped = np.flatnonzero(lever)
    taper_forms = forms(locations.measurand[sloped], sloped, lever[sloped])
    reading_owner = places.readings.measurand
    unmeasured = station_count == 0

    def fill(values: Floats) -> Floats:
        column = np.full(m, np.nan)
        column[measured] = values
        return column

    def place(rows: Ints, default: int) -> Ints:
        column = np.full(m, default)
        column[measured] = rows
        return column

    return Sizes(
        readings=np.bincount(reading_owner, minlength=m),
        mean=np.where(unmeasured, np.nan, mean),
        min=fill(locations.value[min_at]),
        max=fill(locations.value[max_at]),
        worst=fill(locations.value[worst_at]),
        worst_station=place(locations.station[worst_at], 0),
        out_of_round=fill(np.maximum.reduceat(stations.ovality, places.measurand_start)),
        taper=np.where(has_taper, taper, np.nan),
        taper_u=np.where(has_taper, evaluate(taper_forms).u, np.nan),
        of_worst=_unknown_where(unmeasured, evaluate(worst_forms)),
        of_mean=_unknown_where(unmeasured, evaluate(mean_forms)),
        assumed_gauge=np.bincount(reading_owner, reduced.assumed_gauge, m) > 0,
        temperature_missing=np.bincount(reading_owner, reduced.temperature_missing, m) > 0,
        worst_forms=worst_forms,
        mean_forms=mean_forms,
        locations=locations,
        stations=stations,
        min_at=place(min_at, -1),
        max_at=place(max_at, -1),
        reduced=reduced,
        places=places,
    )


def _unknown_where(unmeasured: Bools, spread: Spread) -> Spread:
    """NaN where there was no reading, in place of the 0 of an empty form."""
    u, nu, k, U = (
        np.where(unmeasured, np.nan, column) for column in (spread.u, spread.nu, spread.k, spread.U)
    )
    return Spread(u, nu, k, U, spread.low_dof)


def _first_extreme(value: Floats, start: Ints, owner: Ints) -> Ints:
    """Row of the first largest value of each run, shape (runs,)."""
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
