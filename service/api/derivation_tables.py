"""The readings of one assessed inspection, laid out for the method again: what the derivation computes from.

Read as the worker read them: the inspection's version, and instruments as they were known then. An inspection that
measured another again brings that one's readings, too.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any
from uuid import UUID
from zoneinfo import ZoneInfo

import numpy as np

from service.catalogue import ToolType
from service.store import assessment_inputs, assessments_read, bulk, inspections, sources
from service.store.archive import refuse_archived
from service.store.assessments_read import AssessmentHead
from service.store.inspections import StoredReading
from service.store.pool import Connection
from worker.method.assumptions import parameters_of
from worker.method.budget_words import Names
from worker.method.instruments import Cabinet, GaugeCertificateFacts, GaugeFacts, MasterFacts, Materials
from worker.method.readings import Bench, Measurands, Readings
from worker.method.sizes import Sizes
from worker.method.trace import read_trace

DEVIATION, TRACE = 1, 2


@dataclass(frozen=True, slots=True)
class Measured:
    """One inspection: its readings, who took them and with which set-ups, and the sizes stored of them."""

    inspection_id: UUID
    as_of: datetime
    day: date
    readings: list[StoredReading]
    sizes: list[dict[str, Any]]
    sources: dict[int, sources.StoredSource]
    setups: dict[tuple[str, str | None], int]  # readings at zero


@dataclass(frozen=True, slots=True)
class Subject:
    """What was measured: feature and component, by one of the inspections."""

    inspection: int
    feature: str
    component: str | None
    position: int | None

    @property
    def name(self) -> str:
        """Feature and component as keys name them (component, else part and position)."""
        return f"{self.feature}:{self.component or self.position or 'bench'}"


@dataclass(frozen=True, slots=True)
class Layout:
    """A bench, and what its rows are."""

    bench: Bench
    subjects: list[Subject]
    cabinet: Cabinet
    operators: list[str]
    thermometers: list[str]
    setups: list[str]

    def names(self, sizes: Sizes) -> Names:
        """What the numbers of the bench are called."""
        places = sizes.places
        things = {int(n): s.name for n, s in zip(self.bench.measurands.part_object, self.subjects, strict=True)}
        groups = [
            f"{self.subjects[int(m)].feature}:{int(station)}:{0.0 if np.isnan(phi) else float(phi):g}"
            for m, station, phi in zip(
                places.readings.measurand[places.group_start],
                places.readings.station[places.group_start],
                places.readings.orientation[places.group_start],
                strict=True,
            )
        ]
        return Names(
            things=[things[n] for n in range(len(things))],
            groups=groups,
            gauges=[revision.serial for revision, _ in self.cabinet.gauges],
            masters=[master.serial for master in self.cabinet.masters],
            operators=self.operators,
            thermometers=self.thermometers,
            materials=list(self.cabinet.materials.numbers),
            setups=self.setups,
        )


@dataclass(frozen=True, slots=True)
class _Rows:
    """Instruments by number, as the method asks for them."""

    gauges: dict[int, list[GaugeFacts]]
    gauge_certificates: dict[int, list[GaugeCertificateFacts]]
    masters: dict[int, list[MasterFacts]]


@dataclass(frozen=True, slots=True)
class _Row:
    """A reading, and the numbers of what it names."""

    measurand: int
    reading: StoredReading
    gauge: int
    master: int
    operator: int
    thermometer: int
    thermometer_u: float
    setup: int
    zero_readings: int

    @property
    def is_deviation(self) -> bool:
        return self.reading.kind == DEVIATION or (self.reading.kind == TRACE and self.master >= 0)


def read_measured(conn: Connection, head: AssessmentHead) -> list[Measured]:
    """Read an assessed inspection, and after it the one that it measured again, where it did.

    Raises
    ------
    Conflict
        ``archived``: its readings have gone to files.
    """
    own, remeasures = _measured(conn, head)
    if remeasures is None:
        return [own]
    first = inspections.look_up(
        conn,
        tool=head.tool,
        reference=remeasures,
        stage=head.stage,
        taken_at=head.taken_at or head.computed_at,  # type: ignore[arg-type]
        gauges=(),
        masters=(),
    )
    if first.inspection_id is None:
        return [own]
    before = assessments_read.get_assessment_head(conn, first.inspection_id)
    return [own] if before is None or before.version is None else [own, _measured(conn, before)[0]]


def _measured(conn: Connection, head: AssessmentHead) -> tuple[Measured, str | None]:
    assert head.inspection_version is not None and head.taken_at is not None  # noqa: S101 - it was assessed
    assert head.inputs_as_of is not None  # noqa: S101
    (version,) = inspections.list_versions(conn, head.inspection_id, head.inspection_version)
    readings = inspections.list_readings(conn, head.inspection_id, head.inspection_version, head.taken_at)
    if not readings:
        refuse_archived(conn, head.taken_at)
    found = Measured(
        inspection_id=head.inspection_id,
        as_of=head.inputs_as_of,
        day=head.taken_at.astimezone(ZoneInfo(head.time_zone)).date(),
        readings=readings,
        sizes=assessments_read.list_sizes(conn, head),
        sources={s.source: s for s in sources.sources_in_force(conn, head.inspection_id, head.inspection_version)},
        setups={(s["setup"], s.get("gauge")): s.get("readings_at_zero") or 1 for s in version.setups},
    )
    return found, version.remeasures


def lay_out(conn: Connection, tool_type: ToolType, measured: Sequence[Measured]) -> Layout:
    """Lay the readings out as one bench."""
    subjects = [
        Subject(n, size["feature"], size["component"], size["position"])
        for n, one in enumerate(measured)
        for size in one.sizes
    ]
    cabinet, numbers = _cabinet(conn, measured)
    operators: dict[str, int] = {}
    thermometers: dict[str, int] = {}
    setups: dict[str, int] = {}
    rows: list[_Row] = []
    for n, one in enumerate(measured):
        place = _places(n, subjects)
        for reading in one.readings:
            measurand = place.get((reading.feature, reading.component or reading.position or 1), -1)
            if measurand < 0:  # a feature that this revision no longer has
                continue
            source = one.sources.get(reading.source)
            who, by, u_c = (source.inspector, source.thermometer, source.thermometer_u_c) if source else (None,) * 3
            rows.append(
                _Row(
                    measurand,
                    reading,
                    gauge=_instrument(reading.gauge, numbers[0], one, cabinet.gauge),
                    master=_instrument(reading.master, numbers[1], one, cabinet.master),
                    operator=_number(who, operators),
                    thermometer=_number(by, thermometers),
                    thermometer_u=_unknown(u_c),
                    setup=_number(reading.setup, setups),
                    zero_readings=one.setups.get((reading.setup, reading.gauge), 1) if reading.setup else 1,
                )
            )
    materials = cabinet.materials
    bench = Bench(
        readings=_readings(tool_type, subjects, rows, cabinet),
        measurands=_measurands(tool_type, subjects, materials),
        gauges=cabinet.gauge_table(),
        masters=cabinet.master_table(),
        parameters=parameters_of(tool_type),
    )
    return Layout(bench, subjects, cabinet, list(operators), list(thermometers), list(setups))


def _places(inspection: int, subjects: Sequence[Subject]) -> dict[tuple[str, str | int], int]:
    """Row of each feature of an inspection by the component that is named, and by its position."""
    found: dict[tuple[str, str | int], int] = {}
    for row, subject in enumerate(subjects):
        if subject.inspection == inspection:
            if subject.component is not None:
                found[subject.feature, subject.component] = row
            if subject.position is not None:
                found[subject.feature, subject.position] = row
    return found


def _cabinet(conn: Connection, measured: Sequence[Measured]) -> tuple[Cabinet, tuple[dict[str, int], dict[str, int]]]:
    readings = [reading for one in measured for reading in one.readings]
    gauges = bulk.find_gauges(conn, {r.gauge for r in readings if r.gauge})
    masters = bulk.find_masters(conn, {r.master for r in readings if r.master})
    rows = _Rows({}, {}, {})
    for gauge in assessment_inputs.list_gauges(conn, gauges.values()):
        rows.gauges.setdefault(gauge.gauge_id, []).append(gauge)
    for certificate in assessment_inputs.list_gauge_certificates(conn, gauges.values()):
        rows.gauge_certificates.setdefault(certificate.gauge_id, []).append(certificate)
    for master in assessment_inputs.list_masters(conn, masters.values()):
        rows.masters.setdefault(master.master_id, []).append(master)
    return Cabinet(rows, Materials()), (gauges, masters)


def _instrument(serial: str | None, numbers: dict[str, int], one: Measured, find: Any) -> int:
    return -1 if serial is None else int(find(numbers[serial], one.as_of, one.day))


def _number(name: str | None, table: dict[str, int]) -> int:
    return -1 if name is None else table.setdefault(name, len(table))


def _unknown(value: float | None) -> float:
    return float("nan") if value is None else value


def _readings(tool_type: ToolType, subjects: Sequence[Subject], rows: Sequence[_Row], cabinet: Cabinet) -> Readings:
    def column(kind: type, values: Iterable[Any]) -> Any:
        return np.array(list(values), kind)

    features = tool_type.feature_by_code
    values = [_value(row, cabinet) for row in rows]
    positions = (features[subjects[row.measurand].feature].positions.get(row.reading.station or 0) for row in rows)
    return Readings(
        measurand=column(np.int64, (row.measurand for row in rows)),
        station=column(np.int64, (row.reading.station or 0 for row in rows)),
        orientation=column(np.float64, (_unknown(row.reading.orientation) for row in rows)),
        position=column(np.float64, map(_unknown, positions)),
        value=column(np.float64, (value for value, _, _ in values)),
        is_deviation=column(np.bool_, (row.is_deviation for row in rows)),
        trace_u=column(np.float64, (u for _, u, _ in values)),
        trace_nu=column(np.float64, (nu for _, _, nu in values)),
        gauge=column(np.int64, (row.gauge for row in rows)),
        master=column(np.int64, (row.master for row in rows)),
        setup=column(np.int64, (row.setup for row in rows)),
        zero_readings=column(np.int64, (row.zero_readings for row in rows)),
        operator=column(np.int64, (row.operator for row in rows)),
        thermometer=column(np.int64, (row.thermometer for row in rows)),
        thermometer_u=column(np.float64, (row.thermometer_u for row in rows)),
        part_c=column(np.float64, (_unknown(row.reading.temperature_c) for row in rows)),
        reference_c=column(np.float64, (_unknown(row.reading.reference_temperature_c) for row in rows)),
    )


def _value(row: _Row, cabinet: Cabinet) -> tuple[float, float, float]:
    """Value of a reading; of a trace its vertex with its uncertainty and degrees of freedom."""
    if row.reading.kind != TRACE:
        return _unknown(row.reading.value), float("nan"), float("nan")
    step = cabinet.gauges[row.gauge][0].resolution if row.gauge >= 0 else 0.0
    found = read_trace(row.reading.trace or (), step)
    return _unknown(found.reading), found.u, found.nu


def _measurands(tool_type: ToolType, subjects: Sequence[Subject], materials: Materials) -> Measurands:
    features = [tool_type.feature_by_code[subject.feature] for subject in subjects]
    things: dict[str, int] = {}
    return Measurands(
        inspection=np.array([subject.inspection for subject in subjects], np.int64),
        part_object=np.array([things.setdefault(subject.name, len(things)) for subject in subjects], np.int64),
        grows=np.array([feature.grows for feature in features], np.bool_),
        expansion=np.array([feature.expansion_per_k for feature in features], np.float64),
        material=np.array([materials.number(feature.material) for feature in features], np.int64),
        parameters=np.zeros(len(subjects), np.int64),
    )
