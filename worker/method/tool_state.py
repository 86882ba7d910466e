"""From the verdicts of sizes, fits, offsets and checks to parts and the state of the tool (contract, section 4).

Rules of this file:

1. Everything is elementwise over r situations (rows) of tools of one type; columns are the type's slots (a feature
   at a position), places (a part at a position), fits and offsets.
2. A verdict is `worker.method.verdicts.Verdict` as an integer, or `NONE` where there is none: nothing was ever
   measured of what is fitted now. The most severe of several is their maximum, because the numbers say so.
3. What the verdicts are of, and which is the newest that still counts, is the caller's business.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from enum import IntEnum

import numpy as np
from numpy.typing import ArrayLike, NDArray

from worker.method.verdicts import Verdict

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

NONE = -1
"""No verdict."""
EQUAL_SHARES = 0.10
"""Both parts of a fit are blamed where their shares of the way used up differ by no more. Contract, section 4."""


class ToolState(IntEnum):
    """States of a tool in order of severity."""

    SERVICEABLE = 0
    MONITOR = 1
    REMEASURE = 2
    SERVICE_DUE = 3


@dataclass(frozen=True, slots=True)
class Anatomy:
    """How the slots, fits and offsets of a tool type hang on its places.

    Attributes
    ----------
    slot_place : ndarray of int, shape (slots,)
        Place of each slot.
    fit_bore, fit_shaft : ndarray of int, shape (fits,)
        Slots of each fit.
    offset_larger, offset_smaller : ndarray of int, shape (offsets,)
        Slots of each offset.
    allowed : ndarray, shape (slots,)
        Wear at the discard size, [mm]; NaN without one.
    fit_growth : ndarray, shape (fits,)
        The fit's discard clearance less its new one, [mm]; NaN without a discard.
    matched : ndarray of bool, shape (places,)
        The part is one of a matched set.
    """

    slot_place: Ints
    fit_bore: Ints
    fit_shaft: Ints
    offset_larger: Ints
    offset_smaller: Ints
    allowed: Floats
    fit_growth: Floats
    matched: Bools


@dataclass(frozen=True, slots=True)
class Findings:
    """What holds in each situation: the newest verdict of everything, as rows of r situations.

    Attributes
    ----------
    size, fit, offset : ndarray of int, shape (r, slots), (r, fits), (r, offsets)
        Verdicts, `NONE` where there is none.
    check : ndarray of int, shape (r, places)
        The most severe of the checks of the part there, stops left out.
    stop : ndarray of int, shape (r, places)
        ``REMEASURE`` where a stop holds, else `NONE`.
    wear : ndarray, shape (r, slots)
        Wear of the worst place, [mm]; NaN where it was not measured.
    loss, loss_by_fit : ndarray, shape (r,) and (r, fits)
        Performance lost, and its share by fit, [-]; NaN = not known.
    matched_with : ndarray of int, shape (r, places)
        Number of the matched set of the component there; equal numbers belong together.
    inspected : ndarray of bool, shape (r,)
        The tool has been inspected.
    """

    size: Ints
    fit: Ints
    offset: Ints
    check: Ints
    stop: Ints
    wear: Floats
    loss: Floats
    loss_by_fit: Floats
    matched_with: Ints
    inspected: Bools


@dataclass(frozen=True, slots=True)
class PartVerdicts:
    """What follows for the parts and the tool.

    Attributes
    ----------
    place : ndarray of int, shape (r, places)
        Verdict of the component in each place, `NONE` where nothing says anything of it.
    bore_blamed, shaft_blamed : ndarray of bool, shape (r, fits)
        Which side is discarded for a fit beyond its limit.
    losing : ndarray of int, shape (r,)
        Fit whose parts are watched for the loss; -1 = none.
    by_set : ndarray of bool, shape (r, places)
        Discarded only because another of its set is.
    state : ndarray of int, shape (r,)
        `ToolState`.
    """

    place: Ints
    bore_blamed: Bools
    shaft_blamed: Bools
    losing: Ints
    by_set: Bools
    state: Ints


def judge_parts(anatomy: Anatomy, found: Findings, service_loss: float, monitor_fraction: float) -> PartVerdicts:
    """Verdicts of the parts and states of the tools. [contract 4, "How verdicts become states"]

    Parameters
    ----------
    anatomy : Anatomy
    found : Findings
        r situations.
    service_loss : float
        Loss at which service is due, [-].
    monitor_fraction : float
        Share of it at which the tool is watched, [-].

    Returns
    -------
    PartVerdicts
        r situations.
    """
    bore, shaft = blame(anatomy, found)
    place = np.maximum(found.check, found.stop)
    _raise(place, anatomy.slot_place, found.size)
    beyond = found.fit == Verdict.DISCARD
    short_of_discard = np.where(beyond, NONE, found.fit)
    for slots, blamed in ((anatomy.fit_bore, bore), (anatomy.fit_shaft, shaft)):
        _raise(place, anatomy.slot_place[slots], short_of_discard)
        _raise(place, anatomy.slot_place[slots], np.where(blamed, Verdict.DISCARD, NONE))
    for slots in (anatomy.offset_larger, anatomy.offset_smaller):
        _raise(place, anatomy.slot_place[slots], found.offset)
    due, watched = found.loss >= service_loss, found.loss >= monitor_fraction * service_loss
    losing = _most_losing(found.loss_by_fit, due | watched)
    for row in np.flatnonzero(losing >= 0).tolist():
        at = anatomy.slot_place[[anatomy.fit_bore[losing[row]], anatomy.fit_shaft[losing[row]]]]
        place[row, at] = np.maximum(place[row, at], Verdict.MONITOR)
    place, by_set = _with_their_sets(anatomy.matched, found.matched_with, place)
    place[~found.inspected] = Verdict.REMEASURE
    return PartVerdicts(place, bore, shaft, losing, by_set, _states(found, place, beyond, due, watched))


def blame(anatomy: Anatomy, found: Findings) -> tuple[Bools, Bools]:
    """Which side of a fit is discarded where the fit is beyond its limit and neither size is.

    Parameters
    ----------
    anatomy : Anatomy
    found : Findings

    Returns
    -------
    bore, shaft : ndarray of bool, shape (r, fits)
        The side with the larger share of its own way used up, both where the shares differ by at most 0.10 or one
        of them is not known.
    """
    sizes = [found.size[:, side] for side in (anatomy.fit_bore, anatomy.fit_shaft)]
    alone = (found.fit == Verdict.DISCARD) & (sizes[0] != Verdict.DISCARD) & (sizes[1] != Verdict.DISCARD)
    bore, shaft = (
        share_used(found.wear[:, side], anatomy.allowed[side], anatomy.fit_growth)
        for side in (anatomy.fit_bore, anatomy.fit_shaft)
    )
    lead = bore - shaft
    unknown = np.isnan(lead)
    # a rounding beside the tie is still a tie
    tie = EQUAL_SHARES + 1e-9
    return alone & (unknown | (lead >= -tie)), alone & (unknown | (lead <= tie))


def share_used(wear: ArrayLike, allowed: ArrayLike, fit_growth: ArrayLike) -> Floats:
    """Share of a size's own way used up; without a discard size of its own, of what the fit allows.

    Examples
    --------
    >>> share_used([0.05, 0.05], [0.10, np.nan], [0.13, 0.125]).round(3)
    array([0.5, 0.4])
    """
    own = np.asarray(allowed, float)
    way = np.where(np.isnan(own), np.asarray(fit_growth, float), own)
    share = np.full(np.broadcast_shapes(np.shape(wear), way.shape), np.nan)
    np.divide(np.asarray(wear, float), way, out=share, where=np.isfinite(way) & (way > 0))
    return share


def _raise(place: Ints, at: Ints, verdict: Ints) -> None:
    """Let each place have the most severe of its own and some columns' verdicts."""
    for column, where in enumerate(at.tolist()):
        np.maximum(place[:, where], verdict[:, column], out=place[:, where])


