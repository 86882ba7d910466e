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
from worker.method.roundness import taper_weights
from worker.method.stations import Locations, Stations, average_locations, first_largest, summarise_stations


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

    def station_weights(self) -> csr_array:
        """Weights of the locations in each station's mean, shape (S, L)."""
        row, count = self.locations.station_row, self.stations.locations
        return select(row, np.arange(len(row)), 1.0 / count[row], (len(count), len(row)))


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
    locations = average_locations(places, reduced)
    stations = summarise_stations(places, locations)
    m = len(bench.measurands.inspection)
    min_at, max_at = _extremes(places, locations, stations, m)
    worst_at = np.where(bench.measurands.grows, max_at, min_at)
    unmeasured = worst_at < 0
    mean, mean_forms = _mean(reduced, locations, stations, m)
    known = np.flatnonzero(~unmeasured)
    worst = select(known, worst_at[known], np.ones(len(known)), (m, len(locations.value)))
    worst_forms = reduced.forms.combine(worst @ locations.weights)
    taper, taper_u = _taper(reduced, locations, stations, m)
    owner = places.readings.measurand

    def value_at(rows: Ints) -> Floats:
        return np.where(unmeasured, np.nan, np.append(locations.value, np.nan)[rows])

    out_of_round = np.full(m, np.nan)
    out_of_round[places.measurand] = np.maximum.reduceat(stations.ovality, places.measurand_start)
    return Sizes(
        readings=np.bincount(owner, minlength=m),
        mean=np.where(unmeasured, np.nan, mean),
        min=value_at(min_at),
        max=value_at(max_at),
        worst=value_at(worst_at),
        worst_station=np.where(unmeasured, 0, np.append(locations.station, 0)[worst_at]),
        out_of_round=out_of_round,
        taper=taper,
        taper_u=taper_u,
        of_worst=_unknown_where(unmeasured, evaluate(worst_forms)),
        of_mean=_unknown_where(unmeasured, evaluate(mean_forms)),
        assumed_gauge=np.bincount(owner, reduced.assumed_gauge, m) > 0,
        temperature_missing=np.bincount(owner, reduced.temperature_missing, m) > 0,
        worst_forms=worst_forms,
        mean_forms=mean_forms,
        locations=locations,
        stations=stations,
        min_at=min_at,
        max_at=max_at,
        reduced=reduced,
        places=places,
    )


def _extremes(places: Places, locations: Locations, stations: Stations, m: int) -> tuple[Ints, Ints]:
    """Rows of the smallest and largest location of each measurand; -1 where it has none."""
    value, start = locations.value, stations.start[places.measurand_start]
    owner = np.repeat(np.arange(len(start)), np.diff(np.append(start, len(value))))
    at = np.full((2, m), -1)
    at[0, places.measurand] = first_largest(-value, start, owner)
    at[1, places.measurand] = first_largest(value, start, owner)
    return at[0], at[1]


def _mean(reduced: Reduced, locations: Locations, stations: Stations, m: int) -> tuple[Floats, Forms]:
    """Mean over stations of equal weight, and its form."""
    weight = 1.0 / np.bincount(stations.measurand, minlength=m)[stations.measurand]
    mean = np.bincount(stations.measurand, weight * stations.mean, m).astype(np.float64)
    return mean, reduced.forms.combine(_spread_over_locations(weight, locations, stations, m))


def _taper(reduced: Reduced, locations: Locations, stations: Stations, m: int) -> tuple[Floats, Floats]:
    """Taper and its u; shared influences cancel in its form (S4.4). NaN without two positions."""
    weight = taper_weights(stations.position, stations.measurand, m)
    missing = np.bincount(stations.measurand, weight != 0, m) == 0
    taper = np.bincount(stations.measurand, weight * stations.mean, m)
    forms = reduced.forms.combine(_spread_over_locations(weight, locations, stations, m))
    return np.where(missing, np.nan, taper), np.where(missing, np.nan, evaluate(forms).u)


def _spread_over_locations(weight: Floats, locations: Locations, stations: Stations, m: int) -> csr_array:
    """Weights of the readings where each station's weight is shared equally by its locations."""
    per_location = (weight / stations.locations)[locations.station_row]
    used = np.flatnonzero(per_location)
    picked = select(locations.measurand[used], used, per_location[used], (m, len(per_location)))
    return picked @ locations.weights


def _unknown_where(unmeasured: Bools, spread: Spread) -> Spread:
    """NaN where there was no reading, in place of the 0 of an empty form."""
    u, nu, k, U = (np.where(unmeasured, np.nan, column) for column in (spread.u, spread.nu, spread.k, spread.U))
    return Spread(u, nu, k, U, spread.low_dof)
