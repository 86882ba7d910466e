"""An upload read while it comes, so that its reader is through with most of it when the last bytes are there."""

from __future__ import annotations

import time
from collections.abc import Iterator
from uuid import UUID

from service.store import gauge_exports as store
from service.store.pool import Connection

LOOK_S = 0.01
STILL_S = 1.0
"""Without new bytes for so long, a slow client would keep a worker from its work."""
LONGEST_S = 30.0


class NotComing(Exception):
    """The upload was given up, or does not come fast enough to be waited for."""


def coming(conn: Connection, export_id: UUID) -> Iterator[bytes]:
    """Return the bytes of an export as they come, until all are there.

    Parameters
    ----------
    conn : Connection
        Each look sees what was committed by then.
    export_id : UUID

    Raises
    ------
    NotComing
    """
    chunk = 0
    begun = latest = time.monotonic()
    while True:
        complete = store.is_received(conn, export_id)  # before the look for more: none comes after that
        while (piece := store.get_chunk(conn, export_id, chunk)) is not None:
            yield piece
            chunk += 1
            latest = time.monotonic()
        if complete:
            return
        now = time.monotonic()
        if complete is None or now - latest > STILL_S or now - begun > LONGEST_S:
            raise NotComing
        time.sleep(LOOK_S)
