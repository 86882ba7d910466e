"""What forecasts of a fleet get wrong, told by tools that their parameters were not learned from (forecast method, 7).

Parameters are learned from three quarters of the tools and forecast the history of the fourth, by turns: what they
were fitted to would flatter them. Where parts left before a limit was reached the rest of the way is drawn from the
forecast, so once a correction is known it is drawn again from the corrected one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from worker.correlations import rate_correlations
from worker.fleet import Fleet, sample
from worker.fleet_fit import fit_features
from worker.method.backtest import transform
from worker.method.recalibration import Recalibration, learn_recalibration, trust_in
from worker.origins import Origins, follow, joined, thinned
from worker.wear_model import CATALOGUE, WearModel, read_wear_model

Floats = NDArray[np.float64]

FOLDS = 4
REDRAWS = 2
ENOUGH_OUTCOMES = 100
ENOUGH_TOOLS = 10
"""Outcomes seen, and tools they come from, before quantiles are corrected by them. Judgement."""
NOTHING = {"nominal": [0.0, 1.0], "level": [0.0, 1.0], "forecasts": 0, "applied": False}
"""No correction, as it is stored."""


def learned_model(fleet: Fleet, until: int | None = None) -> WearModel:
    """What a fleet teaches, from readings taken before a moment only where one is given; nothing is corrected."""
    fits = fit_features(fleet, until)
    named = dict(zip(fleet.grounds.names, fits[0].ground_factors.tolist(), strict=True)) if fits else {}
    document = {"ground_factors": named, "features": [fit.document for fit in fits]}
    return read_wear_model(CATALOGUE, document | {"recalibration": {"own": NOTHING, "sums": NOTHING}})


def learn_corrections(fleet: Fleet, rng: np.random.Generator) -> dict[str, Any]:
    """By group of limits, the levels at which forecasts would have kept their promise.

    Parameters
    ----------
    fleet : Fleet
    rng : Generator
        Seeded.

    Returns
    -------
    dict
        As it is stored, for limits on one feature (`own`) and on several (`sums`).
    """
    own = len(fleet.layout.limit_slots)
    parts = _folds(fleet)
    redraw: dict[str, Recalibration | None] = {"own": None, "sums": None}
    found = {"own": _correction([], rng), "sums": _correction([], rng)}
    for _ in range(1 + REDRAWS if parts else 0):
        origins = _forecast(parts, own, redraw, rng)
        found = {"own": _correction(origins[:own], rng), "sums": _correction(origins[own:], rng)}
        redraw = {name: recalibration for name, (_, recalibration) in found.items()}
        if redraw["own"] is None and redraw["sums"] is None:
            break
    return {name: document for name, (document, _) in found.items()}


def _folds(fleet: Fleet) -> list[tuple[Fleet, WearModel]]:
    """Each part of the tools with what the others teach; none of a fleet too small to be corrected."""
    first = np.cumsum(fleet.series.count) - fleet.series.count
    tools = np.unique(fleet.tools(first))
    if len(tools) < ENOUGH_TOOLS:
        return []
    parts = []
    for fold in range(FOLDS):
        mine = np.arange(len(tools)) % FOLDS == fold
        others = sample(fleet, tools[~mine])
        model = learned_model(others)
        together = rate_correlations(others, model)
        model = replace(model, slope_correlation=together.slope, reversal_correlation=together.reversal)
        parts.append((sample(fleet, tools[mine]), model))
    return parts


def _forecast(
    parts: Sequence[tuple[Fleet, WearModel]],
    own: int,
    redraw: dict[str, Recalibration | None],
    rng: np.random.Generator,
) -> list[Origins]:
    """Forecasts of every limit, of all parts."""
    nowhere = np.zeros(0)
    by_part = []
    for part, model in parts:
        limits = len(part.layout.limit_names)
        redrawn = [redraw["own"]] * own + [redraw["sums"]] * (limits - own)
        by_part.append(follow(part, [model], nowhere, rng, redrawn))
    return [thinned(joined(of_limit), len(by_part[0]), rng) for of_limit in zip(*by_part, strict=True)]


def _correction(origins: Sequence[Origins], rng: np.random.Generator) -> tuple[dict[str, Any], Recalibration | None]:
    """A group's correction as it is stored, and itself where it is to be used."""
    nobody = [np.zeros(0, np.int64)]
    pit = np.concatenate([transform(one.gap, one.outcomes, rng) for one in origins] or [np.zeros(0)])
    tool = np.concatenate([one.tool for one in origins] or nobody)
    seen = np.concatenate([one.tool[~one.drawn] for one in origins] or nobody)
    tools = len(np.unique(seen))
    enough = len(seen) >= ENOUGH_OUTCOMES and tools >= ENOUGH_TOOLS
    trust = trust_in(pit, tool) if enough else 0.0
    found = learn_recalibration(pit, trust)
    document = {
        "nominal": found.nominal.tolist(),
        "level": found.level.tolist(),
        "forecasts": found.count,
        "outcomes_seen": len(seen),
        "tools": tools,
        "trust": trust,
        "applied": trust > 0.0,
    }
    return document, found if trust > 0.0 else None
