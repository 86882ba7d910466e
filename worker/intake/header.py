"""Which line of a file names its columns, by which delimiter, and which of our columns each of them is."""

from __future__ import annotations

import csv
import re
from collections.abc import Sequence
from dataclasses import dataclass

from service import faults
from service.layouts import DELIMITERS, MEASURED, REQUIRED, Layout
from worker.intake.lines import Lines, blank, holds_control
from worker.intake.table import RowFault, Unreadable

SEARCHED = 100
"""Lines in which the header is looked for where the layout does not say."""
_WORKBOOK = ("PK\x03\x04", "ÐÏ\x11à")  # how those of either age begin, the bytes taken for text
_UNIT = re.compile(
    r"(?:\s*(?:\[([^\[\]]*)\]|\(([^()]*)\)|/\s*(\S+))"
    r"|(?:\s*,|_|\s)\s*(?:in )?\s*(mm|um|µm|μm|inch(?:es)?|microns?))\s*$",
    re.IGNORECASE,
)
LONGEST_UNIT = 40
"""Characters at the end of a name in which its unit is looked for: a damaged header may be one long name."""
_UNIT_WORDS = (
    dict.fromkeys(("mm", "millimetre", "millimetres", "millimeter", "millimeters"), "mm")
    | dict.fromkeys(("in", "inch", "inches", '"', "″"), "in")
    | dict.fromkeys(("um", "µm", "μm", "micron", "microns", "micrometre", "micrometres"), "um")
)


@dataclass(frozen=True, slots=True)
class Header:
    """Where the columns are.

    Attributes
    ----------
    line : int
        Index of the header's line, from 0.
    delimiter : str
    width, named : int
        Fields of every row; and up to the last one with a name.
    places : dict
        Our column -> its field, from 0.
    unit : str or None
        Said by the name of the column of values.
    names : list of str
        As they stand in the file.
    faults : list of RowFault
        Of the header that leave its rows readable.
    """

    line: int
    delimiter: str
    width: int
    named: int
    places: dict[str, int]
    unit: str | None
    names: list[str]
    faults: list[RowFault]


def find_header(lines: Lines, layout: Layout) -> Header:
    """Return the header of a file.

    Raises
    ------
    Unreadable
        If a column that is needed is missing, each one named; or if the file is blank, or no text at all.
    """
    best: tuple[int, int, list[str], str] | None = None
    for line in _candidates(lines, layout):
        for delimiter in DELIMITERS if layout.delimiter == "auto" else (layout.delimiter,):
            names = _split(lines, line, delimiter)
            score = len(_places(names, layout))
            if best is None or score > best[0]:
                best = (score, line, names, delimiter)
    if best is None:
        raise Unreadable([_fault(1, None, "empty-file")])
    _, line, names, delimiter = best
    places = _places(names, layout)
    if not places:
        _refuse_no_text(lines)
    _refuse_open_quote(lines, line, delimiter)
    found = _missing(places, layout, line + 1, lines.text(line, faults.MAX_TEXT))
    if found:
        raise Unreadable(found)
    unit, surplus = _unit_of(names, places), _surplus(names, layout, line + 1)
    named = max(place for place, name in enumerate(names) if name) + 1
    return Header(line, delimiter, len(names), named, places, unit, names, surplus)


def _refuse_no_text(lines: Lines) -> None:
    """Say of a file without a single known column that it is blank or no text, rather than name every column."""
    if bool(blank(lines).all()):
        raise Unreadable([_fault(1, None, "empty-file")])
    if lines.text(0, 8).startswith(_WORKBOOK):
        raise Unreadable([_fault(1, None, "binary", words="the file is a workbook, not text: save it as CSV")])
    no_text = holds_control(lines)[:SEARCHED]
    if bool(no_text.any()):
        raise Unreadable([_fault(int(no_text.argmax()) + 1, None, "binary")])


