"""Loss per millimetre and its shares fitted to rates before and after service (leakage method, section 3.1).

A record is one service: how much slower the hammer drilled before it (same rock, pressure and bit condition), and
how much wider each fit was. The figures are suggestions for a catalogue revision and change nothing by themselves.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.optimize import nnls

from worker.method.air import Floats

SIGMA_LOSS = 0.04  # of one record
TAU_PER_MM = 0.3  # how far a coefficient may lie from its prior, 1/mm
SIGMA_FREEDOM = 4.0  # degrees of freedom that this counts with beside the records' own scatter; judgement
PRIOR_WEIGHT = SIGMA_LOSS**2 / TAU_PER_MM**2  # [mm2]
SEPARABLE_FROM = 20  # records; with fewer the shares keep their prior, clearances wear together


@dataclass(frozen=True, slots=True)
class LossCalibration:
    """Fitted loss model of one tool type.

    Attributes
    ----------
    loss_per_mm : float
        Loss per mm of uniform growth of all fits, [1/mm].
    shares : ndarray, shape (F,)
        Share of each fit, summing to 1.
    coefficients : ndarray, shape (F,)
        Their products, [1/mm].
    loss_per_mm_u, coefficients_u : float, ndarray of shape (F,)
        Standard uncertainties from the scatter of the records, and of the prior, [1/mm].
    records : int
        Number of records used.
    shares_fitted : bool
        Whether the shares were fitted too; otherwise they are the prior's.
    residual_sd : float
        Root mean square of the misfit; NaN without records.
    leave_one_out : float
        Root mean square error of predicting each record from all others; NaN below two records.
    condition : float
        Condition number of the growths: large where the fits wear together and cannot be told apart.
    """

    loss_per_mm: float
    shares: Floats
    coefficients: Floats
    loss_per_mm_u: float
    coefficients_u: Floats
    records: int
    shares_fitted: bool
    residual_sd: float
    leave_one_out: float
    condition: float


def calibrate_loss(
    growth: ArrayLike,
    loss: ArrayLike,
    prior_per_mm: float,
    prior_shares: ArrayLike,
    weights: ArrayLike | None = None,
    prior_weight: float = PRIOR_WEIGHT,
    separable_from: int = SEPARABLE_FROM,
) -> LossCalibration:
    """Fit loss per mm and shares to records of rates before and after service. [non-negative least squares]

    Parameters
    ----------
    growth : array_like, shape (n, F)
        Clearance before service less clearance after, by record and fit, [mm].
    loss : array_like, shape (n,)
        1 - rate before / rate after.
    prior_per_mm : float
        The catalogue's loss per mm, [1/mm].
    prior_shares : array_like, shape (F,)
        The catalogue's shares, summing to 1.
    weights : array_like, shape (n,), optional
        Weight of each record, 1 by default.
    prior_weight : float, optional
        Pull towards the prior, [mm2].
    separable_from : int, optional
        Number of records from which the shares are fitted too.

    Returns
    -------
    LossCalibration
        The prior itself where there is no record.

    Raises
    ------
    ValueError
        If shapes disagree or a figure is not finite.

    Notes
    -----
    Minimises ``sum w (y - dc b)^2 + lam sum (b - b0)^2`` with ``b >= 0``; with few records along the prior's
    shares only. The uncertainty is that of the same sum without the bound: a record of weight 1 scatters by 0.04,
    until the records themselves tell; a coefficient of 0 has that of a fit whose others are known.

    Examples
    --------
    >>> fit = calibrate_loss([[0.13, 0.13]], [0.25], 1.5, [0.6, 0.4])
    >>> round(fit.loss_per_mm, 3), fit.shares.tolist()
    (1.773, [0.6, 0.4])
    """
    dc, y, w, shares = _records(growth, loss, weights, prior_shares)
    b0 = prior_per_mm * shares
    fitted = y.size >= separable_from
    # Along the prior's shares the coefficients are one number; apart they are F.
    directions = np.eye(shares.size) if fitted else shares[:, None]
    b = _solve(dc, y, w, b0, prior_weight, directions)
    total = float(b.sum())
    misfit = y - dc @ b
    total_u, b_u = _uncertainty(dc, w, misfit, b, prior_weight, directions)
    return LossCalibration(
        total,
        b / total if total > 0.0 else shares,
        b,
        total_u,
        b_u,
        y.size,
        fitted,
        float(np.sqrt(np.mean(misfit**2))) if y.size else np.nan,
        _leave_one_out(dc, y, w, b0, prior_weight, directions),
        _condition(dc * np.sqrt(w)[:, None]),
    )


def _records(
    growth: ArrayLike, loss: ArrayLike, weights: ArrayLike | None, prior_shares: ArrayLike
) -> tuple[Floats, Floats, Floats, Floats]:
    y = np.asarray(loss, dtype=np.float64)
    shares = np.asarray(prior_shares, dtype=np.float64)
    dc = np.asarray(growth, dtype=np.float64).reshape(y.size, -1) if y.size else np.empty((0, shares.size))
    w = np.ones(y.size) if weights is None else np.asarray(weights, dtype=np.float64)
    if dc.shape != (y.size, shares.size) or w.shape != y.shape:
        raise ValueError("every record needs one loss, one weight and one growth for each fit")
    if not all(np.isfinite(column).all() for column in (y, dc, w, shares)) or (w < 0.0).any():
        raise ValueError("a record holds a figure that is not finite, or a negative weight")
    return dc, y, w, shares


def _solve(dc: Floats, y: Floats, w: Floats, b0: Floats, prior_weight: float, directions: Floats) -> Floats:
    root = np.sqrt(w)
    pull = np.sqrt(prior_weight)
    rows = np.vstack((root[:, None] * dc, pull * np.eye(b0.size)))
    found, _ = nnls(rows @ directions, np.concatenate((root * y, pull * b0)))
    return np.asarray(directions @ found)


def _uncertainty(
    dc: Floats, w: Floats, misfit: Floats, b: Floats, prior_weight: float, directions: Floats
) -> tuple[float, Floats]:
    """Standard uncertainties of the sum of the coefficients and of each."""
    along = dc @ directions
    curvature = along.T @ (w[:, None] * along) + prior_weight * directions.T @ directions
    freedom = max(np.count_nonzero(w) - directions.shape[1], 0)
    scatter = (SIGMA_FREEDOM * SIGMA_LOSS**2 + float(np.sum(w * misfit**2))) / (SIGMA_FREEDOM + freedom)
    free = np.flatnonzero(directions.T @ b > 0.0)
    spread = np.diag(1.0 / np.diag(curvature))
    spread[np.ix_(free, free)] = np.linalg.inv(curvature[np.ix_(free, free)])
    variance = scatter * directions @ spread @ directions.T
    return float(np.sqrt(variance.sum())), np.sqrt(np.diag(variance))


def _leave_one_out(dc: Floats, y: Floats, w: Floats, b0: Floats, prior_weight: float, directions: Floats) -> float:
    if y.size < 2:
        return np.nan
    errors = np.empty(y.size)
    for left in range(y.size):
        kept = np.arange(y.size) != left
        errors[left] = y[left] - dc[left] @ _solve(dc[kept], y[kept], w[kept], b0, prior_weight, directions)
    return float(np.sqrt(np.mean(errors**2)))


def _condition(dc: Floats) -> float:
    if not dc.size:
        return np.inf
    singular = np.linalg.svd(dc, compute_uv=False)
    smallest = singular[-1] if dc.shape[0] >= dc.shape[1] else 0.0
    return float(singular[0] / smallest) if smallest > 1e-14 * singular[0] else np.inf
