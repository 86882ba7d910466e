"""Claims on tools: the unit of work. Taken in batches, held by a lease, ended by who holds them or not at all."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import timedelta
from typing import Any
from uuid import UUID

from psycopg import Connection

from service.store.columns import to_micros, to_time
from service.store.errors import Conflict
from service.store.statements import sql

PATIENCE = 3
"""Attempts after which a tool is taken alone."""


@dataclass(frozen=True, slots=True)
class ClaimedTool:
    """One tool to compute, from a time on."""

    tool_id: int
    since: int  # microseconds since 2000
    attempts: int
    suspect: UUID | None = None  # the inspection that was being computed when a worker died


def claim_tools(
    conn: Connection[Any], claim: UUID, lease: timedelta, tools: int, patience: int = PATIENCE
) -> list[ClaimedTool]:
    """Claim up to so many tools that are due; the caller commits before it reads anything else.

    Parameters
    ----------
    conn : Connection
    claim : UUID
        A fresh one.
    lease : timedelta
        How long nobody else takes them, by the database's clock.
    tools : int
        At most so many.
    patience : int
        Attempts after which a tool is taken alone.

    Returns
    -------
    list of ClaimedTool
        One where it has failed repeatedly, empty where nothing is due.
    """
    parameters = {"claim": claim, "lease": lease, "tools": tools, "patience": patience}
    rows = conn.execute(sql("claims/claim"), parameters).fetchall()
    if not rows:
        rows = conn.execute(sql("claims/claim_alone"), parameters).fetchall()
    return [ClaimedTool(tool_id, to_micros(since), attempts, suspect) for tool_id, since, attempts, suspect in rows]


def keep_at_most(
    conn: Connection[Any], claim: UUID, claimed: Sequence[ClaimedTool], inspections: int
) -> list[ClaimedTool]:
    """Give back what would make a batch too large; at least one tool is kept.

    Parameters
    ----------
    conn : Connection
    claim : UUID
    claimed : sequence of ClaimedTool
        What was claimed in this transaction.
    inspections : int
        At most so many to compute.
    """
    tools = [tool.tool_id for tool in claimed]
    since = [to_time(tool.since) for tool in claimed]
    counts = dict(conn.execute(sql("claims/count_inspections"), {"tools": tools, "since": since}).fetchall())
    kept: list[ClaimedTool] = []
    for tool in claimed:
        inspections -= counts.get(tool.tool_id, 0)
        if kept and inspections < 0:
            break
        kept.append(tool)
    surplus = tools[len(kept) :]
    if surplus:
        conn.execute(sql("claims/release"), {"claim": claim, "tools": surplus})
    return kept


def finish_claim(conn: Connection[Any], claim: UUID, tools: Sequence[int]) -> None:
    """End a claim: the last step of the transaction that saves what was computed.

    Raises
    ------
    Conflict
        Code ``claim-lost``: the lease ran out and another worker took over; the caller rolls back.
    """
    row = conn.execute(sql("claims/finish"), {"claim": claim, "tools": list(tools)}).fetchone()
    if row is None or row[0] != len(tools):
        raise Conflict("claim-lost", "another worker has taken over", tools=list(tools))


def held_tools(conn: Connection[Any], claim: UUID, tools: Sequence[int]) -> set[int]:
    """Return which of some tools a claim still holds: not those deleted, nor those another worker took over."""
    return {row[0] for row in conn.execute(sql("claims/held"), {"claim": claim, "tools": list(tools)})}


def put_back(
    conn: Connection[Any], claim: UUID, tools: Sequence[int], pause_s: float = 2.0, longest_s: float = 600.0
) -> None:
    """Give tools back after a failed attempt, due again after a pause that doubles with each attempt."""
    parameters = {"claim": claim, "tools": list(tools)}
    pauses = {"pause": timedelta(seconds=pause_s), "longest": timedelta(seconds=longest_s)}
    lock_work(conn, tools)
    conn.execute(sql("claims/put_back"), parameters | pauses)


def extend_lease(conn: Connection[Any], claim: UUID, tools: Sequence[int], lease: timedelta) -> None:
    """Hold claimed tools longer."""
    lock_work(conn, tools)
    conn.execute(sql("claims/extend"), {"claim": claim, "tools": list(tools), "lease": lease})


def name_suspect(conn: Connection[Any], claim: UUID, tool_id: int, inspection_id: UUID) -> None:
    """Note which inspection is computed next: should this worker die of it, the next one will know."""
    parameters = {"claim": claim, "tool_id": tool_id, "inspection_id": inspection_id}
    conn.execute(sql("claims/suspect"), parameters)


def lock_work(conn: Connection[Any], tools: Sequence[int]) -> None:
    """Lock the work of some tools in the order of tools, until the transaction ends."""
    conn.execute(sql("claims/lock"), {"tools": list(tools)})


def count_due(conn: Connection[Any]) -> int:
    """Return how many tools are due and not held."""
    row = conn.execute(sql("claims/count_due")).fetchone()
    return 0 if row is None else int(row[0])


def count_waiting(conn: Connection[Any], most: int) -> int:
    """Return how many inspections wait to be computed, first or again; `most` stands for that many or more."""
    row = conn.execute(sql("claims/count_waiting"), {"most": most}).fetchone()
    return 0 if row is None else int(row[0])
