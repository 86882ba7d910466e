"""A broker that forgets, goes away, falls silent or repeats itself costs time, and never a reading."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace

import pytest

from service.queue import QUEUES
from tests.faults.plant import Plant

pytestmark = [pytest.mark.db, pytest.mark.broker, pytest.mark.faults, pytest.mark.timeout(480)]


def test_redis_wiped(service: Plant) -> None:
    """Everything the broker holds is deleted, five times under load: the sweep finds the work."""
    with service.load("wiped", before_s=0, after_s=0) as load, service.redis() as broker:
        for _ in range(5):
            broker.flushall()
            time.sleep(0.3)
    assert set(load.seen) <= {"200", "202", "422"}


def test_redis_stopped_and_started(service: Plant) -> None:
    """The broker is killed and started again: requests go on meanwhile, and so do workers afterwards."""
    with service.load("stopped", before_s=0) as load:
        assert service.servers.redis is not None
        service.servers.redis.kill()
        time.sleep(2)
        service.servers.start_redis()
    assert set(load.seen) <= {"200", "202", "422"}


def test_redis_accepts_and_is_silent(service: Plant) -> None:
    """A broker that takes connections and says nothing holds up no request."""
    with service.load("silent", before_s=0) as load:
        before = sum(load.seen.values())
        service.broker.silence()
        time.sleep(3)
        assert sum(load.seen.values()) > before + 20
        service.broker.restore()
    assert set(load.seen) <= {"200", "202", "422"}


@contextmanager
def every_message_twice(service: Plant) -> Iterator[list[int]]:
    """A worker of its own database of the broker, to which each message of the others is delivered twice."""
    delivered, over = [0], threading.Event()

    def deliver() -> None:
        with service.redis() as theirs, service.redis() as ours:
            ours.select(1)
            while not over.is_set():
                found = theirs.brpop(QUEUES, timeout=1)
                if found:
                    ours.lpush(found[0], found[1], found[1])
                    delivered[0] += 1

    config = service.stack.config
    service.end("worker")
    service.start("worker", replace(config, redis_url=config.redis_url.removesuffix("0") + "1"))
    thread = threading.Thread(target=deliver, daemon=True)
    thread.start()
    try:
        yield delivered
    finally:
        over.set()
        thread.join(5)


def test_every_hint_delivered_twice(service: Plant) -> None:
    """Each hint and each sweep comes twice: nothing is assessed twice."""
    with every_message_twice(service) as delivered, service.load("twice", before_s=2):
        pass
    assert delivered[0] > 20
