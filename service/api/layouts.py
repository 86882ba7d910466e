"""Layouts of files of gauge readings: the built-in ones, and those that tell how a foreign export maps."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

import marshmallow as ma
from flask import Response

from service import layouts, units
from service.access import requires
from service.api import etag, fields
from service.api.answers import Answer, answer, nothing
from service.api.blueprint import Blueprint, asks, gives, refuses, streams, takes
from service.api.export_upload import CONTENT_TYPES
from service.api.gauge_exports import FaultAnswer
from service.api.layout_trial import read_beginning, run_trial
from service.api.paging import page, read_cursor
from service.api.query import PageQuery
from service.api.schema import Document
from service.faults import fault, pointer
from service.layouts import BUILT_IN, columns_of
from service.problems import Declined, Refused
from service.store import layouts as store
from service.store.errors import NotFound
from service.store.layouts import StoredLayout
from service.store.pool import Connection, transaction

blueprint = Blueprint("layouts", url_prefix="/v1/layouts", description="How files of gauge readings are laid out")

COLUMNS = tuple(dict.fromkeys(columns_of("readings") + columns_of("checks")))


class FeatureCodes(fields.Table):
    """Their codes, whatever they are, to ours."""

    def __init__(self, **more: Any) -> None:
        super().__init__(fields.FeatureName(), most=10_000, **more)
        self.key_field = fields.Text(shortest=1, longest=200, also=[_check_bare])


def _check_bare(code: str) -> None:
    if code != code.strip(" \t\u00a0"):
        raise ma.ValidationError("invalid|has a blank at an end; cells are read without, so that none would match")


class TimestampForm(fields.Text):
    """A strptime form."""

    def __init__(self, **more: Any) -> None:
        super().__init__(longest=100, also=[_check_form], **more)


def _check_form(form: str) -> None:
    moment = datetime(2026, 3, 1, 9, 30, 15, tzinfo=UTC)
    try:
        read = datetime.strptime(moment.strftime(form), form)  # noqa: DTZ007 - whether it can be read is all
    except ValueError:
        raise ma.ValidationError("invalid|cannot be read back: it must be a form of strptime") from None
    if read.date() != moment.date():
        raise ma.ValidationError("invalid|must say year, month and day")


class LayoutBody(Document):
    """A layout as a client says it; what is left out is found in each file, or has our own names."""

    kind = fields.Choice(("readings", "checks"), load_default="readings")
    delimiter = fields.Choice(("auto", *layouts.DELIMITERS), load_default="auto")
    decimal = fields.Choice(("auto", ".", ","), load_default="auto")
    encoding = fields.Choice(("auto", *layouts.ENCODINGS), load_default="auto")
    header_row = fields.Count(low=1, high=10_000, metadata={"description": "Left out: found"})
    columns = fields.Table(
        fields.Text(shortest=1, longest=200),
        keys=COLUMNS,
        metadata={
            "description": "Our column to theirs. Where a file has day and time apart, the day is `taken_at` and the "
            "time `time_of_day`: they are read as one, a blank between them"
        },
    )
    constants = fields.Table(
        fields.Text(shortest=1), keys=COLUMNS, metadata={"description": "Our column to the text of every row"}
    )
    feature_codes = FeatureCodes(metadata={"description": "Their code to ours, `part.feature`"})
    timestamp = TimestampForm(metadata={"description": "strptime form of `taken_at`; left out: RFC 3339"})
    time_zone = fields.TimeZone(
        metadata={
            "description": "Of times that do not say theirs. When clocks are put back, an hour comes twice: the first "
            "is meant. When they are put forward, an hour never comes: its times are faults"
        }
    )
    unit = fields.Choice(
        units.ROW_UNITS,
        code="bad-unit",
        metadata={"description": "Of every length, where neither a column nor the header says it"},
    )


class LayoutAnswer(LayoutBody):
    """A layout."""

    code = fields.Name(required=True)
    revision = fields.Count(required=True, metadata={"description": "0 of the layouts that are built in"})


class LayoutPage(Document):
    """Layouts by code."""

    items = fields.ListOf(fields.Inner(LayoutAnswer), required=True)
    next = fields.Text(allow_none=True)


class TrialAnswer(Document):
    """What a layout makes of the first rows of a file; what rows name is not looked up."""

    header_row = fields.Count(allow_none=True)
    delimiter = fields.Text(allow_none=True)
    columns = ma.fields.Dict(metadata={"description": "Our column to the name it has in the file"})
    unit = fields.Text(allow_none=True)
    total = fields.Count(metadata={"description": "Rows read"})
    rows = fields.ListOf(ma.fields.Dict(), metadata={"description": "The first rows, by our columns"})
    faults = fields.ListOf(fields.Inner(FaultAnswer))


@blueprint.put("/<code>")
@requires("catalogue")
@takes(LayoutBody, examples="layout")
@gives(200, LayoutAnswer, tagged=True)
@gives(201, LayoutAnswer, tagged=True, located=True)
def put_layout(code: str, body: dict[str, Any]) -> Answer:
    """Create or replace a layout; exports already sent are read by the revision they were sent under."""
    if code in BUILT_IN:
        raise Declined("built-in", f"the layout {code} is built in")
    _check(body)
    with transaction() as conn:
        found, status = _put(conn, code, body)
    return _answer(found, status)


@blueprint.get("/<code>")
@requires("read")
@gives(200, LayoutAnswer, tagged=True)
def get_layout(code: str) -> Response:
    """Return a layout."""
    with transaction() as conn:
        found = _found(conn, code)
    return etag.not_modified(etag.tag(found.revision)) or _answer(found)


@blueprint.get("")
@requires("read")
@asks(PageQuery)
@gives(200, LayoutPage, paged=True)
def list_layouts(query: dict[str, Any]) -> Answer:
    """List layouts by code, the built-in ones among them."""
    after = read_cursor(query, str)
    begin = after[0] if after else ""
    with transaction() as conn:
        rows = store.list_layouts(conn, begin, query["limit"] + 1)
    rows += [_built_in(code) for code in BUILT_IN if code > begin]
    rows.sort(key=lambda row: row.code)
    return page(rows[: query["limit"] + 1], query, key=lambda row: [row.code], show=_show)


@blueprint.delete("/<code>")
@requires("catalogue")
@gives(204)
def delete_layout(code: str) -> Response:
    """Delete a layout that no export was read by."""
    if code in BUILT_IN:
        raise Declined("built-in", f"the layout {code} is built in")
    with transaction() as conn:
        found = store.lock_layout(conn, code)
        etag.check_write(found.revision if found else None)
        if found is None:
            raise NotFound("layout", code)
        store.delete_layout(conn, found)
    return nothing()


@blueprint.post("/<code>/trial")
@requires("read", "intake")
@streams(*CONTENT_TYPES)
@refuses(503)
@gives(200, TrialAnswer)
def try_layout(code: str) -> Answer:
    """Show what a layout makes of the beginning of a file; nothing is stored."""
    with transaction() as conn:
        layout = _found(conn, code).as_layout()
    return answer(run_trial(layout, *read_beginning()))


def _check(body: dict[str, Any]) -> None:
    ours = columns_of(body["kind"])
    found = []
    for table in ("columns", "constants"):
        for name in body.get(table, {}):
            if name not in ours:
                found.append(fault(pointer(table, name), "unknown-column", f"is no column of {body['kind']}"))
    for name in body.get("constants", {}).keys() & body.get("columns", {}).keys():
        found.append(fault(pointer("constants", name), "duplicate", "is among the columns too"))
    if found:
        raise Refused(found)


def _put(conn: Connection, code: str, body: dict[str, Any]) -> tuple[StoredLayout, int]:
    there = store.lock_layout(conn, code)
    etag.check_write(there.revision if there else None)
    if there is not None and there.document == body:
        return there, 200
    store.save_layout(conn, code, body)
    return _found(conn, code), 201 if there is None else 200


def _found(conn: Connection, code: str) -> StoredLayout:
    found = _built_in(code) if code in BUILT_IN else store.find_layout(conn, code)
    if found is None:
        raise NotFound("layout", code)
    return found


def _built_in(code: str) -> StoredLayout:
    layout = BUILT_IN[code]
    names = ("kind", "delimiter", "decimal", "encoding", "header_row")
    return StoredLayout(0, code, 0, {name: getattr(layout, name) for name in names} | {"strict": True})


def _show(found: StoredLayout) -> dict[str, Any]:
    empty: dict[str, Any] = {"columns": {}, "constants": {}, "feature_codes": {}}
    more = dict.fromkeys(("header_row", "timestamp", "time_zone", "unit"))
    shown = {"code": found.code, "revision": found.revision} | more | empty | found.document
    shown.pop("strict", None)
    return shown


def _answer(found: StoredLayout, status: int = 200) -> Answer:
    location = f"/v1/layouts/{found.code}" if status == 201 else None
    return answer(_show(found), status, etag=etag.tag(found.revision), location=location)
