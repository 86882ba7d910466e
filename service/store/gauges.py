"""Gauges in immutable revisions, and every certificate they ever had."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any
from uuid import UUID

from psycopg import Connection
from psycopg.rows import class_row
from psycopg.types.json import Jsonb

from service.store.clock import writing_reference
from service.store.errors import NotFound
from service.store.statements import sql
from service.store.users import delete_unused


@dataclass(frozen=True, slots=True)
class Gauge:
    """The newest revision of a gauge.

    `sent` is the document as it came; where a study came after, the spreads (mm) are the study's instead.
    """

    gauge_id: int
    serial: str
    revision: int
    recorded_at: datetime
    sent: dict[str, Any]
    study_id: UUID | None
    repeatability_sd: float | None
    repeatability_dof: float | None  # None = infinite
    reproducibility_sd: float | None
    reproducibility_dof: float | None


@dataclass(frozen=True, slots=True)
class Certificate:
    """One certificate of a gauge; lengths are mm."""

    certificate_id: UUID
    recorded_at: datetime
    expanded_uncertainty: float
    coverage_factor: float
    degrees_of_freedom: float | None  # None = infinite
    calibrated_on: date | None  # None = in force from the start
    due_on: date | None  # None = never overdue


def get_gauge(conn: Connection[Any], serial: str) -> Gauge:
    """Return a gauge.

    Raises
    ------
    NotFound
    """
    gauge = _one(conn, "gauges/get", serial)
    if gauge is None:
        raise NotFound("gauge", serial)
    return gauge


def lock_gauge(conn: Connection[Any], serial: str) -> Gauge | None:
    """Return a gauge and keep others from writing it until the transaction ends; None where there is none."""
    return _one(conn, "gauges/lock", serial)


def _one(conn: Connection[Any], statement: str, serial: str) -> Gauge | None:
    with conn.cursor(row_factory=class_row(Gauge)) as cursor:
        return cursor.execute(sql(statement), {"serial": serial}).fetchone()


def list_gauges(conn: Connection[Any], after: str | None, limit: int) -> Sequence[Gauge]:
    """Return gauges by serial, `limit` at most."""
    with conn.cursor(row_factory=class_row(Gauge)) as cursor:
        return cursor.execute(sql("gauges/list"), {"after": after, "limit": limit}).fetchall()


def list_certificates(conn: Connection[Any], gauge: Gauge, after: UUID | None, limit: int) -> Sequence[Certificate]:
    """Return the certificates of a gauge in the order they were recorded, `limit` at most."""
    wanted = {"gauge_id": gauge.gauge_id, "after": after, "limit": limit}
    with conn.cursor(row_factory=class_row(Certificate)) as cursor:
        return cursor.execute(sql("gauges/list_certificates"), wanted).fetchall()


def add_gauge(conn: Connection[Any], serial: str, document: Mapping[str, Any], sent: Mapping[str, Any]) -> Gauge | None:
    """Add a gauge; None where another transaction added one of this serial meanwhile.

    Parameters
    ----------
    document, sent : mapping
        In mm with every default, and as it came.
    """
    row = conn.execute(sql("gauges/add"), {"serial": serial}).fetchone()
    return None if row is None else _write(conn, row[0], serial, 1, document, sent, None)


def add_revision(
    conn: Connection[Any],
    gauge: Gauge,
    document: Mapping[str, Any],
    sent: Mapping[str, Any],
    study_id: UUID | None = None,
) -> Gauge:
    """Add the revision after `gauge`, which is locked; its certificate is kept beside the earlier ones.

    `study_id` names the study that the document's spreads are still those of.
    """
    return _write(conn, gauge.gauge_id, gauge.serial, gauge.revision + 1, document, sent, study_id)


def _write(
    conn: Connection[Any],
    gauge_id: int,
    serial: str,
    revision: int,
    document: Mapping[str, Any],
    sent: Mapping[str, Any],
    study_id: UUID | None,
) -> Gauge:
    recorded_at = writing_reference(conn)
    stamp = {"gauge_id": gauge_id, "revision": revision, "recorded_at": recorded_at}
    spread = {
        f"{name}_{short}": (document[name] or {}).get(key)
        for name in ("repeatability", "reproducibility")
        for short, key in (("sd", "sd"), ("dof", "degrees_of_freedom"))
    }
    conn.execute(sql("gauges/add_revision"), {**document, **spread, **stamp, "study_id": study_id, "sent": Jsonb(sent)})
    if document["calibration"] is not None:
        conn.execute(sql("gauges/add_certificate"), {**document["calibration"], **stamp})
    return Gauge(gauge_id, serial, revision, recorded_at, dict(sent), study_id, **spread)


def delete_gauge(conn: Connection[Any], gauge: Gauge) -> None:
    """Delete a gauge with all its certificates.

    Raises
    ------
    Conflict
        Code ``in-use``, naming inspections with readings of it.
    """
    writing_reference(conn)  # nobody accepts a reading of it meanwhile
    delete_unused(conn, "gauges", gauge.serial, {"gauge_id": gauge.gauge_id, "serial": gauge.serial})
