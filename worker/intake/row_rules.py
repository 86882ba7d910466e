"""Rules between the cells of one row: the same, with the same codes, as of a reading sent as JSON."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from service import faults
from worker.intake.table import BAD, BLANK, Column, RowFault
from worker.intake.values import ORDER

Mask = NDArray[np.bool_]
Lines = NDArray[np.int64]


def blank_faults(name: str, columns: dict[str, Column], line: Lines, bad: Mask) -> list[RowFault]:
    """Return a fault for each row whose cell is empty; `bad` is marked."""
    where = _index(columns, name, len(line)) == BLANK
    return _faults(where, name, "required", None, line, bad)


def reading_faults(columns: dict[str, Column], line: Lines, bad: Mask) -> list[RowFault]:
    """Return what is wrong between kind, value, trace and unit; `bad` is marked."""
    rows = len(line)
    kind, value, trace = (_index(columns, name, rows) for name in ("kind", "value", "trace"))
    is_trace = _is(columns, "kind", "trace", rows)
    is_deviation = _is(columns, "kind", "deviation", rows)
    readable = ~is_trace & (kind != BAD)
    is_size = readable & ~is_deviation
    given = (value != BLANK) & (value != BAD)
    below = np.zeros(rows, np.bool_)
    if "value" in columns:
        numbers = columns["value"].numbers
        if numbers is not None and len(numbers):
            below = is_size & (value >= 0) & (numbers < 0)[np.maximum(value, 0)]
    found = _faults(is_trace & (trace == BLANK), "trace", "required", None, line, bad)
    found += _faults(is_trace & given, "value", "invalid", faults.NO_VALUE_BESIDE_A_TRACE, line, bad)
    found += _faults(readable & (value == BLANK), "value", "required", None, line, bad)
    found += _faults(below, "value", "out-of-range", "a size cannot be below 0", line, bad)
    words = faults.NO_TRACE_BESIDE_A_VALUE
    found += _faults(readable & (trace != BLANK) & (trace != BAD), "trace", "invalid", words, line, bad)
    if "unit" in columns:
        without = (columns["unit"].index == BLANK) & ((value != BLANK) | (trace != BLANK))
        found += _faults(without, "unit", "required", "is required with readings", line, bad)
    found += _faults(
        is_deviation & (_index(columns, "master", rows) == BLANK), "master", "master-required", None, line, bad
    )
    return found


def _index(columns: dict[str, Column], name: str, rows: int) -> NDArray[np.int32]:
    column = columns.get(name)
    return np.full(rows, BLANK, np.int32) if column is None else column.index


def _is(columns: dict[str, Column], name: str, word: str, rows: int) -> Mask:
    column = columns.get(name)
    if column is None or word not in column.words:
        return np.zeros(rows, np.bool_)
    return column.index == column.words.index(word)


def _faults(where: Mask, name: str, code: str, words: str | None, line: Lines, bad: Mask) -> list[RowFault]:
    if not where.any():
        return []
    bad |= where
    shown = line[where][: faults.MAX_EXPORT_FAULTS].tolist()
    words = faults.CODES[code] if words is None else words
    return [RowFault(row, ORDER[name], name, code, words) for row in shown]
