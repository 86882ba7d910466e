"""What each size of a group followed: the tool's own history, one inspection after another."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from worker.bench import Subjects
from worker.group import Group
from worker.method.history_blunders import Exchange, common_stations, find_exchanges, steps_between
from worker.scene import Scene

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class History:
    """What each size followed; shape (m,) unless said.

    Attributes
    ----------
    before : ndarray of int
        Measurand of the same component's feature that it was compared with; -1 = none.
    wear, score : ndarray
        Worn since, and the score of that; NaN without a measurement before.
    blocked : ndarray of bool
        By its history, or by what was known before.
    exchanges : dict
        Stations that look exchanged, by measurand.
    last : ndarray of int, shape (inspections, slots)
        Newest earlier measurand of each slot that is not blocked, of whichever component; -1 = none.
    """

    before: Ints
    wear: Floats
    score: Floats
    blocked: Bools
    exchanges: dict[int, Exchange]
    last: Ints


class _Order:
    """The measured inspections of each tool in the order of time."""

    def __init__(self, group: Group, inspections: list[int], measurand_of: Ints) -> None:
        rows = group.batch.inspections
        self.tool = np.array([rows[n].tool_id for n in inspections], np.int64)
        self.order = np.lexsort((group.batch.rank[inspections], self.tool))
        self.table = measurand_of[self.order]

    def earlier(self, usable: Bools) -> Ints:
        """Newest usable measurand before each (inspection, slot), in the order handed in."""
        count = len(self.order)
        at = np.where((self.table >= 0) & np.append(usable, False)[self.table], np.arange(count)[:, None], -1)
        row = np.full(at.shape, -1)
        if count:
            row[1:] = np.maximum.accumulate(at, axis=0)[:-1]
        tool = self.tool[self.order]
        same_tool = (row >= 0) & (tool[row] == tool[:, None])
        found = np.full(at.shape, -1)
        found[self.order] = np.where(same_tool, np.take_along_axis(self.table, np.maximum(row, 0), axis=0), -1)
        return found


def earlier_sizes(
    group: Group, inspections: list[int], scene: Scene, measurand_of: Ints, again: dict[int, int], blocked: Bools
) -> History:
    """Compare each size with the one before it, in the order of time.

    Parameters
    ----------
    group : Group
    inspections : list of int
        Rows of `Batch.inspections` that were measured.
    scene : Scene
    measurand_of : ndarray of int, shape (inspections, slots)
    again : dict
        For an inspection that measures another again, that one: not what it followed.
    blocked : ndarray of bool, shape (m,)
        What is blocked by itself, and so is no measure for a later one.

    Notes
    -----
    What is found to be blocked moves what the next one is compared with, so this goes round until nothing moves;
    each round settles at least one more inspection of each tool.
    """
    sizes, subjects = scene.sizes, scene.workpiece.subjects
    m = len(sizes.readings)
    who = ends_of(group, inspections, subjects)
    order = _Order(group, inspections, measurand_of)
    index = {n: at for at, n in enumerate(inspections)}
    firsts = {index[now]: index[first] for now, first in again.items()}
    measured = sizes.readings > 0
    known = blocked | _blocked_before(group, inspections, measurand_of, m)
    before, wear, score = np.full(m, -1), np.full(m, np.nan), np.full(m, np.nan)
    exchanges: dict[int, Exchange] = {}
    found = known.copy()
    while True:
        last = order.earlier(measured & ~found)
        compared = _same_component(last, measurand_of, who, firsts)
        compared[~measured] = -1
        moved = np.flatnonzero(compared != before)
        if not len(moved):
            return History(before, wear, score, found, exchanges, last)
        before = compared
        wear[moved] = score[moved] = np.nan
        for row in moved.tolist() if exchanges else ():
            exchanges.pop(row, None)
        now = moved[compared[moved] >= 0]
        if len(now):
            pairs = common_stations(sizes, now, compared[now])
            steps = steps_between(sizes, now, compared[now], pairs, scene.slots.grows[subjects.slot[now]])
            wear[now], score[now] = steps.wear, steps.score
            for exchange in find_exchanges(sizes, pairs, len(now)):
                exchanges[int(now[exchange.pair])] = exchange
        found = known | (score < -1.0)
        found[list(exchanges)] = True


def ends_of(group: Group, inspections: list[int], subjects: Subjects) -> Ints:
    """One number for the component of each measurand and how often it had been turned end for end, shape (m,)."""
    rank = group.batch.rank[np.array(inspections, np.int64)][subjects.inspection]
    turned = group.turned(subjects.instance, rank, subjects.slot)
    return subjects.instance * (group.most_turned + 1) + turned


def _same_component(last: Ints, measurand_of: Ints, who: Ints, firsts: dict[int, int]) -> Ints:
    """What each measurand is compared with, shape (m,): the newest earlier one of the same component, not turned since.

    The stations of one end are not those of the other.
    """
    before = np.full(len(who), -1)
    rows, slots = np.nonzero(measurand_of >= 0)
    now, then = measurand_of[rows, slots], last[rows, slots]
    same = (then >= 0) & (np.append(who, 0)[then] == who[now])
    before[now] = np.where(same, then, -1)
    for second, first in firsts.items():
        for a, b in zip(measurand_of[second].tolist(), measurand_of[first].tolist(), strict=True):
            if a >= 0 and b >= 0 and before[a] == b:
                before[a] = before[b]
    return before


def _blocked_before(group: Group, inspections: list[int], measurand_of: Ints, m: int) -> Bools:
    """What an earlier assessment found blocked, of the inspections that are not computed now, shape (m,)."""
    mask = np.zeros(m, np.bool_)
    past = {n: at for at, n in enumerate(inspections) if n not in group.batch.due}
    if not past:
        return mask
    table, layout = group.batch.sizes, group.layout
    code_of = {number: code for code, number in group.batch.codes.items()}
    for row in np.flatnonzero(table["blocked"].astype(np.bool_)).tolist():
        at = past.get(int(table["inspection"][row]))
        key = (code_of.get(int(table["feature_id"][row]), ""), int(table["position"][row]))
        slot = layout.slot_of.get(key)
        if at is not None and slot is not None and measurand_of[at, slot] >= 0:
            mask[measurand_of[at, slot]] = True
    return mask
