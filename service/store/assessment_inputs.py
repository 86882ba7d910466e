"""What a batch of tools is assessed from, in a handful of set-based queries.

Large tables come as columns (`service.store.columns`), small ones as tuples. The caller reads all of it in one
transaction that sees one state of the database; what comes later marks the tools as due again.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any, NamedTuple, TypeVar
from uuid import UUID

import numpy as np
import orjson
from numpy.typing import NDArray
from psycopg import Connection
from psycopg.rows import args_row
from psycopg.types.json import set_json_loads

from service.catalogue import ToolType, from_document
from service.store.columns import read_columns
from service.store.statements import sql

Columns = dict[str, NDArray[Any]]
Row = TypeVar("Row")


class ToolRow(NamedTuple):
    """A tool, its type and its site."""

    tool_id: int
    serial: str
    tool_type_id: int
    tool_type: str
    site_id: int
    site: str
    time_zone: str
    history: str
    commissioned_on: date | None
    created_at: datetime
    air_setting: str | None = None


class InspectionRow(NamedTuple):
    """An inspection that stands, in its newest version, and what its newest assessment says of itself."""

    tool_id: int
    inspection_id: UUID
    reference: str
    stage: str
    taken_at: datetime
    inspection_version: int
    inputs_as_of: datetime
    created_at: datetime
    state: str
    assessment_version: int | None
    remeasures: UUID | None
    final: bool
    checks: list[dict[str, Any]]
    digest: bytes | None
    assessed_version: int | None
    judged_checks: list[dict[str, Any]] | None
    judged_offsets: list[dict[str, Any]] | None
    reversals: Sequence[dict[str, Any]] = ()


class FittingRow(NamedTuple):
    """A component in a position of a tool; `inspection_id` where an inspection's renewals put it in."""

    tool_id: int
    part: str
    position: int
    component_id: int | None
    since: datetime
    until: datetime | None
    inspection_id: UUID | None


class UsageRow(NamedTuple):
    """What a tool ran in an interval, by ground, and how it performed where that was observed."""

    tool_id: int
    since: datetime | None
    until: datetime
    metres: float | None
    hours: float | None
    amounts: list[dict[str, Any]]
    rate_m_h: float | None = None
    pressure_bar: float | None = None


class SourceRow(NamedTuple):
    """Who measured with which thermometer; `inspection` is the row asked for."""

    inspection: int
    source: int
    inspector: str | None
    thermometer: str | None
    thermometer_u_c: float | None


class SetupRow(NamedTuple):
    """A gauge set on its master; `inspection` is the row asked for."""

    inspection: int
    source: int
    setup: int  # hash of its name, as in the readings
    gauge_id: int
    readings_at_zero: int
    return_reading: float | None  # back on the master after the readings, less the zero, [mm]


class GaugeRow(NamedTuple):
    """One revision of a gauge, lengths in mm."""

    gauge_id: int
    serial: str
    revision: int
    recorded_at: datetime
    kind: str
    resolution: float
    bias: float
    expansion_per_k: float | None
    material: str | None
    repeatability_sd: float | None
    repeatability_dof: float | None
    reproducibility_sd: float | None
    reproducibility_dof: float | None


class GaugeCertificateRow(NamedTuple):
    """One certificate of a gauge, [mm]; it is in force from `calibrated_on`."""

    gauge_id: int
    recorded_at: datetime
    expanded_uncertainty: float
    coverage_factor: float
    degrees_of_freedom: float | None
    calibrated_on: date | None
    due_on: date | None


class MasterRow(NamedTuple):
    """One certificate of a setting master, [mm]."""

    master_id: int
    serial: str
    revision: int
    recorded_at: datetime
    size: float
    expanded_uncertainty: float
    coverage_factor: float
    calibrated_on: date | None
    due_on: date | None
    expansion_per_k: float | None
    material: str | None


class RevisionRow(NamedTuple):
    """When a revision of a tool type was recorded."""

    tool_type_id: int
    revision: int
    recorded_at: datetime


class ComponentRow(NamedTuple):
    """A component, and the matched set it belongs to."""

    component_id: int
    serial: str
    part: str
    set_code: str | None


class StatusRow(NamedTuple):
    """The status of a tool as it was last written."""

    tool_id: int
    sequence: int
    state: str
    inspection_id: UUID | None
    inspected_at: datetime | None
    retained: float | None
    service_loss: float | None
    basis: str
    ground: dict[str, float] | None
    ground_factor: float
    governing: str | None
    p10: float | None
    p50: float | None
    p90: float | None
    used_since: float | None
    as_of: datetime | None
    due_p10: date | None
    due_p50: date | None
    due_p90: date | None
    renew: list[dict[str, Any]]
    parts: list[dict[str, Any]]
    remarks: list[str]
    wear_model: int | None
    told_tool_type: str | None  # in the change that was written with it
    told_site: str | None


