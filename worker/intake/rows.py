"""The rows that new inspections of a file become: ids in place of names, lengths in mm, as columns."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

import msgspec
import numpy as np
from numpy.typing import NDArray

from service import canonical
from service.canonical import STAGES
from service.store.codes import code_ids
from service.store.columns import NULL_FIELD, Column, array_field, to_time, years_of
from service.store.new_inspections import NewInspections, NewUsage, fresh_ids
from service.store.pool import Connection
from service.store.sources import CheckRow, SetupRow
from worker.intake.digests import check_results, lengths, setups_of, usage_of
from worker.intake.groups import Groups
from worker.intake.ranks import combine
from worker.intake.references import References, index_of, positions_of
from worker.intake.table import BLANK, Table

Ints = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class NewRows:
    """New inspections and their readings, in the order of time.

    Attributes
    ----------
    inspections : NewInspections
    row, place, ordinal : ndarray, shape (count,)
        Of each reading: its row in the table, its inspection, its number there.
    """

    inspections: NewInspections
    row: Ints
    place: Ints
    ordinal: Ints
    _table: Table
    _references: References
    _features: NDArray[np.int64]
    _mm: NDArray[np.float64]
    _group: Ints  # of each inspection
    _groups: Groups

    @property
    def has_traces(self) -> bool:
        """Whether any row of the file is a trace."""
        return "trace" in self._table.columns

    def traces(self, low: int, high: int) -> list[bytes]:
        """Return the traces of readings `low` to before `high`, each as a field of a binary row."""
        rows = self.row[low:high]
        texts, units = self._table.columns["trace"].words, _words_of(self._table, "unit")
        pairs = list(
            zip(
                index_of(self._table, "trace")[rows].tolist(), index_of(self._table, "unit")[rows].tolist(), strict=True
            )
        )
        fields = {
            (t, u): array_field(trace_in_mm(texts[t], units[u] if u >= 0 else "mm")) for t, u in set(pairs) if t >= 0
        }
        return [fields.get(pair, NULL_FIELD) for pair in pairs]

    @property
    def count(self) -> int:
        """Number of readings."""
        return len(self.row)

    def years(self) -> list[int]:
        """Return the years of the inspections."""
        years: list[int] = np.unique(years_of(self.inspections.taken_at)).tolist()
        return years

    def earliest(self) -> tuple[list[int], list[datetime]]:
        """Return each tool and its earliest inspection."""
        tools, where = np.unique(self.inspections.tool_id, return_inverse=True)
        first = np.full(len(tools), np.iinfo(np.int64).max)
        np.minimum.at(first, where, self.inspections.taken_at)
        return tools.tolist(), [moment for micros in first.tolist() if (moment := to_time(micros)) is not None]

    def digests(self, of_group: Sequence[bytes]) -> list[bytes]:
        """Return the digest of each inspection from those of the file's groups."""
        return [of_group[group] for group in self._group.tolist()]

    def usage(self, since: dict[int, int]) -> NewUsage:
        """Return the usage of those that carry some, from where it begins."""
        groups = self._group.tolist()
        places = np.flatnonzero(np.isin(self._group, list(since)))
        begins = np.array([since[groups[place]] for place in places.tolist()], np.int64)
        metres = _once_number(self._table, self._groups, "metres", self._group[places])
        hours = _once_number(self._table, self._groups, "hours", self._group[places])
        return NewUsage(places, begins, metres, hours)

    def columns(self, low: int, high: int) -> Sequence[Column]:
        """Return the columns of readings `low` to before `high`."""
        table, references, new = self._table, self._references, self.inspections
        rows, place = self.row[low:high], self.place[low:high]
        feature, tool = index_of(table, "feature")[rows], index_of(table, "tool")[rows]
        position = positions_of(table)[rows]
        once = references.quantity[references.type_of_tool[tool], feature] == 1
        unit, kind, setup = (index_of(table, name)[rows] for name in ("unit", "kind", "setup"))
        ones = np.ones(len(rows), np.int32)
        in_mm = _unit_is_mm(table)[unit]
        sent, blank = _numbers(table, "value", rows)
        return [
            Column("taken_at", "i8", new.taken_at[place]),
            Column("inspection_id", "V16", new.inspection_id[place]),
            Column("inspection_version", "i4", ones),
            Column("ordinal", "i4", self.ordinal[low:high]),
            Column("tool_id", "i4", new.tool_id[place]),
            Column("source", "i4", ones),
            Column("feature_id", "i4", self._features[feature]),
            Column("position", "i2", position, (position == 0) | once),
            Column("component_id", "i4", ones, ones == 1),
            _number("station", "i2", table, rows),
            _number("orientation", "f8", table, rows),
            Column("kind", "i2", _kinds(table)[kind]),
            Column("value", "f8", self._mm[low:high]),
            Column("sent", "f8", sent, in_mm | blank),
            Column("sent_unit", "text", unit, in_mm, _words_of(table, "unit")),
            _id("gauge_id", references.gauge_id, table, "gauge", rows),
            _id("master_id", references.master_id, table, "master", rows),
            Column("setup", "text", setup, setup < 0, _words_of(table, "setup")),
            _number("temperature_c", "f8", table, rows),
            _number("reference_temperature_c", "f8", table, rows),
        ]


