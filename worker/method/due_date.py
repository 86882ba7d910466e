"""Days until a limit, from the remaining usage and an uncertain rate of use (forecast method, section 5).

The usage per day is lognormal, so the days are a mixture of remaining usages: one median is never divided by the
other's.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtri, roots_hermitenorm

from worker.method.first_passage import Gap, passage_probability, reached
from worker.method.passage_never import never_reached
from worker.method.passage_quantile import increasing_root, normal_score, quantiles, search_range
from worker.method.remaining_life import QUANTILES, USAGE_UNIT

Floats = NDArray[np.float64]

# Usage is looked at in windows of this many days; the recent rate is that of the last three.
WINDOW_DAYS = 30.0
RECENT_WINDOWS = 3
YEAR_WINDOWS = 12
# How many windows of its own usage the tool's year and the fleet count for. Judgement.
YEAR_WEIGHT = 1.0
FLEET_WEIGHT = 0.5
# Variance of the log of a window's usage when little is known, and how many windows it counts for. Judgement.
WINDOW_VARIANCE = 0.25
WINDOW_VARIANCE_WEIGHT = 4.0
# Days beyond this are no date (a hundred years).
LONGEST_DAYS = 36525.0

_NODES, _WEIGHTS = roots_hermitenorm(9)
_WEIGHTS = _WEIGHTS / _WEIGHTS.sum()


@dataclass(frozen=True, slots=True)
class UsageRate:
    """Recent usage per day of tools, arrays of shape (tools,).

    Attributes
    ----------
    per_day : ndarray
        Central usage per day, exp(lm), [m/day] or [h/day]; 0 if the tool, its year and the fleet are all idle,
        NaN if nothing at all is on record.
    window_variance : ndarray
        Variance of the log of the usage of one window, [-].
    windows : ndarray
        Windows that the central rate rests on, those borrowed from the year and the fleet included.
    """

    per_day: Floats
    window_variance: Floats
    windows: Floats

    def at(self, index: NDArray[np.intp]) -> UsageRate:
        """Return the rates at an index."""
        return UsageRate(self.per_day[index], self.window_variance[index], self.windows[index])

    def log_sd(self, horizon_days: ArrayLike) -> Floats:
        """Standard deviation of the log rate over a horizon: ls of the method page.

        The variance of the mean and that of the windows to come, which averages out over the horizon.
        """
        ahead = np.maximum(np.asarray(horizon_days, dtype=np.float64) / WINDOW_DAYS, 1.0)
        return np.asarray(np.sqrt(self.window_variance * (1.0 / self.windows + 1.0 / ahead)))


def usage_rate(
    tool: ArrayLike,
    start_day: ArrayLike,
    end_day: ArrayLike,
    amount: ArrayLike,
    in_use_since: ArrayLike,
    today: float,
    fleet: ArrayLike | None = None,
) -> UsageRate:
    """Usage per day of the last 90 days, idle ones included, shrunk towards the tool's year and the fleet.

    Parameters
    ----------
    tool : array_like of int, shape (entries,)
        Row of the tool of each ledger entry.
    start_day, end_day : array_like, shape (entries,)
        Its interval, in days on any common clock, ``start < end``; usage is spread evenly over it.
    amount : array_like, shape (entries,)
        Usage in the life basis, [m] or [h].
    in_use_since : array_like, shape (tools,)
        Day from which a tool's days count, its commissioning or first entry; inf if it has not begun.
    today : float
        The day of the forecast on the same clock.
    fleet : array_like of int, shape (tools,), optional
        Number of the fleet that each tool belongs to, -1 = it stands for itself; all are one fleet by default.

    Returns
    -------
    UsageRate

    Notes
    -----
    The rate is a weighted mean of usage per day: the tool's recent days (up to 90), its year for 30 more and
    the fleet's recent days for 15, so that a tool idle for a season keeps a small rate and a new one borrows the
    fleet's. The window variance is that of the usage of the tool's windows over its year, relative to their mean
    squared, as log(1 + cv^2), pooled with the fleet's. Both weights are judgement.
    """
    since = np.asarray(in_use_since, dtype=np.float64)
    start, end, used_up = (np.asarray(column, dtype=np.float64) for column in (start_day, end_day, amount))
    days, used = _windows(np.asarray(tool, dtype=np.intp), start, end, used_up, since, today)
    recent_days, recent = days[:, :RECENT_WINDOWS].sum(axis=1), used[:, :RECENT_WINDOWS].sum(axis=1)
    year_days, year = days.sum(axis=1), used.sum(axis=1)
    crew = np.zeros(since.size, np.intp) if fleet is None else np.asarray(fleet, dtype=np.intp)
    fleet_days, fleet_use = _by_fleet(crew, recent_days), _by_fleet(crew, recent)
    year_weight = np.where(year_days > 0.0, YEAR_WEIGHT, 0.0)
    fleet_weight = np.where(fleet_days > 0.0, FLEET_WEIGHT, 0.0)
    windows = recent_days / WINDOW_DAYS + year_weight + fleet_weight
    total = (
        recent / WINDOW_DAYS
        + year_weight * year / np.maximum(year_days, 1e-9)
        + fleet_weight * fleet_use / np.maximum(fleet_days, 1e-9)
    )
    per_day = np.divide(total, windows, out=np.full(since.size, np.nan), where=windows > 0.0)
    return UsageRate(per_day, _window_variance(days, used, crew), np.where(windows > 0.0, windows, np.nan))


def _by_fleet(fleet: NDArray[np.intp], amount: Floats) -> Floats:
    """Sum over each tool's fleet; nothing for a tool that stands for itself."""
    total = np.bincount(fleet + 1, weights=amount, minlength=1)
    return np.asarray(np.where(fleet < 0, 0.0, total[fleet + 1]))


