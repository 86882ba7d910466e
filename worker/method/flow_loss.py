"""Performance lost to leakage by the flow of air, many tools at once (leakage method, section 3.2).

The compressor delivers a fixed amount of free air up to its set pressure. What leaks past worn fits is
missing at the ports, the pressure falls until hammer and leaks together take what is delivered, and the rate
falls with the pressure. One `FlowModel` belongs to one catalogue revision; sizes come in mm.

An estimate from clearances, not a test: air starvation only, 30 % of the loss at best.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields
from typing import TypeVar

import numpy as np
from numpy.typing import ArrayLike, NDArray

from service.catalogue import Air, Fit
from worker.method.air import FREE_AIR_PER_KG_S, Floats, viscosity
from worker.method.annular_gap import Flags
from worker.method.leak_table import M_PER_MM, PA_PER_BAR, FitPath, pressure_weights, table_of
from worker.method.leakage import NONE, regime_of
from worker.method.pressure_fall import fall_by_secants, fall_on_nodes
from worker.method.three_points import mean_and_variance, outer_points

TOOLS_AT_ONCE = 128  # rows of a block stay in the processor's cache
NEAR = 0.78  # of the set pressure; few hammers fall below, so that the table's lower half is seldom looked at

BALANCED = 0.5  # of the gains and losses of single fits, left after they are set off against each other

NOW, NEW, LOWER, UPPER = range(4)


@dataclass(frozen=True, slots=True)
class FitLeaks:
    """Leak of each fit at the supply pressure, duty included; arrays of shape (n, F).

    Attributes
    ----------
    mass_flow : ndarray
        [kg/s].
    free_air, free_air_u : ndarray
        Free air and its standard uncertainty from that of the clearance, [m3/min].
    share_of_delivery : ndarray
        ``free_air`` over what the compressor delivers.
    regime : ndarray of int8
        Position in `worker.method.leakage.REGIMES`.
    choked : ndarray of bool
    """

    mass_flow: Floats
    free_air: Floats
    free_air_u: Floats
    share_of_delivery: Floats
    regime: NDArray[np.int8]
    choked: Flags


@dataclass(frozen=True, slots=True)
class FlowLoss:
    """Loss by flow, arrays of shape (n,) but for ``by_fit``.

    Attributes
    ----------
    loss, loss_u : ndarray
        Fraction of the penetration rate lost, 0 to 1, and its standard uncertainty.
    by_fit : ndarray, shape (n, F)
        The loss shared out to the fits.
    driven_new : ndarray of bool
        Whether new fits bring the pressure above the back pressure; without that every loss is whole.
    pressure_bar, new_pressure_bar : ndarray
        Pressure at the hammer as found, and with new fits on the same compressor, [bar] absolute.
    leak_share : ndarray
        Leak over all air taken, at the fallen pressure; NaN where there is none above the back pressure.
    capped : ndarray of bool
        Whether the compressor still holds its set pressure.
    """

    loss: Floats
    loss_u: Floats
    by_fit: Floats
    driven_new: Flags
    pressure_bar: Floats
    new_pressure_bar: Floats
    leak_share: Floats
    capped: Flags


Columns = TypeVar("Columns", FitLeaks, FlowLoss)


def _joined(blocks: Sequence[Columns]) -> Columns:
    names = [field.name for field in fields(blocks[0])]
    return type(blocks[0])(*(np.concatenate([getattr(block, name) for block in blocks]) for name in names))


class FlowModel:
    """Hammer, compressor and leaking fits of one catalogue revision.

    Parameters
    ----------
    air : Air
        Of the catalogue; without a compressor, delivery is what a new hammer takes at the supply pressure.
    fits : sequence of Fit
        The fits that have leak figures, in the order of the columns of every array, F of them.

    Raises
    ------
    ValueError
        If a fit has no leak figures.
    """

    def __init__(self, air: Air, fits: Sequence[Fit]) -> None:
        self.air = air
        self.supply = air.supply_bar * PA_PER_BAR
        self.back = air.back_pressure_bar * PA_PER_BAR
        self.set_pressure = self.supply if air.compressor is None else air.compressor.set_bar * PA_PER_BAR
        self.new_clearance = np.array([fit.new.middle for fit in fits])
        self.paths = [self._path(fit) for fit in fits]
        self.tables = [table_of(path, self.set_pressure, self.supply) for path in self.paths]
        nodes = self.tables[0].ln_pressures
        lowest = np.log(min(NEAR * self.set_pressure, self.supply))
        self.near = max(int(np.searchsorted(nodes, lowest)) - 3, 0)

    def _path(self, fit: Fit) -> FitPath:
        if fit.leak is None:
            raise ValueError(f"fit {fit.code} has no leak figures")
        return FitPath.of(fit.leak, self.air)

    def assess(
        self,
        diameter: ArrayLike,
        clearance: ArrayLike,
        clearance_u: ArrayLike,
        consumption: ArrayLike | None = None,
    ) -> tuple[FitLeaks, FlowLoss]:
        """Leak of every fit and loss of every tool.

        Parameters
        ----------
        diameter, clearance, clearance_u : array_like, shape (n, F)
            Mean diameter of each fit, its diametral clearance for leakage, and the standard uncertainty of
            the mean clearance, [mm]. NaN where unknown: that fit's leak and that tool's loss are then NaN.
        consumption : array_like, shape (n,), optional
            Free air a hammer takes at the supply pressure, [m3/min]; the catalogue's where not given.

        Returns
        -------
        leaks : FitLeaks
            Shape (n, F).
        loss : FlowLoss
            Shape (n,).

        Notes
        -----
        The uncertainty is the three-point rule fit by fit, fits independent: that of the clearances alone.
        ``by_fit`` is the loss regained by renewing one fit, scaled so that it sums to the loss. Where the pressure
        stays at the back pressure the loss is 1, and where no single fit regains anything, the excess of their leaks
        over those of new fits shares it out.

        A clearance below 0 counts as 0.
        """
        d = np.asarray(diameter, dtype=np.float64) * M_PER_MM
        c = np.asarray(clearance, dtype=np.float64)
        u = np.asarray(clearance_u, dtype=np.float64)
        taken = self.consumption_of(d.shape[0], consumption)
        c = np.maximum(c, 0.0)
        starts = range(0, max(d.shape[0], 1), TOOLS_AT_ONCE)
        blocks = [self._assess_block(*(a[i : i + TOOLS_AT_ONCE] for a in (d, c, u, taken))) for i in starts]
        leaks, losses = zip(*blocks, strict=True)
        return _joined(leaks), _joined(losses)

    def consumption_of(self, n: int, consumption: ArrayLike | None) -> Floats:
        """Free air each of n hammers takes at the supply pressure, [m3/min]."""
        taken = np.full(n, self.air.consumption_m3_min)
        if consumption is not None:
            taken[:] = consumption
        return taken

    def pressure_at_loss(self, d: Floats, taken: Floats, loss: float) -> tuple[Floats, Floats, Floats]:
        """Pressure at which tools of diameters d [m] have a given loss, and what it is compared with.

        Returns
        -------
        pressure, new_pressure : ndarray, shape (n,)
            At that loss, and with new fits, [Pa]; NaN where new fits do not reach the back pressure.
        delivery : ndarray, shape (n,)
            Free air delivered, [m3/min].
        """
        rows = self._new_rows(d, 0)
        delivery = self._delivery(self._at_supply(rows, 0), taken)
        balance = rows.sum(axis=1) + self.hammer_air(taken[:, None], self.tables[0].pressures) - delivery[:, None]
        new = np.broadcast_to(self.new_clearance, d.shape) * M_PER_MM
        fallen = self._fall(balance[:, None], d, np.stack((new, new)), taken, delivery)[:, 0]
        fallen = np.where(fallen > self.back, fallen, np.nan)
        return (
            self.back + (fallen - self.back) * (1.0 - loss) ** (1.0 / self.air.rate_exponent),
            fallen,
            delivery,
        )

    def _assess_block(self, d: Floats, c: Floats, u: Floats, taken: Floats) -> tuple[FitLeaks, FlowLoss]:
        lower, upper = outer_points(c, u)
        clearances = np.stack((c, np.broadcast_to(self.new_clearance, c.shape), lower, upper)) * M_PER_MM
        rows = self._rows(d, clearances, self.near)
        at_supply = self._at_supply(rows, self.near)
        delivery = self._delivery(at_supply[NEW], taken)
        fallen = self._fall_of_scenarios(rows, d, clearances, taken, delivery)
        return self._leaks(d, clearances[NOW], at_supply, delivery), self._loss(fallen, rows, taken, delivery)

    def _rows(self, d: Floats, clearances: Floats, first: int) -> Floats:
        """Leak as free air at pressure nodes from one on: variants (V, n, F) in [m] to (V, n, F, P) in [m3/min]."""
        size = d[:, :, None] * FREE_AIR_PER_KG_S
        rows = np.empty((*clearances.shape, len(self.tables[0].pressures) - first))
        rows[NEW] = self._new_rows(d, first)
        variants = [v for v in range(len(clearances)) if v != NEW]
        for f, table in enumerate(self.tables):
            each = table.rows(clearances[variants, :, f].ravel(), first)
            rows[variants, :, f] = each.reshape(len(variants), len(d), -1) * size[:, f]
        return rows

    def _new_rows(self, d: Floats, first: int) -> Floats:
        """The same of new fits, whose clearance is the same for every tool: (n, F, P)."""
        rows = [
            table.rows(new[None], first) for table, new in zip(self.tables, self.new_clearance * M_PER_MM, strict=True)
        ]
        return np.asarray(np.concatenate(rows) * (d[:, :, None] * FREE_AIR_PER_KG_S))

    def _at_supply(self, rows: Floats, lowest: int) -> Floats:
        first, weights = pressure_weights(np.log([self.supply]), self.tables[0].ln_pressures[lowest:])
        return np.asarray(rows[..., first[0] : first[0] + 4] @ weights[0])

    def _delivery(self, new_leak: Floats, taken: Floats) -> Floats:
        if self.air.compressor is None:
            return np.asarray(taken + new_leak.sum(axis=1))
        return np.full(taken.shape, self.air.compressor.delivery_m3_min)

    def hammer_air(self, taken: Floats, pressure: Floats) -> Floats:
        """Free air the hammer itself takes at a pressure [Pa], [m3/min]."""
        return np.asarray(taken * (pressure / self.supply) ** self.air.consumption_exponent)

    def _fall_of_scenarios(
        self, rows: Floats, d: Floats, clearances: Floats, taken: Floats, delivery: Floats
    ) -> Floats:
        """Pressure of every scenario, (n, S) in [Pa]: by the upper nodes, of tools that fall far by all of them."""
        table, near = self.tables[0], self.near
        balance = self._balance_of_scenarios(rows, taken, delivery, near)
        fallen = fall_on_nodes(balance, table.pressures[near:], table.set_node - near)
        known = ~np.isnan(balance[..., 0])
        far = np.flatnonzero((known & ~(fallen > table.pressures[near + 1])).any(axis=1))
        if far.size:
            every = self._rows(d[far], clearances[:, far], 0)
            balance = self._balance_of_scenarios(every, taken[far], delivery[far], 0)
            fallen[far] = self._fall(balance, d[far], clearances[:, far], taken[far], delivery[far])
        return fallen

    def _balance_of_scenarios(self, rows: Floats, taken: Floats, delivery: Floats, first: int) -> Floats:
        """Air taken less air delivered, (n, S, P): as found, all new, then each fit new, lower, upper."""
        now = rows[NOW].sum(axis=1, keepdims=True)
        leaks = [now, rows[NEW].sum(axis=1, keepdims=True)]
        leaks += [now - rows[NOW] + rows[variant] for variant in (NEW, LOWER, UPPER)]
        hammer = self.hammer_air(taken[:, None], self.tables[0].pressures[first:])
        return np.concatenate(leaks, axis=1) + (hammer - delivery[:, None])[:, None, :]

    def _fall(self, balance: Floats, d: Floats, clearances: Floats, taken: Floats, delivery: Floats) -> Floats:
        """Pressure of every scenario, (n, S) in [Pa]; below the table's end by the full solution."""
        table = self.tables[0]
        fallen = fall_on_nodes(balance, table.pressures, table.set_node)
        tool, scenario = np.nonzero(np.isnan(fallen) & ~np.isnan(balance[..., 0]))
        if tool.size:
            found = _clearances_of(scenario, clearances[:, tool])
            fallen[tool, scenario] = fall_by_secants(
                lambda p: (
                    self.leak_at(d[tool], found, p)[0].sum(axis=1) + self.hammer_air(taken[tool], p) - delivery[tool]
                ),
                np.full(tool.shape, self.back),
                np.full(tool.shape, table.pressures[0]),
            )
        return fallen

    def leak_at(self, diameter: Floats, clearance: Floats, pressure: Floats) -> tuple[Floats, Floats]:
        """Leak of each fit at one pressure for each tool, and its slope by the clearance.

        Parameters
        ----------
        diameter, clearance : ndarray, shape (n, F)
            [m].
        pressure : ndarray, shape (n,)
            Supply pressure of the hammer, [Pa].

        Returns
        -------
        leak, slope : ndarray, shape (n, F)
            Free air, [m3/min] and [m3/min per m].
        """
        columns = [table.at(clearance[:, f], pressure) for f, table in enumerate(self.tables)]
        leak, slope = np.stack(columns, axis=-1) * diameter * FREE_AIR_PER_KG_S
        return leak, slope

    def loss_at(self, pressure: Floats, new_pressure: Floats) -> Floats:
        """Fraction of the rate lost at a pressure against that of a new hammer, both [Pa]; 1 at the back pressure."""
        above, reach = np.maximum(pressure - self.back, 0.0), new_pressure - self.back
        # a hammer that new fits do not drive, and tighter ones do, has lost nothing
        kept = np.where(reach > 0.0, above / np.where(reach > 0.0, reach, 1.0), np.sign(above))
        return np.asarray(np.clip(1.0 - kept**self.air.rate_exponent, 0.0, 1.0)) + 0.0 * reach

    def _loss(self, fallen: Floats, rows: Floats, taken: Floats, delivery: Floats) -> FlowLoss:
        fits = len(self.tables)
        new = fallen[:, 1]
        loss = self.loss_at(fallen, new[:, None])
        now, renewed, lower, upper = (
            loss[:, :1],
            *(loss[:, 2 + v * fits : 2 + (v + 1) * fits] for v in range(3)),
        )
        _, variance = mean_and_variance(now, lower, upper)
        capped = fallen[:, 0] >= self.set_pressure
        hammer = self.hammer_air(taken, fallen[:, 0])
        at_set = rows[NOW, :, :, self.tables[0].set_node - self.near].sum(axis=1)
        leak = np.where(capped, at_set, np.where(fallen[:, 0] > self.back, delivery - hammer, np.nan))
        wasted = rows[NOW, :, :, -1]
        return FlowLoss(
            loss[:, 0],
            np.sqrt(variance.sum(axis=1)),
            _shared_out(loss[:, 0], now - renewed, wasted, wasted - rows[NEW, :, :, -1]),
            new > self.back,
            fallen[:, 0] / PA_PER_BAR,
            new / PA_PER_BAR,
            leak / (hammer + leak),
            capped,
        )

    def _leaks(self, d: Floats, clearance: Floats, free_air: Floats, delivery: Floats) -> FitLeaks:
        _, variance = mean_and_variance(free_air[NOW], free_air[LOWER], free_air[UPPER])
        mass_flow = free_air[NOW] / FREE_AIR_PER_KG_S
        duty = np.array([path.duty for path in self.paths])
        temperature = np.array([path.temperature for path in self.paths])
        full_flow = mass_flow / np.where(duty > 0.0, duty, 1.0)
        reynolds = 2.0 * full_flow / (np.pi * d * viscosity(temperature))
        friction = np.where(clearance >= [table.nozzle_from for table in self.tables], 0.0, np.inf)
        return FitLeaks(
            mass_flow,
            free_air[NOW],
            np.sqrt(variance),
            free_air[NOW] / delivery[:, None],
            np.where(mass_flow > 0.0, regime_of(reynolds, friction), NONE).astype(np.int8),
            (mass_flow > 0.0) & (clearance >= [table.choked_from for table in self.tables]),
        )


