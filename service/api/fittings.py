"""Fittings posted by themselves; those that renewals make are derived from their inspections."""

from __future__ import annotations

from datetime import datetime
from typing import Any
from uuid import UUID

import marshmallow as ma
from flask import Response

from service import access, faults, queue
from service.access import requires
from service.api import etag, fields
from service.api.answers import Answer, answer, nothing
from service.api.blueprint import Blueprint, asks, gives, keyed, takes
from service.api.paging import page, read_cursor
from service.api.query import PageQuery
from service.api.schema import Document, check
from service.api.tools import find_tool
from service.faults import Fault
from service.problems import Refused
from service.store import fittings as store
from service.store.components import Component, get_component, lock_component
from service.store.errors import Conflict, NotFound
from service.store.fittings import Fitting, Place
from service.store.pool import Connection, transaction
from service.store.tools import Tool, get_type_of_tool, lock_tools
from service.store.work import mark_dirty, mark_followers

blueprint = Blueprint(
    "fittings", url_prefix="/v1/tools/<tool>/fittings", description="Which component sat where, and when"
)


class FittingBody(Document):
    """A component put into a tool."""

    component = fields.Name(required=True)
    position = fields.Count(low=1, metadata={"description": "Required where the part's quantity is over 1"})
    since = fields.Moment(required=True, past=True, data_key="from")
    until = fields.Moment(past=True, metadata={"description": "Left out: it is still there"})


class FittingChange(Document):
    """What is to be different; `until: null` opens a fitting that had ended."""

    component = fields.Name(allow_none=False)
    position = fields.Count(low=1, allow_none=False)
    since = fields.Moment(past=True, data_key="from", allow_none=False)
    until = fields.Moment(past=True)


class FittingSource(Document):
    """The inspection whose renewal made the fitting."""

    id = ma.fields.UUID(required=True)
    reference = fields.Name(required=True)
    stage = fields.Choice(("as_found", "as_left"), required=True)


class FittingAnswer(Document):
    """A fitting: half-open, `from` until before `until`."""

    id = ma.fields.UUID(required=True)
    tool = fields.Name(required=True)
    part = fields.Name(required=True)
    position = fields.Count(required=True)
    component = fields.Name(metadata={"description": "null: a component without a serial"})
    since = fields.Moment(required=True, data_key="from")
    until = fields.Moment()
    inspection = fields.Inner(FittingSource, metadata={"description": "null: posted by itself"})


class FittingPage(Document):
    """Fittings in the order of time."""

    items = fields.ListOf(fields.Inner(FittingAnswer), required=True)
    next = fields.Text(allow_none=True)


FITTING_BODY = FittingBody()
FITTING_CHANGE = FittingChange()


def _hinted(response: Response) -> Response:
    queue.hint()
    return response


@blueprint.post("")
@requires("catalogue")
@takes(FittingBody, examples="fitting", checked=False)
@keyed(_hinted)
@gives(201, FittingAnswer, located=True)
def post_fitting(conn: Connection, tool: str, body: Any) -> Answer:
    """Put a component into a position of a tool."""
    held = _hold(conn, tool)
    read, found = check(FITTING_BODY, body)
    place = _place(conn, held, read, found)
    _refuse_if_in_the_way(conn, place, read["component"])
    fitting_id = store.add_fitting(conn, place)
    _mark(conn, held, place.since)
    return _answer(find_fitting(conn, tool, fitting_id), 201)


@blueprint.get("/<uuid:fitting_id>")
@requires("read", "catalogue")
@gives(200, FittingAnswer, tagged=True)
def get_fitting(tool: str, fitting_id: UUID) -> Response:
    """Return a fitting."""
    with transaction() as conn:
        fitting = find_fitting(conn, tool, fitting_id)
    return etag.not_modified(_tag(fitting)) or _answer(fitting)


@blueprint.get("")
@requires("read", "catalogue")
@asks(PageQuery)
@gives(200, FittingPage, paged=True)
def list_fittings(tool: str, query: dict[str, Any]) -> Answer:
    """List a tool's fittings in the order of time, those that renewals made among them."""
    after = read_cursor(query, datetime, UUID)
    with transaction() as conn:
        tool_id = find_tool(conn, tool).tool_id
        rows = store.list_fittings(conn, tool_id, after=after, limit=query["limit"] + 1)
    return page(rows, query, key=lambda row: [row.since, row.fitting_id], show=_show)


@blueprint.patch("/<uuid:fitting_id>")
@requires("catalogue")
@takes(FittingChange, examples="fitting_change", checked=False)
@gives(200, FittingAnswer, tagged=True)
def patch_fitting(tool: str, fitting_id: UUID, body: Any) -> Answer:
    """End a fitting (`until`), or change it."""
    with transaction() as conn:
        held = _hold(conn, tool)
        fitting = _find_own(conn, tool, fitting_id)
        read, found = check(FITTING_CHANGE, body)
        place = _place(conn, held, _merged(fitting, read, body), found)
        _refuse_if_in_the_way(conn, place, read.get("component") or str(fitting.component), fitting_id)
        _mark(conn, held, fitting.since)
        store.change_fitting(conn, fitting_id, place)
        _mark(conn, held, place.since)
        changed = find_fitting(conn, tool, fitting_id)
    queue.hint()
    return _answer(changed)


@blueprint.delete("/<uuid:fitting_id>")
@requires("catalogue")
@gives(204)
def delete_fitting(tool: str, fitting_id: UUID) -> Response:
    """Take back a fitting that was posted by mistake; one that has come to an end is ended by PATCH."""
    with transaction() as conn:
        held = _hold(conn, tool)
        fitting = _find_own(conn, tool, fitting_id)
        _mark(conn, held, fitting.since)
        store.delete_fitting(conn, fitting_id)
    queue.hint()
    return nothing()


