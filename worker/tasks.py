"""The tasks: claim, call, done. What they do stands in `worker.assess`, `worker.sweep` and `worker.intake`."""

from __future__ import annotations

import time

from celery import shared_task

from service.queue import ASSESS, INTAKE
from worker.assess import assess_until
from worker.intake.intake import intake_until
from worker.learn import learn_due
from worker.sweep import refresh_dates, sweep

ASSESS_S = 120.0
"""How long one message keeps a process; what is left then has a message of its own."""


INTAKE_S = 30.0
"""After that long no further export is begun; one that was begun is read to its end."""


@shared_task(name=ASSESS)
def assess() -> None:
    """Assess what is due until nothing is, or the time is up."""
    deadline = time.monotonic() + ASSESS_S
    assess_until(deadline)


@shared_task(name=INTAKE)
def intake() -> None:
    """Read the gauge exports that wait, as far as the time goes."""
    intake_until(time.monotonic() + INTAKE_S)


@shared_task(name="stripdown.sweep")
def run_sweep() -> None:
    """Find what no message announced, and prune what is old."""
    sweep()


@shared_task(name="stripdown.refresh")
def refresh() -> None:
    """Compute dates anew where a day has begun."""
    refresh_dates()


@shared_task(name="stripdown.learn")
def learn() -> None:
    """Learn the wear of fleets that have something new to teach."""
    learn_due()
