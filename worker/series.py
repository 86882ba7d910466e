"""What was measured of each feature of each component, in order: the histories that the wear filter runs over.

A *series* is one feature of one component. A reading that a second measurement stands in for is out of the series
from then on: the series is kept once more without it (its next *variant*).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from worker.facts import SizeFacts
from worker.group import Group

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
FOREVER = 2**62


@dataclass(frozen=True, slots=True)
class Series:
    """Histories one after another, each in the order of time.

    Attributes
    ----------
    fact, number : ndarray of int, shape (n,)
        Row of the facts, and number of the series, of each reading.
    rank : ndarray of int, shape (n,)
        Place of the reading in the order of time.
    usage : ndarray, shape (n,)
        Of the component then, [thousands of the basis]; NaN where something is missing since the first reading.
    count, slot, key, variant, turn : ndarray of int, shape (series,)
        Readings; a slot of the feature; what identifies component and feature; how often a reading of it had been
        stood in for; how often the component had been turned end for end, with which a series ends and another begins.
    from_first : ndarray of bool, shape (series,)
        Counted from the first reading: it came with a tool that was bought used.
    origin : ndarray, shape (series,)
        Usage taken off for that.
    origin_gaps : ndarray of int, shape (series,)
        Gaps in the tool's usage at that reading.
    swaps : dict
        For the key of a series with variants, the ranks at which one follows the other.
    """

    fact: Ints
    number: Ints
    rank: Ints
    usage: Floats
    count: Ints
    slot: Ints
    key: Ints
    variant: Ints
    turn: Ints
    from_first: Bools
    origin: Floats
    origin_gaps: Ints
    swaps: dict[int, Ints]


def bought_used(group: Group) -> Bools:
    """Which stints are of a component that came with a tool bought used, shape (stints,)."""
    tools = group.batch.tools
    return np.array(
        [stint.with_tool and tools[stint.tool_id].history == "unknown" for stint in group.batch.timeline.stints],
        np.bool_,
    )


def series_key(group: Group, instance: Ints, slot: Ints, turn: Ints) -> Ints:
    """One number for a component, how often it had been turned, and a feature of it."""
    lowest = -len(group.batch.timeline.stints) - 1
    one = (instance - lowest) * (group.most_turned + 1) + turn
    return one * len(group.layout.type.features) + group.layout.slots.feature[slot]


def fact_usage(group: Group, facts: SizeFacts) -> tuple[Floats, Bools]:
    """Usage of the component at each fact, [thousands of the basis], and whether all of it is on record."""
    place, row = group.layout.slots.place[facts.slot], np.maximum(facts.row, 0)
    usage, known = group.rows.usage[row, place].copy(), group.rows.known[row, place].copy()
    for n in np.flatnonzero((facts.row < 0) | facts.on_bench).tolist():
        inspection = group.batch.inspections[int(facts.inspection[n])]
        usage[n], known[n] = group.mileage.component_at(int(facts.instance[n]), inspection)
    return usage, known


def line_up(
    group: Group,
    facts: SizeFacts,
    usage: Floats,
    known: Bools,
    replaced: dict[tuple[int, int], int],
    runs_in: Bools,
) -> Series:
    """Put in order what may enter the filter.

    Parameters
    ----------
    group : Group
    facts : SizeFacts
    usage, known : ndarray, shape (facts,)
        As of `fact_usage`.
    replaced : dict
        For (inspection, slot) the rank of the inspection that measured it again.
    runs_in : ndarray of bool, shape (slots,)
        Slots whose parts run in: readings of them as new are left out.
    """
    used = _from_first(group, facts)
    enters = np.where(used, True, known & ~(runs_in[facts.slot] & (usage <= 0.0)))
    enters &= ~facts.column("blocked").astype(np.bool_)
    enters &= _is_valid(facts.column("worst_u")) & _is_valid(facts.column("mean_u"))
    turn = group.turned(facts.instance, facts.rank, facts.slot)
    key = series_key(group, facts.instance, facts.slot, turn)
    chosen, variant, swaps = _variants(np.flatnonzero(enters), key, facts, replaced)
    order = np.lexsort((facts.rank[chosen], variant, key[chosen]))
    chosen, variant = chosen[order], variant[order]
    begins = np.ones(len(chosen), np.bool_)
    begins[1:] = (np.diff(key[chosen]) != 0) | (np.diff(variant) != 0)
    start, number = np.flatnonzero(begins), np.cumsum(begins) - 1
    first = chosen[start]
    begun = _begun(group, facts, turn, first)
    origin = np.where(used[first], usage[begun], 0.0)
    gaps = group.rows.gaps[np.maximum(facts.row, 0)]
    broken = used[chosen] & (gaps[chosen] > gaps[begun][number])
    return Series(
        fact=chosen,
        number=number,
        rank=facts.rank[chosen],
        usage=_never_back(np.where(broken, np.nan, usage[chosen] - origin[number]), begins),
        count=np.bincount(number, minlength=len(start)),
        slot=facts.slot[first],
        key=key[first],
        variant=variant[start],
        turn=turn[first],
        from_first=used[first] & (begun == first),
        origin=origin,
        origin_gaps=gaps[begun],
        swaps=swaps,
    )


def _begun(group: Group, facts: SizeFacts, turn: Ints, first: Ints) -> Ints:
    """First reading of what each series is of: of a series after a reversal that of the same end before it."""
    if not turn[first].any():
        return first
    end = np.where(turn % 2 == 1, group.layout.opposite[facts.slot], facts.slot)[first]
    name = series_key(group, facts.instance[first], end, np.zeros_like(end))
    begun = first.copy()
    for series in np.flatnonzero(turn[first] > 0).tolist():
        same = np.flatnonzero((name == name[series]) & (turn[first] < turn[first[series]]))
        if len(same):
            begun[series] = first[same[np.argmin(facts.rank[first[same]])]]
    return begun


def _from_first(group: Group, facts: SizeFacts) -> Bools:
    held = group.rows.held[np.maximum(facts.row, 0), group.layout.slots.place[facts.slot]]
    return bought_used(group)[held] & (facts.row >= 0) & ~facts.on_bench


def _is_valid(u: NDArray[np.generic]) -> Bools:
    width = u.astype(np.float64)
    return np.isfinite(width) & (width > 0)


def _never_back(usage: Floats, begins: Bools) -> Floats:
    """Usage of a component summed over several tools may be short of itself by a rounding."""
    short = np.flatnonzero(~begins[1:] & (np.diff(usage) < 0)) + 1
    for n in short.tolist():
        usage[n] = max(usage[n], usage[n - 1])
    return usage


def _variants(
    enters: Ints, key: Ints, facts: SizeFacts, replaced: dict[tuple[int, int], int]
) -> tuple[Ints, Ints, dict[int, Ints]]:
    """Readings of every variant, the variant of each, and when one variant follows the other."""
    variant = np.zeros(len(enters), np.int64)
    if not replaced:
        return enters, variant, {}
    keys = zip(facts.inspection.tolist(), facts.slot.tolist(), strict=True)
    until = np.array([replaced.get(pair, FOREVER) for pair in keys], np.int64)
    chosen, variants, swaps = [enters], [variant], {}
    for series in np.unique(key[enters[until[enters] < FOREVER]]).tolist():
        members = enters[key[enters] == series]
        times = np.unique(until[members])
        swaps[series] = times[times < FOREVER]
        for n, time in enumerate(swaps[series].tolist(), start=1):
            standing = members[until[members] > time]
            chosen.append(standing)
            variants.append(np.full(len(standing), n, np.int64))
    return np.concatenate(chosen), np.concatenate(variants), swaps


def find_rows(names: Ints, wanted: Ints) -> Ints:
    """Place of each wanted name among names that stand once, -1 where it is not there."""
    if not len(names):
        return np.full(wanted.shape, -1)
    order = np.argsort(names)
    at = np.minimum(np.searchsorted(names[order], wanted), len(order) - 1)
    return np.where(names[order][at] == wanted, order[at], -1)


def find(series: Series, key: Ints, rank: Ints) -> tuple[Ints, Ints]:
    """The series that holds at each of some moments, and its last reading not after it.

    Parameters
    ----------
    series : Series
    key, rank : ndarray of int, shape (q,)
        Component and feature, as of `series_key`, and place in the order of time.

    Returns
    -------
    number, reading : ndarray of int, shape (q,)
        -1 where there is no such series, or no reading yet.
    """
    variant = np.zeros(key.shape, np.int64)
    for swapped, times in series.swaps.items():
        here = key == swapped
        variant[here] = np.searchsorted(times, rank[here], side="right")
    many = int(series.variant.max(initial=0)) + 1
    names = series.key * many + series.variant
    wanted = key * many + variant
    if not len(names):
        nothing = np.full(key.shape, -1)
        return nothing, nothing
    number = np.minimum(np.searchsorted(names, wanted), len(names) - 1)
    number = np.where(names[number] == wanted, number, -1)
    # ranks are dense enough to stand beside the number of the series in one sorted column
    width = int(max(series.rank.max(initial=0), rank.max(initial=0))) + 2
    place = np.searchsorted(series.number * width + series.rank, number * width + rank, side="right") - 1
    found = (number >= 0) & (place >= 0)
    found &= series.number[np.maximum(place, 0)] == number
    return number, np.where(found, place, -1)


def stood_in_for(group: Group, facts: SizeFacts) -> dict[tuple[int, int], int]:
    """For each (inspection, slot) that a later inspection measured again, and is believed: the rank of that one."""
    inspections = group.batch.inspections
    again = [n for n, row in enumerate(inspections) if row.remeasures is not None and row.state != "failed"]
    if not again:
        return {}
    number = {row.inspection_id: n for n, row in enumerate(inspections)}
    measured: dict[int, dict[int, tuple[int, int] | None]] = {}
    believed = ~facts.column("blocked").astype(np.bool_)
    turn = group.turned(facts.instance, facts.rank, facts.slot)
    columns = (column.tolist() for column in (facts.inspection, facts.slot, facts.instance, turn, believed))
    for inspection, slot, instance, turned, good in zip(*columns, strict=True):
        measured.setdefault(inspection, {})[slot] = (instance, turned) if good else None
    replaced = {}
    for n in again:
        remeasures = inspections[n].remeasures
        before = number.get(remeasures) if remeasures else None
        first = measured.get(before, {}) if before is not None else {}
        for slot, who in measured.get(n, {}).items():
            if before is not None and slot in first and first[slot] == who:
                replaced[before, slot] = int(group.batch.rank[n])
    return replaced
