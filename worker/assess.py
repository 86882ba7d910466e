"""The one pipeline: a claimed batch is loaded, computed with no connection open, and saved, in that order.

What cannot be computed is halved until the one inspection is found; that is parked as failed with its problem, and
its tool goes on as if it had measured nothing.
"""

from __future__ import annotations

import logging
import time
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any
from uuid import UUID, uuid4

from service import queue
from service.store.assessments import confirm, fail_inspection, save_results
from service.store.changes import add_changes
from service.store.claims import (
    PATIENCE,
    ClaimedTool,
    claim_tools,
    extend_lease,
    finish_claim,
    held_tools,
    keep_at_most,
    lock_work,
    name_suspect,
    put_back,
)
from service.store.errors import Conflict, StoreAway, StoreEntangled
from service.store.pool import Connection, snapshot, transaction
from service.store.tool_status import save_statuses, touch_dates
from service.store.work import mark_dirty
from worker.batch import Batch
from worker.followers import followers
from worker.inputs import load
from worker.judge import Judged, judge_batch
from worker.results import results_of
from worker.status import statuses_of, utc_text

logger = logging.getLogger(__name__)

LEASE = timedelta(seconds=15)
"""How long a worker that died keeps others from its tools."""
LEASE_EACH = timedelta(milliseconds=20)
"""More for each inspection of a large batch: twenty times what it takes."""
TOOLS_AT_ONCE = 100
ENOUGH_FOR_TWO = 16
"""Tools in a first batch after which a second process is asked to join."""
INSPECTIONS_AT_ONCE = 2000
SAVES = 4
"""Attempts to save a batch that waits for others which wait for it."""
Judge = Callable[[Batch, list[int] | None, list[int] | None], list[Judged]]


@dataclass(frozen=True, slots=True)
class Failure:
    """An inspection that could not be computed."""

    row: int  # of `Batch.inspections`
    problem: dict[str, Any]


def assess_until(deadline: float, tools_at_once: int = TOOLS_AT_ONCE) -> int:
    """Claim and assess until nothing is due or the time is up.

    Parameters
    ----------
    deadline : float
        On the clock of `time.monotonic`.
    tools_at_once : int
        Tools in a batch.

    Returns
    -------
    int
        Tools assessed.
    """
    done = 0
    while time.monotonic() < deadline:
        claimed = assess_batch(tools_at_once)
        if not claimed:
            break
        if not done and claimed >= ENOUGH_FOR_TWO:
            queue.hint()  # there is more than this process does in a moment: another one may join
        done += claimed
    return done


def assess_batch(tools_at_once: int = TOOLS_AT_ONCE, judge: Judge = judge_batch) -> int:
    """Claim one batch and assess it.

    Returns
    -------
    int
        Tools that were claimed; 0 where nothing is due.

    Raises
    ------
    StoreAway
        If the database is away; what was claimed is due again when its lease ends.
    """
    claim = uuid4()
    with transaction() as conn:
        claimed = claim_tools(conn, claim, LEASE, tools_at_once)
        if len(claimed) > 1:
            claimed = keep_at_most(conn, claim, claimed, INSPECTIONS_AT_ONCE)
    if not claimed:
        return 0
    try:
        _assess_held(claim, claimed, judge)
    except StoreAway:
        with suppress(StoreAway):
            _give_back(claim, claimed)
        raise
    except Exception:
        logger.exception("a batch of %d tools could not be saved; due again later", len(claimed))
        _give_back(claim, claimed)
    return len(claimed)


def _give_back(claim: UUID, claimed: Sequence[ClaimedTool]) -> None:
    with transaction() as conn:
        put_back(conn, claim, [tool.tool_id for tool in claimed])


def _assess_held(claim: UUID, claimed: Sequence[ClaimedTool], judge: Judge) -> None:
    """Assess what is held to the end: tools deleted meanwhile, or taken over by another worker, hold up no others.

    What another worker saves is what counts; it took over while this one was slow.
    """
    while claimed:
        try:
            _assess(claim, claimed, judge)
        except Conflict as lost:
            with transaction() as conn:
                held = held_tools(conn, claim, [tool.tool_id for tool in claimed])
            if len(held) == len(claimed):
                raise
            logger.warning("%d of %d tools are held no more: %s", len(claimed) - len(held), len(claimed), lost)
            claimed = [tool for tool in claimed if tool.tool_id in held]
        else:
            return


def _assess(claim: UUID, claimed: Sequence[ClaimedTool], judge: Judge) -> None:
    batch = _load(claimed)
    if len(batch.compute) * LEASE_EACH > LEASE:
        with transaction() as conn:
            extend_lease(conn, claim, list(batch.claimed), LEASE + len(batch.compute) * LEASE_EACH)
    if claimed[0].attempts > PATIENCE:
        _suspect_first(claim, batch, claimed[0])
        batch = _load(claimed)
    judged, failures = compute(batch, judge)
    while failures:
        with transaction() as conn:
            for failure in failures:
                row = batch.inspections[failure.row]
                fail_inspection(conn, row.inspection_id, row.inspection_version, failure.problem)
            extend_lease(conn, claim, list(batch.claimed), LEASE + len(batch.compute) * LEASE_EACH)
        # as if they had measured nothing; a tool with several is found one failure at a time
        batch = _load(claimed)
        judged, failures = compute(batch, judge)
    _save(claim, batch, judged)


