"""Remaining usage of every limit, the limit that governs, and a campaign's chances (forecast method, 4 and 12)."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from worker.method.first_passage import Gap, already_beyond, reached
from worker.method.passage_never import never_reached
from worker.method.passage_quantile import quantiles_between

Floats = NDArray[np.float64]

# Usage inside is counted in this many metres or hours of the life basis.
USAGE_UNIT = 1000.0
QUANTILES = (0.1, 0.5, 0.9)
# Beyond this many catalogue lives a forecast is not a number worth giving.
LONGEST_LIVES = 10.0


@dataclass(frozen=True, slots=True)
class Remaining:
    """Remaining usage of limits, as arrays.

    Attributes
    ----------
    quantiles : ndarray, shape (..., 3)
        10, 50 and 90 % points of the remaining usage in the life basis, [m] or [h]; inf where it is not reached
        with that probability or lies beyond ten catalogue lives, NaN where a slot of the limit has no state.
    never : ndarray, shape (...)
        Probability that the limit is never reached, [-].
    beyond_now : ndarray, shape (...)
        Probability that it has been reached already, [-].
    """

    quantiles: Floats
    never: Floats
    beyond_now: Floats


def remaining_usage(gap: Gap, catalogue_life: ArrayLike = np.inf, levels: ArrayLike = QUANTILES) -> Remaining:
    """Remaining usage of limits from their gaps.

    Parameters
    ----------
    gap : Gap, shape (...)
        Per unit of 1000 of the life basis in the planned ground.
    catalogue_life : array_like, broadcast against (...)
        Usage from new to the limit at the catalogue's mean rates, [units of 1000].
    levels : array_like, shape (3,)
        Levels of the raw forecast that keep 10, 50 and 90 %: others than these where it was recalibrated.

    Returns
    -------
    Remaining
    """
    beyond, never = already_beyond(gap), never_reached(gap)
    found = quantiles_between(gap, levels, beyond, never)
    longest = LONGEST_LIVES * np.asarray(catalogue_life, dtype=np.float64)
    found = np.where(found > longest[..., None], np.inf, found)
    return Remaining(found * USAGE_UNIT, never, beyond)


def less_usage(quantiles: Floats, used_since: ArrayLike) -> Floats:
    """Quantiles after more usage without an event: less what was used, not below 0.

    Parameters
    ----------
    quantiles : ndarray, shape (..., limits, k)
        At the last event, [m] or [h].
    used_since : array_like, shape (...)
        Usage since, its ground weighted over the planned ground, [m] or [h].
    """
    return np.maximum(quantiles - np.asarray(used_since, dtype=np.float64)[..., None, None], 0.0)


def governing_limit(quantiles: Floats, beyond_now: Floats) -> NDArray[np.intp]:
    """Limit that governs each tool.

    Parameters
    ----------
    quantiles : ndarray, shape (..., limits, 3)
        10, 50 and 90 % points.
    beyond_now : ndarray, shape (..., limits)
        Probability of being beyond already.

    Returns
    -------
    ndarray of int, shape (...)
        Least p50 (one that is not reached counts as infinite), then least p10, then the largest probability of
        being beyond already, then the first; -1 where no limit is known.
    """
    if quantiles.shape[-2] == 0:
        return np.full(quantiles.shape[:-2], -1, dtype=np.intp)
    p10, p50 = quantiles[..., 0], quantiles[..., 1]
    first = np.lexsort((-beyond_now, p10, p50), axis=-1)[..., 0]
    known = ~np.isnan(np.take_along_axis(p50, first[..., None], axis=-1)[..., 0])
    return np.where(known, first, -1)


def survival(gap: Gap, campaign: ArrayLike) -> Floats:
    """Probability of getting through a campaign, for each limit.

    Parameters
    ----------
    gap : Gap, shape (...)
        Per unit of 1000 of the life basis in the planned ground.
    campaign : array_like, broadcast against (...)
        Length of the campaign, [m] or [h].

    Returns
    -------
    ndarray, shape (...)
        1 - F, [-]; NaN where a slot of the limit has no state.
    """
    return np.asarray(1.0 - reached(gap, np.asarray(campaign, dtype=np.float64) / USAGE_UNIT))


def survival_bounds(survivals: Floats) -> tuple[Floats, Floats]:
    """Bounds of the probability that no limit is reached.

    Limits share features, so their survivals must not be multiplied.

    Parameters
    ----------
    survivals : ndarray, shape (..., limits)
        Of each limit; NaN where nothing is known of it.

    Returns
    -------
    lower, upper : ndarray, shape (...)
        ``max(0, 1 - sum F)``, NaN where any limit is not known, since that one may fail first; and ``min(1 - F)``
        of the known ones, NaN where there is none.
    """
    known = ~np.isnan(survivals)
    lower = np.maximum(0.0, 1.0 - (1.0 - survivals).sum(axis=-1))
    upper = np.where(known, survivals, np.inf).min(axis=-1, initial=np.inf)
    return np.where(known.shape[-1] > 0, lower, np.nan), np.where(known.any(axis=-1), upper, np.nan)
