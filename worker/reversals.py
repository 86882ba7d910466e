"""Parts turned end for end: how often a component had been by a moment, and which end of it stands where.

Features are named by where they are in the tool. Turning a component moves what one end has worn to the other end's
place, so each reading belongs to an end of the component by how often it had been turned before. A reversal acts after
the readings of its as-found inspection, before those of its as-left one.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from service.store.assessment_inputs import InspectionRow
from worker.timeline import Stint, Timeline, reading_key

Ints = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Reversal:
    """One time that a component was turned; readings of a rank above `after` find it turned."""

    stint: Stint
    after: int
    moment_us: int


def find_reversals(
    inspections: Sequence[InspectionRow], rank: Ints, timeline: Timeline
) -> dict[int, tuple[Reversal, ...]]:
    """Every reversal of each component, in the order of time; a component without one is not there.

    Parameters
    ----------
    inspections : sequence of InspectionRow
    rank : ndarray of int
        Place of each in the order of time.
    timeline : Timeline
        Which says what sat in the places that were turned.
    """
    found: dict[int, list[Reversal]] = {}
    for n, row in enumerate(inspections):
        for entry in row.reversals or ():
            key = reading_key(row)
            stint = timeline.occupant(row.tool_id, (entry["part"], entry["position"]), key)
            after = int(rank[n]) - (row.stage == "as_left")
            found.setdefault(stint.instance, []).append(Reversal(stint, after, key[0]))
    return {instance: tuple(sorted(turns, key=lambda turn: turn.after)) for instance, turns in found.items()}


def times_turned(reversals: Mapping[int, Sequence[Reversal]], instance: Ints, rank: Ints) -> Ints:
    """How often each component had been turned before the readings of a rank; shapes broadcast."""
    instance, rank = np.broadcast_arrays(instance, rank)
    turned = np.zeros(instance.shape, np.int64)
    for one, turns in reversals.items():
        here = instance == one
        if here.any():
            turned[here] = np.searchsorted([turn.after for turn in turns], rank[here], side="left")
    return turned
