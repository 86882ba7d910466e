"""Tools: the hammers of the fleet, by their owner's serial."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from psycopg import Connection
from psycopg.rows import class_row

from service.catalogue import ToolType, from_document
from service.store.statements import sql
from service.store.users import delete_unused, refuse_if_used


@dataclass(frozen=True, slots=True)
class Tool:
    """One tool as it is stored, with the codes of what it names."""

    tool_id: int
    serial: str
    tool_type: str
    tool_type_id: int
    site: str
    site_id: int
    time_zone: str
    air_setting: str | None
    history: str
    commissioned_on: date | None
    note: str | None
    version: int
    created_at: datetime
    updated_at: datetime


@dataclass(frozen=True, slots=True)
class ToolFields:
    """What a client says of a tool, with the ids of what it names."""

    tool_type_id: int
    site_id: int
    air_setting: str | None
    history: str
    commissioned_on: date | None
    note: str | None

    def as_parameters(self) -> dict[str, Any]:
        """Return the named parameters of a statement that writes it."""
        return {name: getattr(self, name) for name in self.__slots__}


@dataclass(frozen=True, slots=True)
class LockedTool:
    """A tool whose time line nobody else changes until the transaction ends."""

    tool_id: int
    serial: str
    site_id: int
    tool_type_id: int


@dataclass(frozen=True, slots=True)
class References:
    """What a tool or a component names; None where there is no such thing."""

    tool_type_id: int | None
    document: dict[str, Any] | None  # newest revision of the type
    site_id: int | None


def get_tool(conn: Connection[Any], serial: str) -> Tool | None:
    """Return a tool by its serial, None where there is none."""
    with conn.cursor(row_factory=class_row(Tool)) as cursor:
        return cursor.execute(sql("tools/get"), {"serial": serial}).fetchone()


def lock_tools(conn: Connection[Any], serials: Sequence[str]) -> dict[str, LockedTool]:
    """Lock tools in the order of their ids, until the transaction ends.

    Parameters
    ----------
    conn : Connection
    serials : sequence of str
        Unknown ones are left out of the answer.

    Returns
    -------
    dict
        Serial to the tool.
    """
    with conn.cursor(row_factory=class_row(LockedTool)) as cursor:
        rows = cursor.execute(sql("tools/lock"), {"serials": list(serials)}).fetchall()
    return {row.serial: row for row in rows}


def list_tools(
    conn: Connection[Any],
    *,
    after: str,
    limit: int,
    site: str | None = None,
    tool_type: str | None = None,
    site_id: int | None = None,
) -> list[Tool]:
    """Return up to `limit` tools after a serial, in the order of serials.

    `site` and `tool_type` are filters, `site_id` is the site a token is bound to.
    """
    parameters = {"after": after, "limit": limit, "site": site, "tool_type": tool_type, "site_id": site_id}
    with conn.cursor(row_factory=class_row(Tool)) as cursor:
        return cursor.execute(sql("tools/list"), parameters).fetchall()


def add_tool(conn: Connection[Any], serial: str, fields: ToolFields) -> int | None:
    """Store a new tool; return its id, None where another request was faster."""
    row = conn.execute(sql("tools/add"), {"serial": serial} | fields.as_parameters()).fetchone()
    return None if row is None else int(row[0])


def replace_tool(conn: Connection[Any], tool_id: int, fields: ToolFields) -> None:
    """Store what a tool is from now on, as its next version."""
    conn.execute(sql("tools/replace"), {"tool_id": tool_id} | fields.as_parameters())


def refuse_if_tool_used(conn: Connection[Any], tool: Tool) -> None:
    """Raise unless no inspection, fitting or ledger entry refers to a tool.

    Raises
    ------
    Conflict
        Code ``in-use``, naming what refers to it.
    """
    refuse_if_used(conn, "tools", tool.serial, {"tool_id": tool.tool_id})


def delete_tool(conn: Connection[Any], tool: Tool) -> None:
    """Delete a tool that is locked, with its status and its waiting work.

    Raises
    ------
    Conflict
        Code ``in-use``, naming what refers to it.
    """
    delete_unused(conn, "tools", tool.serial, {"tool_id": tool.tool_id})


def first_inspection_at(conn: Connection[Any], tool_id: int) -> datetime | None:
    """Return when a tool was first inspected, None where it never was."""
    row = conn.execute(sql("tools/first_inspection"), {"tool_id": tool_id}).fetchone()
    return None if row is None else row[0]


def find_references(conn: Connection[Any], tool_type: str | None, site: str | None) -> References:
    """Return the ids of a tool type and a site by their codes, and what the type's newest revision says."""
    with conn.cursor(row_factory=class_row(References)) as cursor:
        row = cursor.execute(sql("tools/references"), {"tool_type": tool_type, "site": site}).fetchone()
    return row or References(None, None, None)


def get_type_of_tool(conn: Connection[Any], tool_id: int) -> ToolType | None:
    """Return the newest revision of a tool's type."""
    row = conn.execute(sql("tools/type_document"), {"tool_id": tool_id}).fetchone()
    return None if row is None else from_document(row[0], row[1], row[2])
