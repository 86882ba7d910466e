"""Under which reference data an inspection is assessed (contract 3, "What an assessment rests on").

An inspection rests on what was recorded when it was accepted. For a tool's newest inspection a new revision of the
catalogue moves that on; once a later inspection has been accepted, it stays where it is. Told from the times of
acceptance alone, so that it does not matter when a worker came to it.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from service.store.assessment_inputs import InspectionRow, RevisionRow


@dataclass(frozen=True, slots=True)
class Basis:
    """The moment up to which reference data counts, and the catalogue revision of that moment."""

    as_of: datetime
    revision: int


def bases(inspections: Sequence[InspectionRow], revisions: Sequence[RevisionRow]) -> list[Basis]:
    """Return what each inspection of one tool rests on.

    Parameters
    ----------
    inspections : sequence of InspectionRow
        All that stand, in the order of time.
    revisions : sequence of RevisionRow
        Of the tool's type, in order.
    """
    recorded = [row.recorded_at for row in revisions]
    found = []
    succeeded: datetime | None = None  # when the first inspection later in time was accepted
    for row in reversed(inspections):
        newest = len(recorded) if succeeded is None else bisect_right(recorded, succeeded)
        as_of = max([row.inputs_as_of, *recorded[newest - 1 : newest]])
        known = max(bisect_right(recorded, as_of), 1)
        found.append(Basis(as_of, revisions[known - 1].revision))
        succeeded = row.created_at if succeeded is None else min(succeeded, row.created_at)
    return found[::-1]
