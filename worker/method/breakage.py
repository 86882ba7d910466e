"""Breakage as a competing risk: a Weibull life with right-censored usage (forecast method, section 3)."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import brentq

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Weibull:
    """Weibull life: survival exp(-(u / scale) ** shape).

    Attributes
    ----------
    shape, scale : float
        Beta [-] and eta [the unit of the usage].
    log_likelihood : float
        At the estimates.
    """

    shape: float
    scale: float
    log_likelihood: float

    def survival(self, usage: ArrayLike) -> Floats:
        """Probability of not having broken by a usage from new, [-]."""
        return np.asarray(np.exp(-((np.asarray(usage, dtype=np.float64) / self.scale) ** self.shape)))

    def survival_beyond(self, usage: ArrayLike, campaign: ArrayLike) -> Floats:
        """Probability of getting through a campaign without breaking, for a part that has run a usage, [-]."""
        done = np.asarray(usage, dtype=np.float64)
        total = done + np.asarray(campaign, dtype=np.float64)
        return np.asarray(np.exp((done / self.scale) ** self.shape - (total / self.scale) ** self.shape))


def fit_weibull(usage: ArrayLike, broke: ArrayLike) -> Weibull:
    """Weibull life from breakages and parts that left or still run unbroken. [maximum likelihood]

    Parameters
    ----------
    usage : array_like, shape (n,)
        Usage from new at breakage or when last known unbroken, > 0.
    broke : array_like of bool, shape (n,)
        Whether the part broke then.

    Returns
    -------
    Weibull

    Raises
    ------
    ValueError
        With fewer than two different usages at breakage, or a usage that is not positive.

    References
    ----------
    .. [1] NIST/SEMATECH e-Handbook of Statistical Methods, 8.4.1.3.

    Examples
    --------
    >>> life = fit_weibull([54, 187, 216, 240, 500, 500], [1, 1, 1, 1, 0, 0])
    >>> round(life.shape, 3)
    1.175
    """
    u, failed = np.asarray(usage, dtype=np.float64), np.asarray(broke, dtype=bool)
    if not (u > 0.0).all():
        raise ValueError("usage must be positive")
    if np.unique(u[failed]).size < 2:
        raise ValueError("at least two different usages at breakage are needed")
    log_u = np.log(u)
    relative = log_u - log_u.max()
    mean_failed = float(relative[failed].mean())

    def score(shape: float) -> float:
        weight = np.exp(shape * relative)
        return float(weight @ relative / weight.sum()) - 1.0 / shape - mean_failed

    high = 1.0
    while score(high) < 0.0:
        high *= 2.0
    low = high
    while score(low) > 0.0:
        low *= 0.5
    shape = float(brentq(score, low, high, xtol=1e-12)) if low < high else high
    n = int(failed.sum())
    log_scale = float(log_u.max() + np.log(np.exp(shape * relative).sum() / n) / shape)
    log_likelihood = n * (np.log(shape) - shape * log_scale) + (shape - 1.0) * float(log_u[failed].sum()) - n
    return Weibull(shape, float(np.exp(log_scale)), float(log_likelihood))
