"""Files packed by gzip, unpacked piece by piece: no piece, however well packed, becomes large at once."""

from __future__ import annotations

import zlib
from collections.abc import Iterable, Iterator

GZIP = b"\x1f\x8b"
AT_ONCE = 1 << 20


class BadPacking(ValueError):
    """The bytes begin as a gzip file does and do not go on as one."""


class Unpacker:
    """What a file says, whether it is packed or not; told by its first bytes."""

    def __init__(self) -> None:
        self._member: zlib._Decompress | None = None
        self._head = b""
        self._decided = self._plain = False

    def feed(self, piece: bytes) -> Iterator[bytes]:
        """Return what the next bytes say.

        Raises
        ------
        BadPacking
        """
        if not self._decided:
            piece = self._head + piece
            if len(piece) < len(GZIP):
                self._head = piece
                return
            self._decided, self._plain = True, not piece.startswith(GZIP)
        if self._plain:
            yield piece
        else:
            yield from self._unpack(piece)

    def end(self) -> bytes:
        """Return what is left, once all bytes were fed.

        Raises
        ------
        BadPacking
            If the file ends before it should.
        """
        if self._member is not None:
            raise BadPacking("the packed file ends too early")
        return b"" if self._decided else self._head

    def _unpack(self, piece: bytes) -> Iterator[bytes]:
        while piece:
            if self._member is None:
                piece = piece.lstrip(b"\0")  # padding between members, and at the end
                if not piece:
                    return
                self._member = zlib.decompressobj(31)
            try:
                text = self._member.decompress(piece, AT_ONCE)
            except zlib.error as error:
                raise BadPacking(str(error)) from None
            if text:
                yield text
            piece = self._member.unconsumed_tail
            if self._member.eof:
                piece, self._member = self._member.unused_data, None


def unpacked(pieces: Iterable[bytes]) -> Iterator[bytes]:
    """Return a whole file's text.

    Examples
    --------
    >>> import gzip
    >>> b"".join(unpacked([gzip.compress(b"a,b") + gzip.compress(b",c")]))
    b'a,b,c'
    >>> b"".join(unpacked([b"a", b",b"]))
    b'a,b'

    Raises
    ------
    BadPacking
    """
    unpacker = Unpacker()
    for piece in pieces:
        yield from unpacker.feed(piece)
    yield unpacker.end()
