"""Scores of past forecasts against what happened (forecast method, section 7)."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from worker.method.first_passage import Gap, reached
from worker.method.outcomes import Outcomes
from worker.method.recalibration import Recalibration
from worker.method.remaining_life import QUANTILES, USAGE_UNIT

Floats = NDArray[np.float64]

HISTOGRAM_BINS = 10
RESAMPLES = 1000
BAND = (0.05, 0.95)

_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(24)
_NODES, _WEIGHTS = (_NODES + 1.0) / 2.0, _WEIGHTS / 2.0


def pinball(truth: ArrayLike, quantile: ArrayLike, probability: ArrayLike) -> Floats:
    """Pinball loss of quantiles: p (T - q) if T >= q, else (1 - p)(q - T).

    Parameters
    ----------
    truth, quantile, probability : array_like
        Broadcast against each other.

    References
    ----------
    .. [1] Gneiting and Raftery, Strictly proper scoring rules, JASA 102, 2007 (from memory).

    Examples
    --------
    >>> pinball([3.0, 8.0, 2.0], [4.0, 5.0, 2.0], 0.1)
    array([0.9, 0.3, 0. ])
    """
    t, q, p = (np.asarray(x, dtype=np.float64) for x in (truth, quantile, probability))
    return np.asarray(np.where(t >= q, p * (t - q), (1.0 - p) * (q - t)))


def forecast_probability(gap: Gap, usage: ArrayLike, recalibration: Recalibration | None = None) -> Floats:
    """F at a usage in the life basis, recalibrated if asked."""
    raw = reached(gap, np.asarray(usage, dtype=np.float64) / USAGE_UNIT)
    return raw if recalibration is None else recalibration.probability(raw)


def transform(
    gap: Gap, outcomes: Outcomes, rng: np.random.Generator, recalibration: Recalibration | None = None
) -> Floats:
    """Probability integral transform of outcomes; uniform on (0, 1) if the forecasts are right.

    Parameters
    ----------
    gap : Gap, shape (n,)
    outcomes : Outcomes, shape (n,)
    rng : Generator
        Seeded; draws within the jump of F at 0, within an interval, and beyond a censoring.

    Returns
    -------
    ndarray, shape (n,)
    """
    low = np.where(outcomes.lower > 0.0, forecast_probability(gap, outcomes.lower, recalibration), 0.0)
    finite = np.isfinite(outcomes.upper)
    high = forecast_probability(gap, np.where(finite, outcomes.upper, 0.0), recalibration)
    high = np.where(finite, high, 1.0)
    return np.asarray(low + rng.random(low.size) * (high - low))


def crps(gap: Gap, outcomes: Outcomes, horizon: float, recalibration: Recalibration | None = None) -> Floats:
    """Threshold-weighted continuous ranked probability score on [0, horizon].

    The integral of (F - 1{T <= t})^2, to the end of the record where that comes first.

    Parameters
    ----------
    gap : Gap, shape (n,)
    outcomes : Outcomes, shape (n,)
    horizon : float
        Hmax, in the life basis.

    Returns
    -------
    ndarray, shape (n,)
        In the life basis.

    References
    ----------
    .. [1] Gneiting and Ranjan, Comparing density forecasts using threshold- and quantile-weighted scoring
       rules, JBES 29, 2011 (from memory).
    """
    end = score_end(outcomes, horizon)
    split = np.minimum(np.where(np.isnan(outcomes.point), end, outcomes.point), end)
    total = np.zeros(end.size)
    for start, stop, above in ((np.zeros(end.size), split, 0.0), (split, end, 1.0)):
        for node, weight in zip(_NODES, _WEIGHTS, strict=True):
            f = forecast_probability(gap, start + (stop - start) * node, recalibration)
            total += weight * (stop - start) * np.square(f - above)
    return total


def score_end(outcomes: Outcomes, horizon: float) -> Floats:
    """Where the score's integral ends: the horizon, or the end of the record of a limit not reached."""
    return np.asarray(np.where(np.isnan(outcomes.point), np.minimum(outcomes.lower, horizon), horizon))


def line_score(prediction: ArrayLike, outcomes: Outcomes, horizon: float) -> Floats:
    """The same score of a single predicted usage: its distance from the truth, both held to the score's range."""
    end = score_end(outcomes, horizon)
    truth = np.minimum(np.where(np.isnan(outcomes.point), end, outcomes.point), end)
    return np.asarray(np.abs(np.minimum(np.asarray(prediction, dtype=np.float64), end) - truth))


def skill(score: Floats, baseline: Floats) -> float:
    """Skill of a mean score over a baseline's: 1 - score / baseline; NaN without any forecast."""
    known = ~np.isnan(score) & ~np.isnan(baseline)
    base = float(baseline[known].sum())
    return float("nan") if base <= 0.0 else 1.0 - float(score[known].sum()) / base


@dataclass(frozen=True, slots=True)
class Calibration:
    """How well intervals kept their promise.

    Attributes
    ----------
    forecasts, tools : int
    below, above, coverage : float
        Share of outcomes below the 10 % point, above the 90 % point, and between.
    band : tuple of float
        5 and 95 % points of the coverage with whole tools resampled: forecasts of one tool go together.
    histogram : ndarray of int, shape (10,)
    """

    forecasts: int
    tools: int
    below: float
    above: float
    coverage: float
    band: tuple[float, float]
    histogram: NDArray[np.intp]


def calibration(pit: Floats, tool: ArrayLike, rng: np.random.Generator) -> Calibration:
    """Coverage of the 80 % interval and its tails, with a band from resampled tools.

    Parameters
    ----------
    pit : ndarray, shape (n,)
    tool : array_like of int, shape (n,)
    rng : Generator
    """
    histogram = np.histogram(pit, bins=HISTOGRAM_BINS, range=(0.0, 1.0))[0].astype(np.intp)
    if pit.size == 0:
        nan = float("nan")
        return Calibration(0, 0, nan, nan, nan, (nan, nan), histogram)
    low, high = QUANTILES[0], QUANTILES[-1]
    inside = (pit >= low) & (pit <= high)
    _, row = np.unique(np.asarray(tool), return_inverse=True)
    number = np.bincount(row)
    kept = np.bincount(row, weights=inside)
    draws = rng.multinomial(number.size, np.full(number.size, 1.0 / number.size), size=RESAMPLES)
    shares = (draws @ kept) / (draws @ number)
    band = np.quantile(shares, BAND)
    return Calibration(
        forecasts=pit.size,
        tools=number.size,
        below=float((pit < low).mean()),
        above=float((pit > high).mean()),
        coverage=float(inside.mean()),
        band=(float(band[0]), float(band[1])),
        histogram=histogram,
    )
