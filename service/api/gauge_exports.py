"""Gauge exports: a file of readings or check results in, read by a worker, its faults told row by row."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator
from typing import Any
from uuid import UUID

import marshmallow as ma
from flask import Response

from service import access, queue
from service.access import requires
from service.api import etag, fields
from service.api.answers import Answer, accepted, answer, nothing
from service.api.blueprint import Blueprint, asks, gives, intake, refuses, streams, waits
from service.api.export_upload import CONTENT_TYPES, Upload, drop, keep, sent_file
from service.api.idempotency import body_digest, once
from service.api.inspection_intake import ON_EXISTING
from service.api.paging import page, read_cursor
from service.api.query import PageQuery
from service.api.schema import Document
from service.api.waiting import applied, asked, hold
from service.faults import MAX_EXPORT_FAULTS, fault
from service.problems import Refused
from service.store import gauge_exports as store
from service.store.errors import NotFound
from service.store.export_withdrawal import take_out_export
from service.store.gauge_exports import Export, ExportFault, Terms
from service.store.layouts import get_layout
from service.store.pool import Connection, transaction

blueprint = Blueprint("gauge_exports", url_prefix="/v1/gauge-exports", description="Files of gauge readings")

STATES = ("received", "reading", "assessing", "done", "failed", "withdrawn")
OVER = frozenset({"done", "failed", "withdrawn"})
FAULT_COLUMNS = ("row", "column", "code", "message", "text")


class ExportQuery(Document):
    """How a file is to be read."""

    layout = fields.Name(required=True, metadata={"description": "`plain`, `checks`, or a layout of your own"})
    on_fault = fields.Choice(
        ("skip", "reject"),
        load_default="skip",
        metadata={"description": "Where a row has a fault: store the good rows, or nothing"},
    )
    on_existing = fields.Choice(
        ON_EXISTING,
        load_default="refuse",
        metadata={"description": "Where the tool has an inspection of this reference and stage already"},
    )


class ExportsQuery(PageQuery):
    """Which exports."""

    layout = fields.Name()
    state = fields.Choice(STATES)


class RowCounts(Document):
    """Rows of a file: those of data, not its header."""

    total = fields.Count(required=True)
    accepted = fields.Count(required=True)
    faulty = fields.Count(required=True)


class InspectionCounts(Document):
    """Inspections that came of a file."""

    total = fields.Count(required=True)
    assessed = fields.Count(required=True)
    failed = fields.Count(required=True)


class ExportAnswer(Document):
    """A gauge export: kept byte for byte, read by a worker."""

    id = fields.Text(required=True)
    state = fields.Choice(STATES, required=True)
    layout = fields.Name(required=True)
    layout_revision = fields.Count(required=True, metadata={"description": "0 of the layouts that are built in"})
    on_fault = fields.Text(required=True)
    on_existing = fields.Text(required=True)
    file_name = fields.Text(allow_none=True)
    sha256 = fields.Text(required=True, metadata={"description": "Of the bytes as sent"})
    size_bytes = fields.Number(low=0, required=True)
    rows = fields.Inner(RowCounts, required=True)
    inspections = fields.Inner(InspectionCounts, required=True)
    problem = ma.fields.Dict(allow_none=True, metadata={"description": "Why it failed"})
    received_at = fields.Moment(required=True)
    finished_at = fields.Moment(allow_none=True)


class ExportPage(Document):
    """Exports in the order they came."""

    items = fields.ListOf(fields.Inner(ExportAnswer), required=True)
    next = fields.Text(allow_none=True)


class FaultAnswer(Document):
    """One thing wrong with one row."""

    row = fields.Count(allow_none=True, metadata={"description": "Its line in the file; the header is 1"})
    column = fields.Text(allow_none=True)
    code = fields.Text(required=True)
    message = fields.Text(required=True)
    text = fields.Text(allow_none=True, metadata={"description": "What was there"})


class FaultPage(Document):
    """Faults in the order of the file, the first 10,000; `rows.faulty` counts all rows that have one."""

    items = fields.ListOf(fields.Inner(FaultAnswer), required=True)
    next = fields.Text(allow_none=True)


@blueprint.post("")
@requires("intake")
@intake
@asks(ExportQuery)
@streams(*CONTENT_TYPES)
@waits()
@gives(200, ExportAnswer, located=True, description="The same bytes on the same terms were there already")
@gives(202, ExportAnswer, located=True)
def post_export(query: dict[str, Any]) -> Response:
    """Keep a file and have it read; the same file sent again is known by its bytes."""
    terms = _terms(query)
    upload = keep(sent_file(), terms)
    kept = False
    try:
        accepted = once(lambda conn: _receive(conn, terms, upload), lambda: body_digest(upload.sha256))
        kept = accepted.status_code == 202 and accepted.document["id"] == str(upload.export_id)  # type: ignore[attr-defined]
    finally:
        if not kept:
            drop(upload.export_id)
    return _told(accepted)


def _terms(query: dict[str, Any]) -> Terms:
    with transaction() as conn:
        layout = get_layout(conn, query["layout"])
    if layout is None:
        raise Refused([fault("?layout", "unknown-layout")])
    site_id = access.current().site_id
    return Terms(layout.code, layout.revision, query["on_fault"], query["on_existing"], site_id)


def _receive(conn: Connection, terms: Terms, upload: Upload) -> Answer:
    same = store.find_same(conn, terms, upload.sha256)
    if same is None:
        store.receive_export(conn, upload.export_id, upload.sha256, upload.size_bytes)
    export_id = same or upload.export_id
    location = f"/v1/gauge-exports/{export_id}"
    return answer(_document(conn, _seen(conn, export_id)), 202 if same is None else 200, location=location)


def _told(accepted: Response) -> Response:
    """Tell the workers, and wait for them where the request prefers that."""
    queue.hint(queue.INTAKE)
    seconds = asked()
    if seconds is None or accepted.status_code >= 300:
        return accepted
    export_id = UUID(accepted.document["id"])  # type: ignore[attr-defined]
    hold(seconds, lambda: _is_over(export_id))
    location = accepted.headers["Location"]
    with transaction() as conn:
        document = _document(conn, _seen(conn, export_id))
    return applied(answer(document, accepted.status_code, location=location), seconds)


@blueprint.get("")
@requires("read", "intake")
@asks(ExportsQuery)
@gives(200, ExportPage, paged=True)
def list_exports(query: dict[str, Any]) -> Answer:
    """List gauge exports in the order they came."""
    after = read_cursor(query, UUID)
    with transaction() as conn:
        rows = store.list_exports(
            conn,
            limit=query["limit"] + 1,
            after=after and after[0],
            layout=query.get("layout"),
            state=query.get("state"),
            site_id=access.current().site_id,
        )
        shown = {row.export_id: _document(conn, row) for row in rows}
    return page(rows, query, key=lambda row: [str(row.export_id)], show=lambda row: shown[row.export_id])


@blueprint.get("/<uuid:export_id>")
@requires("read", "intake")
@waits()
@gives(200, ExportAnswer, tagged=True)
def get_export(export_id: UUID) -> Response:
    """Return how far an export is; with `Prefer: wait`, once it is done or the time is up."""
    seconds = asked()
    with transaction() as conn:
        _seen(conn, export_id)
    hold(seconds, lambda: _is_over(export_id))
    with transaction() as conn:
        document = _document(conn, _seen(conn, export_id))
    tag = etag.tag(etag.content_version(document))
    return applied(etag.not_modified(tag) or answer(document, etag=tag), seconds)


@blueprint.get("/<uuid:export_id>/faults")
@requires("read", "intake")
@asks(PageQuery)
@refuses(406)
@gives(200, FaultPage, paged=True)
@gives(200, {"type": "string"}, content_type="text/csv")
def list_faults(export_id: UUID, query: dict[str, Any]) -> Response:
    """List what is wrong with rows, in the order of the file; all of it as CSV where that is accepted rather."""
    if accepted("application/json", "text/csv") == "text/csv":
        return _faults_as_csv(export_id)
    after = read_cursor(query, int)
    with transaction() as conn:
        _seen(conn, export_id)
        rows = store.list_faults(conn, export_id, after[0] if after else 0, query["limit"] + 1)
    return page(rows, query, key=lambda row: [row.ordinal], show=_show_fault)


@blueprint.get("/<uuid:export_id>/file")
@requires("read", "intake")
@gives(200, {"type": "string", "format": "binary"}, content_type="text/csv")
@gives(200, {"type": "string", "format": "binary"}, content_type="application/gzip")
def get_file(export_id: UUID) -> Response:
    """Return the bytes as they were sent."""
    with transaction() as conn:
        export = _seen(conn, export_id)
        first = store.get_chunk(conn, export_id, 0) or b""
    kind = "application/gzip" if first.startswith(b"\x1f\x8b") else "text/csv"
    made = Response(_bytes_of(export_id, first), content_type=kind)
    made.headers["Content-Length"] = str(export.size_bytes)
    made.headers["Content-Disposition"] = f'attachment; filename="{export_id}.csv{".gz" if "gzip" in kind else ""}"'
    return made


@blueprint.delete("/<uuid:export_id>")
@requires("intake")
@refuses(409)
@gives(204)
def delete_export(export_id: UUID) -> Response:
    """Take an export's readings and checks out again: an inspection left without a source is withdrawn."""
    with transaction() as conn:
        conn.execute("SET LOCAL statement_timeout = 0")
        export = store.lock_export(conn, export_id)
        _check(export, export_id)
        etag.check_write(etag.content_version(_document(conn, _seen(conn, export_id))))
        if export is not None and export.state != "withdrawn":
            take_out_export(conn, export_id)
            store.withdraw_export(conn, export_id)
    queue.hint()
    return nothing()


