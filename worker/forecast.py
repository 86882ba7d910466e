"""Remaining usage of every limit, the governing one, and the days it is due (forecast 4, 5, 12)."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from service.store.columns import ALWAYS, to_micros, to_time
from worker.days import day_of, start_of_day
from worker.ground import Plan, plan_ground
from worker.group import Group
from worker.loss import consumption_of
from worker.method.due_date import due_days, usage_rate
from worker.method.first_passage import Gap
from worker.method.remaining_life import QUANTILES, Remaining, governing_limit, less_usage, remaining_usage
from worker.method.wear_limits import WearLimits, catalogue_life, combine, gaps, wear_limits
from worker.odometer import DAY_US, PER_UNIT, Odometer
from worker.performance_line import lines_of_rows, typical_line
from worker.slot_wear import SlotWear, slot_wear
from worker.wear import GroupWear

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
YEAR_DAYS = 365
Dates = tuple[date | None, date | None, date | None]


@dataclass(frozen=True, slots=True)
class Forecast:
    """Remaining usage of some rows of a group, shape (r, limits) or (r,).

    Attributes
    ----------
    rows : ndarray of int
        Rows of the group.
    gap : Gap
        Per thousand of the basis in the planned ground.
    remaining : Remaining
        At the row's moment.
    left : ndarray, shape (r, limits, 3)
        The quantiles less the usage since, of a status; else the same.
    used_since : ndarray
        That usage, weighted by its ground over the planned ground, in the basis.
    governing : ndarray of int
        Limit that governs, -1 where none is known.
    """

    rows: Ints
    plan: Plan
    gap: Gap
    remaining: Remaining
    left: Floats
    used_since: Floats
    governing: Ints
    due: list[Dates]


def limits_of(group: Group) -> WearLimits:
    """The limits of a group's tool type, in the order of `Layout.limit_names`.

    Where the flow governs, the performance limit is that of a hammer that wears at the catalogue's mean rates.
    """
    layout = group.layout
    slots, fits, kind = layout.slots, layout.fits, layout.type
    share = np.full(len(fits.share), np.nan) if layout.by_flow else fits.share
    limits = wear_limits(
        slots.middle, slots.discard, fits.shaft, fits.bore, fits.new, fits.discard, share,
        kind.loss_per_mm, kind.service_loss,
    )  # fmt: skip
    if not layout.by_flow:
        return limits
    line = typical_line(layout, slot_wear(layout).rates.mean)
    return WearLimits(
        np.concatenate([limits.coefficients, line.coefficients]),
        np.append(limits.value, line.value),
        np.append(limits.of_mean, True),
    )


def _gap(group: Group, limits: WearLimits, rows: Ints, wear: GroupWear, slot: SlotWear, plan: Plan) -> Gap:
    """Gap of every limit at some rows."""
    judged, of_mean, layout = wear.judged.at(rows), wear.of_mean.at(rows), group.layout
    factor, doubt = plan.factor[:, None], plan.factor_variance[:, None]
    if not layout.by_flow:
        return gaps(limits, judged, of_mean, slot.diffusion, factor, slot.slope_correlation, doubt)
    others = WearLimits(limits.coefficients[:-1], limits.value[:-1], limits.of_mean[:-1])
    line = lines_of_rows(layout, of_mean, consumption_of(group, rows))
    one_sign = np.all(line.coefficients >= 0.0, axis=-1, keepdims=True)
    together = np.where(one_sign, slot.slope_correlation, 0.0)
    own = combine(
        line.coefficients[:, None, :], line.value[:, None], of_mean, slot.diffusion, factor, together,
        scale_variance=doubt,
    )  # fmt: skip
    if not len(others.value):
        return own
    rest = gaps(others, judged, of_mean, slot.diffusion, factor, slot.slope_correlation, doubt)
    return Gap(*(np.concatenate(pair, axis=-1) for pair in zip(rest.columns(), own.columns(), strict=True)))


def forecast(group: Group, wear: GroupWear, slot: SlotWear) -> Forecast:
    """Forecast the wanted rows of a group."""
    rows = np.flatnonzero(group.rows.wanted)
    plan = plan_ground(group, rows)
    limits = limits_of(group)
    gap = _gap(group, limits, rows, wear, slot, plan)
    life = catalogue_life(limits, slot.rates.mean)
    remaining = _remaining(group, gap, life[None, :] / plan.factor[:, None])
    used = np.array([_used_since(group, row) for row in rows.tolist()], np.float64) / plan.factor
    left = less_usage(remaining.quantiles, used)
    governing = governing_limit(left, remaining.beyond_now).astype(np.int64)
    return Forecast(rows, plan, gap, remaining, left, used, governing, _due(group, rows, plan, gap, used, governing))


def promised_levels(group: Group) -> Floats:
    """Levels at which the raw forecast keeps 10, 50 and 90 % by the fleet's own record, shape (limits, 3)."""
    own = len(group.layout.limit_slots)
    levels = np.tile(QUANTILES, (len(group.layout.limit_names), 1))
    if group.model is not None:
        for learned, limits in ((group.model.own, slice(0, own)), (group.model.sums, slice(own, None))):
            if learned is not None:
                levels[limits] = learned.levels(QUANTILES)
    return levels


