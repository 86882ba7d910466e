"""Which readings are repeats of one another, and where they were taken (method page "sizes" S4.2, S5, S12).

Readings are ordered by measurand, station, orientation and instrument. A *group* holds the repeats of one
location with the same gauge, set-up, master and kind; a *location* is (measurand, station, orientation) and
averages its groups; a *station* averages its locations. A reading with neither station nor orientation is a
location of its own at station 0; with one of the two, the other is 0.
"""

from dataclasses import dataclass

import numpy as np
from scipy.sparse import csr_array

from worker.method.budget import Bools, Floats, Ints
from worker.method.readings import Bench, Readings


@dataclass(frozen=True, slots=True)
class Places:
    """Readings in order, and where each run of them begins.

    Attributes
    ----------
    order : ndarray of int, shape (n',)
        Rows of the table handed in, in the order used here; what is no reading is left out.
    readings : Readings
        n' readings in that order.
    group_start : ndarray of int, shape (G,)
        First reading of each group.
    location_start : ndarray of int, shape (L,)
        First group of each location.
    station_start : ndarray of int, shape (S,)
        First location of each station.
    measurand_start : ndarray of int, shape (M,)
        First station of each measurand that has readings.
    measurand : ndarray of int, shape (M,)
        Its row in `Measurands`, increasing.
    """

    order: Ints
    readings: Readings
    group_start: Ints
    location_start: Ints
    station_start: Ints
    measurand_start: Ints
    measurand: Ints

    @property
    def first_reading(self) -> Ints:
        """First reading of each location, shape (L,)."""
        return self.group_start[self.location_start]

    def reading_weights(self) -> csr_array:
        """Weight of each reading in its location's value, shape (L, n'): groups equal, repeats equal."""
        n = len(self.order)
        per_group = np.diff(np.append(self.group_start, n))
        groups = np.diff(np.append(self.location_start, len(self.group_start)))
        weight = np.repeat(1.0 / (per_group * np.repeat(groups, groups)), per_group)
        indptr = np.append(self.first_reading, n)
        return csr_array((weight, np.arange(n), indptr), shape=(len(self.location_start), n))


def dense_ids(*columns: Ints) -> tuple[Ints, Ints]:
    """Number the distinct tuples of small integers of at least -1.

    Returns
    -------
    ids : ndarray of int, shape (n,)
        Number of each row's tuple, in the order of the tuples.
    tuples : ndarray of int, shape (d, len(columns))
        The distinct tuples.
    """
    packed = np.zeros(columns[0].shape, np.int64)
    for column in columns:
        packed = packed * (int(column.max(initial=-1)) + 2) + (column + 1)
    _, first, ids = np.unique(packed, return_index=True, return_inverse=True)
    return ids.astype(np.int64), np.stack([column[first] for column in columns], axis=1)


def arrange(bench: Bench) -> Places:
    """Order the readings and find the repeats, locations, stations and measurands.

    Parameters
    ----------
    bench : Bench
        The batch.

    Returns
    -------
    Places
        Without rows whose value is NaN and deviations without a master.
    """
    every = bench.readings
    usable = np.flatnonzero(np.isfinite(every.value) & (~every.is_deviation | (every.master >= 0)))
    r = every.take(usable)
    alone = (r.station == 0) & np.isnan(r.orientation)
    # an angle that no other reading has makes it a location of its own
    angle = np.where(alone, -1.0 - np.arange(len(usable)), np.nan_to_num(r.orientation))
    is_trace = np.isfinite(r.trace_u).astype(np.int64)
    instrument, _ = dense_ids(r.gauge, r.setup, r.master, r.is_deviation.astype(np.int64), is_trace)
    order = np.lexsort((instrument, angle, r.station, r.measurand))
    r, angle, instrument = r.take(order), angle[order], instrument[order]

    new_measurand = _changes(r.measurand)
    new_station = new_measurand | _changes(r.station)
    new_location = new_station | _changes(angle)
    new_group = new_location | _changes(instrument)
    measurand_at = np.flatnonzero(new_measurand)
    return Places(
        order=usable[order],
        readings=r,
        group_start=np.flatnonzero(new_group),
        location_start=np.flatnonzero(new_location[new_group]),
        station_start=np.flatnonzero(new_station[new_location]),
        measurand_start=np.flatnonzero(new_measurand[new_station]),
        measurand=r.measurand[measurand_at],
    )


def _changes(sorted_column: Ints | Floats) -> Bools:
    """Mark where a run of equal values begins, shape (n,)."""
    start = np.ones(sorted_column.shape, np.bool_)
    start[1:] = sorted_column[1:] != sorted_column[:-1]
    return start
