"""From an indication to the size at 20 degC, with its sensitivities (method page "sizes" S3).

theta = t - 20 K. Part p; reference r: the master of a deviation, the gauge's scale of a direct reading.

    deviation: D = [L_m (1 + a_r theta_r) + delta] / (1 + a_p theta_p)      (3.1)
    direct:    D = L (1 + a_r theta_r) / (1 + a_p theta_p)                  (3.2)
"""

from dataclasses import dataclass

import numpy as np

from worker.method.budget import Bools, Floats

REFERENCE_C = 20.0
"""Reference temperature of sizes, [degC]. ISO 1."""
AT_REFERENCE_K = 1e-6
"""Closer to 20 degC than this the first-order expansion terms have vanished, [K]."""


@dataclass(frozen=True, slots=True)
class ThermalSizes:
    """Sizes at 20 degC and the sensitivities (3.3), divisor v kept; shape (n,) each.

    Attributes
    ----------
    size : ndarray
        [mm].
    to_indication : ndarray
        To everything that enters through the indication (read, calibration, operator), [-].
    to_zero, to_master : ndarray
        To the zero setting and the master's size, [-]; 0 for a direct reading.
    to_part_expansion, to_reference_expansion : ndarray
        [mm K].
    to_part_temperature, to_reference_temperature : ndarray
        [mm/K].
    """

    size: Floats
    to_indication: Floats
    to_zero: Floats
    to_master: Floats
    to_part_expansion: Floats
    to_reference_expansion: Floats
    to_part_temperature: Floats
    to_reference_temperature: Floats


def size_at_20(
    indication: Floats,
    is_deviation: Bools,
    master_size: Floats,
    part: tuple[Floats, Floats],
    reference: tuple[Floats, Floats],
) -> ThermalSizes:
    """Reduce readings to the size the part has at 20 degC. [(3.1), (3.2), (3.3)]

    Parameters
    ----------
    indication : ndarray, shape (n,)
        Reading less bias: a deviation or a size, [mm].
    is_deviation : ndarray of bool, shape (n,)
        Which of the two.
    master_size : ndarray, shape (n,)
        L_m at 20 degC, [mm]; ignored for a direct reading.
    part, reference : tuple of ndarray, shape (n,)
        Expansion coefficient, [1/K], and temperature less 20 degC, [K].

    Returns
    -------
    ThermalSizes
        n sizes and their sensitivities.

    References
    ----------
    .. [1] JCGM 100:2008, H.1; ISO 1:2022.

    Examples
    --------
    >>> zero = np.zeros(1)
    >>> steel = np.array([11.5e-6])
    >>> at_30 = size_at_20(np.array([100.0115]), zero > 1, zero, (steel, zero + 10.0), (steel, zero))
    >>> float(at_30.size[0].round(6))
    100.0
    """
    (a_p, theta_p), (a_r, theta_r) = part, reference
    v = 1.0 + a_p * theta_p
    scale = 1.0 + a_r * theta_r
    L = np.where(is_deviation, master_size, indication)
    D = (L * scale + np.where(is_deviation, indication, 0.0)) / v
    return ThermalSizes(
        size=D,
        to_indication=np.where(is_deviation, 1.0, scale) / v,
        to_zero=np.where(is_deviation, -1.0, 0.0) / v,
        to_master=np.where(is_deviation, scale, 0.0) / v,
        to_part_expansion=-D * theta_p / v,
        to_reference_expansion=L * theta_r / v,
        to_part_temperature=-D * a_p / v,
        to_reference_temperature=L * a_r / v,
    )


def second_order(
    size: Floats, theta_p: Floats, var_alpha: tuple[Floats, Floats], var_theta: tuple[Floats, Floats]
) -> Floats:
    """Second-order thermal term where the first order has vanished, else 0. [GUM H.1.7]

    Parameters
    ----------
    size : ndarray, shape (n,)
        D, [mm].
    theta_p : ndarray, shape (n,)
        Temperature of the part less 20 degC, [K].
    var_alpha : tuple of ndarray, shape (n,)
        Variance of a_p - a_r and of a_r, [1/K^2].
    var_theta : tuple of ndarray, shape (n,)
        Variance of theta_p and of theta_p - theta_r, [K^2].

    Returns
    -------
    ndarray, shape (n,)
        Standard uncertainty, [mm].

    Notes
    -----
    Away from 20 degC the first-order terms are there and this one is left out, as the method page has it; it
    would add less than 1e-4 of u at 4 K.
    """
    term = size * np.sqrt(var_alpha[0] * var_theta[0] + var_alpha[1] * var_theta[1])
    return np.where(np.abs(theta_p) <= AT_REFERENCE_K, term, 0.0)
