"""An invented fleet whose wear is known: four features, ground of three classes, replacements, measured with error.

Wear of each component is a straight line with a rate of its own in effective usage (kilometres weighted by ground),
and a wandering path about it. Everything is invented; seeded, so that a fleet can be made again.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Feature:
    """Wear of one feature: mean rate per kilometre, spread between components, wear at discard, errors; mm."""

    name: str
    rate: float
    spread: float
    discard: float
    error: float
    new_sd: float


FEATURES = (
    Feature("piston_od", 0.012, 0.25, 0.20, 0.004, 0.005),
    Feature("liner_bore", 0.015, 0.30, 0.25, 0.006, 0.006),
    Feature("bush_bore", 0.030, 0.35, 0.40, 0.010, 0.010),
    Feature("casing_od", 0.450, 0.30, 6.00, 0.050, 0.050),
)
GROUND = np.array([0.6, 1.0, 1.9])
WANDERING = 0.10  # sd of the wandering at discard over the wear at discard
SUMS = (
    ("fit_liner_piston", (1, 1, 0, 0), 0.30),
    ("fit_bush_piston", (1, 0, 1, 0), 0.40),
    ("performance_loss", (3, 2, 1, 0), 1.00),
)
STEP, LONGEST, MOST = 0.02, 90.0, 14
SCENARIOS = (
    "correct", "running_in", "outliers", "gamma", "accel", "tool_effect", "ground_error", "slope_walk", "nasty",
)  # fmt: skip
Limit = tuple[str, tuple[int, ...], float]


def limits() -> list[Limit]:
    """Name, coefficients and value of every limit."""
    own: list[Limit] = [
        (feature.name, tuple(int(i == f) for i in range(4)), feature.discard) for f, feature in enumerate(FEATURES)
    ]
    return [*own, *SUMS]


def wandering(f: int) -> float:
    """Process sd of a feature, mm per root of an effective kilometre."""
    feature = FEATURES[f]
    return WANDERING * feature.discard / float(np.sqrt(feature.discard / feature.rate))


def paths(rng: np.random.Generator, f: int, tool_effect: float, scenario: str) -> NDArray[np.float32]:
    """Wear of the components that one tool may get of one feature, on a grid of effective usage."""
    feature, steps = FEATURES[f], int(LONGEST / STEP)

    def has(name: str) -> bool:
        return scenario in (name, "nasty")

    drawn = feature.rate * (1 + feature.spread * rng.standard_normal(MOST))
    slope = np.maximum(drawn, 0.15 * feature.rate) * tool_effect
    sd, usage = wandering(f), np.arange(steps + 1) * STEP
    rate = np.broadcast_to(slope[:, None], (MOST, steps))
    if has("slope_walk"):
        rate = slope[:, None] * np.exp(np.cumsum(0.10 * np.sqrt(STEP) * rng.standard_normal((MOST, steps)), 1))
    if has("gamma"):
        variance = sd * sd * STEP
        grown = rng.gamma((rate * STEP) ** 2 / variance, 1.0) * variance / (rate * STEP)
    else:
        grown = rate * STEP + sd * np.sqrt(STEP) * rng.standard_normal((MOST, steps))
    wear = np.concatenate([np.zeros((MOST, 1)), np.cumsum(grown, 1)], 1)
    if has("running_in"):
        amount = 0.12 * feature.discard * np.exp(0.3 * rng.standard_normal(MOST))
        wear = wear + amount[:, None] * (1 - np.exp(-usage / 0.8))[None]
    if has("accel"):
        wear = wear * (0.80 + 0.3 * np.clip(wear / feature.discard, 0, 2.0))
    return (wear + feature.new_sd * rng.standard_normal(MOST)[:, None]).astype(np.float32)


@dataclass(slots=True)
class Visit:
    """One strip-down: kilometres in each ground class since the last, wear found, and what was put in anew."""

    at_km: float
    run: Floats
    found: Floats
    replaced: dict[int, float]  # feature: wear of the new part, as measured
    components: list[NDArray[np.float32]]
    usage: Floats  # effective, of each component
    plan: Floats  # ground of the kilometres to come


@dataclass(slots=True)
class Tool:
    """A tool's life: the wear of its first parts as measured new, then its visits."""

    new: Floats
    visits: list[Visit] = field(default_factory=list)


def simulate(seed: int, tools: int, scenario: str = "correct", km: float = 42.0) -> list[Tool]:
    """Return the lives of some tools."""
    rng = np.random.default_rng(seed)
    return [_life(rng, scenario, km) for _ in range(tools)]


def _measure(rng: np.random.Generator, f: int, path: NDArray[np.float32], usage: float, used: bool, scen: str) -> float:
    s = FEATURES[f].error
    wear = path[min(round(usage / STEP), path.size - 1)]
    error = s * rng.standard_normal()
    if scen in ("outliers", "nasty") and used and rng.random() < 0.03:
        error += s * 8 * rng.choice([-1, 1])
    return float(wear + error)


