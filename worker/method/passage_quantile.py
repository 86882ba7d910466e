"""Quantiles of the remaining usage (forecast method, section 4): the root of F in the logarithm of usage."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtri

from worker.method.first_passage import BLOCK, TINY, Gap, already_beyond, passage_probability
from worker.method.passage_never import never_reached

Floats = NDArray[np.float64]
Score = Callable[[NDArray[np.intp], Floats], Floats]

MOST_STEPS = 60
# Convergence in z; and a predicted step in log usage small enough to be the last one, after a small one before.
CLOSE_Z = 1e-9
LAST_STEP = 1e-5
STEP_BEFORE = 1e-2
# Largest step in log usage while the root is not yet bracketed.
STRIDE = 3.0
# Least step, so that a jump of F is stepped over.
LEAST_STEP = 1e-12


def quantiles(gap: Gap, probabilities: ArrayLike) -> Floats:
    """Remaining usage within which the limit is reached with given probabilities.

    Parameters
    ----------
    gap : Gap
        Shape (...).
    probabilities : array_like, shape (k,)
        Probabilities, 0 < p < 1.

    Returns
    -------
    ndarray, shape (..., k)
        Usage [units of usage]: 0 where the limit is already reached with that probability, inf where it is
        never reached with it, NaN where the gap is not known. Within 1e-5 relative.

    Examples
    --------
    >>> import numpy as np
    >>> from worker.method.first_passage import Gap
    >>> from worker.method.passage_quantile import quantiles
    >>> np.round(quantiles(Gap(0.2, 3.6e-5, 0.02, 1.6e-5, -1e-5, 1e-4), [0.1, 0.5, 0.9]), 4)
    array([ 7.232 ,  9.8766, 14.395 ])
    """
    return quantiles_between(gap, probabilities, already_beyond(gap), never_reached(gap))


def quantiles_between(gap: Gap, probabilities: ArrayLike, already: Floats, never: Floats) -> Floats:
    """`quantiles` for a caller that already has P(already beyond) and P(never), both of the gap's shape."""
    p = np.atleast_1d(np.asarray(probabilities, dtype=np.float64))
    if not ((p > 0.0) & (p < 1.0)).all():
        raise ValueError("probabilities must lie strictly between 0 and 1")
    rows = gap.rows()
    result = np.full((rows.shape[1], p.size), np.nan)
    now, never = already.ravel(), never.ravel()
    known = np.flatnonzero(np.isfinite(rows).all(axis=0))
    for start in range(0, known.size, BLOCK):
        part = known[start : start + BLOCK]
        result[part] = _block_quantiles(rows[:, part], p, now[part], never[part])
    return result.reshape(*gap.shape, p.size)


def _block_quantiles(rows: Floats, p: Floats, now: Floats, never: Floats) -> Floats:
    answer = np.where(p <= now[:, None], 0.0, np.inf)
    case, column = np.nonzero((p > now[:, None]) & (1.0 - p > never[:, None]))
    if case.size == 0:
        return answer
    wanted = rows[:, case]
    target = ndtri(p)[column]
    low, high = search_range(wanted)
    begin = np.clip(np.log(_without_reflection(wanted, target)), low, high)

    def score(index: NDArray[np.intp], x: Floats) -> Floats:
        part = wanted if index.size == case.size else wanted[:, index]
        return normal_score(passage_probability(part, np.exp(x)))

    x = increasing_root(score, target, begin, _slope(wanted, np.exp(begin)), low, high)
    level, level_var, drift, drift_var, _, s2 = wanted
    # a path known exactly meets its limit at one usage, which no search of a jump finds to the last digit
    known = (level_var == 0.0) & (drift_var == 0.0) & (s2 == 0.0)
    answer[case, column] = np.divide(level, np.maximum(drift, TINY), out=np.exp(x), where=known)
    # nor may what is left of the search put a lower quantile above a higher one
    order = np.argsort(p)
    answer[:, order] = np.maximum.accumulate(answer[:, order], axis=1)
    return answer


def normal_score(probability: Floats) -> Floats:
    """Standard normal quantile, kept finite at 0 and 1."""
    return np.asarray(ndtri(np.clip(probability, 1e-300, 1.0 - 1e-16)))


def search_range(rows: Floats) -> tuple[Floats, Floats]:
    """Bounds of log usage for the search: 1e-9 to 1e4 times gap over drift, other scales where those vanish."""
    level, level_var, drift, drift_var, _, s2 = rows
    length = np.maximum(np.maximum(np.abs(level), np.sqrt(level_var)), TINY)
    spread = np.maximum(np.sqrt(drift_var), s2 / length)
    slow = np.maximum(np.maximum(np.abs(drift), 1e-6 * spread), TINY)
    fast = np.maximum(np.maximum(np.abs(drift), spread), TINY)
    return np.log(1e-9 * length / fast), np.log(1e4 * length / slow)


