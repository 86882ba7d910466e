"""Stored readings to the tables that sizes are computed from (`worker.method.readings`), one revision at a time."""

from __future__ import annotations

from dataclasses import dataclass
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from service.catalogue import ToolType
from worker.batch import Batch
from worker.days import day_of
from worker.group import Group
from worker.layout import Layout
from worker.method.assumptions import parameters_of
from worker.method.instruments import Cabinet, Materials
from worker.method.readings import Bench, Measurands, Readings
from worker.method.trace import read_trace

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
NO_SETUP = 0


@dataclass(frozen=True, slots=True)
class Subjects:
    """What the measurands of a bench are; shape (m,) each.

    Attributes
    ----------
    inspection : ndarray of int
        Index into the inspections laid out.
    slot : ndarray of int
        Slot of the layout; on the bench that of position 1, for its figures.
    instance : ndarray of int
        The component measured.
    on_bench : ndarray of bool
        Not fitted in this tool.
    """

    inspection: Ints
    slot: Ints
    instance: Ints
    on_bench: NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class TraceFlag:
    """A remark that a trace gives: (index of the inspection, slot, code)."""

    inspection: int
    slot: int
    code: str


@dataclass(frozen=True, slots=True, order=True)
class Use:
    """An instrument used in an inspection (its index): ``gauge`` or ``master``, row of its table, how it stood."""

    inspection: int
    kind: str
    row: int
    standing: int


@dataclass(frozen=True, slots=True)
class Workpiece:
    """A bench, and what its rows stand for.

    Attributes
    ----------
    out_of_order : list of Use
        Instruments whose calibration had run out, or was about to.
    zero_return : ndarray or None, shape (n,)
        Reading on its master to which the gauge of each reading came back, less its zero, [mm]; NaN = not read.
        None where no gauge was put back.
    """

    inspections: list[int]
    bench: Bench
    subjects: Subjects
    cabinet: Cabinet
    out_of_order: list[Use]
    trace_flags: list[TraceFlag]
    zero_return: Floats | None


def set_up(group: Group, rows: list[int], features: dict[str, int]) -> Workpiece:
    """Lay the readings of some inspections out to be computed.

    Parameters
    ----------
    group : Group
        Its tools are those of the inspections.
    rows : list of int
        Inspections, rows of `Batch.inspections`.
    features : dict
        Number of each feature in the store.
    """
    batch, layout = group.batch, group.layout
    local = np.full(len(batch.inspections) + 1, -1)
    local[rows] = np.arange(len(rows))
    readings = batch.measured.readings
    feature_of = _feature_numbers(layout.type, features, readings["feature_id"])
    chosen = np.flatnonzero((local[readings["inspection"]] >= 0) & (feature_of >= 0))
    columns = {name: column[chosen] for name, column in readings.items()}
    inspection = local[columns["inspection"]]
    seated = group.instance[group.rows.held[[group.row_of[row] for row in rows]]]
    slot, bench_component = _places(layout, columns, feature_of[chosen], inspection, seated)
    standing = slot >= 0
    if not standing.all():  # a position that this revision no longer has
        columns = {name: column[standing] for name, column in columns.items()}
        inspection, slot, bench_component = inspection[standing], slot[standing], bench_component[standing]
    key, index, measurand = np.unique(
        (inspection * len(layout.slots.feature) + slot) * (bench_component.max(initial=0) + 1) + bench_component,
        return_index=True,
        return_inverse=True,
    )
    del key
    subjects = _subjects(layout, inspection[index], slot[index], bench_component[index], seated)
    materials = Materials()
    cabinet = Cabinet(batch.instruments, materials)
    gauge, master, used = _instruments(batch, rows, cabinet, columns, inspection)
    values, flags = _values(batch, cabinet, columns, inspection, slot, gauge)
    table = _readings(batch, layout, columns, measurand, slot, (gauge, master), values)
    bench = Bench(
        readings=table,
        measurands=_measurands(layout, subjects, materials),
        gauges=cabinet.gauge_table(),
        masters=cabinet.master_table(),
        parameters=parameters_of(layout.type),
    )
    return Workpiece(rows, bench, subjects, cabinet, used, flags, _zero_returns(batch, columns))


