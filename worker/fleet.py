"""Everything measured of all tools of a type, as histories with usage by ground class (forecast method, section 6).

The same histories that the wear filter runs over (`worker.series`): what is blocked, stood in for by a second
measurement, or measured after usage went missing stays out here as there. Usage is linear in the ground factors, so
that of one class is found by counting with all others at nothing.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

import numpy as np
from numpy.typing import NDArray

from service.store.columns import to_micros, to_time
from service.store.pool import Connection
from worker.facts import SizeFacts, size_facts
from worker.group import Group, past_group
from worker.inputs import load_past
from worker.layout import Layout
from worker.method.fleet_readings import FleetReadings
from worker.method.wear_state import new_size_variance
from worker.mileage import Mileage
from worker.series import Series, fact_usage, line_up, stood_in_for
from worker.slot_wear import slot_wear, starts_measured

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
UNGRADED = ""


@dataclass(frozen=True, slots=True)
class Grounds:
    """Ground classes of a catalogue entry, the reference first.

    Attributes
    ----------
    names : tuple of str
        The first is a class whose factor is 1, else `UNGRADED`; usage without a class counts as of it.
    factors : ndarray, shape (G,)
        The catalogue's.
    """

    names: tuple[str, ...]
    factors: Floats


def grounds_of(layout: Layout) -> Grounds:
    """Ground classes of a revision."""
    factors = {name: factor for name, factor in layout.type.ground_factors.items() if factor > 0.0}
    reference = next((name for name in sorted(factors) if factors[name] == 1.0), UNGRADED)
    names = (reference, *(name for name in sorted(factors) if name != reference))
    return Grounds(names, np.array([factors.get(name, 1.0) for name in names], np.float64))


@dataclass(frozen=True, slots=True)
class Fleet:
    """Histories of a fleet, n readings of all features.

    Attributes
    ----------
    series : Series
        Of every component and feature; each once, without readings that a second measurement stands in for.
    usage : ndarray, shape (n, G)
        Of the component at each reading by ground class, [thousands of the basis].
    wear, uncertainty : ndarray, shape (n,)
        By the statistic that discard is judged on, [mm].
    mean_wear, mean_uncertainty : ndarray, shape (n,)
        By the mean size, which the loss is made of, [mm].
    """

    group: Group
    grounds: Grounds
    facts: SizeFacts
    series: Series
    usage: Floats
    wear: Floats
    uncertainty: Floats
    mean_wear: Floats
    mean_uncertainty: Floats

    @property
    def layout(self) -> Layout:
        """The newest catalogue entry."""
        return self.group.layout

    def inspections(self, reading: Ints) -> Ints:
        """Rows of `Batch.inspections` of some readings."""
        return self.facts.inspection[self.series.fact[reading]]

    def tools(self, reading: Ints) -> Ints:
        """Ids of the tools that some readings were taken in."""
        tool_ids = np.array([row.tool_id for row in self.group.batch.inspections], np.int64)
        return tool_ids[self.inspections(reading)]

    def moments(self, reading: Ints) -> Ints:
        """When some readings were taken, microseconds since 2000."""
        times = np.array([to_micros(row.taken_at) for row in self.group.batch.inspections], np.int64)
        return times[self.inspections(reading)]

    def digest(self) -> bytes:
        """Digest of all that is learned from."""
        told = hashlib.sha256(repr((self.layout.type.revision, self.grounds.names)).encode())
        for column in (self.usage, self.wear, self.uncertainty, self.series.count, self.series.slot):
            told.update(np.ascontiguousarray(column).tobytes())
        return told.digest()


def read_fleet(conn: Connection[Any], tools: Sequence[int], type_id: int) -> Fleet | None:
    """Read the histories of all tools of a type; None where nothing has been measured yet.

    Parameters
    ----------
    conn : Connection
        In a transaction that sees one state.
    tools : sequence of int
        All tools of the type.
    """
    batch, key = load_past(conn, tools, type_id)
    if not tools or not len(batch.sizes["inspection"]):
        return None
    layout = batch.layouts[key]
    grounds = grounds_of(layout)
    # with every factor at nothing, what is left is usage without a class
    bare = past_group(batch, key, list(tools), _weighing(layout, {}))
    facts = size_facts(bare, batch.sizes, batch.codes)
    nowhere, known = fact_usage(bare, facts)
    replaced = stood_in_for(bare, facts)
    by_class = [nowhere]
    for name in grounds.names:
        if name != UNGRADED:
            weighed, _ = fact_usage(_counting(bare, _weighing(layout, {name: 1.0})), facts)
            by_class.append(weighed - nowhere)
    if grounds.names[0] != UNGRADED:
        by_class[:2] = [by_class[0] + by_class[1]]
    total = np.stack(by_class, axis=1)
    series = line_up(bare, facts, total.sum(axis=1), known, replaced, np.zeros(len(layout.slots.feature), np.bool_))
    # after a reversal an end wears at another rate from a size of its own: its first reading there is its start
    series = replace(series, from_first=series.from_first | (series.turn > 0))
    return _fleet(bare, grounds, facts, _newest_variants(series), total)


def _weighing(layout: Layout, factors: dict[str, float]) -> Layout:
    """The layout with other ground factors: those named, and nothing for every other class it knows."""
    known = dict.fromkeys(layout.type.ground_factors, 0.0) | factors
    return replace(layout, type=replace(layout.type, ground_factors=known))


def _counting(group: Group, layout: Layout) -> Group:
    """The group with its usage counted by other ground factors."""
    mileage = Mileage(group.batch, layout.type)
    usage = np.empty_like(group.rows.usage)
    for tool_id in group.tools:
        here = np.flatnonzero(group.rows.tool == tool_id)
        if len(here):
            here_rows = slice(int(here[0]), int(here[-1]) + 1)
            usage[here_rows] = mileage.matrix(tool_id, group.rows.moment[here_rows], group.rows.held[here_rows])[0]
    return replace(group, mileage=mileage, rows=replace(group.rows, usage=usage))


def _newest_variants(series: Series) -> Series:
    """Each series once: without what a second measurement stands in for."""
    newest = np.ones(len(series.key), np.bool_)
    newest[:-1] = series.key[1:] != series.key[:-1]
    known = newest[series.number] & np.isfinite(series.usage)
    return select(series, known)


def select(series: Series, kept: NDArray[np.bool_]) -> Series:
    """Some of the readings; a series without any drops out."""
    count = np.bincount(series.number[kept], minlength=len(series.count))
    chosen = count > 0
    number = (np.cumsum(chosen) - 1)[series.number[kept]]
    columns = {name: getattr(series, name)[kept] for name in ("fact", "rank", "usage")}
    heads = ("slot", "key", "variant", "turn", "from_first", "origin", "origin_gaps")
    return Series(
        number=number,
        count=count[chosen],
        swaps={},
        **columns,
        **{name: getattr(series, name)[chosen] for name in heads},
    )


def _fleet(group: Group, grounds: Grounds, facts: SizeFacts, series: Series, total: Floats) -> Fleet:
    slots = group.layout.slots
    fact = series.fact
    usage = total[fact]
    first = np.cumsum(series.count) - series.count
    usage = usage - np.where(series.from_first[:, None], usage[first], 0.0)[series.number]
    usage = np.maximum(usage, 0.0)
    on_mean = slots.on_mean[facts.slot[fact]]
    mean, mean_u, worst, worst_u = (
        facts.column(name)[fact].astype(np.float64) for name in ("mean", "mean_u", "worst", "worst_u")
    )
    wear, u = slots.wear_of(facts.slot[fact], np.where(on_mean, mean, worst)), np.where(on_mean, mean_u, worst_u)
    return Fleet(group, grounds, facts, series, usage, wear, u, slots.wear_of(facts.slot[fact], mean), mean_u)


def sample(fleet: Fleet, tools: Ints) -> Fleet:
    """The histories of components that were first measured in some of the tools."""
    first = np.cumsum(fleet.series.count) - fleet.series.count
    chosen = np.isin(fleet.tools(first), tools) if len(first) else np.zeros(0, np.bool_)
    kept = chosen[fleet.series.number]
    names = ("usage", "wear", "uncertainty", "mean_wear", "mean_uncertainty")
    columns = {name: getattr(fleet, name)[kept] for name in names}
    return replace(fleet, series=select(fleet.series, kept), **columns)


@dataclass(frozen=True, slots=True)
class FeatureReadings:
    """Readings of one feature, and the rows of the fleet's that they are."""

    readings: FleetReadings
    rows: Ints


