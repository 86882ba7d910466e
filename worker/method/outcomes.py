"""What became of forecasts: when a limit was really reached, and what a straight line would have said (section 7)."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Outcomes:
    """Remaining usage as it turned out, arrays of shape (n,) in the life basis.

    Attributes
    ----------
    lower, upper : ndarray
        The limit was reached between these; equal where the crossing is known, upper inf where the parts were
        replaced or the record ends first.
    point : ndarray
        The crossing by straight line between the two readings around it; NaN where it was not reached.
    """

    lower: Floats
    upper: Floats
    point: Floats

    def at(self, index: NDArray[np.intp] | NDArray[np.bool_]) -> Outcomes:
        """Return the outcomes at an index or mask."""
        return Outcomes(self.lower[index], self.upper[index], self.point[index])


def find_outcomes(series: ArrayLike, usage: ArrayLike, value: ArrayLike, limit: ArrayLike) -> Outcomes:
    """Outcome of a forecast made at each reading of a limit's wear.

    Parameters
    ----------
    series : array_like of int, shape (n,)
        Rows of one series follow each other: one limit of one tool while the same parts are fitted.
    usage : array_like, shape (n,)
        Usage of the tool at the reading, increasing within a series, in the life basis.
    value, limit : array_like, shape (n,)
        Weighted sum of measured wear, and the limit it runs to.

    Returns
    -------
    Outcomes
        Known where the next reading is beyond, an interval where a later one is, censored where none is; 0 for
        a reading that is beyond itself.

    References
    ----------
    .. [1] Forecast method, section 7: truth in service is interval-censored.
    """
    group, u, z, top = np.asarray(series), *(np.asarray(x, dtype=np.float64) for x in (usage, value, limit))
    n = u.size
    if n == 0:
        return Outcomes(*(np.empty(0) for _ in range(3)))
    row = np.arange(n)
    beyond = z >= top
    # first row at or after each that is beyond, and the last row of its series
    crossing = np.minimum.accumulate(np.where(beyond, row, n)[::-1])[::-1]
    ends = np.append(group[1:] != group[:-1], True)
    last = np.minimum.accumulate(np.where(ends, row, n)[::-1])[::-1]
    crossed = crossing <= last
    hit = np.where(crossed, crossing, row)
    before = np.maximum(hit - 1, row)
    rise = z[hit] - z[before]
    share = np.divide(top - z[before], rise, out=np.zeros(n), where=(rise > 0.0) & (hit > row))
    point = u[before] + np.clip(share, 0.0, 1.0) * (u[hit] - u[before]) - u
    direct = hit <= row + 1
    lower = np.where(direct, point, u[before] - u)
    upper = np.where(direct, point, u[hit] - u)
    return Outcomes(
        lower=np.where(crossed, lower, u[last] - u),
        upper=np.where(crossed, upper, np.inf),
        point=np.where(crossed, point, np.nan),
    )


def line_slopes(counts: ArrayLike, usage: ArrayLike, wear: ArrayLike) -> Floats:
    """Slope of the straight line through the first reading of an instance and each of its readings.

    Parameters
    ----------
    counts : array_like of int, shape (n,)
        Readings of each instance, which follow each other.
    usage, wear : array_like, shape (N,)
        Raw usage for the line people draw, ground-weighted usage for the better one; and wear.

    Returns
    -------
    ndarray, shape (N,)
        NaN for a first reading.
    """
    count = np.asarray(counts, dtype=np.intp)
    u, y = np.asarray(usage, dtype=np.float64), np.asarray(wear, dtype=np.float64)
    first = np.repeat(np.cumsum(count) - count, count)
    run = u - u[first]
    return np.asarray(np.divide(y - y[first], run, out=np.full(u.size, np.nan), where=run > 0.0))


def line_remaining(gap: ArrayLike, slope: ArrayLike, horizon: float) -> Floats:
    """Remaining usage by straight line: what is left over the slope, at most the horizon.

    Parameters
    ----------
    gap, slope : array_like, shape (n,)
        Limit less the sum of the newest readings, and the sum of the slopes of its features (per unit of the
        usage asked for); NaN or not positive: the horizon.
    horizon : float
        Hmax, in the same usage.
    """
    left, speed = np.asarray(gap, dtype=np.float64), np.asarray(slope, dtype=np.float64)
    rising = speed > 0.0
    ahead = np.divide(left, speed, out=np.full(np.broadcast_shapes(left.shape, speed.shape), horizon), where=rising)
    return np.asarray(np.where(left <= 0.0, 0.0, np.clip(ahead, 0.0, horizon)))
