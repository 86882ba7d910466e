"""Components: the serialised parts, whether in a tool, in stock or scrapped."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Any

from psycopg import Connection
from psycopg.rows import class_row

from service.store.statements import sql
from service.store.users import delete_unused, refuse_if_used


@dataclass(frozen=True, slots=True)
class Component:
    """One component as it is stored, and where it is now."""

    component_id: int
    serial: str
    part: str
    tool_type: str
    tool_type_id: int
    site: str
    site_id: int
    set_code: str | None
    state_kept: str  # stock or scrapped: where it is when no fitting says otherwise
    state: str  # what holds now: fitted, stock or scrapped
    tool: str | None  # the tool it is fitted in
    position: int | None
    version: int
    created_at: datetime
    updated_at: datetime


@dataclass(frozen=True, slots=True)
class ComponentFields:
    """What a client says of a component, with the ids of what it names."""

    part: str
    tool_type_id: int
    site_id: int
    set_code: str | None
    state: str

    def as_parameters(self) -> dict[str, Any]:
        """Return the named parameters of a statement that writes it."""
        return {name: getattr(self, name) for name in self.__slots__}


def get_component(conn: Connection[Any], serial: str) -> Component | None:
    """Return a component by its serial, None where there is none."""
    with conn.cursor(row_factory=class_row(Component)) as cursor:
        return cursor.execute(sql("components/get"), {"serial": serial}).fetchone()


def lock_component(conn: Connection[Any], serial: str) -> bool:
    """Lock a component until the transaction ends; False where there is none."""
    return conn.execute(sql("components/lock"), {"serial": serial}).fetchone() is not None


def list_components(
    conn: Connection[Any],
    *,
    after: str,
    limit: int,
    site: str | None = None,
    tool_type: str | None = None,
    part: str | None = None,
    tool: str | None = None,
    state: str | None = None,
    site_id: int | None = None,
) -> list[Component]:
    """Return up to `limit` components after a serial, in the order of serials."""
    parameters = {
        "after": after,
        "limit": limit,
        "site": site,
        "tool_type": tool_type,
        "part": part,
        "tool": tool,
        "state": state,
        "site_id": site_id,
    }
    with conn.cursor(row_factory=class_row(Component)) as cursor:
        return cursor.execute(sql("components/list"), parameters).fetchall()


def add_component(conn: Connection[Any], serial: str, fields: ComponentFields) -> int | None:
    """Store a new component; return its id, None where another request was faster."""
    row = conn.execute(sql("components/add"), {"serial": serial} | fields.as_parameters()).fetchone()
    return None if row is None else int(row[0])


def replace_component(conn: Connection[Any], component_id: int, fields: ComponentFields) -> None:
    """Store what a component is from now on, as its next version."""
    conn.execute(sql("components/replace"), {"component_id": component_id} | fields.as_parameters())


def refuse_if_component_used(conn: Connection[Any], component: Component) -> None:
    """Raise unless no fitting and no inspection refers to a component.

    Raises
    ------
    Conflict
        Code ``in-use``, naming what refers to it.
    """
    refuse_if_used(conn, "components", component.serial, {"component_id": component.component_id})


def delete_component(conn: Connection[Any], component: Component) -> None:
    """Delete a component that is locked.

    Raises
    ------
    Conflict
        Code ``in-use``, naming what refers to it.
    """
    delete_unused(conn, "components", component.serial, {"component_id": component.component_id})


def tools_of_component(conn: Connection[Any], component_id: int) -> dict[int, datetime]:
    """Return the tools a component has been in, each with the time it first came in."""
    return dict(conn.execute(sql("components/tools"), {"component_id": component_id}).fetchall())
