"""What is due by the clock."""

from __future__ import annotations

import os
import time
from pathlib import Path

import pytest
import redis
from celery import Celery

from service.config import Config, child_environment
from service.queue import ASSESS, CLOCK, ENOUGH, INTAKE, QUEUES, broker_url
from worker.app import app, settings
from worker.schedule import ALIVE, FEW, Schedule


@pytest.fixture
def schedule(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Schedule:
    """As the scheduler begins with it; `tmp_path` is the system's folder."""
    for name, value in child_environment(Config("postgresql://nowhere/x", "redis://nowhere")).items():
        monkeypatch.setenv(name, value)
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    return Schedule(app)


def test_what_is_due(schedule: Schedule) -> None:
    """Everything comes at its interval, and what comes seldom at the start, too: it may have been long ago."""
    wanted = {name: entry["schedule"] for name, entry in settings()["beat_schedule"].items()}
    assert schedule.schedule.keys() == wanted.keys()
    assert {name for name, entry in schedule.schedule.items() if entry.is_due().is_due} == {"refresh"}
    for name, entry in schedule.schedule.items():
        after = next(entry).is_due()
        assert not after.is_due and after.next == pytest.approx(wanted[name], abs=0.5)


def test_what_nobody_reads_does_not_pile_up(
    schedule: Schedule, config: Config, broker: redis.Redis, tmp_path: Path
) -> None:
    """With the workers away for long, only so many messages wait for them, and few before one that comes seldom.

    The scheduler still shows that it lives.
    """
    often, seldom = schedule.schedule["sweep"], schedule.schedule["refresh"]
    with (
        Celery("clock", broker=broker_url(config.redis_url), set_as_current=False) as elsewhere,
        elsewhere.producer_pool.acquire() as producer,
    ):
        for entry, count, waiting in ((often, 2 * FEW, FEW), (seldom, 2 * ENOUGH, ENOUGH), (often, 1, ENOUGH)):
            for _ in range(count):
                schedule.apply_entry(entry, producer=producer)
            assert {name: broker.llen(name) for name in QUEUES} == {ASSESS: 0, INTAKE: 0, CLOCK: waiting}
        (tmp_path / ALIVE).unlink()
        schedule.apply_entry(often, producer=producer)
    assert (tmp_path / ALIVE).exists()


def test_it_shows_that_it_lives(schedule: Schedule, tmp_path: Path) -> None:
    """An empty file's time is set anew; a link of its name is not followed, and nothing is read from it."""
    schedule.sync()
    shown = tmp_path / ALIVE
    os.utime(shown, (0, 0))
    schedule.sync()
    assert time.time() - shown.stat().st_mtime < 60 and shown.read_bytes() == b""
    shown.unlink()
    shown.symlink_to(tmp_path / "elsewhere")
    schedule.close()
    assert not (tmp_path / "elsewhere").exists()
