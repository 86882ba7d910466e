"""Performance lost by the rule of thumb: in proportion to how far each fit has opened (leakage method, section 3.1).

An estimate from clearances, not a test: 30 % of the loss at best, and air starvation only.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from worker.method.air import Floats
from worker.method.annular_gap import Flags
from worker.method.three_points import mean_and_variance, outer_points

VALID_GROWTH = 1.5  # of the growth up to discard
VALID_LOSS = 0.35


@dataclass(frozen=True, slots=True)
class RuleLoss:
    """Loss by the rule, arrays of shape (n,) but for ``by_fit``.

    Attributes
    ----------
    loss, loss_u : ndarray
        Fraction of the penetration rate lost, 0 to 1, and its standard uncertainty from the clearances.
    by_fit : ndarray, shape (n, F)
        The loss shared out to the fits.
    extrapolated : ndarray of bool
        Whether a fit has opened, or the loss grown, beyond what the rule was made for.
    """

    loss: Floats
    loss_u: Floats
    by_fit: Floats
    extrapolated: Flags


def loss_by_rule(
    clearance: ArrayLike,
    clearance_u: ArrayLike,
    new_clearance: ArrayLike,
    loss_per_mm: float,
    shares: ArrayLike,
    discard_clearance: ArrayLike | None = None,
) -> RuleLoss:
    """Loss from the growth of every clearance. [rule of thumb]

    Parameters
    ----------
    clearance, clearance_u : array_like, shape (n, F)
        Mean clearances and their standard uncertainties, [mm]. NaN makes the tool's loss NaN.
    new_clearance : array_like, shape (F,)
        Middle of each fit's new limits, [mm].
    loss_per_mm : float
        Loss per mm of uniform growth, [1/mm].
    shares : array_like, shape (F,)
        Share of each fit, summing to 1.
    discard_clearance : array_like, shape (F,), optional
        Discard limits, [mm], NaN where a fit has none.

    Returns
    -------
    RuleLoss

    Notes
    -----
    A fit tighter than new gains nothing. The uncertainty is the three-point rule fit by fit, fits independent: one
    that is as new may have opened a little.

    Examples
    --------
    >>> found = loss_by_rule([[0.21, 0.08]], [[0.002, 0.002]], [0.08, 0.08], 1.538462, [0.6, 0.4])
    >>> round(float(found.loss[0]), 4)
    0.12
    """
    c = np.asarray(clearance, dtype=np.float64)
    new = np.asarray(new_clearance, dtype=np.float64)
    per_mm = loss_per_mm * np.asarray(shares, dtype=np.float64)
    growth = np.maximum(c - new, 0.0)
    parts = per_mm * growth
    total = parts.sum(axis=1)
    loss = np.clip(total, 0.0, 1.0)
    scale = np.divide(loss, total, out=np.ones_like(loss), where=total > 1.0)
    beside = [
        np.clip(total[:, None] - parts + per_mm * np.maximum(at - new, 0.0), 0.0, 1.0)
        for at in outer_points(c, clearance_u)
    ]
    _, variance = mean_and_variance(loss[:, None], *beside)
    extrapolated = loss > VALID_LOSS
    if discard_clearance is not None:
        allowed = VALID_GROWTH * (np.asarray(discard_clearance, dtype=np.float64) - new)
        extrapolated = extrapolated | (growth > allowed).any(axis=1)
    return RuleLoss(loss, np.sqrt(variance.sum(axis=1)), parts * scale[:, None], extrapolated)
