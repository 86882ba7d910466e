"""Saving what was computed: results by one COPY a table, then the inspections that they are of."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any
from uuid import UUID

from psycopg import Connection
from psycopg.errors import UniqueViolation
from psycopg.types.json import Jsonb

from service.store.columns import Column, write_columns
from service.store.errors import Conflict
from service.store.statements import sql

ASSESSMENT_DOCUMENTS = ("loss_by_fit", "ground", "offsets", "checks", "parts", "remarks")
"""The jsonb columns of an assessment, in the order of its tail."""


@dataclass(frozen=True, slots=True)
class Results:
    """Assessments of a batch as columns.

    Attributes
    ----------
    assessments : sequence of Column
        One row each, and in `documents` its jsonb fields, in the order of `ASSESSMENT_DOCUMENTS`.
    sizes, clearances, limits : sequence of Column
        Their rows; all lengths mm.
    inspections, inspection_versions, versions : list
        What each assessment is of, and its version.
    """

    assessments: Sequence[Column]
    documents: Sequence[bytes]
    sizes: Sequence[Column]
    clearances: Sequence[Column]
    limits: Sequence[Column]
    inspections: list[UUID]
    inspection_versions: list[int]
    versions: list[int]


def save_results(conn: Connection[Any], results: Results) -> None:
    """Write new assessments.

    Raises
    ------
    Conflict
        Code ``claim-lost``: another worker has written the same ones; the caller rolls back.
    """
    if not results.inspections:
        return
    try:
        write_columns(conn, "assessments", results.assessments, (ASSESSMENT_DOCUMENTS, results.documents))
    except UniqueViolation as written:
        raise Conflict("claim-lost", "another worker has taken over") from written
    for table, columns in (
        ("sizes", results.sizes),
        ("clearances", results.clearances),
        ("limits", results.limits),
    ):
        if len(columns[0].values):
            write_columns(conn, table, columns)
    conn.execute(
        sql("results/mark_assessed"),
        {
            "inspections": results.inspections,
            "inspection_versions": results.inspection_versions,
            "versions": results.versions,
        },
    )


def confirm(conn: Connection[Any], inspections: Sequence[tuple[UUID, int]]) -> None:
    """Say that inspections, in a version each, are assessed by what was written before."""
    if inspections:
        parameters = {
            "inspections": [identity for identity, _ in inspections],
            "inspection_versions": [version for _, version in inspections],
        }
        conn.execute(sql("results/confirm"), parameters)


def fail_inspection(
    conn: Connection[Any], inspection_id: UUID, inspection_version: int, problem: Mapping[str, Any]
) -> None:
    """Park one inspection with its problem; it counts as measuring nothing."""
    parameters = {"inspection_id": inspection_id, "inspection_version": inspection_version}
    conn.execute(sql("results/fail"), parameters | {"problem": Jsonb(dict(problem))})
