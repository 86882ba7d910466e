"""Blunders that only the tool's own history shows: wear that goes backwards, stations exchanged (sizes S8, S8.1)."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import ArrayLike
from scipy.sparse import csr_array

from worker.method.blunders import chi2_limit
from worker.method.budget import Bools, Floats, Forms, Ints, evaluate, select
from worker.method.influences import Influence
from worker.method.sizes import Sizes

EXPANDED = 2.0
"""Coverage factor of the scores of S8, [-]."""
BACKWARDS = -1.0
UNLIKELY, LIKELY = 0.999, 0.99
BETTER = 9.0
"""By how much an exchange has to bring chi-square down."""
MOST_STATIONS = 40
"""Above so many stations no exchange is sought; a design choice."""


def wear_score(
    wear: ArrayLike, expanded_now: ArrayLike, expanded_before: ArrayLike, expanded_shared: ArrayLike = 0.0
) -> Floats:
    """Wear over the expanded uncertainty of its difference; below -1 is a blunder. [S8, negative wear]

    Parameters
    ----------
    wear : array_like, shape (n,)
        Positive toward discard, [mm].
    expanded_now, expanded_before, expanded_shared : array_like, shape (n,)
        With k = 2: of the two sizes, and of what both share, [mm].

    Examples
    --------
    >>> float(wear_score(89.99 - 90.002, 0.004, 0.003).round(3))
    -2.4
    """
    variance = np.square(expanded_now) + np.square(expanded_before) - 2.0 * np.square(expanded_shared)
    return np.asarray(wear, float) / np.sqrt(variance)


@dataclass(frozen=True, slots=True)
class StationPairs:
    """Stations that two measurements of the same feature have in common; shape (c,) each.

    Attributes
    ----------
    pair : ndarray of int
        Which pair of measurements, increasing.
    now, before : ndarray of int
        Rows of `Stations`.
    """

    pair: Ints
    now: Ints
    before: Ints


def common_stations(sizes: Sizes, now: Ints, before: Ints) -> StationPairs:
    """Find the stations measured both times.

    Parameters
    ----------
    sizes : Sizes
        Of both measurements.
    now, before : ndarray of int, shape (q,)
        Rows of `Measurands`.
    """
    stations = sizes.stations
    width = int(stations.station.max(initial=0)) + 1
    code = stations.measurand * width + stations.station
    first = np.searchsorted(stations.measurand, now)
    count = np.searchsorted(stations.measurand, now, side="right") - first
    pair = np.repeat(np.arange(len(now)), count)
    row = np.arange(len(pair)) - np.repeat(np.cumsum(count) - count, count) + np.repeat(first, count)
    wanted = before[pair] * width + stations.station[row]
    other = np.minimum(np.searchsorted(code, wanted), max(len(code) - 1, 0))
    both = code[other] == wanted if len(code) else np.zeros(0, np.bool_)
    return StationPairs(pair[both], row[both], other[both])


@dataclass(frozen=True, slots=True)
class Steps:
    """What was worn from one measurement to the next; shape (q,) each.

    Attributes
    ----------
    wear : ndarray
        Mean over the common stations, else of the whole, positive toward discard, [mm].
    score : ndarray
        Wear over its expanded uncertainty (k = 2), what both share left out; NaN where nothing went backwards.
    """

    wear: Floats
    score: Floats

    @property
    def backwards(self) -> Bools:
        """Which went backwards beyond doubt."""
        return np.asarray(self.score < BACKWARDS)


def steps_between(sizes: Sizes, now: Ints, before: Ints, common: StationPairs, grows: Bools) -> Steps:
    """Compare each size with an earlier one of the same feature. [S8, wear went backwards]

    Parameters
    ----------
    sizes : Sizes
    now, before : ndarray of int, shape (q,)
        Rows of `Measurands`.
    common : StationPairs
        Of these pairs.
    grows : ndarray of bool, shape (q,)
        True where large is worn.
    """
    q, mean = len(now), sizes.stations.mean
    count = np.bincount(common.pair, minlength=q)
    alike = np.bincount(common.pair, mean[common.now] - mean[common.before], q) / np.maximum(count, 1)
    change = np.where(count > 0, alike, sizes.mean[now] - sizes.mean[before])
    wear = np.where(grows, change, -change)
    score = np.full(q, np.nan)
    back = np.flatnonzero(wear < 0)
    if len(back):
        u = evaluate(_differences(sizes, now, before, common, back)).u
        score[back] = wear[back] / (EXPANDED * u)
    return Steps(wear, score)


def _differences(sizes: Sizes, now: Ints, before: Ints, common: StationPairs, rows: Ints) -> Forms:
    """Forms of some of the changes, shared influences netted."""
    place = np.full(len(now), -1)
    place[rows] = np.arange(len(rows))
    at = place[common.pair]
    used = at >= 0
    count = np.bincount(at[used], minlength=len(rows))
    share = 1.0 / count[at[used]]
    stations = len(sizes.stations.mean)
    alike = select(
        np.tile(at[used], 2),
        np.concatenate([common.now[used], common.before[used]]),
        np.concatenate([share, -share]),
        (len(rows), stations),
    )
    apart = np.flatnonzero(count == 0)
    whole = select(
        np.tile(apart, 2),
        np.concatenate([now[rows[apart]], before[rows[apart]]]),
        np.repeat([1.0, -1.0], len(apart)),
        (len(rows), len(sizes.mean)),
    )
    return sizes.location_forms(csr_array(alike @ sizes.station_weights())).plus(sizes.mean_forms.combine(whole))


def station_u(sizes: Sizes) -> Floats:
    """Standard uncertainty of each station's mean without what is shared, shape (S,), [mm]. [S8.1]"""
    places, columns = sizes.places, sizes.reduced.columns
    u = columns.u[columns.run(Influence.READ)]
    groups = np.diff(np.append(places.location_start, len(places.group_start)))
    row = sizes.locations.station_row
    weight = np.repeat(1.0 / (groups * sizes.stations.locations[row]), groups)
    variance = np.bincount(np.repeat(row, groups), np.square(weight * u), len(sizes.stations.mean))
    return np.sqrt(variance)