def _clearances_of(scenario: NDArray[np.intp], clearances: Floats) -> Floats:
    """Clearances (k, F) of k scenarios numbered as the balance has them, from variants of shape (V, k, F)."""
    fits = clearances.shape[-1]
    variant, fit = np.divmod(scenario - 2, fits)
    found: Floats = np.where((scenario == 1)[:, None], clearances[NEW], clearances[NOW])
    single = np.flatnonzero(scenario >= 2)
    found[single, fit[single]] = clearances[variant[single] + NEW, single, fit[single]]
    return found


def _shared_out(loss: Floats, regained: Floats, leak: Floats, excess: Floats) -> Floats:
    """The loss by fits: as each regains, else as leaks have grown, else as they are, else alike."""
    total = regained.sum(axis=1)
    one_way = np.abs(regained).sum(axis=1)
    even = np.ones_like(leak)
    weights = even
    for kind in (leak, np.maximum(excess, 0.0), np.maximum(regained, 0.0)):
        weights = np.where(kind.sum(axis=1, keepdims=True) > 0.0, kind, weights)
    # gains of tighter fits count against the rest, unless next to nothing is left to scale by
    weights = np.where((total > BALANCED * one_way)[:, None], regained, weights)
    return np.asarray(loss[:, None] * weights / weights.sum(axis=1, keepdims=True))
