"""A file's bytes to its table: lines, header, cells, each different text read once, then the rules of a row."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any, BinaryIO

import numpy as np
from numpy.typing import NDArray

from service import faults
from service.layouts import REQUIRED, TIME_OF_DAY, Layout
from service.store.columns import to_micros
from worker.intake import row_rules, times, values
from worker.intake.ahead import ahead
from worker.intake.cells import Cells, split
from worker.intake.encoding import utf8_pieces
from worker.intake.header import Header, find_header, unit_word
from worker.intake.lines import LineFault, read_rows, split_lines
from worker.intake.table import BAD, BLANK, Column, RowFault, Table, Unreadable, first
from worker.intake.values import Bad, Rule, Value


@dataclass(frozen=True, slots=True)
class _Rows:
    header: Header
    cells: Cells
    line: NDArray[np.int64]
    unread: int
    faults: list[RowFault]


def read_table(stream: BinaryIO, layout: Layout, now: datetime | None = None) -> Table:
    """Read a file.

    Parameters
    ----------
    stream : binary file
    layout : Layout
    now : datetime, optional
        What is the future.

    Returns
    -------
    Table
        Every row that is one, with everything that is wrong with it by itself.

    Raises
    ------
    Unreadable
        If there is no header with the columns needed, or no row.
    """
    rows = _collect(stream, layout)
    constants = _join_time_of_day(rows.cells, layout)
    rules = values.rules(times.moments(layout, now or datetime.now(UTC)))
    decimal = layout.decimal if layout.decimal != "auto" else _decimal_sign(rows.cells)
    columns: dict[str, Column] = {}
    found, bad = rows.faults, np.zeros(rows.cells.rows, np.bool_)
    for name in rows.cells.texts:
        column, refused = _read_column(name, rows.cells, rules[name], decimal, layout)
        if refused is not None:
            found += _cell_faults(name, refused, rows.line)
            bad |= refused.where
        if column is not None:
            columns[name] = column
    _add_constants(columns, constants, layout, rows, rules)
    for name in REQUIRED[layout.kind]:
        found += row_rules.blank_faults(name, columns, rows.line, bad)
    if layout.kind == "readings":
        found += row_rules.reading_faults(columns, rows.line, bad)
    return Table(rows.line, bad, columns, rows.unread, first(found))


# ---------------------------------------------------------------- lines and cells


def _collect(stream: BinaryIO, layout: Layout) -> _Rows:
    numbers: list[NDArray[np.int64]] = []
    found: list[RowFault] = []
    unread = 0
    cells: Cells | None = None
    for piece, frame in ahead(_split(ahead(_pieces(stream, layout)))):
        if cells is None:
            found += piece.header.faults
            cells = Cells(piece.header.places)
        if frame is not None:
            cells.add(frame)
        numbers.append(piece.number)
        unread += piece.spoiled
        found += piece.faults[: max(0, faults.MAX_EXPORT_FAULTS - len(found))]
    if cells is None or unread + cells.rows == 0:
        raise Unreadable([*found, RowFault(1, 0, None, "empty-file", faults.CODES["empty-file"])])
    return _Rows(piece.header, cells, np.concatenate(numbers), unread, found)


@dataclass(frozen=True, slots=True)
class _Piece:
    """Some lines of a file: those that are rows, where they stand, how many are not, and the first of those."""

    header: Header
    content: bytes
    number: NDArray[np.int64]
    spoiled: int
    faults: list[RowFault]


def _pieces(stream: BinaryIO, layout: Layout) -> Iterator[_Piece]:
    header: Header | None = None
    before = 0
    for piece in ahead(utf8_pieces(stream, layout.encoding)):
        lines = split_lines(piece)
        begin = 0
        if header is None:
            header = find_header(lines, layout)
            begin = header.line + 1
        rows = read_rows(lines, header.delimiter, header.width, begin, None if layout.strict else header.named)
        spoiled = [_line_fault(item, before) for item in rows.faults]
        yield _Piece(header, rows.content, rows.number + before, rows.spoiled, spoiled)
        before += len(lines.start)


def _split(pieces: Iterable[_Piece]) -> Iterator[tuple[_Piece, Any]]:
    """Return each piece with the columns of its rows, None where it has none."""
    for piece in pieces:
        header = piece.header
        frame = split(piece.content, header.delimiter, header.places, header.width) if piece.content else None
        yield piece, frame


def _line_fault(item: LineFault, before: int) -> RowFault:
    return RowFault(item.line + before, 0, None, item.code, faults.CODES[item.code], item.text)


_BLANKS = " \t\u00a0\u202f"
_NO_BREAK = r"[\u00a0\u2009\u202f]"
_DECIMAL = re.compile(
    rf"[{_BLANKS}]*[+\u2212-]?(?:\d|{_NO_BREAK})*([.,])\d+(?:[eE][+\u2212-]?\d+)?[{_BLANKS}]*", re.ASCII
)
_IN_A_TRACE = re.compile(r"([.,])\d", re.ASCII)
_GROUPS = re.compile(rf"[+-]?\d{{1,3}}(?:{_NO_BREAK}\d{{3}})+(?:[.,]\d*)?", re.ASCII)


def _decimal_sign(cells: Cells) -> str:
    """The one that most numbers have: a damaged line must not decide it for the others."""
    rows = {".": 0, ",": 0}
    for name in (values.NUMBERS | {"trace"}) & cells.texts.keys():
        find = _IN_A_TRACE.search if name == "trace" else _DECIMAL.fullmatch
        for text, often in cells.often(name).items():
            match = find(text)
            if match is not None:
                rows[match[1]] += often
    return "," if rows[","] > rows["."] else "."


# ---------------------------------------------------------------- columns


@dataclass(frozen=True, slots=True)
class _Refused:
    """Cells of one column that cannot be read."""

    where: NDArray[np.bool_]  # rows
    index: NDArray[np.int32]  # of every row's text
    texts: list[str]
    why: dict[int, Bad]  # by text


def _read_column(
    name: str, cells: Cells, rule: Rule, decimal: str, layout: Layout
) -> tuple[Column | None, _Refused | None]:
    index, texts = cells.index(name), list(cells.texts[name])
    # one word for each text, and after the last of them for a cell without one
    word = np.full(len(texts) + 1, BLANK, np.int32)
    read: dict[Value, int] = {}
    why: dict[int, Bad] = {}
    for place, text in enumerate(texts):
        text = text.strip(_BLANKS)
        if not text:
            continue
        try:
            value = rule(_prepared(name, text, decimal, layout))
        except Bad as bad:
            why[place] = _with_sign(bad, text, decimal)
            word[place] = BAD
        else:
            word[place] = read.setdefault(value, len(read))
    if not read and not why:
        return None, None
    column = _as_column(word[index], read)
    if not why:
        return column, None
    return column, _Refused(column.index == BAD, index, texts, why)


def _prepared(name: str, text: str, decimal: str, layout: Layout) -> str:
    if name in values.NUMBERS or name == "trace":
        text = text if layout.strict or text.isascii() else _plain(text)
        if decimal == ",":
            return text.replace(",", ".") if "." not in text else text.replace(".", "?")
        return text
    if name == "feature":
        return layout.feature_codes[text] if text in layout.feature_codes else _own_feature(text, layout)
    if name == "unit" and not layout.strict:
        return unit_word(text) or text
    return text


def _plain(text: str) -> str:
    """A number as we write it: tables have a minus sign of its own, and no-break spaces between groups of figures."""
    text = text.replace("\u2212", "-")
    return re.sub(_NO_BREAK, "", text) if _GROUPS.fullmatch(text) else text


def _with_sign(bad: Bad, text: str, decimal: str) -> Bad:
    """Tell of a number that has the other decimal sign which one is read in this file."""
    other, word = (".", "comma") if decimal == "," else (",", "point")
    if bad.code != "not-a-number" or other not in text:
        return bad
    return Bad(bad.code, f"{bad.words}; the decimal sign of this file is the {word}")


def _own_feature(text: str, layout: Layout) -> str:
    """A feature as we call it; under a client's layout anything else is a code that the layout lacks."""
    try:
        return str(values.feature(text))
    except Bad:
        if layout.strict:
            raise
        raise Bad("unknown-feature", "is neither a code of the layout nor part.feature") from None


