"""The tasks: claim, call, done. What they do stands in `worker.assess`, `worker.sweep` and `worker.intake`."""

from __future__ import annotations

import time

from celery import shared_task

from service import queue
from service.queue import ASSESS, INTAKE
from worker.assess import assess_until
from worker.intake.intake import intake_until
from worker.learn import learn_due
from worker.sweep import is_behind, make_ahead, refresh_dates, sweep

ASSESS_S = 3.0
"""How long one message keeps a process from all else, and a worker that is asked to end; what is left has a message
of its own."""

INTAKE_LIMIT_S = 3_600
"""A file that joins tens of thousands of inspections takes minutes; a heartbeat holds its claim, not the message."""
INTAKE_S = 30.0
"""After that long no further export is begun; one that was begun is read to its end."""


_done: dict[str, float] = {}  # when this process last did what is done by the clock


def _is_due(name: str, every_s: float) -> bool:
    """Whether this process has not done a thing for so long: of messages that piled up, one is enough."""
    now = time.monotonic()
    if now - _done.get(name, -every_s) < every_s:
        return False
    _done[name] = now
    return True


@shared_task(name=ASSESS)
def assess() -> None:
    """Assess what is due until nothing is, or the time is up."""
    deadline = time.monotonic() + ASSESS_S
    assess_until(deadline)
    if time.monotonic() >= deadline:
        queue.hint()


@shared_task(name=INTAKE, time_limit=INTAKE_LIMIT_S, soft_time_limit=INTAKE_LIMIT_S - 60)
def intake() -> None:
    """Read the gauge exports that wait, as far as the time goes."""
    intake_until(time.monotonic() + INTAKE_S)


@shared_task(name="stripdown.sweep")
def run_sweep() -> None:
    """Find what no message announced, and prune what is old."""
    if _is_due("sweep", 1.0):
        sweep()


@shared_task(name="stripdown.refresh")
def refresh() -> None:
    """Compute dates anew where a day has begun, and make the tables of the year to come."""
    if _is_due("refresh", 60.0):
        make_ahead()
        refresh_dates()


@shared_task(name="stripdown.learn")
def learn() -> None:
    """Learn the wear of fleets that have something new to teach; not while much waits that will teach more."""
    if _is_due("learn", 10.0) and not is_behind():
        learn_due()
