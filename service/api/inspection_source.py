"""A checked inspection as the source that is stored: ids in place of names, lengths in mm."""

from __future__ import annotations

import time
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from service import canonical
from service.canonical import Inspection
from service.catalogue import ToolType
from service.inspection_check import Found
from service.store import inspections as store
from service.store.codes import code_ids
from service.store.inspections import Surroundings
from service.store.pool import Connection
from service.store.renewals import component_ids
from service.store.sources import CheckRow, Content, ReadingRow, RenewalRow, ReversalRow, SetupRow, Source

_KINDS = {kind: number for number, kind in enumerate(canonical.KINDS)}

_years: dict[int, float] = {}  # until when a year may be taken for open: another transaction has made its tables
OPEN_S = 3.0  # a year that is being archived is left alone longer than that before it is copied


def forget() -> None:
    """Drop what is remembered: another database stands behind the process."""
    _years.clear()


@dataclass(frozen=True, slots=True)
class Checked:
    """A document without faults, and what it names."""

    inspection: Inspection
    taken_at: datetime
    digest: bytes
    around: Surroundings
    tool_type: ToolType
    found: Found


def resolved(conn: Connection, checked: Checked) -> Source:
    """Return a checked document as the source that is stored; components that its renewals name are created.

    Raises
    ------
    Conflict
        Where its year is archived, or a component is of another part by now.
    """
    inspection, around = checked.inspection, checked.around
    _ensure_year(conn, checked.taken_at.astimezone(UTC).year)
    put_in = {r.component: r.part for r in inspection.renewals or () if r.component is not None}
    components = component_ids(conn, put_in, around.tool_type_id, around.site_id)
    components |= {name: places[0].component_id for name, places in checked.found.components.items()}
    thermometer = inspection.thermometer or canonical.Thermometer()
    return Source(
        reference=inspection.reference,
        stage=inspection.stage,
        taken_at=checked.taken_at,
        digest=checked.digest,
        content=_content(conn, checked, components),
        inspector=inspection.inspector or None,
        thermometer=thermometer.serial,
        thermometer_u_c=thermometer.standard_uncertainty_c,
        usage=_amounts(inspection),
        remeasures=inspection.remeasures,
        remeasures_id=checked.found.remeasures_id,
        final=inspection.final,
    )


def _ensure_year(conn: Connection, year: int) -> None:
    if _years.get(year, 0.0) < time.monotonic() and store.ensure_partitions(conn, year):
        _years[year] = time.monotonic() + OPEN_S


def is_open(moment: datetime) -> bool:
    """Say whether this process knows that the year of a moment has its tables."""
    return _years.get(moment.astimezone(UTC).year, 0.0) >= time.monotonic()


def _amounts(inspection: Inspection) -> list[dict[str, Any]] | None:
    if inspection.usage is None:
        return None
    return [
        {"metres": u.metres, "hours": u.hours, "ground": canonical.ground_shares(u.ground)} for u in inspection.usages()
    ]


def _content(conn: Connection, checked: Checked, components: dict[str, int]) -> Content:
    inspection = checked.inspection
    return Content(
        _reading_rows(conn, checked, components),
        [CheckRow(1, c.check, c.result, c.note or None) for c in inspection.checks or ()],
        [
            RenewalRow(
                1, r.part, r.position or 1, r.component, r.removed_to, components.get(r.component or ""), r.reason
            )
            for r in inspection.renewals or ()
        ],
        [
            SetupRow(1, s.setup, s.gauge, s.master, s.readings_at_zero, _mm(s.return_reading, inspection.unit))
            for s in inspection.setups or ()
        ],
        [ReversalRow(1, r.part, r.position or 1) for r in inspection.reversals or ()],
    )


def _mm(length: float | None, unit: str | None) -> float | None:
    return None if length is None else canonical.length_mm(length, unit or "mm")


def _reading_rows(conn: Connection, checked: Checked, components: dict[str, int]) -> list[ReadingRow]:
    readings, unit = checked.inspection.readings or (), checked.inspection.unit or "mm"
    features = {r.feature for r in readings}
    ids = code_ids(conn, features)
    tool_type, gauges, masters = checked.tool_type, checked.found.gauges, checked.found.masters
    once = {code for code in features if tool_type.quantity_of(tool_type.feature_by_code[code].part) == 1}
    in_mm, kinds = unit == "mm", _KINDS
    return [
        ReadingRow(
            1,
            ids[r.feature],
            None if r.feature in once else r.position,
            None if r.component is None else components[r.component],
            r.station,
            r.orientation,
            kinds[r.kind],
            None if r.value is None else canonical.length_mm(r.value, unit),
            None if r.trace is None else [canonical.length_mm(sample, unit) for sample in r.trace],
            None if in_mm else r.value,
            None if in_mm else unit,
            None if r.gauge is None else gauges[r.gauge],
            None if r.master is None else masters[r.master],
            r.setup,
            r.temperature_c,
            r.reference_temperature_c,
        )
        for r in readings
    ]
