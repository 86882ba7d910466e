"""Constants of the range of a few normal readings (sizes method, S7.6), from its distribution."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from scipy.special import ndtr

_W_NODES, _W_WEIGHTS = np.polynomial.legendre.leggauss(120)
WIDEST = 16.0  # standard deviations; no range of up to a thousand readings gets there
_X = np.linspace(-9.0, 9.0, 601)  # the trapezoid rule is exact to round-off on a bell this wide
_DENSITY = np.exp(-0.5 * _X * _X) / np.sqrt(2.0 * np.pi) * (_X[1] - _X[0])


@lru_cache(maxsize=256)
def range_moments(n: int) -> tuple[float, float]:
    """Mean and standard deviation of the range of n standard normal readings, known as d2 and d3.

    Parameters
    ----------
    n : int
        At least 2.

    Examples
    --------
    >>> [round(value, 4) for value in range_moments(2)]
    [1.1284, 0.8525]
    """
    w = 0.5 * WIDEST * (_W_NODES + 1.0)
    weights = 0.5 * WIDEST * _W_WEIGHTS
    between = ndtr(_X + w[:, None]) - ndtr(_X)
    beyond = 1.0 - n * (between ** (n - 1)) @ _DENSITY  # P(range > w)
    mean = float(weights @ beyond)
    square = float(2.0 * (weights * w) @ beyond)
    return mean, float(np.sqrt(square - mean * mean))


def upper_range_factor(n: int) -> float:
    """D4: the largest range to be expected of n readings over the mean one, three standard deviations up.

    Examples
    --------
    >>> round(upper_range_factor(3), 4)
    2.5746
    """
    d2, d3 = range_moments(n)
    return 1.0 + 3.0 * d3 / d2


def per_mean_range(n: int) -> float:
    """K1 = 1/d2: standard deviation over the mean of many ranges of n readings.

    Examples
    --------
    >>> round(per_mean_range(3), 4)
    0.5908
    """
    return 1.0 / range_moments(n)[0]


def per_single_range(n: int) -> float:
    """K2 and K3: standard deviation over one range of n values, 1/sqrt(d2^2 + d3^2).

    Examples
    --------
    >>> round(per_single_range(10), 4)
    0.3146
    """
    return float(1.0 / np.hypot(*range_moments(n)))