def _save(claim: UUID, batch: Batch, judged: Sequence[Judged]) -> None:
    """Save what was computed; who comes into the way of what is being accepted tries again, with all of it at hand."""
    for attempt in range(1, SAVES + 1):
        try:
            with transaction() as conn:
                save(conn, claim, batch, judged)
            return
        except StoreEntangled as entangled:
            if attempt == SAVES:
                raise
            logger.warning("a batch of %d tools is saved again: %s", len(batch.claimed), entangled)


def _load(claimed: Sequence[ClaimedTool]) -> Batch:
    with snapshot() as conn:
        return load(conn, claimed)


def compute(batch: Batch, judge: Judge = judge_batch) -> tuple[list[Judged], list[Failure]]:
    """Compute a batch; where that fails, halve it until the inspections are found that it fails on.

    Parameters
    ----------
    batch : Batch
    judge : callable
        What computes it, or part of it.

    Returns
    -------
    judged : list of Judged
        Of all tools without a failure.
    failures : list of Failure
        At most one for each tool: what comes after it is not tried before that one is out of the way.
    """
    try:
        return judge(batch, None, None), []
    except Exception:
        logger.exception("a batch of %d inspections failed; it is halved", len(batch.compute))
    return _halved(batch, list(batch.claimed), judge)


def _halved(batch: Batch, tools: list[int], judge: Judge) -> tuple[list[Judged], list[Failure]]:
    if len(tools) == 1:
        return [], [_failing_inspection(batch, tools[0], judge)]
    judged: list[Judged] = []
    failures: list[Failure] = []
    half = len(tools) // 2
    for part in tools[:half], tools[half:]:
        try:
            judged += judge(batch, _of_tools(batch, part), part)
        except Exception:  # logged above: the same failure, in a smaller part
            below = _halved(batch, part, judge)
            judged, failures = judged + below[0], failures + below[1]
    return judged, failures


def _of_tools(batch: Batch, tools: Sequence[int]) -> list[int]:
    chosen = set(tools)
    return [n for n in batch.compute if batch.inspections[n].tool_id in chosen]


def _fails(batch: Batch, compute: list[int], judge: Judge) -> Exception | None:
    try:
        judge(batch, compute, [])
    except Exception as problem:
        return problem
    return None


def _failing_inspection(batch: Batch, tool_id: int, judge: Judge) -> Failure:
    """The first inspection of a tool that cannot be computed: the shortest part of its order in time that fails."""
    rows = _of_tools(batch, [tool_id])
    problem = _fails(batch, rows, judge)
    if problem is None:
        raise RuntimeError(f"the status of tool {tool_id} cannot be computed")
    low, high = 0, len(rows)  # the first `low` can be computed, the first `high` cannot
    while high - low > 1:
        middle = (low + high) // 2
        found = _fails(batch, rows[:middle], judge)
        low, high, problem = (middle, high, problem) if found is None else (low, middle, found)
    return Failure(rows[high - 1], _problem(problem))


def _problem(problem: Exception) -> dict[str, Any]:
    # the client sees what kind of thing happened; the text is for the log
    return {
        "title": "This inspection could not be assessed",
        "status": 500,
        "code": "assessment-failed",
        "detail": f"The computation ended with {type(problem).__name__}; parked until it is corrected or restarted.",
    }


def _suspect_first(claim: UUID, batch: Batch, tool: ClaimedTool) -> None:
    """Compute the inspections of a tool that has killed its workers one more at a time, naming each beforehand.

    Who finds a name from before parks that inspection: computing it ended the process.
    """
    before = tool.suspect
    for row in batch.compute:
        inspection = batch.inspections[row]
        if before == inspection.inspection_id:
            with transaction() as conn:
                problem = {**_problem(RuntimeError()), "code": "assessment-crashed"}
                fail_inspection(conn, inspection.inspection_id, inspection.inspection_version, problem)
            return
    for n, row in enumerate(batch.compute):
        with transaction() as conn:
            name_suspect(conn, claim, tool.tool_id, batch.inspections[row].inspection_id)
        _fails(batch, batch.compute[: n + 1], judge_batch)


def save(conn: Connection, claim: UUID, batch: Batch, judged: Sequence[Judged]) -> None:
    """Write what was computed and end the claim; done twice it changes nothing.

    Parameters
    ----------
    conn : Connection
        Of a transaction that the caller ends.

    Raises
    ------
    Conflict
        Code ``claim-lost``: the caller rolls back.
    """
    moment: datetime = conn.execute("SELECT now()").fetchall()[0][0]
    changes: list[tuple[int, int, dict[str, Any]]] = []
    for one in judged:
        save_results(conn, results_of(one))
        found = statuses_of(one)
        rows = [{**row, "updated_at": moment} for row in found.rows]
        save_statuses(conn, rows, found.limits)
        touch_dates(conn, found.looked_at)
        changes += [
            (tool, sequence, {**document, "updated_at": utc_text(moment)}) for tool, sequence, document in found.changes
        ]
    standing = [batch.inspections[n] for n in batch.compute]
    confirm(conn, [(row.inspection_id, row.inspection_version) for row in standing if row.state == "accepted"])
    others = followers(batch)
    tools = list(batch.claimed)
    lock_work(conn, sorted({*tools, *others}))
    if others:
        mark_dirty(conn, list(others), list(others.values()))
    finish_claim(conn, claim, tools)
    add_changes(conn, changes)
