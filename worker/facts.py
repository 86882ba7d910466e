"""Everything that was measured and decided, from earlier assessments and this batch alike, as one table of sizes,
one of clearances and one of checks, seen from one group (its slots, fits and places)."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from service.store.assessment_inputs import Columns
from worker.group import Group
from worker.layout import Layout
from worker.measure import Measurements

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]


def concatenate(tables: Sequence[Columns]) -> Columns:
    """One table from several with the same columns."""
    return {name: np.concatenate([table[name] for table in tables]) for name in tables[0]}


def size_rows(found: Measurements, features: dict[str, int]) -> Columns:
    """The sizes that a group measured, in the form in which earlier ones are read back."""
    subjects, sizes, judged = found.subjects, found.sizes, found.size_verdicts
    keep = np.flatnonzero(subjects.inspection < found.own)
    slots = found.layout.slots
    feature_id = np.array([features[f.code] for f in found.layout.type.features], np.int64)
    slot = subjects.slot[keep]
    return {
        "inspection": np.array(found.inspections, np.int64)[subjects.inspection[keep]],
        "feature_id": feature_id[slots.feature[slot]],
        "component_id": np.where(subjects.instance[keep] > 0, subjects.instance[keep], -1),
        "position": np.where(subjects.on_bench[keep], -1, slots.position[slot]),
        "worst": sizes.worst[keep],
        "mean": sizes.mean[keep],
        "worst_u": sizes.of_worst.u[keep],
        "mean_u": sizes.of_mean.u[keep],
        "blocked": judged.blocked[keep],
        "readings": sizes.readings[keep],
        "verdict": judged.verdict[keep],
    }


def clearance_rows(found: Measurements, fits: dict[str, int]) -> Columns:
    """The clearances that a group measured, in the form in which earlier ones are read back."""
    judged, rows = found.clearance_verdicts, found.layout.fits
    keep = np.flatnonzero(judged.inspection < found.own)
    fit_id = np.array([fits[fit.code] for fit in found.layout.type.fits], np.int64)
    row = judged.row[keep]
    return {
        "inspection": np.array(found.inspections, np.int64)[judged.inspection[keep]],
        "fit_id": fit_id[rows.fit[row]],
        "position": np.where(rows.position[row] > 0, rows.position[row], -1),
        "mean": found.clearances.mean[keep],
        "mean_u": found.clearances.of_mean.u[keep],
        "for_leakage": found.clearances.for_leakage[keep],
        "worst": found.clearances.worst[keep],
        "verdict": judged.verdict[keep],
    }


@dataclass(frozen=True, slots=True)
class SizeFacts:
    """Sizes of a group's slots; shape (n,) each.

    Attributes
    ----------
    source : ndarray of int
        Row of the table that they come from.
    row : ndarray of int
        Row of `Group.rows`; -1 for an inspection of another tool.
    inspection, rank : ndarray of int
        Row of `Batch.inspections`, and its place in the order of time.
    slot, instance : ndarray of int
        Slot (position 1 where on the bench) and component.
    on_bench : ndarray of bool
        Not fitted in the tool it was inspected with.
    """

    source: Ints
    row: Ints
    inspection: Ints
    rank: Ints
    slot: Ints
    instance: Ints
    on_bench: Bools
    table: Columns

    def column(self, name: str) -> NDArray[np.generic]:
        """A column of the table, in the order of the facts."""
        return self.table[name][self.source]


def size_facts(group: Group, table: Columns, features: dict[str, int]) -> SizeFacts:
    """Pick the sizes that concern a group: of its tools, and of components that sit in them."""
    layout = group.layout
    slot_1 = _numbers(features, [layout.slot_of[f.code, 1] for f in layout.type.features], layout, "features")
    quantity = _numbers(features, [layout.type.quantity_of(f.part) for f in layout.type.features], layout, "features")
    feature = np.minimum(table["feature_id"], len(slot_1) - 1).astype(np.int64)
    position = table["position"].astype(np.int64)
    on_bench = position < 1
    row = _rows_of(group, table["inspection"])
    own = np.unique(group.instance[group.rows.held])
    concerned = (row >= 0) | np.isin(table["component_id"], own[own > 0])
    usable = (slot_1[feature] >= 0) & (position <= quantity[feature]) & concerned
    source = np.flatnonzero(usable)
    slot = slot_1[feature[source]] + np.where(on_bench[source], 0, position[source] - 1)
    row = row[source]
    seated = (row >= 0) & ~on_bench[source]
    component = table["component_id"][source].astype(np.int64)
    held = group.rows.held[np.maximum(row, 0), layout.slots.place[slot]]
    instance = np.where(seated, group.instance[held], component)
    inspection = table["inspection"][source].astype(np.int64)
    return SizeFacts(source, row, inspection, group.batch.rank[inspection], slot, instance, on_bench[source], table)


@dataclass(frozen=True, slots=True)
class FitFacts:
    """Clearances of a group's tools; shape (n,) each: row of the table, row of `Group.rows`, row of `Layout.fits`."""

    source: Ints
    row: Ints
    fit: Ints
    table: Columns

    def column(self, name: str) -> NDArray[np.generic]:
        """A column of the table, in the order of the facts."""
        return self.table[name][self.source]


def fit_facts(group: Group, table: Columns, fits: dict[str, int]) -> FitFacts:
    """Pick the clearances of a group's tools."""
    layout = group.layout
    first_row = np.searchsorted(layout.fits.fit, np.arange(len(layout.type.fits)))
    count = np.bincount(layout.fits.fit, minlength=len(layout.type.fits))
    first = _numbers(fits, first_row.tolist(), layout, "fits")
    number = np.minimum(table["fit_id"], len(first) - 1).astype(np.int64)
    offset = np.maximum(table["position"].astype(np.int64), 1) - 1
    row = _rows_of(group, table["inspection"])
    usable = (row >= 0) & (first[number] >= 0)
    usable &= offset < _numbers(fits, count.tolist(), layout, "fits")[number]
    source = np.flatnonzero(usable)
    return FitFacts(source, row[source], first[number[source]] + offset[source], table)


def _numbers(ids: dict[str, int], values: Sequence[int], layout: Layout, kind: str) -> Ints:
    """Table from a store number to a value of each of the type's features or fits, -1 for the others' numbers."""
    codes: Iterable[str] = [thing.code for thing in getattr(layout.type, kind)]
    table = np.full(max(ids.values(), default=0) + 2, -1)
    for code, value in zip(codes, values, strict=True):
        table[ids[code]] = value
    return table


def _rows_of(group: Group, inspection: NDArray[np.generic]) -> Ints:
    lookup = np.full(len(group.batch.inspections) + 1, -1)
    rows = group.rows
    standing = np.flatnonzero(~rows.is_status)
    lookup[rows.inspection[standing]] = standing
    return lookup[inspection.astype(np.int64)]
