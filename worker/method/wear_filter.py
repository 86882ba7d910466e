"""Wear states from readings: a two-state Kalman filter over many histories at once (forecast method, section 2)."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from worker.method.wear_state import WearStates

Floats = NDArray[np.float64]

# A reading further than this from its expectation is down-weighted ...
ROBUST_K = 3.0
# ... and beyond this asked about: wrong serial, wrong side, or a replacement nobody wrote down.
ASK_Z = 6.0


@dataclass(frozen=True, slots=True)
class FilteredWear:
    """What the filter made of a set of histories; N readings in all, n histories.

    Attributes
    ----------
    states : WearStates, shape (N,)
        State right after each reading.
    innovation : ndarray, shape (N,)
        Reading less expectation over the standard deviation of that, [-]; 0 for a reading that set the start.
    down_weighted, asks : ndarray of bool, shape (N,)
        Reading that was down-weighted, and one so far off that somebody has to look.
    log_likelihood : ndarray, shape (n,)
        Of each history, with the variances as used.
    """

    states: WearStates
    innovation: Floats
    down_weighted: NDArray[np.bool_]
    asks: NDArray[np.bool_]
    log_likelihood: Floats


def filter_wear(
    start: WearStates,
    start_usage: ArrayLike,
    diffusion: ArrayLike,
    counts: ArrayLike,
    usage: ArrayLike,
    wear: ArrayLike,
    uncertainty: ArrayLike,
    from_first_reading: ArrayLike = False,
    robust: bool = True,
) -> FilteredWear:
    """States after every reading of many histories at once.

    Parameters
    ----------
    start : WearStates, shape (n,)
        State of each history at ``start_usage``: a prior, or any state it is resumed from.
    start_usage : array_like, shape (n,)
        Usage of the instance at the start, [units].
    diffusion : array_like, shape (n,)
        Process variance, [mm2 per unit].
    counts : array_like of int, shape (n,)
        Number of readings of each history; 0 is allowed.
    usage, wear, uncertainty : array_like, shape (N,)
        Readings, history after history, each in order of usage: usage of the instance [units], wear [mm] and
        its standard uncertainty [mm].
    from_first_reading : array_like of bool, shape (n,)
        Histories whose first reading is itself the start level (bought used, re-machined); its usage is then
        where the history starts.
    robust : bool
        Down-weight readings beyond three standard deviations.

    Returns
    -------
    FilteredWear

    Raises
    ------
    ValueError
        If the readings do not add up to the counts, or usage goes back within a history.

    Notes
    -----
    Repeat readings at one usage are readings with no usage between them. An error common to several readings
    (a gauge's calibration) must not be averaged down here; see `worker.method.remaining_life.combine`.

    References
    ----------
    .. [1] Durbin and Koopman, Time Series Analysis by State Space Methods, 2012, chapter 4 (from memory).
    """
    count = np.asarray(counts, dtype=np.intp)
    u, y, s = (np.asarray(column, dtype=np.float64) for column in (usage, wear, uncertainty))
    if not u.shape == y.shape == s.shape == (int(count.sum()),):
        raise ValueError("readings must add up to the counts")
    n = count.size
    state = np.array([np.broadcast_to(column, n) for column in start.columns()], dtype=np.float64)
    here = np.array(np.broadcast_to(np.asarray(start_usage, dtype=np.float64), n))
    wander = np.broadcast_to(np.asarray(diffusion, dtype=np.float64), n)
    begins = np.broadcast_to(np.asarray(from_first_reading, dtype=bool), n)
    first = np.cumsum(count) - count
    after = np.empty((5, u.size))
    z = np.empty(u.size)
    log_likelihood = np.zeros(n)
    # Longest histories first: those with a k-th reading are then the leading ones.
    order = np.argsort(-count, kind="stable")
    deepest = int(count.max()) if n else 0
    for k in range(deepest):
        rows = order[: np.searchsorted(-count[order], -k, side="left")]
        at = first[rows] + k
        du = u[at] - here[rows]
        if k == 0:
            du = np.where(begins[rows], 0.0, du)
        if (du < 0.0).any():
            raise ValueError("usage goes back within a history")
        moved, z[at], gain = _update(state[:, rows], du, wander[rows], y[at], s[at], robust)
        if k == 0:
            moved, z[at], gain = _begin(begins[rows], state[:, rows], moved, z[at], gain, y[at], s[at])
        state[:, rows] = after[:, at] = moved
        here[rows] = u[at]
        log_likelihood[rows] += gain
    size = np.abs(z)
    return FilteredWear(WearStates(*after), z, (size > ROBUST_K) & robust, size > ASK_Z, log_likelihood)


def _update(
    state: Floats, du: Floats, wander: Floats, y: Floats, s: Floats, robust: bool
) -> tuple[Floats, Floats, Floats]:
    """Carry states of shape (5, n) over the usage and take in one reading each."""
    level, rate, p11, p12, p22 = state
    level = level + rate * du
    p11 = np.maximum(p11 + du * (2.0 * p12 + du * p22 + wander), 0.0)
    p12 = np.where(p11 > 0.0, p12 + du * p22, 0.0)  # rounding may leave a level known exactly that still covaries
    error = s * s
    residual = y - level
    spread = np.maximum(p11 + error, 1e-300)  # a start and a reading both known exactly
    z = residual / np.sqrt(spread)
    if robust:
        excess = np.maximum(np.abs(z) / ROBUST_K, 1.0) - 1.0
        error = error + spread * excess
        spread = spread * (1.0 + excess)
    k1, k2 = p11 / spread, p12 / spread
    keep = 1.0 - k1
    updated = np.stack(
        [
            level + k1 * residual,
            rate + k2 * residual,
            keep * keep * p11 + k1 * k1 * error,
            keep * (p12 - k2 * p11) + k1 * k2 * error,
            np.maximum(p22 - 2.0 * k2 * p12 + k2 * k2 * spread, 0.0),
        ]
    )
    log_likelihood = -0.5 * (np.log(2.0 * np.pi * spread) + residual * residual / spread)
    return updated, z, log_likelihood


def _begin(
    begins: NDArray[np.bool_], prior: Floats, moved: Floats, z: Floats, gain: Floats, y: Floats, s: Floats
) -> tuple[Floats, Floats, Floats]:
    """Let the first reading be the start level where a history begins with it; the rate stays the prior's."""
    started = np.stack([y, prior[1], s * s, np.zeros_like(y), prior[4]])
    return (
        np.where(begins, started, moved),
        np.where(begins, 0.0, z),
        np.where(begins, 0.0, gain),
    )
