"""From a value and its uncertainty to a verdict (method page "sizes" S6).

The order of the checks is the rule: the first row of S6.3 that matches wins. Everything is elementwise over
any number of results.
"""

from enum import IntEnum

import numpy as np
from numpy.typing import ArrayLike

from worker.method.budget import Floats, Ints
from worker.method.conformity import is_valid, probability_between, probability_beyond

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
        np.asarray(blocked, np.bool_) | ~is_valid(u) | ~np.isfinite(y),
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
