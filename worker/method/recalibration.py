"""Monotone recalibration of forecast levels from a fleet's own record (forecast method, section 7)."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

# As many forecasts with a known outcome weigh as much as the nominal level. Judgement.
FULL_WEIGHT = 200.0
NOMINAL = np.linspace(0.1, 0.9, 9)
TAIL = 0.1
DOUBT = 2.0
"""Standard errors by which a promise may be missed before anything is corrected. Judgement."""


@dataclass(frozen=True, slots=True)
class Recalibration:
    """Map from nominal levels to the levels of the raw forecast that keep them.

    Attributes
    ----------
    nominal, level : ndarray, shape (11,)
        Increasing from 0 to 1; straight lines between.
    count : int
        Forecasts with an outcome that it rests on.
    """

    nominal: Floats
    level: Floats
    count: int

    def levels(self, nominal: ArrayLike) -> Floats:
        """Levels at which to ask the raw forecast for its quantiles."""
        return np.asarray(np.interp(np.asarray(nominal, dtype=np.float64), self.nominal, self.level))

    def probability(self, raw: ArrayLike) -> Floats:
        """Recalibrated probability of a raw one, the inverse of `levels`."""
        return np.asarray(np.interp(np.asarray(raw, dtype=np.float64), self.level, self.nominal))


def learn_recalibration(pit: ArrayLike, trust: float = 1.0) -> Recalibration:
    """Learn which levels keep their promise from probability integral transforms.

    Parameters
    ----------
    pit : array_like, shape (n,)
        PIT of past forecasts of one group (own size, or fits and loss); none gives the identity.
    trust : float
        Share of what they show that is believed, [-]; see `trust_in`.

    Returns
    -------
    Recalibration

    Notes
    -----
    A level p below one half becomes exp(l log q + (1 - l) log p), q the empirical p-point of the PIT and
    l = trust n / (n + 200); above one half the same is done to 1 - p.
    """
    values = np.asarray(pit, dtype=np.float64)
    n = values.size
    weight = trust * n / (n + FULL_WEIGHT)
    level = NOMINAL
    if n:
        least = 1.0 / (n + 1.0)
        seen = np.clip(np.quantile(values, NOMINAL), least, 1.0 - least)
        low = np.exp(weight * np.log(seen) + (1.0 - weight) * np.log(NOMINAL))
        high = 1.0 - np.exp(weight * np.log(1.0 - seen) + (1.0 - weight) * np.log(1.0 - NOMINAL))
        level = np.where(NOMINAL < 0.45, low, np.where(NOMINAL > 0.55, high, 0.5 * (low + high)))
        level = _isotonic(level)
    return Recalibration(np.concatenate([[0.0], NOMINAL, [1.0]]), np.concatenate([[0.0], level, [1.0]]), int(n))


def trust_in(pit: ArrayLike, tool: ArrayLike) -> float:
    """How much of a departure of PITs from uniform is to be believed, given that those of a tool go together.

    Parameters
    ----------
    pit : array_like, shape (n,)
    tool : array_like of int, shape (n,)

    Returns
    -------
    float
        1 - (2 / T)^2, not below 0: T is the largest departure of the coverage of the 80 % interval and of its
        tails, in standard errors with whole tools resampled. So two standard errors correct nothing, and what is
        beyond doubt is corrected nearly whole; in between the expected error is least (positive-part shrinkage).

    References
    ----------
    .. [1] Efron and Morris, Stein's estimation rule and its competitors, JASA 68, 1973 (from memory).

    Examples
    --------
    >>> trust_in(np.arange(0.5, 1000.0) / 1000.0, np.arange(1000) // 20)
    0.0
    """
    values = np.asarray(pit, dtype=np.float64)
    _, row = np.unique(np.asarray(tool), return_inverse=True)
    number = np.bincount(row)
    if number.size < 2:
        return 0.0
    departures = []
    for hit, share in (
        (values < TAIL, TAIL),
        (values > 1.0 - TAIL, TAIL),
        (np.abs(values - 0.5) <= 0.5 - TAIL, 1.0 - 2.0 * TAIL),
    ):
        off = np.bincount(row, weights=hit) - hit.mean() * number
        together = np.square(off).sum() * number.size / (number.size - 1.0) / values.size**2
        alone = share * (1.0 - share) / values.size
        departures.append(abs(float(hit.mean()) - share) / np.sqrt(max(together, alone)))
    most = float(max(departures))
    return 1.0 - (DOUBT / most) ** 2 if most > DOUBT else 0.0


def _isotonic(level: Floats) -> Floats:
    """Least non-decreasing change: pool neighbours that are out of order, then part them by a hair."""
    pooled: list[list[float]] = []
    for value in level.tolist():
        pooled.append([value, 1.0])
        while len(pooled) > 1 and pooled[-2][0] >= pooled[-1][0]:
            value, count = pooled.pop()
            total = pooled[-1][1] + count
            pooled[-1] = [(pooled[-1][0] * pooled[-1][1] + value * count) / total, total]
    flat = np.concatenate([np.full(int(count), value) for value, count in pooled])
    return np.asarray(flat + 1e-9 * np.arange(flat.size))
