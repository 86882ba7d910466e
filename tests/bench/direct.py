"""A simulated fleet learned from and forecast by the worker's own functions, with no database or HTTP in between.

Seconds a fleet instead of minutes, so that many seeds can be looked at (`tests.bench.many_seeds`). That it says what
the service says is a test of its own (`tests/bench/test_forecast.py`).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime, timedelta
from types import SimpleNamespace
from typing import Any, cast

import numpy as np
from numpy.typing import NDArray

from service.catalogue import from_document
from service.catalogue_defaults import canonical_defaults
from service.store.columns import to_micros
from tests.bench.fleet_intake import DAYS_PER_KM, START
from tests.bench.scores import Scores, scored, straight_lines
from tests.bench.simulated_fleet import FEATURES, Tool, Visit, limits, simulate, tool_type, truth_km
from worker.facts import SizeFacts
from worker.fleet import Fleet, grounds_of
from worker.forecast import limits_of, promised_levels
from worker.group import Group, Rows
from worker.layout import lay_out_type
from worker.learn import learned_document
from worker.method.first_passage import Gap
from worker.method.history_blunders import EXPANDED
from worker.method.remaining_life import remaining_usage
from worker.method.wear_limits import catalogue_life, gaps
from worker.method.wear_state import WearStates, propagate
from worker.origins import filter_fleet, ground_factors
from worker.record import score_history
from worker.series import Series
from worker.slot_wear import SlotWear, slot_wear
from worker.wear_model import WearModel, read_wear_model

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

LAYOUT = lay_out_type(from_document("simulated", 1, canonical_defaults(tool_type())))
TEMPERATURE_U = 0.00067
"""What the doubt about temperatures adds to the error of a reading taken at 20 degC, [mm]."""
U = np.hypot([feature.error for feature in FEATURES], TEMPERATURE_U)
KM_CLASSES = (1, 2, 0)
"""Column of a visit's kilometres for each class of `Grounds`: the reference, then the others by name."""


@dataclass(slots=True)
class Found:
    """Readings that are believed, the rows of inspections they were taken at, and what each visit found fitted."""

    tool: list[int] = field(default_factory=list)
    times: list[datetime] = field(default_factory=list)
    taken: list[tuple[int, int, int, Floats, float]] = field(default_factory=list)  # instance, feature, row, km, wear
    visits: list[tuple[int, Ints, Floats]] = field(default_factory=list)  # row, instance and km of each feature
    newest: dict[int, float] = field(default_factory=dict)  # wear of each instance that was believed last

    def inspect(self, tool: int, days: float, hours: float = 0.0) -> int:
        """Open a row."""
        self.tool.append(tool)
        self.times.append(START + timedelta(days=days, hours=hours))
        return len(self.tool) - 1

    def take(self, instance: int, f: int, row: int, km: Floats, wear: float) -> None:
        """Add a reading, unless it says beyond doubt that wear went back: such a one is blocked."""
        before = self.newest.get(instance)
        negative = wear < -EXPANDED * np.hypot(U[f], FEATURES[f].new_sd)
        # what the temperatures add is common to both
        back = before is not None and wear - before < -EXPANDED * np.sqrt(2.0) * FEATURES[f].error
        if not negative and not back:
            self.newest[instance] = wear
            self.taken.append((instance, f, row, km.copy(), wear))


def collect(tools: list[Tool]) -> Found:
    """Go through the lives of tools as their inspections would."""
    found, instances = Found(), 0
    for n, tool in enumerate(tools):
        instance, km = instances + np.arange(4), np.zeros((4, 3))
        instances += 4
        row = found.inspect(n, 0.0)
        for f in range(4):
            found.take(int(instance[f]), f, row, km[f], float(tool.new[f]))
        for visit in tool.visits:
            km = km + visit.run
            row = found.inspect(n, DAYS_PER_KM * visit.at_km)
            found.visits.append((row, instance.copy(), km.copy()))
            for f in range(4):
                found.take(int(instance[f]), f, row, km[f], float(visit.found[f]))
            if visit.replaced:
                row = found.inspect(n, DAYS_PER_KM * visit.at_km, 2.0)
            for f, wear in visit.replaced.items():
                instance[f], km[f], instances = instances, 0.0, instances + 1
                found.take(int(instance[f]), f, row, km[f], wear)
    return found


