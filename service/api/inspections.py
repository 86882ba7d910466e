"""Inspections: readings in."""

from __future__ import annotations

from datetime import datetime
from typing import Any
from uuid import UUID

from flask import Response, request

from service import access, queue
from service.access import requires
from service.api import etag, fields
from service.api.answers import Answer, answer
from service.api.assessments import render_assessment
from service.api.blueprint import Blueprint, asks, gives, intake, keyed, refuses, takes, waits
from service.api.inspection_document import (
    STATES,
    AcceptedAnswer,
    BatchAnswer,
    BatchBody,
    InspectionBody,
    InspectionPage,
    RecordAnswer,
    VersionPage,
    WithdrawnAnswer,
)
from service.api.inspection_intake import ON_EXISTING, Accepted, accept, correct, current, withdraw
from service.api.inspection_record import show_line, show_record, show_version
from service.api.inspections_batch import accept_each
from service.api.paging import page, read_cursor
from service.api.query import PageQuery, UnitQuery
from service.api.waiting import applied, asked, hold
from service.store import inspections as store
from service.store.inspection_changes import Withdrawn
from service.store.inspections import Inspection
from service.store.pool import Connection, transaction
from service.store.usage_periods import total

blueprint = Blueprint("inspections", url_prefix="/v1/inspections", description="Readings of stripped hammers")

EXAMPLES = ("worked-example-inspection", "inspection-as-left", "inspection-reversal")


class OnExistingQuery(UnitQuery):
    """What to do where the tool has an inspection of this reference and stage already."""

    on_existing = fields.Choice(
        ON_EXISTING,
        load_default="refuse",
        metadata={"description": "Where the tool has an inspection of this reference and stage already"},
    )


class VersionsQuery(PageQuery, UnitQuery):
    """How many versions, and in which unit."""


class InspectionsQuery(PageQuery):
    """Which inspections."""

    tool = fields.Name()
    site = fields.Name()
    tool_type = fields.Name()
    state = fields.Choice(STATES)
    since = fields.Moment(data_key="from", metadata={"description": "Taken at this time or later"})
    until = fields.Moment(data_key="to", metadata={"description": "Taken before this time"})


def told(posted: Response) -> Response:
    """Tell the workers, and wait for them where the request prefers that."""
    queue.hint()
    seconds = asked()
    if seconds is None:
        return posted
    document = posted.document  # type: ignore[attr-defined]
    unit = request.args.get("unit", "mm")
    done = hold(seconds, lambda: _outcome(UUID(document["id"]), document["inspection_version"], unit))
    if not done:
        return applied(posted, seconds)
    status = 201 if posted.status_code == 202 else posted.status_code
    location = f"/v1/inspections/{document['id']}"
    return applied(answer(document | done, status, location=location), seconds)


def _outcome(inspection_id: UUID, version: int, unit: str) -> dict[str, Any] | None:
    """Return what became of one version; None while that is open, nothing where another took its place."""
    with transaction() as conn:
        progress = store.get_progress(conn, inspection_id)
        if progress is None or progress.inspection_version != version:
            return {}
        if progress.state == "failed":
            return {"state": "failed", "problem": progress.problem}
        if not progress.is_assessed:
            return None
        assessment = render_assessment(conn, inspection_id, unit=unit)
        return None if assessment is None else {"state": progress.state, "assessment": assessment}


def hinted(answered: Response) -> Response:
    """Tell the workers."""
    queue.hint()
    return answered


@blueprint.post("")
@requires("intake")
@intake
@asks(OnExistingQuery)
@takes(InspectionBody, examples=EXAMPLES, checked=False)
@keyed(told, waits=True)
@refuses(409)
@gives(200, AcceptedAnswer, located=True, description="The same source was there already")
@gives(201, AcceptedAnswer, located=True, description="Assessed, or failed (with `Prefer: wait`)")
@gives(202, AcceptedAnswer, located=True)
def post_inspection(conn: Connection, body: Any, query: dict[str, Any]) -> Answer:
    """Store the readings and checks of a strip-down; they are assessed at once after."""
    return _accepted(accept(conn, body, query["on_existing"]))