def _without_reflection(rows: Floats, z: Floats) -> Floats:
    """Usage at which the expected path alone meets the limit at score z; the typical scale if it never does."""
    level, level_var, drift, drift_var, cov, s2 = rows
    z2 = z * z
    a2 = drift * drift - z2 * drift_var
    a1 = -2.0 * level * drift + 2.0 * z2 * cov - z2 * s2
    a0 = level * level - z2 * level_var
    root = np.sqrt(np.maximum(a1 * a1 - 4.0 * a2 * a0, 0.0))
    pivot = -0.5 * (a1 + np.copysign(root, a1))
    first = pivot / np.where(np.abs(a2) < TINY, TINY, a2)
    second = a0 / np.where(np.abs(pivot) < TINY, TINY, pivot)
    smaller, larger = np.minimum(first, second), np.maximum(first, second)
    usage = np.where((z < 0.0) & (smaller > 0.0), smaller, larger)
    low, high = search_range(rows)
    typical = np.exp(low) * 1e9
    valid = (usage > np.exp(low)) & (usage < np.exp(high))
    return np.where(valid, usage, typical)


def _slope(rows: Floats, t: Floats) -> Floats:
    """Derivative of the score by log usage, without the reflection term."""
    level, level_var, drift, drift_var, cov, s2 = rows
    spread_2 = np.maximum(level_var + t * (t * drift_var + s2 - 2.0 * cov), TINY)
    widening = 0.5 * (s2 - 2.0 * cov + 2.0 * drift_var * t) / spread_2
    return np.asarray(t * (drift + (level - drift * t) * widening) / np.sqrt(spread_2))


def increasing_root(score: Score, target: Floats, begin: Floats, slope: Floats, low: Floats, high: Floats) -> Floats:
    """Where an increasing score meets its target, for many elements at once.

    One Newton step with the slope given, then secant steps held inside the bracket, a bisection every fifth;
    elements that have converged are dropped from the work.

    Parameters
    ----------
    score : callable
        ``score(index, x)``: the scores of the elements ``index`` at ``x``.
    target, begin, slope, low, high : ndarray, shape (n,)
        Wanted score, first guess, rough derivative there, and the range of x searched.

    Returns
    -------
    ndarray, shape (n,)
        The roots; ``low`` where the score is above the target already there, inf where it stays below.
    """
    result = np.full(target.size, np.inf)
    index = np.arange(target.size)
    x, left, right = begin, low.copy(), high.copy()
    left_seen = np.zeros(target.size, dtype=bool)
    right_seen = left_seen.copy()
    last_x = np.full(target.size, np.nan)
    last_f = last_x
    for step in range(MOST_STEPS):
        f = score(index, x) - target
        below = f < 0.0
        left, right = np.where(below, x, left), np.where(below, right, x)
        left_seen, right_seen = left_seen | below, right_seen | ~below
        moved = x - last_x
        gradient = slope if step == 0 else (f - last_f) / np.where(moved == 0.0, 1.0, moved)
        steep = gradient > 1e-12
        change = np.where(steep, -f / np.where(steep, gradient, 1.0), np.where(below, STRIDE, -STRIDE))
        ahead = x + np.copysign(np.clip(np.abs(change), LEAST_STEP, STRIDE), change)
        outside = ~((ahead > left) & (ahead < right))
        bracketed = left_seen & right_seen
        halve = bracketed & (outside | (step % 5 == 4))
        ahead = np.where(halve, 0.5 * (left + right), np.clip(ahead, left, right))
        settled = steep & ~outside & (np.abs(change) < LAST_STEP) & (np.abs(moved) < STEP_BEFORE)
        stopped = (np.abs(f) < CLOSE_Z) | (right - left < 1e-11)
        done = settled | stopped
        if done.any():
            final = np.where(settled, x + change, x)
            unreached = stopped & ~right_seen & (np.abs(f) >= CLOSE_Z)
            result[index[done]] = np.where(unreached, np.inf, final)[done]
            keep = ~done
            if not keep.any():
                break
            index, target, slope = index[keep], target[keep], slope[keep]
            left, right, left_seen, right_seen = left[keep], right[keep], left_seen[keep], right_seen[keep]
            last_x, last_f, x = x[keep], f[keep], ahead[keep]
        else:
            last_x, last_f, x = x, f, ahead
    else:
        result[index] = x
    return result