def _refuse_open_quote(lines: Lines, line: int, delimiter: str) -> None:
    """Say of a name with a line end in it what it is, rather than that every row has another number of fields."""
    try:
        next(csv.reader([lines.text(line, 100_000)], delimiter=delimiter, strict=True), None)
    except csv.Error as error:
        if "unexpected end" in str(error):
            words = "a quotation mark of the header is not closed: a name may not go on in the next line"
            raise Unreadable([_fault(line + 1, None, "broken-quote", words=words)]) from None


def _candidates(lines: Lines, layout: Layout) -> Sequence[int]:
    if layout.header_row is not None:
        return [layout.header_row - 1] if layout.header_row <= len(lines.start) else []
    return range(min(len(lines.start), SEARCHED))


def _split(lines: Lines, index: int, delimiter: str) -> list[str]:
    text = lines.text(index, 100_000)
    try:
        fields = next(csv.reader([text], delimiter=delimiter), [])
    except csv.Error:
        fields = text.split(delimiter)
    return [field.strip() for field in fields]


def _places(names: Sequence[str], layout: Layout) -> dict[str, int]:
    """Return where each of our columns is; the first of two of one name counts.

    A column whose name the layout gives is known in any case, and with its unit behind it. Of the others only one that
    is called as ours is ours: a file has many columns that are not needed, and its `Position` is not our `position`.
    """
    exact = {name: place for place, name in reversed(list(enumerate(names)))}
    bare = {_without_unit(name): place for place, name in reversed(list(enumerate(names)))}
    folded = {_without_unit(name).casefold(): place for place, name in reversed(list(enumerate(names)))}
    places: dict[str, int] = {}
    for ours in layout.our_columns:
        if ours in layout.constants:
            continue
        theirs = layout.columns.get(ours, ours)
        place = exact.get(theirs)
        if place is None and ours in layout.columns:
            place = folded.get(_without_unit(theirs).casefold())
        elif place is None and ours in MEASURED and not layout.strict:
            place = bare.get(ours)
        if place is not None:
            places[ours] = place
    return places


def _without_unit(name: str) -> str:
    return _at_unit(name)[0]


def _at_unit(name: str) -> tuple[str, str | None]:
    """Return a name without the unit behind it, and the unit; blanks within it are one."""
    name = " ".join(name.split())
    match = _UNIT.search(name, max(0, len(name) - LONGEST_UNIT))
    said = None if match is None else unit_word(match[1] or match[2] or match[3] or match[4] or "")
    return (name, None) if match is None or said is None else (name[: match.start()].strip(), said)


def unit_word(text: str) -> str | None:
    """Return the unit that a word stands for, None where it is none.

    Examples
    --------
    >>> unit_word(" Inch "), unit_word("µm"), unit_word("bar")
    ('in', 'um', None)
    """
    return _UNIT_WORDS.get(text.strip().casefold())


def _unit_of(names: Sequence[str], places: dict[str, int]) -> str | None:
    for ours in MEASURED:
        unit = _at_unit(names[places[ours]])[1] if ours in places else None
        if unit is not None:
            return unit
    return None


def _missing(places: dict[str, int], layout: Layout, row: int, text: str) -> list[RowFault]:
    given = places.keys() | layout.constants.keys()
    absent = [ours for ours in REQUIRED[layout.kind] if ours not in given]
    if layout.kind == "readings" and not given & set(MEASURED):
        absent.append("value")
    return [
        RowFault(row, place, ours, "column-missing", f"the column {layout.columns.get(ours, ours)} is missing", text)
        for place, ours in enumerate(absent)
    ]


def _surplus(names: Sequence[str], layout: Layout, row: int) -> list[RowFault]:
    """What a strict layout refuses: columns it does not know, and those that are there twice."""
    if not layout.strict:
        return []
    found = []
    for place, name in enumerate(names):
        if name not in layout.our_columns:
            words = f"{name[:100]!r} is not a column of the layout {layout.code}"
            found.append(_fault(row, name[:100], "unknown-column", place, words))
        elif name in names[:place]:
            found.append(_fault(row, name, "duplicate", place))
    return found


def _fault(row: int, column: str | None, code: str, place: int = 0, words: str | None = None) -> RowFault:
    return RowFault(row, place, column, code, words or faults.CODES[code])
