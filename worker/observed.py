"""Performance as the usage ledger's rates show it, for the inspections of a group.

An entry counts as new while every part of a fit that loses performance had run no more than a tenth of its life by
the catalogue; the tool's own rates then are its baseline. Judged are the rates of the last 90 days since the inspection
before, with the parts that the inspection found, and of those the last third: what was measured then is compared with
how it drilled then, not with how it drilled half worn.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from service.store.assessment_inputs import UsageRow
from service.store.columns import to_micros
from worker.group import Group, held_at
from worker.method.observed_rate import RateRatio, compare_rates, ground_drilled
from worker.odometer import DAY_US
from worker.series import bought_used
from worker.slot_wear import SlotWear

Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]
Floats = NDArray[np.float64]

NEW_SHARE = 0.1
"""Of the catalogue's life: wear until then costs about a fiftieth of the rate. Judgement."""
USUAL_LIFE = 10.0
"""Where the catalogue gives a part no life, [thousands of the basis]."""
RECENT_DAYS = 90
LAST_SHARE = 1.0 / 3.0
"""Of the time that recent entries cover; the last of them where it holds none. Judgement."""


@dataclass(frozen=True, slots=True)
class Observed:
    """Rates compared, a row for each wanted row.

    Attributes
    ----------
    ratio : RateRatio
    worn, worn_as_new : ndarray, shape (r,)
        How far the parts were worn when the rates were taken, over how far the inspection found them, [-].
    counted : mapping
        Which entries were compared, for the digest of inputs.
    """

    ratio: RateRatio
    worn: Floats
    worn_as_new: Floats
    counted: Mapping[int, list[tuple[int, bool]]]


@dataclass(frozen=True, slots=True)
class _Rates:
    """Entries of one tool with a rate in one ground, shape (n,) each; `held`, `usage` have a column for each place."""

    since: Ints
    middle: Ints
    until: Ints
    ground: list[str]
    as_new: Bools
    rate: list[float]
    pressure: list[float]
    held: Ints
    usage: Floats


def observe(group: Group, rows: Ints, slot: SlotWear) -> Observed:
    """Compare the rates before each inspection with the tool's own as new.

    Parameters
    ----------
    group : Group
    rows : ndarray of int
        Rows of the group; a status has none.
    slot : SlotWear
        Life of each slot by the catalogue.
    """
    layout = group.layout
    slots = np.unique(np.concatenate([layout.fits.bore[layout.loss_fits], layout.fits.shaft[layout.loss_fits]]))
    places = np.unique(layout.slots.place[slots])
    rates = {tool: _rates(group, tool, slots, slot) for tool in group.tools if len(slots)}
    grounds: dict[str, int] = {}
    table: list[tuple[int, int, bool, float, float, float]] = []
    counted: dict[int, list[tuple[int, bool]]] = {}
    for at, row in enumerate(rows.tolist()):
        found = rates.get(int(group.rows.tool[row]))
        if found is None or group.rows.is_status[row]:
            continue
        chosen = _before(group, row, found, places)
        worn = _worn(found.usage[:, places], group.rows.usage[row, places], found.as_new)
        counted[at] = [(int(found.until[n]), bool(found.as_new[n])) for n in chosen]
        for n in chosen:
            ground = grounds.setdefault(found.ground[n], len(grounds))
            table.append((at, ground, bool(found.as_new[n]), found.rate[n], found.pressure[n], worn[n]))
    row_of, ground_of, as_new, rate, pressure, wear = zip(*table, strict=True) if table else ((),) * 6
    ratio = compare_rates(row_of, ground_of, as_new, rate, pressure, len(rows))
    owner, parts = np.array(row_of, np.int64), np.abs(ratio.contrast) * np.array(wear, np.float64)
    new = np.array(as_new, np.bool_)
    sides = [np.asarray(np.bincount(owner[side], parts[side], len(rows)), np.float64) for side in (~new, new)]
    return Observed(ratio, sides[0], sides[1], counted)


def _worn(usage: Floats, found: Floats, as_new: Bools) -> Floats:
    """Mean share of their usage that the parts had run at each entry; where none is on record, all or nothing."""
    share = np.where(as_new, 0.0, 1.0)[:, None] * np.ones(usage.shape)
    np.divide(usage, found[None, :], out=share, where=(found > 0.0)[None, :] & np.isfinite(usage))
    return np.asarray(np.clip(share, 0.0, 1.0).mean(axis=1))


def _before(group: Group, row: int, found: _Rates, places: Ints) -> list[int]:
    """Entries that an inspection compares: those as new, and the recent ones with the parts it found."""
    moment, begun = int(group.rows.moment[row]), int(group.rows.moment[row]) - RECENT_DAYS * DAY_US
    if row > 0 and group.rows.tool[row - 1] == group.rows.tool[row]:
        begun = max(begun, int(group.rows.moment[row - 1]))
    same = (found.held[:, places] == group.rows.held[row, places]).all(axis=1)
    past = found.until <= moment
    recent = np.flatnonzero(past & same & (found.middle > begun))
    if len(recent):
        first, end = int(found.since[recent].min()), int(found.until[recent].max())
        last = found.middle[recent] >= end - (end - first) * LAST_SHARE
        recent = recent[last] if last.any() else recent[-1:]
    return sorted({*np.flatnonzero(past & found.as_new).tolist(), *recent.tolist()})


def _rates(group: Group, tool_id: int, slots: Ints, slot: SlotWear) -> _Rates | None:
    entries = [(row, ground) for row in group.batch.usage.get(tool_id, ()) if (ground := _ground_of(row))]
    if not entries:
        return None
    since = np.array([to_micros(row.since) for row, _ in entries], np.int64)
    until = np.array([to_micros(row.until) for row, _ in entries], np.int64)
    middle = since + (until - since) // 2
    held = held_at(group.batch, group.layout, tool_id, [(moment, 0, "", 1) for moment in middle.tolist()])
    usage, known, _ = group.mileage.matrix(tool_id, until, held)
    place = group.layout.slots.place[slots]
    fresh = NEW_SHARE * _life(slot)[slots]
    as_new = known[:, place] & ~bought_used(group)[held[:, place]] & (usage[:, place] <= fresh)
    return _Rates(
        since,
        middle,
        until,
        [ground for _, ground in entries],
        np.asarray(as_new.all(axis=1)),
        [float(row.rate_m_h or 0.0) for row, _ in entries],
        [float("nan") if row.pressure_bar is None else row.pressure_bar for row, _ in entries],
        held,
        usage,
    )


def _life(slot: SlotWear) -> NDArray[np.float64]:
    """Life of each slot by the catalogue, [thousands of the basis]."""
    life = np.full(len(slot.allowed), USUAL_LIFE)
    given = np.isfinite(slot.allowed) & (slot.rates.mean > 0.0)
    np.divide(slot.allowed, slot.rates.mean, out=life, where=given)
    return life


def _ground_of(row: UsageRow) -> str | None:
    """The class of ground that an entry with a rate was drilled in; None where it has no rate, or no one class."""
    return None if row.rate_m_h is None or row.since is None else ground_drilled(row.amounts)
