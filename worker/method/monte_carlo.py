"""A second opinion on uncertainties: distributions propagated by drawing (JCGM 101; method page "sizes" S4.7).

Every influence of a budget is drawn from its own distribution, once for all that it enters, and sizes are computed by
(3.1) and (3.2) themselves, not by their first-order terms. Kept out of the hot path: seconds, not microseconds.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_array

from worker.method.budget import Bools, Floats, Ints
from worker.method.influences import Columns, Influence
from worker.method.readings import Bench
from worker.method.sizes import Sizes
from worker.method.terms import Situation, situate
from worker.method.thermal import REFERENCE_C

LEAST_DRAWS, MOST_DRAWS, DRAWS = 10_000, 2_000_000, 1_000_000
"""Draws that may be asked for, and those taken unless others are; JCGM 101 7.2 asks for a million."""
AT_ONCE, NUMBERS_AT_ONCE = 5_000, 4_000_000
"""Draws in a block, and the numbers that a block may hold: what bounds the memory of an inspection of any size."""
RESULTS_AT_ONCE = 24
"""Results drawn together; more of them are drawn with the same seed again."""
AGREES = 0.1
"""Ends of two intervals agree within so many standard uncertainties (S4.7)."""
SQRT3 = 3.0**0.5


@dataclass(frozen=True, slots=True)
class Drawn:
    """What the draws of one result say.

    Attributes
    ----------
    mean, standard_uncertainty : float
        Of the draws, [mm].
    low, high : float
        Ends of the 95 % interval, as likely below as above, [mm].
    beyond : float
        Share of the draws beyond the limit; NaN without one.
    """

    mean: float
    standard_uncertainty: float
    low: float
    high: float
    beyond: float


@dataclass(frozen=True, slots=True)
class Asked:
    """Results to be drawn: sums of locations, and what they are judged against; shape (r,) unless said.

    Attributes
    ----------
    weights : csr_array, shape (r, L)
        Weights of the locations in each result.
    limit : ndarray
        Discard limit, [mm]; NaN = none.
    grows : ndarray of bool
        True where large is worn.
    """

    weights: csr_array
    limit: Floats
    grows: Bools


def draw(bench: Bench, sizes: Sizes, asked: Asked, draws: int, seed: int) -> list[Drawn]:
    """Propagate the distributions of all influences to some results.

    Parameters
    ----------
    bench : Bench
        What the sizes were computed from.
    sizes : Sizes
    asked : Asked
        r results.
    draws : int
        From `LEAST_DRAWS` to `MOST_DRAWS`.
    seed : int
        The same seed gives the same draws.

    Returns
    -------
    list of Drawn
        r results; NaN where a term is not known.

    References
    ----------
    .. [1] JCGM 101:2008, clause 7.
    """
    model, found = _Model(bench, sizes), []
    for first in range(0, len(asked.limit), RESULTS_AT_ONCE):
        some = slice(first, first + RESULTS_AT_ONCE)
        weights = (asked.weights[some] @ sizes.locations.weights).toarray()
        centre = weights @ sizes.reduced.value
        away = np.empty((len(centre), draws), np.float32)
        at = 0
        used = np.flatnonzero(weights.any(axis=0))
        for size in _size_draws(model, used, draws, np.random.default_rng(seed)):
            block = slice(at, at + size.shape[1])
            away[:, block] = weights[:, used] @ (size - sizes.reduced.value[used, None])
            at = block.stop
        rows = zip(centre.tolist(), away, asked.limit[some].tolist(), asked.grows[some].tolist(), strict=True)
        found += [_sum_up(c, a, limit, grows) for c, a, limit, grows in rows]
    return found


def _sum_up(centre: float, away: np.ndarray, limit: float, grows: bool) -> Drawn:
    low, high = np.quantile(away, [0.025, 0.975])
    beyond = np.nan
    if np.isfinite(limit):
        way = limit - centre
        beyond = float(np.mean(away > way if grows else away < way))
    exact = away.astype(np.float64)
    return Drawn(centre + float(exact.mean()), float(exact.std()), centre + float(low), centre + float(high), beyond)


def ends_agree(drawn: Drawn, value: float, u: float, expanded: float) -> bool:
    """Whether the ends of both intervals agree within a tenth of u. [S4.7]"""
    room = AGREES * u
    return abs(drawn.low - (value - expanded)) <= room and abs(drawn.high - (value + expanded)) <= room


def _size_draws(model: _Model, rows: Ints, draws: int, random: np.random.Generator) -> Iterator[Floats]:
    """Sizes of some readings, block after block of shape (rows, draws)."""
    block = min(max(NUMBERS_AT_ONCE // (len(model.used) + len(rows)), 100), AT_ONCE)
    for at in range(0, draws, block):
        yield model.sizes(model.errors(min(block, draws - at), random), rows)


class _Model:
    """(3.1) and (3.2) of every reading as functions of the errors of all influences."""

    def __init__(self, bench: Bench, sizes: Sizes) -> None:
        self.columns: Columns = sizes.reduced.columns
        s = situate(bench, sizes.places)
        self.s: Situation = s
        r = s.readings
        self.has_part, self.has_reference = np.isfinite(r.part_c), np.isfinite(r.reference_c)
        expansions = [self._expansion_column(thing, of) for thing, of in self._expanding()]
        shared, shared_u = self._shared()
        # the second order is in the model itself, so that what cancels in the first order is drawn, too
        first_order = np.unique(sizes.reduced.forms.terms.indices)
        first_order = first_order[first_order < self.columns.offsets[Influence.SECOND_ORDER]]
        self.used: Ints = np.unique(np.concatenate([first_order, *expansions, shared])).astype(np.int64)
        self.u = self.columns.u[self.used].copy()
        self.u[np.isin(self.used, np.concatenate(expansions))] = s.parameters.expansion_half_width[0] / SQRT3
        self.u[self._place(shared)] = shared_u
        self.shape = [self.columns.distribution(int(column)) for column in self.used]
        start = sizes.places.group_start
        group = np.repeat(np.arange(len(start)), np.diff(np.append(start, len(r.value))))
        gauge = r.gauge
        certified = np.isfinite(s.gauges.calibration_u[gauge])
        self.read = self._column(Influence.READ, group)
        self.zero = self._column(Influence.ZERO, s.zero)
        self.operator = self._column(Influence.OPERATOR, s.operator)
        self.master = self._column(Influence.MASTER, np.where(r.master < 0, len(s.masters.size) - 1, r.master))
        kinds = len(bench.parameters.random[0])
        self.calibration = np.where(
            certified,
            self._column(Influence.CALIBRATION, np.where(gauge < 0, 0, gauge)),
            self._column(Influence.ASSUMED_CALIBRATION, s.row * kinds + s.gauges.kind[gauge]),
        )
        self.alpha_part, self.alpha_reference = (self._place(columns) for columns in expansions)
        self.t_part = self._local(s.part, self.has_part)
        self.t_reference = self._local(s.reference, self.has_reference)
        self.t_shared = self._place(shared)
        part = np.where(self.has_part, r.part_c, r.reference_c)
        reference = np.where(self.has_reference, r.reference_c, r.part_c)
        self.theta_part = np.nan_to_num(part - REFERENCE_C)
        self.theta_reference = np.nan_to_num(reference - REFERENCE_C)
        self.indication = r.value - s.gauges.bias[gauge]

    def _column(self, kind: Influence, number: Ints) -> Ints:
        return self._place(self.columns.offsets[kind] + number)

    def _place(self, column: Ints) -> Ints:
        """Place among the influences drawn; the last, which stays 0, for one that no reading has."""
        place: Ints = np.minimum(np.searchsorted(self.used, column), len(self.used) - 1).astype(np.int64)
        found: Ints = np.where(self.used[place] == column, place, len(self.used))
        return found

    def _expanding(self) -> tuple[tuple[Ints, Ints], tuple[Ints, Ints]]:
        return (self.s.part, self.s.part_material), (self.s.reference, self.s.reference_material)

    def _expansion_column(self, thing: Ints, material: Ints) -> Ints:
        offsets = self.columns.offsets
        own, shared = offsets[Influence.EXPANSION] + thing, offsets[Influence.MATERIAL] + np.maximum(material, 0)
        column: Ints = np.where(material < 0, own, shared).astype(np.int64)
        return column

    def _shared(self) -> tuple[Ints, Floats]:
        """Column of the thermometer or the room behind each reading's temperatures, and its standard uncertainty."""
        s, offsets = self.s, self.columns.offsets
        r, given = s.readings, self.has_part | self.has_reference
        thermometer = np.where(np.isnan(r.thermometer_u), s.parameters.thermometer_u[s.row], r.thermometer_u)
        named, room = offsets[Influence.THERMOMETER] + r.thermometer + 1, offsets[Influence.ROOM] + s.inspection
        column: Ints = np.where(given, named, room).astype(np.int64)
        return column, np.where(given, thermometer, s.parameters.room_half_width[s.row] / SQRT3)

    def _local(self, thing: Ints, has: Bools) -> Ints:
        return np.where(
            has, self._column(Influence.LOCAL_TEMPERATURE, thing), self._column(Influence.ROOM_OBJECT, thing)
        )

    def errors(self, draws: int, random: np.random.Generator) -> Floats:
        """Errors of the influences, shape (influences + 1, draws); the last row is 0."""
        found = np.zeros((len(self.used) + 1, draws))
        for n, (column, shape) in enumerate(zip(self.used.tolist(), self.shape, strict=True)):
            u, nu = float(self.u[n]), float(self.columns.nu[column])
            if shape == "t":
                found[n] = u * random.standard_t(nu, draws)
            elif shape == "rectangular":
                found[n] = random.uniform(-u * SQRT3, u * SQRT3, draws)
            else:
                found[n] = u * random.standard_normal(draws)
        return found

    def sizes(self, e: Floats, rows: Ints) -> Floats:
        """Sizes at 20 degC of some readings, shape (rows, draws)."""
        s = self.s

        def own(column: Ints) -> Floats:
            return e[column[rows]]

        def of(column: NDArray[Any]) -> NDArray[Any]:
            return column[rows, None]

        part, reference, shared = own(self.t_part), own(self.t_reference), own(self.t_shared)
        theta_part = of(self.theta_part) + shared + part
        theta_reference = of(self.theta_reference) + shared + reference
        # of two temperatures one may stand for both: the other's own error is then in it, too
        theta_part += np.where(of(self.has_reference & ~self.has_part), reference, 0.0)
        theta_reference += np.where(of(self.has_part & ~self.has_reference), part, 0.0)
        v = 1.0 + (of(s.part_expansion) + own(self.alpha_part)) * theta_part
        scale = 1.0 + (of(s.reference_expansion) + own(self.alpha_reference)) * theta_reference
        x = of(self.indication) + own(self.read) + own(self.calibration) + own(self.operator)
        deviation = s.readings.is_deviation
        master = of(np.where(deviation, s.masters.size[s.readings.master], 0.0)) + own(self.master)
        by_master = master * scale + x - own(self.zero)
        size: Floats = np.where(of(deviation), by_master, x * scale) / v
        return size
