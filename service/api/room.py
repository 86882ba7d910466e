"""Whether there is room for more: intake answers 503 rather than take what could not be computed or kept.

What is refused was not accepted, so nothing is dropped; the client comes again.
"""

from __future__ import annotations

import shutil
import threading
import time
from dataclasses import dataclass, field

from flask import current_app

from service.config import Config
from service.problems import Declined
from service.store.claims import count_waiting
from service.store.pool import transaction

LOOKED_EVERY_S = 1.0
#: Looking takes at most this share of one thread's time, however long the backlog is.
SHARE = 0.05
MEGABYTE = 1_000_000


@dataclass(slots=True)
class _Seen:
    """What this process saw when it last looked, and when it looks again."""

    config: Config | None = None
    waiting: int = 0
    free_mb: int | None = None
    look_at: float = 0.0
    looking: threading.Lock = field(default_factory=threading.Lock)


_seen = _Seen()


def forget() -> None:
    """Look again at the next request: another database stands behind the process."""
    _seen.look_at = 0.0


def check_room() -> None:
    """Refuse the request at hand where too much waits, or too little of the disk is left.

    Raises
    ------
    Declined
        503, ``backlog`` or ``disk-low``, with the time to come again.
    StoreAway
    """
    config: Config = current_app.extensions["stripdown"]
    if (time.monotonic() >= _seen.look_at or _seen.config is not config) and _seen.looking.acquire(blocking=False):
        try:
            _look(config)
        finally:
            _seen.looking.release()
    if _seen.waiting >= config.backlog_limit:
        words = f"{config.backlog_limit} inspections or more wait to be computed; nothing of this request was stored"
        raise Declined("backlog", words, headers={"Retry-After": "5"})
    if _seen.free_mb is not None and _seen.free_mb < config.free_disk_floor_mb:
        words = f"less than {config.free_disk_floor_mb} MB of the disk are free; nothing of this request was stored"
        raise Declined("disk-low", words, headers={"Retry-After": "60"})


def _look(config: Config) -> None:
    began = time.monotonic()
    with transaction() as conn:
        _seen.waiting = count_waiting(conn, config.backlog_limit)
    folder = config.data_directory
    _seen.free_mb = None if folder is None else shutil.disk_usage(folder).free // MEGABYTE
    ended = time.monotonic()
    _seen.config, _seen.look_at = config, ended + max(LOOKED_EVERY_S, (ended - began) / SHARE)
