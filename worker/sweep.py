"""What no message announced: lost hints, leases that ran out, retries that are due, days that have begun.

Every step finds its work in PostgreSQL and may run twice, or in two places at once, without harm.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from service import queue
from service.store import gauge_exports
from service.store.claims import count_due, count_waiting
from service.store.idempotency import prune_keys
from service.store.inspections import make_partitions_ahead
from service.store.pool import transaction
from service.store.tool_status import list_stale
from service.store.work import mark_dirty

STATUS_ONLY = datetime(9999, 1, 1, tzinfo=UTC)
"""After every inspection: only the status is computed anew."""
REFRESHED_AT_ONCE = 500
MUCH = 500
"""Inspections to compute, beyond which what fleets teach waits: each version moves every tool's newest one on again."""
STALE_UPLOAD = timedelta(hours=6)
"""An upload that began so long ago and never ended was given up by its client."""


def sweep() -> None:
    """Send a hint where work is due that nobody holds, and drop idempotency keys of more than a day."""
    with transaction() as conn:
        due = count_due(conn)
        exports_due = gauge_exports.count_due(conn)
        gauge_exports.finish_assessed(conn)
        gauge_exports.discard_stale(conn, STALE_UPLOAD)
        prune_keys(conn)
    if due:
        queue.hint()
    if exports_due:
        queue.hint(queue.INTAKE)


def is_behind() -> bool:
    """Whether so much waits to be computed that nothing should be added to it."""
    with transaction() as conn:
        return count_waiting(conn, MUCH) >= MUCH


def make_ahead() -> None:
    """Make the tables of this year and the next, by the database's clock; older years are made by intake."""
    with transaction() as conn:
        make_partitions_ahead(conn)


def refresh_dates() -> int:
    """Mark the tools whose dates are of an earlier day of their site; the worker computes them like any other.

    Returns
    -------
    int
        Tools marked.
    """
    marked = 0
    while True:
        with transaction() as conn:
            stale = list_stale(conn, REFRESHED_AT_ONCE)
            mark_dirty(conn, stale, [STATUS_ONLY] * len(stale))
        marked += len(stale)
        if len(stale) < REFRESHED_AT_ONCE:
            break
    if marked:
        queue.hint()
    return marked
