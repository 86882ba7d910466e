"""Components."""

from __future__ import annotations

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
from service.api.tools import check_references
from service.store import components as store
from service.store.components import Component, ComponentFields
from service.store.errors import Conflict, NotFound
from service.store.pool import Connection, transaction
from service.store.tools import find_references
from service.store.work import mark_dirty

blueprint = Blueprint("components", url_prefix="/v1/components", description="Parts with a serial")

STATES = ("fitted", "stock", "scrapped")


class ComponentBody(Document):
    """A component as a client says it."""

    part = fields.Name(required=True)
    tool_type = fields.Name(required=True)
    site = fields.Name(required=True)
    set = fields.Name(metadata={"description": "Code of the matched set it belongs to"})
    state = fields.Choice(("stock", "scrapped"), metadata={"description": "Left out: `stock`, or as it was"})


class ComponentAnswer(Document):
    """A component, and where it is now."""

    serial = fields.Name(required=True)
    part = fields.Name(required=True)
    tool_type = fields.Name(required=True)
    site = fields.Name(required=True)
    set = fields.Name()
    state = fields.Choice(STATES, required=True)
    tool = fields.Name(metadata={"description": "The tool it is fitted in"})
    position = fields.Count(low=1)
    version = fields.Count(required=True)
    created_at = fields.Moment(required=True)
    updated_at = fields.Moment(required=True)


class ComponentPage(Document):
    """Components by serial."""

    items = fields.ListOf(fields.Inner(ComponentAnswer), required=True)
    next = fields.Text(allow_none=True)


class ComponentsQuery(PageQuery):
    """Which components."""

    site = fields.Name()
    tool_type = fields.Name()
    tool = fields.Name(metadata={"description": "Fitted in this tool now"})
    part = fields.Name()
    state = fields.Choice(STATES)


COMPONENT_BODY = ComponentBody()


@blueprint.put("/<component>")
@requires("catalogue")
@takes(ComponentBody, examples="component", checked=False)
@gives(200, ComponentAnswer, tagged=True)
@gives(201, ComponentAnswer, tagged=True, located=True)
def put_component(component: str, body: Any) -> Answer:
    """Create or replace a component. Its part and tool type can change until something refers to it."""
    with transaction() as conn:
        stored, new = _put(conn, component, body)
    queue.hint()
    return _answer(stored, 201 if new else 200)


@blueprint.get("/<component>")
@requires("read", "catalogue")
@gives(200, ComponentAnswer, tagged=True)
def get_component(component: str) -> Response:
    """Return a component."""
    with transaction() as conn:
        stored = find_component(conn, component)
    return etag.not_modified(_tag(stored)) or _answer(stored)


@blueprint.get("")
@requires("read", "catalogue")
@asks(ComponentsQuery)
@gives(200, ComponentPage, paged=True)
def list_components(query: dict[str, Any]) -> Answer:
    """List components by serial."""
    after = read_cursor(query, str)
    filters = {name: query.get(name) for name in ("site", "tool_type", "tool", "part", "state")}
    with transaction() as conn:
        rows = store.list_components(
            conn,
            after=after[0] if after else "",
            limit=query["limit"] + 1,
            site_id=access.current().site_id,
            **filters,
        )
    return page(rows, query, key=lambda row: [row.serial], show=_show)


@blueprint.delete("/<component>")
@requires("catalogue")
@gives(204)
def delete_component(component: str) -> Response:
    """Delete a component that nothing refers to."""
    with transaction() as conn:
        store.lock_component(conn, component)
        stored = store.get_component(conn, component)
        etag.check_write(stored.version if stored else None)
        if stored is None:
            raise NotFound("component", component)
        access.current().check_site(stored.site_id)
        store.delete_component(conn, stored)
    return nothing()


def find_component(conn: Connection, serial: str) -> Component:
    """Return a component that the request may see.

    Raises
    ------
    NotFound, OutsideSite
    """
    stored = store.get_component(conn, serial)
    if stored is None:
        raise NotFound("component", serial)
    access.current().check_site(stored.site_id)
    return stored


def _put(conn: Connection, serial: str, body: Any) -> tuple[Component, bool]:
    store.lock_component(conn, serial)
    stored = store.get_component(conn, serial)
    if stored is not None:
        access.current().check_site(stored.site_id)
    etag.check_write(stored.version if stored else None)
    wanted = _read(conn, body, stored)
    if stored is None:
        if store.add_component(conn, serial, wanted) is None:
            # another request added it since we looked; theirs is replaced
            return _put(conn, serial, body)
    elif _fields_of(stored) != wanted:
        _replace(conn, stored, wanted)
    return find_component(conn, serial), stored is None


def _read(conn: Connection, body: Any, stored: Component | None) -> ComponentFields:
    """Check a body; where it says no state, what a renewal made of the component stays."""
    read, found = check(COMPONENT_BODY, body)
    references = find_references(conn, read.get("tool_type"), read.get("site"))
    if references.document is not None and "part" in read:
        parts = [part["code"] for part in references.document["parts"]]
        if read["part"] not in parts:
            found.append(faults.fault("/part", "unknown-part"))
    check_references(read, references, found)
    assert references.tool_type_id is not None and references.site_id is not None  # noqa: S101  just checked
    return ComponentFields(
        part=read["part"],
        tool_type_id=references.tool_type_id,
        site_id=references.site_id,
        set_code=read.get("set"),
        state=read.get("state") or (stored.state_kept if stored else "stock"),
    )


def _fields_of(component: Component) -> ComponentFields:
    return ComponentFields(
        part=component.part,
        tool_type_id=component.tool_type_id,
        site_id=component.site_id,
        set_code=component.set_code,
        state=component.state_kept,
    )


def _replace(conn: Connection, stored: Component, wanted: ComponentFields) -> None:
    if wanted.state == "scrapped" != stored.state_kept and stored.state == "fitted":
        raise Conflict(
            "component-fitted",
            f"{stored.serial} is fitted in {stored.tool}: end that fitting first",
            tool=stored.tool,
            position=stored.position,
        )
    if (wanted.part, wanted.tool_type_id) != (stored.part, stored.tool_type_id):
        store.refuse_if_component_used(conn, stored)
    store.replace_component(conn, stored.component_id, wanted)
    tools = store.tools_of_component(conn, stored.component_id)
    if tools and wanted.set_code != stored.set_code:
        mark_dirty(conn, list(tools), list(tools.values()))


def _show(component: Component) -> dict[str, Any]:
    return {
        "serial": component.serial,
        "part": component.part,
        "tool_type": component.tool_type,
        "site": component.site,
        "set": component.set_code,
        "state": component.state,
        "tool": component.tool,
        "position": component.position,
        "version": component.version,
        "created_at": component.created_at,
        "updated_at": component.updated_at,
    }


def _answer(component: Component, status: int = 200) -> Answer:
    location = f"/v1/components/{component.serial}" if status == 201 else None
    return answer(_show(component), status, etag=_tag(component), location=location)


def _tag(component: Component) -> str:
    """Return the tag: fittings and renewals change what is shown without making another version."""
    if component.state == "stock":
        return etag.tag(component.version)
    place = f"-{component.tool}-{component.position}" if component.tool else ""
    return etag.tag(component.version, f"mm-{component.state}{place}")
