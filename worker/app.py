"""The Celery app: settings and schedule, no tasks and no logic.

A message is a hint that there is work; what the work is stands in PostgreSQL. So every way in which a broker
loses, repeats or delays messages costs time, never a reading.
"""

from __future__ import annotations

import gc
import logging
import os
import signal
import threading
from contextlib import suppress
from typing import Any

from billiard import active_children  # type: ignore[import-untyped]  # the processes of Celery's pool
from celery import Celery
from celery.signals import after_setup_logger, worker_process_init, worker_process_shutdown, worker_shutting_down
from kombu import Exchange, Queue

from service import queue
from service.config import Config
from service.scratch import sweep_scratch
from service.store import pool

TASK_LIMIT_S = 240
VISIBILITY_S = 600  # a message that is not acknowledged comes back after it; more than twice the task limit
PATIENCE_S = 20.0  # of a worker that is asked to end, with what its processes are at
CONNECTIONS = 3  # of one pool process

#: These say something of every message, several a second.
TALKATIVE = ("celery.worker.strategy", "celery.app.trace", "celery.beat")


def settings() -> dict[str, Any]:
    """Return Celery's settings for the environment's configuration; read when first needed."""
    config = Config.from_env()
    return {
        "broker_url": queue.broker_url(config.redis_url),
        "broker_connection_retry_on_startup": True,
        "broker_connection_max_retries": None,
        "broker_transport_options": {
            "visibility_timeout": VISIBILITY_S,
            "unacked_restore_interval": 5,
            "unacked_restore_throttle": 1,
            "socket_timeout": 5,
            "socket_connect_timeout": 2,
            "socket_keepalive": True,
            "health_check_interval": 25,
        },
        "visibility_timeout": VISIBILITY_S,
        "task_default_queue": queue.CLOCK,
        "task_queues": [Queue(name, Exchange(name), routing_key=name) for name in queue.QUEUES],
        "task_ignore_result": True,
        "task_acks_late": True,
        "task_reject_on_worker_lost": True,
        "task_time_limit": TASK_LIMIT_S,
        "task_soft_time_limit": TASK_LIMIT_S - 30,
        "task_serializer": "json",
        "accept_content": ["json"],
        "worker_concurrency": config.worker_processes,
        "worker_prefetch_multiplier": 1,
        "worker_soft_shutdown_timeout": PATIENCE_S,
        "worker_enable_soft_shutdown_on_idle": True,
        "worker_hijack_root_logger": False,
        "worker_send_task_events": False,
        # Nothing expires: that would be judged by two machines' clocks. What piled up is passed over (`worker.tasks`).
        "beat_scheduler": "worker.schedule:Schedule",
        "beat_schedule": {
            # a hint that got lost, a lease that ran out, a retry that is due: found within two seconds
            "sweep": {"task": "stripdown.sweep", "schedule": 2.0},
            # what fleets have to teach; finds nothing to do unless enough is new, or a night went by
            "learn": {"task": "stripdown.learn", "schedule": 10.0},
            # what time alone changes: due dates, partitions to come, keys to forget
            "refresh": {"task": "stripdown.refresh", "schedule": 300.0},
        },
    }


app = Celery("stripdown", include=["worker.tasks"])
app.add_defaults(settings)


def _speak_less(**_: Any) -> None:
    for name in TALKATIVE:
        logging.getLogger(name).setLevel(logging.WARNING)


def collect_less() -> None:
    """Have Python look for circles of objects less often.

    A batch makes hundreds of thousands of objects that all live until it is saved: looking through them for circles
    every 700 costs a seventh of the computing, and finds none.
    """
    gc.freeze()
    gc.set_threshold(100_000, 20, 50)


def _configure(**_: Any) -> None:
    """In each pool process, after its fork: nothing that was opened before would live in it."""
    collect_less()
    config = Config.from_env()
    pool.configure(config, size=CONNECTIONS)
    queue.configure(config.redis_url)
    sweep_scratch()


def _close_pool(**_: Any) -> None:
    pool.close()


def _end_in_time(how: str, **_: Any) -> None:
    """Asked to end, a worker waits for what its processes are at: a whole file, a fleet to learn from. Not for ever.

    What is cut short costs nothing but its time: it is due again when its lease ends, and its message comes back.
    """
    if how == "Warm":
        timer = threading.Timer(PATIENCE_S, _cut_short)
        timer.daemon = True
        timer.start()


def _cut_short() -> None:
    for process in active_children():
        logging.getLogger(__name__).warning("still busy after %.0f s: process %d is ended", PATIENCE_S, process.pid)
        with suppress(ProcessLookupError):
            os.kill(process.pid, signal.SIGKILL)


after_setup_logger.connect(_speak_less)
worker_shutting_down.connect(_end_in_time)
worker_process_init.connect(_configure)
worker_process_shutdown.connect(_close_pool)
