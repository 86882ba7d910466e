"""The schedule of what is due by the clock, in memory: nothing of it is worth a file that outlives the process."""

from __future__ import annotations

from celery.beat import Scheduler


class Schedule(Scheduler):
    """Celery's settings as they are; the first of each comes one interval after the start."""

    def setup_schedule(self) -> None:
        """Take over the settings."""
        self.merge_inplace(self.app.conf.beat_schedule)
