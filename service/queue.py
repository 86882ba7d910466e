"""Telling the worker that there is something to do.

A hint carries nothing: what there is to do stands in PostgreSQL, and a sweep finds it without any hint. So a hint
is sent after the commit, from a thread of its own, at most one of a kind in 50 ms, and a broker that is away or
silent costs a request nothing.
"""

from __future__ import annotations

import logging
import os
import threading
from dataclasses import dataclass, field

from celery import Celery

logger = logging.getLogger(__name__)

COALESCED_S = 0.05
ASSESS, INTAKE = "stripdown.assess", "stripdown.intake"


def broker_url(redis_url: str) -> str:
    """Return the address as Celery's transport writes it: a socket is ``redis+socket://``, its database a parameter."""
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


_sender: _Sender | None = None
_redis_url: str | None = None
_lock = threading.Lock()


def configure(redis_url: str) -> None:
    """Say where the broker is; connects nowhere."""
    global _redis_url
    _redis_url = redis_url


def hint(kind: str = ASSESS) -> None:
    """Say that there is work of a kind; never raises, never waits for the broker."""
    if _redis_url is None:
        return
    sender = _running(_redis_url)
    sender.due.add(kind)
    sender.wake.set()


def _running(redis_url: str) -> _Sender:
    """The sender of this process; a fork leaves the parent's thread behind, so a child starts its own."""
    global _sender
    with _lock:
        if _sender is None or _sender.pid != os.getpid() or _sender.redis_url != redis_url:
            _sender = _Sender(redis_url, os.getpid())
            threading.Thread(target=_send_forever, args=(_sender,), name="hints", daemon=True).start()
        return _sender


def _send_forever(sender: _Sender) -> None:
    app = Celery("stripdown-hints", broker=broker_url(sender.redis_url))
    app.conf.update(
        task_default_queue="stripdown",
        broker_transport_options={"socket_timeout": 1, "socket_connect_timeout": 1, "max_retries": 0},
    )
    while True:
        sender.wake.wait()
        sender.wake.clear()
        while sender.due:
            _send(app, sender.due.pop())
        threading.Event().wait(COALESCED_S)


def _send(app: Celery, kind: str) -> None:
    try:
        app.send_task(kind, retry=False, expires=60, ignore_result=True)
    except Exception:  # whatever the broker does: the sweep finds the work
        logger.warning("a hint (%s) was not sent", kind, exc_info=True)