def _most_losing(loss_by_fit: Floats, watched: Bools) -> Ints:
    if not loss_by_fit.shape[1]:
        return np.full(len(loss_by_fit), NONE)
    worst = np.argmax(np.nan_to_num(loss_by_fit, nan=-1.0), axis=1)
    return np.where(watched, worst, NONE)


def _with_their_sets(matched: Bools, matched_with: Ints, place: Ints) -> tuple[Ints, Bools]:
    """A discard of one of a matched set discards every fitted member of it."""
    by_set = np.zeros(place.shape, np.bool_)
    columns = np.flatnonzero(matched)
    for row in np.flatnonzero((place[:, columns] == Verdict.DISCARD).any(axis=1)).tolist():
        sets = {int(matched_with[row, c]) for c in columns if place[row, c] == Verdict.DISCARD}
        for column in columns.tolist():
            if int(matched_with[row, column]) in sets and place[row, column] != Verdict.DISCARD:
                by_set[row, column] = True
    return np.where(by_set, Verdict.DISCARD, place), by_set


def _states(found: Findings, place: Ints, beyond: Bools, due: Bools, watched: Bools) -> Ints:
    said = np.concatenate([place, found.size, found.fit, found.offset], axis=1)
    discard = (said == Verdict.DISCARD).any(axis=1) | beyond.any(axis=1) | due
    again = (said == Verdict.REMEASURE).any(axis=1) | ~found.inspected
    watch = (said == Verdict.MONITOR).any(axis=1) | watched
    states = (ToolState.SERVICE_DUE, ToolState.REMEASURE, ToolState.MONITOR)
    return np.select((discard, again, watch), states, ToolState.SERVICEABLE).astype(np.int64)


