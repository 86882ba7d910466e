"""The derivation of an assessment: every budget line by line, and the formulas with their numbers. Stored nowhere."""

from __future__ import annotations

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
from service.api.derivation_results import line_in
from service.api.schema import in_unit
from service.api.second_opinion import Basis, CheckQuery
from service.problems import Declined
from service.store import assessments_read
from service.store.assessments_read import AssessmentHead
from service.store.errors import NotFound
from service.store.pool import Connection, transaction

blueprint = Blueprint(
    "derivation",
    url_prefix="/v1/inspections/<uuid:inspection_id>/assessment/derivation",
    description="How the figures of an assessment came about",
)


class DerivationQuery(CheckQuery):
    """Which assessment, and whether to check it."""

    version = fields.Count(
        low=1, metadata={"description": "An older assessment; default: of the inspection as it is now"}
    )


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
        basis = Basis(conn, _head(conn, inspection_id, query.get("version")))
    return answer(_in_unit(basis.derive(query), query["unit"]))


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


def _in_unit(document: dict[str, Any], unit: str) -> dict[str, Any]:
    if unit == "mm":
        return document
    per_mm = units.from_mm(1.0, unit)
    for one in (*document["sizes"], *document["clearances"]):
        for name in ("worst", "mean"):
            one[name]["budget"] = [line_in(line, unit, per_mm) for line in one[name]["budget"]]
    return in_unit(DERIVATION, document | {"unit": unit}, unit)
