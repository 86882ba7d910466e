"""Gauges and their certificates."""

from __future__ import annotations

from typing import Any
from uuid import UUID

import marshmallow as ma
from flask import Response

from service import units
from service.access import requires
from service.api import etag, fields
from service.api.answers import Answer, answer, nothing
from service.api.blueprint import Blueprint, asks, gives, takes
from service.api.paging import page, read_cursor
from service.api.query import PageQuery, UnitQuery
from service.api.schema import Document, check, in_mm, in_unit
from service.faults import fault
from service.problems import Refused
from service.store import gauges as store
from service.store.errors import NotFound
from service.store.gauges import Certificate, Gauge
from service.store.pool import Connection, transaction

blueprint = Blueprint("gauges", url_prefix="/v1/gauges", description="What is measured with, and its certificates")
KINDS = ("micrometer", "telescopic", "dial-bore", "digital-bore", "caliper")
COVERAGE_FACTOR = 2.0
SPREADS = "As stated, or of the newest study since; a PUT that states neither spread leaves a study's in force"


class Calibration(Document):
    """A calibration certificate."""

    expanded_uncertainty = fields.Length(above=0, required=True)
    coverage_factor = fields.Number(above=0, high=100, metadata={"description": "Default 2"})
    degrees_of_freedom = fields.Number(low=1, metadata={"description": "null = infinite"})
    calibrated_on = fields.Day(metadata={"description": "null = in force from the start"})
    due_on = fields.Day(metadata={"description": "null = never overdue"})


class Repeatability(Document):
    """Spread of one person's readings."""

    sd = fields.Length(low=0, required=True, metadata={"description": "0: hidden by the resolution, which then counts"})
    degrees_of_freedom = fields.Number(above=0, metadata={"description": "null = infinite"})


class Reproducibility(Document):
    """Spread between persons."""

    sd = fields.Length(low=0, required=True)
    degrees_of_freedom = fields.Number(above=0, metadata={"description": "null = infinite"})


class GaugeBody(Document):
    """A gauge as a client says it."""

    kind = fields.Choice(KINDS, required=True)
    unit = fields.Unit(required=True)
    resolution = fields.Length(above=0, required=True)
    bias = fields.Length(metadata={"description": "Error of indication, subtracted from readings"})
    expansion_per_k = fields.Number(low=0, high=1e-3)
    material = fields.Name()
    calibration = fields.Inner(
        Calibration, metadata={"description": "Of the newest PUT; earlier ones are kept (`certificates`)"}
    )
    repeatability = fields.Inner(Repeatability, metadata={"description": SPREADS})
    reproducibility = fields.Inner(Reproducibility, metadata={"description": SPREADS})


class GaugeAnswer(GaugeBody):
    """A gauge, defaults filled in."""

    serial = fields.Name(required=True)
    revision = fields.Count(required=True)
    recorded_at = fields.Moment(required=True)
    study = ma.fields.UUID(allow_none=True, metadata={"description": "The study the spreads are of; null: stated"})


class GaugePage(Document):
    """Gauges by serial."""

    items = fields.ListOf(fields.Inner(GaugeAnswer), required=True)
    next = fields.Text(allow_none=True)


class CertificateAnswer(Calibration):
    """A certificate that was recorded for a gauge."""

    id = fields.Text(required=True)
    recorded_at = fields.Moment(required=True)
    unit = fields.Unit(required=True)


class CertificatePage(Document):
    """Certificates in the order they were recorded."""

    items = fields.ListOf(fields.Inner(CertificateAnswer), required=True)
    next = fields.Text(allow_none=True)


class PageUnitQuery(PageQuery, UnitQuery):
    """Keyset paging, and the unit of lengths."""


_BODY = GaugeBody()
_ANSWER = GaugeAnswer()
_CERTIFICATE = CertificateAnswer()


@blueprint.put("/<serial>")
@requires("catalogue")
@asks(UnitQuery)
@takes(GaugeBody, examples=("gauge", "gauge-in-inches"), checked=False)
@gives(200, GaugeAnswer, tagged=True)
@gives(201, GaugeAnswer, tagged=True, located=True)
def put_gauge(serial: str, body: Any, query: dict[str, Any]) -> Answer:
    """State what is known of a gauge; a new calibration is kept beside the earlier ones."""
    document = _read(body)
    with transaction() as conn:
        gauge, status = _put(conn, serial, document, body)
    return _answer(gauge, query["unit"], status)


@blueprint.get("/<serial>")
@requires("read", "catalogue")
@asks(UnitQuery)
@gives(200, GaugeAnswer, tagged=True)
def get_gauge(serial: str, query: dict[str, Any]) -> Response:
    """Return a gauge."""
    with transaction() as conn:
        gauge = store.get_gauge(conn, serial)
    return etag.not_modified(etag.tag(gauge.revision, query["unit"])) or _answer(gauge, query["unit"])


