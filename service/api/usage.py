"""The usage ledger: what tools ran, posted by itself; what inspections carry is shown among it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any
from uuid import UUID

import marshmallow as ma
from flask import Response

from service import access, faults, queue
from service.access import OutsideSite, requires
from service.api import etag, fields
from service.api.answers import Answer, answer, nothing
from service.api.blueprint import Blueprint, asks, gives, intake, keyed, takes
from service.api.ground_mix import Ground
from service.api.paging import page, read_cursor
from service.api.query import PageQuery
from service.api.schema import Document, check
from service.faults import Fault, fault, pointer
from service.problems import Refused
from service.store import usage as store
from service.store.errors import Conflict, NotFound
from service.store.pool import Connection, transaction
from service.store.tools import LockedTool, lock_tools
from service.store.usage import Entry, Overlap, Usage
from service.store.usage_periods import derive_periods
from service.store.work import mark_dirty, mark_followers

blueprint = Blueprint("usage", url_prefix="/v1/usage", description="What tools ran, by half-open intervals")

MAX_ENTRIES = 10_000
MAX_AMOUNT = 1e9  # metres or hours of one entry
MAX_RATE_M_H = 1e6
MAX_PRESSURE_BAR = 1e4


class EntryBody(Document):
    """One interval: `metres` or `hours` or both."""

    tool = fields.Name(required=True)
    since = fields.Moment(required=True, past=True, data_key="from")
    until = fields.Moment(required=True, past=True, data_key="to")
    metres = fields.Number(low=0, high=MAX_AMOUNT)
    hours = fields.Number(low=0, high=MAX_AMOUNT)
    ground = Ground()
    rate_m_h = fields.Number(above=0, high=MAX_RATE_M_H, metadata={"description": "Penetration observed, m/h"})
    pressure_bar = fields.Number(
        above=0, high=MAX_PRESSURE_BAR, metadata={"description": "Air pressure observed, bar absolute"}
    )


class LedgerBody(Document):
    """Entries that are stored all or not at all."""

    entries = fields.ListOf(fields.Inner(EntryBody), required=True, fewest=1, most=MAX_ENTRIES)


class UsageSource(Document):
    """The inspection that said what was run."""

    id = ma.fields.UUID(required=True)
    reference = fields.Name(required=True)
    stage = fields.Choice(("as_found", "as_left"), required=True)


class Amount(Document):
    """What was run in one ground, or in a mix."""

    metres = fields.Number()
    hours = fields.Number()
    ground = fields.Table(fields.Number(low=0, high=1), metadata={"description": "Shares; null: not known"})


class UsageAnswer(Document):
    """An interval of usage."""

    id = ma.fields.UUID(required=True)
    tool = fields.Name(required=True)
    since = fields.Moment(data_key="from", metadata={"description": "null: the start is not known"})
    until = fields.Moment(required=True, data_key="to")
    metres = fields.Number()
    hours = fields.Number()
    ground = fields.Table(fields.Number(low=0, high=1), metadata={"description": "Shares; null: not known"})
    amounts = fields.ListOf(fields.Inner(Amount), required=True)
    rate_m_h = fields.Number()
    pressure_bar = fields.Number()
    inspection = fields.Inner(UsageSource, metadata={"description": "null: a ledger entry"})
    recorded_at = fields.Moment(required=True)


class LedgerAnswer(Document):
    """The entries as stored, in the order of the request."""

    entries = fields.ListOf(fields.Inner(UsageAnswer), required=True, most=MAX_ENTRIES)


class UsagePage(Document):
    """Usage in the order it was recorded."""

    items = fields.ListOf(fields.Inner(UsageAnswer), required=True)
    next = fields.Text(allow_none=True)


class UsageQuery(PageQuery):
    """Which usage; `from` and `to` bound the time it touches."""

    tool = fields.Name()
    site = fields.Name()
    tool_type = fields.Name()
    since = fields.Moment(data_key="from", metadata={"description": "Run after this time, in part at least"})
    until = fields.Moment(data_key="to", metadata={"description": "Run before this time, in part at least"})


LEDGER_BODY = LedgerBody()
ENTRY_BODY = EntryBody()


def _hinted(response: Response) -> Response:
    queue.hint()
    return response


@blueprint.post("")
@requires("intake")
@intake
@takes(LedgerBody, examples="usage", checked=False)
@keyed(_hinted)
@gives(200, LedgerAnswer, description="The ledger had all of them already")
@gives(201, LedgerAnswer)
def post_usage(conn: Connection, body: Any) -> Answer:
    """Record what tools ran. All or nothing; an entry equal to one that is there changes nothing."""
    entries = _read(conn, body)
    ids, new = _store(conn, entries)
    shown = {row.usage_id: _show(row) for row in store.get_usages(conn, list(set(ids)))}
    return answer({"entries": [shown[usage_id] for usage_id in ids]}, 201 if new else 200)


@blueprint.get("/<uuid:usage_id>")
@requires("read", "intake")
@gives(200, UsageAnswer, tagged=True)
def get_usage(usage_id: UUID) -> Response:
    """Return an interval of usage."""
    with transaction() as conn:
        shown = _show(_find(conn, usage_id))
    tag = etag.tag(etag.content_version(shown))
    return etag.not_modified(tag) or answer(shown, etag=tag)


@blueprint.get("")
@requires("read", "intake")
@asks(UsageQuery)
@gives(200, UsagePage, paged=True)
def list_usage(query: dict[str, Any]) -> Answer:
    """List usage in the order it was recorded: the ledger, and what inspections carry."""
    after = read_cursor(query, UUID)
    with transaction() as conn:
        rows = store.list_usage(
            conn,
            after=after[0] if after else None,
            limit=query["limit"] + 1,
            tool=query.get("tool"),
            site=query.get("site"),
            tool_type=query.get("tool_type"),
            since=query.get("since"),
            until=query.get("until"),
            site_id=access.current().site_id,
        )
    return page(rows, query, key=lambda row: [row.usage_id], show=_show)


@blueprint.delete("/<uuid:usage_id>")
@requires("intake")
@gives(204)
def delete_usage(usage_id: UUID) -> Response:
    """Take a ledger entry back."""
    with transaction() as conn:
        lock_tools(conn, [_find(conn, usage_id).tool])
        usage = _find(conn, usage_id)
        etag.check_write(etag.content_version(_show(usage)))
        if usage.inspection_id is not None or usage.since is None:
            words = f"the usage is part of inspection {usage.reference} ({usage.stage}): correct that"
            raise Conflict("derived-usage", words, inspection=_source(usage))
        store.delete_usage(conn, usage_id)
        derive_periods(conn, [usage.tool_id], [usage.since])
        _mark(conn, {usage.tool_id: usage.since})
    queue.hint()
    return nothing()


def _find(conn: Connection, usage_id: UUID) -> Usage:
    found = store.get_usages(conn, [usage_id])
    if not found:
        raise NotFound("usage", usage_id)
    access.current().check_site(found[0].site_id)
    return found[0]


def _read(conn: Connection, body: Any) -> list[Entry]:
    """Check a ledger, its tools held.

    Raises
    ------
    Refused, OutsideSite
    """
    read, found = check(LEDGER_BODY, body)
    rows = list(enumerate(read["entries"])) if not found else _readable_rows(body)
    tools = lock_tools(conn, sorted({row["tool"] for _, row in rows if "tool" in row}))
    for index, row in rows:
        found += _entry_faults(row, pointer("entries", index), tools, found)
    if found:
        raise Refused(found)
    for tool in tools.values():
        if not access.current().sees(tool.site_id):
            raise OutsideSite(f"the token is bound to another site than that of {tool.serial}")
    return [_entry(index, row, tools) for index, row in rows]


def _readable_rows(body: Any) -> list[tuple[int, dict[str, Any]]]:
    """Return what can be read of each entry of a faulty ledger, with its place in the request."""
    entries = body.get("entries") if isinstance(body, dict) else None
    if not isinstance(entries, list):
        return []
    return [(index, check(ENTRY_BODY, entry)[0]) for index, entry in enumerate(entries[:MAX_ENTRIES])]


def _entry_faults(
    row: Mapping[str, Any], at: str, tools: Mapping[str, LockedTool], known: Sequence[Fault]
) -> list[Fault]:
    """Return what only shows once an entry's fields are seen together; `known` are the faults of its fields."""
    found = []
    wrong = {item.pointer for item in known}
    if "tool" in row and row["tool"] not in tools:
        found.append(fault(f"{at}/tool", "unknown-tool"))
    if "since" in row and "until" in row and row["until"] <= row["since"]:
        found.append(fault(f"{at}/to", "bad-interval"))
    amounts = [f"{at}/metres", f"{at}/hours"]
    if "metres" not in row and "hours" not in row and not wrong.intersection([at, *amounts]):
        found.append(fault(f"{at}/metres", "required", "metres or hours is required"))
    return found