def _windows(
    tool: NDArray[np.intp], start: Floats, end: Floats, amount: Floats, since: Floats, today: float
) -> tuple[Floats, Floats]:
    """Days in use and usage of each tool in each of the last twelve windows, the newest first."""
    last = today - WINDOW_DAYS * np.arange(YEAR_WINDOWS)
    first = last - WINDOW_DAYS
    overlap = np.minimum(end[:, None], last) - np.maximum(start[:, None], first)
    share = np.maximum(overlap, 0.0) / (end - start)[:, None]
    used = np.zeros((since.size, YEAR_WINDOWS))
    np.add.at(used, tool, amount[:, None] * share)
    days = np.clip(last - np.maximum(since[:, None], first), 0.0, WINDOW_DAYS)
    return days, used


def _window_variance(days: Floats, used: Floats, fleet: NDArray[np.intp]) -> Floats:
    """Variance of the log usage of a window: each tool's own, pooled with the fleet's and a default."""
    whole = days >= 0.5 * WINDOW_DAYS
    n = whole.sum(axis=1)
    rate = np.where(whole, used / np.maximum(days, 1e-9), 0.0)
    mean = rate.sum(axis=1) / np.maximum(n, 1)
    usable = (n >= 2) & (mean > 0.0)
    squares = np.where(whole, (rate - mean[:, None]) ** 2, 0.0).sum(axis=1)
    freedom = np.where(usable, n - 1, 0)
    relative = np.where(usable, squares / np.where(mean > 0.0, mean, 1.0) ** 2, 0.0)
    pooled = _by_fleet(fleet, freedom.astype(np.float64))
    common = np.log1p(_by_fleet(fleet, relative) / np.maximum(pooled, 1))
    weight = WINDOW_VARIANCE_WEIGHT
    prior = (pooled * common + weight * WINDOW_VARIANCE) / (pooled + weight)
    own = np.log1p(relative / np.maximum(freedom, 1))
    return np.asarray((freedom * own + weight * prior) / (freedom + weight))


def due_days(gap: Gap, rate: UsageRate, used_since: ArrayLike = 0.0, probabilities: ArrayLike = QUANTILES) -> Floats:
    """Days within which a limit is reached with given probabilities.

    Parameters
    ----------
    gap : Gap, shape (n,)
        Of the limit that governs each tool, per unit of 1000 of the life basis in the ground to come.
    rate : UsageRate, shape (n,)
    used_since : array_like, shape (n,)
        Usage between the time of the gap and now, in the life basis, weighted as the gap's usage is.
    probabilities : array_like, shape (k,)

    Returns
    -------
    ndarray, shape (n, k)
        Days from now: 0 if the limit is reached with that probability by now, inf if it never is, if nothing is
        used, or if it lies more than a hundred years ahead; NaN without a gap or any usage on record.
    """
    p = np.atleast_1d(np.asarray(probabilities, dtype=np.float64))
    n = gap.shape[0]
    used = np.broadcast_to(np.asarray(used_since, dtype=np.float64), n)
    median = quantiles(gap, [0.5])[:, 0] * USAGE_UNIT - used
    speed = np.where(rate.per_day > 0.0, rate.per_day, 1.0)
    horizon = np.where(np.isfinite(median), np.maximum(median, 0.0) / speed, LONGEST_DAYS)
    log_rate, log_sd = np.log(speed), rate.log_sd(horizon)
    now = reached(gap, used / USAGE_UNIT)
    ever = 1.0 - never_reached(gap)
    result = np.where(p <= now[:, None], 0.0, np.inf)
    moving = (rate.per_day > 0.0) & np.isfinite(now)
    case, column = np.nonzero((p > now[:, None]) & (p < ever[:, None]) & moving[:, None])
    if case.size:
        result[case, column] = _root_days(
            gap.rows()[:, case], ndtri(p)[column], log_rate[case], log_sd[case], used[case] / USAGE_UNIT
        )
    result[result > LONGEST_DAYS] = np.inf
    result[~np.isfinite(now) | ~np.isfinite(rate.per_day)] = np.nan
    return result


def _root_days(rows: Floats, target: Floats, log_rate: Floats, log_sd: Floats, used: Floats) -> Floats:
    """Days at which the mixture over the rate of use reaches its target score."""
    unit_rate = log_rate - np.log(USAGE_UNIT)

    def score(index: NDArray[np.intp], x: Floats) -> Floats:
        part, total = rows[:, index], np.zeros(index.size)
        for node, weight in zip(_NODES, _WEIGHTS, strict=True):
            usage = used[index] + np.exp(x + unit_rate[index] + log_sd[index] * node)
            total += weight * passage_probability(part, usage)
        return normal_score(total)

    low, high = search_range(rows)
    low, high = low - unit_rate - 5.0 * log_sd, high - unit_rate + 5.0 * log_sd
    begin = np.clip(low + 9.0 * np.log(10.0) + 5.0 * log_sd, low, high)
    return np.asarray(np.exp(increasing_root(score, target, begin, np.ones_like(begin), low, high)))
