"""Sizes, clearances and offsets of a group of inspections with their verdicts: the method's arrays, put in order.

A group is assessed under one catalogue revision. An inspection that is measured again by one of the group but not
computed itself is measured along with it and left out of what comes out.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from worker.batch import Batch
from worker.bench import Subjects, Workpiece, set_up
from worker.findings import Finding
from worker.group import Group
from worker.history import ends_of
from worker.layout import Layout
from worker.method.blunders import is_below_new, is_unfit
from worker.method.clearances import Clearances, Fits, clear
from worker.method.offsets import Offsets, offset
from worker.method.remeasure import combine_clearances, combine_sizes
from worker.method.sizes import Sizes, measure
from worker.method.summaries import Summaries, summarise
from worker.method.verdicts import decide, decide_offset
from worker.scrutiny import scrutinise

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Judged:
    """Results of one kind, each row of an inspection, a slot or fit, with its verdict; shape (r,) each."""

    inspection: Ints  # index into `Measurements.inspections`
    row: Ints  # measurand, or row of `Layout.fits` / `Layout.offsets`
    verdict: Ints
    probability: Floats
    blocked: Bools
    inconsistent: Bools
    capability: Floats  # C_m of S6.2; NaN without a limit
    unfit: Bools  # blocked for that
    impossible: Bools  # blocked as a clearance that no wear could have made


@dataclass(frozen=True, slots=True)
class Measurements:
    """What a group of inspections measured.

    Attributes
    ----------
    inspections : list of int
        Rows of `Batch.inspections`; the first `own` are the group's.
    measurand_of : ndarray of int, shape (inspections, slots)
        Measurand of each slot, -1 where it was not measured.
    """

    layout: Layout
    workpiece: Workpiece
    inspections: list[int]
    own: int
    sizes: Sizes
    size_verdicts: Judged
    clearances: Clearances
    clearance_verdicts: Judged
    offsets: Offsets
    offset_verdicts: Judged
    measurand_of: Ints
    again: dict[int, int]
    findings: list[Finding]
    summaries: Summaries

    @property
    def subjects(self) -> Subjects:
        """What each measurand is."""
        return self.workpiece.subjects


def measure_group(group: Group, features: dict[str, int]) -> Measurements:
    """Measure and judge what the inspections of a group hold.

    Parameters
    ----------
    group : Group
    features : dict
        Number of each feature in the store.
    """
    batch, layout, rows = group.batch, group.layout, group.compute
    again = _again(batch, rows)
    chosen = rows + sorted((set(again.values()) | _compared(group)) - set(rows))
    index = {row: n for n, row in enumerate(chosen)}
    pairs = {index[now]: index[before] for now, before in again.items()}
    workpiece = set_up(group, chosen, features)
    measurand_of = _measurand_of(workpiece.subjects, len(chosen), len(layout.slots.feature))
    alone = measure(workpiece.bench)
    looked_at = scrutinise(group, chosen, workpiece, alone, measurand_of, again)
    who = ends_of(group, chosen, workpiece.subjects)
    now, before = _twice(who, measurand_of, pairs, (alone.readings > 0) & ~looked_at.blocked)
    final = np.array([batch.inspections[row].final for row in chosen], np.bool_)
    present = np.append(alone.readings > 0, False)[measurand_of]
    sizes, inconsistent = combine_sizes(alone, now, before, layout.slots.on_mean[workpiece.subjects.slot])
    size_verdicts = _judge_sizes(layout, workpiece.subjects, sizes, final, now, (looked_at.blocked, inconsistent))
    twice = dict(zip(now.tolist(), before.tolist(), strict=True))
    clearances, clearance_verdicts = _clearances(layout, (alone, size_verdicts), present, measurand_of, twice, final)
    offsets, offset_verdicts = _offsets(layout, (sizes, size_verdicts), present, measurand_of)
    return Measurements(
        layout, workpiece, chosen, len(rows), sizes, size_verdicts, clearances, clearance_verdicts, offsets,
        offset_verdicts, measurand_of, again, looked_at.found.documents(), _summaries(layout, workpiece, alone),
    )  # fmt: skip


def _summaries(layout: Layout, workpiece: Workpiece, alone: Sizes) -> Summaries:
    """Summaries of each measurement by itself: two of the same part may have been turned against one another."""
    slot = workpiece.subjects.slot
    return summarise(alone, (layout.slots.middle[slot], layout.slots.width[slot]), layout.slots.grows[slot])


def _compared(group: Group) -> set[int]:
    """Inspections that those of a group are compared with: what stands from before, and what another group computes."""
    batch = group.batch
    compared = {n for n in batch.compared if batch.inspections[n].tool_id in set(group.tools)}
    if len(batch.due) == len(group.compute):
        return compared
    own = set(group.compute)
    for n in group.compute:
        earlier = [m for m in batch.of_tool[batch.inspections[n].tool_id] if m < n and m in batch.due]
        if earlier and earlier[-1] not in own:
            compared.add(earlier[-1])
    return compared


def _again(batch: Batch, rows: list[int]) -> dict[int, int]:
    """The inspection that each of some measures again, where it does and that one stands."""
    if all(batch.inspections[row].remeasures is None for row in rows):
        return {}
    by_id = {batch.inspections[n].inspection_id: n for n in range(len(batch.inspections))}
    found = {}
    for row in rows:
        inspection = batch.inspections[row]
        before = by_id.get(inspection.remeasures) if inspection.remeasures else None
        if before is not None and batch.inspections[before].state != "failed":
            found[row] = before
    return found


def _measurand_of(subjects: Subjects, inspections: int, slots: int) -> Ints:
    table = np.full((inspections, slots), -1)
    fitted = np.flatnonzero(~subjects.on_bench)
    table[subjects.inspection[fitted], subjects.slot[fitted]] = fitted
    return table


def _twice(who: Ints, measurand_of: Ints, pairs: dict[int, int], usable: Bools) -> tuple[Ints, Ints]:
    """Measurands of the second and of the first measurement of the same component's feature, both to be believed."""
    second = np.array(list(pairs), np.int64)
    first = np.array(list(pairs.values()), np.int64)
    now, before = measurand_of[second].ravel(), measurand_of[first].ravel()
    both = (now >= 0) & (before >= 0)
    now, before = now[both], before[both]
    good = (who[now] == who[before]) & usable[now] & usable[before]
    return now[good], before[good]


