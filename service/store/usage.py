"""The usage ledger: what tools ran, by half-open intervals."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from uuid import UUID

from psycopg import Connection
from psycopg.rows import class_row
from psycopg.types.json import Jsonb

from service.store.errors import Conflict
from service.store.statements import sql
from service.store.usage_periods import derive_periods


@dataclass(frozen=True, slots=True)
class Usage:
    """One interval of usage: a ledger entry, or (with an inspection) what that inspection said was run."""

    usage_id: UUID
    tool_id: int
    tool: str
    site_id: int
    since: datetime | None  # None: the start is not known
    until: datetime
    metres: float | None
    hours: float | None
    amounts: list[dict[str, Any]]
    rate_m_h: float | None
    pressure_bar: float | None
    inspection_id: UUID | None
    reference: str | None
    stage: str | None
    recorded_at: datetime


@dataclass(frozen=True, slots=True)
class Entry:
    """A ledger entry to be stored; `ordinal` is its place in the request."""

    ordinal: int
    tool_id: int
    since: datetime
    until: datetime
    metres: float | None
    hours: float | None
    ground: dict[str, float] | None
    rate_m_h: float | None
    pressure_bar: float | None

    def as_record(self) -> dict[str, Any]:
        """Return the entry as the statements read it."""
        return {
            "ordinal": self.ordinal,
            "tool_id": self.tool_id,
            "since": self.since.isoformat(),
            "until": self.until.isoformat(),
            "metres": self.metres,
            "hours": self.hours,
            "amounts": [{"metres": self.metres, "hours": self.hours, "ground": self.ground}],
            "rate_m_h": self.rate_m_h,
            "pressure_bar": self.pressure_bar,
        }


@dataclass(frozen=True, slots=True)
class Overlap:
    """Two intervals of usage of one tool that share some time; the other may be an inspection's."""

    usage_id: UUID
    tool: str
    since: datetime
    until: datetime
    other_id: UUID
    other_since: datetime | None
    other_until: datetime
    inspection_id: UUID | None
    reference: str | None
    stage: str | None


def get_usages(conn: Connection[Any], usage_ids: Sequence[UUID]) -> list[Usage]:
    """Return intervals of usage by their ids, those there are."""
    with conn.cursor(row_factory=class_row(Usage)) as cursor:
        return cursor.execute(sql("usage/get"), {"usage_ids": list(usage_ids)}).fetchall()


def list_usage(
    conn: Connection[Any],
    *,
    after: UUID | None,
    limit: int,
    tool: str | None = None,
    site: str | None = None,
    tool_type: str | None = None,
    since: datetime | None = None,
    until: datetime | None = None,
    site_id: int | None = None,
) -> list[Usage]:
    """Return up to `limit` intervals that touch [since, until), in the order they were recorded."""
    parameters = {
        "after": after,
        "limit": limit,
        "tool": tool,
        "site": site,
        "tool_type": tool_type,
        "since": since,
        "until": until,
        "site_id": site_id,
    }
    with conn.cursor(row_factory=class_row(Usage)) as cursor:
        return cursor.execute(sql("usage/list"), parameters).fetchall()


def find_equal_entries(conn: Connection[Any], entries: Sequence[Entry]) -> dict[int, UUID]:
    """Return the ids of the entries the ledger already has, by their place in the request."""
    records = Jsonb([entry.as_record() for entry in entries])
    return dict(conn.execute(sql("usage/equal"), {"entries": records}).fetchall())


def add_entries(conn: Connection[Any], entries: Sequence[Entry]) -> list[UUID]:
    """Store ledger entries; return their ids in the same order.

    Notes
    -----
    Overlaps are refused only when the transaction ends, or by `find_overlaps`, which can name them: the
    intervals that inspections carry may have to be derived anew first.
    """
    records = Jsonb([entry.as_record() for entry in entries])
    conn.execute("SET CONSTRAINTS usage_no_overlap DEFERRED")
    return [row[0] for row in conn.execute(sql("usage/add"), {"entries": records}).fetchall()]


def settle_ledger(
    conn: Connection[Any], usage_ids: Sequence[UUID], since_by_tool: Mapping[int, datetime]
) -> list[Overlap]:
    """Derive anew the intervals of inspections that new entries bear on; return what the entries overlap.

    Parameters
    ----------
    conn : Connection
        Of a transaction that holds the tools.
    usage_ids : sequence of UUID
        The new entries.
    since_by_tool : mapping
        Tool id to the earliest start of its entries.

    Returns
    -------
    list of Overlap
        Unless it is empty the transaction must not be committed.

    Raises
    ------
    Conflict
        Of `derive_periods`, where no overlap explains it.
    """
    try:
        derive_periods(conn, list(since_by_tool), list(since_by_tool.values()))
    except Conflict:
        overlaps = find_overlaps(conn, usage_ids)
        if not overlaps:
            raise
        return overlaps
    return find_overlaps(conn, usage_ids)


def find_overlaps(conn: Connection[Any], usage_ids: Sequence[UUID]) -> list[Overlap]:
    """Return the pairs in which one of these intervals overlaps another of its tool; at most 1,000."""
    with conn.cursor(row_factory=class_row(Overlap)) as cursor:
        return cursor.execute(sql("usage/overlaps"), {"usage_ids": list(usage_ids)}).fetchall()


def delete_usage(conn: Connection[Any], usage_id: UUID) -> None:
    """Take an interval of usage back."""
    conn.execute(sql("usage/delete"), {"usage_id": usage_id})