def fleet_of(found: Found) -> Fleet:
    """What the worker would read; what it would load besides, of a database that is not there, stays out."""
    taken = sorted(found.taken, key=lambda one: (one[0], one[2]))
    instance, feature, row = (np.array([one[k] for one in taken], np.int64) for k in range(3))
    usage = np.array([one[3] for one in taken])[:, KM_CLASSES]
    wear = np.array([one[4] for one in taken])
    names, number, count = np.unique(instance, return_inverse=True, return_counts=True)
    held = np.zeros((len(found.tool), len(LAYOUT.places)), np.int64)
    held[row, feature] = instance
    first, readings = np.cumsum(count) - count, np.arange(len(row))
    facts = SizeFacts(readings, row, row, row, feature, instance, np.zeros(len(row), np.bool_), {})
    nothing = np.zeros(len(names), np.int64)
    series = Series(
        readings, number, row, usage.sum(axis=1), count, feature[first], names, nothing, nothing, nothing > 0,
        nothing.astype(np.float64), nothing, {},
    )  # fmt: skip
    rows = np.arange(len(found.tool))
    places = np.zeros(held.shape)
    moments = np.array([to_micros(moment) for moment in found.times], np.int64)
    table = Rows(
        rows, np.array(found.tool, np.int64), moments, rows, rows < 0, held, places, places > 0.0,
        np.zeros(len(rows), np.int64),
    )  # fmt: skip
    inspections = [
        SimpleNamespace(tool_id=tool_id, taken_at=moment, reversals=None)
        for tool_id, moment in zip(found.tool, found.times, strict=True)
    ]
    batch = cast(Any, SimpleNamespace(inspections=inspections, rank=rows, timeline=None))
    instances = np.arange(instance.max() + 1)
    group = Group(batch, LAYOUT, None, cast(Any, None), sorted(set(found.tool)), [], table, {}, instances)
    return Fleet(group, grounds_of(LAYOUT), facts, series, usage, wear, U[feature], wear, U[feature])


def learn(tools: list[Tool]) -> dict[str, Any]:
    """The wear model after a fleet was learned from and its history scored."""
    fleet = fleet_of(collect(tools))
    learned = learned_document(fleet, None)
    return learned | {"recalibration": score_history(fleet).recalibration}


def forecast(tools: list[Tool], scenario: str, document: dict[str, Any]) -> Scores:
    """Forecasts at every visit of some tools in their planned ground, and what came of them."""
    found, model = collect(tools), read_wear_model(1, document)
    fleet = fleet_of(found)
    wear, factors = slot_wear(LAYOUT, model), ground_factors(fleet, model)
    states = _carried(fleet, found, wear, factors)
    visits: list[Visit] = [visit for tool in tools for visit in tool.visits]
    plan = np.array([visit.plan[list(KM_CLASSES)] @ factors for visit in visits])
    gap = gaps(limits_of(fleet.group), states, states, wear.diffusion, plan[:, None], wear.slope_correlation)
    life = catalogue_lives() / plan[:, None]
    truth = np.array([[truth_km(visit, limit, scenario) for limit in limits()] for visit in visits])
    lines = np.array([line for tool in tools for line in straight_lines(tool)])
    owner = np.array([n for n, tool in enumerate(tools) for _ in tool.visits], np.float64)[:, None]
    columns = [truth, *np.moveaxis(_quantiles(model, gap, life), -1, 0), lines, np.arange(len(limits())), owner]
    table = np.stack([np.broadcast_to(column, truth.shape).ravel() for column in columns], axis=1)
    flat = Gap(*(np.broadcast_to(column, truth.shape).ravel() for column in gap.columns()))
    return scored(table, flat, life.ravel(), document)


def catalogue_lives() -> Floats:
    """Life of each limit by the catalogue's rates in reference ground, [km]."""
    group = cast(Any, SimpleNamespace(layout=LAYOUT))
    return catalogue_life(limits_of(group), slot_wear(LAYOUT).rates.mean)


def _carried(fleet: Fleet, found: Found, wear: SlotWear, factors: Floats) -> WearStates:
    """The state of what each visit found fitted, shape (visits, slots), from its last reading that is believed."""
    states, series, usage = filter_fleet(fleet, wear, factors).judged, fleet.series, fleet.usage @ factors
    known: dict[int, list[int]] = {}  # readings of each instance, oldest first
    for reading, number in enumerate(series.number.tolist()):
        known.setdefault(int(series.key[number]), []).append(reading)
    last = np.full((len(found.visits), len(FEATURES)), -1)
    for v, (row, instances, _) in enumerate(found.visits):
        for f, instance in enumerate(instances.tolist()):
            last[v, f] = max((r for r in known.get(instance, []) if series.rank[r] <= row), default=-1)
    ran = np.stack([km[:, KM_CLASSES] @ factors for _, _, km in found.visits])
    since = ran - np.where(last >= 0, usage[last], 0.0)
    columns = [np.where(last >= 0, a[last], b) for a, b in zip(states.columns(), wear.new.columns(), strict=True)]
    return propagate(WearStates(*columns), np.maximum(since, 0.0), wear.diffusion)


def _quantiles(model: WearModel, gap: Gap, life: Floats) -> Floats:
    """As answered, [km], shape (visits, limits, 3)."""
    levels = promised_levels(cast(Any, SimpleNamespace(layout=LAYOUT, model=model)))
    found = np.empty((*gap.shape, 3))
    for n, triple in enumerate(levels):
        part = Gap(*(np.asarray(column)[:, n] for column in gap.columns()))
        found[:, n] = remaining_usage(part, life[:, n], triple).quantiles
    return found / 1000.0


def run(seed: int, scenario: str, learned: int = 40, others: int = 60) -> Scores:
    """One fleet: some tools learned from, the others scored."""
    tools = simulate(seed, learned + others, scenario)
    return forecast(tools[learned:], scenario, learn(tools[:learned]))
