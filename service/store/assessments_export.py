"""Assessments in bulk, as flat rows."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import Any
from uuid import UUID

from psycopg import Connection
from psycopg.rows import dict_row

from service.store.statements import sql

Place = tuple[datetime, UUID]


def list_flat_rows(
    conn: Connection[Any],
    wanted: Mapping[str, Any],
    *,
    after: Place | None,
    limit: int,
    site_id: int | None = None,
) -> tuple[list[dict[str, Any]], Place | None]:
    """Return what the newest assessments of up to `limit` inspections say, a row for each size and clearance, [mm].

    Parameters
    ----------
    conn : Connection
    wanted : mapping
        ``from`` and ``to`` of `taken_at`, half-open, and codes of ``tool``, ``site`` and ``tool_type``; None for all.
    after : tuple of datetime and UUID, optional
        What the call before returned.
    limit : int
        Inspections, not rows.
    site_id : int, optional
        The only site that whoever asks may see.

    Returns
    -------
    rows : list of dict
    after : tuple of datetime and UUID, or None
        Where to go on; None where there was nothing.
    """
    after_at, after_id = after or (None, None)
    sent = {**wanted, "after_at": after_at, "after_id": after_id, "limit": limit, "site_id": site_id}
    with conn.cursor(row_factory=dict_row) as cursor:
        rows = cursor.execute(sql("assessments/export"), sent).fetchall()
    return rows, (rows[-1]["at"], rows[-1]["inspection"]) if rows else None
