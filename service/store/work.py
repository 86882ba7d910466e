"""Marking what has to be computed again; the marks are claimed by `service.store.claims`."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from contextvars import ContextVar
from datetime import datetime
from typing import Any

from psycopg import Connection

from service.store.statements import sql

_together: ContextVar[dict[int, datetime] | None] = ContextVar("marks that are written together", default=None)


@contextmanager
def marked_together(conn: Connection[Any]) -> Iterator[None]:
    """Write what is marked inside at the end of the block, in the order of tools.

    Everyone changes inspections first and marks tools then, in their order. A transaction of many inspections that
    marked the tool of each in turn would wait for a worker that waits for it.
    """
    marks: dict[int, datetime] = {}
    token = _together.set(marks)
    try:
        yield
    finally:
        _together.reset(token)
    if marks:
        mark_dirty(conn, list(marks), list(marks.values()))


def mark_dirty(conn: Connection[Any], tool_ids: Sequence[int], from_times: Sequence[datetime]) -> None:
    """Say that tools are to be computed again, each from a moment on.

    Parameters
    ----------
    conn : Connection
        Of the transaction that changes what the tools' states are derived from. After its commit call
        `service.queue.hint`.
    tool_ids, from_times : sequences of one length
        A tool may be there more than once; the earliest moment holds.
    """
    later = _together.get()
    if later is not None:
        for tool_id, moment in zip(tool_ids, from_times, strict=True):
            later[tool_id] = min(moment, later.get(tool_id, moment))
        return
    conn.execute(sql("work/mark_dirty"), {"tool_ids": list(tool_ids), "from_times": list(from_times)})


def mark_followers(conn: Connection[Any], tool_id: int, since: datetime, component_ids: Iterable[int] = ()) -> None:
    """Mark the other tools that components went to after they sat, or were measured, in this one.

    Parameters
    ----------
    conn : Connection
    tool_id : int
        The tool one of whose inspections changed.
    since : datetime
        Its time, the earlier one where it moved.
    component_ids : iterable of int
        Components that its readings name.
    """
    parameters = {"tool_id": tool_id, "since": since, "component_ids": list(component_ids)}
    found = conn.execute(sql("work/followers"), parameters).fetchall()
    if found:
        mark_dirty(conn, [row[0] for row in found], [row[1] for row in found])