def _life(rng: np.random.Generator, scenario: str, km: float) -> Tool:
    sd = 0.20 if scenario in ("tool_effect", "nasty") else 0.0
    effect = float(np.exp(sd * rng.standard_normal() - sd**2 / 2))
    stock = [paths(rng, f, effect, scenario) for f in range(4)]
    preferred = int(rng.integers(3))
    current, usage = [0] * 4, np.zeros(4)
    tool = Tool(np.array([_measure(rng, f, stock[f][0], 0.0, False, scenario) for f in range(4)]))
    at = 0.0
    while at < km:
        if rng.random() < 0.25:
            preferred = int(rng.integers(3))
        distance = 1.5 * float(np.exp(0.4 * rng.standard_normal() - 0.08))
        mix = rng.dirichlet(0.4 + 6 * (np.arange(3) == preferred))
        recorded = mix.copy()
        if scenario in ("ground_error", "nasty") and rng.random() < 0.2:
            recorded = recorded[rng.permutation(3)]
        at += distance
        usage = usage + distance * float(mix @ GROUND)
        found = np.array([_measure(rng, f, stock[f][current[f]], usage[f], True, scenario) for f in range(4)])
        plan = rng.dirichlet(0.4 + 6 * (np.arange(3) == preferred))
        fitted = [stock[f][current[f]] for f in range(4)]
        visit = Visit(at, distance * recorded, found, {}, fitted, usage.copy(), plan)
        for f in sorted(_worn(rng, found)):
            current[f] = min(current[f] + 1, MOST - 1)
            usage[f] = 0.0
            visit.replaced[f] = _measure(rng, f, stock[f][current[f]], 0.0, False, scenario)
        tool.visits.append(visit)
    return tool


def _worn(rng: np.random.Generator, found: Floats) -> set[int]:
    """What is replaced: nearly worn, half of a nearly worn fit, or for another reason."""
    worn = {f for f in range(4) if found[f] >= 0.92 * FEATURES[f].discard}
    for _, c, limit in SUMS[:2]:
        if np.dot(c, found) >= 0.95 * limit:
            worn.add(max((f for f in range(4) if c[f]), key=lambda f: found[f] / FEATURES[f].discard))
    return worn | {f for f in range(4) if rng.random() < 0.02}


def truth_km(visit: Visit, limit: Limit, scenario: str = "correct") -> float:
    """Kilometres in the planned ground until the fitted components really reach a limit; inf beyond the grid."""
    _, c, value = limit
    begun = [round(u / STEP) for u in visit.usage]
    used = [f for f in range(4) if c[f]]
    n = min(int(60.0 / STEP), *(visit.components[f].size - 1 - begun[f] for f in used))
    total = np.zeros(n)
    for f in used:
        total += c[f] * visit.components[f][begun[f] : begun[f] + n]
    # a wandering path seen on a grid crosses before it is seen to (0.5826 sigma root of the step)
    grid = 0.0 if scenario == "gamma" else 0.5826 * np.sqrt(STEP * sum((c[f] * wandering(f)) ** 2 for f in used))
    if total[0] >= value:
        return 0.0
    hit = np.flatnonzero(total >= value - grid)
    return float(max(hit[0] - 0.5, 0.5) * STEP / (visit.plan @ GROUND)) if hit.size else float("inf")


def tool_type() -> dict[str, Any]:
    """The catalogue entry of the fleet's type, wrong on purpose: rates a third too high, ground too even."""
    new = {"piston_od": 100.0, "liner_bore": 100.05, "bush_bore": 100.05, "casing_od": 120.0}
    features = []
    for f in FEATURES:
        sign = 1 if f.name.endswith("bore") else -1
        half, size = float(np.sqrt(3.0)) * f.new_sd, new[f.name]
        features.append(
            {
                "part": f.name.partition("_")[0], "code": f.name.partition("_")[2],
                "kind": "bore" if sign > 0 else "shaft", "new": {"min": size - half, "max": size + half},
                "discard": size + sign * f.discard, "minimum_readings": 1,
                "wear_per_1000": {"mean": 1.35 * f.rate, "sd": 0.35 * 1.35 * f.rate},
            }
        )  # fmt: skip
    fits = [
        {"code": name.replace("_", "-"), "shaft": "piston.od", "bore": f"{name.split('_')[1]}.bore",
         "new": {"min": 0.04, "max": 0.06}, "discard": 0.05 + limit, "loss_share": share}
        for (name, _, limit), share in zip(SUMS[:2], (2 / 3, 1 / 3), strict=True)
    ]  # fmt: skip
    return {
        "name": "Simulated fleet", "unit": "mm", "life_basis": "metres", "loss_per_mm": 0.6, "service_loss": 0.2,
        "parts": [{"code": code} for code in ("piston", "liner", "bush", "casing")], "features": features, "fits": fits,
        "ground_factors": {"soft": 0.8, "medium": 1.0, "hard": 1.4},
    }  # fmt: skip
