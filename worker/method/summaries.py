"""How a size was come by: how far round the part is, where it is worn, what picking the worst adds (S5.1 to S5.4)."""

from dataclasses import dataclass, fields

import numpy as np
from scipy.sparse import csr_array

from worker.method.budget import Floats, Ints, evaluate
from worker.method.influences import Influence
from worker.method.roundness import ovality_threshold, selection_bias
from worker.method.sizes import Sizes
from worker.method.stations import first_largest
from worker.method.wear_track import wear_tracks

FEWEST_ON_TRACK = 3
"""Stations with a position below which no wear track is sought; a design choice."""


@dataclass(frozen=True, slots=True)
class Summaries:
    """Summaries of m sizes; shape (m,) each, NaN where there is nothing to say.

    Attributes
    ----------
    round_station : ndarray of int
        Station that is most out of round, 0 = none named; -1 where no station has two locations.
    ovality, ovality_axis, ovality_u : ndarray
        By the second harmonic there, [mm], angle of the largest diameter, [deg], and standard uncertainty, [mm].
    two_point, two_point_bound : ndarray
        Largest less smallest there, and what a round part seldom exceeds, [mm].
    selection_bias : ndarray
        By which the worst of nearly equal locations may be too bad, [mm]; not corrected.
    track_first, track_last, track_peak, track_wear : ndarray
        Ends of the worn length, where it is deepest and how deep, [mm].
    """

    round_station: Ints
    ovality: Floats
    ovality_axis: Floats
    ovality_u: Floats
    two_point: Floats
    two_point_bound: Floats
    selection_bias: Floats
    track_first: Floats
    track_last: Floats
    track_peak: Floats
    track_wear: Floats


SUMMARIES = tuple(field.name for field in fields(Summaries))
"""Their names, in order."""


@dataclass(frozen=True, slots=True)
class ReadSpread:
    """Random part of single locations; shape (L,), and of stations, shape (S,).

    Attributes
    ----------
    location : ndarray
        Standard uncertainty of each location without shared influences, [mm].
    station, station_nu : ndarray
        Of one location of each station, root mean square, [mm], and its degrees of freedom, the fewest of its groups.
    """

    location: Floats
    station: Floats
    station_nu: Floats


def read_spread(sizes: Sizes) -> ReadSpread:
    """Random part of locations, as S5.1 and S5.2 compare extremes with it.

    Parameters
    ----------
    sizes : Sizes
    """
    places, columns, stations = sizes.places, sizes.reduced.columns, sizes.stations
    read = columns.run(Influence.READ)
    u = columns.u[read] * sizes.reduced.thermal.to_indication[places.group_start]
    groups = np.diff(np.append(places.location_start, len(u)))
    location = np.sqrt(np.add.reduceat(np.square(u), places.location_start)) / groups
    nu = np.minimum.reduceat(columns.nu[read], places.location_start)
    square = np.add.reduceat(np.square(location), stations.start) / stations.locations
    return ReadSpread(location, np.sqrt(square), np.minimum.reduceat(nu, stations.start))


def station_thresholds(sizes: Sizes, spread: ReadSpread) -> Floats:
    """Two-point ovality that is significant at each station, shape (S,), [mm]; NaN at one with a single location."""
    several = sizes.stations.locations >= 2
    found = np.full(len(several), np.nan)
    n, nu, u = (column[several] for column in (sizes.stations.locations, spread.station_nu, spread.station))
    found[several] = ovality_threshold(n, nu, u)
    return found


def summarise(sizes: Sizes, new: tuple[Floats, Floats], grows: np.ndarray) -> Summaries:
    """Summarise each size of a batch. [S5.1 to S5.4]

    Parameters
    ----------
    sizes : Sizes
        m sizes.
    new : tuple of ndarray, shape (m,)
        Middle and width of the new sizes, [mm].
    grows : ndarray of bool, shape (m,)
        True where large is worn.

    Returns
    -------
    Summaries
        m summaries.
    """
    m = len(sizes.readings)
    found = {name: np.full(m, -1 if name == "round_station" else np.nan) for name in SUMMARIES}
    if len(sizes.stations.mean):
        spread = read_spread(sizes)
        _roundest(sizes, spread, found)
        _bias(sizes, spread, found)
        _tracks(sizes, new, grows, found)
    return Summaries(**found)


def _roundest(sizes: Sizes, spread: ReadSpread, found: dict[str, np.ndarray]) -> None:
    stations, begin = sizes.stations, sizes.places.measurand_start
    owner = np.repeat(np.arange(len(begin)), np.diff(np.append(begin, len(stations.mean))))
    at = first_largest(stations.ovality, begin, owner)
    several = stations.locations[at] >= 2
    at, rows = at[several], sizes.places.measurand[several]
    found["round_station"][rows] = stations.station[at]
    found["two_point"][rows] = stations.max[at] - stations.min[at]
    found["two_point_bound"][rows] = station_thresholds(sizes, spread)[at]
    fitted = np.isfinite(stations.axis[at])
    found["ovality"][rows] = np.where(fitted, stations.ovality[at], np.nan)
    found["ovality_axis"][rows] = stations.axis[at]
    found["ovality_u"][rows] = stations.gain[at] * spread.station[at]


def _bias(sizes: Sizes, spread: ReadSpread, found: dict[str, np.ndarray]) -> None:
    start = sizes.stations.start[sizes.places.measurand_start]
    count = np.diff(np.append(start, len(spread.location)))
    u = np.sqrt(np.add.reduceat(np.square(spread.location), start) / count)
    found["selection_bias"][sizes.places.measurand] = selection_bias(count, u)


def _tracks(sizes: Sizes, new: tuple[Floats, Floats], grows: np.ndarray, found: dict[str, np.ndarray]) -> None:
    """Wear tracks of what has three stations or more, each with a position of its own."""
    stations, m = sizes.stations, len(sizes.readings)
    placed = np.isfinite(stations.position)
    count = np.bincount(stations.measurand, minlength=m)
    rows = np.flatnonzero((count >= FEWEST_ON_TRACK) & (np.bincount(stations.measurand, placed, m) == count))
    if not len(rows):
        return
    place = np.full(m, -1)
    place[rows] = np.arange(len(rows))
    chosen = np.flatnonzero(place[stations.measurand] >= 0)
    chosen = chosen[np.lexsort((stations.position[chosen], stations.measurand[chosen]))]
    row = place[stations.measurand[chosen]]
    column = np.arange(len(row)) - np.searchsorted(row, row)
    measurand = rows[row]
    change = stations.mean[chosen] - new[0][measurand]
    u = evaluate(sizes.location_forms(csr_array(sizes.station_weights()[chosen]))).u
    table = np.full((3, len(rows), int(count[rows].max())), np.nan)
    table[:, row, column] = (
        stations.position[chosen],
        np.where(grows[measurand], change, -change),
        np.hypot(u, new[1][measurand] / 12.0**0.5),
    )
    tracks = wear_tracks(*table)
    names = ("track_first", "track_last", "track_peak", "track_wear")
    columns = (tracks.first, tracks.last, tracks.peak_position, tracks.peak_wear)
    for name, values in zip(names, columns, strict=True):
        found[name][rows] = values
