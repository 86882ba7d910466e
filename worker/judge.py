"""One group computed through: from measurements to wear, forecast, loss, verdicts and remarks."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from service.store.assessment_inputs import Columns
from worker.batch import Batch
from worker.carry import Carried, anatomy_of, carry, offset_rows
from worker.facts import FitFacts, SizeFacts, clearance_rows, concatenate, fit_facts, size_facts, size_rows
from worker.forecast import Forecast, forecast
from worker.group import Group, groups
from worker.loss import Loss, lose
from worker.loss_remarks import loss_remarks, observed_remarks
from worker.measure import Measurements, measure_group
from worker.method.tool_state import Findings, PartVerdicts, judge_parts
from worker.observed import Observed, observe
from worker.reasons import group_inspected, stop_words
from worker.remarks import RemarkList, measured_remarks, place_name, slot_remarks
from worker.series import stood_in_for
from worker.slot_wear import SlotWear, slot_wear
from worker.wear import GroupWear, group_wear

Ints = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Judged:
    """All that follows for the wanted rows of one group; `forecast.rows` says which they are."""

    group: Group
    measured: Measurements | None
    sizes: SizeFacts
    fits: FitFacts
    slot: SlotWear
    wear: GroupWear
    forecast: Forecast
    loss: Loss
    observed: Observed
    carried: Carried
    verdicts: PartVerdicts
    remarks: list[RemarkList]


def judge_batch(batch: Batch, compute: list[int] | None = None, tools: list[int] | None = None) -> list[Judged]:
    """Compute a batch, or some of its inspections and statuses.

    Parameters
    ----------
    batch : Batch
    compute : list of int, optional
        Only these inspections, rows of `Batch.inspections`.
    tools : list of int, optional
        Only the statuses of these tools.
    """
    found = groups(batch, compute, tools)
    measured = [measure_group(group, batch.codes) if group.compute else None for group in found]
    fresh = [one for one in measured if one is not None]
    sizes = concatenate([batch.sizes] + [size_rows(one, batch.codes) for one in fresh])
    clearances = concatenate([batch.clearances] + [clearance_rows(one, batch.codes) for one in fresh])
    return [_judge(group, one, fresh, sizes, clearances) for group, one in zip(found, measured, strict=True)]


def _judge(
    group: Group,
    measured: Measurements | None,
    fresh: list[Measurements],
    sizes: Columns,
    clearances: Columns,
) -> Judged:
    facts = size_facts(group, sizes, group.batch.codes)
    fits = fit_facts(group, clearances, group.batch.codes)
    slot = slot_wear(group.layout, group.model)
    wear = group_wear(group, facts, stood_in_for(group, facts), slot)
    ahead = forecast(group, wear, slot)
    loss = lose(group, ahead.rows, facts, fits, wear)
    carried = carry(group, facts, fits, offset_rows(group, fresh))
    verdicts = _verdicts(group, ahead.rows, carried, loss)
    observed = observe(group, ahead.rows, slot)
    remarks = _remarks(group, measured, ahead, carried, wear, slot)
    _of_surprises(group, facts, ahead.rows, wear, remarks)
    loss_remarks(group, loss, remarks)
    observed_remarks(loss, observed, remarks)
    return Judged(group, measured, facts, fits, slot, wear, ahead, loss, observed, carried, verdicts, remarks)


def _verdicts(group: Group, rows: Ints, carried: Carried, loss: Loss) -> PartVerdicts:
    kind = group.layout.type
    return judge_parts(
        anatomy_of(group.layout),
        Findings(
            size=carried.size[rows],
            fit=carried.fit[rows],
            offset=carried.offset[rows],
            check=carried.check[rows],
            stop=carried.stop[rows],
            wear=carried.wear[rows],
            loss=loss.loss,
            loss_by_fit=loss.by_fit,
            matched_with=_sets(group)[group.rows.held[rows]],
            inspected=np.array([group_inspected(group, row) for row in rows.tolist()], np.bool_),
        ),
        kind.service_loss,
        kind.decision.monitor_fraction,
    )


def _sets(group: Group) -> Ints:
    """Number of the matched set of each stint's component; those without a code are one set by part."""
    numbers: dict[tuple[str, str], int] = {}
    found = []
    for stint in group.batch.timeline.stints:
        known = group.batch.components.get(stint.instance)
        code = known.set_code if known is not None else None
        key = ("set", code) if code else ("part", stint.place[0])
        found.append(numbers.setdefault(key, len(numbers)))
    return np.array(found, np.int64)


