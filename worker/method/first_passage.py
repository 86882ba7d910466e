"""First passage of an uncertain wear path through a limit (forecast method, section 4).

The remaining gap is ``X(t) = a - b t - sqrt(s2) W(t)``: gap ``a`` and drift ``b`` jointly normal, ``W`` standard
Brownian motion. The limit is reached at 0 if ``a <= 0``, else at the first ``t`` with ``X(t) <= 0``. Nothing here
knows what is worn; any consistent units will do.
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtr, owens_t

from worker.method.passage_integral import Reflection, reflection_probability

Floats = NDArray[np.float64]

# Rows per pass, so that the intermediate arrays stay in the processor's cache.
BLOCK = 4096
# A gap this many standard deviations above 0 is never already beyond (probability 2e-8).
SURE_GAP = 5.5
TINY = 1e-100


@dataclass(frozen=True, slots=True)
class Gap:
    """Distance to a limit and the drift towards it, as arrays of one shape.

    Attributes
    ----------
    level, level_variance : ndarray
        Mean A and variance Pa of the gap now, [mm] and [mm2].
    drift, drift_variance : ndarray
        Mean B and variance Pb of the drift towards the limit, [mm per unit of usage] and its square.
    covariance : ndarray
        Covariance C of gap and drift; negative when more wear goes with faster wear.
    diffusion : ndarray
        Variance s2 that each unit of usage adds, [mm2 per unit of usage].

    Notes
    -----
    Rows that hold a NaN stay NaN in every result: a limit of which nothing is known.
    """

    level: Floats
    level_variance: Floats
    drift: Floats
    drift_variance: Floats
    covariance: Floats
    diffusion: Floats

    def __post_init__(self) -> None:
        """Broadcast the columns to one shape and refuse negative variances."""
        columns = np.broadcast_arrays(
            *(np.asarray(getattr(self, field.name), dtype=np.float64) for field in fields(self))
        )
        for field, column in zip(fields(self), columns, strict=True):
            object.__setattr__(self, field.name, column)
        for name in ("level_variance", "drift_variance", "diffusion"):
            if (getattr(self, name) < 0.0).any():
                raise ValueError(f"{name} must not be negative")

    @property
    def shape(self) -> tuple[int, ...]:
        """Shape that all columns share."""
        return self.level.shape

    def columns(self) -> tuple[Floats, ...]:
        """Return the six columns in the order of the attributes."""
        return tuple(getattr(self, field.name) for field in fields(self))

    def rows(self) -> Floats:
        """Return the six columns as one array of shape (6, n)."""
        return np.stack([column.ravel() for column in self.columns()])


def reached(gap: Gap, usage: ArrayLike) -> Floats:
    """Probability that the limit is reached within a usage.

    Parameters
    ----------
    gap : Gap
        Shape (...).
    usage : array_like
        Usage from now, >= 0, broadcast against the gap, [units of usage].

    Returns
    -------
    ndarray
        F, [-]. Within 1e-6 of adaptive quadrature.

    References
    ----------
    .. [1] Chhikara and Folks, The Inverse Gaussian Distribution, 1989 (known gap and drift).
    .. [2] Whitmore, Estimating degradation by a Wiener diffusion process subject to measurement error,
       Lifetime Data Analysis 1, 1995 (normal drift).

    Examples
    --------
    >>> from worker.method.first_passage import Gap, reached
    >>> round(float(reached(Gap(10.0, 0.0, 1.0, 0.0, 0.0, 0.5), 10.0)), 6)
    0.544065
    """
    t = np.asarray(usage, dtype=np.float64)
    shape = np.broadcast_shapes(gap.shape, t.shape)
    rows = np.stack([np.broadcast_to(column, shape).ravel() for column in gap.columns()])
    t = np.broadcast_to(t, shape).ravel()
    result = np.full(t.size, np.nan)
    known = np.flatnonzero(np.isfinite(rows).all(axis=0) & np.isfinite(t))
    for start in range(0, known.size, BLOCK):
        part = known[start : start + BLOCK]
        result[part] = passage_probability(rows[:, part], t[part])
    return result.reshape(shape)


def passage_probability(rows: Floats, t: Floats) -> Floats:
    """F for gap rows of shape (6, n) at usages of shape (n,); the kernel of `reached`."""
    level, level_var, drift, drift_var, cov, s2 = rows
    kappa = cov / np.maximum(level_var, TINY)
    drift_var_given = np.maximum(drift_var - kappa * cov, 0.0)
    spread_2 = np.maximum(level_var + t * (t * drift_var + s2 - 2.0 * cov), TINY)
    ahead = level - drift * t
    # a path known exactly has reached the limit at the very usage at which it touches it
    distance = np.where((ahead == 0.0) & (spread_2 <= TINY), -1e6, np.clip(ahead / np.sqrt(spread_2), -1e6, 1e6))
    bridge_var = np.maximum(t * (s2 + drift_var_given * t), TINY)
    share = np.sqrt(np.minimum(bridge_var / spread_2, 1.0))
    pull = (level_var - cov * t) / spread_2

    probability = ndtr(-distance)
    sigma = np.sqrt(level_var)
    standing = standing_of(level, sigma)
    near = standing <= SURE_GAP
    if near.any():
        rho = pull[near] * np.sqrt(spread_2[near]) / np.maximum(sigma[near], TINY)
        probability[near] += _opened_again(standing[near], distance[near], rho, share[near])
    # Standardised gap x given X(t) = 0: mean level + shift, standard deviation sigma * share.
    shift = -pull * ahead
    centre, unit = level + shift, np.maximum(sigma * share, TINY)
    root = 1.0 / np.sqrt(bridge_var)
    growth = 1.0 + 2.0 * drift_var_given * t / np.maximum(s2, TINY)
    widest = 9.0 * np.maximum(sigma, TINY)
    term = Reflection(
        log_q=np.log(0.5 * share) - 0.5 * distance * distance,
        y0=(centre * growth + (drift + kappa * shift) * t) * root,
        r=(growth + kappa * t) * root * unit,
        low=(np.maximum(-level, -widest) - shift) / unit,
        high=(widest - shift) / unit,
        centre=centre,
        unit=unit,
        shift=shift,
        sigma=np.maximum(sigma, TINY),
        drift=drift,
        kappa=kappa,
        drift_variance=drift_var_given,
        diffusion=np.maximum(s2, TINY),
    )
    probability += reflection_probability(term)
    return np.asarray(np.minimum(probability, 1.0))


def standing_of(level: Floats, sigma: Floats) -> Floats:
    """Gap in standard deviations; of a gap known exactly plus or minus a thousand."""
    known = np.where(level > 0.0, 1e3, np.where(level <= 0.0, -1e3, np.nan))
    return np.asarray(np.where(sigma > 0.0, np.clip(level / np.maximum(sigma, TINY), -1e3, 1e3), known))


def _opened_again(standing: Floats, distance: Floats, rho: Floats, share: Floats) -> Floats:
    """Probability that the gap is closed now and open at t: the normal orthant by Owen's T."""
    h, k = -standing, -distance
    h = np.where(np.abs(h) < TINY, TINY, h)
    k = np.where(np.abs(k) < TINY, TINY, k)
    share = np.maximum(share, TINY)
    other_sign = (h * k < 0.0) | ((np.abs(h) <= TINY) & (k < 0.0)) | ((np.abs(k) <= TINY) & (h < 0.0))
    both_closed = (
        0.5 * (ndtr(h) + ndtr(k))
        - owens_t(h, (k / h - rho) / share)
        - owens_t(k, (h / k - rho) / share)
        - 0.5 * other_sign
    )
    return np.asarray(np.maximum(ndtr(h) - both_closed, 0.0))


def already_beyond(gap: Gap) -> Floats:
    """Probability that the limit has been reached already, ``P(a <= 0)``, of the gap's shape, [-]."""
    return np.asarray(ndtr(-standing_of(gap.level, np.sqrt(gap.level_variance))))
