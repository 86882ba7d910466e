"""Rolling origin over a fleet's history: what would have been forecast at each inspection, and what became of it.

A forecast is taken at every inspection that measured all of a limit's features, from the second reading of each
component on, with readings of that date and parameters learned before it. The ground that was then run counts as the
planned one. Where the parts were replaced or the record ends before the limit is reached, the rest of the way is drawn
from the forecast at the last reading: parts are replaced when they are nearly worn, so that "later than this" alone
would count nearly reached limits as far away (forecast method, sections 3 and 7).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from worker.fleet import Fleet
from worker.forecast import limits_of
from worker.method.first_passage import Gap
from worker.method.outcomes import Outcomes, find_outcomes, line_remaining, line_slopes
from worker.method.passage_quantile import quantiles
from worker.method.recalibration import Recalibration
from worker.method.remaining_life import USAGE_UNIT
from worker.method.wear_filter import filter_wear
from worker.method.wear_limits import catalogue_life, combine
from worker.method.wear_state import WearStates
from worker.slot_wear import SlotWear, slot_wear, starts_measured
from worker.wear_model import WearModel

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

MOST_FORECASTS = 20_000
HORIZON_LIVES = 2.0
"""Scores look this many catalogue lives ahead."""
NOTHING_U = 1e6
"""Standard uncertainty of a reading that says nothing, [mm]."""
DRAW_LEVELS = np.linspace(0.02, 0.98, 25)
LATER = 1e9
"""Beyond every horizon, [m] or [h]."""


@dataclass(frozen=True, slots=True)
class Origins:
    """Forecasts of one limit and their outcomes, shape (n,); usage in the life basis as run.

    Attributes
    ----------
    tool : ndarray of int
    moment : ndarray of int
        Microseconds since 2000.
    gap : Gap
    outcomes : Outcomes
    line, weighted_line : ndarray
        What a straight line through the first and the newest reading says, on usage as run and weighted by ground.
    drawn : ndarray of bool
        The parts left, or the record ends, before the limit was reached.
    horizon : float
    """

    tool: Ints
    moment: Ints
    gap: Gap
    outcomes: Outcomes
    line: Floats
    weighted_line: Floats
    drawn: Bools
    horizon: float


@dataclass(frozen=True, slots=True)
class FleetStates:
    """A fleet's readings under some parameters: states after each, and the slot each row measured."""

    judged: WearStates
    of_mean: WearStates


def readings_at(fleet: Fleet) -> Ints:
    """Reading of each slot at each row of the group, shape (rows, slots); -1 where it was not measured."""
    facts, fact = fleet.facts, fleet.series.fact
    seated = (facts.row[fact] >= 0) & ~facts.on_bench[fact]
    reading = np.flatnonzero(seated)
    found = np.full((len(fleet.group.rows.tool), len(fleet.layout.slots.feature)), -1)
    found[facts.row[fact[reading]], facts.slot[fact[reading]]] = reading
    return found


def joined(parts: Sequence[Origins]) -> Origins:
    """Forecasts of one limit by several parts of a fleet as one."""

    def whole(name: str) -> Any:
        return np.concatenate([getattr(one, name) for one in parts])

    gap = Gap(*(np.concatenate(columns) for columns in zip(*(one.gap.columns() for one in parts), strict=True)))
    outcomes = Outcomes(
        *(np.concatenate([getattr(one.outcomes, name) for one in parts]) for name in ("lower", "upper", "point"))
    )
    lines = whole("line"), whole("weighted_line")
    return Origins(whole("tool"), whole("moment"), gap, outcomes, *lines, whole("drawn"), parts[0].horizon)