@blueprint.post("/<uuid:export_id>/retry")
@requires("intake")
@refuses(409)
@gives(202, ExportAnswer, located=True)
def retry_export(export_id: UUID) -> Response:
    """Read a failed export again."""
    with transaction() as conn:
        export = store.lock_export(conn, export_id)
        store.retry_export(conn, _check(export, export_id))
        document = _document(conn, _seen(conn, export_id))
    queue.hint(queue.INTAKE)
    return answer(document, 202, location=f"/v1/gauge-exports/{export_id}")


# ---------------------------------------------------------------- one export


def _seen(conn: Connection, export_id: UUID) -> Export:
    return _check(store.get_export(conn, export_id), export_id)


def _check(export: Export | None, export_id: UUID) -> Export:
    if export is None:
        raise NotFound("gauge export", export_id)
    token = access.current()
    if token.site_id is not None and token.site_id != export.site_id:
        token.check_site(export.site_id or 0)  # no site has this number
    return export


def _is_over(export_id: UUID) -> bool | None:
    with transaction() as conn:
        export = store.get_export(conn, export_id)
        if export is None or export.state in OVER:
            return True
        if export.state != "assessing" or store.has_open_inspections(conn, export_id):
            return None
        store.finish_assessed(conn, export_id)
    return True


def _document(conn: Connection, export: Export) -> dict[str, Any]:
    state, assessed, failed = export.state, 0, 0
    if export.inspections_total:
        assessed, failed = store.count_inspections(conn, export.export_id)
        if state == "assessing" and assessed + failed >= export.inspections_total:
            state = "done"
    return {
        "id": str(export.export_id),
        "state": state,
        "layout": export.layout,
        "layout_revision": export.layout_revision,
        "on_fault": export.on_fault,
        "on_existing": export.on_existing,
        "file_name": export.file_name,
        "sha256": export.sha256.hex(),
        "size_bytes": export.size_bytes,
        "rows": {"total": export.rows_total, "accepted": export.rows_accepted, "faulty": export.rows_faulty},
        "inspections": {"total": export.inspections_total, "assessed": assessed, "failed": failed},
        "problem": export.problem,
        "received_at": export.received_at,
        "finished_at": export.finished_at,
    }


def _bytes_of(export_id: UUID, first: bytes) -> Iterator[bytes]:
    piece: bytes | None = first
    chunk = 0
    while piece is not None:
        yield piece
        chunk += 1
        with transaction() as conn:
            piece = store.get_chunk(conn, export_id, chunk)


def _show_fault(row: ExportFault) -> dict[str, Any]:
    return {name: getattr(row, name) for name in FAULT_COLUMNS}


def _faults_as_csv(export_id: UUID) -> Response:
    with transaction() as conn:
        _seen(conn, export_id)
        rows = store.list_faults(conn, export_id, 0, MAX_EXPORT_FAULTS)
    text = io.StringIO()
    writer = csv.writer(text)
    writer.writerow(FAULT_COLUMNS)
    writer.writerows([getattr(row, name) for name in FAULT_COLUMNS] for row in rows)
    return Response(text.getvalue(), content_type="text/csv; charset=utf-8")
