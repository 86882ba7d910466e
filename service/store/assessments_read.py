"""Stored assessments, read back as the rows a document is rendered from. Lengths are mm."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime
from typing import Any
from uuid import UUID

from psycopg import Connection
from psycopg.rows import class_row, dict_row

from service.store.statements import sql


@dataclass(frozen=True, slots=True)
class AssessmentHead:
    """An inspection and, from `version` on, an assessment of it (all None where there is none)."""

    inspection_id: UUID
    current_version: int  # of the inspection
    inspection_state: str
    problem: dict[str, Any] | None
    tool: str
    site_id: int
    reference: str
    stage: str
    time_zone: str
    version: int | None
    inspection_version: int | None
    inputs_as_of: datetime | None
    taken_at: datetime | None
    computed_at: datetime | None
    method: str | None
    tool_type: str | None
    revision: int | None
    wear_model: int | None
    state: str | None
    loss: float | None
    loss_standard_uncertainty: float | None
    loss_by_rule: float | None
    loss_by_flow: float | None
    loss_model: str | None
    service_loss: float | None
    hammer_pressure_bar: float | None
    consumption_m3_min: float | None
    loss_by_fit: list[dict[str, Any]] | None
    observed_retained: float | None
    observed_u: float | None
    observed_entries: int | None
    observed_baseline_entries: int | None
    observed_pressure_bar: float | None
    observed_baseline_pressure_bar: float | None
    basis: str | None
    ground: dict[str, float] | None
    ground_factor: float | None
    governing: str | None
    due_p10: date | None
    due_p50: date | None
    due_p90: date | None
    offsets: list[dict[str, Any]] | None
    checks: list[dict[str, Any]] | None
    parts: list[dict[str, Any]] | None
    remarks: list[dict[str, Any]] | None


def get_assessment_head(
    conn: Connection[Any], inspection_id: UUID, version: int | None = None
) -> AssessmentHead | None:
    """Return an inspection with an assessment of it, None where there is no such inspection.

    Parameters
    ----------
    conn : Connection
    inspection_id : UUID
    version : int, optional
        Of the assessment; the newest by default.
    """
    with conn.cursor(row_factory=class_row(AssessmentHead)) as cursor:
        parameters = {"inspection_id": inspection_id, "version": version}
        return cursor.execute(sql("assessments/get"), parameters).fetchone()


def _list(conn: Connection[Any], statement: str, head: AssessmentHead) -> list[dict[str, Any]]:
    parameters = {
        "taken_at": head.taken_at,
        "inspection_id": head.inspection_id,
        "version": head.version,
    }
    with conn.cursor(row_factory=dict_row) as cursor:
        return cursor.execute(sql(statement), parameters).fetchall()


def list_sizes(conn: Connection[Any], head: AssessmentHead) -> list[dict[str, Any]]:
    """Return the sizes of an assessment, [mm].

    The uncertainty and the wear state are those of the statistic that is judged, `worst` or `mean`.
    """
    return _list(conn, "assessments/sizes", head)


def list_clearances(conn: Connection[Any], head: AssessmentHead) -> list[dict[str, Any]]:
    """Return the clearances of an assessment, [mm]."""
    return _list(conn, "assessments/clearances", head)


def list_limits(conn: Connection[Any], head: AssessmentHead) -> list[dict[str, Any]]:
    """Return the remaining usage to each limit of an assessment, in the basis of the tool's life."""
    return _list(conn, "assessments/limits", head)


def get_ground_factors(
    conn: Connection[Any], tool_type: str, revision: int | None = None, wear_model: int | None = None
) -> dict[str, float]:
    """Return the ground factors of a revision of a tool type, by default of its newest, as a version taught them."""
    parameters = {"tool_type": tool_type, "revision": revision, "wear_model": wear_model}
    row = conn.execute(sql("assessments/ground_factors"), parameters).fetchone()
    return {} if row is None or row[0] is None else dict(row[0])
