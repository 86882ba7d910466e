"""Mass flux of air through a parallel gap between two pressures (leakage method, sections 1.2 to 1.5).

Isentropic entry, entrance loss and wall friction in one adiabatic momentum balance, solved for the inlet
Mach number by a bracketed Newton iteration on its logarithm. Every element goes its own way: what a row
gives does not depend on the rows beside it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from worker.method.air import AIR, Floats, Gas, viscosity
from worker.method.fanno import critical_ratio, friction_number, sonic_pressure_ratio
from worker.method.friction import LAMINAR_EQUIVALENT, log_friction

Flags = NDArray[np.bool_]

BLOCK = 4096  # elements solved together: the working arrays of a block stay in the processor's cache
MAX_STEPS = 80  # a bracket 60 wide bisected to round-off takes 60
NEWTON_DONE = 1e-9  # after a Newton step this small the next one is below 1e-16
BRACKET_CLOSED = 1e-13  # in ln M1
FRICTIONLESS = 1e-40  # keeps the logarithm of the friction number a number
# Slower than this, inertia is 1e-130 of the balance and the laminar closed form is exact.
LN_CREEPING_MACH = -150.0


@dataclass(frozen=True, slots=True)
class GapFlow:
    """Flow through parallel gaps, arrays of one shape (n,).

    Attributes
    ----------
    flux : ndarray
        Mass flux G, [kg/(s m2)].
    slope : ndarray
        d ln G / d ln gap, at fixed roughness over gap.
    friction : ndarray
        Friction number f L/Dh, without the entrance loss.
    exit_mach : ndarray
        Mach number at the exit, 1 where choked.
    choked : ndarray of bool
        Whether the exit runs at the speed of sound.
    """

    flux: Floats
    slope: Floats
    friction: Floats
    exit_mach: Floats
    choked: Flags


@dataclass(frozen=True, slots=True)
class _Gaps:
    """A block of gaps, brought to numbers without units but for two logarithms."""

    log_flux_unit: Floats  # ln of p0 sqrt(gamma/(R T0)): mass flux at Mach 1 in the density of rest
    log_re_unit: Floats  # ln of the laminar-equivalent Reynolds number per mass flux
    log_length: Floats  # ln of land over hydraulic diameter
    entrance: Floats  # velocity heads
    roughness: Floats  # over hydraulic diameter
    back: Floats  # p_back / p0
    drop: Floats  # 1 - p_back / p0, kept apart for its digits

    def take(self, keep: Flags) -> _Gaps:
        return _Gaps(*(getattr(self, name)[keep] for name in _GAP_FIELDS))


_GAP_FIELDS = tuple(_Gaps.__dataclass_fields__)


@dataclass(frozen=True, slots=True)
class _Balance:
    """The momentum balance at one trial Mach number per element."""

    log_flux: Floats
    payable: Floats  # friction number the flow can pay for
    payable_slope: Floats  # ... its derivative by ln M1
    friction: Floats  # f L/Dh
    friction_slope: Floats  # d ln f / d ln Re
    flux_slope: Floats  # d ln G / d ln M1
    exit_mach: Floats
    choked: Flags


def solve_gaps(
    gap: Floats,
    length: Floats,
    p_stagnation: Floats,
    p_back: Floats,
    temperature: Floats,
    entrance_loss: Floats,
    roughness: Floats,
    *,
    gas: Gas = AIR,
) -> GapFlow:
    """Mass flux of a gas through parallel gaps, laminar to choked.

    Parameters
    ----------
    gap : ndarray, shape (n,)
        Distance between the walls, [m], above 0.
    length : ndarray, shape (n,)
        Length in the direction of flow, [m], above 0.
    p_stagnation, p_back : ndarray, shape (n,)
        Absolute pressures before and behind, [Pa]; ``0 <= p_back < p_stagnation``.
    temperature : ndarray, shape (n,)
        Total temperature before the gap, [K].
    entrance_loss : ndarray, shape (n,)
        Velocity heads lost at the entry, at least 0.
    roughness : ndarray, shape (n,)
        Wall roughness, [m], at least 0.
    gas : Gas, optional
        The gas, air by default.

    Returns
    -------
    GapFlow
        Arrays of shape (n,).

    Notes
    -----
    Total temperature constant (walls near the gas), viscosity at total temperature. The root is unique:
    what the flow can pay for falls at least as M^-2, what friction asks for no faster than Re^-1.
    """
    rows = np.vstack((gap, length, p_stagnation, p_back, temperature, entrance_loss, roughness))
    starts = range(0, rows.shape[1], BLOCK)
    blocks = [_solve_block(rows[:, start : start + BLOCK], gas) for start in starts]
    if len(blocks) == 1:
        return blocks[0]
    return GapFlow(
        np.concatenate([b.flux for b in blocks]),
        np.concatenate([b.slope for b in blocks]),
        np.concatenate([b.friction for b in blocks]),
        np.concatenate([b.exit_mach for b in blocks]),
        np.concatenate([b.choked for b in blocks]),
    )


def _solve_block(rows: Floats, gas: Gas) -> GapFlow:
    gap, length, p0, pb, temperature, entrance, rough = rows
    hydraulic = 2.0 * gap
    specific = gas.constant * temperature
    ln_p0, ln_dh, ln_rt = np.log(p0), np.log(hydraulic), np.log(specific)
    ln_mu = np.log(viscosity(temperature))
    flux_unit = ln_p0 + 0.5 * (float(np.log(gas.gamma)) - ln_rt)
    re_unit = float(np.log(LAMINAR_EQUIVALENT)) + ln_dh - ln_mu
    gaps = _Gaps(flux_unit, re_unit, np.log(length) - ln_dh, entrance, rough / hydraulic, pb / p0, (p0 - pb) / p0)

    # First guess: the resistances of laminar and of turbulent flow in series, at low speed.
    ln_y = np.log(gaps.drop) + np.log1p(gaps.back)
    laminar = 2.0 * (ln_p0 + ln_dh) + ln_y - float(np.log(96.0)) - ln_mu - np.log(length) - ln_rt
    turbulent = ln_p0 + 0.5 * (ln_y - ln_rt - np.log(entrance + 1.0 + 0.03 * np.exp(gaps.log_length)))
    guess = -np.logaddexp(-laminar, -turbulent) - flux_unit

    creeping = guess < LN_CREEPING_MACH
    if not creeping.any():
        return _solve_inertial(gaps, guess, gas)
    flow = _creeping(gaps, guess)
    moving = _solve_inertial(gaps.take(~creeping), guess[~creeping], gas)
    for name in GapFlow.__dataclass_fields__:
        getattr(flow, name)[~creeping] = getattr(moving, name)
    return flow


def _creeping(gaps: _Gaps, log_mach: Floats) -> GapFlow:
    """Laminar closed form, where the flow is too slow for its squares to be numbers."""
    mach = np.exp(log_mach)
    choked = (gaps.back < mach) | (gaps.back == 0.0)
    exit_mach = np.where(choked, 1.0, mach / np.where(choked, 1.0, gaps.back))
    n = log_mach.shape
    return GapFlow(np.exp(log_mach + gaps.log_flux_unit), np.full(n, 2.0), np.full(n, np.inf), exit_mach, choked)


def _solve_inertial(gaps: _Gaps, guess: Floats, gas: Gas) -> GapFlow:
    top = _top_log_mach(gaps, gas)
    a = (gas.gamma - 1.0) / 2.0
    bend = (gas.gamma + 1.0) / (2.0 * (gas.gamma - 1.0))
    slow = np.minimum(guess, top - bend * np.log1p(a * np.exp(2.0 * top)) + float(np.log(0.9)))
    z = slow
    for _ in range(2):  # from the Mach number of the density of rest towards the true one, always from below
        z = slow + bend * np.log1p(a * np.exp(2.0 * z))
    at = _balance(gaps, _find_root(gaps, z, slow - 60.0, top, gas), gas)
    # How the root moves with the gap: f L/Dh falls with it, directly and through the Reynolds number.
    stiffness = at.payable_slope - at.friction * at.friction_slope * at.flux_slope
    moved = -at.friction * (1.0 - at.friction_slope) / stiffness
    return GapFlow(np.exp(at.log_flux), at.flux_slope * moved, at.friction, at.exit_mach, at.choked)


def _top_log_mach(gaps: _Gaps, gas: Gas) -> Floats:
    """Upper end of the bracket: Mach 1, or the Mach number of a loss-free entry down to the back pressure."""
    subsonic = gaps.back > critical_ratio(gas)
    # Through the drop, so that nearly equal pressures keep their digits.
    ln_back = np.log1p(-np.where(subsonic, gaps.drop, 0.5))
    square = np.expm1(-ln_back * (gas.gamma - 1.0) / gas.gamma) * 2.0 / (gas.gamma - 1.0)
    return np.where(subsonic, 0.5 * np.log(square), 0.0)


def _balance(gaps: _Gaps, z: Floats, gas: Gas) -> _Balance:
    a = (gas.gamma - 1.0) / 2.0
    kx = gas.gamma / (gas.gamma - 1.0)
    x = np.exp(2.0 * z)
    slow = np.log1p(a * x)
    log_flux = gaps.log_flux_unit + z - (kx - 0.5) * slow
    ln_f, f_slope = log_friction(gaps.log_re_unit + log_flux, gaps.roughness)

    loss = np.expm1(-kx * slow)  # p1/p0 - 1
    p1 = 1.0 + loss
    sonic = sonic_pressure_ratio(x, gas)
    choked = gaps.back < sonic * p1
    q = np.where(choked, sonic, gaps.back / p1)
    rest = (1.0 + q) * np.where(choked, 1.0 - sonic, (gaps.drop + loss) / p1)  # 1 - q^2
    payable = friction_number(x, q, rest, gas)

    flux_slope = (1.0 - x) / (1.0 + a * x)
    x1 = x * (1.0 + a * x)
    x2 = x1 / (q * q)
    s2 = np.sqrt(1.0 + 4.0 * a * x2)
    exit_square = np.where(choked, 1.0, 2.0 * x2 / (1.0 + s2))
    payable_slope = 2.0 / gas.gamma * ((1.0 - exit_square) / (exit_square * s2) * flux_slope - (1.0 - x) / x1)
    friction = np.exp(ln_f + gaps.log_length)
    return _Balance(log_flux, payable, payable_slope, friction, f_slope, flux_slope, np.sqrt(exit_square), choked)


def _find_root(gaps: _Gaps, z: Floats, low: Floats, high: Floats, gas: Gas) -> Floats:
    """Newton on ln(payable) - ln(asked), bisection where it leaves the bracket; settled elements are frozen.

    A settled element must not be iterated on: on round-off noise it would jump.
    """
    root = z.copy()
    rows = np.arange(z.shape[0])
    for _ in range(MAX_STEPS):
        at = _balance(gaps, z, gas)
        asked = gaps.entrance + at.friction + FRICTIONLESS
        possible = at.payable > 0.0
        payable = np.where(possible, at.payable, 1.0)
        residual = np.log(payable / asked)
        short = possible & (residual > 0.0)  # pays for more than is asked: the flow is faster
        low, high = np.where(short, z, low), np.where(short, high, z)
        newton = z - residual / (at.payable_slope / payable - at.friction * at.friction_slope * at.flux_slope / asked)
        inside = possible & (newton >= low) & (newton <= high)
        settled = (inside & (np.abs(newton - z) < NEWTON_DONE)) | (high - low < BRACKET_CLOSED)
        z = np.where(inside, newton, 0.5 * (low + high))
        root[rows[settled]] = z[settled]
        keep = ~settled
        if not keep.any():
            return root
        gaps, z, low, high, rows = gaps.take(keep), z[keep], low[keep], high[keep], rows[keep]
    root[rows] = z
    return root
