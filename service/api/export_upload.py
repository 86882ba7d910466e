"""A file that comes with a request: kept piece by piece while it streams, counted unpacked, known by its SHA-256."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from dataclasses import dataclass
from typing import IO, Any
from uuid import UUID

from flask import request
from werkzeug.datastructures import FileStorage
from werkzeug.exceptions import RequestEntityTooLarge, UnsupportedMediaType

from service import queue
from service.faults import fault
from service.packing import BadPacking, Unpacker
from service.problems import Refused
from service.store import gauge_exports as store
from service.store.gauge_exports import Terms
from service.store.pool import transaction

CONTENT_TYPES = ("text/csv", "application/gzip", "multipart/form-data")
MAX_UNPACKED = 256 * 1024 * 1024
PIECE = 1024 * 1024


@dataclass(frozen=True, slots=True)
class Upload:
    """Bytes that were kept, and are not yet an export."""

    export_id: UUID
    sha256: bytes
    size_bytes: int


@dataclass(frozen=True, slots=True)
class Sent:
    """The file of a request."""

    stream: IO[bytes]
    name: str | None


def sent_file() -> Sent:
    """Return the file that the request at hand brings.

    Raises
    ------
    UnsupportedMediaType
        If it is none of `CONTENT_TYPES`, or coded otherwise than by gzip.
    RequestEntityTooLarge
        If the request says that it is larger than any file may be.
    Refused
        If a form has not exactly one `file`.
    """
    if request.mimetype not in CONTENT_TYPES or request.content_encoding not in (None, "", "identity", "gzip"):
        raise UnsupportedMediaType(f"this route reads {', '.join(CONTENT_TYPES)}, packed by gzip or not")
    if (request.content_length or 0) > MAX_UNPACKED + PIECE:
        raise RequestEntityTooLarge
    if request.mimetype != "multipart/form-data":
        return Sent(request.stream, None)
    request.max_content_length = MAX_UNPACKED + PIECE
    return _of_form()


def _of_form() -> Sent:
    files: list[tuple[str, FileStorage]] = list(request.files.items(multi=True))
    surplus = {name for name, _ in files if name != "file"} | set(request.form)
    found = [fault(f"/{name}", "unknown-field") for name in sorted(surplus)]
    named = [file for name, file in files if name == "file"]
    if len(named) != 1:
        found.append(fault("/file", "too-many" if named else "required"))
    if found:
        raise Refused(found)
    return Sent(named[0].stream, (named[0].filename or "")[:200] or None)


def keep(sent: Sent, terms: Terms) -> Upload:
    """Keep a file as it comes; what was kept of one that is refused is dropped again.

    Raises
    ------
    RequestEntityTooLarge
        Beyond `MAX_UNPACKED` bytes, unpacked.
    Refused
        An empty file, or one that begins as packed and is not.
    """
    with transaction() as conn:
        export_id = store.begin_export(conn, terms, sent.name)
    try:
        return _keep(sent.stream, export_id)
    except BaseException:
        drop(export_id)
        raise


def drop(export_id: UUID) -> None:
    """Drop an upload that does not become an export."""
    with transaction() as conn:
        store.discard_export(conn, export_id)


def _keep(stream: IO[bytes], export_id: UUID) -> Upload:
    digest, counter, size, unpacked = hashlib.sha256(), Unpacker(), 0, 0
    try:
        for chunk, piece in enumerate(_pieces(stream)):
            digest.update(piece)
            size += len(piece)
            unpacked += sum(map(len, counter.feed(piece)))
            if max(size, unpacked) > MAX_UNPACKED:
                raise RequestEntityTooLarge
            with transaction() as conn:
                store.add_chunk(conn, export_id, chunk, piece)
            if chunk == 0 and len(piece) == PIECE:  # more is to come: a worker may begin to read
                queue.hint(queue.INTAKE)
        unpacked += len(counter.end())
    except BadPacking:
        raise Refused([fault("", "bad-gzip")]) from None
    if unpacked == 0:
        raise Refused([fault("", "empty-file")])
    return Upload(export_id, digest.digest(), size)


def _pieces(stream: Any) -> Iterator[bytes]:
    """Pieces of one size but for the last, whatever the network's are."""
    while True:
        gathered = bytearray()
        while len(gathered) < PIECE:
            part = stream.read(PIECE - len(gathered))
            if not part:
                break
            gathered += part
        if not gathered:
            return
        yield bytes(gathered)
        if len(gathered) < PIECE:
            return
