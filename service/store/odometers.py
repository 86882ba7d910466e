"""What a tool ran between any two moments, straddling intervals shared pro rata to time."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from math import fsum
from typing import Any

from psycopg import Connection
from psycopg.rows import class_row

from service.store.statements import sql


@dataclass(frozen=True, slots=True)
class RunInterval:
    """One interval of a tool's usage; `effective` is weighted by ground, in the basis of the tool's life."""

    tool_id: int
    since: datetime | None
    until: datetime
    metres: float | None
    hours: float | None
    effective: float | None
    begun: datetime | None  # the tool's first fitting


@dataclass(frozen=True, slots=True)
class Run:
    """What was run, [m], [h] and ground-weighted [m or h]; None where some of it did not say.

    `known` is False where the ledger and the inspections leave a gap.
    """

    metres: float | None
    hours: float | None
    effective: float | None
    known: bool

    def __add__(self, other: Run) -> Run:
        return Run(
            _sum(self.metres, other.metres),
            _sum(self.hours, other.hours),
            _sum(self.effective, other.effective),
            self.known and other.known,
        )


NOTHING = Run(0.0, 0.0, 0.0, True)


def _sum(a: float | None, b: float | None) -> float | None:
    return None if a is None or b is None else a + b


@dataclass(frozen=True, slots=True)
class Odometer:
    """A tool's usage in the order of time; the intervals do not overlap."""

    intervals: tuple[RunInterval, ...]

    def run(self, since: datetime | None, until: datetime) -> Run:
        """Return what was run from `since` (None: from the start) until before `until`.

        Notes
        -----
        Time after the last interval counts as not run yet, not as a gap. An interval without a known start
        that is cut tells nothing of its share: it counts as not known.
        """
        parts = list(self._shares(since, until))
        return Run(
            _weighted([(interval.metres, share) for interval, share in parts]),
            _weighted([(interval.hours, share) for interval, share in parts]),
            _weighted([(interval.effective, share) for interval, share in parts]),
            all(share is not None for _, share in parts) and not self._has_gap(since, until),
        )

    def _shares(self, since: datetime | None, until: datetime) -> Iterator[tuple[RunInterval, float | None]]:
        first = 0 if since is None else bisect_right(self.intervals, since, key=lambda i: i.until)
        last = bisect_left(self.intervals, until, lo=1, key=_start) if self.intervals else 0
        for interval in self.intervals[first:last]:
            start = interval.since
            if (start is None or since is None or start >= since) and interval.until <= until:
                yield interval, 1.0
            elif start is None:
                yield interval, None
            else:
                inside = min(interval.until, until) - (start if since is None else max(start, since))
                if inside > timedelta(0):
                    yield interval, inside / (interval.until - start)

    def _has_gap(self, since: datetime | None, until: datetime) -> bool:
        reached = since
        for interval in self.intervals:
            start = interval.since
            if start is not None and start >= until:
                break
            if reached is not None and interval.until <= reached:
                continue
            if reached is not None and start is not None and start > reached:
                return True
            reached = interval.until
        return False


def _start(interval: RunInterval) -> datetime:
    # only the first interval of a tool can lack a start, and the search begins after it
    assert interval.since is not None  # noqa: S101
    return interval.since


def _weighted(parts: Sequence[tuple[float | None, float | None]]) -> float | None:
    if any(amount is None for amount, _ in parts):
        return None
    return fsum((amount or 0.0) * (share or 0.0) for amount, share in parts)


def load_odometers(conn: Connection[Any], tool_ids: Sequence[int], at: datetime) -> dict[int, Odometer]:
    """Return the usage of tools begun before a moment, in one query.

    Parameters
    ----------
    conn : Connection
    tool_ids : sequence of int
    at : datetime
        Later intervals are left out.

    Returns
    -------
    dict
        Tool id to its odometer; tools that ran nothing have an empty one.
    """
    with conn.cursor(row_factory=class_row(RunInterval)) as cursor:
        rows = cursor.execute(sql("usage/run"), {"tool_ids": list(tool_ids), "at": at}).fetchall()
    found: dict[int, list[RunInterval]] = {tool_id: [] for tool_id in tool_ids}
    for row in rows:
        found[row.tool_id].append(_with_start(row))
    return {tool_id: Odometer(tuple(intervals)) for tool_id, intervals in found.items()}


def _with_start(row: RunInterval) -> RunInterval:
    """Let an interval without a known start begin at the tool's first fitting, if that lies before its
    end.
    """
    if row.since is not None or row.begun is None or row.begun >= row.until:
        return row
    return RunInterval(row.tool_id, row.begun, row.until, row.metres, row.hours, row.effective, row.begun)
