"""Histories: one feature or fit of a tool through time, and one component wherever it was."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime
from typing import Any

import marshmallow as ma

from service import faults
from service.access import requires
from service.api import fields
from service.api.answers import Answer
from service.api.assessment_document import VERDICTS, TypeRevision
from service.api.blueprint import Blueprint, asks, gives, refuses
from service.api.build import Ran, run_of, show_run
from service.api.components import find_component
from service.api.paging import page, read_cursor
from service.api.query import PageQuery, UnitQuery
from service.api.schema import Document, in_unit
from service.api.tools import find_tool
from service.catalogue import ToolType
from service.problems import Refused
from service.store import history as store
from service.store.archive import refuse_archived_of_tool
from service.store.components import Component
from service.store.fittings import ComponentStint, stints_of_components
from service.store.history import ComponentMark, Mark
from service.store.odometers import NOTHING, Run, load_odometers
from service.store.pool import Connection, transaction
from service.store.tools import Tool, get_type_of_tool

blueprint = Blueprint("history", url_prefix="/v1", description="Sizes and clearances through time")


class Point(Document):
    """What every point of a series has."""

    inspection = ma.fields.UUID(required=True)
    reference = fields.Name(required=True)
    stage = fields.Choice(("as_found", "as_left"), required=True)
    taken_at = fields.Moment(required=True)
    version = fields.Count(required=True, metadata={"description": "Of the assessment"})
    tool_type = fields.Inner(TypeRevision, required=True, metadata={"description": "The revision that judged it"})
    position = fields.Count(low=1)
    mean = fields.Length()
    worst = fields.Length()
    standard_uncertainty = fields.Length()
    mean_standard_uncertainty = fields.Length()
    degrees_of_freedom = fields.Number(metadata={"description": "null: infinite"})
    expanded_uncertainty = fields.Length()
    coverage_factor = fields.Number()
    discard = fields.Length()
    probability_beyond = fields.Number(low=0, high=1)
    verdict = fields.Choice(VERDICTS, required=True)


_COMPONENT_USAGE = {"description": "1000 of the life basis, weighted by ground; null: not known"}


class SizePoint(Point):
    """A size of one component."""

    component = fields.Name()
    reversals = fields.Count(
        required=True, metadata={"description": "How often it had been turned end for end: each end is a series"}
    )
    readings = fields.Count(required=True)
    min = fields.Length()
    max = fields.Length()
    worst_station = fields.Count(low=1)
    discard_on = fields.Choice(("worst", "mean"), required=True)
    blocked = fields.Flag(required=True, metadata={"description": "A remark keeps it out of the wear state"})
    component_usage = fields.Number(metadata=_COMPONENT_USAGE)


class ClearancePoint(Point):
    """A clearance of one fit."""

    smallest = fields.Length()
    clearance_for_leakage = fields.Length()
    new = fields.Length()
    consumed = fields.Number()
    shaft_component = fields.Name()
    shaft_usage = fields.Number(metadata=_COMPONENT_USAGE)
    bore_component = fields.Name()
    bore_usage = fields.Number(metadata=_COMPONENT_USAGE)


class ToolPoint(SizePoint, ClearancePoint):
    """A size (`?feature=`) or a clearance (`?fit=`), against what the tool had run by then."""

    reversals = fields.Count()
    readings = fields.Count(metadata={"description": "Of a size; like every field that only one of the two has"})
    discard_on = fields.Choice(("worst", "mean"))
    blocked = fields.Flag()
    tool_usage = fields.Inner(Ran, required=True)


class ToolHistory(Document):
    """A series in the order of time."""

    tool = fields.Name(required=True)
    feature = fields.FeatureName()
    fit = fields.Name()
    unit = fields.Unit(required=True)
    basis = fields.Choice(("metres", "hours"), required=True)
    items = fields.ListOf(fields.Inner(ToolPoint), required=True)
    next = fields.Text(allow_none=True)


class ToolHistoryQuery(PageQuery, UnitQuery):
    """Which series: one of `feature` and `fit`."""

    feature = fields.FeatureName(metadata={"description": "Sizes of this feature"})
    fit = fields.Name(metadata={"description": "Clearances of this fit"})
    since = fields.Moment(data_key="from", metadata={"description": "Of inspections taken at this time or later"})


class ComponentPoint(SizePoint):
    """A size, and where it was measured."""

    tool = fields.Name(required=True)
    feature = fields.FeatureName(required=True)


class StintAnswer(Ran):
    """Where a component sat, and what it ran there."""

    tool = fields.Name(required=True)
    part = fields.Name(required=True)
    position = fields.Count(low=1, required=True)
    since = fields.Moment(required=True, data_key="from")
    until = fields.Moment()
    fitting = ma.fields.UUID(required=True)
    inspection = ma.fields.UUID(allow_none=True, metadata={"description": "Whose renewal put it in"})


class ComponentHistory(Document):
    """Where a component sat, what it ran, what it measured."""

    component = fields.Name(required=True)
    part = fields.Name(required=True)
    tool_type = fields.Name(required=True)
    set = fields.Name()
    state = fields.Choice(("fitted", "stock", "scrapped"), required=True)
    unit = fields.Unit(required=True)
    usage = fields.Inner(Ran, required=True)
    fittings = fields.ListOf(fields.Inner(StintAnswer), required=True)
    sizes = fields.ListOf(fields.Inner(ComponentPoint), required=True)
    next = fields.Text(allow_none=True, metadata={"description": "Of the sizes; the fittings are all there"})


class ComponentHistoryQuery(PageQuery, UnitQuery):
    """How many of its sizes."""

    feature = fields.FeatureName(metadata={"description": "Only the sizes of this feature"})


TOOL_POINT = ToolPoint()
COMPONENT_POINT = ComponentPoint()


@blueprint.get("/tools/<tool>/history")
@requires("read")
@asks(ToolHistoryQuery)
@refuses(409)
@gives(200, ToolHistory, paged=True)
def get_tool_history(tool: str, query: dict[str, Any]) -> Answer:
    """Return the series of one feature or fit of a tool, from the newest assessment of each inspection."""
    with transaction() as conn:
        held = find_tool(conn, tool)
        tool_type = get_type_of_tool(conn, held.tool_id)
        assert tool_type is not None  # noqa: S101  a tool has a type, and a type a revision
        _check_series(query, tool_type)
        rows = _series(conn, held, tool_type, query)
        points = _against_usage(conn, held, rows)
    head = {
        "tool": held.serial,
        "feature": query.get("feature"),
        "fit": query.get("fit"),
        "unit": query["unit"],
        "basis": tool_type.life_basis,
    }
    return page(points, query, key=_mark, show=lambda point: _show(point, query["unit"]), head=head)


@blueprint.get("/components/<component>/history")
@requires("read")
@asks(ComponentHistoryQuery)
@gives(200, ComponentHistory, paged=True)
def get_component_history(component: str, query: dict[str, Any]) -> Answer:
    """Return where a component sat, what it ran there and what it measured."""
    after: ComponentMark | None = read_cursor(query, datetime, str, str, int, int)
    with transaction() as conn:
        held = find_component(conn, component)
        head = _component_head(conn, held, query["unit"])
        rows = store.list_component_sizes(
            conn, held.component_id, query.get("feature"), after=after, limit=query["limit"] + 1
        )
    return page(
        rows, query, key=_component_mark, show=lambda row: _show_own(row, query["unit"]), head=head, name="sizes"
    )


def _check_series(query: dict[str, Any], tool_type: ToolType) -> None:
    """Raise unless exactly one series is asked for, one that the tool type has.

    Raises
    ------
    Refused
    """
    feature, fit = query.get("feature"), query.get("fit")
    found = []
    if (feature is None) == (fit is None):
        found.append(faults.fault("?feature", "required", "exactly one of feature and fit is required"))
    elif feature is not None and feature not in tool_type.feature_by_code:
        found.append(faults.fault("?feature", "unknown-feature"))
    elif fit is not None and fit not in tool_type.fit_by_code:
        found.append(faults.fault("?fit", "unknown-fit"))
    if found:
        raise Refused(found)


def _series(conn: Connection, tool: Tool, tool_type: ToolType, query: dict[str, Any]) -> list[dict[str, Any]]:
    after: Mark | None = read_cursor(query, datetime, str, str, int)
    limit, since = query["limit"] + 1, query.get("since")
    if after is None and since is not None:
        after = since, "", "", -1  # before whatever is taken then
    if "feature" in query:
        return store.list_size_history(conn, tool.tool_id, query["feature"], after=after, limit=limit)
    refuse_archived_of_tool(conn, tool.tool_id, after and after[0])  # sizes stay here, clearances do not
    fit = tool_type.fit_by_code[query["fit"]]
    return store.list_clearance_history(
        conn, tool.tool_id, fit.code, shaft=fit.shaft, bore=fit.bore, after=after, limit=limit
    )


def _against_usage(conn: Connection, tool: Tool, rows: Sequence[dict[str, Any]]) -> list[dict[str, Any]]:
    """Add what the tool had run by the time of each row."""
    if not rows:
        return []
    odometer = load_odometers(conn, [tool.tool_id], rows[-1]["taken_at"])[tool.tool_id]
    return [row | {"tool_usage": show_run(odometer.run(None, row["taken_at"]))} for row in rows]


def _mark(point: dict[str, Any]) -> Mark:
    return point["taken_at"], point["stage"], point["reference"], point["ordinal"]


def _show(point: dict[str, Any], unit: str) -> dict[str, Any]:
    return in_unit(TOOL_POINT, _judged(point), unit)


def _component_mark(row: dict[str, Any]) -> ComponentMark:
    return row["taken_at"], row["stage"], row["reference"], row["tool_id"], row["ordinal"]


def _show_own(row: dict[str, Any], unit: str) -> dict[str, Any]:
    shown = _judged(row)
    del shown["tool_id"]
    return in_unit(COMPONENT_POINT, shown, unit)


def _judged(row: dict[str, Any]) -> dict[str, Any]:
    """Return a row as documents have it."""
    shown = {"inspection": row["inspection_id"], **row}
    shown["tool_type"] = {"code": row["tool_type"], "revision": row["revision"]}
    for name in ("inspection_id", "revision", "ordinal"):
        del shown[name]
    return shown


def _component_head(conn: Connection, component: Component, unit: str) -> dict[str, Any]:
    """Return what is said once of a component, beside its sizes."""
    now = datetime.now(UTC)
    stints = stints_of_components(conn, [component.component_id], now)
    odometers = load_odometers(conn, sorted({stint.tool_id for stint in stints}), now)
    runs = [run_of(stint, odometers[stint.tool_id], now) for stint in stints]
    return {
        "component": component.serial,
        "part": component.part,
        "tool_type": component.tool_type,
        "set": component.set_code,
        "state": component.state,
        "unit": unit,
        "usage": show_run(sum(runs, NOTHING)),
        "fittings": [_stint(stint, run) for stint, run in zip(stints, runs, strict=True)],
    }


def _stint(stint: ComponentStint, run: Run) -> dict[str, Any]:
    return {
        "tool": stint.tool,
        "part": stint.part,
        "position": stint.position,
        "from": stint.since,
        "until": stint.until,
        "fitting": stint.fitting_id,
        "inspection": stint.inspection_id,
        **show_run(run),
    }
