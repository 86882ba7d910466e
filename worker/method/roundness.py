"""Out-of-roundness, taper and selection bias (method page "sizes" S5.1 to S5.3)."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from worker.method.budget import Bools, Floats, Ints
from worker.method.range_constants import range_moments

WELL_SPREAD = 1e-9
"""Smallest determinant of the scaled normal equations at which a second harmonic is fitted, [-].

Three orientations within about 3 deg of one another say nothing about an ellipse; a design choice."""
STUDENTISED_DOF = (1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0, 20.0, 30.0, 60.0, 120.0, np.inf)
STUDENTISED_RANGE = np.array(
    [
        [17.969, 6.085, 4.501, 3.926, 3.635, 3.461, 3.261, 3.151, 2.950, 2.888, 2.829, 2.800, 2.772],
        [26.976, 8.331, 5.910, 5.040, 4.602, 4.339, 4.041, 3.877, 3.578, 3.486, 3.399, 3.356, 3.314],
        [32.819, 9.798, 6.824, 5.757, 5.218, 4.896, 4.529, 4.327, 3.958, 3.845, 3.737, 3.685, 3.633],
        [37.081, 10.881, 7.502, 6.287, 5.673, 5.305, 4.886, 4.654, 4.232, 4.102, 3.977, 3.917, 3.858],
        [40.408, 11.734, 8.037, 6.706, 6.033, 5.628, 5.167, 4.912, 4.445, 4.301, 4.163, 4.096, 4.030],
        [43.119, 12.435, 8.478, 7.053, 6.330, 5.895, 5.399, 5.124, 4.620, 4.464, 4.314, 4.241, 4.170],
        [45.397, 13.027, 8.852, 7.346, 6.582, 6.122, 5.596, 5.304, 4.768, 4.601, 4.441, 4.363, 4.286],
        [47.357, 13.539, 9.177, 7.601, 6.801, 6.319, 5.767, 5.460, 4.895, 4.720, 4.550, 4.468, 4.386],
        [49.071, 13.989, 9.462, 7.826, 6.995, 6.493, 5.918, 5.598, 5.008, 4.824, 4.646, 4.559, 4.474],
        [50.592, 14.389, 9.717, 8.027, 7.167, 6.649, 6.053, 5.722, 5.108, 4.917, 4.732, 4.641, 4.552],
        [51.957, 14.749, 9.946, 8.208, 7.323, 6.789, 6.175, 5.833, 5.199, 5.001, 4.809, 4.714, 4.622],
    ]
)  # fmt: skip
"""95 % points of the studentised range of 2 to 12 values by `STUDENTISED_DOF`, computed with scipy."""
SELECTION_BIAS = (0.0, 0.564, 0.846, 1.029, 1.163, 1.267, 1.352, 1.424, 1.485, 1.539, 1.586, 1.629)
"""Expected largest of K = 1 to 12 standard normal values. Method page S5.1; K = 7, 9, 11 by quadrature."""


@dataclass(frozen=True, slots=True)
class SecondHarmonic:
    """Ellipse through the diameters of each station; shape (s,) each.

    Attributes
    ----------
    mean, amplitude : ndarray
        D0 and sqrt(A^2 + B^2), [mm]; the ovality is twice the amplitude, the extremes are mean +- amplitude.
    axis : ndarray
        Angle of the largest diameter, [deg], from 0 below 180.
    gain : ndarray
        Standard uncertainty of the ovality over that of one location, shared influences left out, [-].
    fitted : ndarray of bool
        False where the orientations do not determine an ellipse; amplitude and axis are NaN there.
    """

    mean: Floats
    amplitude: Floats
    axis: Floats
    gain: Floats
    fitted: Bools

    @property
    def ovality(self) -> Floats:
        """Difference of the axes, [mm]."""
        return 2.0 * self.amplitude


def fit_second_harmonic(phi: Floats, d: Floats, start: Ints) -> SecondHarmonic:
    """Fit D0 + A cos 2 phi + B sin 2 phi to the diameters of each station. [(5.1)]

    Parameters
    ----------
    phi : ndarray, shape (n,)
        Orientations, stations one after another, [deg].
    d : ndarray, shape (n,)
        Diameters, [mm].
    start : ndarray of int, shape (s,)
        First location of each station, increasing from 0.

    Returns
    -------
    SecondHarmonic
        s stations.

    Notes
    -----
    Least squares. Two-point gauges do not see odd lobes. Pure noise of u gives a mean ovality of
    ``2 u sqrt(pi / n)``; for n equally spaced orientations u(ovality) is ``2 u sqrt(2 / n)``.

    Examples
    --------
    >>> fit = fit_second_harmonic(np.array([0.0, 60, 120]), np.array([90.05, 90.05, 90.02]), np.array([0]))
    >>> float(fit.ovality[0].round(6)), float(fit.axis[0].round(6))
    (0.04, 30.0)
    """
    n = np.diff(np.append(start, d.size))
    mean = np.add.reduceat(d, start) / n
    angle = np.radians(2.0 * phi)
    basis = np.stack([np.ones_like(angle), np.cos(angle), np.sin(angle)], axis=1)
    rest = d - np.repeat(mean, n)
    normal = np.add.reduceat(basis[:, :, None] * basis[:, None, :], start, axis=0) / n[:, None, None]
    right = np.add.reduceat(basis * rest[:, None], start, axis=0) / n[:, None]
    fitted = np.linalg.det(normal) > WELL_SPREAD
    normal[~fitted] = np.eye(3)
    c, a, b = np.linalg.solve(normal, right[:, :, None])[:, :, 0].T
    turned = np.arctan2(b, a)
    along = np.stack([np.zeros_like(turned), np.cos(turned), np.sin(turned)], axis=1)  # amplitude by (c, a, b)
    spread = np.linalg.solve(normal, along[:, :, None])[:, :, 0]
    gain = 2.0 * np.sqrt((along * spread).sum(axis=1) / n)
    amplitude, gain = (np.where(fitted, column, np.nan) for column in (np.hypot(a, b), gain))
    axis = np.where(fitted, np.degrees(0.5 * turned) % 180.0, np.nan)
    return SecondHarmonic(mean + np.where(fitted, c, 0.0), amplitude, axis, gain, fitted)


def taper_weights(z: Floats, owner: Ints, owners: int) -> Floats:
    """Weight of each station's mean in the taper, least-squares slope times span. [S5.3]

    Parameters
    ----------
    z : ndarray, shape (s,)
        Axial position of each station, [mm]; NaN = none.
    owner : ndarray of int, shape (s,)
        Measurand of each station, increasing.
    owners : int
        Number of measurands.

    Returns
    -------
    ndarray, shape (s,)
        [-]; 0 for a station without position and for an owner with fewer than two different positions.

    Examples
    --------
    >>> means = np.array([90.02, 90.03, 90.035, 90.05])
    >>> weights = taper_weights(np.array([0.0, 50, 100, 150]), np.zeros(4, int), 1)
    >>> float((weights @ means).round(6))
    0.0285
    """
    known = np.isfinite(z)
    place = np.where(known, z, 0.0)
    count = np.bincount(owner, known, owners)
    centre = np.bincount(owner, place, owners) / np.maximum(count, 1)
    arm = np.where(known, place - centre[owner], 0.0)
    arm2 = np.bincount(owner, np.square(arm), owners)
    low, high = np.full(owners, np.inf), np.full(owners, -np.inf)
    np.minimum.at(low, owner[known], z[known])
    np.maximum.at(high, owner[known], z[known])
    lever = np.zeros(owners)
    np.divide(high - low, arm2, out=lever, where=(count >= 2) & (high > low))
    weights: Floats = arm * lever[owner]
    return weights


def ovality_threshold(n_phi: ArrayLike, nu: ArrayLike, u_read: ArrayLike) -> Floats:
    """Two-point ovality that a round part exceeds in 1 case of 20 only. [studentised range, S5.2]

    Parameters
    ----------
    n_phi : array_like of int
        Orientations measured, at least 2.
    nu : array_like
        Degrees of freedom of `u_read`; infinite allowed.
    u_read : array_like
        Standard uncertainty of one location without shared influences, [mm].

    Returns
    -------
    ndarray
        [mm].

    Notes
    -----
    From a table, by the reciprocal of the degrees of freedom between its columns, below 6 rounded down; within 0.1 % of
    the exact figure. More than 12 values as 12 with the mean range of so many, up to 3 % high.

    Examples
    --------
    >>> float(ovality_threshold(3, 10, 0.001).round(5))
    0.00388
    """
    n, exact = np.broadcast_arrays(np.asarray(n_phi, np.int64), np.asarray(nu, float))
    dof = np.maximum(np.where(exact < 6.0, np.floor(exact), exact), 1.0)
    table = 1.0 / np.array(STUDENTISED_DOF)
    right = np.clip(np.searchsorted(-table, -1.0 / dof), 1, len(table) - 1)
    share = (table[right - 1] - 1.0 / dof) / (table[right - 1] - table[right])
    row = np.minimum(n, 12) - 2
    quantile = (1.0 - share) * STUDENTISED_RANGE[row, right - 1] + share * STUDENTISED_RANGE[row, right]
    more = np.array([range_moments(k)[0] / range_moments(12)[0] for k in range(13, int(n.max(initial=0)) + 1)])
    if len(more):
        quantile = quantile * np.where(n > 12, more[np.maximum(n - 13, 0)], 1.0)
    threshold: Floats = quantile * np.asarray(u_read, float)
    return threshold


def selection_bias(locations: Ints, u_read: ArrayLike) -> Floats:
    """Most by which the extreme of nearly equal, noisy locations exceeds the truth; not corrected. [S5.1]

    Parameters
    ----------
    locations : ndarray of int
        Number of locations the extreme was taken from; above 12 the value for 12.
    u_read : array_like
        Standard uncertainty of one location without shared influences, [mm].

    Returns
    -------
    ndarray
        [mm].

    Examples
    --------
    >>> float(selection_bias(np.array(4), 0.001).round(6))
    0.001029
    """
    bias: Floats = np.interp(locations, np.arange(1, 13), SELECTION_BIAS) * np.asarray(u_read, float)
    return bias
