"""Writing the statuses of tools, with limits of their own: they are for the components fitted now."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from typing import Any

import orjson
from psycopg import Connection
from psycopg.errors import ForeignKeyViolation

from service.store.columns import Column, write_columns
from service.store.errors import Conflict
from service.store.statements import sql


def save_statuses(conn: Connection[Any], statuses: Sequence[dict[str, Any]], limits: Sequence[Column]) -> None:
    """Write statuses that changed.

    Parameters
    ----------
    conn : Connection
    statuses : sequence of dict
        Columns of `tool_status`.
    limits : sequence of Column
        Columns of `tool_status_limits` for the same tools; what they had goes.

    Raises
    ------
    Conflict
        Code ``tool-deleted``: one of the tools is there no more; the caller rolls back.
    """
    if not statuses:
        return
    try:
        conn.execute(sql("tool_status/save"), {"rows": orjson.dumps(list(statuses)).decode()})
    except ForeignKeyViolation as gone:
        raise Conflict("tool-deleted", "a tool was deleted meanwhile") from gone
    conn.execute(sql("tool_status/clear_limits"), {"tools": [row["tool_id"] for row in statuses]})
    if len(limits[0].values):
        write_columns(conn, "tool_status_limits", limits)


def touch_dates(conn: Connection[Any], looked_at: Sequence[tuple[int, date]]) -> None:
    """Note the day on which the dates of unchanged statuses were computed anew."""
    if looked_at:
        parameters = {"tools": [tool for tool, _ in looked_at], "days": [day for _, day in looked_at]}
        conn.execute(sql("tool_status/touch"), parameters)


def list_stale(conn: Connection[Any], limit: int) -> list[int]:
    """Return tools whose dates were computed on an earlier day of their site, and that no work is due for."""
    return [row[0] for row in conn.execute(sql("tool_status/stale"), {"limit": limit})]