def feature_readings(fleet: Fleet, feature: int, until: int | None = None) -> FeatureReadings:
    """Readings of one feature of a fleet.

    Parameters
    ----------
    fleet : Fleet
    feature : int
        Index into the type's features.
    until : int, optional
        Only those taken before, microseconds since 2000.
    """
    series, slots = fleet.series, fleet.layout.slots
    mine = slots.feature[series.slot] == feature
    reading = np.arange(len(series.number))
    first = np.cumsum(series.count) - series.count
    # of a part bought used or re-machined the first reading is the start, not a reading
    begun = starts_measured(series, slot_wear(fleet.layout), fleet.wear, fleet.uncertainty)
    starts = (reading == first[series.number]) & begun[series.number]
    kept = mine[series.number] & ~starts
    if until is not None:
        kept &= fleet.moments(reading) < until
    level = np.where(begun, fleet.wear[first], 0.0)
    variance = np.where(begun, np.square(fleet.uncertainty[first]), new_size_variance(slots.width[series.slot]))
    rows = np.flatnonzero(kept)
    counts = np.bincount(series.number[rows], minlength=len(series.count))
    has = counts > 0
    readings = FleetReadings.of(
        counts[has], fleet.usage[rows], fleet.wear[rows], fleet.uncertainty[rows], level[has], variance[has]
    )
    return FeatureReadings(readings, rows)


def rests_on(fleet: Fleet, rows: Ints) -> dict[str, Any]:
    """What some readings come from: tools, instances, readings and the time they cover."""
    moments: list[datetime | None] = [None, None]
    if len(rows):
        times = fleet.moments(rows)
        moments = [to_time(int(times.min())), to_time(int(times.max()))]
    return {
        "tools": len(np.unique(fleet.tools(rows))),
        "instances": len(np.unique(fleet.series.number[rows])),
        "readings": len(rows),
        "from": moments[0] and moments[0].isoformat(),
        "until": moments[1] and moments[1].isoformat(),
    }
