"""Probability that a limit is never reached, because the drift may lead away from it (forecast method, section 4)."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.special import erfcx, ndtr, roots_hermitenorm

from worker.method.first_passage import BLOCK, TINY, Gap, standing_of
from worker.method.passage_integral import INV_ROOT_2PI, OUT_OF_REACH, PANEL, ROOT_HALF

Floats = NDArray[np.float64]

HERMITE_8 = roots_hermitenorm(8)
# A drift this many standard deviations towards the limit: away with a probability below 1e-10, taken as 0.
SURE_DRIFT = 6.4


def never_reached(gap: Gap) -> Floats:
    """Probability that the limit is never reached, because the drift may be away from it.

    Parameters
    ----------
    gap : Gap
        Shape (...).

    Returns
    -------
    ndarray
        1 - P(ever), [-]. Absolute error below 1e-8; far from the limit small probabilities keep their digits.
    """
    rows = gap.rows()
    result = np.full(rows.shape[1], np.nan)
    known = np.flatnonzero(np.isfinite(rows).all(axis=0))
    for start in range(0, known.size, BLOCK):
        part = known[start : start + BLOCK]
        result[part] = _never(rows[:, part])
    return result.reshape(gap.shape)


def _never(rows: Floats) -> Floats:
    level, level_var, drift, drift_var, cov, s2 = rows
    sigma = np.sqrt(level_var)
    kappa = cov / np.maximum(level_var, TINY)
    drift_sd = np.sqrt(np.maximum(drift_var - kappa * cov, 0.0))
    # A drift known exactly is given a width far below anything that matters.
    drift_sd = np.maximum(drift_sd, 1e-9 * np.abs(drift) + TINY)
    z0, z_slope = drift / drift_sd, kappa * sigma / drift_sd
    gain = 2.0 * drift_sd / np.maximum(s2, TINY)
    standing = standing_of(level, sigma)
    steep = np.abs(z_slope) + gain * sigma
    smooth = (standing > 8.0) & (np.abs(z_slope) < 0.6)
    smooth &= z0 + gain * level > 8.0 * steep
    sure = drift > SURE_DRIFT * np.sqrt(drift_var)
    result = np.zeros_like(level)
    columns = np.stack([level, sigma, standing, z0, z_slope, gain])
    for mask, rule in ((smooth, _never_by_hermite), (~smooth & ~sure, _never_by_graded)):
        if mask.any():
            result[mask] = rule(columns[:, mask])
    still = (drift == 0.0) & (drift_var == 0.0) & (s2 == 0.0)
    return np.asarray(np.where(still, ndtr(standing), np.clip(result, 0.0, 1.0)))


def _never_given(columns: Floats, x: Floats) -> Floats:
    """Probability of never reaching the limit, given the standardised gap x."""
    level, sigma, _, z0, z_slope, gain = columns
    z = z0 + z_slope * x
    lead = gain * np.maximum(level + sigma * x, 0.0)
    y = z + lead
    weight = 0.5 * np.exp(-0.5 * z * z)
    rest = weight * erfcx(np.maximum(y, 0.0) * ROOT_HALF)
    # Three forms of the same number; each is taken where it neither overflows nor cancels.
    never = weight * erfcx(np.maximum(z, 0.0) * ROOT_HALF) - rest
    away = z < 0.0
    if away.any():
        never[away] = ndtr(-z[away]) - rest[away]
        deep = y < 0.0
        power = np.minimum(lead[deep] * (z[deep] + 0.5 * lead[deep]), 0.0)
        never[deep] = ndtr(-z[deep]) - np.exp(power) * ndtr(-y[deep])
    return np.asarray(never)


def _never_by_hermite(columns: Floats) -> Floats:
    nodes, weights = HERMITE_8
    total = np.zeros(columns.shape[1])
    for node, weight in zip(nodes, weights / weights.sum(), strict=True):
        total += weight * _never_given(columns, np.full(total.size, node))
    return total


def _never_by_graded(columns: Floats) -> Floats:
    """Three panels, parted near the edge of the open gap and where the drift changes sign."""
    _, sigma, standing, z0, z_slope, gain = columns
    start = np.maximum(-standing, -OUT_OF_REACH)
    end = np.maximum(start, 0.0) + OUT_OF_REACH
    turn = np.clip(-z0 / np.where(np.abs(z_slope) < TINY, TINY, z_slope), start, end)
    # Near the edge the reflection dies out over this many standard deviations of the gap.
    rise = start + np.minimum(2.0, 10.0 / (gain * sigma * (1.0 + np.abs(z0)) + TINY))
    edges = (start, np.minimum(rise, turn), np.maximum(rise, turn), end)
    total = np.zeros_like(start)
    for left, right in pairwise(edges):
        width = right - left
        for node, weight in zip(*PANEL, strict=True):
            x = left + width * node
            total += weight * width * np.exp(-0.5 * x * x) * _never_given(columns, x)
    return np.asarray(INV_ROOT_2PI * total)
