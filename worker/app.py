"""The Celery app: settings and schedule, no tasks and no logic.

A message is a hint that there is work; what the work is stands in PostgreSQL. So every way in which a broker
loses, repeats or delays messages costs time, never a reading.
"""

from __future__ import annotations

from typing import Any

from celery import Celery
from celery.signals import worker_process_init, worker_process_shutdown

from service.config import Config
from service.queue import broker_url
from service.store import pool

TASK_LIMIT_S = 240
VISIBILITY_S = 600


def create_app(config: Config) -> Celery:
    """Return the app for a configuration."""
    app = Celery("stripdown", broker=broker_url(config.redis_url), include=["worker.tasks"])
    app.conf.update(
        task_default_queue="stripdown",
        task_ignore_result=True,
        task_acks_late=True,
        task_reject_on_worker_lost=True,
        task_time_limit=TASK_LIMIT_S,
        task_soft_time_limit=TASK_LIMIT_S - 30,
        task_serializer="json",
        accept_content=["json"],
        visibility_timeout=VISIBILITY_S,
        broker_transport_options={
            "visibility_timeout": VISIBILITY_S,
            "unacked_restore_interval": 5,
            "unacked_restore_throttle": 1,
            "socket_timeout": 5,
            "socket_connect_timeout": 2,
            "socket_keepalive": True,
            "health_check_interval": 25,
        },
        broker_connection_retry_on_startup=True,
        broker_connection_max_retries=None,
        worker_concurrency=config.worker_processes,
        worker_prefetch_multiplier=1,
        worker_soft_shutdown_timeout=20,
        worker_enable_soft_shutdown_on_idle=True,
        worker_hijack_root_logger=False,
        worker_send_task_events=False,
        beat_schedule={
            # a hint that got lost, a lease that ran out, a retry that is due: found within two seconds
            "sweep": {"task": "stripdown.sweep", "schedule": 2.0, "options": {"expires": 10}},
            "refresh": {"task": "stripdown.refresh", "schedule": 300.0, "options": {"expires": 240}},
        },
    )
    return app


_config = Config.from_env()
app = create_app(_config)


@worker_process_init.connect  # type: ignore[untyped-decorator]
def _configure_pool(**_: Any) -> None:
    pool.configure(_config, size=3)


@worker_process_shutdown.connect  # type: ignore[untyped-decorator]
def _close_pool(**_: Any) -> None:
    pool.close()
