"""Physical lines of a delimited text file, as arrays over its bytes.

Rules of this module:

1. One physical line is one row; a field holds no line end. A quotation mark left open spoils its own line
   only.
2. A line that cannot be read is a fault with its number; every other line survives.
3. Nothing here knows what a column means.

Line numbers start at 1 and count physical lines, so that they are the numbers an editor shows.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from service import faults

Bytes = npt.NDArray[np.uint8]
Ints = npt.NDArray[np.int64]
Mask = npt.NDArray[np.bool_]

TAB, LINE_FEED, QUOTE = 9, 10, 34
_ENDS = b"\x0c\x1a"  # of a page, of a file: old programs write them on a line of their own
#: A longer line is no row of readings; it is refused rather than carried about.
LONGEST_LINE = 1_000_000


@dataclass(frozen=True, slots=True)
class LineFault:
    """A line that is not a row: its number, a code of ``service.faults`` and what was there."""

    line: int
    code: str
    text: str


@dataclass(frozen=True, slots=True)
class Rows:
    """What the lines of a piece are.

    Attributes
    ----------
    content : bytes
        The good ones, each ended by LF: safe for a reader that knows quotation marks.
    number : ndarray of int64
        Physical line number of each of those.
    spoiled : int
        How many of the others are not blank.
    faults : list of LineFault
        Of the first of those, in order.
    """

    content: bytes
    number: Ints
    spoiled: int
    faults: list[LineFault]


@dataclass(frozen=True, slots=True)
class Lines:
    """Where each physical line begins and ends (end exclusive, without its line end).

    Attributes
    ----------
    buffer : ndarray of uint8
        The file, UTF-8.
    start, end : ndarray of int64, shape (n,)
        Byte offsets.
    """

    buffer: Bytes
    start: Ints
    end: Ints

    def text(self, index: int, limit: int = 500) -> str:
        """The line as text, cut for a message; bytes that are no UTF-8 are shown as escapes."""
        cut = self.buffer[self.start[index] : min(self.end[index], self.start[index] + limit)]
        return cut.tobytes().decode("utf-8", "backslashreplace")


def split_lines(content: bytes) -> Lines:
    """Index the physical lines; LF, CR LF and a lone CR each end one."""
    if b"\r" in content:
        content = content.replace(b"\r\n", b"\n").replace(b"\r", b"\n")
    buffer = np.frombuffer(content, dtype=np.uint8)
    ends = np.flatnonzero(buffer == LINE_FEED).astype(np.int64)
    starts = np.concatenate(([0], ends + 1))
    if starts[-1] == buffer.size:  # the last line was ended: nothing follows
        return Lines(buffer, starts[:-1], ends)
    return Lines(buffer, starts, np.concatenate((ends, [buffer.size])))


def blank(lines: Lines, nothing: bytes = b" \t") -> Mask:
    """Lines with nothing but these bytes."""
    empty = lines.end == lines.start
    begin = lines.buffer[np.minimum(lines.start, lines.buffer.size - 1)]
    for index in np.flatnonzero(np.isin(begin, list(nothing)) & ~empty):  # few lines begin with one of them
        empty[index] = not lines.buffer[lines.start[index] : lines.end[index]].tobytes().strip(nothing)
    return empty


def read_rows(lines: Lines, delimiter: str, width: int, first: int, least: int | None = None) -> Rows:
    """The lines from `first` on that are rows of `width` fields.

    Parameters
    ----------
    lines : Lines
    delimiter : str
        One ASCII character.
    width : int
        Number of fields of the header.
    first : int
        Index (from 0) of the first line after the header.
    least : int, optional
        Fewest fields of a row, where the header ends with columns without a name. Given, delimiters with nothing
        behind them are no fields, as at the end of every line of some exports: there may be more of them than the
        header has, and a line of nothing else, or of marks of the end of a page or file, is blank.
    """
    chosen = np.zeros(lines.start.size, dtype=bool)
    chosen[first:] = True
    chosen &= ~blank(lines, b" \t" if least is None else b" \t" + _ENDS + delimiter.encode())
    why = np.zeros(lines.start.size, dtype=np.int8)
    for code, bad in (
        ("line-too-long", lines.end - lines.start > LONGEST_LINE),
        ("binary", holds_control(lines)),
        ("bad-encoding", _not_utf8(lines)),
        ("broken-quote", _quotes_odd(lines)),
    ):
        _refuse(chosen, bad, code, why)
    _refuse(chosen, _not_of_width(lines, chosen, delimiter, width, least), "wrong-columns", why)
    _refuse(chosen, _quotes_misplaced(lines, chosen, delimiter), "broken-quote", why)
    kept, spoiled = np.flatnonzero(chosen), np.flatnonzero(why)
    found = [
        LineFault(index + 1, CODES[why[index]], lines.text(index))
        for index in spoiled[: faults.MAX_EXPORT_FAULTS].tolist()
    ]
    return Rows(_joined(lines, kept), kept + 1, len(spoiled), found)


CODES = ("", "line-too-long", "binary", "bad-encoding", "broken-quote", "wrong-columns")


def _refuse(chosen: Mask, bad: Mask, code: str, why: npt.NDArray[np.int8]) -> None:
    why[chosen & bad] = CODES.index(code)
    chosen &= ~bad


def _count(lines: Lines, flag: Mask) -> Ints:
    """How often `flag` is set in each line."""
    where = np.flatnonzero(flag)
    return np.searchsorted(where, lines.end) - np.searchsorted(where, lines.start)


def holds_control(lines: Lines) -> Mask:
    """Lines with bytes that no text has."""
    low = lines.buffer < 32
    usual = np.count_nonzero(lines.buffer == LINE_FEED) + np.count_nonzero(lines.buffer == TAB)
    if np.count_nonzero(low) == usual:
        return np.zeros(lines.start.size, dtype=bool)
    return _count(lines, low & (lines.buffer != LINE_FEED) & (lines.buffer != TAB)) > 0


def _not_utf8(lines: Lines) -> Mask:
    bad = np.zeros(lines.start.size, dtype=bool)
    if lines.buffer.max(initial=0) < 128:
        return bad
    try:
        lines.buffer.tobytes().decode("utf-8")
    except UnicodeDecodeError:
        for index in np.flatnonzero(_count(lines, lines.buffer >= 128) > 0):
            try:
                lines.buffer[lines.start[index] : lines.end[index]].tobytes().decode("utf-8")
            except UnicodeDecodeError:
                bad[index] = True
    return bad


def _quotes_odd(lines: Lines) -> Mask:
    quote = lines.buffer == QUOTE
    if not quote.any():
        return np.zeros(lines.start.size, dtype=bool)
    return _count(lines, quote) % 2 == 1


def _quoted(lines: Lines, chosen: Mask) -> Mask | None:
    """Bytes from an opening quotation mark to before its closing one; None where the file has no marks.

    The lines chosen have their marks in pairs, so that counting may run on from one line to the next.
    """
    quote = lines.buffer == QUOTE
    if not quote.any():
        return None
    quote &= np.repeat(chosen, _spans(lines))
    return np.bitwise_xor.accumulate(quote)


def _spans(lines: Lines) -> Ints:
    """Bytes of each line with its line end: together the whole buffer."""
    return np.diff(np.concatenate((lines.start, [lines.buffer.size])))


def _fields(lines: Lines, chosen: Mask, delimiter: str) -> Ints:
    separator = lines.buffer == ord(delimiter)
    quoted = _quoted(lines, chosen)
    if quoted is not None:
        separator &= ~quoted
    return _count(lines, separator) + 1


def _not_of_width(lines: Lines, chosen: Mask, delimiter: str, width: int, least: int | None) -> Mask:
    fields = _fields(lines, chosen, delimiter)
    if least is None:
        return fields != width
    wrong = (fields < least) | (fields > width)
    mark = delimiter.encode()
    for index in np.flatnonzero(chosen & (fields > width)):
        line = lines.buffer[lines.start[index] : lines.end[index]].tobytes()
        wrong[index] = fields[index] - line[len(line.rstrip(b" \t" + mark)) :].count(mark) > width
    return wrong


def _quotes_misplaced(lines: Lines, chosen: Mask, delimiter: str) -> Mask:
    """Lines where an opening mark does not begin a field, or a closing one does not end it."""
    quoted = _quoted(lines, chosen)
    if quoted is None:
        return np.zeros(lines.start.size, dtype=bool)
    quote = lines.buffer == QUOTE
    edge = np.isin(lines.buffer, (ord(delimiter), LINE_FEED))
    before = np.concatenate(([True], edge[:-1] | quote[:-1]))
    after = np.concatenate((edge[1:] | quote[1:], [True]))
    opening, closing = quote & quoted, quote & ~quoted
    # a doubled mark closes and opens again at once: both neighbours are marks
    return _count(lines, (opening & ~before) | (closing & ~after)) > 0


def _joined(lines: Lines, kept: Ints) -> bytes:
    if kept.size == lines.start.size:
        return lines.buffer.tobytes()
    keep = np.zeros(lines.start.size, dtype=bool)
    keep[kept] = True
    return lines.buffer[np.repeat(keep, _spans(lines))].tobytes()
