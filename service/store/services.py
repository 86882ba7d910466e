"""Services on record: what was measured before parts were changed and after, and what the tools ran around it."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any, LiteralString, NamedTuple, TypeVar
from uuid import UUID

from psycopg import Connection
from psycopg.rows import args_row

from service.store.assessment_inputs import UsageRow
from service.store.statements import sql

Row = TypeVar("Row")


class ServiceRow(NamedTuple):
    """A strip-down at which parts were changed; the changes came before `until`."""

    inspection_id: UUID
    tool_id: int
    tool: str
    taken_at: datetime
    until: datetime
    next_id: UUID | None  # the next inspection as found


class ChangeRow(NamedTuple):
    """A part put into a tool, by an inspection's renewals or by a fitting of its own; or turned end for end there."""

    tool_id: int
    part: str
    position: int
    component_id: int | None
    at: datetime
    renewed: bool
    used: bool  # it has been in a tool before; without a component, it is the part that was there, turned


class SizeRow(NamedTuple):
    """Mean size of a fitted part, [mm], and how fast it wears, mm per 1000 of the life basis weighted by ground."""

    service: int  # row of `Services.services`, from 1
    moment: str  # "found", "left" or "next"
    taken_at: datetime
    feature: str
    position: int
    mean: float
    mean_u: float | None
    usage: float | None  # 1000 of the life basis, weighted by ground; None: not known, or not from new
    rate: float | None


class ComponentSizeRow(NamedTuple):
    """Mean size of a component, in a tool or on the bench, [mm]."""

    component_id: int
    taken_at: datetime
    feature: str
    mean: float
    mean_u: float | None


@dataclass(frozen=True, slots=True)
class Services:
    """Services with what they are judged by; `changes` and `usage` by tool, `components` by component."""

    services: Sequence[ServiceRow]
    changes: Mapping[int, list[ChangeRow]]
    sizes: Mapping[int, list[SizeRow]]  # by row of `services`
    components: Mapping[int, list[ComponentSizeRow]]
    usage: Mapping[int, list[UsageRow]]


@dataclass(frozen=True, slots=True)
class Wanted:
    """Which services: of a type, at the sites that may be seen, after which parts of its fits were changed."""

    tool_type_id: int
    parts: Sequence[str]
    features: Sequence[str]
    within: timedelta  # from the inspection to the change of parts
    around: timedelta  # usage on both sides
    limit: int
    site_id: int | None = None
    site: str | None = None
    since: datetime | None = None
    until: datetime | None = None


def list_services(conn: Connection[Any], wanted: Wanted) -> Services:
    """Return the newest services of a type, with the usage of as many days as asked for on both sides; mm."""
    values = {name: getattr(wanted, name) for name in Wanted.__dataclass_fields__}
    values |= {"parts": list(wanted.parts), "features": list(wanted.features)}
    services = _rows(conn, ServiceRow, "services/list", values)
    changes = _rows(conn, ChangeRow, "services/changes", values | {"tools": sorted({row.tool_id for row in services})})
    put_in = sorted({row.component_id for row in changes if row.component_id is not None})
    of_each = {
        "tools": [row.tool_id for row in services],
        "inspections": [row.inspection_id for row in services],
        "since": [row.taken_at for row in services],
        "until": [row.until for row in services],
        "next": [row.next_id for row in services],
    }
    first: dict[int, datetime] = {}
    last: dict[int, datetime] = {}
    for row in services:
        first[row.tool_id] = min(first.get(row.tool_id, row.taken_at), row.taken_at)
        last[row.tool_id] = max(last.get(row.tool_id, row.until), row.until)
    around = {
        "tools": list(first),
        "since": [moment - wanted.around for moment in first.values()],
        "until": [last[tool] + wanted.around for tool in first],
    }
    return Services(
        services,
        _by(changes, lambda row: row.tool_id),
        _by(_rows(conn, SizeRow, "services/sizes", values | of_each), lambda row: row.service - 1),
        _by(
            _rows(conn, ComponentSizeRow, "services/component_sizes", values | {"components": put_in}),
            lambda row: row.component_id,
        ),
        _by(_rows(conn, UsageRow, "services/usage", around), lambda row: row.tool_id),
    )


def _rows(
    conn: Connection[Any], row: Callable[..., Row], statement: LiteralString, values: Mapping[str, Any]
) -> list[Row]:
    with conn.cursor(row_factory=args_row(row)) as cursor:
        return cursor.execute(sql(statement), values).fetchall()


def _by(rows: Sequence[Row], key: Callable[[Row], int]) -> dict[int, list[Row]]:
    found: dict[int, list[Row]] = {}
    for row in rows:
        found.setdefault(key(row), []).append(row)
    return found
