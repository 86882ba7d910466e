"""New inspections of a whole file, written by COPY: the very rows that `inspections.add_inspection` would have written.

No constraint is given up: keys and foreign keys of inspections, versions, sources and usage are checked as ever, and
readings, which have none, get fresh ids.
"""

from __future__ import annotations

import secrets
import time
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from datetime import datetime
from typing import Any, LiteralString
from uuid import UUID

import numpy as np
from numpy.typing import NDArray
from psycopg import Connection

from service.store.columns import ALWAYS, NULL_FIELD, Column, copy_blocks, encode_body, jsonb_field, to_micros

AT_ONCE = 25_000
"""Readings in one buffer."""
INSPECTIONS_AT_ONCE = 20_000
READING_NAMES = (
    "taken_at",
    "inspection_id",
    "inspection_version",
    "ordinal",
    "tool_id",
    "source",
    "feature_id",
    "position",
    "component_id",
    "station",
    "orientation",
    "kind",
    "value",
    "sent",
    "sent_unit",
    "gauge_id",
    "master_id",
    "setup",
    "temperature_c",
    "reference_temperature_c",
)
ReadingColumns = Callable[[int, int], Sequence[Column]]
ReadingTraces = Callable[[int, int], Sequence[bytes]]
Ints = NDArray[np.int64]
Parts = tuple[list[Column], list[str], list[bytes] | None]  # columns; names and fields of what follows them


@dataclass(frozen=True, slots=True)
class NewInspections:
    """Inspections that are not there yet, as columns of one length.

    Attributes
    ----------
    inspection_id : ndarray of V16
    tool_id, taken_at : ndarray
        `taken_at` in microseconds since 2000.
    reference, inspector, thermometer : Column
        Of words.
    stage : Column
    thermometer_u_c : ndarray
        NaN where it is not given.
    usage, checks, setups : list of bytes or None
        JSON; None is null (of usage) or empty.
    """

    inspection_id: NDArray[np.void]
    tool_id: Ints
    taken_at: Ints
    reference: Column
    stage: Column
    inspector: Column
    thermometer: Column
    thermometer_u_c: NDArray[np.float64]
    usage: Sequence[bytes | None]
    checks: Sequence[bytes | None]
    setups: Sequence[bytes | None]

    def __len__(self) -> int:
        return len(self.inspection_id)


@dataclass(frozen=True, slots=True)
class NewUsage:
    """What some of them say was run; `since` is `columns.ALWAYS` where it is open, an amount not given is NaN."""

    place: Ints  # of the inspection
    since: Ints
    metres: NDArray[np.float64]
    hours: NDArray[np.float64]


