"""The good rows of a file gathered to inspections: one for each tool, reference and stage.

What an inspection says once may stand on any of its rows. Where two rows do not agree, the later one is a fault.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from service import canonical, faults
from service.canonical import STAGES
from service.layouts import ONCE
from worker.intake.references import index_of, refuse, words_of
from worker.intake.table import BLANK, Column, RowFault, Table

SPREAD = 24 * 3600 * 1_000_000
"""Microseconds that the rows of an inspection may lie apart."""

Ints = NDArray[np.int64]


@dataclass(slots=True)
class Groups:
    """Inspections as arrays of shape (groups,), in the order of their first row.

    Attributes
    ----------
    row : ndarray
        The good rows in the order of groups, and within one in the order of the file.
    start : ndarray, shape (groups + 1,)
        Where each group begins in `row`.
    tool, reference : ndarray
        Indexes of words.
    stage : ndarray
        Index in `canonical.STAGES`.
    taken_at : ndarray
        Microseconds since 2000: the latest of the rows.
    once : dict
        For each column that may stand on one row: the index of the group's word, `BLANK` where none says it.
    """

    row: Ints
    start: Ints
    tool: Ints
    reference: Ints
    stage: Ints
    taken_at: Ints
    once: dict[str, Ints]

    def __len__(self) -> int:
        return len(self.start) - 1

    def rows_of(self, group: int) -> Ints:
        """Return the rows of one group."""
        return self.row[self.start[group] : self.start[group + 1]]

    def only(self, chosen: Ints) -> Groups:
        """Return some of the groups."""
        size = np.diff(self.start)[chosen]
        start = np.concatenate(([0], np.cumsum(size))).astype(np.int64)
        row = self.row[np.repeat(self.start[chosen] - start[:-1], size) + np.arange(start[-1])]
        once = {name: index[chosen] for name, index in self.once.items()}
        tool, reference, stage = self.tool[chosen], self.reference[chosen], self.stage[chosen]
        return Groups(row, start, tool, reference, stage, self.taken_at[chosen], once)

    def stage_words(self) -> list[str]:
        """Return the stage of each group."""
        return [STAGES[stage] for stage in self.stage.tolist()]

    def carries_usage(self) -> NDArray[np.bool_]:
        """Return which groups say what was run."""
        found = np.zeros(len(self), np.bool_)
        for name in ("metres", "hours"):
            if name in self.once:
                found |= self.once[name] >= 0
        return found

    def of_row(self) -> Ints:
        """Return the group of each entry of `row`."""
        return np.repeat(np.arange(len(self)), np.diff(self.start))


def gather(table: Table) -> tuple[Groups, list[RowFault]]:
    """Gather the good rows and check them against each other; `table.bad` is marked.

    Returns
    -------
    Groups
        Of the rows that are good after that.
    list of RowFault
    """
    order = _Order(table)
    found = _check_spread(table, order)
    found += _check_once(table, order)
    if "check" in table.columns:
        found += _check_repeated(table, order)
    if "setup" in table.columns:
        found += _check_setups(table, order)
    found += _check_size(table, order)
    row, start = order.now()
    return _groups(table, row, start), found


# ---------------------------------------------------------------- gathering


def stages(table: Table) -> Ints:
    """Return the stage of each row, its default filled in."""
    place = {word: place for place, word in enumerate(STAGES)}
    return np.array([*(place[word] for word in words_of(table, "stage")), 0, 0], np.int64)[index_of(table, "stage")]


@dataclass(slots=True)
class _Order:
    """The good rows of a table group by group, sorted anew where more rows have turned out to be bad."""

    table: Table
    _count: int = -1  # of good rows; they only become fewer
    _sorted: tuple[Ints, Ints] = (np.empty(0, np.int64), np.zeros(1, np.int64))

    def now(self) -> tuple[Ints, Ints]:
        """Return the rows, groups in the order of their first one, and where each group begins."""
        good = np.flatnonzero(~self.table.bad)
        if len(good) != self._count:
            self._count, self._sorted = len(good), _ordered(self.table, good)
        return self._sorted


def _ordered(table: Table, good: Ints) -> tuple[Ints, Ints]:
    if not len(good):
        return good, np.zeros(1, np.int64)
    key = index_of(table, "tool")[good].astype(np.int64)
    key *= len(words_of(table, "reference")) + 1
    key += index_of(table, "reference")[good]
    key *= len(STAGES)
    if "stage" in table.columns:
        key += stages(table)[good]
    changes = np.flatnonzero(np.diff(key)) + 1
    if len(np.unique(key[np.concatenate(([0], changes))])) == len(changes) + 1:  # every group is contiguous
        return good, np.concatenate(([0], changes, [len(good)])).astype(np.int64)
    _, first, inverse = np.unique(key, return_index=True, return_inverse=True)
    rank = np.empty(len(first), np.int64)
    rank[np.argsort(first)] = np.arange(len(first))
    group = rank[inverse]
    order = np.argsort(group, kind="stable")
    return good[order], np.concatenate(([0], np.cumsum(np.bincount(group)))).astype(np.int64)


def _groups(table: Table, row: Ints, start: Ints) -> Groups:
    first = row[start[:-1]]
    times = _times(table)[row]
    latest = np.maximum.reduceat(times, start[:-1]) if len(first) else times
    return Groups(
        row,
        start,
        index_of(table, "tool")[first].astype(np.int64),
        index_of(table, "reference")[first].astype(np.int64),
        stages(table)[first],
        latest,
        {name: _first_said(index_of(table, name)[row], start) for name in ONCE if name in table.columns},
    )


def one_group(table: Table, rows: Ints) -> Groups:
    """Return the one group that rows of one inspection make."""
    return _groups(table, rows, np.array([0, len(rows)], np.int64))


def _times(table: Table) -> Ints:
    column = table.columns.get("taken_at")
    if column is None or column.numbers is None:
        return np.zeros(len(table.line), np.int64)
    return np.concatenate([column.numbers.astype(np.int64), [0, 0]])[column.index]


def _first_said(index: NDArray[np.int32], start: Ints) -> Ints:
    """Return for each group the first index that is not blank."""
    if not len(index):
        return np.empty(0, np.int64)
    places = np.where(index >= 0, np.arange(len(index)), len(index))
    first = np.minimum.reduceat(places, start[:-1])
    return np.concatenate([index, [BLANK]])[first].astype(np.int64)


# ---------------------------------------------------------------- rules


def _check_spread(table: Table, order: _Order) -> list[RowFault]:
    """Refuse each row that would spread its group over more than a day, in the order of the file."""
    row, start = order.now()
    if not len(row):
        return []
    times = _times(table)[row]
    spread = np.maximum.reduceat(times, start[:-1]) - np.minimum.reduceat(times, start[:-1])
    where = np.zeros(len(table.line), np.bool_)
    for group in np.flatnonzero(spread > SPREAD).tolist():
        low = high = int(times[start[group]])
        for place in range(int(start[group]), int(start[group + 1])):
            moment = int(times[place])
            if max(high, moment) - min(low, moment) > SPREAD:
                where[row[place]] = True
            else:
                low, high = min(low, moment), max(high, moment)
    return refuse(table, where, "taken_at", lambda _: "group-spread")


def _check_once(table: Table, order: _Order) -> list[RowFault]:
    found: list[RowFault] = []
    for name in ONCE:
        column = table.columns.get(name)
        if column is None or column.different < 2:
            continue
        row, start = order.now()
        index = column.index[row]
        said = np.repeat(_first_said(index, start), np.diff(start))
        where = np.zeros(len(table.line), np.bool_)
        where[row[(index >= 0) & (index != said)]] = True
        words = "another row of the inspection says it differently"
        found += refuse(table, where, name, lambda _: "header-differs", words)
    return found + _check_ground(table, order)


def _check_ground(table: Table, order: _Order) -> list[RowFault]:
    """A ground without an amount is no usage."""
    if "ground" not in table.columns:
        return []
    row, start = order.now()
    amount = np.zeros(len(start) - 1, np.bool_)
    for name in ("metres", "hours"):
        amount |= _first_said(index_of(table, name)[row], start) >= 0
    where = np.zeros(len(table.line), np.bool_)
    where[row[~np.repeat(amount, np.diff(start)) & (index_of(table, "ground")[row] >= 0)]] = True
    return refuse(table, where, "metres", lambda _: "required", "metres or hours is required")


def _check_repeated(table: Table, order: _Order) -> list[RowFault]:
    """A check has one result in an inspection."""
    row, start = order.now()
    group = np.repeat(np.arange(len(start) - 1), np.diff(start))
    return _later_ones(table, row, group * (len(words_of(table, "check")) + 1) + index_of(table, "check")[row])


def _later_ones(table: Table, row: Ints, key: Ints) -> list[RowFault]:
    where = np.zeros(len(table.line), np.bool_)
    where[row] = True
    where[row[np.unique(key, return_index=True)[1]]] = False
    return refuse(table, where, "check", lambda _: "duplicate")


def _check_setups(table: Table, order: _Order) -> list[RowFault]:
    """One zero setting of a gauge has one number of readings at zero."""
    row, start = order.now()
    zero, setup = index_of(table, "readings_at_zero")[row], index_of(table, "setup")[row]
    said: dict[tuple[int, ...], int] = {}
    where = np.zeros(len(table.line), np.bool_)
    group = np.repeat(np.arange(len(start) - 1), np.diff(start))
    gauge, master = index_of(table, "gauge")[row], index_of(table, "master")[row]
    for place in np.flatnonzero((setup >= 0) & (zero >= 0)).tolist():
        key = (int(group[place]), int(setup[place]), int(gauge[place]), int(master[place]))
        where[row[place]] = said.setdefault(key, int(zero[place])) != int(zero[place])
    words = "another row of the inspection says it differently"
    return refuse(table, where, "readings_at_zero", lambda _: "header-differs", words)


def _check_size(table: Table, order: _Order) -> list[RowFault]:
    row, start = order.now()
    size = np.diff(start)
    if not (size > canonical.MAX_READINGS).any():
        return []
    where = np.zeros(len(table.line), np.bool_)
    where[row[np.repeat(size > canonical.MAX_READINGS, size)]] = True
    words = f"an inspection has at most {canonical.MAX_READINGS} rows"
    return refuse(table, where, "reference", lambda _: "too-many", words)


def refuse_groups(table: Table, groups: Groups, why: dict[int, tuple[str, str, str]]) -> list[RowFault]:
    """Refuse every row of some groups; `table.bad` is marked.

    Parameters
    ----------
    table : Table
    groups : Groups
    why : dict
        Group -> (column, code, message).
    """
    found: list[RowFault] = []
    for group, (name, code, words) in why.items():
        rows = groups.rows_of(group)
        table.bad[rows] = True
        if len(found) < faults.MAX_EXPORT_FAULTS:
            where = np.zeros(len(table.line), np.bool_)
            where[rows] = True
            found += refuse(table, where, name, lambda _, code=code: code, words)  # type: ignore[misc]
    return found


def said(column: Column | None, word: int) -> str | None:
    """Return the text that a group says once."""
    return None if column is None or word < 0 else column.words[word]


def number_said(column: Column | None, word: int) -> float | None:
    """Return the number that a group says once."""
    return None if column is None or column.numbers is None or word < 0 else float(column.numbers[word])
