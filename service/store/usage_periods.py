"""The intervals of the usage that inspections carry.

They follow the order in time of a tool's inspections, not the order of arrival: from the inspection before, else
from the tool's commissioning, else from the end of the last ledger entry before, else open.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any
from uuid import UUID

from psycopg import Connection
from psycopg.errors import ExclusionViolation
from psycopg.types.json import Jsonb

from service.store.errors import Conflict
from service.store.statements import sql

Amounts = list[dict[str, Any]]  # [{metres, hours, ground: {class: share} or None}]

THE_BEGINNING = datetime(1, 1, 1, tzinfo=UTC)


@dataclass(frozen=True, slots=True)
class Carried:
    """Usage that an inspection carried."""

    since: datetime | None  # None: open
    until: datetime
    amounts: Amounts


def total(amounts: Amounts, quantity: str) -> float | None:
    """Return the sum of ``metres`` or ``hours``; None where no entry gives it."""
    given = [entry[quantity] for entry in amounts if entry.get(quantity) is not None]
    return sum(given) if given else None


def begins(
    conn: Connection[Any],
    tool_id: int,
    taken_at: datetime,
    stage: str,
    reference: str,
    inspection_id: UUID | None,
) -> datetime | None:
    """Return where the usage of an inspection begins; None where that is open.

    Parameters
    ----------
    conn : Connection
    tool_id : int
    taken_at, stage, reference : datetime, str, str
        Where the inspection stands in time.
    inspection_id : UUID or None
        The inspection itself, which is not the one before itself.
    """
    parameters = {
        "tool_id": tool_id,
        "taken_at": taken_at,
        "stage": stage,
        "reference": reference,
        "inspection_id": inspection_id,
    }
    row = conn.execute(sql("usage/begins"), parameters).fetchone()
    since: datetime | None = row[0] if row else None
    return since


def carry(
    conn: Connection[Any],
    tool_id: int,
    inspection_id: UUID,
    since: datetime | None,
    taken_at: datetime,
    amounts: Amounts | None,
) -> Carried | None:
    """Store what an inspection says was run, in the place of what it said before.

    Returns
    -------
    Carried or None
        What it carried before, where it carries nothing any more.

    Raises
    ------
    Conflict
        Code ``usage-without-time``: the interval is empty.

    Notes
    -----
    Overlaps are found by `derive_periods`, to be called next with the earliest moment concerned; the constraint is
    checked when the transaction ends.
    """
    conn.execute("SET CONSTRAINTS usage_no_overlap DEFERRED")
    if amounts is None:
        row = conn.execute(sql("usage/drop_carried"), {"inspection_id": inspection_id}).fetchone()
        return None if row is None else Carried(*row)
    if since is not None and since >= taken_at:
        raise Conflict("usage-without-time", "the inspection before it is not earlier", of=str(inspection_id))
    parameters = {
        "tool_id": tool_id,
        "inspection_id": inspection_id,
        "since": since,
        "taken_at": taken_at,
        "metres": total(amounts, "metres"),
        "hours": total(amounts, "hours"),
        "amounts": Jsonb(amounts),
    }
    conn.execute(sql("usage/carry"), parameters)
    return None


def derive_periods(conn: Connection[Any], tool_ids: Sequence[int], from_times: Sequence[datetime | None]) -> None:
    """Derive the intervals anew for tools whose order in time changed, and check them.

    Parameters
    ----------
    conn : Connection
        Of a transaction that holds the tools.
    tool_ids, from_times : sequences of one length
        From which moment on each tool changed: the earlier of the old and the new time of an inspection, the start of
        a ledger entry; None for all of its time (`commissioned_on` changed).

    Raises
    ------
    Conflict
        Code ``usage-without-time``, naming the inspection whose interval would be empty, or ``usage-overlap``, naming
        both. The caller's transaction must not be committed then.
    """
    conn.execute("SET CONSTRAINTS usage_no_overlap DEFERRED")
    parameters = {
        "tool_ids": list(tool_ids),
        "from_times": [moment or THE_BEGINNING for moment in from_times],
    }
    emptied = conn.execute(sql("usage/derive_periods"), parameters).fetchone()
    if emptied is not None:
        inspection_id, tool, reference, stage, taken_at, _ = emptied
        raise Conflict(
            "usage-without-time",
            f"the usage of inspection {reference} ({stage}) of {tool} would have no time to have been run in",
            inspection={"id": str(inspection_id), "reference": reference, "stage": stage},
            taken_at=taken_at,
        )
    check_overlaps(conn, tool_ids, from_times)


def check_overlaps(conn: Connection[Any], tool_ids: Sequence[int], from_times: Sequence[datetime | None]) -> None:
    """Raise `Conflict` where usage that an inspection carries shares time with other usage of its tool.

    Raises
    ------
    Conflict
        Code ``usage-overlap``, naming both.
    """
    parameters = {
        "tool_ids": list(tool_ids),
        "from_times": [moment or THE_BEGINNING for moment in from_times],
    }
    row = conn.execute(sql("usage/overlaps_of_tools"), parameters).fetchone()
    if row is None:
        return
    (
        inspection_id,
        tool,
        reference,
        stage,
        since,
        until,
        other_id,
        other_inspection_id,
        other_reference,
        a,
        b,
    ) = row
    other = f"inspection {other_reference}" if other_inspection_id else f"entry {other_id}"
    raise Conflict(
        "usage-overlap",
        f"the usage of inspection {reference} ({stage}) of {tool} overlaps {other} of the ledger",
        inspection={
            "id": str(inspection_id),
            "reference": reference,
            "stage": stage,
            "from": since,
            "to": until,
        },
        entry={"id": str(other_id), "from": a, "to": b},
    )


@contextmanager
def not_stored(inspection_id: UUID) -> Iterator[None]:
    """Leave the id of an inspection that is being added out of a conflict: it is taken back, and names nothing."""
    try:
        yield
    except Conflict as conflict:
        own = conflict.facts.get("inspection")
        if isinstance(own, dict) and own.get("id") == str(inspection_id):
            conflict.facts["inspection"] = {name: value for name, value in own.items() if name != "id"}
        raise


def check_now(conn: Connection[Any]) -> None:
    """Check at once what was put off until the end of the transaction: usage and fittings that may not overlap.

    Raises
    ------
    Conflict
        Code ``conflict``: a change that nobody named in time; nothing may be committed then.
    """
    try:
        conn.execute("SET CONSTRAINTS ALL IMMEDIATE")
    except ExclusionViolation as violated:
        constraint = violated.diag.constraint_name
        raise Conflict("conflict", "it overlaps what another request has just stored", constraint=constraint) from None
