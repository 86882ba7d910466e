"""What a tool has run up to any moment, weighted by ground (forecast method 12).

Usage is counted in thousands of the tool's life basis, weighted by ground factors. An interval that straddles a
moment is shared pro rata to time. Times are microseconds since 2000 UTC.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from service.store.assessment_inputs import UsageRow
from service.store.columns import ALWAYS, to_micros

Floats = NDArray[np.float64]
Times = NDArray[np.int64]
PER_UNIT = 1000.0
DAY_US = 86_400_000_000


@dataclass(frozen=True, slots=True)
class Odometer:
    """Usage intervals of one tool, in order, none overlapping; shape (n,) each.

    Attributes
    ----------
    since, until : ndarray of int
        Half-open; one without a known start begins when the tool's first fitting says the tool was there, else it
        is `ALWAYS`, and all of it counts at its end.
    run : ndarray
        What was run, not weighted, [thousands of the basis].
    effective : ndarray
        The same weighted by ground.
    mixes : tuple of dict
        Share of each ground class; empty where the ground was not said.
    ungraded : ndarray of bool
        Some of it without a ground class, or one that the catalogue has no factor for.
    """

    since: Times
    until: Times
    run: Floats
    effective: Floats
    mixes: tuple[dict[str, float], ...]
    ungraded: NDArray[np.bool_]

    def at(self, moments: ArrayLike) -> Floats:
        """Effective usage of the tool from its beginning until each moment, [thousands of the basis]."""
        amounts = self.effective
        total = np.append(0.0, np.cumsum(amounts))
        at = np.asarray(moments, np.int64)
        ended = np.searchsorted(self.until, at, side="right")
        if not len(amounts):
            return np.zeros(at.shape)
        # the interval the moment lies in, if any: the first that has not ended
        row = np.minimum(ended, len(amounts) - 1)
        since, until = self.since[row].astype(np.float64), self.until[row].astype(np.float64)
        share = np.clip((at.astype(np.float64) - since) / (until - since), 0.0, 1.0)
        cut = (ended < len(amounts)) & (self.since[row] != ALWAYS)
        within = np.where(cut, amounts[row] * share, 0.0)
        return np.asarray(total[ended] + within)

    def mix(self, moment: int, days: int = 90) -> tuple[dict[str, float], bool]:
        """Ground of the last days before a moment, weighted by usage, else that of the last entry before.

        Returns
        -------
        mix : dict
            Share of each class, adding up to 1; empty where no ground is on record.
        ungraded : bool
            Some of that usage had no ground, or one without a factor.
        """
        start = max(moment - days * DAY_US, ALWAYS)
        past = bisect_left(self.since, moment)
        recent = list(range(bisect_right(self.until, start, 0, past), past))
        weights = [self._between(row, start, moment) for row in recent]
        if not sum(weights) and past:
            recent, weights = [past - 1], [1.0]
        mix: dict[str, float] = {}
        for row, weight in zip(recent, weights, strict=True):
            for ground, share in self.mixes[row].items():
                mix[ground] = mix.get(ground, 0.0) + weight * share
        total = sum(mix.values())
        ungraded = any(self.ungraded[row] for row in recent)
        return {g: share / total for g, share in mix.items() if share > 0} if total > 0 else {}, ungraded

    def _between(self, row: int, start: int, end: int) -> float:
        """What one interval holds of the time between two moments, not weighted."""
        since, until = int(self.since[row]), int(self.until[row])
        if since == ALWAYS:
            return float(self.run[row])
        return float(self.run[row]) * max(min(until, end) - max(since, start), 0) / (until - since)


def read_odometer(rows: Sequence[UsageRow], basis: str, factors: Mapping[str, float], begun: int = ALWAYS) -> Odometer:
    """Read a tool's usage in one life basis.

    Parameters
    ----------
    rows : sequence of UsageRow
        In the order of time.
    basis : str
        ``metres`` or ``hours``; an entry that does not say it is as if it were not there.
    factors : mapping
        Ground factor of each class.
    begun : int
        When the tool's first fitting was; `ALWAYS` where there is none.
    """
    since, until, run, effective, mixes, ungraded = [], [], [], [], [], []
    for row in rows:
        amounts = [(amount.get(basis), amount.get("ground")) for amount in row.amounts]
        if any(amount is None for amount, _ in amounts) or not amounts:
            continue
        end = to_micros(row.until)
        start = to_micros(row.since)
        if row.since is None:
            start = begun if begun < end else ALWAYS
        total, weighted, mix, graded = _weigh(amounts, factors)
        since.append(start)
        until.append(end)
        run.append(total / PER_UNIT)
        effective.append(weighted / PER_UNIT)
        mixes.append(mix)
        ungraded.append(not graded)
    return Odometer(
        np.array(since, np.int64),
        np.array(until, np.int64),
        np.array(run),
        np.array(effective),
        tuple(mixes),
        np.array(ungraded, np.bool_),
    )


def _weigh(
    amounts: Sequence[tuple[Any, Any]], factors: Mapping[str, float]
) -> tuple[float, float, dict[str, float], bool]:
    """Sum, weighted sum, share of each ground class, and whether every class has a factor."""
    total, weighted, graded = 0.0, 0.0, True
    mix: dict[str, float] = {}
    for amount, ground in amounts:
        total += amount
        if not ground:
            weighted += amount
            graded = graded and amount == 0
            continue
        for name, share in ground.items():
            weighted += amount * share * factors.get(name, 1.0)
            graded = graded and name in factors
            mix[name] = mix.get(name, 0.0) + amount * share
    if total > 0:
        mix = {name: share / total for name, share in mix.items()}
    return total, weighted, mix, graded


def mix_factor(mix: Mapping[str, float], factors: Mapping[str, float]) -> float:
    """Effective usage per unit of usage in a mix of grounds; 1 where no ground is known."""
    return sum(share * factors.get(name, 1.0) for name, share in mix.items()) if mix else 1.0