def _feature_numbers(tool_type: ToolType, features: dict[str, int], feature_id: Ints) -> Ints:
    """Index of each reading's feature in the type, -1 where this revision has none."""
    top = max([int(feature_id.max(initial=0)), *features.values()], default=0)
    number = np.full(top + 1, -1)
    for n, feature in enumerate(tool_type.features):
        number[features[feature.code]] = n
    return number[feature_id]


def _places(
    layout: Layout, columns: dict[str, NDArray], feature: Ints, inspection: Ints, seated: Ints
) -> tuple[Ints, Ints]:
    """Slot of each reading (-1: there is no such position), and the component where it is on the bench, else 0."""
    first = np.array([layout.slot_of[f.code, 1] for f in layout.type.features], np.int64)
    quantity = np.array([layout.type.quantity_of(f.part) for f in layout.type.features], np.int64)
    position = np.maximum(columns["position"].astype(np.int64), 1)
    component = columns["component_id"].astype(np.int64)
    bench = np.zeros(len(position), np.int64)
    named = np.flatnonzero(component >= 0)
    for row in named.tolist():
        slot = int(first[feature[row]])
        place = int(layout.slots.place[slot])
        for offset in range(int(quantity[feature[row]])):
            if seated[inspection[row], place + offset] == component[row]:
                position[row] = offset + 1
                break
        else:
            position[row], bench[row] = 1, component[row]
    slot_of = first[feature] + position - 1
    return np.where(position <= quantity[feature], slot_of, -1), bench


def _subjects(layout: Layout, inspection: Ints, slot: Ints, bench: Ints, seated: Ints) -> Subjects:
    fitted = seated[inspection, layout.slots.place[slot]]
    return Subjects(inspection, slot, np.where(bench > 0, bench, fitted), bench > 0)


def _instruments(
    batch: Batch, rows: list[int], cabinet: Cabinet, columns: dict[str, NDArray], inspection: Ints
) -> tuple[Ints, Ints, list[Use]]:
    """Row of the gauge and of the master of each reading, -1 for none, and the uses that are worth a remark."""
    zones = [ZoneInfo(batch.tools[batch.inspections[row].tool_id].time_zone) for row in rows]
    days = [day_of(batch.inspections[row].taken_at, zone).toordinal() for row, zone in zip(rows, zones, strict=True)]
    day = np.array(days, np.int64)
    as_of = np.array([batch.basis[row].as_of.timestamp() for row in rows], np.float64)
    uses: list[Use] = []
    found = []
    for kind, find in (("gauge", cabinet.find_gauge), ("master", cabinet.find_master)):
        number = columns[f"{kind}_id"].astype(np.int64)
        row = np.full(len(number), -1)
        for one in np.unique(number[number >= 0]).tolist():
            here = np.flatnonzero(number == one)
            used, inverse = np.unique(inspection[here], return_inverse=True)
            answer = find(one, as_of[used], day[used])
            row[here] = answer.row[inverse]
            uses += [
                Use(int(used[n]), kind, int(answer.row[n]), int(answer.standing[n]))
                for n in np.flatnonzero(answer.standing).tolist()
            ]
        found.append(row)
    return found[0], found[1], sorted(uses)


def _values(
    batch: Batch, cabinet: Cabinet, columns: dict[str, NDArray], inspection: Ints, slot: Ints, gauge: Ints
) -> tuple[tuple[Floats, Floats, Floats], list[TraceFlag]]:
    """Value of each reading, and of a trace its vertex with its own uncertainty and degrees of freedom."""
    value = columns["value"].astype(np.float64)
    u, nu = np.full(len(value), np.nan), np.full(len(value), np.nan)
    flags = []
    for row in np.flatnonzero(columns["kind"] == 2).tolist():
        samples = batch.measured.traces[int(columns["inspection"][row]), int(columns["ordinal"][row])]
        step = cabinet.gauges[gauge[row]][0].resolution if gauge[row] >= 0 else 0.0
        found = read_trace(samples, step)
        value[row] = np.nan if found.reading is None else found.reading
        u[row], nu[row] = found.u, found.nu
        flags += [TraceFlag(int(inspection[row]), int(slot[row]), code) for code in found.flags]
    return (value, u, nu), flags