def new_rows(conn: Connection, table: Table, groups: Groups, references: References, chosen: Ints) -> NewRows:
    """Return the rows of some groups of a file.

    Parameters
    ----------
    conn : Connection
        Features the store has no number for yet get one.
    table, groups, references
        The file.
    chosen : ndarray
        Groups, all new.
    """
    chosen = chosen[np.argsort(groups.taken_at[chosen], kind="stable")]
    size = np.diff(groups.start)[chosen]
    place = np.repeat(np.arange(len(chosen)), size)
    ordinal = np.arange(size.sum()) - np.repeat(np.cumsum(size) - size, size)
    row = groups.row[np.repeat(groups.start[chosen], size) + ordinal]
    is_readings = "check" not in table.columns
    features = np.zeros(1, np.int64)
    mm = np.empty(0)
    if is_readings:
        names = table.columns["feature"].words
        ids = code_ids(conn, (names[word] for word in np.unique(index_of(table, "feature")[row]).tolist()))
        features = np.array([ids.get(name, 0) for name in names], np.int64)
        number, values, units = lengths(table, row)
        figures = [canonical.length_mm(value, unit) for value, unit in zip(values, units, strict=True)]
        mm = np.array(figures, np.float64)[number]
        mm[index_of(table, "value")[row] < 0] = np.nan  # a trace has none
    else:
        row, place, ordinal = row[:0], place[:0], ordinal[:0]
    inspections = _inspections(table, groups, references, chosen)
    return NewRows(inspections, row, place, ordinal, table, references, features, mm, chosen, groups)


def _inspections(table: Table, groups: Groups, references: References, chosen: Ints) -> NewInspections:
    count = len(chosen)
    listed = chosen.tolist()
    return NewInspections(
        inspection_id=fresh_ids(count),
        tool_id=references.tool_id[groups.tool[chosen]].astype(np.int64),
        taken_at=groups.taken_at[chosen],
        reference=_words(table, "reference", groups.reference[chosen]),
        stage=Column("stage", "text", groups.stage[chosen], words=STAGES),
        inspector=_once(table, groups, "inspector", chosen),
        thermometer=_once(table, groups, "thermometer", chosen),
        thermometer_u_c=_once_number(table, groups, "thermometer_u_c", chosen),
        usage=_amounts(table, groups, chosen),
        checks=_checks(table, groups, listed),
        setups=_setups(table, groups, listed),
    )


def amounts_json(table: Table, groups: Groups, group: int) -> bytes | None:
    """Return the usage of a group as the table of usage keeps it; None where it says nothing."""
    usage = usage_of(table, groups, group)
    if usage is None:
        return None
    shares = canonical.ground_shares(usage.ground)
    return msgspec.json.encode([{"metres": usage.metres, "hours": usage.hours, "ground": shares}])


