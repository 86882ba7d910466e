"""Readings of a fleet, and one pass over them that yields its least squares (forecast method, section 6)."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class FleetReadings:
    """Readings of all instances of one feature in one fleet; n instances, N readings, G ground classes.

    Attributes
    ----------
    counts : ndarray of int, shape (n,)
        Readings of each instance.
    usage : ndarray, shape (N, G)
        Usage of the instance at the reading in each ground class, [units], instance after instance in order.
    wear, uncertainty : ndarray, shape (N,)
        Wear and its standard uncertainty, [mm].
    start_level, start_variance : ndarray, shape (n,)
        Level at usage 0 and its variance, [mm] and [mm2]. Of a part bought used: its first reading and the
        square of that one's uncertainty, the reading itself left out and usage counted from it.
    """

    counts: NDArray[np.intp]
    usage: Floats
    wear: Floats
    uncertainty: Floats
    start_level: Floats
    start_variance: Floats

    @classmethod
    def of(
        cls,
        counts: ArrayLike,
        usage: ArrayLike,
        wear: ArrayLike,
        uncertainty: ArrayLike,
        start_level: ArrayLike,
        start_variance: ArrayLike,
    ) -> FleetReadings:
        """Broadcast the starts and check that the readings add up."""
        count = np.asarray(counts, dtype=np.intp)
        by_ground = np.asarray(usage, dtype=np.float64)
        y, s = np.asarray(wear, dtype=np.float64), np.asarray(uncertainty, dtype=np.float64)
        if by_ground.ndim != 2 or not by_ground.shape[0] == y.size == s.size == count.sum():
            raise ValueError("readings must add up to the counts")
        level, variance = (
            np.array(np.broadcast_to(np.asarray(column, dtype=np.float64), count.shape))
            for column in (start_level, start_variance)
        )
        return cls(count, by_ground, y, s, level, variance)

    def first_rows(self) -> NDArray[np.intp]:
        """Row of the first reading of each instance (of the next one's where it has none)."""
        return np.cumsum(self.counts) - self.counts


@dataclass(frozen=True, slots=True)
class PaddedReadings:
    """Readings by their number: row k holds the k-th reading of every instance that has one, longest first."""

    active: list[int]
    usage: Floats  # (K, n, G)
    wear: Floats  # (K, n)
    variance: Floats
    start_level: Floats
    start_variance: Floats


def pad(readings: FleetReadings) -> PaddedReadings:
    """Sort the readings by their number; instances without any drop out."""
    kept = np.flatnonzero(readings.counts > 0)
    order = kept[np.argsort(-readings.counts[kept], kind="stable")]
    counts, first = readings.counts[order], readings.first_rows()[order]
    deepest = int(counts.max()) if counts.size else 0
    number = np.arange(deepest)[:, None]
    row = np.where(number < counts, first + number, 0)
    return PaddedReadings(
        active=[int((counts > k).sum()) for k in range(deepest)],
        usage=readings.usage[row],
        wear=readings.wear[row],
        variance=np.square(readings.uncertainty)[row],
        start_level=readings.start_level[order],
        start_variance=readings.start_variance[order],
    )


@dataclass(frozen=True, slots=True)
class LeastSquares:
    """Sums of the generalised least squares of wear on usage, one for each set of parameters."""

    log_det: Floats
    uu: Floats
    uy: Floats
    yy: Floats


def least_squares(
    padded: PaddedReadings,
    tau: ArrayLike,
    process_sd: ArrayLike,
    ground: ArrayLike,
    level: ArrayLike = 0.0,
    level_var: ArrayLike = 0.0,
) -> LeastSquares:
    """One pass of the filter with two means: of the wear, and of its regressor, the usage.

    Parameters
    ----------
    padded : PaddedReadings
    tau, process_sd : array_like, shape (...)
        Spread of the rate between instances, and the wandering.
    ground : array_like, shape (..., G)
        Effective usage per usage in each class.
    level, level_var : array_like, shape (...)
        Added to every start and its variance.

    Returns
    -------
    LeastSquares, shape (...)
        Sets of parameters are gone through together: for a fleet of some hundred instances several cost little more
        than one.
    """
    factors = np.asarray(ground, dtype=np.float64)
    columns = (np.asarray(column, dtype=np.float64) for column in (tau, process_sd, level, level_var))
    shape = np.broadcast_shapes(
        factors.shape[:-1], *(np.shape(column) for column in (tau, process_sd, level, level_var))
    )
    spread_of_rate, wandering, raised, doubt = (np.broadcast_to(c, shape).reshape(-1, 1) for c in columns)
    weights = np.broadcast_to(factors, (*shape, factors.shape[-1])).reshape(-1, factors.shape[-1])
    m, n = len(weights), padded.start_level.size
    usage = np.ascontiguousarray(np.moveaxis(padded.usage @ weights.T, 2, 1))
    # columns: level and rate of the wear's expectation, of the regressor's, and the covariance
    wear_level, wear_rate = padded.start_level + raised, np.zeros((m, n))
    usage_level, usage_rate = np.zeros((m, n)), np.zeros((m, n))
    p11, p12 = padded.start_variance + doubt, np.zeros((m, n))
    p22 = np.broadcast_to(np.square(spread_of_rate), (m, n))
    here, wander = np.zeros((m, n)), np.square(wandering)
    sums = np.zeros((4, m))
    for k, still in enumerate(padded.active):
        if still < p11.shape[1]:
            wear_level, wear_rate, usage_level, usage_rate, p11, p12, p22, here = (
                column[:, :still] for column in (wear_level, wear_rate, usage_level, usage_rate, p11, p12, p22, here)
            )
        run = usage[k, :, :still]
        du, here = run - here, run
        wear_level, usage_level = wear_level + wear_rate * du, usage_level + usage_rate * du
        p11 = p11 + du * (2.0 * p12 + du * p22 + wander)
        p12 = p12 + du * p22
        inverse = 1.0 / np.maximum(p11 + padded.variance[k, :still], 1e-300)
        off_y, off_u = padded.wear[k, :still] - wear_level, run - usage_level
        k1, k2 = p11 * inverse, p12 * inverse
        wear_level, wear_rate = wear_level + k1 * off_y, wear_rate + k2 * off_y
        usage_level, usage_rate = usage_level + k1 * off_u, usage_rate + k2 * off_u
        p11, p12, p22 = (1.0 - k1) * p11, (1.0 - k1) * p12, p22 - k2 * p12
        weighted = off_u * inverse
        sums[0] -= np.log(inverse).sum(axis=1)
        sums[1] += np.einsum("mn,mn->m", weighted, off_u)
        sums[2] += np.einsum("mn,mn->m", weighted, off_y)
        sums[3] += np.einsum("mn,mn,mn->m", off_y, off_y, inverse)
    return LeastSquares(*sums.reshape(4, *shape))
