"""The statuses of tools, as a worker last wrote them."""

from __future__ import annotations

from datetime import date, datetime
from typing import Any, NamedTuple
from uuid import UUID

from psycopg import Connection
from psycopg.rows import args_row, dict_row

from service.store.statements import sql


class Status(NamedTuple):
    """One tool's status; None from `sequence` on until a worker has written one.

    A tuple rather than a dataclass: it is made at every GET of an ERP's poll, and costs a third.
    """

    tool_id: int
    tool: str
    tool_type: str
    site: str
    site_id: int
    created_at: datetime
    sequence: int | None
    state: str
    inspection_id: UUID | None
    inspected_at: datetime | None
    updated_at: datetime
    retained: float | None
    service_loss: float | None
    basis: str
    ground: str | None  # this and the other JSON goes out as it is: as text
    ground_factor: float
    governing: str | None
    p10: float | None
    p50: float | None
    p90: float | None
    used_since: float | None
    as_of: datetime | None
    due_p10: date | None
    due_p50: date | None
    due_p90: date | None
    dates_on: date | None
    renew: str
    parts: str
    remarks: list[str]
    wear_model: int | None
    type_facts: tuple[str, float] | None  # life basis and service loss of the tool type


def get_status(conn: Connection[Any], serial: str) -> Status | None:
    """Return the status of a tool, None where there is no such tool."""
    with conn.cursor(row_factory=args_row(Status)) as cursor:
        return cursor.execute(sql("status/get"), {"serial": serial}).fetchone()


def list_limits(conn: Connection[Any], tool_id: int) -> list[dict[str, Any]]:
    """Return the limits of a status with their first-passage model, in the basis of the tool's life."""
    with conn.cursor(row_factory=dict_row) as cursor:
        return cursor.execute(sql("status/limits"), {"tool_id": tool_id}).fetchall()


def list_statuses(
    conn: Connection[Any],
    *,
    after: str,
    limit: int,
    site: str | None = None,
    tool_type: str | None = None,
    state: str | None = None,
    site_id: int | None = None,
) -> list[Status]:
    """Return up to `limit` statuses after a serial, in the order of serials."""
    parameters = {
        "after": after,
        "limit": limit,
        "site": site,
        "tool_type": tool_type,
        "state": state,
        "site_id": site_id,
    }
    with conn.cursor(row_factory=args_row(Status)) as cursor:
        return cursor.execute(sql("status/list"), parameters).fetchall()


def list_statuses_changed(
    conn: Connection[Any],
    *,
    changed_since: datetime,
    after: tuple[datetime, int] | None,
    limit: int,
    site: str | None = None,
    tool_type: str | None = None,
    state: str | None = None,
    site_id: int | None = None,
) -> list[Status]:
    """Return up to `limit` statuses written since a moment, in the order they were written.

    `after` is the time and the tool id of the last one seen.
    """
    after_time, after_id = after or (None, None)
    parameters = {
        "changed_since": changed_since,
        "after_time": after_time,
        "after_id": after_id,
        "limit": limit,
        "site": site,
        "tool_type": tool_type,
        "state": state,
        "site_id": site_id,
    }
    with conn.cursor(row_factory=args_row(Status)) as cursor:
        return cursor.execute(sql("status/list_changed"), parameters).fetchall()
