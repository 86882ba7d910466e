"""The derivation of an assessment computed anew from what is stored, and drawn where a second opinion is asked for."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from service.api import fields
from service.api.derivation_results import Check, Workings, same_before
from service.api.derivation_tables import Measured, lay_out, read_measured
from service.api.drawn_document import MonteCarlo
from service.api.query import UnitQuery
from service.api.schema import in_unit
from service.catalogue import ToolType, from_document
from service.problems import Declined
from service.store import assessments_read, tool_types
from service.store.assessments_read import AssessmentHead
from service.store.pool import Connection
from worker.method.monte_carlo import DRAWS, LEAST_DRAWS, MOST_DRAWS

_room = threading.BoundedSemaphore(1)  # a million draws take a second of a processor and 100 MB
_places = threading.BoundedSemaphore(2)  # whoever waits for the room keeps a thread from all other requests
WAIT_S = 20.0  # for those of others
MOST_SEED = 2**32 - 1
_DRAWN = MonteCarlo()
Clearances = list[dict[str, Any]]


class CheckQuery(UnitQuery):
    """Whether to check what is judged, and how."""

    check = fields.Choice(("monte-carlo",), metadata={"description": "A second opinion by drawing (JCGM 101)"})
    seed = fields.Count(high=MOST_SEED, metadata={"description": "Of the draws; default 1"})
    draws = fields.Count(low=LEAST_DRAWS, high=MOST_DRAWS, metadata={"description": f"Default {DRAWS}"})


@contextmanager
def _one_at_a_time() -> Iterator[None]:
    busy = Declined("busy", "other assessments are being drawn", headers={"Retry-After": "5"})
    if not _places.acquire(blocking=False):
        raise busy
    try:
        if not _room.acquire(timeout=WAIT_S):
            raise busy
        try:
            yield
        finally:
            _room.release()
    finally:
        _places.release()


class Basis:
    """What an assessment was computed from, read in the caller's transaction."""

    def __init__(self, conn: Connection, head: AssessmentHead) -> None:
        assert head.tool_type is not None and head.revision is not None  # noqa: S101 - it was assessed
        kept = tool_types.get_revision(conn, head.tool_type, head.revision)
        self.head = head
        self.kind: ToolType = from_document(head.tool_type, head.revision, kept.document)
        self.measured: list[Measured] = read_measured(conn, head)
        self.layout = lay_out(conn, self.kind, self.measured)
        self.clearances: Clearances = assessments_read.list_clearances(conn, head)

    def derive(self, query: dict[str, Any]) -> dict[str, Any]:
        """Return the derivation, lengths in mm, drawn where the query asks for it.

        Raises
        ------
        Declined
            503 ``busy``: one is being drawn and another waits, or it waited too long.
        """
        if query.get("check") is None:
            return self._derive(Workings(self.kind, self.layout))
        with _one_at_a_time():
            check = Check(query.get("draws", DRAWS), query.get("seed", 1))
            return self._derive(Workings(self.kind, self.layout, check))

    def _derive(self, workings: Workings) -> dict[str, Any]:
        subjects = self.layout.subjects
        own = range(len(self.measured[0].sizes))
        before = {row: same_before(subjects, row) for row in own}
        at = {(subjects[row].feature, subjects[row].position): row for row in own if subjects[row].position is not None}
        found = []
        for stored in self.clearances:
            fit = self.kind.fit_by_code[stored["fit"]]
            sides = tuple(at[code, self._position(code, stored["position"])] for code in (fit.bore, fit.shaft))
            firsts = tuple(before[side] for side in sides)
            found.append(
                workings.clearance(fit, sides, None if None in firsts else firsts, stored)  # type: ignore[arg-type]
            )
        sizes = [workings.size(row, before[row], self.measured[0].sizes[row]) for row in own]
        workings.draw()
        head = self.head
        return {
            "inspection": head.inspection_id,
            "inspection_version": head.inspection_version,
            "version": head.version,
            "inputs_as_of": head.inputs_as_of,
            "method": head.method,
            "tool_type": {"code": head.tool_type, "revision": head.revision},
            "unit": "mm",
            "sizes": sizes,
            "clearances": found,
        }

    def _position(self, feature: str, position: int | None) -> int:
        several = self.kind.quantity_of(self.kind.feature_by_code[feature].part) > 1
        return position if several and position is not None else 1


def add_opinions(document: dict[str, Any], derived: dict[str, Any]) -> None:
    """Put what was drawn of each size and clearance into the document of their assessment, in its unit.

    Parameters
    ----------
    document : dict
        As `assessment_document` returns it.
    derived : dict
        As `Basis.derive` does, of the same assessment.
    """
    for name, judged in (("sizes", None), ("clearances", "worst")):
        for shown, told in zip(document[name], derived[name], strict=True):
            drawn = told[judged or told["discard_on"]].get("monte_carlo")
            shown["monte_carlo"] = None if drawn is None else in_unit(_DRAWN, drawn, document["unit"])
