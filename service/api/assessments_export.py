"""Assessments in bulk: flat rows for a spreadsheet or a warehouse, sent while they are read."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Iterator, Sequence
from datetime import datetime
from itertools import chain, islice
from typing import Any

import marshmallow as ma
import orjson
from flask import Response

from service import access, units
from service.access import requires
from service.api import fields
from service.api.answers import OPTIONS, accepted
from service.api.assessment_document import TOOL_STATES, VERDICTS
from service.api.blueprint import Blueprint, asks, gives, refuses
from service.api.query import UnitQuery
from service.api.schema import Document, in_unit
from service.store import assessments_export as store
from service.store.archive import refuse_archived_within
from service.store.pool import transaction

blueprint = Blueprint("assessments_export", url_prefix="/v1/assessments", description="Assessments as flat rows")
INSPECTIONS_AT_ONCE = 200
CSV, NDJSON = "text/csv", "application/x-ndjson"
Rows = Sequence[dict[str, Any]]


class ExportQuery(UnitQuery):
    """Which assessments."""

    since = fields.Moment(data_key="from", metadata={"description": "Of inspections taken at this time or later"})
    until = fields.Moment(data_key="to", metadata={"description": "Of inspections taken before"})
    site = fields.Name()
    tool = fields.Name()
    tool_type = fields.Name()


class FlatRow(Document):
    """One size (`feature`) or one clearance (`fit`) of the newest assessment of an inspection; an inspection that
    measured nothing is one row with neither.
    """

    inspection = ma.fields.UUID(required=True)
    inspection_version = fields.Count(required=True)
    version = fields.Count(required=True, metadata={"description": "Of the assessment"})
    tool = fields.Name(required=True)
    site = fields.Name(required=True, metadata={"description": "Of the tool, now"})
    tool_type = fields.Name(required=True)
    revision = fields.Count(required=True, metadata={"description": "Of the tool type, which judged it"})
    reference = fields.Name(required=True)
    stage = fields.Choice(("as_found", "as_left"), required=True)
    taken_at = fields.Moment(required=True)
    computed_at = fields.Moment(required=True)
    method = fields.Text(required=True)
    state = fields.Choice(TOOL_STATES, required=True, metadata={"description": "Of the tool, by this assessment"})
    retained = fields.Number(metadata={"description": "Share of the performance of a new tool"})
    unit = fields.Unit(required=True)
    feature = fields.FeatureName()
    fit = fields.Name()
    component = fields.Name()
    position = fields.Count(low=1)
    readings = fields.Count()
    mean = fields.Length()
    min = fields.Length(metadata={"description": "Of a fit, the smallest clearance"})
    max = fields.Length(metadata={"description": "Of a size"})
    worst = fields.Length()
    clearance_for_leakage = fields.Length()
    standard_uncertainty = fields.Length()
    degrees_of_freedom = fields.Number(metadata={"description": "null: infinite"})
    expanded_uncertainty = fields.Length()
    coverage_factor = fields.Number()
    new = fields.Length(metadata={"description": "Of a fit, the middle of its new limits"})
    discard = fields.Length()
    consumed = fields.Number()
    probability_beyond = fields.Number(low=0, high=1)
    verdict = fields.Choice(VERDICTS)
    leak_free_air_m3_min = fields.Number()


ROW = FlatRow()
COLUMNS = tuple(ROW.fields)
TEXT = {"type": "string"}


@blueprint.get("/export")
@requires("read")
@asks(ExportQuery)
@refuses(406, 409)
@gives(200, TEXT, content_type=CSV, description="A header, then a line for each row")
@gives(200, TEXT, content_type=NDJSON, description="A JSON object a line, of the same names")
def export_assessments(query: dict[str, Any]) -> Response:
    """Return the sizes and clearances of many inspections as flat rows, in the order of time, by their newest
    assessments; those of withdrawn and failed ones are left out.
    """
    kind = accepted(CSV, NDJSON)
    with transaction() as conn:
        refuse_archived_within(conn, query.get("since"), query.get("until"))
    pages = _pages(query, access.current().site_id)
    begun = tuple(islice(pages, 1))  # before the answer begins: what goes wrong here can still be said
    write = _as_csv if kind == CSV else _as_ndjson
    made = Response(_lines(chain(begun, pages), write), mimetype=kind)
    made.headers["Vary"] = "Accept"
    made.headers["Content-Disposition"] = f'attachment; filename="assessments.{"csv" if kind == CSV else "ndjson"}"'
    return made


def _pages(query: dict[str, Any], site_id: int | None) -> Iterator[Rows]:
    """Rows in the unit asked for, each page in a transaction of its own: nothing is held while a client reads."""
    wanted = {name: query.get(name) for name in ("tool", "site", "tool_type")}
    wanted |= {"from": query.get("since"), "to": query.get("until")}
    after = None
    while True:
        with transaction() as conn:
            rows, after = store.list_flat_rows(conn, wanted, after=after, limit=INSPECTIONS_AT_ONCE, site_id=site_id)
        if after is None:
            return
        yield [in_unit(ROW, row | {"unit": query["unit"]}, query["unit"]) for row in rows]


def _lines(pages: Iterator[Rows], write: Callable[[Rows, bool], bytes]) -> Iterator[bytes]:
    yield write((), True)
    for rows in pages:
        yield write(rows, False)


def _as_csv(rows: Rows, begin: bool) -> bytes:
    text = io.StringIO()
    writer = csv.writer(text)
    if begin:
        writer.writerow(COLUMNS)
    writer.writerows([_cell(row[name]) for name in COLUMNS] for row in rows)
    return text.getvalue().encode()


def _cell(value: Any) -> Any:
    return units.show_moment(value) if isinstance(value, datetime) else value


def _as_ndjson(rows: Rows, _begin: bool) -> bytes:
    return b"".join(orjson.dumps(row, option=OPTIONS | orjson.OPT_APPEND_NEWLINE) for row in rows)