def _by_level(levels: Floats) -> list[tuple[Floats, Ints]]:
    """Each different triple of levels, and the rows that have it."""
    different, number = np.unique(levels, axis=0, return_inverse=True)
    return [(triple, np.flatnonzero(number.ravel() == n)) for n, triple in enumerate(different)]


def _remaining(group: Group, gap: Gap, life: Floats) -> Remaining:
    groups = _by_level(promised_levels(group))
    if len(groups) < 2:
        return remaining_usage(gap, life, groups[0][0] if groups else QUANTILES)
    found = Remaining(np.empty((*gap.shape, 3)), np.empty(gap.shape), np.empty(gap.shape))
    for triple, limits in groups:
        part = remaining_usage(Gap(*(column[:, limits] for column in gap.columns())), life[:, limits], triple)
        found.quantiles[:, limits], found.never[:, limits] = part.quantiles, part.never
        found.beyond_now[:, limits] = part.beyond_now
    return found


def _used_since(group: Group, row: int) -> float:
    """Effective usage since a status's event, in the basis; 0 for an inspection."""
    if not group.rows.is_status[row]:
        return 0.0
    odometer = group.mileage.of_tool(int(group.rows.tool[row])).odometer
    then, now = odometer.at([int(group.rows.moment[row]), to_micros(group.batch.now)])
    return float(now - then) * PER_UNIT


def _due(group: Group, rows: Ints, plan: Plan, gap: Gap, used: Floats, governing: Ints) -> list[Dates]:
    """Days of the site's calendar by which the governing limit is reached."""
    if not len(rows) or gap.shape[-1] == 0:
        return [(None, None, None)] * len(rows)
    governed = np.take_along_axis
    at = np.maximum(governing, 0)[:, None]
    columns = [governed(np.asarray(column), at, axis=1)[:, 0] for column in gap.columns()]
    chosen = Gap(*[np.where(governing >= 0, column, np.nan) if n == 0 else column for n, column in enumerate(columns)])
    starts = [_counted_from(group, row) for row in rows.tolist()]
    entries = _recent(group, rows, [start for start, _ in starts])
    rate = usage_rate(*entries, today=0.0, fleet=np.full(len(rows), -1))
    days = np.empty((len(rows), len(QUANTILES)))
    for triple, here in _by_level(promised_levels(group)[np.maximum(governing, 0)]):
        part = Gap(*(column[here] for column in chosen.columns()))
        days[here] = due_days(part, rate.at(here), used[here], triple)
    return [_dates(start, zone, row) for (start, zone), row in zip(starts, days.tolist(), strict=True)]


def _counted_from(group: Group, row: int) -> tuple[int, ZoneInfo]:
    """The moment that days are counted from: the inspection, or of a status the beginning of the site's day."""
    zone = ZoneInfo(group.batch.tools[int(group.rows.tool[row])].time_zone)
    if not group.rows.is_status[row]:
        return int(group.rows.moment[row]), zone
    return to_micros(start_of_day(day_of(group.batch.now, zone), zone)), zone


def _recent(group: Group, rows: Ints, moments: list[int]) -> tuple[Ints, Floats, Floats, Floats, Floats]:
    """The last year's usage before each row as entries of `usage_rate`, in days before the row's moment."""
    owner, start, end, amount = [], [], [], []
    since, moment = np.empty(len(rows)), np.array(moments, np.int64)
    tools, first = np.unique(group.rows.tool[rows], return_index=True)  # rows come tool after tool
    for tool_id, own in zip(tools.tolist(), np.split(np.arange(len(rows)), first[1:]), strict=True):
        odometer = group.mileage.of_tool(tool_id).odometer
        then = moment[own][:, None]
        n, entry = np.nonzero((odometer.since < then) & (odometer.until > then - YEAR_DAYS * DAY_US))
        begins = _begins(group, tool_id, odometer)
        opened = np.where(odometer.since[entry] == ALWAYS, begins, odometer.since[entry])
        owner.append(own[n])
        start.append((np.minimum(opened, odometer.until[entry] - 1) - moment[own[n]]) / DAY_US)
        end.append((odometer.until[entry] - moment[own[n]]) / DAY_US)
        amount.append(odometer.run[entry] * PER_UNIT)
        known = len(odometer.until) or begins > ALWAYS
        since[own] = (begins - moment[own]) / DAY_US if known else np.inf
    return np.concatenate(owner), np.concatenate(start), np.concatenate(end), np.concatenate(amount), since


def _begins(group: Group, tool_id: int, odometer: Odometer) -> int:
    """When a tool's days in use begin; an interval of unknown start is taken for the 90 days before its end."""
    timeline = group.batch.timeline
    known = [timeline.born.get(tool_id, ALWAYS), timeline.first_fitting.get(tool_id, ALWAYS)]
    known += [int(odometer.since[0])] if len(odometer.since) else []
    begun = [moment for moment in known if moment > ALWAYS]
    if begun:
        return min(begun)
    return int(odometer.until[0]) - 90 * DAY_US if len(odometer.until) else ALWAYS


def _dates(start: int, zone: ZoneInfo, days: list[float]) -> Dates:
    found = [None if not np.isfinite(d) else _day(start, zone, d) for d in days]
    return found[0], found[1], found[2]


def _day(start: int, zone: ZoneInfo, days: float) -> date | None:
    moment = to_time(start)
    if moment is None:
        return None
    return (moment.astimezone(zone) + timedelta(days=days)).date()
