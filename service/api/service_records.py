"""Services on record as rates with the clearances they were drilled with: what a calibration from a fleet compares.

What parts regained is told by those that were changed: as found less as left, or less new where the new part was not
measured, or less the last size of one that came from stock. Between the rates and the service the parts wore: as fast
as they have since new, up to there and up to the next strip-down.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any

import numpy as np
from numpy.typing import NDArray

from service.catalogue import Feature, Fit, ToolType
from service.store.assessment_inputs import UsageRow
from service.store.columns import MICROSECOND, to_micros
from service.store.services import ChangeRow, ServiceRow, Services, SizeRow

Floats = NDArray[np.float64]
GroundOf = Callable[[Sequence[Mapping[str, Any]]], str | None]

WITHIN = timedelta(days=14)
"""From an inspection as found to the change of parts that belongs to it. Judgement."""
RECENT = timedelta(days=90)
"""How far from the service rates are taken at most. Judgement."""
NEAR = 1.0 / 3.0
"""Of what the same parts ran on each side: where wear is even, most is learned from that much of it."""
AROUND = 3 * RECENT
"""What is looked at on each side, so that a third of it can be that far."""
PER_UNIT = 1000.0
"""Rates of wear are per 1000 of the life basis."""


@dataclass(slots=True)
class Rates:
    """Rates around the services that were kept, a row for each entry; `service` is a row of `services`."""

    services: list[ServiceRow] = field(default_factory=list)
    growth_u: list[Floats] = field(default_factory=list)  # of each service by fit, [mm]
    left_out: Counter[str] = field(default_factory=Counter)
    service: list[int] = field(default_factory=list)
    ground: list[str] = field(default_factory=list)
    after: list[bool] = field(default_factory=list)
    rate: list[float] = field(default_factory=list)
    pressure: list[float] = field(default_factory=list)
    clearance: list[Floats] = field(default_factory=list)  # of each fit, from an arbitrary start, [mm]


@dataclass(frozen=True, slots=True)
class Opened:
    """How a service changed the fits, [mm], and how fast they open on either side of it, mm per effective unit."""

    growth: Floats
    growth_u: Floats
    before: Floats
    after: Floats


@dataclass(frozen=True, slots=True)
class Ledger:
    """What a tool ran: usage in 1000 of the life basis, weighted by ground, up to the ends of every entry."""

    entries: Sequence[UsageRow]
    times: Floats  # microseconds since 2000
    run: Floats

    def at(self, moment: float) -> float:
        """Usage up to a moment; it runs evenly within each entry."""
        return float(np.interp(moment, self.times, self.run)) if len(self.times) else 0.0


@dataclass(frozen=True, slots=True)
class Span:
    """A service from when it was inspected until it was done, and what the same parts ran on both sides.

    Times are microseconds since 2000; `near` and `still_near` are usage by the ledger.
    """

    begin: int
    found: int
    done: int
    end: int
    near: float
    still_near: float

    def side(self, since: int, until: int, middle: float) -> bool | None:
        """Whether an entry of the ledger is after the service, None where it is neither just before nor just after."""
        recent = RECENT // MICROSECOND
        if max(self.begin, self.found - recent) <= since and until <= self.found and middle >= self.near:
            return False
        after = self.done <= since and until <= min(self.end, self.done + recent) and middle <= self.still_near
        return True if after else None


def shared_fits(kind: ToolType) -> list[Fit]:
    """The fits that lose performance by the rule."""
    return [fit for fit in kind.fits if fit.loss_share is not None]


def sides(fits: Sequence[Fit]) -> list[str]:
    """The features that make the fits."""
    return sorted({side for fit in fits for side in (fit.bore, fit.shaft)})


def gather(kind: ToolType, stored: Services, ground_of: GroundOf) -> Rates:
    """Rates before and after every service that can be compared.

    Parameters
    ----------
    kind : ToolType
    stored : Services
    ground_of : callable
        From the amounts of an entry to its class of ground, None where it was no one class.
    """
    rates = Rates()
    for n, service in enumerate(stored.services):
        changes = stored.changes.get(service.tool_id, [])
        mine = [one for one in changes if _after(one, service.taken_at) and one.at < service.until]
        sizes = stored.sizes.get(n, [])
        opened = _opened(kind, stored, mine, sizes)
        if opened is None:
            rates.left_out["not-measured"] += 1
            continue
        ledger = _ledger(kind, stored.usage.get(service.tool_id, []))
        _add(rates, service, opened, _span(service, changes, mine, sizes, ledger), ledger, ground_of)
    return rates


def _after(change: ChangeRow, moment: datetime) -> bool:
    """A renewal comes after the readings as found of its moment, a fitting by itself before."""
    return change.at > moment or (change.at == moment and change.renewed)


def _span(
    service: ServiceRow,
    changes: Sequence[ChangeRow],
    mine: Sequence[ChangeRow],
    sizes: Sequence[SizeRow],
    ledger: Ledger,
) -> Span:
    found = to_micros(service.taken_at)
    done = to_micros(max([one.at for one in mine] + [size.taken_at for size in sizes if size.moment == "left"]))
    earlier = [to_micros(one.at) for one in changes if not _after(one, service.taken_at)]
    later = [moment for one in changes if (moment := to_micros(one.at)) > done]
    first, last = (int(ledger.times[0]), int(ledger.times[-1])) if len(ledger.times) else (found, done)
    begin, end = max([min(first, found), *earlier]), min([max(last, done), *later])
    run = {moment: ledger.at(moment) for moment in (begin, found, done, end)}
    near = run[found] - NEAR * (run[found] - run[begin])
    return Span(begin, found, done, end, near, run[done] + NEAR * (run[end] - run[done]))


def _opened(kind: ToolType, stored: Services, mine: Sequence[ChangeRow], sizes: Sequence[SizeRow]) -> Opened | None:
    """How the fits were changed; None where a changed part is not known before or after."""
    found, left, later = (
        {(row.feature, row.position): row for row in sizes if row.moment == moment}
        for moment in ("found", "left", "next")
    )
    put_in = {(one.part, one.position): one for one in mine}
    features = {feature.code: feature for feature in kind.features}
    fits = shared_fits(kind)
    growth, variance, before, after = (np.zeros(len(fits)) for _ in range(4))
    for n, fit in enumerate(fits):
        for code, sign in ((fit.bore, 1.0), (fit.shaft, -1.0)):
            feature = features[code]
            quantity = kind.quantity_of(feature.part)
            for position in range(1, quantity + 1):
                was, change = found.get((code, position)), put_in.get((feature.part, position))
                own = _rate(feature, was, feature.wear_mean or 0.0)
                before[n] += own / quantity
                after[n] += _rate(feature, later.get((code, position)), own) / quantity
                if change is None:
                    continue
                now = _size_after(feature, left.get((code, position)), change, stored)
                if was is None or now is None:
                    return None
                growth[n] += sign * (was.mean - now[0]) / quantity
                variance[n] += ((was.mean_u or 0.0) ** 2 + now[1] ** 2) / quantity**2
    return Opened(growth, np.sqrt(variance), before, after)


def _rate(feature: Feature, size: SizeRow | None, otherwise: float) -> float:
    """How fast a part has worn since new; where that is not known, by its wear state."""
    if size is not None and size.usage:
        worn = size.mean - feature.new.middle
        return max(worn if feature.grows else -worn, 0.0) / size.usage
    return otherwise if size is None or size.rate is None else max(size.rate, 0.0)


def _size_after(
    feature: Feature, left: SizeRow | None, change: ChangeRow, stored: Services
) -> tuple[float, float] | None:
    """Size and standard uncertainty of what was put in: as left, by its last measurement, or as new."""
    if left is not None:
        return left.mean, left.mean_u or 0.0
    if change.used:
        rows = [
            row
            for row in stored.components.get(change.component_id or 0, [])
            if row.feature == feature.code and row.taken_at <= change.at
        ]
        return (rows[-1].mean, rows[-1].mean_u or 0.0) if rows else None
    return feature.new.middle, (feature.new.max - feature.new.min) / np.sqrt(12.0)


def _add(rates: Rates, service: ServiceRow, opened: Opened, span: Span, ledger: Ledger, ground_of: GroundOf) -> None:
    row, at_found, at_done = len(rates.services), ledger.at(span.found), ledger.at(span.done)
    rates.services.append(service)
    rates.growth_u.append(opened.growth_u)
    for entry in ledger.entries:
        ground = None if entry.since is None or entry.rate_m_h is None else ground_of(entry.amounts)
        if ground is None:
            continue
        since, until = to_micros(entry.since), to_micros(entry.until)
        middle = ledger.at((since + until) / 2)
        after = span.side(since, until, middle)
        if after is None:
            continue
        if after:
            clearance = opened.after * (middle - at_done)
        else:
            clearance = opened.growth + opened.before * (middle - at_found)
        rates.service.append(row)
        rates.ground.append(ground)
        rates.after.append(after)
        rates.rate.append(float(entry.rate_m_h or 0.0))
        rates.pressure.append(float("nan") if entry.pressure_bar is None else entry.pressure_bar)
        rates.clearance.append(clearance)


def _ledger(kind: ToolType, usage: Sequence[UsageRow]) -> Ledger:
    times: list[float] = []
    run: list[float] = []
    total = 0.0
    for entry in usage:
        if entry.since is not None:
            times.append(to_micros(entry.since))
            run.append(total)
        total += sum(_weighed(amount, kind) for amount in entry.amounts) / PER_UNIT
        times.append(to_micros(entry.until))
        run.append(total)
    return Ledger(usage, np.array(times, np.float64), np.array(run))


def _weighed(amount: Mapping[str, Any], kind: ToolType) -> float:
    size = float(amount.get(kind.life_basis) or 0.0)
    ground = amount.get("ground")
    return size * sum(share * kind.ground_factors.get(name, 1.0) for name, share in ground.items()) if ground else size