@dataclass(frozen=True, slots=True)
class Wanted:
    """Some inspections under one version each (of the inspection, or of its assessment)."""

    times: list[datetime]
    inspections: list[UUID]
    versions: list[int]

    def part(self, start: int, count: int) -> Wanted:
        """So many of them, from one on."""
        rows = slice(start, start + count)
        return Wanted(self.times[rows], self.inspections[rows], self.versions[rows])

    def as_parameters(self) -> dict[str, Any]:
        """Return the named parameters of a statement that asks for them."""
        return {"times": self.times, "inspections": self.inspections, "versions": self.versions}


READ_AT_ONCE = 4_000
"""Inspections whose rows are asked for at a time: the server holds them while it answers."""
READINGS = {
    "inspection": "i4", "source": "i4", "feature_id": "i4", "position": "i2", "component_id": "i4", "station": "i2",
    "orientation": "f8", "kind": "i2", "value": "f8", "gauge_id": "i4", "master_id": "i4", "setup": "i8",
    "temperature_c": "f8", "reference_temperature_c": "f8", "ordinal": "i4",
}  # fmt: skip
SIZES = {
    "inspection": "i4", "feature_id": "i4", "component_id": "i4", "position": "i2", "worst": "f8", "mean": "f8",
    "worst_u": "f8", "mean_u": "f8", "blocked": "b1", "readings": "i4", "verdict": "i2",
}  # fmt: skip
CLEARANCES = {
    "inspection": "i4", "fit_id": "i4", "position": "i2", "mean": "f8", "mean_u": "f8", "for_leakage": "f8",
    "worst": "f8", "verdict": "i2",
}  # fmt: skip


def list_tools(conn: Connection[Any], tools: Sequence[int]) -> list[ToolRow]:
    """Return the tools, in the order of their ids."""
    return _rows(conn, ToolRow, "assessment_inputs/tools", tools=list(tools))


def list_inspections(conn: Connection[Any], tools: Sequence[int]) -> list[InspectionRow]:
    """Return every inspection of the tools that is not withdrawn, by tool in the order of time."""
    return _rows(conn, InspectionRow, "assessment_inputs/inspections", tools=list(tools))


def list_fittings(conn: Connection[Any], tools: Sequence[int], components: Iterable[int]) -> list[FittingRow]:
    """Return the fittings of the tools, and wherever else the components in them, or those named, ever sat."""
    return _rows(conn, FittingRow, "assessment_inputs/fittings", tools=list(tools), components=list(components))


def list_usage(conn: Connection[Any], tools: Sequence[int]) -> list[UsageRow]:
    """Return what the tools ran, by tool in the order of time."""
    return _rows(conn, UsageRow, "assessment_inputs/usage", tools=list(tools))


def list_components(conn: Connection[Any], components: Iterable[int]) -> dict[int, ComponentRow]:
    """Return components by their id."""
    rows = _rows(conn, ComponentRow, "assessment_inputs/components", components=list(components))
    return {row.component_id: row for row in rows}


def list_measuring_tools(conn: Connection[Any], components: Iterable[int], tools: Sequence[int]) -> list[int]:
    """Return the tools, other than those named, whose inspections measured one of the components."""
    parameters = {"components": list(components), "tools": list(tools)}
    return [row[0] for row in conn.execute(sql("assessment_inputs/component_inspections"), parameters)]


def read_readings(conn: Connection[Any], wanted: Wanted) -> Columns:
    """Return the readings of inspections as columns; `inspection` is the row in `wanted`. Lengths are mm."""
    return _columns(conn, "assessment_inputs/readings", wanted, READINGS)


def list_traces(conn: Connection[Any], wanted: Wanted) -> list[tuple[int, int, list[float]]]:
    """Return (row in `wanted`, ordinal, samples in mm) of the readings that are traces."""
    return conn.execute(sql("assessment_inputs/traces"), wanted.as_parameters()).fetchall()


def list_sources(conn: Connection[Any], wanted: Wanted) -> list[SourceRow]:
    """Return who measured by which thermometer, of every source in force."""
    return _rows(conn, SourceRow, "assessment_inputs/sources", **wanted.as_parameters())


def list_setups(conn: Connection[Any], wanted: Wanted) -> list[SetupRow]:
    """Return the set-ups of gauges that inspections name."""
    return _rows(conn, SetupRow, "assessment_inputs/setups", **wanted.as_parameters())


