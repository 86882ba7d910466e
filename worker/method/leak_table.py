"""Leak of one fit tabulated over clearance and supply pressure, for batches (leakage method, section 3.2).

A hammer's fit always sees the same land, temperature and fractions of the supply pressure, so its leak per
diameter is a function of two numbers. The table holds the full solution and its slope at nodes even in the
logarithms of both; between clearances it is a cubic through values and slopes, between pressures a cubic
through four values. Largest error against the full solution 1e-5 relative, for any path (tested); the nodes
lie close together because the friction factor turns sharply where laminar flow ends.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property, lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from service.catalogue import Air, LeakPath
from worker.method.air import ZERO_CELSIUS, Floats
from worker.method.annular_gap import Flags
from worker.method.leakage import NOZZLE, LeakFlow, leak_flow

PA_PER_BAR = 1e5
M_PER_MM = 1e-3
CLEARANCE_STEP = 0.011  # in ln c
PRESSURE_STEP = 0.0085  # in ln p
SMALLEST, LARGEST = 3e-7, 2e-2  # [m]; below, the flow is laminar and goes with the cube; above, no fit
DEEPEST = 0.45  # of the lower of supply and set pressure: a loss of more than half lies below
UNIT_DIAMETER = 1.0  # [m]; a leak is in proportion to the diameter
ROWS_AT_ONCE = 64
NARROWINGS, NARROWING_POINTS = 8, 33  # of a threshold: 11 decades in a dozen digits


@dataclass(frozen=True, slots=True)
class FitPath:
    """What of a fit's leak does not change from tool to tool.

    Attributes
    ----------
    land_length : float
        [m].
    upstream_fraction, downstream_fraction : float
        Pressures on the two sides over the supply pressure.
    duty : float
        Time share of the full flow, both directions counted.
    eccentricity : float
        0 to 1.
    temperature : float
        [K].
    """

    land_length: float
    upstream_fraction: float
    downstream_fraction: float
    duty: float
    eccentricity: float
    temperature: float

    @classmethod
    def of(cls, leak: LeakPath, air: Air) -> FitPath:
        """Take a fit's figures from the catalogue."""
        return cls(
            leak.land_length * M_PER_MM,
            leak.upstream_fraction,
            leak.downstream_fraction,
            leak.duty,
            leak.eccentricity,
            air.temperature_c + ZERO_CELSIUS,
        )

    def full_solution(self, diameter: ArrayLike, clearance: ArrayLike, supply: ArrayLike) -> LeakFlow:
        """Leak at full flow, without the duty: diameter and clearance [m], supply pressure [Pa]."""
        return leak_flow(
            diameter,
            clearance,
            self.land_length,
            self.upstream_fraction * np.asarray(supply),
            self.downstream_fraction * np.asarray(supply),
            self.temperature,
            self.eccentricity,
        )


