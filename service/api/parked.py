"""Parked inspections: those that could not be computed, and the way back for them."""

from __future__ import annotations

from datetime import datetime
from typing import Any
from uuid import UUID

from flask import Response

from service import access, queue
from service.access import requires
from service.api import fields
from service.api.answers import Answer, answer
from service.api.blueprint import Blueprint, asks, gives, refuses
from service.api.inspection_document import InspectionLine
from service.api.inspection_intake import current
from service.api.inspection_record import show_line
from service.api.paging import page, read_cursor
from service.api.query import PageQuery
from service.api.schema import Document
from service.store import parked as store
from service.store.inspections import open_tool
from service.store.pool import transaction

blueprint = Blueprint("parked", url_prefix="/v1/parked", description="Inspections that could not be assessed")


class ParkedQuery(PageQuery):
    """Which ones."""

    tool = fields.Name()
    site = fields.Name()
    tool_type = fields.Name()


class ParkedPage(Document):
    """Failed inspections in the order they were parked, each with its problem; a correction brings one back, too."""

    items = fields.ListOf(fields.Inner(InspectionLine), required=True)
    next = fields.Text(allow_none=True)


@blueprint.get("")
@requires("read")
@asks(ParkedQuery)
@gives(200, ParkedPage, paged=True)
def list_parked(query: dict[str, Any]) -> Answer:
    """List the inspections that failed, in the order they were parked."""
    filters = {name: query.get(name) for name in ("tool", "site", "tool_type")}
    after = read_cursor(query, datetime, UUID)
    with transaction() as conn:
        rows = store.list_parked(
            conn, after=after, limit=query["limit"] + 1, site_id=access.current().site_id, **filters
        )
    return page(rows, query, key=lambda row: [row.updated_at, str(row.inspection_id)], show=show_line)


@blueprint.post("/<uuid:inspection_id>/retry")
@requires("intake")
@refuses(409)
@gives(202, InspectionLine, located=True)
def retry_parked(inspection_id: UUID) -> Response:
    """Compute a parked inspection again, with the inputs it was accepted with; its tool follows from there on."""
    with transaction() as conn:
        open_tool(conn, current(conn, inspection_id).tool)
        store.restart(conn, current(conn, inspection_id))
        document = show_line(current(conn, inspection_id))
    queue.hint()
    return answer(document, 202, location=f"/v1/inspections/{inspection_id}")
