"""A file's bytes as UTF-8, in pieces that end where a line ends."""

from __future__ import annotations

import codecs
import re
from collections.abc import Iterator
from typing import BinaryIO

from worker.intake.lines import LONGEST_LINE

PIECE = 8 << 20
_UTF_8 = codecs.BOM_UTF8
_MARKS = {codecs.BOM_UTF16_LE: "utf-16-le", codecs.BOM_UTF16_BE: "utf-16-be"}
#: What a line end becomes where a byte of UTF-16 was lost before it: no character has this number.
_OUT_OF_STEP = "\u0a00"


def utf8_pieces(stream: BinaryIO, encoding: str, size: int = PIECE) -> Iterator[bytes]:
    """Return the file piece by piece; a line that is not of its encoding is, in what is returned, no UTF-8.

    Parameters
    ----------
    stream : binary file
    encoding : str
        As the layout says it. A byte-order mark is believed whatever the layout says; `auto` takes what is not UTF-8
        for cp1252, line by line.
    size : int
        Bytes of a piece, about.
    """
    head = stream.read(size)
    wide = _wide(head, encoding)
    if wide is not None:
        head = head.removeprefix("\ufeff".encode(wide))
        for piece in _whole_lines(_chunks(stream, head, size), wide):
            yield _from_utf16(piece, wide)
        return
    head = head.removeprefix(_UTF_8)
    narrow = {"cp1252": "cp1252", "latin-1": "latin-1"}.get(encoding)
    for piece in _whole_lines(_chunks(stream, head, size), "ascii"):
        if narrow is not None:
            yield _from_narrow(piece, narrow)
        elif encoding == "auto":
            yield _repaired(piece)
        else:
            yield piece


def _wide(head: bytes, encoding: str) -> str | None:
    """Return which UTF-16 it is, None where it is not."""
    if head[:2] in _MARKS:
        return _MARKS[head[:2]]
    if encoding == "utf-16":
        return "utf-16-le" if head[1:2] == b"\0" or head[:1] != b"\0" else "utf-16-be"
    if encoding == "auto" and len(head) >= 4:
        sample = head[:128]  # short: where a byte is lost, the rest is out of step
        if sample[1::2].count(0) > 0.7 * len(sample[1::2]):
            return "utf-16-le"
        if sample[::2].count(0) > 0.7 * len(sample[::2]):
            return "utf-16-be"
    return None


def _chunks(stream: BinaryIO, head: bytes, size: int) -> Iterator[bytes]:
    while head:
        yield head
        head = stream.read(size)


def _whole_lines(chunks: Iterator[bytes], encoding: str) -> Iterator[bytes]:
    line_feed, carriage_return = "\n".encode(encoding), "\r".encode(encoding)
    unit = len(line_feed)
    rest = b""
    for chunk in chunks:
        block = rest + chunk
        cut = block.rfind(line_feed) + unit
        if cut < unit:  # lines may end with a return alone; one at the very end may be followed by a line feed
            cut = block.rfind(carriage_return, 0, -unit) + unit
        if cut < unit:  # an endless line is carried on only as far as is needed to refuse it
            rest = block[: (LONGEST_LINE + 2) * unit]
            continue
        yield block[:cut]
        rest = block[cut:]
    if rest:
        yield rest


def _from_utf16(piece: bytes, encoding: str) -> bytes:
    """Return lines of UTF-16 as UTF-8; a lost byte spoils its own line, since line ends are looked for as bytes."""
    try:
        text = piece.decode(encoding)
        if _OUT_OF_STEP not in text:
            return text.encode()
    except UnicodeDecodeError:
        pass
    return b"\n".join(_line_of_utf16(line, encoding) for line in _lines_of_utf16(piece, encoding))


def _lines_of_utf16(piece: bytes, encoding: str) -> Iterator[bytes]:
    ends = b"|".join(re.escape(end.encode(encoding)) for end in ("\r\n", "\n", "\r"))
    begin = 0
    for found in re.finditer(ends, piece):
        out_of_step = (found.start() - begin) % 2 == 1
        before = piece[max(begin, found.start() - 8) : found.start()]  # half of it is 0 in letters and figures
        if out_of_step and before.count(0) < len(before) / 3:
            continue  # two halves of other characters
        yield piece[begin : found.start()]
        begin = found.end()
    yield piece[begin:]


def _line_of_utf16(line: bytes, encoding: str) -> bytes:
    try:
        text = line.decode(encoding)
        spoiled = b""
    except UnicodeDecodeError:
        text = line.decode(encoding, "replace")
        spoiled = b"\xff"
    return text.replace("\n", " ").replace("\r", " ").encode() + spoiled


def _from_narrow(line: bytes, encoding: str) -> bytes:
    """Return text of one byte a character as UTF-8; a byte that the encoding does not know stays as it is."""
    return line.decode(encoding, "surrogateescape").encode("utf-8", "surrogateescape")


def _repaired(piece: bytes) -> bytes:
    if piece.isascii():
        return piece
    try:
        piece.decode("utf-8")
        return piece
    except UnicodeDecodeError:
        return b"".join(map(_one_line, piece.splitlines(keepends=True)))


def _one_line(line: bytes) -> bytes:
    try:
        line.decode("utf-8")
        return line
    except UnicodeDecodeError:
        return _from_narrow(line, "cp1252")
