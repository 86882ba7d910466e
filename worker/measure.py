"""Sizes, clearances and offsets of a group of inspections with their verdicts: the method's arrays, put in order.

A group is assessed under one catalogue revision. An inspection that is measured again by one of the group but not
computed itself is measured along with it and left out of what comes out.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from worker.bench import Subjects, Workpiece, set_up
from worker.group import Group
from worker.inputs import Batch
from worker.layout import Layout
from worker.method.clearances import Clearances, Fits, clear
from worker.method.offsets import Offsets, offset
from worker.method.remeasure import combine_clearances, combine_sizes
from worker.method.sizes import Sizes, measure
from worker.method.verdicts import decide, decide_offset

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
    chosen = rows + sorted(set(again.values()) - set(rows))
    index = {row: n for n, row in enumerate(chosen)}
    pairs = {index[now]: index[before] for now, before in again.items()}
    workpiece = set_up(group, chosen, features)
    measurand_of = _measurand_of(workpiece.subjects, len(chosen), len(layout.slots.feature))
    now, before = _twice(workpiece.subjects, measurand_of, pairs)
    workpiece = _one_object(workpiece, now, before)
    alone = measure(workpiece.bench)
    final = np.array([batch.inspections[row].final for row in chosen], np.bool_)
    present = np.append(alone.readings > 0, False)[measurand_of]
    sizes, inconsistent = combine_sizes(alone, *_measured(alone, now, before))
    size_verdicts = _judge_sizes(layout, workpiece.subjects, sizes, final, now, inconsistent)
    clearances, clearance_verdicts = _clearances(layout, (alone, size_verdicts), present, measurand_of, pairs, final)
    offsets, offset_verdicts = _offsets(layout, (sizes, size_verdicts), present, measurand_of)
    return Measurements(
        layout, workpiece, chosen, len(rows), sizes, size_verdicts, clearances, clearance_verdicts, offsets,
        offset_verdicts, measurand_of, again,
    )  # fmt: skip


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


def _twice(subjects: Subjects, measurand_of: Ints, pairs: dict[int, int]) -> tuple[Ints, Ints]:
    """Measurands of the second and of the first measurement of the same component's feature."""
    second = np.array(list(pairs), np.int64)
    first = np.array(list(pairs.values()), np.int64)
    now, before = measurand_of[second].ravel(), measurand_of[first].ravel()
    both = (now >= 0) & (before >= 0)
    now, before = now[both], before[both]
    same = subjects.instance[now] == subjects.instance[before]
    return now[same], before[same]


def _one_object(workpiece: Workpiece, now: Ints, before: Ints) -> Workpiece:
    """Let what is measured twice be one thermal object, so that its influences are shared."""
    if not len(now):
        return workpiece
    thing = workpiece.bench.measurands.part_object.copy()
    thing[now] = thing[before]
    dense = np.unique(thing, return_inverse=True)[1].astype(np.int64)
    measurands = replace(workpiece.bench.measurands, part_object=dense)
    return replace(workpiece, bench=replace(workpiece.bench, measurands=measurands))


def _measured(alone: Sizes, now: Ints, before: Ints) -> tuple[Ints, Ints]:
    both = (alone.readings[now] > 0) & (alone.readings[before] > 0)
    return now[both], before[both]


def blunders(sizes: Sizes) -> Bools:
    """Which sizes a blunder check keeps from being decided, shape (m,). The checks of S8 are not part of this yet."""
    return np.zeros(len(sizes.readings), np.bool_)


def _judge_sizes(
    layout: Layout, subjects: Subjects, sizes: Sizes, final: Bools, again: Ints, inconsistent: Bools
) -> Judged:
    slots, decision = layout.slots, layout.type.decision
    slot = subjects.slot
    on_mean = slots.on_mean[slot]
    settled = final[subjects.inspection]
    settled[again] = True
    blocked = blunders(sizes)
    verdict, probability = decide(
        np.where(on_mean, sizes.mean, sizes.worst),
        np.where(on_mean, sizes.of_mean.u, sizes.of_worst.u),
        np.where(on_mean, sizes.of_mean.nu, sizes.of_worst.nu),
        (slots.discard[slot], slots.monitor[slot]),
        slots.grows[slot],
        (decision.risk_accept, decision.risk_discard),
        blocked,
        settled,
    )
    every = np.arange(len(slot))
    return Judged(subjects.inspection, every, verdict, probability, blocked, inconsistent)


def _clearances(
    layout: Layout,
    measured: tuple[Sizes, Judged],
    present: Bools,
    measurand_of: Ints,
    pairs: dict[int, int],
    final: Bools,
) -> tuple[Clearances, Judged]:
    (alone, judged), fits, decision = measured, layout.fits, layout.type.decision
    at, fit = np.nonzero(present[:, fits.bore] & present[:, fits.shaft])
    table = _fit_table(layout, measurand_of[at, fits.bore[fit]], measurand_of[at, fits.shaft[fit]], fit)
    row_of = np.full((len(measurand_of), len(fits.fit)), -1)
    row_of[at, fit] = np.arange(len(at))
    second, first = np.array(list(pairs), np.int64), np.array(list(pairs.values()), np.int64)
    now, before = row_of[second].ravel(), row_of[first].ravel()
    both = (now >= 0) & (before >= 0)
    clearances, inconsistent = combine_clearances(clear(alone, table), now[both], before[both])
    settled = final[at]
    settled[now[both]] = True
    blocked = judged.blocked[table.bore] | judged.blocked[table.shaft] | clearances.interferes
    verdict, probability = decide(
        clearances.worst,
        clearances.of_worst.u,
        clearances.of_worst.nu,
        (fits.discard[fit], fits.monitor[fit]),
        True,
        (decision.risk_accept, decision.risk_discard),
        blocked,
        settled,
    )
    return clearances, Judged(at, fit, verdict, probability, blocked, inconsistent)


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
    return found, Judged(at, number, verdict, 1.0 - inside, blocked, nothing)
