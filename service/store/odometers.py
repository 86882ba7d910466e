"""What a tool ran between any two moments, straddling intervals shared pro rata to time."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from math import fsum
from typing import Any, NamedTuple, TypeVar
from uuid import UUID

import numpy as np
from psycopg import Connection
from psycopg.rows import class_row

from service.store.columns import to_micros, to_time
from service.store.statements import sql
from service.store.usage_record import UsageRecord, first_day, read_record


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

    `known` is False where a stretch that needs usage has none on record (`service.store.usage_record`).
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
    record: UsageRecord

    @property
    def begun(self) -> datetime | None:
        """When its day of commissioning began, or the first inspection if that was before; None: nobody said."""
        return to_time(self.record.first_day[0])

    def run(self, since: datetime | None, until: datetime, ended: bool = False) -> Run:
        """Return what was run from `since` (None: from the start) until before `until`.

        Parameters
        ----------
        since : datetime or None
        until : datetime
        ended : bool
            What ran was taken out at `until`: the time after the last inspection may then be a gap. Else it counts
            as not run yet.

        Notes
        -----
        An interval without a known start that is cut tells nothing of its share: it counts as not known.
        """
        parts = list(self._shares(since, until))
        first = self.record.first_day[0] if since is None else to_micros(since)
        return Run(
            _weighted([(interval.metres, share) for interval, share in parts]),
            _weighted([(interval.hours, share) for interval, share in parts]),
            _weighted([(interval.effective, share) for interval, share in parts]),
            all(share is not None for _, share in parts) and self.record.is_known(first, to_micros(until), ended),
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


def _start(interval: RunInterval) -> datetime:
    # only the first interval of a tool can lack a start, and the search begins after it
    assert interval.since is not None  # noqa: S101
    return interval.since


def _weighted(parts: Sequence[tuple[float | None, float | None]]) -> float | None:
    if any(amount is None for amount, _ in parts):
        return None
    return fsum((amount or 0.0) * (share or 0.0) for amount, share in parts)


class _Inspection(NamedTuple):
    """An inspection, as far as it says what usage has to be on record."""

    tool_id: int
    inspection_id: UUID
    reference: str
    stage: str
    taken_at: datetime
    remeasures: UUID | None


Row = TypeVar("Row", RunInterval, _Inspection)


def load_odometers(conn: Connection[Any], tool_ids: Sequence[int], at: datetime) -> dict[int, Odometer]:
    """Return the usage of tools begun before a moment, and what of it is on record, in three queries.

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
    asked = {"tool_ids": list(tool_ids), "at": at}
    with conn.cursor(row_factory=class_row(RunInterval)) as cursor:
        runs = _by_tool(map(_with_start, cursor.execute(sql("usage/run"), asked)))
    with conn.cursor(row_factory=class_row(_Inspection)) as cursor:
        inspections = _by_tool(cursor.execute(sql("usage/inspections"), asked))
    days = conn.execute(sql("usage/first_days"), asked).fetchall()
    return {
        tool_id: _odometer(runs.get(tool_id, []), inspections.get(tool_id, []), first_day(commissioned_on, time_zone))
        for tool_id, commissioned_on, time_zone in days
    }


def _by_tool(rows: Iterable[Row]) -> dict[int, list[Row]]:
    found: dict[int, list[Row]] = {}
    for row in rows:
        found.setdefault(row.tool_id, []).append(row)
    return found


def _odometer(intervals: Sequence[RunInterval], inspections: Sequence[_Inspection], day: tuple[int, int]) -> Odometer:
    """Put a tool's usage beside its inspections; an interval that does not say the life basis is not on record."""
    told = [interval for interval in intervals if interval.effective is not None]
    since = np.array([to_micros(interval.since) for interval in told], np.int64)
    until = np.array([to_micros(interval.until) for interval in told], np.int64)
    begun, over = day
    if inspections:  # measured before its day of commissioning: it was there already
        begun = min(begun, to_micros(inspections[0].taken_at))
    return Odometer(tuple(intervals), read_record(since, until, inspections, (begun, over)))


def _with_start(row: RunInterval) -> RunInterval:
    """Let an interval without a known start begin at the tool's first fitting, if that lies before its
    end.
    """
    if row.since is not None or row.begun is None or row.begun >= row.until:
        return row
    return RunInterval(row.tool_id, row.begun, row.until, row.metres, row.hours, row.effective, row.begun)
