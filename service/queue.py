"""Telling the worker that there is something to do.

A hint carries nothing: what there is to do stands in PostgreSQL, and a sweep finds it without any hint. So a hint
is sent after the commit, from a thread of its own, at most one of a kind in 50 ms, and a broker that is away or
silent costs a request nothing.

Each kind has a queue, from which workers take in turn: however many hints of one kind wait, one of another waits for
none of them.
"""

from __future__ import annotations

import logging
import os
import threading
import time
from dataclasses import dataclass, field

from celery import Celery

logger = logging.getLogger(__name__)

#: Tasks, each with a queue of its name; in the third is what is due by the clock.
ASSESS, INTAKE, CLOCK = QUEUES = ("stripdown.assess", "stripdown.intake", "stripdown.clock")
COALESCED_S = 0.05
UNREAD_S = 0.25  # between two looks at a queue in which enough hints wait: workers are busy, or away
#: With so many hints unread, workers are busy or away, and one more would tell them nothing.
ENOUGH = 100
#: A broker away is told to the log this often at most.
COMPLAINT_S = 30.0


def broker_url(redis_url: str) -> str:
    """Return the address as Celery's transport writes it.

    A socket is ``redis+socket://``, and the number of its database a parameter of another name.
    """
    if not redis_url.startswith("unix://"):
        return redis_url
    return redis_url.replace("unix://", "redis+socket://", 1).replace("?db=", "?virtual_host=")


@dataclass(slots=True)
class _Sender:
    """The sending thread of one process."""

    redis_url: str
    pid: int
    due: set[str] = field(default_factory=set)
    wake: threading.Event = field(default_factory=threading.Event)
    complained: float = -COMPLAINT_S


_sender: _Sender | None = None
_redis_url: str | None = None
_lock = threading.Lock()


def configure(redis_url: str | None) -> None:
    """Say where the broker is (None: nowhere, hints go unsent); connects to nothing. Who sent to another one ends."""
    global _redis_url, _sender
    with _lock:
        _redis_url, before, _sender = redis_url, _sender, None
    if before is not None:
        before.wake.set()


def hint(kind: str = ASSESS) -> None:
    """Say that there is work of a kind; never raises, never waits for the broker.

    Parameters
    ----------
    kind : str
        `ASSESS` (the default) or `INTAKE`, a gauge export to read.
    """
    if _redis_url is None:
        return
    sender = _running(_redis_url)
    sender.due.add(kind)
    sender.wake.set()


def _running(redis_url: str) -> _Sender:
    """Return this process's sender; a fork leaves the parent's thread behind, so a child starts its own."""
    global _sender
    with _lock:
        if _sender is None or _sender.pid != os.getpid() or _sender.redis_url != redis_url:
            _sender = _Sender(redis_url, os.getpid())
            threading.Thread(target=_send_forever, args=(_sender,), name="hints", daemon=True).start()
        return _sender


def _renew_lock() -> None:
    global _lock
    _lock = threading.Lock()  # another thread of the parent may have held it at the fork


os.register_at_fork(after_in_child=_renew_lock)


def _send_forever(sender: _Sender) -> None:
    app = Celery("stripdown-hints", broker=broker_url(sender.redis_url), set_as_current=False)
    app.conf.broker_transport_options = {"socket_timeout": 1, "socket_connect_timeout": 1, "max_retries": 0}
    while sender is _sender:
        sender.wake.wait()
        sender.wake.clear()
        needed = [_send(app, sender, sender.due.pop()) for _ in range(len(sender.due))]
        time.sleep(COALESCED_S if all(needed) else UNREAD_S)
    app.close()


def _send(app: Celery, sender: _Sender, kind: str) -> bool:
    """Send a hint; False where enough of them wait to be read."""
    try:
        with app.producer_pool.acquire(block=True, timeout=1) as producer:
            if producer.channel.client.llen(kind) >= ENOUGH:
                return False
            app.send_task(kind, queue=kind, producer=producer, retry=False, ignore_result=True)
    except Exception as trouble:  # whatever the broker does: the sweep finds the work
        if time.monotonic() - sender.complained >= COMPLAINT_S:
            sender.complained = time.monotonic()
            logger.warning("the broker does not take hints, the sweep finds the work: %s", trouble)
    return True
