"""Performance retained as penetration rates show it: now against new, in like ground (leakage method, 3.1 and 3.3).

Rates scatter with the rock far more than with wear, so they are compared ground by ground and by ratios, and the
answer carries the scatter. It is an observation beside the estimate from clearances: whatever else slows a hammer
(bit, feed, another compressor) is in it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

USUAL_SCATTER = 0.15
"""Relative scatter of one rate in one ground class, until the rates themselves tell. Judgement."""
USUAL_WEIGHT = 4.0
"""Degrees of freedom that it counts with. Judgement."""
ONE_GROUND = 0.8
"""Share of an entry from which on a class of ground stands for all of it. Judgement."""
MODEL_DOUBT = 0.15
"""Standard uncertainty of an estimated loss over the loss: it is good to 30 % at best. [leakage method 3.3]"""


@dataclass(frozen=True, slots=True)
class RateRatio:
    """Rates now over rates as new, shape (r,) but for `contrast`; NaN and 0 entries where no ground has both.

    Attributes
    ----------
    retained, u : ndarray
        Ratio and its standard uncertainty from the scatter of the rates, [-].
    entries, baseline_entries : ndarray of int
        Rates compared, of now and as new.
    pressure_bar, baseline_pressure_bar : ndarray
        Mean of the pressures observed with them, [bar]; NaN where none was.
    contrast : ndarray, shape (n,)
        What each entry's log rate counts in the log of its ratio: positive now, negative as new.
    """

    retained: Floats
    u: Floats
    entries: Ints
    baseline_entries: Ints
    pressure_bar: Floats
    baseline_pressure_bar: Floats
    contrast: Floats


def compare_rates(
    row: ArrayLike,
    ground: ArrayLike,
    as_new: ArrayLike,
    rate: ArrayLike,
    pressure: ArrayLike,
    rows: int,
    pooled: bool = False,
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
    pooled : bool, optional
        Whether all comparisons tell one scatter; else each has its own.

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
    freedom = np.maximum(np.bincount(owner, used, rows) - 2.0 * both.reshape(rows, grounds).sum(axis=1), 0.0)
    if pooled:
        square, freedom = (np.full(rows, column.sum()) for column in (square, freedom))
    variance = (USUAL_WEIGHT * USUAL_SCATTER**2 + square) / (USUAL_WEIGHT + freedom)
    pairs = np.maximum(count.reshape(-1, 2), 1)
    weight = np.where(both, 1.0 / (1.0 / pairs).sum(axis=1), 0.0).reshape(rows, grounds)
    ratio = (mean[0::2] - mean[1::2]).reshape(rows, grounds)
    total = weight.sum(axis=1)
    known = total > 0.0
    total = np.where(known, total, 1.0)
    retained = np.where(known, np.exp((weight * ratio).sum(axis=1) / total), np.nan)
    each = (weight / total[:, None])[owner, kind] / np.maximum(count[side], 1)
    contrast = np.where(new, -each, each)
    sides = [np.bincount(owner[used & chosen], minlength=rows) for chosen in (~new, new)]
    pressures = [_mean_of(owner, np.asarray(pressure, np.float64), used & chosen, rows) for chosen in (~new, new)]
    u = retained * np.sqrt(variance / total)
    return RateRatio(retained, u, sides[0], sides[1], pressures[0], pressures[1], contrast)


def _mean_of(owner: Ints, value: Floats, chosen: NDArray[np.bool_], rows: int) -> Floats:
    kept = chosen & np.isfinite(value)
    count = np.bincount(owner[kept], minlength=rows)
    total = np.bincount(owner[kept], value[kept], rows)
    mean: Floats = np.divide(total, count, out=np.full(rows, np.nan), where=count > 0)
    return mean


def expected_ratio(loss: ArrayLike, worn: ArrayLike = 1.0, worn_as_new: ArrayLike = 0.0) -> Floats:
    """Rates now over rates as new that a loss makes one expect, when wear and loss go together.

    Parameters
    ----------
    loss : array_like
        Estimated, [-].
    worn, worn_as_new : array_like
        How far the parts were worn at the rates that are compared, over the wear that the loss is of, [-].

    Examples
    --------
    >>> float(expected_ratio(0.2, 0.8, 0.1).round(3))
    0.857
    """
    lost = np.asarray(loss, np.float64)
    as_new = 1.0 - lost * np.asarray(worn_as_new, np.float64)
    return np.asarray((1.0 - lost * np.asarray(worn, np.float64)) / np.where(as_new > 0.0, as_new, np.nan))


def disagrees(
    observed: ArrayLike,
    observed_u: ArrayLike,
    loss: ArrayLike,
    loss_u: ArrayLike,
    worn: ArrayLike = 1.0,
    worn_as_new: ArrayLike = 0.0,
) -> NDArray[np.bool_]:
    """Whether performance observed and computed differ by more than twice their uncertainty.

    Parameters
    ----------
    observed, observed_u : array_like
        Retained as observed, and its standard uncertainty, [-].
    loss, loss_u : array_like
        Estimated loss and its standard uncertainty from the clearances, [-].
    worn, worn_as_new : array_like, optional
        As in `expected_ratio`.

    Returns
    -------
    ndarray of bool
        False where either is not known.

    Examples
    --------
    >>> disagrees([0.6, 0.8], 0.05, 0.2, 0.01).tolist()
    [True, False]
    """
    reach = np.asarray(worn, np.float64) - np.asarray(worn_as_new, np.float64)
    doubt = np.square(loss_u) + np.square(MODEL_DOUBT * np.asarray(loss, np.float64))
    u = np.sqrt(np.square(observed_u) + np.square(reach) * doubt)
    return np.asarray(np.abs(np.asarray(observed, np.float64) - expected_ratio(loss, worn, worn_as_new)) > 2.0 * u)


def ground_drilled(amounts: Sequence[Mapping[str, Any]]) -> str | None:
    """Class of ground that an entry of the usage ledger was drilled in; None where it was no one class.

    Parameters
    ----------
    amounts : sequence of mapping
        Parts of the entry: `metres`, `hours`, and `ground`, shares by class.

    Examples
    --------
    >>> ground_drilled([{"metres": 100.0, "ground": {"hard": 0.9, "soft": 0.1}}])
    'hard'
    """
    shares: dict[str, float] = {}
    total = 0.0
    for amount in amounts:
        # alone it is the whole, whatever it says
        size = 1.0 if len(amounts) == 1 else float(amount.get("metres") or amount.get("hours") or 0.0)
        total += size
        for name, share in (amount.get("ground") or {}).items():
            shares[name] = shares.get(name, 0.0) + size * share
    most = max(shares, key=lambda name: shares[name], default=None)
    return most if most is not None and total > 0.0 and shares[most] >= ONE_GROUND * total else None