def _remarks(
    group: Group,
    measured: Measurements | None,
    ahead: Forecast,
    carried: Carried,
    wear: GroupWear,
    slot: SlotWear,
) -> list[RemarkList]:
    """Remarks on each wanted row: how it was measured, and what its forecast rests on."""
    own = measured_remarks(group, measured) if measured is not None else []
    index = {n: at for at, n in enumerate(measured.inspections)} if measured is not None else {}
    sets = _sets(group)
    numbers = group.rows.inspection[ahead.rows].tolist()
    found = [own[index[number]] if number >= 0 else RemarkList() for number in numbers]
    _of_wear(group, ahead.rows, wear, slot, found)
    for n, (row, remarks) in enumerate(zip(ahead.rows.tolist(), found, strict=True)):
        if ahead.plan.unknown[n]:
            remarks.add("unknown-ground", "ground")
        if group.model is not None and (group.model.own or group.model.sums):
            remarks.add("recalibrated", "forecast")
        for answer in carried.checks[row]:
            if answer.result == "not-done":
                remarks.add("check-not-done", f"check:{answer.code}")
        for code, result in carried.stopped_by[row].items():
            remarks.add("stop-open", f"check:{code}", stop_words(group.layout.type, code, result))
        _of_sets(group, row, sets, remarks)
    return found


def _of_wear(group: Group, rows: Ints, wear: GroupWear, slot: SlotWear, remarks: list[RemarkList]) -> None:
    limited = np.zeros(len(group.layout.slots.feature), np.bool_)
    limited[group.layout.limit_slots] = True
    limited[group.layout.fits.bore] = limited[group.layout.fits.shaft] = True
    unknown = np.isnan(wear.usage[rows])
    used, measured = wear.used[rows], wear.measured[rows]
    no_usage = unknown & (~used | measured)  # without usage a reading enters no state, and nothing is forecast
    slot_remarks(group, remarks, limited & no_usage, "no-usage")
    slot_remarks(group, remarks, limited & used, "history-unknown")
    slot_remarks(group, remarks, limited & ~measured & ~no_usage, "not-measured")
    slot_remarks(group, remarks, np.broadcast_to(limited & slot.rates.assumed, used.shape), "assumed-wear-rate")


def _of_surprises(group: Group, facts: SizeFacts, rows: Ints, wear: GroupWear, remarks: list[RemarkList]) -> None:
    """Ask about sizes that nothing known of their component explains."""
    odd = np.flatnonzero((facts.row >= 0) & ~facts.on_bench & wear.fact_asks)
    if not len(odd):
        return
    mask = np.zeros(group.rows.held.shape[:1] + group.layout.slots.feature.shape, np.bool_)
    mask[facts.row[odd], facts.slot[odd]] = True
    slot_remarks(group, remarks, mask[rows], "wear-unexplained")


def _of_sets(group: Group, row: int, sets: Ints, remarks: RemarkList) -> None:
    parts = {part for part, _ in group.layout.places if group.layout.type.part_by_code[part].matched_set}
    for part in sorted(parts):
        places = [n for n, (code, _) in enumerate(group.layout.places) if code == part]
        if len(set(sets[group.rows.held[row, places]].tolist())) > 1:
            remarks.add("mixed-set", place_name(group, (part, 1)).partition("@")[0])
