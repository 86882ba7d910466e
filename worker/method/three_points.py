"""Carrying an uncertainty through a bent curve: the three-point rule (leakage method, section 1.5)."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from worker.method.air import Floats

REACH = float(np.sqrt(3.0))  # outer points, in standard uncertainties
CENTRE_WEIGHT, OUTER_WEIGHT = 2.0 / 3.0, 1.0 / 6.0


def outer_points(value: ArrayLike, u: ArrayLike) -> tuple[Floats, Floats]:
    """The two clearances beside the measured one at which the curve has to be known. [Gauss-Hermite]

    Parameters
    ----------
    value, u : array_like
        Clearance and its standard uncertainty, any one unit.

    Returns
    -------
    lower, upper : ndarray
        ``value -+ sqrt(3) u``; the lower not below 0.
    """
    centre, reach = np.asarray(value, dtype=np.float64), REACH * np.asarray(u, dtype=np.float64)
    return np.maximum(centre - reach, 0.0), np.asarray(centre + reach)


def mean_and_variance(centre: ArrayLike, lower: ArrayLike, upper: ArrayLike) -> tuple[Floats, Floats]:
    """Mean and variance of a quantity known at the measured clearance and at its two `outer_points`.

    Notes
    -----
    Exact for polynomials up to the fifth degree in the mean, the second in the variance. With u = 7 um the
    variance of a leak is within 4 % (sd) of Monte Carlo in the transition, where the slope alone is 18 % off.

    Examples
    --------
    A straight line carries its slope times u:

    >>> mean, variance = mean_and_variance(5.0, 5.0 - 3 ** 0.5, 5.0 + 3 ** 0.5)
    >>> round(float(mean), 12), round(float(variance), 12)
    (5.0, 1.0)
    """
    at = [np.asarray(value, dtype=np.float64) for value in (centre, lower, upper)]
    mean = CENTRE_WEIGHT * at[0] + OUTER_WEIGHT * (at[1] + at[2])
    spread = [np.square(value - mean) for value in at]
    return np.asarray(mean), np.asarray(CENTRE_WEIGHT * spread[0] + OUTER_WEIGHT * (spread[1] + spread[2]))