def _entry(index: int, row: Mapping[str, Any], tools: Mapping[str, LockedTool]) -> Entry:
    return Entry(
        ordinal=index,
        tool_id=tools[row["tool"]].tool_id,
        since=row["since"],
        until=row["until"],
        metres=row.get("metres"),
        hours=row.get("hours"),
        ground=row.get("ground"),
        rate_m_h=row.get("rate_m_h"),
        pressure_bar=row.get("pressure_bar"),
    )


def _store(conn: Connection, entries: list[Entry]) -> tuple[list[UUID], bool]:
    """Store the entries that are new; return the id of each, and whether any was.

    Raises
    ------
    Conflict
        Code ``usage-overlap``.
    """
    same = _same_entries(entries)
    first = [entry for entry in entries if same[entry.ordinal] == entry.ordinal]
    ids = store.find_equal_entries(conn, first)
    new = [entry for entry in first if entry.ordinal not in ids]
    if new:
        added = dict(zip((entry.ordinal for entry in new), store.add_entries(conn, new), strict=True))
        since: dict[int, datetime] = {}
        for entry in new:
            since[entry.tool_id] = min(entry.since, since.get(entry.tool_id, entry.since))
        overlaps = store.settle_ledger(conn, list(added.values()), since)
        if overlaps:
            raise _conflict(overlaps, added)
        _mark(conn, since)
        ids |= added
    return [ids[same[entry.ordinal]] for entry in entries], bool(new)