@dataclass(frozen=True, slots=True)
class Exchange:
    """Two stations that look exchanged: pair of measurements, station numbers, chi-square before and after."""

    pair: int
    stations: tuple[int, int]
    chi2: float
    chi2_exchanged: float


def find_exchanges(sizes: Sizes, common: StationPairs, pairs: int) -> list[Exchange]:
    """Find stations that were exchanged since the measurement before. [S8, swapped station]

    Parameters
    ----------
    sizes : Sizes
    common : StationPairs
        Stations in common of each pair of measurements.
    pairs : int
        Number of pairs.

    Returns
    -------
    list of Exchange
        At most one for each pair: the exchange that explains the most.
    """
    count = np.bincount(common.pair, minlength=pairs)
    u = station_u(sizes)
    variance = np.square(u[common.now]) + np.square(u[common.before])
    change = sizes.stations.mean[common.now] - sizes.stations.mean[common.before]
    start = np.append(0, np.cumsum(count))[:-1]
    # chi-square about the weighted mean, on arrays: about the median it is up to twice as large
    weight = np.zeros_like(variance)
    np.divide(1.0, variance, out=weight, where=variance > 0)
    total = np.bincount(common.pair, weight, pairs)
    centre = np.bincount(common.pair, weight * change, pairs) / np.where(total > 0, total, 1.0)
    spread = np.bincount(common.pair, weight * np.square(change - centre[common.pair]), pairs)
    limit = np.array([np.inf, np.inf] + [chi2_limit(n, UNLIKELY) for n in range(2, int(count.max(initial=1)) + 1)])
    suspects = np.flatnonzero((count >= 2) & (count <= MOST_STATIONS) & (spread > limit[count] / 4.0))
    found: list[Exchange] = []
    for n in np.unique(count[suspects]).tolist():
        alike = suspects[count[suspects] == n]
        found += _exchanged(sizes, alike, common, start[alike][:, None] + np.arange(n), u)
    return sorted(found, key=lambda exchange: exchange.pair)


def _exchanged(sizes: Sizes, pairs: Ints, common: StationPairs, rows: Ints, u: Floats) -> list[Exchange]:
    """Exchanges among pairs of measurements with as many stations in common each; `rows` of them, shape (pairs, n)."""
    n, mean = rows.shape[1], sizes.stations.mean
    now, before = common.now[rows], common.before[rows]
    as_read = _chi2(mean[now] - mean[before], np.hypot(u[now], u[before]))
    odd = np.flatnonzero(as_read > chi2_limit(n, UNLIKELY))
    now, before, as_read = now[odd], before[odd], as_read[odd]
    best, stations = np.full(len(odd), np.inf), np.zeros((len(odd), 2), np.int64)
    for i, j in combinations(range(n), 2):
        order = np.arange(n)
        order[[i, j]] = j, i
        moved = now[:, order]
        after = _chi2(mean[moved] - mean[before], np.hypot(u[moved], u[before]))
        better = after < best
        best[better], stations[better] = after[better], (i, j)
    told = np.flatnonzero((best < chi2_limit(n, LIKELY)) & (BETTER * best <= as_read))
    numbers = np.take_along_axis(sizes.stations.station[now[told]], stations[told], axis=1).tolist()
    return [
        Exchange(int(pairs[odd[row]]), (a, b), float(as_read[row]), float(best[row]))
        for row, (a, b) in zip(told.tolist(), numbers, strict=True)
    ]


def _chi2(change: Floats, sigma: Floats) -> Floats:
    """Chi-square of some rows about the median of each; NaN where a reading has no uncertainty."""
    about = change - np.median(change, axis=-1, keepdims=True)
    known = sigma > 0
    ratio = np.divide(about, sigma, out=np.full(about.shape, np.nan), where=known)
    return np.asarray(np.square(ratio).sum(axis=-1))
