"""Conformance probabilities, guard bands and capability (method page "sizes" S6.1, S6.2)."""

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import ndtr, ndtri, stdtr, stdtrit

from worker.method.budget import INFINITE_DOF, Bools, Floats


def probability_above(y: ArrayLike, u: ArrayLike, nu: ArrayLike, limit: ArrayLike) -> Floats:
    """Probability that the true value lies above a limit. [S6.1, Student t with untruncated nu]

    Parameters
    ----------
    y, u : array_like, shape (n,)
        Value and standard uncertainty, [mm].
    nu : array_like, shape (n,)
        Effective degrees of freedom; ``inf`` or above 1e9 = normal.
    limit : array_like, shape (n,)
        [mm].

    Returns
    -------
    ndarray, shape (n,)
        [-]; NaN where u is not a positive finite number or the limit is NaN.

    References
    ----------
    .. [1] JCGM 106:2012, clause 7.

    Examples
    --------
    >>> float(probability_above(0.188, 0.004, np.inf, 0.2).round(6))
    0.00135
    """
    return _lower_tail(np.asarray(y, float) - limit, u, nu)


def probability_below(y: ArrayLike, u: ArrayLike, nu: ArrayLike, limit: ArrayLike) -> Floats:
    """Probability that the true value lies below a limit; parameters as of `probability_above`. [S6.1]"""
    return _lower_tail(np.asarray(limit, float) - y, u, nu)


def probability_beyond(y: ArrayLike, u: ArrayLike, nu: ArrayLike, limit: ArrayLike, grows: ArrayLike) -> Floats:
    """Probability that the true value lies on the worn side of a limit. [S6.1]

    Parameters
    ----------
    y, u, nu, limit : array_like, shape (n,)
        As of `probability_above`.
    grows : array_like of bool, shape (n,)
        True where large is worn (bore, gap, clearance).

    Returns
    -------
    ndarray, shape (n,)
        [-]; NaN as of `probability_above`.
    """
    way = np.asarray(y, float) - limit
    return _lower_tail(np.where(grows, way, -way), u, nu)


def probability_between(y: ArrayLike, u: ArrayLike, nu: ArrayLike, low: ArrayLike, high: ArrayLike) -> Floats:
    """Conformance probability between two limits, 1 - P(below) - P(above). [S6.1]

    Parameters
    ----------
    y, u, nu : array_like, shape (n,)
        As of `probability_above`.
    low, high : array_like, shape (n,)
        Limits, [mm]; NaN = none.

    Returns
    -------
    ndarray, shape (n,)
        [-]; NaN where u is not a positive finite number.

    Examples
    --------
    >>> float(probability_between(13.6, 1.8, np.inf, 12.5, 16.3).round(4))
    0.6626
    """
    below = np.where(np.isnan(low), 0.0, probability_below(y, u, nu, low))
    above = np.where(np.isnan(high), 0.0, probability_above(y, u, nu, high))
    conform = np.maximum(1.0 - below - above, 0.0)
    return np.where(is_valid(u), conform, np.nan)


def guard_band(u: ArrayLike, nu: ArrayLike, p: float = 0.95) -> Floats:
    """Guard band that makes "value within limit less guard" the same rule as P(beyond) <= 1 - p. [S6.2]

    Parameters
    ----------
    u, nu : array_like, shape (n,)
        Standard uncertainty, [mm], and its degrees of freedom, untruncated.
    p : float
        Conformance probability, [-].

    Returns
    -------
    ndarray, shape (n,)
        g, [mm].

    References
    ----------
    .. [1] ISO 14253-1:2017, default conformance probability 95 %.

    Examples
    --------
    >>> float(guard_band(0.004, np.inf).round(7))
    0.0065794
    """
    dof = np.asarray(nu, float)
    exact = dof > INFINITE_DOF
    quantile = np.where(exact, ndtri(p), stdtrit(np.where(exact, 1.0, dof), p))
    return np.asarray(quantile * u)


def capability_index(new: ArrayLike, discard: ArrayLike, u: ArrayLike) -> Floats:
    """Index C_m = T / (4 u), T from as new to discard: warn below 4, `gauge-unfit` below 1. [S6.2]

    Parameters
    ----------
    new, discard : array_like, shape (n,)
        As-new value (middle of the new limits) and discard limit, [mm].
    u : array_like, shape (n,)
        Standard uncertainty, [mm].

    Returns
    -------
    ndarray, shape (n,)
        [-]; NaN without a limit or a valid u.

    Examples
    --------
    >>> float(capability_index(97.91, 97.80, 0.0016).round(2))
    17.19
    """
    spread = np.where(is_valid(u), np.asarray(u, float), np.nan)
    return np.asarray(np.abs(np.asarray(discard, float) - new) / (4.0 * spread))


def is_valid(u: ArrayLike) -> Bools:
    """Whether each standard uncertainty is positive and finite; no other decides anything. [S0.5]"""
    width = np.asarray(u, float)
    return np.asarray(np.isfinite(width) & (width > 0))


def _lower_tail(way: ArrayLike, u: ArrayLike, nu: ArrayLike) -> Floats:
    """P(T <= way / u): by symmetry the survival function of -way / u, so never 1 - cdf (S0.3)."""
    valid = is_valid(u)
    x = np.asarray(way, float) / np.where(valid, u, 1.0)
    dof = np.asarray(nu, float)
    exact = dof > INFINITE_DOF
    tail = np.where(exact, ndtr(x), stdtr(np.where(exact, 1.0, dof), x))
    return np.where(valid, tail, np.nan)