def _amounts(table: Table, groups: Groups, chosen: Ints) -> list[bytes | None]:
    """Return what `amounts_json` does for each of these groups; few different ones are said."""
    said = [groups.once[name][chosen] - BLANK for name in ("metres", "hours", "ground") if name in groups.once]
    if not said:
        return [None] * len(chosen)
    number, _ = combine(said, [int(index.max()) + 1 for index in said])
    _, first = np.unique(number, return_index=True)
    texts = [amounts_json(table, groups, group) for group in chosen[first].tolist()]
    return [texts[which] for which in number.tolist()]


def trace_in_mm(samples: str, unit: str) -> list[float]:
    """Return the samples of a trace as it stands in its cell."""
    return [canonical.length_mm(float(sample), unit) for sample in samples.split()]


def check_rows(table: Table, groups: Groups) -> list[CheckRow]:
    """Return the check result of each row as it is stored, in the order of groups."""
    return [CheckRow(1, c.check, c.result, c.note) for c in check_results(table, groups)]


def setup_rows(found: set[tuple[str, str, str, int]]) -> list[SetupRow]:
    """Return zero settings as they are stored."""
    return [SetupRow(1, setup, gauge or None, master or None, zero) for setup, gauge, master, zero in sorted(found)]


def _checks(table: Table, groups: Groups, listed: list[int]) -> list[bytes | None]:
    if "check" not in table.columns:
        return [None] * len(listed)
    every = check_rows(table, groups)
    return [msgspec.json.encode(every[groups.start[group] : groups.start[group + 1]]) for group in listed]


def _setups(table: Table, groups: Groups, listed: list[int]) -> list[bytes | None]:
    found = setups_of(table, groups)
    return [msgspec.json.encode(setup_rows(found[group])) if group in found else None for group in listed]


def _once(table: Table, groups: Groups, name: str, chosen: Ints) -> Column:
    index = groups.once[name][chosen] if name in groups.once else np.full(len(chosen), BLANK, np.int64)
    return _words(table, name, index)


def _once_number(table: Table, groups: Groups, name: str, chosen: Ints) -> NDArray[np.float64]:
    column = table.columns.get(name)
    if column is None or column.numbers is None or name not in groups.once:
        return np.full(len(chosen), np.nan)
    return np.concatenate([column.numbers, [np.nan, np.nan]])[groups.once[name][chosen]]


def _words(table: Table, name: str, index: Ints) -> Column:
    return Column(name, "text", index, index < 0, _words_of(table, name))


def _words_of(table: Table, name: str) -> tuple[str, ...]:
    column = table.columns.get(name)
    return () if column is None else tuple(column.words)


# ---------------------------------------------------------------- readings


def _numbers(table: Table, name: str, rows: Ints) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    column = table.columns.get(name)
    if column is None or column.numbers is None:
        return np.zeros(len(rows)), np.ones(len(rows), np.bool_)
    index = column.index[rows]
    return np.concatenate([column.numbers, [0.0, 0.0]])[index], index < 0


def _number(name: str, kind: str, table: Table, rows: Ints) -> Column:
    values, null = _numbers(table, name, rows)
    return Column(name, kind, values, null)


def _id(name: str, ids: NDArray[np.int32], table: Table, column: str, rows: Ints) -> Column:
    index = index_of(table, column)[rows]
    return Column(name, "i4", ids[index], index < 0)


def _kinds(table: Table) -> NDArray[np.int16]:
    column = table.columns.get("kind")
    words = [] if column is None else column.words
    return np.array([*(canonical.KINDS.index(word) for word in words), 0, 0], np.int16)


def _unit_is_mm(table: Table) -> NDArray[np.bool_]:
    column = table.columns.get("unit")
    words = [] if column is None else column.words
    return np.array([*(word == "mm" for word in words), True, True], np.bool_)
