"""Under which reference data an inspection is assessed (contract 3, "What an assessment rests on").

An inspection rests on what was recorded when it was accepted. For a tool's newest inspection a new revision of the
catalogue, or a new version of what its fleet has taught, moves that on; once a later inspection has been accepted, it
stays where it is. Told from the times of acceptance alone, so that it does not matter when a worker came to it.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from service.store.assessment_inputs import InspectionRow, RevisionRow
from service.store.wear_models import VersionRow
from worker.wear_model import CATALOGUE


@dataclass(frozen=True, slots=True)
class Basis:
    """The moment up to which reference data counts, and what holds then.

    `wear_model` is the version of the learned wear, `CATALOGUE` where there was none.
    """

    as_of: datetime
    revision: int
    wear_model: int = CATALOGUE


def bases(
    inspections: Sequence[InspectionRow], revisions: Sequence[RevisionRow], models: Sequence[VersionRow] = ()
) -> list[Basis]:
    """Return what each inspection of one tool rests on.

    Parameters
    ----------
    inspections : sequence of InspectionRow
        All that stand, in the order of time.
    revisions : sequence of RevisionRow
        Of the tool's type, in order.
    models : sequence of VersionRow
        Versions of its learned wear, in order.
    """
    recorded = [row.recorded_at for row in revisions]
    learned = [row.recorded_at for row in models]
    found = []
    succeeded: datetime | None = None  # when the first inspection later in time was accepted
    for row in reversed(inspections):
        as_of = max([row.inputs_as_of, *_newest(recorded, succeeded), *_newest(learned, succeeded)])
        known = max(bisect_right(recorded, as_of), 1)
        taught = bisect_right(learned, as_of)
        version = models[taught - 1].version if taught else CATALOGUE
        found.append(Basis(as_of, revisions[known - 1].revision, version))
        succeeded = row.created_at if succeeded is None else min(succeeded, row.created_at)
    return found[::-1]


def _newest(recorded: Sequence[datetime], until: datetime | None) -> Sequence[datetime]:
    """When the newest one until a moment was recorded; empty where there is none."""
    count = len(recorded) if until is None else bisect_right(recorded, until)
    return recorded[max(count - 1, 0) : count]
