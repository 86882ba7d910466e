"""Adiabatic flow with friction between two pressures: the momentum balance (leakage method, section 1.2).

The friction number is the sum of entrance loss and f L/Dh that a flow of given inlet Mach number can pay for.
It equals the difference of two entries of a Fanno table, with the pressure difference factored out, so that
nothing is lost when the two pressures nearly agree.
"""

from __future__ import annotations

import numpy as np

from worker.method.air import AIR, Floats, Gas


def critical_ratio(gas: Gas = AIR) -> float:
    """Pressure over stagnation pressure where an isentropic flow reaches the speed of sound.

    Examples
    --------
    >>> round(critical_ratio(), 6)
    0.528282
    """
    return float(np.exp(-gas.gamma / (gas.gamma - 1.0) * np.log1p((gas.gamma - 1.0) / 2.0)))


def friction_number(mach_square: Floats, pressure_ratio: Floats, one_less_square: Floats, gas: Gas = AIR) -> Floats:
    """Friction number between an inlet Mach number and an exit-to-inlet pressure ratio. [momentum balance]

    Parameters
    ----------
    mach_square : ndarray
        Square of the inlet Mach number.
    pressure_ratio : ndarray
        Static pressure at the exit over static pressure at the inlet, above 0.
    one_less_square : ndarray
        ``1 - pressure_ratio**2``, passed apart because the caller may know it without cancellation.
    gas : Gas, optional
        The gas; with gamma towards 1 this is the isothermal pipe equation.

    Returns
    -------
    ndarray
        4 f_F L/D in Fanning's, f L/D in Darcy's notation; negative where the inlet is too fast for the ratio.

    References
    ----------
    .. [1] G. Bar-Meir, Fundamentals of Compressible Fluid Mechanics, Fanno flow (table of 4fL/D).

    Examples
    --------
    Mach 0.1 to the speed of sound; Fanno tables give 66.922.

    >>> x = np.array([0.01])
    >>> q = np.sqrt(x * (1 + 0.2 * x) / 1.2)
    >>> round(float(friction_number(x, q, 1 - q * q)[0]), 3)
    66.922
    """
    gamma = gas.gamma
    a = (gamma - 1.0) / 2.0
    x1 = mach_square * (1.0 + a * mach_square)
    q_square = pressure_ratio * pressure_ratio
    s1 = 1.0 + 2.0 * a * mach_square
    s2 = np.sqrt(1.0 + 4.0 * a * x1 / q_square)
    pressure = 1.0 + (1.0 + q_square + 4.0 * a * x1) / (s1 + q_square * s2)
    speed = np.log((1.0 + s1) / (pressure_ratio * (1.0 + s2)))
    return np.asarray(one_less_square / (2.0 * gamma * x1) * pressure - (gamma + 1.0) / gamma * speed)


def sonic_pressure_ratio(mach_square: Floats, gas: Gas = AIR) -> Floats:
    """Exit-to-inlet pressure ratio at which the exit reaches the speed of sound."""
    a = (gas.gamma - 1.0) / 2.0
    return np.asarray(np.sqrt(mach_square * (1.0 + a * mach_square) * 2.0 / (gas.gamma + 1.0)))