def _same_entries(entries: list[Entry]) -> dict[int, int]:
    """Return for each entry the first one of the request that is equal to it."""
    first: dict[str, int] = {}
    return {
        entry.ordinal: first.setdefault(repr(entry.as_record() | {"ordinal": None}), entry.ordinal) for entry in entries
    }


def _mark(conn: Connection, since_by_tool: Mapping[int, datetime]) -> None:
    mark_dirty(conn, list(since_by_tool), list(since_by_tool.values()))
    for tool_id, since in since_by_tool.items():
        mark_followers(conn, tool_id, since)


def _conflict(overlaps: Sequence[Overlap], added: Mapping[int, UUID]) -> Conflict:
    """Return the refusal that names both sides of every overlap."""
    places = {usage_id: pointer("entries", ordinal) for ordinal, usage_id in added.items()}
    shown = []
    for overlap in overlaps[: faults.MAX_FAULTS]:
        entry = {"pointer": places[overlap.usage_id], "tool": overlap.tool}
        other: dict[str, Any] = {"from": overlap.other_since, "to": overlap.other_until}
        if overlap.other_id in places:
            other["pointer"] = places[overlap.other_id]
        else:
            other["id"] = overlap.other_id
        if overlap.inspection_id is not None:
            source = {"id": overlap.inspection_id, "reference": overlap.reference, "stage": overlap.stage}
            other["inspection"] = source
        shown.append({"entry": entry | {"from": overlap.since, "to": overlap.until}, "with": other})
    words = f"{len(shown)} overlap{'s' * (len(shown) > 1)} with usage of the same tool; nothing was stored"
    return Conflict("usage-overlap", words, overlaps=shown)


def _source(usage: Usage) -> dict[str, Any] | None:
    if usage.inspection_id is None:
        return None
    return {"id": usage.inspection_id, "reference": usage.reference, "stage": usage.stage}


def _show(usage: Usage) -> dict[str, Any]:
    return {
        "id": usage.usage_id,
        "tool": usage.tool,
        "from": usage.since,
        "to": usage.until,
        "metres": usage.metres,
        "hours": usage.hours,
        "ground": usage.amounts[0].get("ground") if len(usage.amounts) == 1 else None,
        "amounts": usage.amounts,
        "rate_m_h": usage.rate_m_h,
        "pressure_bar": usage.pressure_bar,
        "inspection": _source(usage),
        "recorded_at": usage.recorded_at,
    }