def _readings(
    batch: Batch,
    layout: Layout,
    columns: dict[str, NDArray],
    measurand: Ints,
    slot: Ints,
    instruments: tuple[Ints, Ints],
    values: tuple[Floats, Floats, Floats],
) -> Readings:
    gauge, master = instruments
    station = columns["station"].astype(np.int64)
    operator, thermometer, thermometer_u = _sources(batch, columns)
    setup, zero_readings = _setups(batch, columns)
    return Readings(
        measurand=measurand,
        station=station,
        orientation=columns["orientation"],
        position=_axial(layout.type)[layout.slots.feature[slot], np.minimum(station, MOST_STATIONS)],
        value=values[0],
        is_deviation=(columns["kind"] == 1) | ((columns["kind"] == 2) & (master >= 0)),
        trace_u=values[1],
        trace_nu=values[2],
        gauge=gauge,
        master=master,
        setup=setup,
        zero_readings=zero_readings,
        operator=operator,
        thermometer=thermometer,
        thermometer_u=thermometer_u,
        part_c=columns["temperature_c"],
        reference_c=columns["reference_temperature_c"],
    )


MOST_STATIONS = 256
"""Stations from here on have no position."""


def _axial(tool_type: ToolType) -> Floats:
    """Axial position by feature and station, NaN where the catalogue gives none."""
    table = np.full((len(tool_type.features), MOST_STATIONS + 1), np.nan)
    for n, feature in enumerate(tool_type.features):
        for station, position in feature.positions.items():
            if station < MOST_STATIONS:
                table[n, station] = position
    return table


def _sources(batch: Batch, columns: dict[str, NDArray]) -> tuple[Ints, Ints, Floats]:
    """Number of the inspector and of the thermometer of each reading, and the thermometer's uncertainty."""
    inspection, source = columns["inspection"].astype(np.int64), columns["source"].astype(np.int64)
    width = int(source.max(initial=0)) + 1
    pairs, inverse = np.unique(inspection * width + source, return_inverse=True)
    inspectors: dict[str, int] = {}
    thermometers: dict[str, int] = {}
    rows = []
    for pair in pairs.tolist():
        said = batch.measured.sources.get(divmod(pair, width))
        if said is None:
            rows.append((-1, -1, np.nan))
            continue
        who = -1 if said.inspector is None else inspectors.setdefault(said.inspector, len(inspectors))
        by = -1 if said.thermometer is None else thermometers.setdefault(said.thermometer, len(thermometers))
        rows.append((who, by, np.nan if said.thermometer_u_c is None else said.thermometer_u_c))
    table = np.array(rows, np.float64).reshape(-1, 3)[inverse]
    return table[:, 0].astype(np.int64), table[:, 1].astype(np.int64), table[:, 2]


def _setups(batch: Batch, columns: dict[str, NDArray]) -> tuple[Ints, Ints]:
    """Number of each reading's set-up, -1 for none named, and the readings its zero was set by."""
    names, number = np.unique(columns["setup"], return_inverse=True)
    zero_readings = np.ones(len(number), np.int64)
    if batch.measured.setups:
        keys = zip(columns["inspection"].tolist(), columns["setup"].tolist(), columns["gauge_id"].tolist(), strict=True)
        known = batch.measured.setups
        zero_readings = np.array([known.get(key, 1) for key in keys], np.int64)
    return np.where(names[number] == NO_SETUP, -1, number), zero_readings


def _zero_returns(batch: Batch, columns: dict[str, NDArray]) -> Floats | None:
    """What each reading's gauge read when it was put back on its master."""
    if not batch.measured.returns:
        return None
    keys = zip(columns["inspection"].tolist(), columns["setup"].tolist(), columns["gauge_id"].tolist(), strict=True)
    return np.array([batch.measured.returns.get(key, np.nan) for key in keys], np.float64)


def _measurands(layout: Layout, subjects: Subjects, materials: Materials) -> Measurands:
    features = layout.type.features
    expansion = np.array([feature.expansion_per_k for feature in features], np.float64)
    material = np.array([materials.number(feature.material) for feature in features], np.int64)
    feature = layout.slots.feature[subjects.slot]
    # the same feature of the same component is one thing, however often it is measured
    _, thing = np.unique(subjects.instance * len(features) + feature, return_inverse=True)
    return Measurands(
        inspection=subjects.inspection,
        part_object=thing.astype(np.int64),
        grows=layout.slots.grows[subjects.slot],
        expansion=expansion[feature],
        material=material[feature],
        parameters=np.zeros(len(feature), np.int64),
    )
