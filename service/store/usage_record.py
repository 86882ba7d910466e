"""Whether all that a tool ran is on record (forecast method 12): one rule for what is computed and what is shown.

Usage is unknown once an interval of positive length between two inspections (the first begins where something was put
in) has neither a ledger entry nor usage of an inspection. The time between the as-found and the as-left inspection of
one strip-down, or until something is measured again, is spent in the workshop and needs none; nor does the time after
the last inspection, which counts as not run yet. Times are microseconds since 2000 UTC.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from itertools import pairwise
from typing import Protocol
from uuid import UUID
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import ArrayLike, NDArray

from service.store.columns import ALWAYS, to_micros

Times = NDArray[np.int64]
Counts = NDArray[np.int64]
Bools = NDArray[np.bool_]


class Inspected(Protocol):
    """What an inspection says of the time before it."""

    @property
    def inspection_id(self) -> UUID:
        """Its id."""

    @property
    def reference(self) -> str:
        """Of its strip-down."""

    @property
    def stage(self) -> str:
        """``as_found`` or ``as_left``."""

    @property
    def taken_at(self) -> datetime:
        """When."""

    @property
    def remeasures(self) -> UUID | None:
        """The inspection that it measures again."""


@dataclass(frozen=True, slots=True)
class UsageRecord:
    """When a tool's usage is on record, and its inspections as the marks between which some must be.

    Attributes
    ----------
    since, until : ndarray of int, shape (n,)
        Intervals with usage, in order, none overlapping; one without a known start begins at `ALWAYS`.
    marks : ndarray of int, shape (k,)
        Times of the inspections, in order.
    idle : ndarray of bool, shape (k + 1,)
        Whether the time up to each of them from the one before was spent in the workshop; the last is that after all.
    gaps : ndarray of int, shape (k,)
        Intervals without usage on record up to each of them.
    first_day : tuple of int
        Beginning and end of the day the tool was put in: what is measured that day is measured as put in.
    """

    since: Times
    until: Times
    marks: Times
    idle: Bools
    gaps: Counts
    first_day: tuple[int, int]

    def gap_count(self, moments: Times) -> Counts:
        """Gaps up to the last inspection not after each moment."""
        at = np.searchsorted(self.marks, moments, side="right") - 1
        return np.where(at >= 0, self.gaps[np.maximum(at, 0)], 0) if len(self.gaps) else np.zeros_like(at)

    def opening(self, moments: Times) -> tuple[Counts, Bools]:
        """Gaps up to the first inspection not before each moment, and whether the time until then is on record."""
        at = np.searchsorted(self.marks, moments, side="left")
        if not len(self.marks):
            return np.zeros_like(at), np.ones(at.shape, np.bool_)
        first = np.minimum(at, len(self.marks) - 1)
        begun, over = self.first_day
        recorded = self.idle[at] | on_record(self.since, self.until, moments, self.marks[first])
        recorded |= (moments == begun) & (self.marks[first] < over)
        return self.gaps[first], recorded | (at == len(self.marks))

    def is_known(self, since: int, until: int, ended: bool) -> bool:
        """Whether all of what was run between two moments is known.

        Parameters
        ----------
        since, until : int
        ended : bool
            The component was taken out at `until`: what it ran since the last inspection is needed too.
        """
        last = int(np.searchsorted(self.marks, until, side="right")) - 1
        inspected = last >= 0 and int(self.marks[last]) >= since
        if inspected:
            gaps, opened = self.opening(np.array([since], np.int64))
            if not opened[0] or self.gaps[last] > gaps[0]:
                return False
        if not ended or self.idle[last + 1]:
            return True
        return bool(on_record(self.since, self.until, int(self.marks[last]) if inspected else since, until))


def read_record(
    since: Times, until: Times, inspections: Sequence[Inspected], first_day: tuple[int, int]
) -> UsageRecord:
    """Lay a tool's usage and its inspections, both in the order of time, beside each other."""
    marks = np.array([to_micros(one.taken_at) for one in inspections], np.int64)
    idle = _in_workshop(inspections)
    covered = idle[1:-1] | on_record(since, until, marks[:-1], marks[1:])
    gaps = np.append(0, np.cumsum(~covered))[: len(marks)]
    return UsageRecord(since, until, marks, idle, gaps, first_day)


def on_record(since: Times, until: Times, begin: ArrayLike, end: ArrayLike) -> Bools:
    """Whether one of the intervals `since` to `until` lies between two moments; none needs to between equal ones."""
    start, finish = np.asarray(begin, np.int64), np.asarray(end, np.int64)
    empty = finish <= start
    if not len(until):
        return np.asarray(empty)
    first = np.searchsorted(until, start, side="right")
    found = (first < len(until)) & (since[np.minimum(first, len(until) - 1)] < finish)
    return np.asarray(empty | found)


def _in_workshop(inspections: Sequence[Inspected]) -> Bools:
    """Whether a tool stood still up to an inspection: the same strip-down as the one before, or measured again."""
    idle = np.zeros(len(inspections) + 1, np.bool_)
    for n, (one, two) in enumerate(pairwise(inspections), start=1):
        idle[n] = one.reference == two.reference and one.stage == "as_found" and two.stage == "as_left"
    number = {row.inspection_id: n for n, row in enumerate(inspections)}
    for n, row in enumerate(inspections):
        if row.remeasures in number:
            idle[number[row.remeasures] + 1 : n + 1] = True
    return idle


def first_day(commissioned_on: date | None, time_zone: str) -> tuple[int, int]:
    """Return the beginning and the end of the day a tool was put in, at its site; `ALWAYS` where nobody said."""
    if commissioned_on is None:
        return ALWAYS, ALWAYS
    zone = ZoneInfo(time_zone)
    days = (commissioned_on, commissioned_on + timedelta(days=1))
    begun, over = (to_micros(datetime.combine(day, time(), zone).astimezone(UTC)) for day in days)
    return begun, over
