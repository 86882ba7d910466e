"""Rows as columns, both ways: read as arrays, written by binary COPY. A batch costs array operations, not objects.

Reading asks for columns of fixed width without NULL (the statement coalesces), so that the answer is one array.
Times are whole microseconds since 2000-01-01 UTC, as PostgreSQL keeps them; `NEVER` and `ALWAYS` are its infinities.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from typing import TYPE_CHECKING, Any, LiteralString

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:  # the process that reads files has no use for the driver, and waits for every import
    from psycopg import Connection

EPOCH = datetime(2000, 1, 1, tzinfo=UTC)
MICROSECOND = timedelta(microseconds=1)
ALWAYS = -(2**63)
"""The time before all times, ``-infinity``."""
NEVER = 2**63 - 1
"""The time after all times, ``infinity``."""

SIGNATURE = b"PGCOPY\n\xff\r\n\0" + bytes(8)
TRAILER = b"\xff\xff"
ARRAY_HEAD = 20
"""Bytes before the first element of an array of one dimension."""
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


def years_of(micros: NDArray[np.int64]) -> NDArray[np.int64]:
    """Return the year (UTC) of each of these microseconds since 2000."""
    return micros.astype("M8[us]").astype("M8[Y]").astype(np.int64) + 2000


def read_columns(
    conn: Connection[Any], statement: LiteralString, parameters: Mapping[str, Any], types: Mapping[str, str]
) -> dict[str, NDArray[Any]]:
    """Run a SELECT and return its columns as arrays, each of them one value on the wire.

    The server holds the whole answer: ask for what a batch needs, not for all there is.

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
    names = [f"c{n}" for n in range(len(types))]
    arrays = ", ".join(f"array_agg({name})" for name in names)
    asked = f"({statement.rstrip().rstrip(';')}) AS asked ({', '.join(names)})"
    with conn.cursor(binary=True) as cursor:
        cursor.execute(f"SELECT {arrays} FROM {asked}", parameters)  # noqa: S608 - statements of ours
        answer = cursor.pgresult
        assert answer is not None  # noqa: S101 - a SELECT has a result
        return {name: _column_of(answer.get_value(0, n), name, form) for n, (name, form) in enumerate(types.items())}


def _column_of(array: bytes | None, name: str, form: str) -> NDArray[Any]:
    """An array as PostgreSQL sends it: dimensions, a flag for NULLs, type; (size, first index); (width, value) each."""
    kind = np.dtype(form)
    if array is None:  # of no rows at all
        return np.empty(0, kind)
    if int.from_bytes(array[4:8], "big"):
        raise ValueError(f"column {name} is NULL, and so not of its width")
    wire = np.dtype([("width", ">i4"), ("value", _wire(form))])
    if (len(array) - ARRAY_HEAD) != int.from_bytes(array[12:16], "big") * wire.itemsize:
        raise ValueError(f"column {name} is not of its width")
    return np.frombuffer(array, wire, offset=ARRAY_HEAD)["value"].astype(kind)


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


FLOAT8 = 701
"""The number by which PostgreSQL knows its type of double precision."""


def array_field(numbers: Sequence[float]) -> bytes:
    """Return numbers as one field of a binary row, of an array of double precision."""
    elements = np.empty(len(numbers), [("width", ">i4"), ("value", ">f8")])
    elements["width"], elements["value"] = 8, numbers
    shape = np.array([1, 0, FLOAT8, len(numbers), 1], ">i4")  # dimensions, no NULL in it, type, length, first index
    body = shape.tobytes() + elements.tobytes()
    return len(body).to_bytes(4, "big") + body


def encode_body(columns: Sequence[Column], fields: int, tail: Sequence[bytes] | None = None) -> bytes:
    """Return some rows of a binary COPY stream, without its beginning and its end."""
    rows = len(columns[0].values)
    written = [_Written(column) for column in columns]
    layout = np.dtype([("fields", ">i2"), *(field for n, one in enumerate(written) for field in one.layout(n))])
    records = np.empty(rows, layout)
    records["fields"] = fields
    keep: NDArray[np.bool_] | None = None
    for n, one in enumerate(written):
        one.write(records, n)
        if one.varies:
            keep = np.ones((rows, layout.itemsize), np.bool_) if keep is None else keep
            at = layout.fields[f"value{n}"][1]  # type: ignore[index]
            keep[:, at : at + one.width] = one.shown()
    data = records.tobytes() if keep is None else records.view(np.uint8).reshape(rows, -1)[keep].tobytes()
    if tail is None:
        return data
    lengths = np.full(rows, layout.itemsize) if keep is None else keep.sum(axis=1)
    ends = np.cumsum(lengths).tolist()
    starts = [0, *ends[:-1]]
    return b"".join(
        part for start, end, rest in zip(starts, ends, tail, strict=True) for part in (data[start:end], rest)
    )


class _Written:
    """How one column goes out: the length of each field, its bytes, and which rows have fewer of them."""

    def __init__(self, column: Column) -> None:
        self.column = column
        self.null = self._null(column)
        self.empty = self.null is not None and bool(self.null.all())
        self.words = [word.encode() for word in column.words]
        if column.kind == "text":
            self.width = 0 if self.empty else max(map(len, self.words), default=0)
            lengths = {len(word) for word in self.words}
            self.varies = self.width > 0 and (len(lengths) > 1 or self.null is not None)
        else:
            self.width = 0 if self.empty else np.dtype(column.kind).itemsize
            self.varies = self.null is not None and not self.empty

    @staticmethod
    def _null(column: Column) -> NDArray[np.bool_] | None:
        null = column.null
        if column.kind == "f8":
            infinite = ~np.isfinite(column.values)
            null = infinite if null is None else null | infinite
        if column.kind == "text":
            null = column.values < 0 if null is None else null | (column.values < 0)
        return null if null is not None and null.any() else None

    def layout(self, n: int) -> list[Any]:
        kind = self.column.kind
        value = (f"value{n}", np.uint8, (self.width,)) if kind == "text" else (f"value{n}", _wire(kind))
        return [(f"length{n}", ">i4"), value] if self.width else [(f"length{n}", ">i4")]

    def write(self, records: NDArray[Any], n: int) -> None:
        if self.empty:
            records[f"length{n}"] = -1
            return
        if self.column.kind == "text":
            self._write_words(records, n)
            return
        records[f"value{n}"] = self.column.values
        records[f"length{n}"] = self.width if self.null is None else np.where(self.null, -1, self.width)

    def _write_words(self, records: NDArray[Any], n: int) -> None:
        index = self.column.values if self.null is None else np.where(self.null, len(self.words), self.column.values)
        records[f"length{n}"] = np.array([*map(len, self.words), -1], np.int32)[index]
        if self.width:
            joined = b"".join(word.ljust(self.width, b"\0") for word in [*self.words, b""])
            table = np.frombuffer(joined, np.uint8).reshape(-1, self.width)
            records[f"value{n}"] = table[index]

    def shown(self) -> NDArray[np.bool_]:
        """Which bytes of the value are sent: shape (rows, width), or (rows, 1) where it is all or none of them."""
        if self.column.kind != "text":
            assert self.null is not None  # noqa: S101 - it varies
            return ~self.null[:, None]
        index = self.column.values if self.null is None else np.where(self.null, len(self.words), self.column.values)
        lengths = np.array([*map(len, self.words), 0])
        sent: NDArray[np.bool_] = (np.arange(self.width) < lengths[:, None])[index]
        return sent


def _wire(kind: str) -> str:
    return kind if kind[0] in "Vb" else f">{kind}"