def _as_column(index: NDArray[np.int32], read: Iterable[Value]) -> Column:
    found = list(read)
    kind = type(found[0]) if found else str
    if kind is str:
        return Column(index, found)  # type: ignore[arg-type]
    if kind is datetime:
        return Column(index, [], np.array([to_micros(moment) for moment in found], np.int64))  # type: ignore[arg-type]
    return Column(index, [], np.array(found, np.float64))


def _cell_faults(name: str, refused: _Refused, line: NDArray[np.int64]) -> list[RowFault]:
    rows = np.flatnonzero(refused.where)[: faults.MAX_EXPORT_FAULTS]
    place = values.ORDER[name]
    return [
        RowFault(
            row, place, name, refused.why[text].code, refused.why[text].words, refused.texts[text][: faults.MAX_TEXT]
        )
        for row, text in zip(line[rows].tolist(), refused.index[rows].tolist(), strict=True)
    ]


def _join_time_of_day(cells: Cells, layout: Layout) -> dict[str, str]:
    """Put the time of day behind the day, whoever says them, a column or the layout; return the constants left."""
    constants = dict(layout.constants)
    if TIME_OF_DAY in cells.texts.keys() | constants.keys():
        for name in {"taken_at", TIME_OF_DAY} & constants.keys():
            cells.fill(name, constants.pop(name))
        cells.join("taken_at", TIME_OF_DAY)
    return constants


def _add_constants(
    columns: dict[str, Column], said: dict[str, str], layout: Layout, rows: _Rows, rules: dict[str, Rule]
) -> None:
    """Columns whose text the layout gives."""
    unit = rows.header.unit or layout.unit  # a gauge that was switched over says so in its header
    if unit is not None and "unit" not in columns:
        said.setdefault("unit", unit)
    row = rows.header.line + 1
    for name, text in said.items():
        try:
            value = rules[name](_prepared(name, text.strip(), ".", layout))
        except Bad as bad:
            words = f"the layout's constant {bad.words}"
            raise Unreadable([RowFault(row, 0, name, bad.code, words, text)]) from None
        columns[name] = _as_column(np.zeros(rows.cells.rows, np.int32), [value])
