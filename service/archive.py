"""`stripdown archive`: whole years of readings, clearances and limits to Parquet files, checked before anything goes.

A year is closed first; then its tables are written, read back into the database and compared with what is there, row
by row; only then are they detached and dropped, in one transaction with the note of where they went.
"""

from __future__ import annotations

import hashlib
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

from service.config import Config
from service.store import archive as store
from service.store.errors import Conflict
from service.store.pool import Connection, alone

if TYPE_CHECKING:
    import polars

CLOSED_S = 5.0
"""Longer than any process remembers that a year was open."""


def archive(config: Config, before: int, folder: Path, say: Callable[[str], None], closed_s: float = CLOSED_S) -> int:
    """Archive every year before one; return how many there were.

    Parameters
    ----------
    config : Config
    before : int
        The first year that stays.
    folder : Path
        Where the files go, a folder for each year; nothing in it is overwritten.
    say : callable
        Gets a line for each step.
    closed_s : float
        How long a closed year is left alone before it is copied, [s].

    Raises
    ------
    Conflict
        ``open-work`` (inspections of the year are still to be computed), ``not-the-same`` (what was read back differs).
    StoreAway
    OSError
    """
    with alone(config) as conn:
        years = store.archivable_years(conn, before)
    for year in years:
        _archive_year(config, year, folder / str(year), say, closed_s)
    return len(years)


def _archive_year(config: Config, year: int, folder: Path, say: Callable[[str], None], closed_s: float) -> None:
    folder.mkdir(parents=True)
    with alone(config) as conn:
        store.refuse_open_work(conn, year)
        store.begin_archiving(conn, year, str(folder.absolute()))
    try:
        time.sleep(closed_s)
        with alone(config) as conn:
            conn.execute("SET LOCAL statement_timeout = 0")
            store.settle_writers(conn, year)
            store.refuse_open_work(conn, year)
            files = [_copy(conn, table, year, folder) for table in store.TABLES]
        for file in files:
            say(f"{file['file']}: {file['rows']} rows, read back and found the same")
        with alone(config) as conn:
            conn.execute("SET LOCAL statement_timeout = 0")
            store.detach(conn, year)
            for file in files:
                _compare(conn, f"{file['table']}_{year}", _names(conn, file["table"]), file)
            store.drop(conn, year, files)
    except BaseException:
        with alone(config) as conn:
            store.give_up_archiving(conn, year)
        raise
    say(f"{year} is archived in {folder}")


def _names(conn: Connection, table: str) -> list[str]:
    return [name for name, _ in store.columns_of(conn, table)]


def _copy(conn: Connection, table: str, year: int, folder: Path) -> dict[str, Any]:
    """Write one table to a file, load the file into a table of its own, and compare the two."""
    import polars as pl

    columns = store.columns_of(conn, table)
    names, part = [name for name, _ in columns], f"{table}_{year}"
    path = folder / f"{part}.parquet"
    schema = {name: _kinds(pl)[kind] for name, kind in columns}
    _write(path, (_frame(pl, rows, schema) for rows in store.read_rows(conn, part, names)), schema)
    there = store.sum_rows(conn, part, names)
    store.write_back(conn, table, names, _rows_of(path))
    back = store.sum_rows(conn, store.BACK, names)
    if back != there:
        raise Conflict("not-the-same", f"{path} does not hold what {part} holds", table=part)
    with path.open("rb") as file:
        digest = hashlib.file_digest(file, "sha256").hexdigest()
    return {"table": table, "file": str(path), "rows": there.rows, "checksum": str(there.checksum), "sha256": digest}


def _write(path: Path, pieces: Iterator[polars.DataFrame], schema: dict[str, Any]) -> None:
    """Write a file piece by piece, a row group each: what is held does not grow with the year."""
    import polars as pl
    from polars.io.plugins import register_io_source

    troubles: list[Exception] = []

    def source(*_: Any) -> Iterator[polars.DataFrame]:
        try:
            yield from pieces
        except Exception as trouble:  # told by its own name below, not by the writer's
            troubles.append(trouble)
            raise

    try:
        rows = register_io_source(source, schema=schema)
        rows.sink_parquet(path, compression="zstd", row_group_size=store.AT_ONCE, maintain_order=True)
    except pl.exceptions.PolarsError as failure:
        raise (troubles[0] if troubles else failure) from None


def _compare(conn: Connection, part: str, names: list[str], file: dict[str, Any]) -> None:
    now = store.sum_rows(conn, part, names)
    if (now.rows, str(now.checksum)) != (file["rows"], file["checksum"]):
        raise Conflict("not-the-same", f"{part} changed while it was copied", table=part)


def _kinds(pl: Any) -> dict[str, Any]:
    """Return the types of the columns in the file."""
    return {
        "timestamp with time zone": pl.Datetime("us", "UTC"),
        "uuid": pl.String,
        "text": pl.String,
        "boolean": pl.Boolean,
        "smallint": pl.Int16,
        "integer": pl.Int32,
        "bigint": pl.Int64,
        "double precision": pl.Float64,
        "double precision[]": pl.List(pl.Float64),
    }


def _frame(pl: Any, rows: list[tuple[Any, ...]], schema: dict[str, Any]) -> polars.DataFrame:
    words = [n for n, name in enumerate(schema) if name == "inspection_id"]
    plain = [tuple(str(v) if n in words else v for n, v in enumerate(row)) for row in rows]
    made: polars.DataFrame = pl.DataFrame(plain, schema=schema, orient="row")
    return made


def _rows_of(path: Path) -> Iterator[list[tuple[Any, ...]]]:
    import polars as pl

    file = pl.scan_parquet(path)
    for start in range(0, file.select(pl.len()).collect().item(), store.AT_ONCE):
        yield file.slice(start, store.AT_ONCE).collect().rows()
