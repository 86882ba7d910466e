"""The feed of changes: every status that ever became visible, in the order in which it did."""

from __future__ import annotations

from typing import Any

from flask import Response

from service import access
from service.access import requires
from service.api import fields
from service.api.blueprint import Blueprint, asks, gives, waits
from service.api.ground_mix import show_amount
from service.api.paging import feed_page, read_cursor
from service.api.query import PageQuery, UnitQuery
from service.api.schema import Document
from service.api.status_document import ToolStatus
from service.api.waiting import applied, asked, hold
from service.store import changes as store
from service.store.changes import Change
from service.store.pool import transaction

blueprint = Blueprint("changes", url_prefix="/v1/changes", description="Every change of a status, none twice")
STATUS = ToolStatus()


class ChangesQuery(PageQuery, UnitQuery):
    """From where on, and of which tools; each change is taken by what it says itself."""

    after = fields.Text(
        longest=500, metadata={"description": "`next` of the answer before; without it, from the beginning"}
    )
    site = fields.Name()
    tool = fields.Name()
    tool_type = fields.Name()


class ChangePage(Document):
    """Changes in the order of their commits: each the whole status as it then became."""

    items = fields.ListOf(fields.Inner(ToolStatus), required=True)
    next = fields.Text(
        required=True,
        metadata={
            "description": "Where to go on: always there, since more will come; a `Link` says that there is more"
        },
    )


@blueprint.get("")
@requires("read")
@asks(ChangesQuery)
@waits()
@gives(200, ChangePage, paged=True)
def list_changes(query: dict[str, Any]) -> Response:
    """Return what changed after a place in the feed; with `Prefer: wait`, held until something has.

    Of one tool `sequence` counts the changes, so that a reader sees that none is missing.
    """
    (after,) = read_cursor(query, int) or (0,)
    wanted = {name: query.get(name) for name in ("site", "tool", "tool_type")}
    seconds = asked()

    def ready() -> list[Change] | None:
        with transaction() as conn:
            found = store.list_changes(
                conn, after=after, limit=query["limit"] + 1, of_site=access.current().site, **wanted
            )
        return found or None

    rows = hold(seconds, ready) or []
    made = feed_page(rows, query, after=[after], key=lambda row: [row.seq], show=lambda row: _show(row, query["unit"]))
    return applied(made, seconds)


def _show(row: Change, unit: str) -> dict[str, Any]:
    """The document in the order and rounding of a status; it holds no length, so that its unit is only repeated."""
    told = row.document | {"unit": unit, "updated_at": row.changed_at}
    told["remaining"] = told["remaining"] | {"used_since": show_amount(told["remaining"]["used_since"])}
    return {name: told[name] for name in STATUS.fields if name in told}
