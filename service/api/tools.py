"""Tools."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

from flask import Response

from service import access, faults, queue
from service.access import requires
from service.api import etag, fields
from service.api.answers import Answer, answer, nothing
from service.api.blueprint import Blueprint, asks, gives, takes
from service.api.paging import page, read_cursor
from service.api.query import PageQuery
from service.api.schema import Document, check
from service.faults import MAX_NOTE, Fault
from service.problems import Refused
from service.store import tools as store
from service.store.errors import NotFound
from service.store.pool import Connection, transaction
from service.store.tools import References, Tool, ToolFields
from service.store.usage_periods import derive_periods
from service.store.work import mark_dirty

blueprint = Blueprint("tools", url_prefix="/v1/tools", description="The hammers of the fleet")


class ToolBody(Document):
    """A tool as a client says it."""

    tool_type = fields.Name(required=True)
    site = fields.Name(required=True)
    air_setting = fields.Name(metadata={"description": "One of the tool type's `air_settings`"})
    history = fields.Choice(("new", "unknown"), load_default="new")
    commissioned_on = fields.Day(metadata={"description": "A day of the site: its usage begins then"})
    note = fields.Text(longest=MAX_NOTE)


class ToolAnswer(ToolBody):
    """A tool."""

    serial = fields.Name(required=True)
    version = fields.Count(required=True)
    created_at = fields.Moment(required=True)
    updated_at = fields.Moment(required=True)


class ToolPage(Document):
    """Tools by serial."""

    items = fields.ListOf(fields.Inner(ToolAnswer), required=True)
    next = fields.Text(allow_none=True)


class ToolsQuery(PageQuery):
    """Which tools."""

    site = fields.Name()
    tool_type = fields.Name()


TOOL_BODY = ToolBody()


@blueprint.put("/<tool>")
@requires("catalogue")
@takes(ToolBody, examples="tool", checked=False)
@gives(200, ToolAnswer, tagged=True)
@gives(201, ToolAnswer, tagged=True, located=True)
def put_tool(tool: str, body: Any) -> Answer:
    """Create or replace a tool. Its type can change until it is inspected or fitted."""
    with transaction() as conn:
        stored, new = _put(conn, tool, body)
    queue.hint()
    return _answer(stored, 201 if new else 200)


@blueprint.get("/<tool>")
@requires("read", "catalogue")
@gives(200, ToolAnswer, tagged=True)
def get_tool(tool: str) -> Response:
    """Return a tool."""
    with transaction() as conn:
        stored = find_tool(conn, tool)
    return etag.not_modified(etag.tag(stored.version)) or _answer(stored)


@blueprint.get("")
@requires("read", "catalogue")
@asks(ToolsQuery)
@gives(200, ToolPage, paged=True)
def list_tools(query: dict[str, Any]) -> Answer:
    """List tools by serial."""
    after = read_cursor(query, str)
    with transaction() as conn:
        rows = store.list_tools(
            conn,
            after=after[0] if after else "",
            limit=query["limit"] + 1,
            site=query.get("site"),
            tool_type=query.get("tool_type"),
            site_id=access.current().site_id,
        )
    return page(rows, query, key=lambda row: [row.serial], show=_show)


@blueprint.delete("/<tool>")
@requires("catalogue")
@gives(204)
def delete_tool(tool: str) -> Response:
    """Delete a tool that nothing refers to."""
    with transaction() as conn:
        store.lock_tools(conn, [tool])
        stored = store.get_tool(conn, tool)
        etag.check_write(stored.version if stored else None)
        if stored is None:
            raise NotFound("tool", tool)
        access.current().check_site(stored.site_id)
        store.delete_tool(conn, stored)
    return nothing()


def find_tool(conn: Connection, serial: str) -> Tool:
    """Return a tool that the request may see.

    Raises
    ------
    NotFound, OutsideSite
    """
    stored = store.get_tool(conn, serial)
    if stored is None:
        raise NotFound("tool", serial)
    access.current().check_site(stored.site_id)
    return stored


def check_references(read: dict[str, Any], found: References, faults_so_far: list[Fault]) -> None:
    """Raise for everything wrong with a tool or component: its own faults, and names of nothing.

    Raises
    ------
    Refused, OutsideSite
    """
    if "tool_type" in read and found.tool_type_id is None:
        faults_so_far.append(faults.fault("/tool_type", "unknown-tool-type"))
    if "site" in read and found.site_id is None:
        faults_so_far.append(faults.fault("/site", "unknown-site"))
    if faults_so_far:
        raise Refused(faults_so_far)
    if found.site_id is not None:
        access.current().check_site(found.site_id)


def _put(conn: Connection, serial: str, body: Any) -> tuple[Tool, bool]:
    store.lock_tools(conn, [serial])
    stored = store.get_tool(conn, serial)
    if stored is not None:
        access.current().check_site(stored.site_id)
    etag.check_write(stored.version if stored else None)
    wanted = _read(conn, body)
    if stored is None:
        tool_id = store.add_tool(conn, serial, wanted)
        if tool_id is None:  # another request added it since we looked; theirs is replaced
            return _put(conn, serial, body)
        mark_dirty(conn, [tool_id], [datetime.now(UTC)])
    elif _fields_of(stored) != wanted:
        _replace(conn, stored, wanted)
    return find_tool(conn, serial), stored is None


def _read(conn: Connection, body: Any) -> ToolFields:
    read, found = check(TOOL_BODY, body)
    references = store.find_references(conn, read.get("tool_type"), read.get("site"))
    setting = read.get("air_setting")
    if setting is not None and references.document is not None:
        settings = [row["code"] for row in references.document["air_settings"]]
        if setting not in settings:
            found.append(faults.fault("/air_setting", "unknown-air-setting"))
    check_references(read, references, found)
    assert references.tool_type_id is not None and references.site_id is not None  # noqa: S101  just checked
    return ToolFields(
        tool_type_id=references.tool_type_id,
        site_id=references.site_id,
        air_setting=setting,
        history=read["history"],
        commissioned_on=read.get("commissioned_on"),
        note=read.get("note"),
    )


def _fields_of(tool: Tool) -> ToolFields:
    return ToolFields(
        tool_type_id=tool.tool_type_id,
        site_id=tool.site_id,
        air_setting=tool.air_setting,
        history=tool.history,
        commissioned_on=tool.commissioned_on,
        note=tool.note,
    )


def _replace(conn: Connection, stored: Tool, wanted: ToolFields) -> None:
    """Write the change, and have computed again what rests on it (a note moves nothing)."""
    if wanted.tool_type_id != stored.tool_type_id:
        store.refuse_if_tool_used(conn, stored)
    store.replace_tool(conn, stored.tool_id, wanted)
    if (wanted.commissioned_on, wanted.site_id) != (stored.commissioned_on, stored.site_id):
        derive_periods(conn, [stored.tool_id], [None])
    first = store.first_inspection_at(conn, stored.tool_id) or datetime.now(UTC)
    mark_dirty(conn, [stored.tool_id], [first])


def _show(tool: Tool) -> dict[str, Any]:
    return {
        "serial": tool.serial,
        "tool_type": tool.tool_type,
        "site": tool.site,
        "air_setting": tool.air_setting,
        "history": tool.history,
        "commissioned_on": tool.commissioned_on,
        "note": tool.note,
        "version": tool.version,
        "created_at": tool.created_at,
        "updated_at": tool.updated_at,
    }


def _answer(tool: Tool, status: int = 200) -> Answer:
    location = f"/v1/tools/{tool.serial}" if status == 201 else None
    return answer(_show(tool), status, etag=etag.tag(tool.version), location=location)
