"""Fittings: which component sat in which position of which tool, and when."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from uuid import UUID

from psycopg import Connection
from psycopg.rows import class_row

from service.store.statements import sql


@dataclass(frozen=True, slots=True)
class Fitting:
    """One component in one position, from `since` until before `until`."""

    fitting_id: UUID
    tool_id: int
    tool: str
    site_id: int
    part: str
    position: int
    component_id: int | None  # None: a component without a serial
    component: str | None
    since: datetime
    until: datetime | None
    inspection_id: UUID | None  # whose renewal it was derived from
    reference: str | None
    stage: str | None


@dataclass(frozen=True, slots=True)
class Place:
    """Where and when a component is to sit."""

    tool_id: int
    part: str
    position: int
    component_id: int
    since: datetime
    until: datetime | None

    def as_parameters(self) -> dict[str, Any]:
        """Return the named parameters of a statement that writes it."""
        return {name: getattr(self, name) for name in self.__slots__}


@dataclass(frozen=True, slots=True)
class Stint:
    """A fitting seen from a position: who held it when."""

    fitting_id: UUID
    part: str
    position: int
    component_id: int | None
    component: str | None
    set_code: str | None
    since: datetime
    until: datetime | None


@dataclass(frozen=True, slots=True)
class ComponentStint:
    """A fitting seen from a component: where it sat when."""

    component_id: int
    fitting_id: UUID
    tool_id: int
    tool: str
    part: str
    position: int
    since: datetime
    until: datetime | None
    inspection_id: UUID | None


def get_fitting(conn: Connection[Any], tool: str, fitting_id: UUID) -> Fitting | None:
    """Return a fitting of a tool, None where it has no such one."""
    with conn.cursor(row_factory=class_row(Fitting)) as cursor:
        return cursor.execute(sql("fittings/get"), {"tool": tool, "fitting_id": fitting_id}).fetchone()


def list_fittings(
    conn: Connection[Any], tool_id: int, *, after: tuple[datetime, UUID] | None, limit: int
) -> list[Fitting]:
    """Return up to `limit` fittings of a tool in the order of time, after one of them."""
    after_since, after_id = after or (None, None)
    parameters = {"tool_id": tool_id, "after_since": after_since, "after_id": after_id, "limit": limit}
    with conn.cursor(row_factory=class_row(Fitting)) as cursor:
        return cursor.execute(sql("fittings/list"), parameters).fetchall()


def fittings_in_the_way(conn: Connection[Any], place: Place, except_id: UUID | None = None) -> list[Fitting]:
    """Return the fittings that hold the same position, or the same component, in any part of the time."""
    parameters = place.as_parameters() | {"except_id": except_id}
    with conn.cursor(row_factory=class_row(Fitting)) as cursor:
        return cursor.execute(sql("fittings/in_the_way"), parameters).fetchall()


def add_fitting(conn: Connection[Any], place: Place) -> UUID:
    """Store a fitting posted by itself; return its id."""
    row = conn.execute(sql("fittings/add"), place.as_parameters()).fetchone()
    assert row is not None  # noqa: S101  INSERT ... RETURNING of one row
    return UUID(str(row[0]))


def change_fitting(conn: Connection[Any], fitting_id: UUID, place: Place) -> None:
    """Store where and when a component sits from now on."""
    conn.execute(sql("fittings/change"), place.as_parameters() | {"fitting_id": fitting_id})


def delete_fitting(conn: Connection[Any], fitting_id: UUID) -> None:
    """Take a fitting back."""
    conn.execute(sql("fittings/delete"), {"fitting_id": fitting_id})


def stints_of_tool(conn: Connection[Any], tool_id: int, at: datetime) -> list[Stint]:
    """Return the fittings of a tool begun by a moment, by part and position in the order of time."""
    with conn.cursor(row_factory=class_row(Stint)) as cursor:
        return cursor.execute(sql("fittings/of_tool"), {"tool_id": tool_id, "at": at}).fetchall()


def stints_of_components(conn: Connection[Any], component_ids: Sequence[int], at: datetime) -> list[ComponentStint]:
    """Return the fittings of components begun by a moment, by component in the order of time."""
    parameters = {"component_ids": list(component_ids), "at": at}
    with conn.cursor(row_factory=class_row(ComponentStint)) as cursor:
        return cursor.execute(sql("fittings/of_components"), parameters).fetchall()
