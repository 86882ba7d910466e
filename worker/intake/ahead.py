"""Work done ahead by a thread: the next items are made while the last one is used."""

from __future__ import annotations

import queue
import threading
from collections.abc import Iterable, Iterator
from typing import TypeVar

Item = TypeVar("Item")


def ahead(items: Iterable[Item], most: int = 2) -> Iterator[Item]:
    """Return the same items, made by a thread of their own, at most so many before they are asked for.

    What raises there raises here. It pays where making an item leaves the interpreter free: reading, numpy, zlib.

    Examples
    --------
    >>> list(ahead(number * number for number in range(4)))
    [0, 1, 4, 9]
    """
    made: queue.Queue[tuple[str, Item | BaseException | None]] = queue.Queue(most)

    def make() -> None:
        try:
            for item in items:
                made.put(("item", item))
            made.put(("end", None))
        except BaseException as error:
            made.put(("error", error))

    threading.Thread(target=make, name="ahead", daemon=True).start()
    while True:
        kind, item = made.get()
        if kind == "end":
            return
        if kind == "error":
            raise item  # type: ignore[misc]
        yield item  # type: ignore[misc]