@blueprint.get("")
@requires("read", "catalogue")
@asks(PageUnitQuery)
@gives(200, GaugePage, paged=True)
def list_gauges(query: dict[str, Any]) -> Answer:
    """List gauges by serial."""
    after = read_cursor(query, str)
    with transaction() as conn:
        rows = store.list_gauges(conn, after and after[0], query["limit"] + 1)
    return page(rows, query, key=lambda gauge: [gauge.serial], show=lambda gauge: _show(gauge, query["unit"]))


@blueprint.get("/<serial>/certificates")
@requires("read", "catalogue")
@asks(PageUnitQuery)
@gives(200, CertificatePage, paged=True)
def list_gauge_certificates(serial: str, query: dict[str, Any]) -> Answer:
    """List every certificate a gauge ever had, in the order they were recorded."""
    after = read_cursor(query, UUID)
    with transaction() as conn:
        gauge = store.get_gauge(conn, serial)
        rows = store.list_certificates(conn, gauge, after and after[0], query["limit"] + 1)
    return page(rows, query, key=lambda row: [row.certificate_id], show=lambda row: _certificate(row, query["unit"]))


@blueprint.delete("/<serial>")
@requires("catalogue")
@gives(204)
def delete_gauge(serial: str) -> Response:
    """Delete a gauge that no reading was taken with."""
    with transaction() as conn:
        gauge = store.lock_gauge(conn, serial)
        etag.check_write(gauge.revision if gauge else None)
        if gauge is None:
            raise NotFound("gauge", serial)
        store.delete_gauge(conn, gauge)
    return nothing()


def _read(body: Any) -> dict[str, Any]:
    """Return the document in mm with every default, or refuse it with all its faults."""
    read, found = check(_BODY, body)
    calibration = read.get("calibration", {})
    since, due = calibration.get("calibrated_on"), calibration.get("due_on")
    if since is not None and due is not None and due < since:
        found.append(fault("/calibration/due_on", "bad-interval", "must not lie before calibrated_on"))
    if found:
        raise Refused(found)
    return _canonical(read)


def _in_force(gauge: Gauge) -> dict[str, Any]:
    """Return what was accepted once, whatever the rules of today, with the spreads of a study made since."""
    stated = _canonical(check(_BODY, gauge.sent)[0])
    if gauge.study_id is None:
        return stated
    return stated | {
        "repeatability": {"sd": gauge.repeatability_sd, "degrees_of_freedom": gauge.repeatability_dof},
        "reproducibility": {"sd": gauge.reproducibility_sd, "degrees_of_freedom": gauge.reproducibility_dof},
    }


def _canonical(read: dict[str, Any]) -> dict[str, Any]:
    document = in_mm(_BODY, read, read["unit"])
    nothing_said: dict[str, Any] = dict.fromkeys(_BODY.fields)
    filled = nothing_said | {"bias": 0.0} | document
    if filled["calibration"] is not None:
        empty: dict[str, Any] = dict.fromkeys(Calibration._declared_fields)
        filled["calibration"] = empty | {"coverage_factor": COVERAGE_FACTOR} | filled["calibration"]
    for name in ("repeatability", "reproducibility"):
        if filled[name] is not None:
            filled[name] = {"degrees_of_freedom": None} | filled[name]
    return filled


def _put(conn: Connection, serial: str, document: dict[str, Any], sent: Any) -> tuple[Gauge, int]:
    gauge = store.lock_gauge(conn, serial)
    etag.check_write(gauge.revision if gauge else None)
    if gauge is None:
        added = store.add_gauge(conn, serial, document, sent)
        # None: another request added it since we looked, and has committed; ours comes after theirs.
        return (added, 201) if added else _put(conn, serial, document, sent)
    now = _in_force(gauge)
    spreads = {name: now[name] for name in ("repeatability", "reproducibility")}
    if gauge.study_id is not None and all(document[name] is None for name in spreads):
        document = document | spreads
    if units.alike(now, document | {"unit": now["unit"]}):
        return gauge, 200
    study_id = gauge.study_id if all(units.alike(document[name], spreads[name]) for name in spreads) else None
    return store.add_revision(conn, gauge, document, sent, study_id), 200


def _show(gauge: Gauge, unit: str) -> dict[str, Any]:
    head = {"serial": gauge.serial, "revision": gauge.revision, "recorded_at": gauge.recorded_at}
    return in_unit(_ANSWER, _in_force(gauge) | head | {"unit": unit, "study": gauge.study_id}, unit)


def _certificate(row: Certificate, unit: str) -> dict[str, Any]:
    document = {name: getattr(row, name) for name in Calibration._declared_fields}
    head = {"id": row.certificate_id, "recorded_at": row.recorded_at, "unit": unit}
    return in_unit(_CERTIFICATE, document | head, unit)


def _answer(gauge: Gauge, unit: str, status: int = 200) -> Answer:
    location = f"/v1/gauges/{gauge.serial}" if status == 201 else None
    return answer(_show(gauge, unit), status, etag=etag.tag(gauge.revision, unit), location=location)
