"""An export taken out again: inspections that rest on it alone go all at once, the others change many at a time."""

from __future__ import annotations

from datetime import datetime
from typing import Any
from uuid import UUID

from psycopg import Connection

from service.store import bulk, clock, inspection_changes, usage_periods, work
from service.store.archive import archived, archived_years
from service.store.many_changes import change_many, take_out
from service.store.statements import sql

MANY = 2
"""Inspections from which on it pays to take them together."""


def take_out_export(conn: Connection[Any], export_id: UUID) -> None:
    """Take the sources of an export out of their inspections, in the caller's transaction.

    An inspection left without a source is withdrawn, another gets a new version.

    Raises
    ------
    Conflict
        As for one inspection, ``archived`` and ``conflict`` (what another transaction stored meanwhile overlaps)
        among them; nothing may be committed then.
    """
    with work.marked_together(conn):
        _withdraw_at_once(conn, export_id)
        _change_at_once(conn, export_id)
        inspection_changes.take_out_export(conn, export_id)


def _withdraw_at_once(conn: Connection[Any], export_id: UUID) -> None:
    found = conn.execute(sql("bulk/withdrawable"), {"export_id": export_id}).fetchall()
    if not found:
        return
    bulk.lock_tools(conn, sorted({tool_id for _, tool_id, _ in found}))
    at = clock.accepting(conn)
    found = conn.execute(sql("bulk/withdrawable"), {"export_id": export_id}).fetchall()  # nobody changes it any more
    closed = archived_years(conn) & {taken_at.year for _, _, taken_at in found}
    if closed:
        raise archived(min(closed))
    since: dict[int, datetime] = {}
    for _, tool_id, taken_at in found:
        since[tool_id] = min(taken_at, since.get(tool_id, taken_at))
    conn.execute("SET CONSTRAINTS usage_no_overlap DEFERRED")
    conn.execute(sql("bulk/withdraw"), {"inspection_ids": [row[0] for row in found], "at": at})
    tools, moments = list(since), list(since.values())
    usage_periods.derive_periods(conn, tools, moments)
    usage_periods.check_now(conn)
    work.mark_dirty(conn, tools, moments)
    for tool_id, moment in bulk.tools_moved_on(conn, tools, moments):
        work.mark_followers(conn, tool_id, moment)


def _change_at_once(conn: Connection[Any], export_id: UUID) -> None:
    """Take the export out of inspections that have other sources, where nothing rests on them."""
    found = conn.execute(sql("sources/of_export"), {"export_id": export_id}).fetchall()
    if len(found) < MANY:
        return
    bulk.lock_tools(conn, sorted({tool_id for tool_id, _, _ in found}))
    at = clock.accepting(conn)
    ids = [inspection_id for _, _, inspection_id in conn.execute(sql("sources/of_export"), {"export_id": export_id})]
    _, refused = change_many(conn, ids, lambda _: lambda stored: take_out(stored, export_id), "source-withdrawn", at)
    for conflict in refused.values():
        raise conflict
