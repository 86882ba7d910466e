"""Assessments: what the readings of an inspection say."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any
from uuid import UUID

from flask import Response

from service import access
from service.access import requires
from service.api import etag, fields
from service.api.answers import answer
from service.api.assessment_document import Assessment, assessment_document
from service.api.blueprint import Blueprint, asks, gives, refuses, waits
from service.api.breakage import breakage_chances
from service.api.campaign import campaign_document, campaign_field, recalibrations
from service.api.ground_mix import GroundMix, rescale
from service.api.second_opinion import Basis, CheckQuery, add_opinions
from service.api.tools import find_tool
from service.api.waiting import applied, asked, hold
from service.problems import Declined
from service.store import assessments_read as store
from service.store.archive import refuse_archived
from service.store.assessments_read import AssessmentHead
from service.store.errors import NotFound
from service.store.pool import Connection, transaction

blueprint = Blueprint(
    "assessments",
    url_prefix="/v1/inspections/<uuid:inspection_id>/assessment",
    description="Sizes, clearances, verdicts, performance and remaining life",
)


class AssessmentQuery(CheckQuery):
    """Which assessment, and how to show it."""

    version = fields.Count(low=1, metadata={"description": "An older one; default: of the inspection as it is now"})
    ground = GroundMix()
    campaign = campaign_field()


@blueprint.get("")
@requires("read")
@asks(AssessmentQuery)
@waits()
@refuses(409, 503)
@gives(200, Assessment, tagged=True)
def get_assessment(inspection_id: UUID, query: dict[str, Any]) -> Response:
    """Return the assessment of an inspection; 404 `not-assessed-yet` until there is one of it as it is now.

    With `check=monte-carlo` what is judged is also drawn; one at a time, 503 `busy` where too many wait.
    """
    unit, version, ground = query["unit"], query.get("version"), query.get("ground")
    campaign = query.get("campaign")
    seconds = asked()

    def ready() -> dict[str, Any] | None:
        with transaction() as conn:
            return render_assessment(conn, inspection_id, version, unit, ground, campaign)

    document = hold(seconds, ready)
    if document is None:
        words = "there is no assessment of the inspection as it is now"
        raise Declined("not-assessed-yet", words, headers={"Retry-After": "1"})
    if query.get("check") is not None:
        with transaction() as conn:
            head = store.get_assessment_head(conn, inspection_id, document["version"])
            assert head is not None  # noqa: S101 - it was just read
            basis = Basis(conn, head)
        add_opinions(document, basis.derive(query))
    changed = ground or campaign or query.get("check")
    tag = None if changed else etag.tag(document["version"], unit)
    fresh = etag.not_modified(tag) if tag else None
    return applied(fresh or answer(document, etag=tag), seconds)


def render_assessment(
    conn: Connection,
    inspection_id: UUID,
    version: int | None = None,
    unit: str = "mm",
    ground: str | None = None,
    campaign: float | None = None,
) -> dict[str, Any] | None:
    """Return the document of an assessment; None while there is none of the inspection as it is now.

    Parameters
    ----------
    conn : Connection
    inspection_id : UUID
    version : int, optional
        Of the assessment: an older one.
    unit : str
        Of its lengths.
    ground : str, optional
        A planned mix, as `GroundMix` reads it.
    campaign : float, optional
        Usage to get through, in the life basis.

    Raises
    ------
    NotFound
        No such inspection, or no such version.
    OutsideSite
    Declined
        409 with its problem of an inspection that failed, ``inspection-withdrawn`` of one that was withdrawn.
    Conflict
        ``archived``.
    """
    head = store.get_assessment_head(conn, inspection_id, version)
    if head is None:
        raise NotFound("inspection", inspection_id)
    access.current().check_site(head.site_id)
    if version is None and not is_current(head):
        return None
    if head.version is None or head.tool_type is None:
        raise NotFound("assessment", f"{inspection_id} version {version}")
    planned = None
    if ground is not None:
        factors = store.get_ground_factors(conn, head.tool_type, head.revision, head.wear_model)
        planned = rescale(ground, head.ground_factor or 1.0, factors)
    limits, chances = store.list_limits(conn, head), None
    if not limits and head.taken_at is not None:
        refuse_archived(conn, head.taken_at)
    if campaign is not None:
        corrections = recalibrations(conn, head.tool_type, head.wear_model)
        chances = campaign_document(
            limits,
            campaign,
            corrections,
            ratio=planned.ratio if planned else 1.0,
            breakage=breakage_chances(
                conn, find_tool(conn, head.tool), head.wear_model, _before(head), campaign, head.taken_at
            ),
        )
    return assessment_document(
        head,
        store.list_sizes(conn, head),
        store.list_clearances(conn, head),
        limits,
        unit=unit,
        planned=planned,
        campaign=chances,
    )


def _before(head: AssessmentHead) -> datetime:
    """The moment of an inspection's readings: what an as-found inspection renews comes after them."""
    assert head.taken_at is not None  # noqa: S101 - it was assessed
    return head.taken_at - timedelta(microseconds=head.stage == "as_found")


def is_current(head: AssessmentHead) -> bool:
    """Whether the newest assessment is of the inspection as it is now.

    Raises
    ------
    Declined
        Where there will be none.
    """
    if head.inspection_state == "failed":
        words = (head.problem or {}).get("detail") or "the inspection could not be assessed"
        raise Declined("inspection-failed", words, problem=head.problem)
    if head.inspection_state == "withdrawn":
        words = "the inspection was withdrawn; its older assessments are read by ?version="
        raise Declined("inspection-withdrawn", words)
    return head.version is not None and head.inspection_version == head.current_version
