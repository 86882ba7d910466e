"""Out-of-roundness, taper and selection bias (method page "sizes" S5.1 to S5.3)."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from worker.method.budget import Bools, Floats, Ints

WELL_SPREAD = 1e-9
"""Smallest determinant of the scaled normal equations at which a second harmonic is fitted, [-].

Three orientations within about 3 deg of one another say nothing about an ellipse; a design choice."""
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
    fitted : ndarray of bool
        False where the orientations do not determine an ellipse; amplitude and axis are NaN there.
    """

    mean: Floats
    amplitude: Floats
    axis: Floats
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
    amplitude = np.where(fitted, np.hypot(a, b), np.nan)
    axis = np.where(fitted, np.degrees(0.5 * np.arctan2(b, a)) % 180.0, np.nan)
    return SecondHarmonic(mean + np.where(fitted, c, 0.0), amplitude, axis, fitted)


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


def ovality_threshold(n_phi: ArrayLike, nu: ArrayLike, u_read: ArrayLike, p: float = 0.95) -> Floats:
    """Two-point ovality above which a station is significantly out of round. [studentised range, S5.2]

    Parameters
    ----------
    n_phi : array_like
        Orientations measured, at least 2.
    nu : array_like
        Degrees of freedom of `u_read`; infinite allowed.
    u_read : array_like
        Standard uncertainty of one location without shared influences, [mm].
    p : float
        Probability that a round part stays below, [-].

    Returns
    -------
    ndarray
        [mm].

    Examples
    --------
    >>> float(ovality_threshold(3, 10, 0.001).round(5))
    0.00388
    """
    from scipy.stats import studentized_range  # takes most of a second to import; only derivations ask for it

    quantile: Floats = studentized_range.ppf(p, n_phi, np.minimum(nu, 1e5)) * np.asarray(u_read, float)
    return quantile


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
