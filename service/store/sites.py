"""Sites: places with tools, each with its time zone."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from psycopg import Connection
from psycopg.rows import class_row

from service.store.errors import NotFound
from service.store.statements import sql
from service.store.usage_periods import derive_periods
from service.store.users import delete_unused
from service.store.work import mark_dirty


@dataclass(frozen=True, slots=True)
class Site:
    """One site as it is stored."""

    site_id: int
    code: str
    name: str
    time_zone: str
    version: int


def get_site(conn: Connection[Any], code: str) -> Site:
    """Return a site.

    Raises
    ------
    NotFound
    """
    site = _one(conn, "sites/get", {"code": code})
    if site is None:
        raise NotFound("site", code)
    return site


def lock_site(conn: Connection[Any], code: str) -> Site | None:
    """Return a site and keep others from writing it until the transaction ends; None where there is none."""
    return _one(conn, "sites/lock", {"code": code})


def list_sites(conn: Connection[Any], after: str | None, limit: int, site_id: int | None) -> Sequence[Site]:
    """Return sites by code, `limit` at most; of `site_id` only, where it is given."""
    wanted = {"after": after, "limit": limit, "site_id": site_id}
    with conn.cursor(row_factory=class_row(Site)) as cursor:
        return cursor.execute(sql("sites/list"), wanted).fetchall()


def add_site(conn: Connection[Any], code: str, name: str, time_zone: str) -> Site | None:
    """Add a site; None where another transaction added one of this code meanwhile."""
    return _one(conn, "sites/add", {"code": code, "name": name, "time_zone": time_zone})


def save_site(conn: Connection[Any], site_id: int, name: str, time_zone: str) -> Site:
    """Write a site that is locked; its version goes up."""
    site = _one(conn, "sites/save", {"site_id": site_id, "name": name, "time_zone": time_zone})
    if site is None:
        raise NotFound("site", site_id)
    return site


def shift_days(conn: Connection[Any], site_id: int) -> None:
    """Have computed again what rests on the days of a site whose time zone changed: usage from a tool's first day on.

    Raises
    ------
    Conflict
        Code ``usage-overlap`` or ``usage-without-time``, where an inspection's usage would meet other usage.
    """
    rows = conn.execute(sql("sites/list_tools"), {"site_id": site_id}).fetchall()
    if rows:
        tool_ids = [row[0] for row in rows]
        derive_periods(conn, tool_ids, [None] * len(rows))
        mark_dirty(conn, tool_ids, [row[1] for row in rows])


def delete_site(conn: Connection[Any], site: Site) -> None:
    """Delete a site that is locked.

    Raises
    ------
    Conflict
        Code ``in-use``, naming what refers to it.
    """
    delete_unused(conn, "sites", site.code, {"site_id": site.site_id})


def _one(conn: Connection[Any], statement: str, values: dict[str, Any]) -> Site | None:
    with conn.cursor(row_factory=class_row(Site)) as cursor:
        return cursor.execute(sql(statement), values).fetchone()
