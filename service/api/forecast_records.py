"""How past forecasts of a fleet turned out, raw and recalibrated side by side: computed by the worker, read here."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from service.access import requires
from service.api import etag, fields
from service.api.answers import Answer, answer
from service.api.blueprint import Blueprint, asks, gives
from service.api.paging import page, read_cursor
from service.api.query import PageQuery
from service.api.schema import Document
from service.api.wear_models import Corrections
from service.store import forecast_records as store
from service.store.errors import NotFound
from service.store.pool import transaction
from service.store.tool_types import get_revision

blueprint = Blueprint(
    "forecast-records",
    url_prefix="/v1/tool-types/<code>/forecast-record",
    description="Whether intervals kept their promise",
)
GROUPS = ("all", "own", "sums", "before_learning", "after_learning")


class Skill(Document):
    """1 less the score over that of a straight line through the first and the newest reading, extrapolated.

    The weighted line counts usage by ground, the other as it was run.
    """

    crps_against_line = fields.Number()
    crps_against_weighted_line = fields.Number()
    median_against_line = fields.Number()
    median_against_weighted_line = fields.Number()


class Pinball(Document):
    """Mean pinball loss of each quantile, in the life basis."""

    p10 = fields.Number()
    p50 = fields.Number()
    p90 = fields.Number()


class Kept(Document):
    """How one kind of forecast kept its promise."""

    coverage = fields.Number(metadata={"description": "Share of outcomes between p10 and p90; 0.8 is promised"})
    coverage_band = fields.ListOf(fields.Number(), metadata={"description": "5 and 95 % points, tools resampled"})
    below_p10 = fields.Number()
    above_p90 = fields.Number()
    pit_histogram = fields.ListOf(fields.Count(), metadata={"description": "Ten bins; even where all is right"})
    pinball = fields.Inner(Pinball)
    crps = fields.Number(metadata={"description": "Continuous ranked probability score up to the horizon"})
    median_error = fields.Number(metadata={"description": "Mean absolute error of p50 up to the horizon"})
    skill = fields.Inner(Skill)


class RecordGroup(Document):
    """Some of the forecasts: limits on one feature (`own`), on several (`sums`), by the catalogue's parameters
    (`before_learning`) or by learned ones.
    """

    group = fields.Choice(GROUPS, required=True)
    forecasts = fields.Count(required=True)
    raw = fields.Inner(Kept, metadata={"description": "null: no forecast"})
    recalibrated = fields.Inner(Kept, metadata={"description": "Each half of the tools by what the other half showed"})


class RecordHead(Document):
    """One record in a list."""

    tool_type = fields.Name(required=True)
    record = fields.Count(low=1, required=True)
    computed_at = fields.Moment(required=True)
    wear_model = fields.Count(metadata={"description": "Version of the learned parameters that was in force then"})
    tools = fields.Count()
    forecasts = fields.Count(required=True)


class RecordPage(Document):
    """Records, oldest first."""

    items = fields.ListOf(fields.Inner(RecordHead), required=True)
    next = fields.Text(allow_none=True)


class ForecastRecord(RecordHead):
    """Rolling origin over the owner's history: at each inspection a forecast from earlier readings alone.

    Parameters are those learned before; the ground that was then run counts as planned. Where parts left before the
    limit, the rest of the way is drawn from the forecast at their last reading.
    """

    basis = fields.Choice(("metres", "hours"), required=True)
    horizon_lives = fields.Number(metadata={"description": "Scores look this many catalogue lives ahead"})
    tools_in_fleet = fields.Count()
    limits = fields.ListOf(fields.Text())
    outcomes_seen = fields.Count(metadata={"description": "Forecasts whose limit was seen to be reached"})
    since = fields.Moment(data_key="from")
    until = fields.Moment()
    groups = fields.ListOf(fields.Inner(RecordGroup), required=True)
    recalibration = fields.Inner(
        Corrections, metadata={"description": "What follows for forecasts by the parameters in force"}
    )


class RecordQuery(Document):
    """Which record."""

    record = fields.Count(low=1, metadata={"description": "An older one; default: the newest"})


@blueprint.get("")
@requires("read")
@asks(RecordQuery)
@gives(200, ForecastRecord, tagged=True)
def get_forecast_record(code: str, query: dict[str, Any]) -> Any:
    """Return how a fleet's past forecasts turned out; 404 until there is a record."""
    with transaction() as conn:
        row = store.get_record(conn, code, query.get("record"))
        if row is None:
            get_revision(conn, code)  # says so where there is no such type
            raise NotFound("forecast record", code)
    tag = etag.tag(row.record)
    times = {name: row.document[name] and datetime.fromisoformat(row.document[name]) for name in ("from", "until")}
    head = {"tool_type": row.code, "record": row.record, "computed_at": row.computed_at, "wear_model": row.wear_model}
    return etag.not_modified(tag) or answer(head | row.document | times, etag=tag)


@blueprint.get("/records")
@requires("read")
@asks(PageQuery)
@gives(200, RecordPage, paged=True)
def list_forecast_records(code: str, query: dict[str, Any]) -> Answer:
    """List the records of a type, oldest first; `?record=N` gives one of them."""
    after = read_cursor(query, int)
    with transaction() as conn:
        get_revision(conn, code)
        rows = store.list_records(conn, code, after[0] if after else 0, query["limit"] + 1)

    def show(row: store.RecordLine) -> dict[str, Any]:
        head = {"tool_type": row.code, "record": row.record, "computed_at": row.computed_at}
        return head | {"wear_model": row.wear_model, "tools": row.tools, "forecasts": row.forecasts}

    return page(rows, query, key=lambda row: [row.record], show=show)
