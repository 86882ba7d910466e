"""Status: what other systems query."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

from flask import Response

from service import access
from service.access import requires
from service.api import etag, fields
from service.api.answers import Answer, answer
from service.api.assessment_document import TOOL_STATES
from service.api.blueprint import Blueprint, asks, gives
from service.api.breakage import breakage_chances
from service.api.campaign import campaign_document, campaign_field, recalibrations
from service.api.ground_mix import GroundMix, Rescale, rescale
from service.api.paging import page, read_cursor
from service.api.query import PageQuery, UnitQuery
from service.api.schema import Document
from service.api.status_document import ToolStatus, status_document
from service.api.tools import find_tool
from service.store import status_read as store
from service.store.assessments_read import get_ground_factors
from service.store.errors import NotFound
from service.store.pool import Connection, transaction
from service.store.status_read import Status

blueprint = Blueprint("status", url_prefix="/v1", description="The state of each tool, for other systems")


class StatusQuery(UnitQuery):
    """How to show a status."""

    ground = GroundMix()
    campaign = campaign_field()


class FleetQuery(PageQuery, UnitQuery):
    """Which statuses."""

    site = fields.Name()
    state = fields.Choice(TOOL_STATES)
    tool_type = fields.Name()
    changed_since = fields.Moment(
        metadata={"description": "Only those written since, in the order they were written; else by serial"}
    )


class StatusPage(Document):
    """Statuses by serial, or with `changed_since` by the time they were written."""

    items = fields.ListOf(fields.Inner(ToolStatus), required=True)
    next = fields.Text(allow_none=True)


@blueprint.get("/tools/<tool>/status")
@requires("read")
@asks(StatusQuery)
@gives(200, ToolStatus, tagged=True)
def get_status(tool: str, query: dict[str, Any]) -> Response:
    """Return the status of a tool, for the components now fitted."""
    unit = query["unit"]
    planned = None
    with transaction() as conn:
        row = store.get_status(conn, tool)
        if row is None:
            raise NotFound("tool", tool)
        access.current().check_site(row.site_id)
        if "ground" in query:
            planned = _planned(conn, row, query["ground"])
        campaign = _campaign(conn, row, query["campaign"], planned) if "campaign" in query else None
    if planned is not None or campaign is not None:
        return answer(status_document(row, unit, planned, campaign))
    tag = etag.tag(row.sequence or 0, unit)
    return etag.not_modified(tag) or answer(status_document(row, unit), etag=tag)


@blueprint.get("/status")
@requires("read")
@asks(FleetQuery)
@gives(200, StatusPage, paged=True)
def list_statuses(query: dict[str, Any]) -> Answer:
    """List the statuses of the fleet."""
    filters: dict[str, Any] = {name: query.get(name) for name in ("site", "state", "tool_type")}
    filters |= {"limit": query["limit"] + 1, "site_id": access.current().site_id}

    def show(row: Status) -> dict[str, Any]:
        return status_document(row, query["unit"])

    if "changed_since" in query:
        mark = read_cursor(query, datetime, int)
        with transaction() as conn:
            rows = store.list_statuses_changed(
                conn,
                changed_since=query["changed_since"],
                after=mark,
                **filters,
            )
        return page(rows, query, key=lambda row: [row.updated_at, row.tool_id], show=show)
    after = read_cursor(query, str)
    with transaction() as conn:
        rows = store.list_statuses(conn, after=after[0] if after else "", **filters)
    return page(rows, query, key=lambda row: [row.tool], show=show)


def _planned(conn: Connection, row: Status, ground: str) -> Rescale:
    factors = get_ground_factors(conn, row.tool_type, wear_model=row.wear_model)
    return rescale(ground, row.ground_factor if row.sequence is not None else 1.0, factors)


def _campaign(conn: Connection, row: Status, campaign: float, planned: Rescale | None) -> dict[str, Any]:
    return campaign_document(
        store.list_limits(conn, row.tool_id),
        campaign,
        recalibrations(conn, row.tool_type, row.wear_model),
        row.used_since or 0.0,
        planned.ratio if planned else 1.0,
        breakage_chances(conn, find_tool(conn, row.tool), row.wear_model, datetime.now(UTC), campaign),
    )