def _judge_sizes(
    layout: Layout, subjects: Subjects, sizes: Sizes, final: Bools, again: Ints, seen: tuple[Bools, Bools]
) -> Judged:
    slots, decision = layout.slots, layout.type.decision
    slot = subjects.slot
    on_mean = slots.on_mean[slot]
    settled = final[subjects.inspection]
    settled[again] |= ~seen[1][again]  # two that contradict one another settle nothing: a third is to be taken
    y = np.where(on_mean, sizes.mean, sizes.worst)
    u = np.where(on_mean, sizes.of_mean.u, sizes.of_worst.u)
    unfit, _, capability = is_unfit(y, u, (slots.middle[slot], slots.discard[slot]), slots.grows[slot])
    blocked = seen[0] | unfit
    verdict, probability = decide(
        y,
        u,
        np.where(on_mean, sizes.of_mean.nu, sizes.of_worst.nu),
        (slots.discard[slot], slots.monitor[slot]),
        slots.grows[slot],
        (decision.risk_accept, decision.risk_discard),
        blocked,
        settled,
    )
    every = np.arange(len(slot))
    nothing = np.zeros(len(slot), np.bool_)
    return Judged(subjects.inspection, every, verdict, probability, blocked, seen[1], capability, unfit, nothing)


def _clearances(
    layout: Layout,
    measured: tuple[Sizes, Judged],
    present: Bools,
    measurand_of: Ints,
    twice: dict[int, int],
    final: Bools,
) -> tuple[Clearances, Judged]:
    (alone, judged), fits, decision = measured, layout.fits, layout.type.decision
    at, fit = np.nonzero(present[:, fits.bore] & present[:, fits.shaft])
    table = _fit_table(layout, measurand_of[at, fits.bore[fit]], measurand_of[at, fits.shaft[fit]], fit)
    now, before = _fits_twice(table, fit, twice)
    clearances, inconsistent = combine_clearances(clear(alone, table), now, before)
    settled = final[at]
    settled[now] |= ~inconsistent[now]
    worst, spread = clearances.worst, clearances.of_worst
    unfit, _, capability = is_unfit(worst, spread.u, (fits.new[fit], fits.discard[fit]), True)
    least = np.array([f.new.min for f in layout.type.fits], np.float64)[fits.fit[fit]]
    negative = is_below_new(worst, spread.u, spread.nu, spread.U, least) | clearances.interferes
    blocked = judged.blocked[table.bore] | judged.blocked[table.shaft] | negative | unfit
    verdict, probability = decide(
        worst,
        spread.u,
        spread.nu,
        (fits.discard[fit], fits.monitor[fit]),
        True,
        (decision.risk_accept, decision.risk_discard),
        blocked,
        settled,
    )
    return clearances, Judged(at, fit, verdict, probability, blocked, inconsistent, capability, unfit, negative)


