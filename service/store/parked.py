"""Inspections that could not be computed: listed with their problem, and started again."""

from __future__ import annotations

from datetime import datetime
from typing import Any
from uuid import UUID

from psycopg import Connection
from psycopg.rows import class_row

from service.store.errors import Conflict
from service.store.inspections import Inspection
from service.store.statements import sql
from service.store.work import mark_dirty


def list_parked(
    conn: Connection[Any],
    *,
    limit: int,
    after: tuple[datetime, UUID] | None = None,
    tool: str | None = None,
    site: str | None = None,
    tool_type: str | None = None,
    site_id: int | None = None,
) -> list[Inspection]:
    """Return up to `limit` parked inspections, in the order they were parked (`updated_at`)."""
    after_at, after_id = after or (None, None)
    parameters = {
        "tool": tool,
        "site": site,
        "tool_type": tool_type,
        "site_id": site_id,
        "after_at": after_at,
        "after_id": after_id,
        "limit": limit,
    }
    with conn.cursor(row_factory=class_row(Inspection)) as cursor:
        return cursor.execute(sql("parked/list"), parameters).fetchall()


def restart(conn: Connection[Any], parked: Inspection) -> None:
    """Have a parked inspection computed again, and its tool from its time on; after the commit hint to the workers.

    Parameters
    ----------
    conn : Connection
    parked : Inspection
        Read after its tool was held.

    Raises
    ------
    Conflict
        Code ``not-parked``: it did not fail, or was corrected, withdrawn or started again meanwhile.
    """
    if conn.execute(sql("parked/restart"), {"inspection_id": parked.inspection_id}).fetchone() is None:
        raise Conflict("not-parked", f"the inspection is {parked.state}, not failed", state=parked.state)
    mark_dirty(conn, [parked.tool_id], [parked.taken_at])
    conn.execute(sql("parked/forgive"), {"tool_id": parked.tool_id})
