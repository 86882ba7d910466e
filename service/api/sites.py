"""Sites."""

from __future__ import annotations

from typing import Any

from flask import Response

from service import access, queue
from service.access import requires
from service.api import etag, fields
from service.api.answers import Answer, answer, nothing
from service.api.blueprint import Blueprint, asks, gives, takes
from service.api.paging import page, read_cursor
from service.api.query import PageQuery
from service.api.schema import Document
from service.store import sites as store
from service.store.errors import NotFound
from service.store.pool import transaction
from service.store.sites import Site

blueprint = Blueprint("sites", url_prefix="/v1/sites", description="Places with tools, and their time zones")


class SiteBody(Document):
    """A site as a client says it."""

    name = fields.Text(required=True, shortest=1, longest=200)
    time_zone = fields.TimeZone(required=True, metadata={"description": "Of the tz database: dates are its days"})


class SiteAnswer(SiteBody):
    """A site."""

    code = fields.Name(required=True)
    version = fields.Count(required=True)


class SitePage(Document):
    """Sites by code."""

    items = fields.ListOf(fields.Inner(SiteAnswer), required=True)
    next = fields.Text(allow_none=True)


@blueprint.put("/<code>")
@requires("catalogue")
@takes(SiteBody, examples="site")
@gives(200, SiteAnswer, tagged=True)
@gives(201, SiteAnswer, tagged=True, located=True)
def put_site(code: str, body: dict[str, Any]) -> Answer:
    """Create or replace a site."""
    with transaction() as conn:
        site, new = _put(conn, code, body["name"], body["time_zone"])
    queue.hint()
    return _answer(site, 201 if new else 200)


@blueprint.get("/<code>")
@requires("read", "catalogue")
@gives(200, SiteAnswer, tagged=True)
def get_site(code: str) -> Response:
    """Return a site."""
    with transaction() as conn:
        site = store.get_site(conn, code)
    access.current().check_site(site.site_id)
    return etag.not_modified(etag.tag(site.version)) or _answer(site)


@blueprint.get("")
@requires("read", "catalogue")
@asks(PageQuery)
@gives(200, SitePage, paged=True)
def list_sites(query: dict[str, Any]) -> Answer:
    """List sites by code."""
    after = read_cursor(query, str)
    with transaction() as conn:
        rows = store.list_sites(conn, after and after[0], query["limit"] + 1, access.current().site_id)
    return page(rows, query, key=lambda site: [site.code], show=_show)


@blueprint.delete("/<code>")
@requires("catalogue")
@gives(204)
def delete_site(code: str) -> Response:
    """Delete a site that nothing refers to."""
    with transaction() as conn:
        site = store.lock_site(conn, code)
        etag.check_write(site.version if site else None)
        if site is None:
            raise NotFound("site", code)
        access.current().check_site(site.site_id)
        store.delete_site(conn, site)
    return nothing()


def _put(conn: Any, code: str, name: str, time_zone: str) -> tuple[Site, bool]:
    site = store.lock_site(conn, code)
    etag.check_write(site.version if site else None)
    if site is None:
        access.current().check_unbound()
        added = store.add_site(conn, code, name, time_zone)
        # None: another request added it since we looked, and has committed; theirs is replaced.
        return (added, True) if added else _put(conn, code, name, time_zone)
    access.current().check_site(site.site_id)
    if (site.name, site.time_zone) == (name, time_zone):
        return site, False
    saved = store.save_site(conn, site.site_id, name, time_zone)
    if site.time_zone != time_zone:
        store.shift_days(conn, site.site_id)
    return saved, False


def _show(site: Site) -> dict[str, Any]:
    return {"code": site.code, "name": site.name, "time_zone": site.time_zone, "version": site.version}


def _answer(site: Site, status: int = 200) -> Answer:
    location = f"/v1/sites/{site.code}" if status == 201 else None
    return answer(_show(site), status, etag=etag.tag(site.version), location=location)
