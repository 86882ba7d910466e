"""Tool types: the catalogue, in immutable revisions."""

from __future__ import annotations

from typing import Any

from flask import Response

from service import queue, units
from service.access import requires
from service.api import etag, fields
from service.api.answers import Answer, answer, nothing
from service.api.blueprint import Blueprint, asks, gives, takes
from service.api.paging import page, read_cursor
from service.api.query import PageQuery, UnitQuery
from service.api.schema import check, in_mm, in_unit
from service.api.tool_type_check import check_rules
from service.api.tool_type_document import ToolTypeAnswer, ToolTypeBody, ToolTypePage
from service.catalogue_defaults import canonical_defaults
from service.problems import Refused
from service.store import tool_types as store
from service.store.errors import NotFound
from service.store.pool import Connection, transaction
from service.store.tool_types import Revision

blueprint = Blueprint("tool-types", url_prefix="/v1/tool-types", description="The catalogue of hammer types")
_BODY = ToolTypeBody()
_ANSWER = ToolTypeAnswer()


class RevisionQuery(UnitQuery):
    """Which revision, in which unit."""

    revision = fields.Count(low=1, metadata={"description": "Default: the newest"})


@blueprint.put("/<code>")
@requires("catalogue")
@asks(UnitQuery)
@takes(ToolTypeBody, examples=("tool-type", "tool-type-reversible", "worked-example-tool-type"), checked=False)
@gives(200, ToolTypeAnswer, tagged=True)
@gives(201, ToolTypeAnswer, tagged=True, located=True)
def put_tool_type(code: str, body: Any, query: dict[str, Any]) -> Answer:
    """State what the maintenance manual says of a hammer type; a change makes a new revision."""
    document = _canonical(body)
    with transaction() as conn:
        revision, status = _put(conn, code, document, body)
    queue.hint()
    return _answer(revision, query["unit"], status)


@blueprint.get("/<code>")
@requires("read", "catalogue")
@asks(RevisionQuery)
@gives(200, ToolTypeAnswer, tagged=True)
def get_tool_type(code: str, query: dict[str, Any]) -> Response:
    """Return a catalogue entry: its newest revision, or an older one."""
    with transaction() as conn:
        revision = store.get_revision(conn, code, query.get("revision"))
    unit = query["unit"]
    return etag.not_modified(etag.tag(revision.revision, unit)) or _answer(revision, unit)


@blueprint.get("")
@requires("read", "catalogue")
@asks(PageQuery)
@gives(200, ToolTypePage, paged=True)
def list_tool_types(query: dict[str, Any]) -> Answer:
    """List the catalogue by code."""
    after = read_cursor(query, str)
    with transaction() as conn:
        rows = store.list_tool_types(conn, after and after[0], query["limit"] + 1)
    return page(rows, query, key=lambda line: [line.code], show=lambda line: line)


@blueprint.get("/<code>/revisions")
@requires("read", "catalogue")
@asks(PageQuery)
@gives(200, ToolTypePage, paged=True)
def list_revisions(code: str, query: dict[str, Any]) -> Answer:
    """List the revisions of a catalogue entry, oldest first."""
    after = read_cursor(query, int)
    with transaction() as conn:
        rows = store.list_revisions(conn, code, after[0] if after else 0, query["limit"] + 1)
    return page(rows, query, key=lambda line: [line.revision], show=lambda line: line)


@blueprint.delete("/<code>")
@requires("catalogue")
@gives(204)
def delete_tool_type(code: str) -> Response:
    """Delete a catalogue entry that no tool or component is of."""
    with transaction() as conn:
        newest = store.lock_tool_type(conn, code)
        etag.check_write(newest.revision if newest else None)
        if newest is None:
            raise NotFound("tool type", code)
        store.delete_tool_type(conn, newest)
    return nothing()


def _canonical(body: Any) -> dict[str, Any]:
    """Return the document in mm with every default, or refuse it with all its faults."""
    read, found = check(_BODY, body)
    document = in_mm(_BODY, read, read.get("unit", "mm"))
    found += check_rules(document, found)
    if found:
        raise Refused(found)
    return canonical_defaults(document)


def _put(conn: Connection, code: str, document: dict[str, Any], sent: Any) -> tuple[Revision, int]:
    newest = store.lock_tool_type(conn, code)
    etag.check_write(newest.revision if newest else None)
    if newest is None:
        added = store.add_tool_type(conn, code, document, sent)
        # None: another request added it since we looked, and has committed; ours comes after theirs.
        return (added, 201) if added else _put(conn, code, document, sent)
    # one stored before a field was there has its default
    now = canonical_defaults(newest.document)
    if units.alike(now, document | {"unit": now["unit"]}):
        return newest, 200
    return store.add_revision(conn, newest, document, sent), 200


def _answer(revision: Revision, unit: str, status: int = 200) -> Answer:
    head = {"code": revision.code, "revision": revision.revision, "recorded_at": revision.recorded_at}
    document = in_unit(_ANSWER, canonical_defaults(revision.document) | head | {"unit": unit}, unit)
    location = f"/v1/tool-types/{revision.code}" if status == 201 else None
    return answer(document, status, etag=etag.tag(revision.revision, unit), location=location)
