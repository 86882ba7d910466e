"""Hints: few, never waited for, and back once the broker is."""

from __future__ import annotations

import json
import threading
import time
from collections.abc import Callable, Iterator

import pytest
import redis

from service import queue
from service.config import Config
from tests.plugins.proxy import Proxy
from tests.worker.conftest import Workshop
from worker.assess import assess_until


@pytest.fixture(autouse=True)
def _no_hints_afterwards() -> Iterator[None]:
    yield
    queue.configure(None)
    for thread in threading.enumerate():
        if thread.name == "hints":
            thread.join(10)
            assert not thread.is_alive()


def _wait(done: Callable[[], bool], seconds: float = 10.0) -> None:
    until = time.monotonic() + seconds
    while not done():
        assert time.monotonic() < until
        time.sleep(0.02)


def _sent(broker: redis.Redis) -> list[str]:
    waiting = [message for name in queue.QUEUES for message in broker.lrange(name, 0, -1)]
    return [json.loads(message)["headers"]["task"] for message in waiting]


def test_many_hints_are_few_messages(config: Config, broker: redis.Redis) -> None:
    """A thousand hints within a moment become a message or two of each kind, and each kind is sent."""
    queue.configure(config.redis_url)
    for _ in range(1000):
        queue.hint()
    queue.hint(queue.INTAKE)
    _wait(lambda: {queue.ASSESS, queue.INTAKE} <= set(_sent(broker)))
    time.sleep(3 * queue.COALESCED_S)
    assert len(_sent(broker)) <= 4


@pytest.mark.db
def test_where_there_is_much_a_second_process_is_asked_to_join(
    shop: Workshop, config: Config, broker: redis.Redis, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A process whose first batch is large tells others of the work before it has done all of it by itself."""
    monkeypatch.setattr("worker.assess.ENOUGH_FOR_TWO", 2)
    queue.configure(None)
    for tool in ("H-1", "H-2", "H-3"):
        shop.put_tool(tool)
    queue.configure(config.redis_url)
    assert assess_until(time.monotonic() + 30) == 3
    _wait(lambda: queue.ASSESS in _sent(broker))
    queue.configure(None)
    broker.delete(*queue.QUEUES)
    shop.inspect(10, {"piston.od": 97.9})
    queue.configure(config.redis_url)
    assert assess_until(time.monotonic() + 30) == 1
    time.sleep(2 * queue.COALESCED_S)
    assert _sent(broker) == []


def test_hints_stop_where_nobody_reads_them(config: Config, broker: redis.Redis) -> None:
    """While the workers are away, hints do not pile up in the broker without limit, nor keep away those of a file."""
    queue.configure(config.redis_url)
    broker.lpush(queue.ASSESS, *["unread"] * queue.ENOUGH)
    queue.hint(queue.INTAKE)
    for _ in range(6):
        queue.hint()
        time.sleep(queue.COALESCED_S)
    assert broker.llen(queue.ASSESS) == queue.ENOUGH
    assert broker.llen(queue.INTAKE) == 1


@pytest.mark.faults
@pytest.mark.parametrize("fault", ["cut", "silence"])
def test_a_broker_away_costs_a_request_nothing(
    proxied_config: Config, broker: redis.Redis, redis_proxy: Proxy, fault: str
) -> None:
    """With a broker that refuses, or accepts and never answers, a hint returns at once; later ones arrive again."""
    queue.configure(proxied_config.redis_url)
    queue.hint()
    _wait(lambda: len(_sent(broker)) == 1)
    getattr(redis_proxy, fault)()
    began = time.monotonic()
    for _ in range(100):
        queue.hint()
    assert time.monotonic() - began < 0.1
    time.sleep(1.5)
    redis_proxy.restore()

    def arrives() -> bool:
        queue.hint()
        return len(_sent(broker)) > 1

    _wait(arrives)


def test_without_an_address_a_hint_is_nothing(broker: redis.Redis) -> None:
    """A process that was told of no broker sends nothing and raises nothing."""
    queue.hint()
    time.sleep(2 * queue.COALESCED_S)
    assert not broker.exists(*queue.QUEUES)
