"""Gauge studies, append-only; each makes a revision of its gauge."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from uuid import UUID

from psycopg import Connection
from psycopg.rows import class_row
from psycopg.types.json import Jsonb

from service.store.clock import writing_reference
from service.store.errors import NotFound
from service.store.gauges import Gauge
from service.store.statements import sql


@dataclass(frozen=True, slots=True)
class Study:
    """One study of a gauge."""

    study_id: UUID
    recorded_at: datetime
    unit: str  # of the measurements
    tolerance: float | None  # mm
    pool_above: float
    measurements: list[list[list[float]]]  # [part][appraiser][trial], as sent
    results: dict[str, Any]  # mm
    gauge_revision: int  # that the study made


@dataclass(frozen=True, slots=True)
class NewSpreads:
    """What a study found of a gauge: standard deviations in mm, degrees of freedom (None = infinite)."""

    repeatability_sd: float
    repeatability_dof: float | None
    reproducibility_sd: float
    reproducibility_dof: float | None


def add_study(conn: Connection[Any], gauge: Gauge, said: Mapping[str, Any], found: NewSpreads) -> Study:
    """Add a study and the revision of its gauge that it makes.

    Parameters
    ----------
    conn : Connection
        Of the caller's transaction.
    gauge : Gauge
        Locked; its other figures stay.
    said : mapping
        ``unit``, ``tolerance`` [mm] or None, ``pool_above``, ``measurements`` as sent, ``results`` in mm.
    found : NewSpreads
        The gauge's from now on: inspections accepted before keep what they know.
    """
    recorded_at = writing_reference(conn)
    stamp = {"gauge_id": gauge.gauge_id, "revision": gauge.revision, "recorded_at": recorded_at}
    documents = {name: Jsonb(said[name]) for name in ("measurements", "results")}
    row = conn.execute(sql("gauge_studies/add"), {**said, **stamp, **documents}).fetchone()
    assert row is not None  # noqa: S101 - an INSERT that returns has a row
    spreads = {name: getattr(found, name) for name in NewSpreads.__slots__}
    conn.execute(sql("gauge_studies/revise_gauge"), {**spreads, **stamp, "study_id": row[0]})
    return Study(study_id=row[0], recorded_at=recorded_at, gauge_revision=gauge.revision + 1, **said)


def get_study(conn: Connection[Any], gauge: Gauge, study_id: UUID) -> Study:
    """Return one study of a gauge.

    Raises
    ------
    NotFound
    """
    wanted = {"gauge_id": gauge.gauge_id, "study_id": study_id}
    with conn.cursor(row_factory=class_row(Study)) as cursor:
        found = cursor.execute(sql("gauge_studies/get"), wanted).fetchone()
    if found is None:
        raise NotFound("study", f"{study_id} of gauge {gauge.serial}")
    return found


def list_studies(conn: Connection[Any], gauge: Gauge, after: UUID | None, limit: int) -> Sequence[Study]:
    """Return the studies of a gauge in the order they were recorded, `limit` at most."""
    wanted = {"gauge_id": gauge.gauge_id, "after": after, "limit": limit}
    with conn.cursor(row_factory=class_row(Study)) as cursor:
        return cursor.execute(sql("gauge_studies/list"), wanted).fetchall()
