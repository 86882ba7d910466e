"""Rows as columns, both ways, through binary COPY: a batch costs array operations, not objects.

Reading asks for columns of fixed width without NULL (the statement coalesces), so that the answer is one array.
Times are whole microseconds since 2000-01-01 UTC, as PostgreSQL keeps them; `NEVER` and `ALWAYS` are its infinities.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from typing import Any, LiteralString

import numpy as np
from numpy.typing import NDArray
from psycopg import Connection

EPOCH = datetime(2000, 1, 1, tzinfo=UTC)
MICROSECOND = timedelta(microseconds=1)
ALWAYS = -(2**63)
"""The time before all times, ``-infinity``."""
NEVER = 2**63 - 1
"""The time after all times, ``infinity``."""

SIGNATURE = b"PGCOPY\n\xff\r\n\0" + bytes(8)
TRAILER = b"\xff\xff"
# COPY data go out in pieces of this size; libpq copies each once more.
PIECE = 1 << 20


def to_micros(moment: datetime | None, missing: int = ALWAYS) -> int:
    """Return a time as microseconds since 2000; `missing` stands for None."""
    return missing if moment is None else (moment - EPOCH) // MICROSECOND


def to_days(day: date | None) -> int:
    """Return a day as PostgreSQL counts days, from 2000-01-01; 0 for None, which a mask has to tell."""
    return 0 if day is None else (day - EPOCH.date()).days


def to_time(micros: int) -> datetime | None:
    """Return microseconds since 2000 as a time in UTC, None for either infinity."""
    return None if micros in (ALWAYS, NEVER) else EPOCH + timedelta(microseconds=int(micros))


def read_columns(
    conn: Connection[Any], statement: LiteralString, parameters: Mapping[str, Any], types: Mapping[str, str]
) -> dict[str, NDArray[Any]]:
    """Run a SELECT and return its columns as arrays.

    Parameters
    ----------
    conn : Connection
    statement : str
        A SELECT whose columns are never NULL and come in the order of `types`.
    parameters : mapping
        Its named parameters.
    types : mapping
        Name of each column to its numpy type: ``f8 i8 i4 i2 b1`` or ``V16`` for a uuid; a time is ``i8``.

    Returns
    -------
    dict
        Arrays of shape (rows,), native byte order.

    Raises
    ------
    ValueError
        If a value was NULL or of another width than its type.
    """
    fields: list[tuple[str, str]] = [("fields", ">i2")]
    for name, form in types.items():
        fields += [(f"{name}.width", ">i4"), (name, form if form[0] in "Vb" else f">{form}")]
    layout = np.dtype(fields)
    with (
        conn.cursor() as cursor,
        cursor.copy("COPY (" + statement.rstrip().rstrip(";") + ") TO STDOUT (FORMAT BINARY)", parameters) as copy,
    ):
        raw = b"".join(bytes(piece) for piece in copy)
    body = len(raw) - len(SIGNATURE) - len(TRAILER)
    if body % layout.itemsize:
        raise ValueError(f"a column of {list(types)} is NULL or not of its width")
    rows = np.frombuffer(raw, layout, count=body // layout.itemsize, offset=len(SIGNATURE))
    columns = {}
    for name in types:
        kind: np.dtype[Any] = layout[name]
        if len(rows) and not (rows[f"{name}.width"] == kind.itemsize).all():
            raise ValueError(f"column {name} is NULL or not of its width")
        columns[name] = rows[name].astype(kind.newbyteorder("="))
    return columns


@dataclass(frozen=True, slots=True)
class Column:
    """One column to be written: shape (rows,); `null` says where there is no value.

    `kind` is one of ``f8 i8 i4 i2 b1 V16``, or ``text`` with the index of each row's word in `words`. A float is
    NULL where it is not finite, whatever `null` says.
    """

    name: str
    kind: str
    values: NDArray[Any]
    null: NDArray[np.bool_] | None = None
    words: tuple[str, ...] = ()


def write_columns(
    conn: Connection[Any],
    table: LiteralString,
    columns: Sequence[Column],
    tail: tuple[Sequence[str], Sequence[bytes]] | None = None,
) -> None:
    """Add rows to a table by one binary COPY.

    Parameters
    ----------
    conn : Connection
        Of the caller's transaction.
    table : str
        Name of the table, ours, never a client's.
    columns : sequence of Column
        All of the same length.
    tail : tuple, optional
        Names of jsonb columns, and for each row their fields one after another, each as `jsonb_field` makes it.
    """
    names = [column.name for column in columns] + list(tail[0] if tail else ())
    copy_blocks(conn, table, names, [encode_body(columns, len(names), tail[1] if tail else None)])


def copy_blocks(conn: Connection[Any], table: LiteralString, names: Sequence[str], blocks: Iterable[bytes]) -> None:
    """Add rows to a table by one binary COPY, from blocks that `encode_body` made."""
    statement = f"COPY {table} ({', '.join(names)}) FROM STDIN (FORMAT BINARY)"
    with conn.cursor() as cursor, cursor.copy(statement) as copy:
        copy.write(SIGNATURE)
        for block in blocks:
            for start in range(0, len(block), PIECE):
                copy.write(block[start : start + PIECE])
        copy.write(TRAILER)


NULL_FIELD = (2**32 - 1).to_bytes(4, "big")
"""A field without a value."""


def jsonb_field(document: bytes) -> bytes:
    """Return a JSON document as one field of a binary row."""
    return (len(document) + 1).to_bytes(4, "big") + b"\x01" + document


def encode_rows(columns: Sequence[Column], fields: int, tail: Sequence[bytes] | None = None) -> bytes:
    """Return the binary COPY stream of some rows.

    Parameters
    ----------
    columns : sequence of Column
    fields : int
        Number of fields of each row, the tail's included.
    tail : sequence of bytes, optional
        What follows the columns in each row.
    """
    return SIGNATURE + encode_body(columns, fields, tail) + TRAILER


def encode_body(columns: Sequence[Column], fields: int, tail: Sequence[bytes] | None = None) -> bytes:
    """Return some rows of a binary COPY stream, without its beginning and its end."""
    rows = len(columns[0].values)
    made = [_words(column) if column.kind == "text" else _fixed(column) for column in columns]
    matrix = np.empty((rows, 2 + sum(piece.shape[1] for piece, _ in made)), np.uint8)
    matrix[:, :2] = np.frombuffer(fields.to_bytes(2, "big"), np.uint8)
    keep = None if all(shown is None for _, shown in made) else np.ones(matrix.shape, np.bool_)
    at = 2
    for piece, shown in made:
        end = at + piece.shape[1]
        matrix[:, at:end] = piece
        if keep is not None and shown is not None:
            keep[:, at:end] = shown
        at = end
    data = (matrix if keep is None else matrix[keep]).tobytes()
    if tail is None:
        return data
    lengths = np.full(rows, matrix.shape[1]) if keep is None else keep.sum(axis=1)
    ends = np.cumsum(lengths).tolist()
    starts = [0, *ends[:-1]]
    return b"".join(
        part for start, end, rest in zip(starts, ends, tail, strict=True) for part in (data[start:end], rest)
    )


def _fixed(column: Column) -> tuple[NDArray[np.uint8], NDArray[np.bool_] | None]:
    """Bytes of a column of fixed width, shape (rows, 4 + width), and which of them are sent; None is all."""
    kind = column.kind
    null = column.null
    if kind == "f8":
        infinite = ~np.isfinite(column.values)
        null = infinite if null is None else null | infinite
    rows = len(column.values)
    if null is not None and null.all():
        return np.full((rows, 4), 255, np.uint8), None
    values = np.ascontiguousarray(column.values.astype(kind if kind[0] in "Vb" else f">{kind}"))
    width = values.dtype.itemsize
    data = np.empty((rows, 4 + width), np.uint8)
    data[:, :4] = np.frombuffer(width.to_bytes(4, "big"), np.uint8)
    data[:, 4:] = values.view(np.uint8).reshape(rows, width)
    if null is None or not null.any():
        return data, None
    data[null, :4] = 255
    keep = np.ones(data.shape, np.bool_)
    keep[null, 4:] = False
    return data, keep


def _words(column: Column) -> tuple[NDArray[np.uint8], NDArray[np.bool_] | None]:
    """The same of a column of words from a short list."""
    if column.null is not None and column.null.all():
        return np.full((len(column.values), 4), 255, np.uint8), None
    encoded = [word.encode() for word in column.words]
    width = max(map(len, encoded), default=0)
    table = np.zeros((len(encoded) + 1, 4 + width), np.uint8)
    shown = np.zeros(table.shape, np.bool_)
    shown[:, :4] = True
    table[-1, :4] = 255
    for row, word in enumerate(encoded):
        table[row, : 4 + len(word)] = np.frombuffer(len(word).to_bytes(4, "big") + word, np.uint8)
        shown[row, 4 : 4 + len(word)] = True
    index = column.values if column.null is None else np.where(column.null, -1, column.values)
    return table[index], shown[index]
