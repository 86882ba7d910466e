"""Computed inspections as the columns of their tables; an inspection whose inputs were the same writes nothing."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import orjson
from numpy.typing import NDArray

from service.catalogue import ToolType
from service.store.assessments import Results
from service.store.columns import NULL_FIELD, Column, jsonb_field, to_days, to_micros
from worker.carry import VERDICTS, CheckResult
from worker.digest import METHOD, digests
from worker.judge import Judged
from worker.loss_results import leak_columns, loss_columns, loss_documents
from worker.measure import Measurements
from worker.method.clearances import consumed_share
from worker.method.summaries import SUMMARIES
from worker.method.tool_state import NONE
from worker.reasons import Judgement, part_documents
from worker.series import find_rows
from worker.wear_model import CATALOGUE

Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]
STATES = ("serviceable", "monitor", "remeasure", "service-due")
"""Names in the order of `ToolState`."""
BASES = ("metres", "hours")


@dataclass(frozen=True, slots=True)
class Written:
    """The inspections of a group that get a new assessment.

    Attributes
    ----------
    row : ndarray of int
        Their place among the wanted rows.
    inspection : ndarray of int
        Rows of `Batch.inspections`.
    version : ndarray of int
        Of the assessment, from 1.
    """

    row: Ints
    inspection: Ints
    version: Ints
    digest: list[bytes]


def new_assessments(judged: Judged) -> Written:
    """Leave out the statuses, and the inspections whose inputs are those of their newest assessment."""
    batch = judged.group.batch
    rows = judged.group.rows.inspection[judged.forecast.rows].tolist()
    told = digests(judged.group, {rows[at]: entries for at, entries in judged.observed.counted.items()})
    row, numbers, versions, digest = [], [], [], []
    for at, n in enumerate(rows):
        if n < 0 or batch.inspections[n].digest == told[n]:
            continue
        row.append(at)
        numbers.append(n)
        versions.append((batch.inspections[n].assessment_version or 0) + 1)
        digest.append(told[n])
    return Written(np.array(row, np.int64), np.array(numbers, np.int64), np.array(versions, np.int64), digest)


@dataclass(frozen=True, slots=True)
class Keys:
    """What every result row carries of its inspection, by index into `Written`."""

    taken_at: Ints
    inspection_id: NDArray[Any]
    version: Ints
    tool_id: Ints

    def columns(self, at: Ints) -> list[Column]:
        """The key columns of rows that belong to the inspections `at`, numbered within each."""
        start = np.searchsorted(at, at, side="left")
        return [
            Column("taken_at", "i8", self.taken_at[at]),
            Column("inspection_id", "V16", self.inspection_id[at]),
            Column("version", "i4", self.version[at]),
            Column("ordinal", "i2", np.arange(len(at)) - start),
            Column("tool_id", "i4", self.tool_id[at]),
        ]


def results_of(judged: Judged) -> Results:
    """The rows that a group writes."""
    batch, written = judged.group.batch, new_assessments(judged)
    chosen = [batch.inspections[n] for n in written.inspection.tolist()]
    keys = Keys(
        np.array([to_micros(row.taken_at) for row in chosen], np.int64),
        np.frombuffer(b"".join(row.inspection_id.bytes for row in chosen), "V16"),
        written.version,
        np.array([row.tool_id for row in chosen], np.int64),
    )
    return Results(
        assessments=_assessments(judged, written, keys),
        documents=[_documents(judged, at, n) for at, n in zip(written.row, written.inspection, strict=True)],
        sizes=_sizes(judged, written, keys),
        clearances=_clearances(judged, written, keys),
        limits=_limits(judged, written, keys),
        inspections=[row.inspection_id for row in chosen],
        inspection_versions=[row.inspection_version for row in chosen],
        versions=written.version.tolist(),
    )


def _assessments(judged: Judged, written: Written, keys: Keys) -> list[Column]:
    group, ahead, at = judged.group, judged.forecast, written.row
    kind, count = group.layout.type, len(at)
    batch = group.batch
    governing = ahead.governing[at]
    limit_ids = np.array([batch.codes[name] for name in group.layout.limit_names] + [0], np.int64)
    type_id = batch.tools[int(keys.tool_id[0])].tool_type_id if count else 0
    chosen = [batch.inspections[n] for n in written.inspection.tolist()]
    as_of = [to_micros(batch.basis[n].as_of) for n in written.inspection.tolist()]
    dates = [ahead.due[row] for row in at.tolist()]
    return [
        Column("inspection_id", "V16", keys.inspection_id),
        Column("version", "i4", keys.version),
        Column("inspection_version", "i4", np.array([row.inspection_version for row in chosen], np.int64)),
        Column("tool_id", "i4", keys.tool_id),
        Column("taken_at", "i8", keys.taken_at),
        Column("computed_at", "i8", np.full(count, to_micros(batch.now))),
        Column("inputs_as_of", "i8", np.array(as_of, np.int64)),
        Column("digest", "V32", np.frombuffer(b"".join(written.digest), "V32")),
        Column("method", "text", np.zeros(count, np.int64), words=(METHOD,)),
        Column("tool_type_id", "i4", np.full(count, type_id)),
        Column("revision", "i4", np.full(count, kind.revision)),
        Column("wear_model", "i4", np.full(count, group.version), np.full(count, group.version == CATALOGUE)),
        Column("state", "text", judged.verdicts.state[at], words=STATES),
        *loss_columns(judged, at),
        Column("service_loss", "f8", np.full(count, kind.service_loss)),
        Column("basis", "text", np.full(count, BASES.index(kind.life_basis)), words=BASES),
        Column("ground_factor", "f8", ahead.plan.factor[at]),
        Column("governing", "i4", limit_ids[governing], governing < 0),
        *[_dates(name, [day[n] for day in dates]) for n, name in enumerate(("due_p10", "due_p50", "due_p90"))],
    ]


def _dates(name: str, days: list[Any]) -> Column:
    null = np.array([day is None for day in days], np.bool_)
    return Column(name, "i4", np.array([to_days(day) for day in days], np.int64), null)


def _documents(judged: Judged, at: int, n: int) -> bytes:
    """The jsonb fields of one assessment, in the order of `ASSESSMENT_DOCUMENTS`."""
    mix = judged.forecast.plan.mix[at]
    judgement = Judgement(judged.forecast.rows, judged.carried, judged.verdicts, judged.loss.loss)
    row = int(judged.forecast.rows[at])
    checks = [_check(judged.group.layout.type, answer) for answer in judged.carried.checks[row]]
    checks.sort(key=lambda check: (check["sequence"], check["check"]))
    documents = (
        loss_documents(judged, at),
        mix or None,
        _offsets(judged, n),
        checks,
        part_documents(judged.group, judgement, at),
        judged.remarks[at].documents(),
    )
    return b"".join(NULL_FIELD if document is None else jsonb_field(orjson.dumps(document)) for document in documents)


def _check(tool_type: ToolType, answer: CheckResult) -> dict[str, Any]:
    """What was answered, beside what was asked: a later revision may ask otherwise."""
    asked = tool_type.check_by_code[answer.code]
    return {
        "check": answer.code,
        "part": asked.part,
        "stage": asked.stage,
        "sequence": asked.sequence,
        "question": asked.question,
        "on_fail": asked.on_fail,
        "result": answer.result,
        "verdict": None if answer.verdict == NONE else VERDICTS[answer.verdict],
        "note": answer.note,
    }


def _offsets(judged: Judged, n: int) -> list[dict[str, Any]]:
    measured = judged.measured
    if measured is None or not len(measured.offset_verdicts.row):
        return []
    found, given, rows = measured.offsets, measured.offset_verdicts, measured.layout.offsets
    index = measured.inspections.index(n)
    return [
        {
            "offset": measured.layout.type.offsets[int(rows.fit[given.row[r]])].code,
            "position": int(rows.position[given.row[r]]) or None,
            "value": float(found.value[r]),
            "standard_uncertainty": float(found.of_value.u[r]),
            "probability_outside": float(given.probability[r]),
            "verdict": VERDICTS[given.verdict[r]],
        }
        for r in np.flatnonzero(given.inspection == index).tolist()
    ]


def _belonging(measured: Measurements, written: Written, inspection: Ints) -> tuple[Ints, Ints]:
    """Rows of a table that are written, and the index into `Written` of each, in the order of inspections."""
    index = np.full(len(measured.inspections), -1)
    place = {n: at for at, n in enumerate(written.inspection.tolist())}
    for number in range(measured.own):
        index[number] = place.get(measured.inspections[number], -1)
    at = index[inspection]
    rows = np.flatnonzero(at >= 0)
    order = np.argsort(at[rows], kind="stable")
    return rows[order], at[rows[order]]


def _sizes(judged: Judged, written: Written, keys: Keys) -> list[Column]:
    measured = judged.measured
    if measured is None:
        return keys.columns(np.zeros(0, np.int64))
    slots, subjects, sizes = measured.layout.slots, measured.subjects, measured.sizes
    rows, at = _belonging(measured, written, subjects.inspection)
    slot, given = subjects.slot[rows], measured.size_verdicts
    on_mean, bench = slots.on_mean[slot], subjects.on_bench[rows]
    codes = [judged.group.batch.codes[f.code] for f in measured.layout.type.features]
    fact = _fact_of(judged, measured, rows)
    component = subjects.instance[rows]
    rank = judged.group.batch.rank[np.array(measured.inspections, np.int64)][subjects.inspection[rows]]
    exact = [np.where(np.isinf(spread.nu[rows]), np.nan, spread.nu[rows]) for spread in (sizes.of_worst, sizes.of_mean)]
    columns = [
        *keys.columns(at),
        Column("feature_id", "i4", np.array(codes, np.int64)[slots.feature[slot]]),
        Column("component_id", "i4", component, component <= 0),
        Column("position", "i2", slots.position[slot], bench),
        Column("reversals", "i2", judged.group.turned(component, rank, slot)),
        Column("readings", "i4", sizes.readings[rows]),
        *[Column(name, "f8", getattr(sizes, name)[rows]) for name in ("mean", "min", "max", "worst")],
        Column("worst_station", "i2", sizes.worst_station[rows], sizes.worst_station[rows] == 0),
        *[Column(name, "f8", getattr(sizes, name)[rows]) for name in ("out_of_round", "taper", "taper_u")],
        Column("worst_u", "f8", sizes.of_worst.u[rows]),
        Column("worst_dof", "f8", exact[0]),
        Column("mean_u", "f8", sizes.of_mean.u[rows]),
        Column("mean_dof", "f8", exact[1]),
        Column("expanded_uncertainty", "f8", np.where(on_mean, sizes.of_mean.U[rows], sizes.of_worst.U[rows])),
        Column("coverage_factor", "f8", np.where(on_mean, sizes.of_mean.k[rows], sizes.of_worst.k[rows])),
        Column("discard", "f8", slots.discard[slot]),
        Column("discard_on", "i2", on_mean.astype(np.int64)),
        Column("probability_beyond", "f8", given.probability[rows]),
        Column("verdict", "text", given.verdict[rows], words=VERDICTS),
        Column("blocked", "b1", given.blocked[rows]),
        Column("usage", "f8", np.append(judged.wear.fact_usage, np.nan)[fact]),
    ]
    return columns + _summary_columns(measured, rows) + _wear_columns(judged, fact)


def _summary_columns(measured: Measurements, rows: Ints) -> list[Column]:
    found = measured.summaries
    station = found.round_station[rows].astype(np.int64)
    return [
        Column("round_station", "i2", station, station < 0),
        *[Column(name, "f8", getattr(found, name)[rows]) for name in SUMMARIES if name != "round_station"],
    ]


def _wear_columns(judged: Judged, fact: Ints) -> list[Column]:
    """The two wear states right after each size."""
    columns = []
    for prefix, states in (("worst", judged.wear.fact_judged), ("mean", judged.wear.fact_mean)):
        for name, column in zip(("level", "rate", "level_var", "cov", "rate_var"), states.columns(), strict=True):
            columns.append(Column(f"{prefix}_{name}", "f8", np.append(column, np.nan)[fact]))
    return columns


def _fact_of(judged: Judged, measured: Measurements, rows: Ints) -> Ints:
    """Fact of each measurand, -1 where it has none (no reading was left of it)."""
    facts, subjects = judged.sizes, measured.subjects
    slots = len(measured.layout.slots.feature)
    numbers = np.array(measured.inspections, np.int64)

    def name(inspection: Ints, slot: Ints, bench: Ints) -> Ints:
        return (inspection * slots + slot) * (2**31) + bench

    own = name(facts.inspection, facts.slot, np.where(facts.on_bench, facts.instance, 0))
    bench = np.where(subjects.on_bench[rows], subjects.instance[rows], 0)
    wanted = name(numbers[subjects.inspection[rows]], subjects.slot[rows], bench)
    return find_rows(own, wanted)


def _clearances(judged: Judged, written: Written, keys: Keys) -> list[Column]:
    measured = judged.measured
    if measured is None:
        return keys.columns(np.zeros(0, np.int64))
    given, found, fits = measured.clearance_verdicts, measured.clearances, measured.layout.fits
    rows, at = _belonging(measured, written, given.inspection)
    fit = given.row[rows]
    codes = [judged.group.batch.codes[f.code] for f in measured.layout.type.fits]
    nu = found.of_worst.nu[rows]
    return [
        *keys.columns(at),
        Column("fit_id", "i4", np.array(codes, np.int64)[fits.fit[fit]]),
        Column("position", "i2", fits.position[fit], fits.position[fit] == 0),
        *[Column(name, "f8", getattr(found, name)[rows]) for name in ("mean", "worst", "smallest")],
        Column("clearance_for_leakage", "f8", found.for_leakage[rows]),
        Column("worst_u", "f8", found.of_worst.u[rows]),
        Column("worst_dof", "f8", np.where(np.isinf(nu), np.nan, nu)),
        Column("mean_u", "f8", found.of_mean.u[rows]),
        Column("expanded_uncertainty", "f8", found.of_worst.U[rows]),
        Column("coverage_factor", "f8", found.of_worst.k[rows]),
        Column("new", "f8", fits.new[fit]),
        Column("discard", "f8", fits.discard[fit]),
        Column("consumed", "f8", consumed_share(found.worst[rows], fits.new[fit], fits.discard[fit])),
        Column("probability_beyond", "f8", given.probability[rows]),
        Column("verdict", "text", given.verdict[rows], words=VERDICTS),
        *leak_columns(judged, written.row[at], fit),
    ]


def _limits(judged: Judged, written: Written, keys: Keys) -> list[Column]:
    names = judged.group.layout.limit_names
    ids = np.array([judged.group.batch.codes[name] for name in names], np.int64)
    at = np.repeat(np.arange(len(written.row)), len(names))
    return [*keys.columns(at), *limit_columns(judged, written.row, ids)]


def limit_columns(judged: Judged, rows: Ints, ids: Ints) -> list[Column]:
    """The limits of some wanted rows, all of one row together."""
    ahead = judged.forecast
    limits = len(ids)

    def flat(values: NDArray[Any]) -> NDArray[Any]:
        return np.asarray(values)[rows].reshape(len(rows) * limits)

    gap = ("gap", "gap_var", "drift", "drift_var", "gap_drift_cov", "diffusion")
    return [
        Column("limit_id", "i4", np.tile(ids, len(rows))),
        *[Column(name, "f8", flat(ahead.remaining.quantiles[..., n])) for n, name in enumerate(("p10", "p50", "p90"))],
        Column("probability_never", "f8", flat(ahead.remaining.never)),
        Column("probability_beyond_now", "f8", flat(ahead.remaining.beyond_now)),
        *[Column(name, "f8", flat(column)) for name, column in zip(gap, ahead.gap.columns(), strict=True)],
    ]