def fresh_ids(count: int) -> NDArray[np.void]:
    """Return UUIDs of version 7 in ascending order.

    Parameters
    ----------
    count : int

    Returns
    -------
    ndarray of V16, shape (count,)

    References
    ----------
    RFC 9562, 5.7: 48 bits of milliseconds, 12 that count within them here, 62 random ones.
    """
    number = np.arange(count, dtype=np.uint64)
    moment = np.uint64(time.time_ns() // 1_000_000) + number // np.uint64(4096)
    high = (moment << np.uint64(16)) | np.uint64(0x7000) | (number % np.uint64(4096))
    low = np.frombuffer(secrets.token_bytes(8 * count), np.uint64) >> np.uint64(2) | np.uint64(1 << 63)
    both = np.empty((count, 2), ">u8")
    both[:, 0], both[:, 1] = high, low
    return both.view("V16").reshape(count)


class EncodedReadings:
    """Readings of new inspections as they go out, buffer after buffer.

    The first buffer is begun at once, and each further one while the server works on the one before.

    Parameters
    ----------
    rows : int
    columns : callable
        Returns the columns of rows from one number to before another, named as `READING_NAMES`.
    traces : callable, optional
        Returns the trace of each of those rows, as `columns.array_field` or `columns.NULL_FIELD` has it; where there
        are any.
    at_once : int
        Rows in a buffer.
    """

    def __init__(
        self, rows: int, columns: ReadingColumns, traces: ReadingTraces | None = None, at_once: int = AT_ONCE
    ) -> None:
        self.names = READING_NAMES if traces is None else (*READING_NAMES, "trace")
        self._rows, self._columns, self._traces, self._at_once = rows, columns, traces, at_once
        self._ahead = ThreadPoolExecutor(1, "readings")
        self._coming = self._ahead.submit(self._made, 0)

    def __enter__(self) -> EncodedReadings:
        return self

    def __exit__(self, *_: object) -> None:
        self._ahead.shutdown(cancel_futures=True)

    def blocks(self, shown: Callable[[int], None]) -> Iterator[bytes]:
        """Return the buffers, once; `shown` is told how many rows have gone out, after each of them."""
        for low in range(0, self._rows, self._at_once):
            block = self._coming.result()
            high = min(low + self._at_once, self._rows)
            if high < self._rows:
                self._coming = self._ahead.submit(self._made, high)
            yield block
            shown(high)

    def _made(self, low: int) -> bytes:
        high = min(low + self._at_once, self._rows)
        traces = None if self._traces is None else self._traces(low, high)
        return encode_body(self._columns(low, high), len(self.names), traces)


def add_readings(conn: Connection[Any], readings: EncodedReadings, shown: Callable[[int], None]) -> None:
    """Add the readings of new inspections; `shown` is told how many have gone out."""
    copy_blocks(conn, "readings", readings.names, readings.blocks(shown))


@dataclass(frozen=True, slots=True)
class Encoded:
    """Rows of one table as they go out."""

    table: LiteralString
    names: Sequence[str]
    blocks: Sequence[bytes]


def encode_inspections(new: NewInspections, at: datetime) -> list[Encoded]:
    """Return inspections as rows, each with its first version.

    Parameters
    ----------
    new : NewInspections
    at : datetime
        The moment they are accepted at.
    """
    stamp = to_micros(at)
    slices = _slices(new)
    return [
        _encoded("inspections", [_inspection_columns(new, places, stamp) for places in slices]),
        _encoded("inspection_versions", [_version_columns(new, places, stamp) for places in slices]),
    ]


def encode_sources(new: NewInspections, digests: Sequence[bytes], export_id: UUID) -> list[Encoded]:
    """Return the only source of each new inspection as rows.

    Parameters
    ----------
    new : NewInspections
    digests : sequence of bytes
        Of the source of each.
    export_id : UUID
        The export that brought them.
    """
    blocks = [_source_columns(new, places, digests, export_id) for places in _slices(new)]
    return [_encoded("inspection_sources", blocks)]


def _slices(new: NewInspections) -> list[slice]:
    return [slice(low, low + INSPECTIONS_AT_ONCE) for low in range(0, len(new), INSPECTIONS_AT_ONCE)]


def encode_usage(new: NewInspections, usage: NewUsage) -> list[Encoded]:
    """Return the usage of new inspections as rows; their intervals do not overlap anything."""
    place = usage.place
    if not len(place):
        return []
    until = new.taken_at[place]
    tail = [
        _range_field(low, high) + jsonb_field(new.usage[of] or b"[]")
        for low, high, of in zip(usage.since.tolist(), until.tolist(), place.tolist(), strict=True)
    ]
    columns = [
        Column("tool_id", "i4", new.tool_id[place]),
        Column("metres", "f8", usage.metres),
        Column("hours", "f8", usage.hours),
        Column("inspection_id", "V16", new.inspection_id[place]),
    ]
    return [_encoded("usage", [(columns, ["period", "amounts"], tail)])]


def add_encoded(conn: Connection[Any], encoded: Sequence[Encoded]) -> None:
    """Add rows of new inspections, in a transaction that holds their tools."""
    for rows in encoded:
        copy_blocks(conn, rows.table, rows.names, rows.blocks)


def _encoded(table: LiteralString, blocks: Sequence[Parts]) -> Encoded:
    columns, tail_names, _ = blocks[0]
    names = [column.name for column in columns] + tail_names
    return Encoded(table, names, [encode_body(columns, len(names), tail) for columns, _, tail in blocks])


_BOUNDED, _OPEN = 0x02, 0x08  # flags of a range in PostgreSQL's binary form: lower bound included, or none


def _range_field(since: int, until: int) -> bytes:
    """Return [since, until) of times as one field of a binary row."""
    eight = (8).to_bytes(4, "big")
    upper = eight + until.to_bytes(8, "big", signed=True)
    if since == ALWAYS:
        return (13).to_bytes(4, "big") + bytes([_OPEN]) + upper
    return (25).to_bytes(4, "big") + bytes([_BOUNDED]) + eight + since.to_bytes(8, "big", signed=True) + upper


# ---------------------------------------------------------------- columns


def _slice(column: Column, name: str, places: slice) -> Column:
    null = None if column.null is None else column.null[places]
    return Column(name, column.kind, column.values[places], null, column.words)


def _constant(name: str, kind: str, value: int, count: int) -> Column:
    return Column(name, kind, np.full(count, value, kind))


def _inspection_columns(new: NewInspections, places: slice, stamp: int) -> Parts:
    count = len(new.inspection_id[places])
    columns = [
        Column("inspection_id", "V16", new.inspection_id[places]),
        Column("tool_id", "i4", new.tool_id[places]),
        _slice(new.reference, "reference", places),
        _slice(new.stage, "stage", places),
        Column("taken_at", "i8", new.taken_at[places]),
        _constant("inputs_as_of", "i8", stamp, count),
    ]
    return columns, [], None


def _version_columns(new: NewInspections, places: slice, stamp: int) -> Parts:
    count = len(new.inspection_id[places])
    columns = [
        Column("inspection_id", "V16", new.inspection_id[places]),
        _constant("inspection_version", "i4", 1, count),
        Column("taken_at", "i8", new.taken_at[places]),
        _constant("inputs_as_of", "i8", stamp, count),
        Column("cause", "text", np.zeros(count, np.int32), words=("posted",)),
    ]
    pairs = zip(new.checks[places], new.setups[places], strict=True)
    tail = [jsonb_field(checks or b"[]") + jsonb_field(setups or b"[]") for checks, setups in pairs]
    return columns, ["checks", "setups"], tail


def _source_columns(new: NewInspections, places: slice, digests: Sequence[bytes], export_id: UUID) -> Parts:
    count = len(new.inspection_id[places])
    columns = [
        Column("inspection_id", "V16", new.inspection_id[places]),
        _constant("source", "i4", 1, count),
        Column("digest", "V32", np.frombuffer(b"".join(digests[places]), "V32")),
        _constant("from_version", "i4", 1, count),
        Column("export_id", "V16", np.full(count, np.void(export_id.bytes))),
        Column("taken_at", "i8", new.taken_at[places]),
        _slice(new.inspector, "inspector", places),
        _slice(new.thermometer, "thermometer", places),
        Column("thermometer_u_c", "f8", new.thermometer_u_c[places]),
        Column("final", "b1", np.zeros(count, np.bool_)),
    ]
    tail = [NULL_FIELD if usage is None else jsonb_field(usage) for usage in new.usage[places]]
    return columns, ["usage"], tail