def run_down(state: ArrayLike, at_event: ArrayLike, now: ArrayLike) -> Ints:
    """State of a tool that has used up what was left since its last event. [contract 4, last row of the table]

    Parameters
    ----------
    state : array_like of int, shape (r,)
        `ToolState` of the event.
    at_event, now : array_like, shape (r, 3)
        10, 50 and 90 % points of the governing limit at the event, and less the usage since.

    Returns
    -------
    ndarray of int, shape (r,)
        ``SERVICE_DUE`` where a p50 above 0 has run down to 0, at least ``MONITOR`` where a p10 has.

    Examples
    --------
    >>> run_down([0, 0, 2], [[5, 50, 90]] * 3, [[0, 10, 50], [0, 0, 30], [0, 9, 40]]).tolist()
    [1, 3, 2]
    """
    then, left = np.asarray(at_event, float), np.asarray(now, float)
    ended = (then > 0) & (left <= 0)
    least = np.where(ended[:, 1], ToolState.SERVICE_DUE, np.where(ended[:, 0], ToolState.MONITOR, 0))
    return np.maximum(np.asarray(state, np.int64), least)


def check_verdict(result: str, on_fail: str) -> int:
    """Verdict of one check.

    Parameters
    ----------
    result : str
        ``pass``, ``fail`` or ``not-done``.
    on_fail : str
        ``monitor``, ``discard`` or ``stop``.

    Returns
    -------
    int
        `Verdict`, or `NONE` for a check that was not done and stops nothing.
    """
    if result == "pass":
        return int(Verdict.SERVICEABLE)
    if on_fail == "stop":
        return int(Verdict.REMEASURE)
    if result == "not-done":
        return NONE
    return int(Verdict.DISCARD if on_fail == "discard" else Verdict.MONITOR)


def missed_checks(stage: str, checks: Iterable[tuple[str, str]], reported: Sequence[str]) -> list[str]:
    """Checks that an inspection should have answered and did not.

    Parameters
    ----------
    stage : str
        Of the inspection; only ``as_left`` can miss one.
    checks : iterable of (str, str)
        Code and stage of the catalogue's checks.
    reported : sequence of str
        Codes that the inspection answers.
    """
    if stage != "as_left":
        return []
    return [code for code, of_stage in checks if of_stage == "as_left" and code not in reported]


def stops_after(holding: frozenset[str], stage: str, results: Iterable[tuple[str, int]]) -> frozenset[str]:
    """Stops that hold after an inspection.

    Parameters
    ----------
    holding : frozenset of str
        Stop checks that held before.
    stage : str
        Of the inspection.
    results : iterable of (str, int)
        Its stop checks with their verdicts.

    Returns
    -------
    frozenset of str
        A later as-found ends every stop, a later as-left that passes it ends one; what the inspection itself
        stops holds.

    Examples
    --------
    >>> sorted(stops_after(frozenset({"ring", "lock"}), "as_left", [("ring", 0)]))
    ['lock']
    """
    left = set() if stage == "as_found" else set(holding)
    for code, verdict in results:
        if verdict == Verdict.REMEASURE:
            left.add(code)
        elif verdict == Verdict.SERVICEABLE and stage == "as_left":
            left.discard(code)
    return frozenset(left)
