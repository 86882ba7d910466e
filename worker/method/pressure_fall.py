"""Pressure to which a hammer falls on a compressor of fixed delivery (leakage method, section 3.2)."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from worker.method.air import Floats
from worker.method.leak_table import PRESSURE_STEP

NEWTON_STEPS = 4  # within one pressure step the balance is straight to 1e-4: three reach round-off
BISECTIONS = 55  # of a bracket, to round-off


def fall_on_nodes(balance: Floats, ln_pressures: Floats, set_node: int) -> Floats:
    """Pressure at which the air taken equals the air delivered, from the balance at pressure nodes.

    Parameters
    ----------
    balance : ndarray, shape (..., P)
        Air taken less air delivered, rising along the nodes, any one unit.
    ln_pressures : ndarray, shape (P,)
        Logarithms of the pressures, `PRESSURE_STEP` apart.
    set_node : int
        Node of the compressor's set pressure, which is not passed.

    Returns
    -------
    ndarray, shape (...)
        Pressure in the unit of the nodes; NaN where the balance is NaN or positive at the lowest node.
    """
    met = np.count_nonzero(balance[..., : set_node + 1] <= 0.0, axis=-1)
    first = np.clip(met - 2, 0, ln_pressures.size - 4)
    h0, h1, h2, h3 = (np.take_along_axis(balance, (first + i)[..., None], axis=-1)[..., 0] for i in range(4))
    # Newton's form of the cubic through the four nodes around the root.
    d1, d2, d3 = h1 - h0, (h2 - 2.0 * h1 + h0) / 2.0, (h3 - 3.0 * (h2 - h1) - h0) / 6.0
    low = (met - 1.0) - first
    t = low + 0.5
    for _ in range(NEWTON_STEPS):
        value = h0 + t * (d1 + (t - 1.0) * (d2 + (t - 2.0) * d3))
        slope = d1 + (2.0 * t - 1.0) * d2 + (t * (3.0 * t - 6.0) + 2.0) * d3
        t = np.clip(t - value / slope, low, low + 1.0)
    fallen = np.exp(ln_pressures[0] + PRESSURE_STEP * (first + t))
    fallen = np.where(met == set_node + 1, np.exp(ln_pressures[set_node]), fallen)
    return np.where((met == 0) | np.isnan(balance[..., 0]), np.nan, fallen)


def fall_by_bisection(balance: Callable[[Floats], Floats], lowest: Floats, highest: Floats) -> Floats:
    """Pressure at which a rising balance passes zero; ``lowest`` where it is positive there already.

    Parameters
    ----------
    balance : callable
        Air taken less air delivered at pressures of shape (n,).
    lowest, highest : ndarray, shape (n,)
        Bracket, [Pa].

    Returns
    -------
    ndarray, shape (n,)
        [Pa].
    """
    low, high = lowest.copy(), highest.copy()
    for _ in range(BISECTIONS):
        middle = 0.5 * (low + high)
        over = balance(middle) > 0.0
        low, high = np.where(over, low, middle), np.where(over, middle, high)
    return np.where(balance(lowest) > 0.0, lowest, 0.5 * (low + high))