def find_fitting(conn: Connection, tool: str, fitting_id: UUID) -> Fitting:
    """Return a fitting of a tool that the request may see.

    Raises
    ------
    NotFound, OutsideSite
    """
    fitting = store.get_fitting(conn, tool, fitting_id)
    if fitting is None:
        raise NotFound("fitting", fitting_id)
    access.current().check_site(fitting.site_id)
    return fitting


def _hold(conn: Connection, tool: str) -> Tool:
    lock_tools(conn, [tool])
    return find_tool(conn, tool)


def _find_own(conn: Connection, tool: str, fitting_id: UUID) -> Fitting:
    """Return a fitting that was posted by itself and may be written.

    Raises
    ------
    Conflict
        Code ``derived-fitting``: a renewal made it.
    """
    fitting = find_fitting(conn, tool, fitting_id)
    etag.check_write(etag.content_version(_show(fitting)))
    if fitting.inspection_id is not None:
        raise Conflict(
            "derived-fitting",
            f"the fitting follows from inspection {fitting.reference} ({fitting.stage}): correct that",
            inspection=_source(fitting),
        )
    return fitting


def _merged(fitting: Fitting, read: dict[str, Any], body: Any) -> dict[str, Any]:
    """Return the whole fitting as the change leaves it."""
    before: dict[str, Any] = {
        "component": fitting.component,
        "position": fitting.position,
        "since": fitting.since,
        "until": fitting.until,
    }
    if isinstance(body, dict) and "until" in body and body["until"] is None:
        before["until"] = None
    return before | read


def _place(conn: Connection, tool: Tool, read: dict[str, Any], found: list[Fault]) -> Place:
    """Return where the component is to sit.

    Raises
    ------
    Refused
        For every fault of the body, references included.
    """
    component, since, until = None, read.get("since"), read.get("until")
    if since is not None and until is not None and until <= since:
        found.append(faults.fault("/until", "bad-interval"))
    position = read.get("position")
    if "component" in read:
        lock_component(conn, read["component"])
        component = get_component(conn, read["component"])
        position = _check_component(conn, tool, component, position, found)
    if found or component is None:
        raise Refused(found)
    access.current().check_site(component.site_id)
    if component.state_kept == "scrapped" and until is None:
        raise Conflict("component-scrapped", f"{component.serial} is scrapped: say first that it is in stock")
    assert since is not None and position is not None  # noqa: S101  else there were faults
    return Place(tool.tool_id, component.part, position, component.component_id, since, until)


def _check_component(
    conn: Connection, tool: Tool, component: Component | None, position: int | None, found: list[Fault]
) -> int | None:
    """Add what is wrong with the component in this tool; return its position."""
    if component is None:
        found.append(faults.fault("/component", "unknown-component"))
        return position
    tool_type = get_type_of_tool(conn, tool.tool_id)
    if component.tool_type_id != tool.tool_type_id or tool_type is None:
        words = f"is of tool type {component.tool_type}, the tool of {tool.tool_type}"
        found.append(faults.fault("/component", "wrong-tool-type", words))
        return position
    part = tool_type.part_by_code.get(component.part)
    if part is None:
        words = f"is a {component.part}, which the tool type no longer has"
        found.append(faults.fault("/component", "unknown-part", words))
    elif position is None and part.quantity > 1:
        words = f"is required: a tool has {part.quantity} of {part.code}"
        found.append(faults.fault("/position", "position-required", words))
    elif position is not None and position > part.quantity:
        words = f"must be 1 to {part.quantity}: a tool has so many of {part.code}"
        found.append(faults.fault("/position", "out-of-range", words))
    return position or 1


def _refuse_if_in_the_way(conn: Connection, place: Place, component: str, except_id: UUID | None = None) -> None:
    """Raise where the position, or the component, is taken in any part of the time.

    Raises
    ------
    Conflict
        Codes ``position-occupied`` and ``component-fitted``, naming the fittings in the way.
    """
    in_the_way = store.fittings_in_the_way(conn, place, except_id)
    elsewhere = [fitting for fitting in in_the_way if fitting.component_id == place.component_id]
    if elsewhere:
        where = f"{elsewhere[0].tool}, {elsewhere[0].part} {elsewhere[0].position}"
        shown = [_show(fitting) for fitting in elsewhere]
        raise Conflict("component-fitted", f"{component} sits in {where} then", fittings=shown)
    if in_the_way:
        holder = in_the_way[0].component or "an unnamed component"
        words = f"{place.part} {place.position} is held by {holder} in a part of that time"
        raise Conflict("position-occupied", words, fittings=[_show(fitting) for fitting in in_the_way])


def _mark(conn: Connection, tool: Tool, since: datetime) -> None:
    mark_dirty(conn, [tool.tool_id], [since])
    mark_followers(conn, tool.tool_id, since)


def _source(fitting: Fitting) -> dict[str, Any] | None:
    if fitting.inspection_id is None:
        return None
    return {"id": fitting.inspection_id, "reference": fitting.reference, "stage": fitting.stage}


def _show(fitting: Fitting) -> dict[str, Any]:
    return {
        "id": fitting.fitting_id,
        "tool": fitting.tool,
        "part": fitting.part,
        "position": fitting.position,
        "component": fitting.component,
        "from": fitting.since,
        "until": fitting.until,
        "inspection": _source(fitting),
    }


def _tag(fitting: Fitting) -> str:
    return etag.tag(etag.content_version(_show(fitting)))


def _answer(fitting: Fitting, status: int = 200) -> Answer:
    location = f"/v1/tools/{fitting.tool}/fittings/{fitting.fitting_id}" if status == 201 else None
    return answer(_show(fitting), status, etag=_tag(fitting), location=location)
