"""Years that are taken out of the database: which ones, and the steps by which their tables go.

Sizes stay, since what wears is followed through all of them, and so do the inspections themselves.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from psycopg import Connection, sql
from psycopg.types.json import Jsonb

from service.store.errors import Conflict
from service.store.statements import sql as statement

TABLES = ("readings", "clearances", "limits")
AT_ONCE = 50_000
BACK = "read_back"


@dataclass(frozen=True, slots=True)
class Sum:
    """How many rows, and the sum of a hash of each: the same for the same rows, in whatever order."""

    rows: int
    checksum: int


def archived_years(conn: Connection[Any]) -> frozenset[int]:
    """Return the years (UTC) that are archived, or are being archived."""
    return frozenset(row[0] for row in conn.execute(statement("archive/years")).fetchall())


def refuse_archived(conn: Connection[Any], moment: datetime) -> None:
    """Raise where what belongs to a moment has gone to files.

    Raises
    ------
    Conflict
        Code ``archived``, with the year.
    """
    row = conn.execute(statement("archive/is_archived"), {"moment": moment}).fetchone()
    if row is not None and row[0]:
        raise archived(moment.astimezone(UTC).year)


def refuse_archived_of_tool(conn: Connection[Any], tool_id: int, since: datetime | None) -> None:
    """Raise where a tool has inspections, from a moment on, in an archived year.

    Raises
    ------
    Conflict
        Code ``archived``, with the newest such year.
    """
    row = conn.execute(statement("archive/of_tool"), {"tool_id": tool_id, "since": since}).fetchone()
    if row is not None and row[0] is not None:
        raise archived(row[0])


def refuse_archived_within(conn: Connection[Any], since: datetime | None, until: datetime | None) -> None:
    """Raise where a span of time, open where it is None, reaches into an archived year.

    Raises
    ------
    Conflict
        Code ``archived``, with the newest such year.
    """
    row = conn.execute(statement("archive/within"), {"since": since, "until": until}).fetchone()
    if row is not None and row[0] is not None:
        raise archived(row[0])


def archived(year: int) -> Conflict:
    """Return the refusal of what needs an archived year."""
    return Conflict("archived", f"readings, clearances and limits of {year} are archived", year=year)


def archivable_years(conn: Connection[Any], before: int) -> list[int]:
    """Return the years before one that still have their tables."""
    return [row[0] for row in conn.execute(statement("archive/archivable"), {"before": before}).fetchall()]


def begin_archiving(conn: Connection[Any], year: int, folder: str) -> None:
    """Say that a year is being archived: once this is committed, nothing more is written into it."""
    conn.execute(statement("archive/begin"), {"year": year, "folder": folder})


def give_up_archiving(conn: Connection[Any], year: int) -> None:
    """Take that back."""
    conn.execute(statement("archive/give_up"), {"year": year})


def refuse_open_work(conn: Connection[Any], year: int) -> None:
    """Raise where inspections of a year are still to be computed.

    Raises
    ------
    Conflict
        Code ``open-work``.
    """
    bounds = {"since": datetime(year, 1, 1, tzinfo=UTC), "until": datetime(year + 1, 1, 1, tzinfo=UTC)}
    row = conn.execute(statement("archive/open_work"), bounds).fetchone()
    if row is not None and row[0]:
        raise Conflict("open-work", f"{row[0]} inspections of {year} are still to be computed", year=year)


def settle_writers(conn: Connection[Any], year: int) -> None:
    """Wait until nobody writes into the tables of a year any more."""
    for table in TABLES:
        conn.execute(sql.SQL("LOCK TABLE {} IN SHARE MODE").format(_part(table, year)))


def _part(table: str, year: int) -> sql.Identifier:
    return sql.Identifier(f"{table}_{year}")


def columns_of(conn: Connection[Any], table: str) -> list[tuple[str, str]]:
    """Return the columns of a table with their types, in their order."""
    return [(row[0], row[1]) for row in conn.execute(statement("archive/columns"), {"table": table}).fetchall()]


def sum_rows(conn: Connection[Any], table: str, names: Sequence[str]) -> Sum:
    """Return the sum of the rows of a table (or of `BACK`) over some columns."""
    query = sql.SQL("SELECT count(*), coalesce(sum(hashtextextended(ROW({})::text, 0)::numeric), 0) FROM {}")
    row = conn.execute(query.format(sql.SQL(", ").join(map(sql.Identifier, names)), sql.Identifier(table))).fetchone()
    assert row is not None  # noqa: S101 - an aggregate always has a row
    return Sum(int(row[0]), int(row[1]))


def read_rows(conn: Connection[Any], table: str, names: Sequence[str]) -> Iterator[list[tuple[Any, ...]]]:
    """Yield the rows of a table in pieces, in the order of its key."""
    query = sql.SQL("SELECT {} FROM {} ORDER BY taken_at, inspection_id").format(
        sql.SQL(", ").join(map(sql.Identifier, names)), sql.Identifier(table)
    )
    with conn.cursor(name="archive") as cursor:
        cursor.itersize = AT_ONCE
        cursor.execute(query)
        while rows := cursor.fetchmany(AT_ONCE):
            yield rows


def write_back(
    conn: Connection[Any], table: str, names: Sequence[str], pieces: Iterator[list[tuple[Any, ...]]]
) -> None:
    """Load rows that were read from a file into the temporary table `BACK`, which goes with the transaction."""
    back = sql.Identifier(BACK)
    conn.execute(sql.SQL("DROP TABLE IF EXISTS {}").format(back))
    conn.execute(sql.SQL("CREATE TEMPORARY TABLE {} (LIKE {}) ON COMMIT DROP").format(back, sql.Identifier(table)))
    copy_in = sql.SQL("COPY {} ({}) FROM STDIN").format(back, sql.SQL(", ").join(map(sql.Identifier, names)))
    with conn.cursor() as cursor, cursor.copy(copy_in) as copy:
        for rows in pieces:
            for row in rows:
                copy.write_row(row)


def detach(conn: Connection[Any], year: int) -> None:
    """Take the tables of a year out of those that are asked; they stay, by themselves."""
    for table in TABLES:
        query = sql.SQL("ALTER TABLE {} DETACH PARTITION {}").format(sql.Identifier(table), _part(table, year))
        conn.execute(query)


def drop(conn: Connection[Any], year: int, files: Sequence[dict[str, Any]]) -> None:
    """Drop the tables of a year, and say where they went."""
    for table in TABLES:
        conn.execute(sql.SQL("DROP TABLE {}").format(_part(table, year)))
    conn.execute(statement("archive/finish"), {"year": year, "files": Jsonb(list(files))})
