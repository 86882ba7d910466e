"""Setting masters (rings, blocks, rods) and their certificates."""

from __future__ import annotations

from typing import Any

from flask import Response

from service import units
from service.access import requires
from service.api import etag, fields
from service.api.answers import Answer, answer, nothing
from service.api.blueprint import Blueprint, asks, gives, takes
from service.api.gauges import COVERAGE_FACTOR, PageUnitQuery
from service.api.paging import page, read_cursor
from service.api.query import UnitQuery
from service.api.schema import Document, check, in_mm, in_unit
from service.faults import fault
from service.problems import Refused
from service.store import masters as store
from service.store.errors import NotFound
from service.store.masters import Master
from service.store.pool import Connection, transaction

blueprint = Blueprint("masters", url_prefix="/v1/masters", description="What gauges are set on")


class MasterBody(Document):
    """A setting master as its certificate says it."""

    unit = fields.Unit(required=True)
    size = fields.Length(above=0, required=True, metadata={"description": "At 20 degrees Celsius"})
    expanded_uncertainty = fields.Length(above=0, required=True)
    coverage_factor = fields.Number(above=0, high=100, metadata={"description": "Default 2"})
    calibrated_on = fields.Day(metadata={"description": "null = in force from the start"})
    due_on = fields.Day(metadata={"description": "null = never overdue"})
    expansion_per_k = fields.Number(low=0, high=1e-3)
    material = fields.Name()


class MasterAnswer(MasterBody):
    """A setting master, defaults filled in."""

    serial = fields.Name(required=True)
    revision = fields.Count(required=True)
    recorded_at = fields.Moment(required=True)


class MasterPage(Document):
    """Masters by serial, or the certificates of one in the order they were recorded."""

    items = fields.ListOf(fields.Inner(MasterAnswer), required=True)
    next = fields.Text(allow_none=True)


_BODY = MasterBody()
_ANSWER = MasterAnswer()


@blueprint.put("/<serial>")
@requires("catalogue")
@asks(UnitQuery)
@takes(MasterBody, examples="master", checked=False)
@gives(200, MasterAnswer, tagged=True)
@gives(201, MasterAnswer, tagged=True, located=True)
def put_master(serial: str, body: Any, query: dict[str, Any]) -> Answer:
    """State what a master's certificate says; earlier certificates are kept."""
    document = _read(body)
    with transaction() as conn:
        master, status = _put(conn, serial, document, body)
    return _answer(master, query["unit"], status)


@blueprint.get("/<serial>")
@requires("read", "catalogue")
@asks(UnitQuery)
@gives(200, MasterAnswer, tagged=True)
def get_master(serial: str, query: dict[str, Any]) -> Response:
    """Return a master by its newest certificate."""
    with transaction() as conn:
        master = store.get_master(conn, serial)
    return etag.not_modified(etag.tag(master.revision, query["unit"])) or _answer(master, query["unit"])


@blueprint.get("")
@requires("read", "catalogue")
@asks(PageUnitQuery)
@gives(200, MasterPage, paged=True)
def list_masters(query: dict[str, Any]) -> Answer:
    """List masters by serial."""
    after = read_cursor(query, str)
    with transaction() as conn:
        rows = store.list_masters(conn, after and after[0], query["limit"] + 1)
    return page(rows, query, key=lambda row: [row.serial], show=lambda row: _show(row, query["unit"]))


@blueprint.get("/<serial>/certificates")
@requires("read", "catalogue")
@asks(PageUnitQuery)
@gives(200, MasterPage, paged=True)
def list_master_certificates(serial: str, query: dict[str, Any]) -> Answer:
    """List every certificate a master ever had, in the order they were recorded."""
    after = read_cursor(query, int)
    with transaction() as conn:
        rows = store.list_certificates(conn, serial, after[0] if after else 0, query["limit"] + 1)
    return page(rows, query, key=lambda row: [row.revision], show=lambda row: _show(row, query["unit"]))


@blueprint.delete("/<serial>")
@requires("catalogue")
@gives(204)
def delete_master(serial: str) -> Response:
    """Delete a master that no reading was taken against."""
    with transaction() as conn:
        master = store.lock_master(conn, serial)
        etag.check_write(master.revision if master else None)
        if master is None:
            raise NotFound("master", serial)
        store.delete_master(conn, master)
    return nothing()


def _read(body: Any) -> dict[str, Any]:
    """Return the document in mm with every default, or refuse it with all its faults."""
    read, found = check(_BODY, body)
    since, due = read.get("calibrated_on"), read.get("due_on")
    if since is not None and due is not None and due < since:
        found.append(fault("/due_on", "bad-interval", "must not lie before calibrated_on"))
    if found:
        raise Refused(found)
    return _canonical(read)


def _stored(master: Master) -> dict[str, Any]:
    """Return what was accepted once, whatever the rules of today."""
    return _canonical(check(_BODY, master.sent)[0])


def _canonical(read: dict[str, Any]) -> dict[str, Any]:
    return dict.fromkeys(_BODY.fields) | {"coverage_factor": COVERAGE_FACTOR} | in_mm(_BODY, read, read["unit"])


def _put(conn: Connection, serial: str, document: dict[str, Any], sent: Any) -> tuple[Master, int]:
    master = store.lock_master(conn, serial)
    etag.check_write(master.revision if master else None)
    if master is None:
        added = store.add_master(conn, serial, document, sent)
        # None: another request added it since we looked, and has committed; ours comes after theirs.
        return (added, 201) if added else _put(conn, serial, document, sent)
    now = _stored(master)
    if units.alike(now, document | {"unit": now["unit"]}):
        return master, 200
    return store.add_certificate(conn, master, document, sent), 200


def _show(master: Master, unit: str) -> dict[str, Any]:
    head = {"serial": master.serial, "revision": master.revision, "recorded_at": master.recorded_at}
    return in_unit(_ANSWER, _stored(master) | head | {"unit": unit}, unit)


def _answer(master: Master, unit: str, status: int = 200) -> Answer:
    location = f"/v1/masters/{master.serial}" if status == 201 else None
    return answer(_show(master, unit), status, etag=etag.tag(master.revision, unit), location=location)
