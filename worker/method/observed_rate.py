"""Performance retained as penetration rates show it: now against new, in like ground (leakage method, 3.1 and 3.3).

Rates scatter with the rock far more than with wear, so they are compared ground by ground and by ratios, and the
answer carries the scatter. It is an observation beside the estimate from clearances: whatever else slows a hammer
(bit, feed, another compressor) is in it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

USUAL_SCATTER = 0.15
"""Relative scatter of one rate in one ground class, until the rates themselves tell. Judgement."""
USUAL_WEIGHT = 4.0
"""Degrees of freedom that it counts with. Judgement."""
MODEL_DOUBT = 0.15
"""Standard uncertainty of an estimated loss over the loss: it is good to 30 % at best. [leakage method 3.3]"""


@dataclass(frozen=True, slots=True)
class RateRatio:
    """Rates now over rates as new, shape (r,); NaN and 0 entries where no ground has both.

    Attributes
    ----------
    retained, u : ndarray
        Ratio and its standard uncertainty from the scatter of the rates, [-].
    entries, baseline_entries : ndarray of int
        Rates compared, of now and as new.
    pressure_bar, baseline_pressure_bar : ndarray
        Mean of the pressures observed with them, [bar]; NaN where none was.
    """

    retained: Floats
    u: Floats
    entries: Ints
    baseline_entries: Ints
    pressure_bar: Floats
    baseline_pressure_bar: Floats


def compare_rates(
    row: ArrayLike, ground: ArrayLike, as_new: ArrayLike, rate: ArrayLike, pressure: ArrayLike, rows: int
) -> RateRatio:
    """Compare rates of worn hammers with rates of the same ones as new. [ratio of geometric means by ground]

    Parameters
    ----------
    row : array_like of int, shape (n,)
        Comparison that each entry belongs to, 0 to `rows` - 1.
    ground : array_like of int, shape (n,)
        Number of its ground class, from 0.
    as_new : array_like of bool, shape (n,)
        Drilled while the hammer was as new; else it is one of the rates to be judged.
    rate : array_like, shape (n,)
        Above 0, any one unit.
    pressure : array_like, shape (n,)
        [bar]; NaN where it was not observed.
    rows : int
        Number of comparisons.

    Returns
    -------
    RateRatio
        Of `rows` comparisons.

    Notes
    -----
    Grounds are weighted by how well each tells the ratio. The scatter is pooled over the grounds of a comparison
    and drawn towards 15 % with the weight of 4 degrees of freedom, so that two equal rates do not look certain.

    Examples
    --------
    >>> found = compare_rates([0] * 4, [0] * 4, [True, True, False, False], [30.0, 30.0, 24.0, 24.0], [np.nan] * 4, 1)
    >>> float(found.retained[0].round(3)), float(found.u[0].round(3))
    (0.8, 0.098)
    """
    owner, kind, new = np.asarray(row, np.int64), np.asarray(ground, np.int64), np.asarray(as_new, np.bool_)
    grounds = int(kind.max(initial=0)) + 1
    side = (owner * grounds + kind) * 2 + new
    log_rate = np.log(np.asarray(rate, np.float64))
    count = np.bincount(side, minlength=rows * grounds * 2)
    mean = np.divide(np.bincount(side, log_rate, count.size), count, out=np.zeros(count.size), where=count > 0)
    both = np.asarray((count.reshape(-1, 2) > 0).all(axis=1))
    used = both[owner * grounds + kind]
    square = np.bincount(owner, np.where(used, np.square(log_rate - mean[side]), 0.0), rows)
    freedom = np.bincount(owner, used, rows) - 2.0 * both.reshape(rows, grounds).sum(axis=1)
    variance = (USUAL_WEIGHT * USUAL_SCATTER**2 + square) / (USUAL_WEIGHT + np.maximum(freedom, 0.0))
    pairs = np.maximum(count.reshape(-1, 2), 1)
    weight = np.where(both, 1.0 / (1.0 / pairs).sum(axis=1), 0.0).reshape(rows, grounds)
    ratio = (mean[0::2] - mean[1::2]).reshape(rows, grounds)
    total = weight.sum(axis=1)
    known = total > 0.0
    total = np.where(known, total, 1.0)
    retained = np.where(known, np.exp((weight * ratio).sum(axis=1) / total), np.nan)
    sides = [np.bincount(owner[used & chosen], minlength=rows) for chosen in (~new, new)]
    pressures = [_mean_of(owner, np.asarray(pressure, np.float64), used & chosen, rows) for chosen in (~new, new)]
    return RateRatio(retained, retained * np.sqrt(variance / total), sides[0], sides[1], pressures[0], pressures[1])


def _mean_of(owner: Ints, value: Floats, chosen: NDArray[np.bool_], rows: int) -> Floats:
    kept = chosen & np.isfinite(value)
    count = np.bincount(owner[kept], minlength=rows)
    total = np.bincount(owner[kept], value[kept], rows)
    mean: Floats = np.divide(total, count, out=np.full(rows, np.nan), where=count > 0)
    return mean


def disagrees(observed: ArrayLike, observed_u: ArrayLike, loss: ArrayLike, loss_u: ArrayLike) -> NDArray[np.bool_]:
    """Whether performance observed and computed differ by more than twice their uncertainty.

    Parameters
    ----------
    observed, observed_u : array_like
        Retained as observed, and its standard uncertainty, [-].
    loss, loss_u : array_like
        Estimated loss and its standard uncertainty from the clearances, [-].

    Returns
    -------
    ndarray of bool
        False where either is not known.

    Examples
    --------
    >>> disagrees([0.6, 0.8], 0.05, 0.2, 0.01).tolist()
    [True, False]
    """
    lost = np.asarray(loss, np.float64)
    u = np.sqrt(np.square(observed_u) + np.square(loss_u) + np.square(MODEL_DOUBT * lost))
    return np.asarray(np.abs(np.asarray(observed, np.float64) - (1.0 - lost)) > 2.0 * u)
