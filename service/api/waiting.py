"""``Prefer: wait=N`` (RFC 7240): an answer held until the work is done.

A waiting request keeps a thread. When half of a process's threads wait already, the preference is not
honoured (which RFC 7240 allows): answering beats waiting.
"""

from __future__ import annotations

import re
import threading
import time
from collections.abc import Callable
from typing import TypeVar

from flask import Response, current_app, g, request

MAX_WAIT_S = 60.0
FIRST_PAUSE_S = 0.020
LONGEST_PAUSE_S = 0.100

Ready = TypeVar("Ready")
_WAIT = re.compile(r'(?:^|,)\s*wait\s*=\s*"?(\d{1,9})"?\s*(?:[;,]|$)', re.IGNORECASE)


class _Waiting:
    """How many threads of this process wait."""

    def __init__(self) -> None:
        self.lock = threading.Lock()
        self.count = 0

    def enter(self, most: int) -> bool:
        with self.lock:
            if self.count >= most:
                return False
            self.count += 1
            return True

    def leave(self) -> None:
        with self.lock:
            self.count -= 1


_waiting = _Waiting()


def asked() -> int | None:
    """Return the seconds that ``Prefer: wait`` asks for, at most 60; None where it does not."""
    match = _WAIT.search(",".join(request.headers.getlist("Prefer")))
    return None if match is None else min(int(match[1]), int(MAX_WAIT_S))


def hold(seconds: float | None, ready: Callable[[], Ready | None]) -> Ready | None:
    """Ask `ready` until it has something or the time is up; each question is its own short transaction.

    Parameters
    ----------
    seconds : float or None
        As `asked` returns it; None asks once.
    """
    found = ready()
    if found is not None or not seconds:
        return found
    if not _waiting.enter(max(1, current_app.config["THREADS"] // 2)):
        g.wait_refused = True
        return None
    try:
        deadline = time.monotonic() + seconds
        pause = FIRST_PAUSE_S
        while found is None and (left := deadline - time.monotonic()) > 0:
            time.sleep(min(pause, left))
            pause = min(pause * 1.3, LONGEST_PAUSE_S)
            found = ready()
        return found
    finally:
        _waiting.leave()


def applied(response: Response, seconds: float | None) -> Response:
    """Say that the preference was honoured, where it was."""
    if seconds is not None and not g.get("wait_refused", False):
        response.headers["Preference-Applied"] = f"wait={int(seconds)}"
    return response
