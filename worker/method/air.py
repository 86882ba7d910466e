"""Air as an ideal gas: the constants every leak figure is made with (leakage method, section 1.1)."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

ZERO_CELSIUS = 273.15  # [K], exact
REFERENCE_PRESSURE = 1e5  # [Pa], free air is stated at 1 bar absolute ...
REFERENCE_TEMPERATURE = 293.15  # [K], ... 20 degC, dry

# Sutherland's law for air: 17.16 uPa s at 0 degC, constant 110.4 K.
SUTHERLAND_VISCOSITY = 1.716e-5  # [Pa s]
SUTHERLAND_CONSTANT = 110.4  # [K]


@dataclass(frozen=True, slots=True)
class Gas:
    """An ideal gas of constant heat capacities.

    Attributes
    ----------
    constant : float
        Specific gas constant R, [J/(kg K)].
    gamma : float
        Ratio of the heat capacities, above 1. Towards 1 the flow becomes isothermal.
    """

    constant: float
    gamma: float


AIR = Gas(constant=287.055, gamma=1.4)

# 1 kg/s in m3/min of free air: 60 over 1.188352 kg/m3.
FREE_AIR_PER_KG_S = 60.0 * AIR.constant * REFERENCE_TEMPERATURE / REFERENCE_PRESSURE


def viscosity(temperature: ArrayLike) -> Floats:
    """Dynamic viscosity of dry air by Sutherland's law.

    Parameters
    ----------
    temperature : array_like
        Temperature, [K]. Good to 0.6 % from 250 to 400 K at pressures up to a few bar.

    Returns
    -------
    ndarray
        Dynamic viscosity, [Pa s].

    References
    ----------
    .. [1] Bird, Stewart, Lightfoot, Transport Phenomena, table 1.1-2 (air at 0, 20, 40, 60 degC).

    Examples
    --------
    >>> round(float(viscosity(293.15)) * 1e6, 2)
    18.13
    """
    t = np.asarray(temperature, dtype=np.float64)
    reduced = t / ZERO_CELSIUS
    law = reduced * np.sqrt(reduced) * (ZERO_CELSIUS + SUTHERLAND_CONSTANT) / (t + SUTHERLAND_CONSTANT)
    return np.asarray(SUTHERLAND_VISCOSITY * law)