def _fits_twice(table: Fits, fit: Ints, twice: dict[int, int]) -> tuple[Ints, Ints]:
    """Rows of the fits both of whose sides were measured twice, and of the first measurements."""
    if not twice:
        return np.zeros(0, np.int64), np.zeros(0, np.int64)
    rows = zip(fit.tolist(), table.bore.tolist(), table.shaft.tolist(), strict=True)
    row_of = {key: n for n, key in enumerate(rows)}
    now, before = [], []
    for (number, bore, shaft), n in row_of.items():
        first = row_of.get((number, twice.get(bore, -1), twice.get(shaft, -1)))
        if first is not None:
            now.append(n)
            before.append(first)
    return np.array(now, np.int64), np.array(before, np.int64)


def _fit_table(layout: Layout, bore: Ints, shaft: Ints, fit: Ints) -> Fits:
    """The fits that were measured, with the pairs of stations that can face each other where the catalogue knows."""
    known = {n: f.mating_stations for n, f in enumerate(layout.type.fits) if f.mating_stations is not None}
    rows: list[int] = []
    stations: list[tuple[int, int]] = []
    if known:
        for row, n in enumerate(layout.fits.fit[fit].tolist()):
            for pair in known.get(n, ()):
                rows.append(row)
                stations.append(pair)
    table = np.array(stations, np.int64).reshape(-1, 2)
    return Fits(bore, shaft, np.array(rows, np.int64), table[:, 0], table[:, 1])


def _offsets(
    layout: Layout, measured: tuple[Sizes, Judged], present: Bools, measurand_of: Ints
) -> tuple[Offsets, Judged]:
    (sizes, judged), rows = measured, layout.offsets
    at, number = np.nonzero(present[:, rows.bore] & present[:, rows.shaft])
    larger = measurand_of[at, rows.bore[number]]
    smaller = measurand_of[at, rows.shaft[number]]
    found = offset(sizes, larger, smaller)
    blocked = judged.blocked[larger] | judged.blocked[smaller]
    verdict, inside = decide_offset(
        found.value,
        found.of_value.u,
        found.of_value.nu,
        (rows.new[number], rows.discard[number]),
        layout.type.decision.risk_accept,
        blocked,
    )
    nothing = np.zeros(len(at), np.bool_)
    capability = np.full(len(at), np.nan)
    return found, Judged(at, number, verdict, 1.0 - inside, blocked, nothing, capability, nothing, nothing)
