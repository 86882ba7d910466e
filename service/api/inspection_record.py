"""What an inspection says, shown: names in place of ids, lengths in the unit asked for."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from service import canonical, units
from service.api.before_closing import confirmations
from service.store import inspections as store
from service.store import sources
from service.store.archive import refuse_archived
from service.store.inspections import Inspection, StoredReading, Version
from service.store.pool import Connection
from service.store.sources import StoredSource
from service.store.tool_types import checks_as_of


def show_line(head: Inspection) -> dict[str, Any]:
    """Return an inspection as lists show it."""
    return {
        "id": head.inspection_id,
        "tool": head.tool,
        "tool_type": head.tool_type,
        "site": head.site,
        "reference": head.reference,
        "stage": head.stage,
        "taken_at": head.taken_at,
        "state": head.state,
        "problem": head.problem,
        "inspection_version": head.inspection_version,
        "inputs_as_of": head.inputs_as_of,
        "created_at": head.created_at,
        "updated_at": head.updated_at,
    }


def show_record(conn: Connection, head: Inspection, unit: str) -> dict[str, Any]:
    """Return an inspection with all that its newest version says; of a withdrawn one, what it said."""
    (version,) = store.list_versions(conn, head.inspection_id, head.inspection_version)
    content = _content(conn, head, version, unit)
    asked = checks_as_of(conn, head.tool_type, head.inputs_as_of) if head.stage == "as_left" else []
    given = {answer["check"]: answer["result"] for answer in content["checks"]}
    checks = [check | {"check": check["code"], "result": given.get(check["code"])} for check in asked]
    return show_line(head) | content | {"before_closing": confirmations(checks), "unit": unit}


def show_version(conn: Connection, head: Inspection, version: Version, unit: str) -> dict[str, Any]:
    """Return one version of an inspection with all it says."""
    own = {
        "inspection_version": version.inspection_version,
        "inputs_as_of": version.inputs_as_of,
        "recorded_at": version.recorded_at,
        "cause": version.cause,
    }
    return own | _content(conn, head, version, unit)


def _content(conn: Connection, head: Inspection, version: Version, unit: str) -> dict[str, Any]:
    said = version.inspection_version - (version.cause == "withdrawn")
    readings = store.list_readings(conn, head.inspection_id, said, version.taken_at)
    if not readings:
        refuse_archived(conn, version.taken_at)
    rests_on = sources.sources_in_force(conn, head.inspection_id, said)
    usage = next((s.usage for s in rests_on if s.usage is not None), None)
    return {
        "taken_at": version.taken_at,
        "inspector": next((s.inspector for s in rests_on if s.inspector is not None), None),
        "thermometer": next((t for t in map(_thermometer, rests_on) if t is not None), None),
        "usage": usage,
        "remeasures": version.remeasures,
        "final": version.final,
        "readings": [_reading(reading, unit) for reading in readings],
        "setups": [_setup(entry, unit) for entry in _without_source(version.setups)],
        "checks": _without_source(version.checks),
        "renewals": _without_source(version.renewals),
        "reversals": _without_source(version.reversals),
        "sources": [_source(source) for source in rests_on],
    }


def _without_source(entries: Sequence[dict[str, Any]]) -> list[dict[str, Any]]:
    return [{name: value for name, value in e.items() if name not in ("source", "component_id")} for e in entries]


def _setup(entry: dict[str, Any], unit: str) -> dict[str, Any]:
    back = entry.get("return_reading")
    return entry | {"return_reading": None if back is None else units.from_mm(back, unit)}


def _thermometer(source: StoredSource) -> dict[str, Any] | None:
    if source.thermometer is None and source.thermometer_u_c is None:
        return None
    return {"serial": source.thermometer, "standard_uncertainty_c": source.thermometer_u_c}


def _source(source: StoredSource) -> dict[str, Any]:
    return {
        "source": source.source,
        "taken_at": source.taken_at,
        "sha256": source.digest.hex(),
        "export": source.export_id,
        "inspector": source.inspector,
        "thermometer": _thermometer(source),
    }


def _reading(reading: StoredReading, unit: str) -> dict[str, Any]:
    sent = None if reading.sent_unit is None else {"value": reading.sent, "unit": reading.sent_unit}
    return {
        "feature": reading.feature,
        "component": reading.component,
        "position": reading.position,
        "station": reading.station,
        "orientation": reading.orientation,
        "kind": canonical.KINDS[reading.kind],
        "value": None if reading.value is None else units.from_mm(reading.value, unit),
        "trace": None if reading.trace is None else [units.from_mm(sample, unit) for sample in reading.trace],
        "gauge": reading.gauge,
        "master": reading.master,
        "setup": reading.setup,
        "temperature_c": reading.temperature_c,
        "reference_temperature_c": reading.reference_temperature_c,
        "source": reading.source,
        "sent": sent,
    }