class LeakTable:
    """Leak of one fit in kg/s per metre of diameter, duty included, in either direction.

    Rows are computed when first needed.

    Parameters
    ----------
    path : FitPath
        The fit.
    set_pressure, supply : float
        Pressures that must lie on the table, [Pa].

    Attributes
    ----------
    pressures : ndarray, shape (P,)
        Pressure nodes, ascending, [Pa].
    set_node : int
        Position of the set pressure among them.
    """

    def __init__(self, path: FitPath, set_pressure: float, supply: float) -> None:
        lowest = DEEPEST * min(set_pressure, supply)
        below = int(np.ceil(np.log(set_pressure / lowest) / PRESSURE_STEP)) + 1
        above = int(np.ceil(max(np.log(supply / set_pressure), 0.0) / PRESSURE_STEP))
        self.path = path
        self.supply = supply
        self._share = path.duty if path.upstream_fraction != path.downstream_fraction else 0.0
        self.ln_pressures = np.log(set_pressure) + PRESSURE_STEP * np.arange(-below, above + 1)
        self.pressures = np.exp(self.ln_pressures)
        self.pressures[below] = set_pressure
        self.set_node = below
        nodes = int(np.ceil(np.log(LARGEST / SMALLEST) / CLEARANCE_STEP)) + 2
        self._ln_leak = np.empty((nodes, self.pressures.size))
        self._slope = np.empty_like(self._ln_leak)
        self._filled = np.zeros(nodes, dtype=bool)

    def rows(self, clearance: Floats, first: int = 0) -> Floats:
        """Leak at every pressure node from one on.

        Parameters
        ----------
        clearance : ndarray, shape (n,)
            Diametral, [m]; NaN gives a row of NaN. At most 20 mm count.
        first : int
            The lowest node.

        Returns
        -------
        ndarray, shape (n, P - first)
            [kg/(s m)].
        """
        node, t, scale = self._place(clearance)
        weights = _hermite(t)
        self._fill(node)
        y, s = self._ln_leak[:, first:], self._slope[:, first:]
        w = weights[:, :, None]
        ln_leak = w[0] * y[node] + w[1] * y[node + 1] + w[2] * s[node] + w[3] * s[node + 1]
        return np.asarray(np.exp(ln_leak) * scale[:, None])

    def at(self, clearance: Floats, pressure: Floats) -> tuple[Floats, Floats]:
        """Leak at one pressure for each clearance, and its slope; the full solution outside the table.

        Parameters
        ----------
        clearance, pressure : ndarray, shape (n,)
            [m] and [Pa].

        Returns
        -------
        leak : ndarray, shape (n,)
            [kg/(s m)].
        slope : ndarray, shape (n,)
            d leak / d clearance, [kg/(s m2)]; within 0.5 % of the full solution.
        """
        outside = (pressure < self.pressures[0]) | (pressure > self.pressures[-1] * (1.0 + 1e-12))
        node, t, scale = self._place(clearance)
        weights = _hermite(t)
        self._fill(node)
        first, along = pressure_weights(np.log(np.where(outside, self.pressures[0], pressure)), self.ln_pressures)
        columns = first[:, None] + np.arange(4)
        nodes = np.stack(
            [table[at[:, None], columns] for table in (self._ln_leak, self._slope) for at in (node, node + 1)]
        )
        each = np.exp(np.einsum("wn,wnk->nk", weights, nodes)) * along
        bent = np.einsum("wn,wnk->nk", _bend(t) / CLEARANCE_STEP, nodes)
        leak = np.sum(each, axis=1) * scale
        # Below the table the leak goes with the cube of the clearance.
        power = np.where(clearance < SMALLEST, 3.0 * leak, np.sum(each * bent, axis=1) * scale)
        slope = np.divide(power, clearance, out=np.zeros_like(leak), where=clearance > 0.0)
        if outside.any():
            full = self.path.full_solution(UNIT_DIAMETER, clearance[outside], pressure[outside])
            leak[outside] = np.abs(full.mass_flow) * self._share
            slope[outside] = np.abs(full.slope) * self._share
        return leak, slope

    @cached_property
    def choked_from(self) -> float:
        """Smallest clearance at which the mean gap chokes at the supply pressure, [m]."""
        return self._threshold(lambda flow: flow.choked)

    @cached_property
    def nozzle_from(self) -> float:
        """Smallest clearance at which the entrance rules at the supply pressure, [m]."""
        return self._threshold(lambda flow: flow.regime == NOZZLE)

    def _threshold(self, passed: Callable[[LeakFlow], Flags]) -> float:
        low, high = SMALLEST, LARGEST
        for _ in range(NARROWINGS):
            grid = np.geomspace(low, high, NARROWING_POINTS)
            over = passed(self.path.full_solution(UNIT_DIAMETER, grid, self.supply))
            if not over.any():
                return np.inf
            at = int(np.argmax(over))
            low, high = float(grid[max(at - 1, 0)]), float(grid[at])
        return high

    def _place(self, clearance: Floats) -> tuple[NDArray[np.intp], Floats, Floats]:
        """Node below each clearance, the way from it to the next (0 to 1), and a factor for the whole row."""
        inside = np.clip(clearance, SMALLEST, LARGEST)
        steps = np.log(inside / SMALLEST) / CLEARANCE_STEP
        node = np.where(np.isnan(steps), 0.0, np.floor(steps)).astype(np.intp)
        return node, steps - node, self._share * (np.minimum(clearance, SMALLEST) / SMALLEST) ** 3

    def _fill(self, node: NDArray[np.intp]) -> None:
        wanted = np.zeros_like(self._filled)
        wanted[node] = wanted[node + 1] = True
        missing = np.flatnonzero(wanted & ~self._filled)
        for start in range(0, missing.size, ROWS_AT_ONCE):
            self._compute(missing[start : start + ROWS_AT_ONCE])

    def _compute(self, nodes: NDArray[np.intp]) -> None:
        clearance = SMALLEST * np.exp(CLEARANCE_STEP * nodes)[:, None]
        full = self.path.full_solution(UNIT_DIAMETER, clearance, self.pressures)
        flow = np.where(full.mass_flow == 0.0, 1.0, full.mass_flow)  # nothing flows: the share makes it 0
        self._ln_leak[nodes] = np.log(np.abs(flow))
        self._slope[nodes] = CLEARANCE_STEP * full.slope * clearance / flow
        self._filled[nodes] = True


def _hermite(t: Floats) -> Floats:
    """Weights of two values and two slopes for the cubic between two nodes, shape (4, n)."""
    u = 1.0 - t
    return np.stack((u * u * (1.0 + 2.0 * t), t * t * (1.0 + 2.0 * u), t * u * u, -t * t * u))


def _bend(t: Floats) -> Floats:
    """Derivative of `_hermite` by t."""
    return np.stack((-6.0 * t * (1.0 - t), 6.0 * t * (1.0 - t), (1.0 - t) * (1.0 - 3.0 * t), t * (3.0 * t - 2.0)))


def pressure_weights(ln_pressure: Floats, ln_nodes: Floats) -> tuple[NDArray[np.intp], Floats]:
    """First of the four nodes around each pressure, and the weights of their cubic, shape (n, 4)."""
    steps = (ln_pressure - ln_nodes[0]) / PRESSURE_STEP
    first = np.clip(np.floor(steps).astype(np.intp) - 1, 0, ln_nodes.size - 4)
    return first, cubic_weights(steps - first)


def cubic_weights(t: Floats) -> Floats:
    """Weights of the cubic through the values at 0, 1, 2, 3, taken at t; shape of t plus (4,)."""
    a, b, c = t - 1.0, t - 2.0, t - 3.0
    return np.stack((-a * b * c / 6.0, t * b * c / 2.0, -t * a * c / 2.0, t * a * b / 6.0), axis=-1)


@lru_cache(maxsize=256)
def table_of(path: FitPath, set_pressure: float, supply: float) -> LeakTable:
    """The table of a fit, made once per process for each set of figures."""
    return LeakTable(path, set_pressure, supply)
