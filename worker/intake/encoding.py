"""A file's bytes as UTF-8, in pieces that end where a line ends."""

from __future__ import annotations

import codecs
from collections.abc import Iterator
from typing import BinaryIO

from worker.intake.lines import LONGEST_LINE

PIECE = 8 << 20
_UTF_8, _UTF_16 = codecs.BOM_UTF8, (codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)


def utf8_pieces(stream: BinaryIO, encoding: str, size: int = PIECE) -> Iterator[bytes]:
    """Return the file piece by piece.

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
        yield from _whole_lines(_decoded(stream, head, wide, size), size)
        return
    head = head.removeprefix(_UTF_8)
    narrow = {"cp1252": "cp1252", "latin-1": "latin-1"}.get(encoding)
    for piece in _whole_lines(_chunks(stream, head, size), size):
        if narrow is not None:
            yield piece.decode(narrow, "replace").encode()
        elif encoding == "auto":
            yield _repaired(piece)
        else:
            yield piece


def _wide(head: bytes, encoding: str) -> str | None:
    """Return which UTF-16 it is, None where it is not."""
    if head.startswith(_UTF_16):
        return "utf-16"
    if encoding == "utf-16":
        return "utf-16-le" if head[1:2] == b"\0" or head[:1] != b"\0" else "utf-16-be"
    if encoding == "auto" and len(head) >= 4:
        sample = head[:4096]
        if sample[1::2].count(0) > 0.7 * len(sample[1::2]):
            return "utf-16-le"
        if sample[::2].count(0) > 0.7 * len(sample[::2]):
            return "utf-16-be"
    return None


def _chunks(stream: BinaryIO, head: bytes, size: int) -> Iterator[bytes]:
    while head:
        yield head
        head = stream.read(size)


def _decoded(stream: BinaryIO, head: bytes, encoding: str, size: int) -> Iterator[bytes]:
    decoder = codecs.getincrementaldecoder(encoding)("replace")
    for chunk in _chunks(stream, head, size):
        yield decoder.decode(chunk).encode("utf-8", "replace")
    yield decoder.decode(b"", final=True).encode("utf-8", "replace")


def _whole_lines(chunks: Iterator[bytes], size: int) -> Iterator[bytes]:
    rest = b""
    for chunk in chunks:
        block = rest + chunk
        cut = block.rfind(b"\n") + 1
        if cut == 0:  # lines may end with a return alone; one at the very end may be followed by a line feed
            cut = block.rfind(b"\r", 0, -1) + 1
        if cut == 0:  # an endless line is carried on only as far as is needed to refuse it
            rest = block[: LONGEST_LINE + 2]
            continue
        yield block[:cut]
        rest = block[cut:]
    if rest:
        yield rest


def _repaired(piece: bytes) -> bytes:
    if piece.isascii():
        return piece
    try:
        piece.decode("utf-8")
        return piece
    except UnicodeDecodeError:
        return b"\n".join(_one_line(line) for line in piece.split(b"\n"))


def _one_line(line: bytes) -> bytes:
    try:
        line.decode("utf-8")
        return line
    except UnicodeDecodeError:
        return line.decode("cp1252", "replace").encode()
