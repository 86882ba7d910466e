"""Pressure to which a hammer falls on a compressor of fixed delivery (leakage method, section 3.2)."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from worker.method.air import Floats
from worker.method.leak_table import PRESSURE_STEP

NEWTON_STEPS = 4  # within one pressure step the balance is straight to 1e-4: three reach round-off
SECANTS = 60
SECANT_DONE = 1e-12


def fall_on_nodes(balance: Floats, pressures: Floats, set_node: int) -> Floats:
    """Pressure at which the air taken equals the air delivered, from the balance at pressure nodes.

    Parameters
    ----------
    balance : ndarray, shape (..., P)
        Air taken less air delivered, rising along the nodes, any one unit.
    pressures : ndarray, shape (P,)
        Pressures of the nodes, their logarithms `PRESSURE_STEP` apart.
    set_node : int
        Node of the compressor's set pressure, which is not passed.

    Returns
    -------
    ndarray, shape (...)
        Pressure in the unit of the nodes; NaN where the balance is NaN or positive at the lowest node.
    """
    met = np.count_nonzero(balance[..., : set_node + 1] <= 0.0, axis=-1)
    first = np.clip(met - 2, 0, pressures.size - 4)
    h0, h1, h2, h3 = (np.take_along_axis(balance, (first + i)[..., None], axis=-1)[..., 0] for i in range(4))
    # Newton's form of the cubic through the four nodes around the root.
    d1, d2, d3 = h1 - h0, (h2 - 2.0 * h1 + h0) / 2.0, (h3 - 3.0 * (h2 - h1) - h0) / 6.0
    low = (met - 1.0) - first
    t = low + 0.5
    for _ in range(NEWTON_STEPS):
        value = h0 + t * (d1 + (t - 1.0) * (d2 + (t - 2.0) * d3))
        slope = d1 + (2.0 * t - 1.0) * d2 + (t * (3.0 * t - 6.0) + 2.0) * d3
        step = np.divide(value, slope, out=np.zeros_like(t), where=slope != 0.0)
        t = np.clip(t - step, low, low + 1.0)
    fallen = pressures[0] * np.exp(PRESSURE_STEP * (first + t))
    fallen = np.where(met == set_node + 1, pressures[set_node], fallen)
    return np.where((met == 0) | np.isnan(balance[..., 0]), np.nan, fallen)


def fall_by_secants(balance: Callable[[Floats], Floats], lowest: Floats, highest: Floats) -> Floats:
    """Pressure at which a rising balance passes zero; ``lowest`` where it is positive there already. [Illinois]

    Parameters
    ----------
    balance : callable
        Air taken less air delivered at pressures of shape (n,); not negative at ``highest``.
    lowest, highest : ndarray, shape (n,)
        Bracket, [Pa].

    Returns
    -------
    ndarray, shape (n,)
        [Pa], to 1e-12.

    Notes
    -----
    The balance is nearly straight, so false position with the Illinois halving needs few steps. An element that
    has settled is not moved again.
    """
    low, high, at_low, at_high = lowest, highest, balance(lowest), balance(highest)
    found = np.where(at_low > 0.0, lowest, highest)
    settled = (at_low > 0.0) | (at_high <= 0.0)
    last_over = np.zeros(low.shape, dtype=np.int8)
    for _ in range(SECANTS):
        if settled.all():
            break
        guess = high - at_high * (high - low) / np.where(settled, 1.0, at_high - at_low)
        moved = np.abs(guess - found)
        found = np.where(settled, found, guess)
        at = balance(found)
        over = np.where(at > 0.0, 1, -1).astype(np.int8)
        again = np.where(over == last_over, 0.5, 1.0)  # the end that stays a second time counts half
        low, at_low = np.where(over > 0, low, found), np.where(over > 0, at_low * again, at)
        high, at_high = np.where(over > 0, found, high), np.where(over > 0, at, at_high * again)
        settled |= (moved <= SECANT_DONE * found) | (at == 0.0)
        last_over = over
    return found
