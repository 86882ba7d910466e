"""The derivation of an assessment: every budget line by line, and the formulas with their numbers. Stored nowhere."""

from __future__ import annotations

import threading
from typing import Any
from uuid import UUID

from flask import Response

from service import access, units
from service.access import requires
from service.api import fields
from service.api.answers import answer
from service.api.assessments import is_current
from service.api.blueprint import Blueprint, asks, gives, refuses
from service.api.derivation_document import DERIVATION, Derivation
from service.api.derivation_results import Check, Workings, line_in, same_before
from service.api.derivation_tables import Measured, lay_out, read_measured
from service.api.query import UnitQuery
from service.api.schema import in_unit
from service.catalogue import ToolType, from_document
from service.problems import Declined
from service.store import assessments_read, tool_types
from service.store.assessments_read import AssessmentHead
from service.store.errors import NotFound
from service.store.pool import Connection, transaction
from worker.method.monte_carlo import DRAWS, LEAST_DRAWS, MOST_DRAWS

blueprint = Blueprint(
    "derivation",
    url_prefix="/v1/inspections/<uuid:inspection_id>/assessment/derivation",
    description="How the figures of an assessment came about",
)
_room = threading.BoundedSemaphore(1)  # a million draws take a second of a processor and 100 MB
WAIT_S = 20.0  # for those of others
MOST_SEED = 2**32 - 1


class DerivationQuery(UnitQuery):
    """Which assessment, and whether to check it."""

    version = fields.Count(
        low=1, metadata={"description": "An older assessment; default: of the inspection as it is now"}
    )
    check = fields.Choice(("monte-carlo",), metadata={"description": "A second opinion by drawing (JCGM 101)"})
    seed = fields.Count(high=MOST_SEED, metadata={"description": "Of the draws; default 1"})
    draws = fields.Count(low=LEAST_DRAWS, high=MOST_DRAWS, metadata={"description": f"Default {DRAWS}"})


@blueprint.get("")
@requires("read")
@asks(DerivationQuery)
@refuses(409, 503)
@gives(200, Derivation)
def get_derivation(inspection_id: UUID, query: dict[str, Any]) -> Response:
    """Return how every size and clearance of an assessment came about, computed anew from what is stored.

    With `check=monte-carlo` what is judged is also drawn; one at a time, 503 `busy` where too many wait.
    """
    with transaction() as conn:
        head = _head(conn, inspection_id, query.get("version"))
        kind = _tool_type(conn, head)
        measured = read_measured(conn, head)
        layout = lay_out(conn, kind, measured)
        clearances = assessments_read.list_clearances(conn, head)
    if query.get("check") is None:
        found = _derive(head, kind, measured, Workings(kind, layout), clearances)
    else:
        if not _room.acquire(timeout=WAIT_S):
            raise Declined("busy", "other assessments are being drawn", headers={"Retry-After": "5"})
        try:
            check = Check(query.get("draws", DRAWS), query.get("seed", 1))
            found = _derive(head, kind, measured, Workings(kind, layout, check), clearances)
        finally:
            _room.release()
    return answer(_in_unit(found, query["unit"]))


def _head(conn: Connection, inspection_id: UUID, version: int | None) -> AssessmentHead:
    head = assessments_read.get_assessment_head(conn, inspection_id, version)
    if head is None:
        raise NotFound("inspection", inspection_id)
    access.current().check_site(head.site_id)
    if version is None and not is_current(head):
        words = "there is no assessment of the inspection as it is now"
        raise Declined("not-assessed-yet", words, headers={"Retry-After": "1"})
    if head.version is None or head.tool_type is None:
        raise NotFound("assessment", f"{inspection_id} version {version}")
    return head


def _tool_type(conn: Connection, head: AssessmentHead) -> ToolType:
    assert head.tool_type is not None and head.revision is not None  # noqa: S101 - it was assessed
    kept = tool_types.get_revision(conn, head.tool_type, head.revision)
    return from_document(head.tool_type, head.revision, kept.document)


def _derive(
    head: AssessmentHead,
    kind: ToolType,
    measured: list[Measured],
    workings: Workings,
    clearances: list[dict[str, Any]],
) -> dict[str, Any]:
    subjects = workings.layout.subjects
    own = range(len(measured[0].sizes))
    before = {row: same_before(subjects, row) for row in own}
    at = {(subjects[row].feature, subjects[row].position): row for row in own if subjects[row].position is not None}
    found = []
    for stored in clearances:
        fit = kind.fit_by_code[stored["fit"]]
        sides = tuple(at[code, _position(kind, code, stored["position"])] for code in (fit.bore, fit.shaft))
        firsts = tuple(before[side] for side in sides)
        found.append(workings.clearance(fit, sides, None if None in firsts else firsts, stored))  # type: ignore[arg-type]
    sizes = [workings.size(row, before[row], measured[0].sizes[row]) for row in own]
    workings.draw()
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


def _position(kind: ToolType, feature: str, position: int | None) -> int:
    several = kind.quantity_of(kind.feature_by_code[feature].part) > 1
    return position if several and position is not None else 1


def _in_unit(document: dict[str, Any], unit: str) -> dict[str, Any]:
    if unit == "mm":
        return document
    per_mm = units.from_mm(1.0, unit)
    for one in (*document["sizes"], *document["clearances"]):
        for name in ("worst", "mean"):
            one[name]["budget"] = [line_in(line, unit, per_mm) for line in one[name]["budget"]]
    return in_unit(DERIVATION, document | {"unit": unit}, unit)
