"""Limits as weighted sums of feature wear: discards, fits and the loss by rule (forecast method, sections 4 and 12)."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from worker.method.first_passage import Gap
from worker.method.wear_state import WearStates

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class WearLimits:
    """Limits of one tool type over its feature slots: feature discards, fit discards, then performance.

    Attributes
    ----------
    coefficients : ndarray, shape (limits, slots)
        Weight c of the wear of each slot.
    value : ndarray, shape (limits,)
        Sum of c times wear at which the limit is reached, [mm]; for performance [fraction of the rate].
    of_mean : ndarray of bool, shape (limits,)
        Whether the wear is that of the mean size instead of the size that discard is judged on.
    """

    coefficients: Floats
    value: Floats
    of_mean: Bools


def wear_limits(
    middle: ArrayLike,
    discard: ArrayLike,
    fit_shaft: ArrayLike,
    fit_bore: ArrayLike,
    fit_new: ArrayLike,
    fit_discard: ArrayLike,
    fit_share: ArrayLike,
    loss_per_mm: float,
    service_loss: float,
) -> WearLimits:
    """Limits of a tool type in the order features, fits, performance.

    Parameters
    ----------
    middle, discard : array_like, shape (slots,)
        Middle of the new sizes and discard sizes, [mm]; NaN for a slot without a discard.
    fit_shaft, fit_bore : array_like of int, shape (fits,)
        Slots that make a fit.
    fit_new, fit_discard : array_like, shape (fits,)
        Middle of the fit's new clearances, and its discard clearance or NaN, [mm].
    fit_share : array_like, shape (fits,)
        Share of the loss, NaN for a fit without one; the shares of all fits sum to 1.
    loss_per_mm, service_loss : float
        Loss per mm of growth of every fit, and the loss at which service is due, [1/mm] and [-].

    Returns
    -------
    WearLimits
        Performance only if a fit has a share. Its coefficients add up where one slot is in several fits, and
        the clip of the rule at fits tighter than new is ignored.
    """
    middle, discard, fit_new, fit_discard = (
        np.asarray(column, dtype=np.float64) for column in (middle, discard, fit_new, fit_discard)
    )
    shaft, bore = np.asarray(fit_shaft, dtype=np.intp), np.asarray(fit_bore, dtype=np.intp)
    share = np.asarray(fit_share, dtype=np.float64)
    slots, fits = np.arange(middle.size), np.arange(shaft.size)
    own = np.eye(middle.size)
    in_fit = np.zeros((fits.size, slots.size))
    np.add.at(in_fit, (fits, shaft), 1.0)
    np.add.at(in_fit, (fits, bore), 1.0)
    nominal = middle[bore] - middle[shaft]
    judged, closed = np.isfinite(discard), np.isfinite(fit_discard)
    rows = [own[judged], in_fit[closed]]
    values = [np.abs(discard - middle)[judged], (fit_discard - nominal)[closed]]
    if np.isfinite(share).any():
        per_mm = loss_per_mm * np.nan_to_num(share)
        rows.append((per_mm @ in_fit)[None, :])
        values.append(np.array([service_loss - per_mm @ (nominal - fit_new)]))
    value = np.concatenate(values)
    of_mean = np.arange(value.size) >= judged.sum() + closed.sum()
    return WearLimits(np.concatenate(rows), value, of_mean)


def allowed_wear(
    middle: ArrayLike,
    discard: ArrayLike,
    fit_shaft: ArrayLike,
    fit_bore: ArrayLike,
    fit_new: ArrayLike,
    fit_discard: ArrayLike,
) -> Floats:
    """Wear that a slot may show: to its discard, else the tightest of its fits' discards less new, [mm].

    Parameters are those of `wear_limits`; NaN where neither is given.
    """
    middle, discard, fit_new, fit_discard = (
        np.asarray(column, dtype=np.float64) for column in (middle, discard, fit_new, fit_discard)
    )
    by_fit = np.full(middle.size, np.inf)
    growth = fit_discard - fit_new
    known = np.isfinite(growth)
    for side in (fit_shaft, fit_bore):
        np.minimum.at(by_fit, np.asarray(side, dtype=np.intp)[known], growth[known])
    own = np.abs(discard - middle)
    return np.asarray(np.where(np.isfinite(own), own, np.where(np.isfinite(by_fit), by_fit, np.nan)))


def catalogue_life(limits: WearLimits, mean_rate: ArrayLike) -> Floats:
    """Usage from new to each limit at the mean rates, shape (limits,), [units of usage].

    Infinite where no wear leads there, and where a new part is there already.
    """
    speed = limits.coefficients @ np.nan_to_num(np.asarray(mean_rate, dtype=np.float64))
    ahead = (speed > 0.0) & (limits.value > 0.0)
    return np.asarray(np.divide(limits.value, speed, out=np.full(speed.size, np.inf), where=ahead))


def combine(
    coefficients: ArrayLike,
    value: ArrayLike,
    states: WearStates,
    diffusion: ArrayLike,
    drift_scale: ArrayLike = 1.0,
    slope_correlation: ArrayLike = 0.0,
    common_variance: ArrayLike = 0.0,
    scale_variance: ArrayLike = 0.0,
) -> Gap:
    """Gap and drift of limits on weighted sums of feature wear.

    Parameters
    ----------
    coefficients : array_like, shape (..., limits, slots)
        Weight c of each slot in each limit. A component that enters a limit twice has its weights added here,
        before anything is squared.
    value : array_like, shape (..., limits)
        Sum of c times wear at which the limit is reached.
    states : WearStates, shape (..., slots)
        NaN for a slot without a state.
    diffusion, drift_scale, scale_variance : array_like, shape (..., slots)
        Process variance [mm2 per unit of usage]; effective usage per unit of the planned usage, g; and the
        relative variance of g where the ground or the hours per metre are uncertain.
    slope_correlation : array_like, shape (..., limits)
        Common correlation of the rates; only for limits whose coefficients have one sign.
    common_variance : array_like, shape (..., limits)
        Variance of an error that all readings behind the limit share, times the square of its total
        coefficient: added once to the gap, never averaged down.

    Returns
    -------
    Gap, shape (..., limits)
        Per unit of the planned usage. NaN where a slot with a coefficient has no state.
    """
    c = np.asarray(coefficients, dtype=np.float64)
    g, wander, v = (np.asarray(column, dtype=np.float64) for column in (drift_scale, diffusion, scale_variance))
    columns = np.broadcast_arrays(*states.columns(), g, wander, v)
    missing = ~np.isfinite(np.sum(columns, axis=0))
    level, rate, p11, p12, p22, g, wander, v = (np.where(missing, 0.0, column) for column in columns)

    def over_slots(weight: Floats, amount: Floats) -> Floats:
        return np.asarray(np.einsum("...ls,...s->...l", weight, amount))

    c2 = c * c
    rho = np.asarray(slope_correlation, dtype=np.float64)
    rate_variance = g * g * (p22 * (1.0 + v) + rate * rate * v)
    drift_variance = over_slots(c2, rate_variance)
    if rho.any():
        together = over_slots(np.abs(c), np.sqrt(rate_variance)) ** 2
        drift_variance = (1.0 - rho) * drift_variance + rho * together
    unknown = over_slots((c != 0.0).astype(np.float64), missing.astype(np.float64)) > 0.0
    open_gap = np.asarray(value, dtype=np.float64) - over_slots(c, level)
    return Gap(
        level=np.where(unknown, np.nan, open_gap),
        level_variance=over_slots(c2, p11) + np.asarray(common_variance, dtype=np.float64),
        drift=over_slots(c, g * rate),
        drift_variance=drift_variance,
        covariance=-over_slots(c2, g * p12),
        diffusion=over_slots(c2, g * wander),
    )


def gaps(
    limits: WearLimits,
    judged: WearStates,
    of_mean: WearStates,
    diffusion: ArrayLike,
    drift_scale: ArrayLike = 1.0,
    slope_correlation: float = 0.0,
    scale_variance: ArrayLike = 0.0,
) -> Gap:
    """Gaps of all limits of a tool type for many tools.

    Parameters
    ----------
    limits : WearLimits
    judged, of_mean : WearStates, shape (..., slots)
        States of the size that discard is judged on (`worst` or `mean`), for feature and fit limits, and of
        the mean size, for performance; carried to the time of the forecast.
    diffusion, drift_scale, scale_variance : array_like, shape (..., slots)
        As in `combine`.
    slope_correlation : float
        Common correlation of the rates of one tool's features, [-].

    Returns
    -------
    Gap, shape (..., limits)
    """
    parts = []
    for mask, states in ((~limits.of_mean, judged), (limits.of_mean, of_mean)):
        if mask.any() or not len(mask):  # a type without any limit has a gap of none
            parts.append(
                combine(
                    limits.coefficients[mask],
                    limits.value[mask],
                    states,
                    diffusion,
                    drift_scale,
                    slope_correlation,
                    scale_variance=scale_variance,
                )
            )
    if len(parts) == 1 or not len(limits.value):
        return parts[0]
    return Gap(*(np.concatenate(columns, axis=-1) for columns in zip(*(p.columns() for p in parts), strict=True)))
