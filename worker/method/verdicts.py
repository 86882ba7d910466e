"""From a value and its uncertainty to a verdict (method page "sizes" S6).

The order of the checks is the rule: the first row of S6.3 that matches wins. Everything is elementwise over
any number of results.
"""

from enum import IntEnum

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import ndtr, ndtri, stdtr, stdtrit

from worker.method.budget import INFINITE_DOF, Bools, Floats, Ints

TIE_P = 1e-9
"""Ties of probabilities (S0.4), [-]."""
TIE_MM = 1e-9
"""Ties of a size with its limit (S0.4), [mm]."""


class Verdict(IntEnum):
    """Verdicts in order of severity: the most severe of several is their maximum."""

    SERVICEABLE = 0
    MONITOR = 1
    REMEASURE = 2
    DISCARD = 3


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


def probability_beyond(
    y: ArrayLike, u: ArrayLike, nu: ArrayLike, limit: ArrayLike, grows: ArrayLike
) -> Floats:
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
    return np.where(_is_valid(u), conform, np.nan)


def decide(
    y: ArrayLike,
    u: ArrayLike,
    nu: ArrayLike,
    limits: tuple[ArrayLike, ArrayLike],
    grows: ArrayLike,
    risks: tuple[ArrayLike, ArrayLike] = (0.05, 0.05),
    blocked: ArrayLike = False,
    final: ArrayLike = False,
) -> tuple[Ints, Floats]:
    """Decide each result against its discard and monitor limits. [S6.3]

    Parameters
    ----------
    y, u, nu : array_like, shape (n,)
        Value, [mm], standard uncertainty, [mm], and degrees of freedom of the statistic that is judged.
    limits : tuple of array_like, shape (n,)
        Discard and monitor limit, [mm]. NaN discard = none: nothing is discarded. NaN monitor = the discard
        limit. The catalogue refuses a monitor limit beyond the discard limit.
    grows : array_like of bool, shape (n,)
        True where large is worn.
    risks : tuple of array_like
        ``risk_accept`` (p_lo) and ``risk_discard`` (1 - p_hi), [-].
    blocked : array_like of bool, shape (n,)
        A blocking flag of the blunder checks.
    final : array_like of bool, shape (n,)
        No further measurement is possible, or this is the second one, combined (row 6).

    Returns
    -------
    verdict : ndarray of int, shape (n,)
        `Verdict`.
    p_discard : ndarray, shape (n,)
        Probability beyond the discard limit, [-]; NaN without a limit or a valid u.

    References
    ----------
    .. [1] JCGM 106:2012, clause 8; ISO 14253-1:2017.

    Examples
    --------
    >>> verdict, p = decide(0.212, 0.004, np.inf, (0.2, 0.2), True)
    >>> Verdict(int(verdict)).name, float(p.round(4))
    ('DISCARD', 0.9987)
    """
    discard, monitor = (np.asarray(limit, float) for limit in limits)
    monitor = np.where(np.isnan(monitor), discard, monitor)
    p_discard = probability_beyond(y, u, nu, discard, grows)
    p_monitor = _beyond_monitor(y, u, nu, (discard, monitor), grows, p_discard)
    known_discard, known_monitor = np.nan_to_num(p_discard), np.nan_to_num(p_monitor)
    accept, refuse = np.asarray(risks[0], float) + TIE_P, 1.0 - np.asarray(risks[1], float) - TIE_P
    way = np.where(grows, np.asarray(y, float) - discard, discard - y)
    rows = [
        np.asarray(blocked, np.bool_) | ~_is_valid(u),
        known_discard >= refuse,
        (known_discard <= accept) & (known_monitor <= accept),
        known_discard <= accept,
        ~np.asarray(final, np.bool_),
        way >= -TIE_MM,
    ]
    outcomes = [
        Verdict.REMEASURE,
        Verdict.DISCARD,
        Verdict.SERVICEABLE,
        Verdict.MONITOR,
        Verdict.REMEASURE,
        Verdict.DISCARD,
    ]
    shape = np.broadcast_shapes(*(row.shape for row in rows))
    verdict = np.select([np.broadcast_to(row, shape) for row in rows], outcomes, Verdict.MONITOR)
    return verdict.astype(np.int64), p_discard


def decide_offset(
    y: ArrayLike,
    u: ArrayLike,
    nu: ArrayLike,
    limits: tuple[ArrayLike, ArrayLike],
    risk_accept: ArrayLike = 0.05,
    blocked: ArrayLike = False,
) -> tuple[Ints, Floats]:
    """Decide offsets, which have no discard: outside by conformance probability is `monitor`. [S12]

    Parameters
    ----------
    y, u, nu : array_like, shape (n,)
        As of `decide`.
    limits : tuple of array_like, shape (n,)
        Least and largest offset, [mm]; NaN = none.
    risk_accept : array_like
        Largest probability outside at which an offset is accepted, [-].
    blocked : array_like of bool, shape (n,)
        As of `decide`.

    Returns
    -------
    verdict : ndarray of int, shape (n,)
        `Verdict`: serviceable, monitor, or remeasure where blocked or without a valid u.
    p_inside : ndarray, shape (n,)
        Conformance probability, [-].
    """
    inside = probability_between(y, u, nu, *limits)
    accepted = inside >= 1.0 - np.asarray(risk_accept, float) - TIE_P
    verdict = np.where(accepted, Verdict.SERVICEABLE, Verdict.MONITOR)
    undecided = np.asarray(blocked, np.bool_) | np.isnan(inside)
    return np.where(undecided, Verdict.REMEASURE, verdict).astype(np.int64), inside


def monitor_limit(new: ArrayLike, discard: ArrayLike, fraction: ArrayLike = 0.8) -> Floats:
    """Monitor limit where the catalogue states none: part of the way from new (middle) to discard. [S11.4]

    Examples
    --------
    >>> float(monitor_limit(0.08, 0.21).round(6))
    0.184
    """
    start = np.asarray(new, float)
    return np.asarray(start + fraction * (np.asarray(discard, float) - start))


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
    spread = np.where(_is_valid(u), np.asarray(u, float), np.nan)
    return np.asarray(np.abs(np.asarray(discard, float) - new) / (4.0 * spread))


def _is_valid(u: ArrayLike) -> Bools:
    """S0.5: only a positive finite u decides anything."""
    width = np.asarray(u, float)
    return np.asarray(np.isfinite(width) & (width > 0))


def _lower_tail(way: ArrayLike, u: ArrayLike, nu: ArrayLike) -> Floats:
    """P(T <= way / u): by symmetry the survival function of -way / u, so never 1 - cdf (S0.3)."""
    valid = _is_valid(u)
    x = np.asarray(way, float) / np.where(valid, u, 1.0)
    dof = np.asarray(nu, float)
    exact = dof > INFINITE_DOF
    tail = np.where(exact, ndtr(x), stdtr(np.where(exact, 1.0, dof), x))
    return np.where(valid, tail, np.nan)


def _beyond_monitor(
    y: ArrayLike,
    u: ArrayLike,
    nu: ArrayLike,
    limits: tuple[Floats, Floats],
    grows: ArrayLike,
    p_discard: Floats,
) -> Floats:
    """P beyond the monitor limit, computed only where it differs from the discard limit."""
    discard, monitor = limits
    if np.array_equal(discard, monitor, equal_nan=True):
        return p_discard
    return probability_beyond(y, u, nu, monitor, grows)
