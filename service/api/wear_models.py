"""What a fleet has taught of its wear, and how its past forecasts turned out: computed by the worker, read here."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from service.access import requires
from service.api import etag, fields
from service.api.answers import Answer, answer
from service.api.blueprint import Blueprint, asks, gives
from service.api.paging import page, read_cursor
from service.api.query import PageQuery, UnitQuery
from service.api.schema import Document, in_unit
from service.store import wear_models as store
from service.store.errors import NotFound
from service.store.pool import Connection, transaction
from service.store.tool_types import get_revision

blueprint = Blueprint(
    "wear-models", url_prefix="/v1/tool-types/<code>/wear-model", description="Wear learned from whole fleets"
)
RATE = {"description": "per 1000 of the life basis in reference ground"}


class RunningIn(Document):
    """Wear of the first few hundred metres that the later rate does not show; readings of parts as new stay out."""

    mean = fields.Length()
    sd = fields.Length()


class LearnedFeature(Document):
    """Wear of one feature; without instances the catalogue's."""

    feature = fields.FeatureName(required=True)
    mean = fields.Length(metadata=RATE)
    mean_sd = fields.Length(metadata={"description": "Standard deviation of the estimated mean"})
    tau = fields.Length(metadata={"description": "Standard deviation of the rate between components"})
    process_sd = fields.Length(metadata={"description": "Wandering, per root of 1000 of the life basis"})
    running_in = fields.Inner(RunningIn, metadata={"description": "null: not favoured by the readings"})
    running_in_gain = fields.Number(metadata={"description": "Log-likelihood by which running-in explains them better"})
    tools = fields.Count()
    instances = fields.Count(metadata={"description": "Components with a reading after some usage"})
    readings = fields.Count()
    outliers = fields.Count(metadata={"description": "Readings taken with ten times their uncertainty"})


class LearnedBreakage(Document):
    """Weibull life of a part against breaking, on usage as run."""

    part = fields.Name(required=True)
    shape = fields.Number()
    scale = fields.Number(metadata={"description": "1000 of the life basis by which 63 % have broken"})
    log_likelihood = fields.Number()
    components = fields.Count(metadata={"description": "Those that broke, left for another reason, or still run"})
    broken = fields.Count()


class Correction(Document):
    """Levels of the raw forecast that keep the nominal ones."""

    nominal = fields.ListOf(fields.Number())
    level = fields.ListOf(fields.Number())
    forecasts = fields.Count()
    outcomes_seen = fields.Count(metadata={"description": "Forecasts whose limit was seen to be reached"})
    tools = fields.Count(metadata={"description": "Tools that these come from"})
    trust = fields.Number(
        metadata={"description": "Share of the departure from even that is believed; 0 up to two standard errors"}
    )
    applied = fields.Flag(metadata={"description": "false: too little to go on, or nothing wrong beyond chance"})


class Corrections(Document):
    """By group: limits on one feature, and limits on several."""

    own = fields.Inner(Correction)
    sums = fields.Inner(Correction)


class RestsOn(Document):
    """What was learned from."""

    tools = fields.Count()
    instances = fields.Count(metadata={"description": "Features of components"})
    readings = fields.Count(metadata={"description": "Sizes"})
    since = fields.Moment(data_key="from")
    until = fields.Moment()


class WearModelHead(Document):
    """One version in a list."""

    tool_type = fields.Name(required=True)
    version = fields.Count(low=1, required=True)
    recorded_at = fields.Moment(required=True)
    revision = fields.Count(low=1, metadata={"description": "Of the catalogue entry that it is shrunk to"})
    rests_on = fields.Inner(RestsOn)


class WearModel(WearModelHead):
    """One version of a type's learned wear."""

    unit = fields.Unit(required=True)
    life_basis = fields.Choice(("metres", "hours"))
    ground_factors = fields.Table(fields.Number(), metadata={"description": "Effective usage per usage"})
    features = fields.ListOf(fields.Inner(LearnedFeature))
    slope_correlation = fields.Number(
        metadata={"description": "Of the rates of one tool's features; 0 below 20 tools or where none shows"}
    )
    reversal_correlation = fields.Number(
        metadata={"description": "Of an end's rates before and after its part is turned; 0.4 below 20 reversals"}
    )
    breakage = fields.ListOf(
        fields.Inner(LearnedBreakage), metadata={"description": "Of parts that broke five times or more"}
    )
    recalibration = fields.Inner(Corrections)


class WearModelPage(Document):
    """Versions, oldest first."""

    items = fields.ListOf(fields.Inner(WearModelHead), required=True)
    next = fields.Text(allow_none=True)


class VersionQuery(UnitQuery):
    """Which version, in which unit."""

    version = fields.Count(low=1, metadata={"description": "Default: the newest"})


_ANSWER = WearModel()


@blueprint.get("")
@requires("read")
@asks(VersionQuery)
@gives(200, WearModel, tagged=True)
def get_wear_model(code: str, query: dict[str, Any]) -> Any:
    """Return what the fleet of a type has taught of its wear; 404 until it has taught anything."""
    with transaction() as conn:
        row = store.get_wear_model(conn, code, query.get("version"))
        if row is None:
            raise _missing(conn, code, query.get("version"))
    tag = etag.tag(row.version, query["unit"])
    head = {"tool_type": row.code, "version": row.version, "recorded_at": row.recorded_at, "revision": row.revision}
    document = in_unit(_ANSWER, row.document | head | {"unit": query["unit"]}, query["unit"])
    document["rests_on"] = _rests_on(row.document["rests_on"])
    return etag.not_modified(tag) or answer(document, etag=tag)


def _missing(conn: Connection, code: str, version: int | None) -> NotFound:
    get_revision(conn, code)  # says so where there is no such type
    return NotFound("wear model", code if version is None else f"{code}, version {version}")


def _rests_on(said: dict[str, Any]) -> dict[str, Any]:
    """Times as every other one in an answer."""
    return said | {name: said[name] and datetime.fromisoformat(said[name]) for name in ("from", "until")}


@blueprint.get("/versions")
@requires("read")
@asks(PageQuery)
@gives(200, WearModelPage, paged=True)
def list_wear_models(code: str, query: dict[str, Any]) -> Answer:
    """List the versions of a type's learned wear, oldest first."""
    after = read_cursor(query, int)
    with transaction() as conn:
        get_revision(conn, code)
        rows = store.list_wear_models(conn, code, after[0] if after else 0, query["limit"] + 1)

    def show(row: store.WearModelLine) -> dict[str, Any]:
        head = {"tool_type": row.code, "version": row.version, "recorded_at": row.recorded_at, "revision": row.revision}
        return head | {"rests_on": _rests_on(row.rests_on)}

    return page(rows, query, key=lambda row: [row.version], show=show)