def thinned(one: Origins, limits: int, rng: np.random.Generator) -> Origins:
    """At most so many forecasts of each limit that there are `MOST_FORECASTS` of all."""
    most = max(MOST_FORECASTS // max(limits, 1), 1)
    if len(one.tool) <= most:
        return one
    kept = np.sort(rng.permutation(len(one.tool))[:most])
    return Origins(
        one.tool[kept],
        one.moment[kept],
        Gap(*(column[kept] for column in one.gap.columns())),
        one.outcomes.at(kept),
        one.line[kept],
        one.weighted_line[kept],
        one.drawn[kept],
        one.horizon,
    )


def follow(
    fleet: Fleet,
    models: Sequence[WearModel | None],
    starts: Floats,
    rng: np.random.Generator,
    redraw: Sequence[Recalibration | None] | None = None,
) -> list[Origins]:
    """Forecasts of every limit over a fleet's history.

    Parameters
    ----------
    fleet : Fleet
    models : list of WearModel or None
        Parameters of each epoch, None for the catalogue's.
    starts : ndarray, shape (epochs - 1,)
        When the second and later epochs begin, microseconds since 2000.
    rng : Generator
        Seeded.
    redraw : sequence of Recalibration or None, optional
        Corrections of each limit's forecasts, by which the rest of a way that was not seen is drawn.

    Returns
    -------
    list of Origins
        In the order of `Layout.limit_names`.
    """
    slots = [slot_wear(fleet.layout, model) for model in models]
    factors = [ground_factors(fleet, model) for model in models]
    paths = [filter_fleet(fleet, slot, factor) for slot, factor in zip(slots, factors, strict=True)]
    at = readings_at(fleet)
    limits = limits_of(fleet.group)
    lives = catalogue_life(limits, slots[0].rates.mean)
    # outcomes are counted by the newest factors, the best guess of what was really run
    weight = factors[-1]
    found = []
    for n, coefficient in enumerate(limits.coefficients):
        used = np.flatnonzero(coefficient)
        rows = np.flatnonzero((at[:, used] >= 0).all(axis=1)) if used.size else np.zeros(0, np.int64)
        trail = _Trail(fleet, at[rows][:, used], rows, coefficient[used], bool(limits.of_mean[n]), weight)
        epoch = np.searchsorted(starts, fleet.group.rows.moment[rows], side="right")
        gap = _gaps(trail, paths, slots, epoch, float(limits.value[n]))
        horizon = HORIZON_LIVES * float(lives[n]) * USAGE_UNIT
        found.append(trail.origins(gap, float(limits.value[n]), horizon, rng, redraw[n] if redraw else None))
    return found


def ground_factors(fleet: Fleet, model: WearModel | None) -> Floats:
    if model is None:
        return fleet.grounds.factors
    pairs = zip(fleet.grounds.names, fleet.grounds.factors.tolist(), strict=True)
    return np.array([model.ground_factors.get(name, factor) for name, factor in pairs], np.float64)


def filter_fleet(fleet: Fleet, wear: SlotWear, factors: Floats) -> FleetStates:
    series = fleet.series
    usage = fleet.usage @ factors
    # what runs in says nothing as new; of what was bought used the first reading is the start
    says_nothing = (wear.runs_in[series.slot] & ~series.from_first)[series.number] & (usage <= 0.0)

    first = np.cumsum(series.count) - series.count

    def states(y: Floats, s: Floats) -> WearStates:
        return filter_wear(
            wear.new.at(series.slot),
            0.0,
            wear.diffusion[series.slot],
            series.count,
            usage,
            y,
            np.where(says_nothing, NOTHING_U, s),
            starts_measured(series, wear, y, s) & ~says_nothing[first],
        ).states

    return FleetStates(states(fleet.wear, fleet.uncertainty), states(fleet.mean_wear, fleet.mean_uncertainty))


class _Trail:
    """The rows at which one limit was measured: their readings, shape (rows, slots of the limit)."""

    def __init__(self, fleet: Fleet, reading: Ints, rows: Ints, weights: Floats, of_mean: bool, ground: Floats) -> None:
        self.fleet, self.reading, self.rows, self.weights, self.of_mean = fleet, reading, rows, weights, of_mean
        series = fleet.series
        self.tool = fleet.group.rows.tool[rows]
        # the same parts in the same tool, row after row
        key = np.column_stack([self.tool, series.number[reading]]) if len(rows) else np.zeros((0, 1), np.int64)
        changed = (np.diff(key, axis=0) != 0).any(axis=1)
        self.run = np.concatenate([[0], np.cumsum(changed)])[: len(rows)]
        lead = reading[:, 0] if len(rows) else np.zeros(0, np.int64)
        self.raw = fleet.usage[lead].sum(axis=1)
        self.effective = fleet.usage[lead] @ ground
        self.wear = fleet.mean_wear if of_mean else fleet.wear
        self.value = self.wear[reading] @ weights
        last = np.searchsorted(self.run, self.run, side="right") - 1
        ahead_raw, ahead = self.raw[last] - self.raw, self.effective[last] - self.effective
        self.scale = np.divide(ahead, ahead_raw, out=np.ones(len(rows)), where=ahead_raw > 0.0)
        self.last = last
        first = np.cumsum(series.count) - series.count
        self.kept = (reading > first[series.number[reading]]).all(axis=1) & (ahead_raw > 0.0) & (self.scale > 0.0)
        self.ground = ground

    def origins(
        self, gap: Gap, limit: float, horizon: float, rng: np.random.Generator, redraw: Recalibration | None
    ) -> Origins:
        """The forecasts that are scored, with their outcomes and what straight lines say."""
        n = len(self.rows)
        known = find_outcomes(self.run, self.effective * USAGE_UNIT, self.value, np.full(n, limit))
        outcomes, drawn = self._complete(known, gap, rng, redraw)
        # a limit that a new part is at already has no life, and no horizon to score its forecasts to
        kept = np.flatnonzero(self.kept & np.isfinite(gap.level) & np.isfinite(horizon))
        scaled = Outcomes(
            *(column[kept] / self.scale[kept] for column in (outcomes.lower, outcomes.upper, outcomes.point))
        )
        by_run, weighted = self._slopes()
        left = limit - self.value[kept]
        return Origins(
            tool=self.tool[kept],
            moment=self.fleet.group.rows.moment[self.rows[kept]],
            gap=_scale(Gap(*(column[kept] for column in gap.columns())), self.scale[kept]),
            outcomes=scaled,
            line=line_remaining(left, by_run[kept] / USAGE_UNIT, horizon),
            weighted_line=line_remaining(left, weighted[kept] * self.scale[kept] / USAGE_UNIT, horizon),
            drawn=drawn[kept],
            horizon=horizon,
        )

    def _complete(
        self, known: Outcomes, gap: Gap, rng: np.random.Generator, redraw: Recalibration | None
    ) -> tuple[Outcomes, Bools]:
        """Outcomes with the rest of the way drawn from the forecast at the last reading of each run of parts."""
        open_ended = np.isnan(known.point)
        ends = np.unique(self.last[open_ended])
        rest = np.full(len(self.rows), LATER)
        if ends.size:
            ladder = quantiles(Gap(*(column[ends] for column in gap.columns())), DRAW_LEVELS) * USAGE_UNIT
            draws = rng.random(ends.size)
            if redraw is not None:
                draws = redraw.levels(draws)
            steps = np.minimum(np.nan_to_num(ladder, nan=LATER, posinf=LATER), LATER)
            rest[ends] = [np.interp(p, DRAW_LEVELS, row) for p, row in zip(draws, steps, strict=True)]
        drawn_point = known.lower + rest[self.last]
        point = np.where(open_ended, drawn_point, known.point)
        lower = np.where(open_ended, drawn_point, known.lower)
        upper = np.where(open_ended, drawn_point, known.upper)
        return Outcomes(lower, upper, point), open_ended

    def _slopes(self) -> tuple[Floats, Floats]:
        fleet = self.fleet
        raw, weighted = fleet.usage.sum(axis=1), fleet.usage @ self.ground
        slopes = (line_slopes(fleet.series.count, usage, self.wear) for usage in (raw, weighted))
        by_run, by_ground = (slope[self.reading] @ self.weights for slope in slopes)
        return by_run, by_ground


def _scale(gap: Gap, g: Floats) -> Gap:
    """A gap per effective usage as one per usage of which each unit counts g."""
    return Gap(
        gap.level, gap.level_variance, gap.drift * g, gap.drift_variance * g * g, gap.covariance * g, gap.diffusion * g
    )


def _gaps(trail: _Trail, paths: list[FleetStates], slots: list[SlotWear], epoch: Ints, limit: float) -> Gap:
    """Gaps per effective usage at each row, each under the parameters of its epoch."""
    slot = trail.fleet.series.slot[trail.fleet.series.number[trail.reading]]
    columns = np.full((6, len(trail.rows)), np.nan)
    for n, (path, wear) in enumerate(zip(paths, slots, strict=True)):
        here = np.flatnonzero(epoch == n)
        states = (path.of_mean if trail.of_mean else path.judged).at(trail.reading[here])
        gap = combine(
            trail.weights[None, :],
            np.array([limit]),
            states,
            wear.diffusion[slot[here]],
            slope_correlation=wear.slope_correlation,
        )
        columns[:, here] = np.stack([column[:, 0] for column in gap.columns()])
    return Gap(*columns)
