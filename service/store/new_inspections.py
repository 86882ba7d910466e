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
from typing import Any
from uuid import UUID

import numpy as np
from numpy.typing import NDArray
from psycopg import Connection

from service.store.columns import NULL_FIELD, Column, copy_blocks, encode_body, jsonb_field, to_micros, to_time
from service.store.statements import sql

AT_ONCE = 100_000
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
Ints = NDArray[np.int64]


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
    digest : list of bytes
        Of the source of each.
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
    digest: Sequence[bytes]
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
    """What some of them say was run; `since` is `columns.ALWAYS` where it is open."""

    place: Ints  # of the inspection
    since: Ints
    metres: Sequence[float | None]
    hours: Sequence[float | None]


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


def add_readings(
    conn: Connection[Any], rows: int, columns: ReadingColumns, shown: Callable[[int], None], at_once: int = AT_ONCE
) -> None:
    """Add the readings of new inspections.

    Parameters
    ----------
    conn : Connection
    rows : int
    columns : callable
        Returns the columns of rows from one number to before another, named as `READING_NAMES`.
    shown : callable
        Told how many rows have gone out, after each buffer.
    at_once : int
        Rows in a buffer.

    Notes
    -----
    The next buffer is made while the server works on the last one.
    """

    def made(low: int) -> bytes:
        return encode_body(columns(low, min(low + at_once, rows)), len(READING_NAMES))

    def blocks() -> Iterator[bytes]:
        with ThreadPoolExecutor(1) as ahead:
            coming = ahead.submit(made, 0)
            for low in range(0, rows, at_once):
                block = coming.result()
                if low + at_once < rows:
                    coming = ahead.submit(made, low + at_once)
                yield block
                shown(min(low + at_once, rows))

    copy_blocks(conn, "readings", READING_NAMES, blocks())


def add_inspections(conn: Connection[Any], new: NewInspections, at: datetime, export_id: UUID) -> None:
    """Add inspections, each with its first version and its only source.

    Raises
    ------
    psycopg.errors.UniqueViolation
        If one of them is there already: its tool was not held.
    """
    for table, parts in (
        ("inspections", _inspection_columns),
        ("inspection_versions", _version_columns),
        ("inspection_sources", _source_columns),
    ):
        names: list[str] = []
        blocks = []
        for low in range(0, len(new), INSPECTIONS_AT_ONCE):
            places = slice(low, min(low + INSPECTIONS_AT_ONCE, len(new)))
            columns, tail_names, tail = parts(new, places, at, export_id)
            names = [column.name for column in columns] + tail_names
            blocks.append(encode_body(columns, len(names), tail))
        copy_blocks(conn, table, names, blocks)


def add_usage(conn: Connection[Any], new: NewInspections, usage: NewUsage) -> None:
    """Add the usage of new inspections; their intervals do not overlap anything."""
    if not len(usage.place):
        return
    ids = [UUID(bytes=new.inspection_id[place].tobytes()) for place in usage.place.tolist()]
    parameters = {
        "tool_ids": new.tool_id[usage.place].tolist(),
        "since": [to_time(since) for since in usage.since.tolist()],
        "taken_at": [to_time(moment) for moment in new.taken_at[usage.place].tolist()],
        "metres": list(usage.metres),
        "hours": list(usage.hours),
        "amounts": [(new.usage[place] or b"[]").decode() for place in usage.place.tolist()],
        "inspection_ids": ids,
    }
    conn.execute(sql("bulk/add_usage"), parameters)


# ---------------------------------------------------------------- columns

Parts = tuple[list[Column], list[str], list[bytes] | None]


def _slice(column: Column, name: str, places: slice) -> Column:
    null = None if column.null is None else column.null[places]
    return Column(name, column.kind, column.values[places], null, column.words)


def _constant(name: str, kind: str, value: int, count: int) -> Column:
    return Column(name, kind, np.full(count, value, kind))


def _inspection_columns(new: NewInspections, places: slice, at: datetime, export_id: UUID) -> Parts:
    count = len(new.inspection_id[places])
    columns = [
        Column("inspection_id", "V16", new.inspection_id[places]),
        Column("tool_id", "i4", new.tool_id[places]),
        _slice(new.reference, "reference", places),
        _slice(new.stage, "stage", places),
        Column("taken_at", "i8", new.taken_at[places]),
        _constant("inputs_as_of", "i8", to_micros(at), count),
    ]
    return columns, [], None


def _version_columns(new: NewInspections, places: slice, at: datetime, export_id: UUID) -> Parts:
    count = len(new.inspection_id[places])
    columns = [
        Column("inspection_id", "V16", new.inspection_id[places]),
        _constant("inspection_version", "i4", 1, count),
        Column("taken_at", "i8", new.taken_at[places]),
        _constant("inputs_as_of", "i8", to_micros(at), count),
        Column("cause", "text", np.zeros(count, np.int32), words=("posted",)),
    ]
    pairs = zip(new.checks[places], new.setups[places], strict=True)
    tail = [jsonb_field(checks or b"[]") + jsonb_field(setups or b"[]") for checks, setups in pairs]
    return columns, ["checks", "setups"], tail


def _source_columns(new: NewInspections, places: slice, at: datetime, export_id: UUID) -> Parts:
    count = len(new.inspection_id[places])
    digests = np.frombuffer(b"".join(new.digest[places]), "V32")
    columns = [
        Column("inspection_id", "V16", new.inspection_id[places]),
        _constant("source", "i4", 1, count),
        Column("digest", "V32", digests),
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
