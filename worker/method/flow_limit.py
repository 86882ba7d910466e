"""The flow loss as a straight line near the loss at which a hammer is serviced (forecast method, section 12).

Remaining life is computed for limits that are linear in wear. The loss by flow is not, so it is replaced by
its tangent where the expected wear path meets the service loss: exact there, and close where it decides.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from worker.method.air import FREE_AIR_PER_KG_S, Floats
from worker.method.flow_loss import FlowModel
from worker.method.leak_table import LARGEST, M_PER_MM

# A fit that is not expected to wear is taken to wear this much slower than the fastest, so that the path can
# always be followed forward to any loss and back to none.
SLOWEST = 1e-3
LONG_PASSED = 10.0  # [mm]
STEPS = 60
STRAIGHT = 2.0 / 3.0
SETTLED = 1e-5  # of the path's parameter; one more step follows
PRESSURE_NUDGE = 5e-3


@dataclass(frozen=True, slots=True)
class FlowLimit:
    """Tangent of the flow loss, for n tools and F fits.

    The loss reaches the service loss where ``sum(coefficient * (clearance - at)) = 0`` over the fits.

    Attributes
    ----------
    coefficient : ndarray, shape (n, F)
        d loss / d clearance, [1/mm].
    at : ndarray, shape (n, F)
        Clearances where the expected path meets the service loss, [mm].
    ahead : ndarray, shape (n,)
        How far along the path that is, in the usage unit of the rates; negative where already passed.
    """

    coefficient: Floats
    at: Floats
    ahead: Floats

    def level(self, start: ArrayLike) -> Floats:
        """Limit of ``sum(coefficient * growth)`` for clearances that grew from `start`, [mm]."""
        return np.asarray(np.sum(self.coefficient * (self.at - np.asarray(start)), axis=1))


def linearise_loss(
    model: FlowModel,
    diameter: ArrayLike,
    clearance: ArrayLike,
    rate: ArrayLike,
    service_loss: float,
    consumption: ArrayLike | None = None,
) -> FlowLimit:
    """Tangent of the flow loss where the expected clearances reach the service loss.

    Parameters
    ----------
    model : FlowModel
        Of the catalogue revision, F fits.
    diameter, clearance : array_like, shape (n, F)
        Mean diameters and the clearances expected now, [mm].
    rate : array_like, shape (n, F)
        Expected growth of each clearance per unit of usage, [mm].
    service_loss : float
        Loss at which the hammer is serviced, above 0 and below 1.
    consumption : array_like, shape (n,), optional
        Free air a hammer takes at the supply pressure, [m3/min]; the catalogue's where not given.

    Returns
    -------
    FlowLimit
        NaN for a tool with a NaN among its figures. One that not even new fits bring above the back pressure has
        passed the limit long ago: by `LONG_PASSED` of every clearance.

    Notes
    -----
    A fixed loss is a fixed pressure, so the meeting point is where the leaks at that pressure take what the
    hammer then leaves: one equation along the path, no pressure to be solved for. Where no fit is expected to
    wear, all are taken to wear alike.
    """
    d = np.asarray(diameter, dtype=np.float64) * M_PER_MM
    c = np.maximum(np.asarray(clearance, dtype=np.float64), 0.0) * M_PER_MM
    r = _passable(np.asarray(rate, dtype=np.float64) * M_PER_MM)
    taken = model.consumption_of(d.shape[0], consumption)
    pressure, new_pressure, delivery = model.pressure_at_loss(d, taken, service_loss)
    limit = FlowLimit(*(np.full(shape, np.nan) for shape in (c.shape, c.shape, taken.shape)))
    sound = np.isfinite(d + c + r).all(axis=1)
    undriven = np.flatnonzero(sound & ~np.isfinite(pressure))
    limit.coefficient[undriven], limit.ahead[undriven] = 1.0, -np.inf
    limit.at[undriven] = c[undriven] / M_PER_MM - LONG_PASSED
    known = np.flatnonzero(sound & np.isfinite(pressure))
    if not known.size:
        return limit
    d, c, r, taken, pressure, new_pressure = (a[known] for a in (d, c, r, taken, pressure, new_pressure))
    spare = delivery[known] - model.hammer_air(taken, pressure)
    ahead = _meeting(model, d, c, r, pressure, spare)
    ahead, slope = _touching(model, d, c, r, pressure, spare, ahead)
    at = np.maximum(c + r * ahead[:, None], 0.0)
    per_leak = _loss_per_leak(model, d, at, taken, pressure, new_pressure)
    limit.coefficient[known] = slope * per_leak[:, None] * M_PER_MM
    limit.at[known], limit.ahead[known] = at / M_PER_MM, ahead
    return limit


def _passable(rate: Floats) -> Floats:
    forward = np.maximum(rate, 0.0)
    fastest = np.max(forward, axis=1, keepdims=True)
    return np.asarray(np.where(fastest > 0.0, np.maximum(forward, SLOWEST * fastest), M_PER_MM))


def _meeting(model: FlowModel, d: Floats, c: Floats, r: Floats, pressure: Floats, spare: Floats) -> Floats:
    """Newton along the path on the tables, bisected where it leaves the bracket.

    On the power of the leak that is straight in turbulent flow, where most fits meet the limit.
    """
    low, high = np.min(-c / r, axis=1), np.max((LARGEST - c) / r, axis=1)
    t: Floats = np.zeros(c.shape[0])
    moving = np.arange(t.size)
    for _ in range(STEPS):
        at = t[moving]
        found = np.clip(c[moving] + r[moving] * at[:, None], 0.0, LARGEST)
        leaks, slopes = model.leak_at(d[moving], found, pressure[moving])
        leak, wanted = leaks.sum(axis=1), spare[moving]
        short = leak < wanted
        low[moving] = np.where(short, at, low[moving])
        high[moving] = np.where(short, high[moving], at)
        steepness = STRAIGHT * np.sum(slopes * r[moving], axis=1)
        missing = leak * ((wanted / np.where(leak > 0.0, leak, np.inf)) ** STRAIGHT - 1.0)
        newton = at + np.divide(missing, steepness, out=np.full_like(at, np.nan), where=steepness > 0.0)
        inside = (newton > low[moving]) & (newton < high[moving])
        t[moving] = np.where(inside, newton, 0.5 * (low[moving] + high[moving]))
        going = np.abs(t[moving] - at) > SETTLED * np.abs(at)  # False for NaN
        moving = moving[going]
        if not moving.size:
            break
    return t


def _touching(
    model: FlowModel, d: Floats, c: Floats, r: Floats, pressure: Floats, spare: Floats, t: Floats
) -> tuple[Floats, Floats]:
    """One more Newton step, and the slopes [m3/min per m], shape (n, F).

    Of concentric fits by the full solution. The table's slopes of eccentric ones are within 1.2e-4, because the sharp
    turn at the end of laminar flow comes to each part of the gap at another clearance; theirs would cost nine times
    as much.
    """
    at = np.maximum(c + r * t[:, None], 0.0)
    leak, slope = model.leak_at(d, at, pressure)
    for f, path in enumerate(model.paths):
        if path.eccentricity > 0.0:
            continue
        flow = path.full_solution(d[:, f], at[:, f], pressure)
        leak[:, f] = np.abs(flow.mass_flow) * path.duty * FREE_AIR_PER_KG_S
        slope[:, f] = np.abs(flow.slope) * path.duty * FREE_AIR_PER_KG_S
    steepness = np.sum(slope * r, axis=1)
    excess = leak.sum(axis=1) - spare
    return t - np.divide(excess, steepness, out=np.zeros_like(t), where=steepness > 0.0), slope


def _loss_per_leak(
    model: FlowModel, d: Floats, at: Floats, taken: Floats, pressure: Floats, new_pressure: Floats
) -> Floats:
    """Loss per leak at a given pressure, [min/m3]: a leak lowers the pressure until the balance is met."""
    above, below = pressure * (1.0 + PRESSURE_NUDGE), pressure * (1.0 - PRESSURE_NUDGE)
    used = [model.leak_at(d, at, p)[0].sum(axis=1) + model.hammer_air(taken, p) for p in (above, below)]
    per_pressure = (used[0] - used[1]) / (above - below)
    reach = new_pressure - model.back
    kept = (pressure - model.back) / reach
    exponent = model.air.rate_exponent
    return np.asarray(exponent * kept ** (exponent - 1.0) / reach / per_pressure)
