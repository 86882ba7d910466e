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
    """Sums of the generalised least squares of wear on usage."""

    log_det: float
    uu: float
    uy: float
    yy: float


def least_squares(
    padded: PaddedReadings, tau: float, process_sd: float, ground: Floats, level: float, level_var: float
) -> LeastSquares:
    """One pass of the filter with two means: of the wear, and of its regressor, the usage."""
    n = padded.start_level.size
    usage = padded.usage @ ground
    # columns: level and rate of the wear's expectation, of the regressor's, and the covariance
    wear_level, wear_rate = padded.start_level + level, np.zeros(n)
    usage_level, usage_rate = np.zeros(n), np.zeros(n)
    p11, p12, p22 = padded.start_variance + level_var, np.zeros(n), np.full(n, tau * tau)
    here, wander = np.zeros(n), process_sd * process_sd
    log_det = uu = uy = yy = 0.0
    for k, m in enumerate(padded.active):
        du = usage[k, :m] - here[:m]
        here = usage[k, :m]
        p11, p12, p22 = p11[:m], p12[:m], p22[:m]
        wear_level, wear_rate = wear_level[:m] + wear_rate[:m] * du, wear_rate[:m]
        usage_level, usage_rate = usage_level[:m] + usage_rate[:m] * du, usage_rate[:m]
        p11 = p11 + du * (2.0 * p12 + du * p22 + wander)
        p12 = p12 + du * p22
        spread = np.maximum(p11 + padded.variance[k, :m], 1e-300)
        off_y, off_u = padded.wear[k, :m] - wear_level, here - usage_level
        k1, k2 = p11 / spread, p12 / spread
        wear_level, wear_rate = wear_level + k1 * off_y, wear_rate + k2 * off_y
        usage_level, usage_rate = usage_level + k1 * off_u, usage_rate + k2 * off_u
        p11, p12, p22 = (1.0 - k1) * p11, (1.0 - k1) * p12, p22 - k2 * p12
        weighted = off_u / spread
        log_det += float(np.log(spread).sum())
        uu += float(weighted @ off_u)
        uy += float(weighted @ off_y)
        yy += float((off_y / spread) @ off_y)
    return LeastSquares(log_det, uu, uy, yy)
