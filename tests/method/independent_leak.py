"""The leak past a parallel gap once more, by brute force: the momentum equation summed in fine steps.

Shares nothing with the code under test: other unknown, other quadrature, other root finder, friction from another
library. Slow; for tests only.
"""

import numpy as np
from fluids.friction import Churchill_1977

R, GAMMA = 287.055, 1.4
CP = GAMMA * R / (GAMMA - 1.0)
CELLS = 1500


def mass_flux(
    gap: float, length: float, p0: float, pb: float, temperature: float, k_ent: float, roughness: float
) -> float:
    """Mass flux [kg/(s m2)] by bisection on the inlet Mach number; see `friction_paid`."""
    mu = 1.716e-5 * (temperature / 273.15) ** 1.5 * (273.15 + 110.4) / (temperature + 110.4)

    def short(mach: float) -> bool:
        flux, paid = friction_paid(mach, p0, pb, temperature)
        reynolds = 2.0 * gap * flux / mu
        friction = Churchill_1977(2.0 * reynolds / 3.0, roughness / (2.0 * gap))
        return paid > k_ent + friction * length / (2.0 * gap)

    top = min(1.0, np.sqrt(max((pb / p0) ** (-(GAMMA - 1.0) / GAMMA) - 1.0, 0.0) * 2.0 / (GAMMA - 1.0)))
    low, high = np.log(1e-13), np.log(top)
    for _ in range(60):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if short(np.exp(middle)) else (low, middle)
    return friction_paid(np.exp(low), p0, pb, temperature)[0]


def friction_paid(mach: float, p0: float, pb: float, temperature: float) -> tuple[float, float]:
    """Mass flux, and friction number used up between the inlet pressure and the exit.

    dp + G^2 dv + G^2 v/2 dN = 0 with h + G^2 v^2/2 constant; summed over the pressure by Simpson's rule.
    """
    p1 = p0 * (1.0 + (GAMMA - 1.0) / 2.0 * mach**2) ** (-GAMMA / (GAMMA - 1.0))
    static = temperature / (1.0 + (GAMMA - 1.0) / 2.0 * mach**2)
    flux = p1 / (R * static) * mach * np.sqrt(GAMMA * R * static)
    sonic = flux * np.sqrt(R * temperature / GAMMA * 2.0 / (GAMMA + 1.0))
    p2 = max(pb, sonic)
    if p2 >= p1:
        return flux, 0.0
    # Even steps in ln p: the specific volume is nearly its reciprocal.
    ln_p = np.linspace(np.log(p1), np.log(p2), 2 * CELLS + 1)
    p = np.exp(ln_p)
    volume = 2.0 * R * temperature / (p + np.sqrt(p**2 + 2.0 * (R * flux) ** 2 * temperature / CP))
    integrand = p / volume
    step = (np.log(p2 / p1)) / (2 * CELLS)
    simpson = (integrand[0] + integrand[-1] + 4.0 * integrand[1::2].sum() + 2.0 * integrand[2:-1:2].sum()) * step / 3.0
    return flux, -2.0 * simpson / flux**2 - 2.0 * np.log(volume[-1] / volume[0])