@blueprint.post("/batch")
@requires("intake")
@intake
@asks(OnExistingQuery)
@takes(BatchBody, examples="inspection-batch", checked=False)
@keyed(hinted)
@gives(200, BatchAnswer)
def post_batch(conn: Connection, body: Any, query: dict[str, Any]) -> Answer:
    """Store up to 500 inspections, each stored or refused by itself."""
    return answer({"items": accept_each(conn, body, query["on_existing"])})


@blueprint.get("")
@requires("read", "intake")
@asks(InspectionsQuery)
@gives(200, InspectionPage, paged=True)
def list_inspections(query: dict[str, Any]) -> Answer:
    """List inspections in the order of time, withdrawn ones too."""
    filters = {name: query.get(name) for name in ("tool", "site", "tool_type", "state", "since", "until")}
    after = read_cursor(query, datetime, UUID)
    with transaction() as conn:
        rows = store.list_inspections(
            conn,
            after=after,
            limit=query["limit"] + 1,
            site_id=access.current().site_id,
            **filters,
        )
    return page(rows, query, key=lambda row: [row.taken_at, str(row.inspection_id)], show=show_line)


@blueprint.get("/<uuid:inspection_id>")
@requires("read", "intake")
@asks(UnitQuery)
@refuses(409)
@gives(200, RecordAnswer, tagged=True)
def get_inspection(inspection_id: UUID, query: dict[str, Any]) -> Response:
    """Return an inspection as it is now, with all it says."""
    with transaction() as conn:
        head = current(conn, inspection_id)
        tag = _tag(head, query["unit"])
        return etag.not_modified(tag) or answer(show_record(conn, head, query["unit"]), etag=tag)


@blueprint.get("/<uuid:inspection_id>/versions")
@requires("read", "intake")
@asks(VersionsQuery)
@refuses(409)
@gives(200, VersionPage, paged=True)
def list_versions(inspection_id: UUID, query: dict[str, Any]) -> Answer:
    """Return the versions of an inspection, newest first."""
    unit, (before,) = query["unit"], read_cursor(query, int) or (None,)
    with transaction() as conn:
        head = current(conn, inspection_id)
        rows = store.list_versions(conn, head.inspection_id, before=before, limit=query["limit"] + 1)
        return page(
            rows,
            query,
            key=lambda row: [row.inspection_version],
            show=lambda row: show_version(conn, head, row, unit),
            head={"unit": unit},
        )


@blueprint.put("/<uuid:inspection_id>")
@requires("intake")
@intake
@asks(UnitQuery)
@takes(InspectionBody, examples=EXAMPLES, checked=False)
@waits()
@refuses(409)
@gives(200, AcceptedAnswer, tagged=True)
def put_inspection(inspection_id: UUID, body: Any, query: dict[str, Any]) -> Response:
    """Correct an inspection: anything but its tool, reference and stage."""
    with transaction() as conn:
        corrected = correct(conn, current(conn, inspection_id), body, etag.check_write)
    return told(_accepted(corrected, 200))


@blueprint.delete("/<uuid:inspection_id>")
@requires("intake")
@refuses(409)
@gives(200, WithdrawnAnswer)
def delete_inspection(inspection_id: UUID) -> Answer:
    """Withdraw an inspection; it stays readable, and the usage that goes with it is answered."""
    with transaction() as conn:
        withdrawn = withdraw(conn, current(conn, inspection_id), etag.check_write)
    queue.hint()
    return answer(_show_withdrawn(inspection_id, withdrawn))


def _accepted(accepted: Accepted, status: int | None = None) -> Answer:
    status = status or (202 if accepted.changed else 200)
    location = f"/v1/inspections/{accepted.inspection_id}"
    return answer(accepted.as_document(), status, location=location)


def _tag(head: Inspection, unit: str) -> str:
    """Return the tag of a record: it changes with its state, too, until it is assessed."""
    plain = head.state in ("assessed", "withdrawn")
    return etag.tag(head.inspection_version, unit if plain else f"{unit}-{head.state}")


def _show_withdrawn(inspection_id: UUID, withdrawn: Withdrawn) -> dict[str, Any]:
    carried = withdrawn.usage
    usage = None
    if carried is not None:
        usage = {
            "from": carried.since,
            "to": carried.until,
            "metres": total(carried.amounts, "metres"),
            "hours": total(carried.amounts, "hours"),
            "amounts": carried.amounts,
        }
    version = withdrawn.inspection_version
    return {"id": inspection_id, "state": "withdrawn", "inspection_version": version, "usage": usage}