def list_gauges(conn: Connection[Any], gauges: Iterable[int]) -> list[GaugeRow]:
    """Return every revision of the gauges."""
    return _rows(conn, GaugeRow, "assessment_inputs/gauges", gauges=list(gauges))


def list_gauge_certificates(conn: Connection[Any], gauges: Iterable[int]) -> list[GaugeCertificateRow]:
    """Return every certificate of the gauges, by the day it is in force from."""
    return _rows(conn, GaugeCertificateRow, "assessment_inputs/gauge_certificates", gauges=list(gauges))


def list_masters(conn: Connection[Any], masters: Iterable[int]) -> list[MasterRow]:
    """Return every certificate of the masters, by the day it is in force from."""
    return _rows(conn, MasterRow, "assessment_inputs/master_certificates", masters=list(masters))


def read_sizes(conn: Connection[Any], wanted: Wanted) -> Columns:
    """Return stored sizes as columns, [mm]; versions are those of the assessments."""
    return _columns(conn, "assessment_inputs/sizes", wanted, SIZES)


def read_clearances(conn: Connection[Any], wanted: Wanted) -> Columns:
    """Return stored clearances as columns, [mm]; versions are those of the assessments."""
    return _columns(conn, "assessment_inputs/clearances", wanted, CLEARANCES)


def list_remarks(conn: Connection[Any], inspections: Sequence[UUID]) -> dict[int, list[str]]:
    """Return the codes of what was remarked on inspections, by tool."""
    rows = conn.execute(sql("assessment_inputs/remarks"), {"inspections": list(inspections)})
    return {tool_id: [remark["code"] for remark in remarks] for tool_id, remarks in rows}


def list_revisions(conn: Connection[Any], types: Iterable[int]) -> list[RevisionRow]:
    """Return every revision of the tool types, without its document."""
    return _rows(conn, RevisionRow, "assessment_inputs/revisions", types=list(types))


def list_statuses(conn: Connection[Any], tools: Sequence[int]) -> dict[int, StatusRow]:
    """Return the statuses as they were last written, by tool."""
    return {row.tool_id: row for row in _rows(conn, StatusRow, "assessment_inputs/statuses", tools=list(tools))}


def site_ground(conn: Connection[Any], asked: Sequence[tuple[int, datetime]], basis: str) -> list[dict[str, float]]:
    """Return what the tools of a site ran on in the 90 days before a moment, for each (site, moment) asked.

    Returns
    -------
    list of dict
        Share of each ground class, adding up to 1; empty where nothing is on record.
    """
    mixes: list[dict[str, float]] = [{} for _ in asked]
    parameters = {"sites": [s for s, _ in asked], "moments": [m for _, m in asked], "basis": basis}
    for row, ground, amount in conn.execute(sql("assessment_inputs/site_ground"), parameters):
        mixes[row][ground] = amount
    return [{g: amount / sum(mix.values()) for g, amount in mix.items()} for mix in mixes]


# A revision never changes, so what was read once stays true (`forget` for another database).
_types: dict[tuple[int, int], ToolType] = {}


def get_tool_type(conn: Connection[Any], tool_type_id: int, revision: int) -> ToolType:
    """Return one revision of a tool type, remembered by this process."""
    key = (tool_type_id, revision)
    if key not in _types:
        parameters = {"tool_type_id": tool_type_id, "revision": revision}
        row = conn.execute(sql("assessment_inputs/document"), parameters).fetchone()
        assert row is not None  # noqa: S101 - revisions are never deleted while a tool has their type
        _types[key] = from_document(row[0], revision, row[1])
    return _types[key]


def forget() -> None:
    """Drop what is remembered: another database stands behind the process."""
    _types.clear()


def _columns(conn: Connection[Any], statement: str, wanted: Wanted, types: dict[str, str]) -> Columns:
    parts = []
    for start in range(0, max(len(wanted.inspections), 1), READ_AT_ONCE):
        part = read_columns(conn, sql(statement), wanted.part(start, READ_AT_ONCE).as_parameters(), types)
        part["inspection"] += start
        parts.append(part)
    return {name: np.concatenate([part[name] for part in parts]) for name in types} if len(parts) > 1 else parts[0]


def _rows(conn: Connection[Any], kind: type[Row], statement: str, **parameters: Any) -> list[Row]:
    with conn.cursor(row_factory=args_row(kind), binary=True) as cursor:
        set_json_loads(orjson.loads, cursor)
        return cursor.execute(sql(statement), parameters).fetchall()
