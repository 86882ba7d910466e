"""How past forecasts turned out: records per tool type, dated and kept."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from psycopg import Connection
from psycopg.rows import class_row
from psycopg.types.json import Jsonb

from service.store.statements import sql


@dataclass(frozen=True, slots=True)
class ForecastRecord:
    """One record; usage is in the life basis of the type."""

    code: str
    record: int
    computed_at: datetime
    wear_model: int | None
    document: dict[str, Any]


@dataclass(frozen=True, slots=True)
class RecordLine:
    """One record in a list."""

    code: str
    record: int
    computed_at: datetime
    wear_model: int | None
    tools: int
    forecasts: int


def add_record(
    conn: Connection[Any], tool_type_id: int, wear_model: int | None, document: Mapping[str, Any], sizes: int
) -> None:
    """Add the next record of a type, by so many sizes; its learner's turn keeps others from adding one meanwhile."""
    row = {"tool_type_id": tool_type_id, "wear_model": wear_model, "document": Jsonb(dict(document))}
    conn.execute(sql("forecast_records/add"), row)
    conn.execute(sql("forecast_records/scored"), {"tool_type_id": tool_type_id, "sizes": sizes})


def get_record(conn: Connection[Any], code: str, record: int | None = None) -> ForecastRecord | None:
    """Return one record of a type by its code, the newest where none is named; None where there is none."""
    with conn.cursor(row_factory=class_row(ForecastRecord)) as cursor:
        return cursor.execute(sql("forecast_records/get"), {"code": code, "record": record}).fetchone()


def list_records(conn: Connection[Any], code: str, after: int, limit: int) -> Sequence[RecordLine]:
    """Return the records of a type above `after`, oldest first."""
    with conn.cursor(row_factory=class_row(RecordLine)) as cursor:
        wanted = {"code": code, "after": after, "limit": limit}
        return cursor.execute(sql("forecast_records/list"), wanted).fetchall()
