"""Fitting every feature of a fleet, with ground factors that all of them share (forecast method, section 6)."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from worker.fleet import FeatureReadings, Fleet, feature_readings
from worker.method.fleet_wear import TAU_SHARE, FleetPrior, FleetWear, RunningIn, fit_fleet
from worker.method.ground_pool import ground_evidence, pool_ground, without_ground
from worker.method.running_in import FleetChoice, fit_with_running_in, split_new
from worker.slot_wear import slot_wear

Floats = NDArray[np.float64]
REFERENCE = 0
"""Column of the reference ground (`worker.fleet.Grounds`)."""


@dataclass(frozen=True, slots=True)
class FeaturePrior:
    """The catalogue's word on a feature, and its wear from new to discard [mm]; None where it has none."""

    prior: FleetPrior
    allowed: float


@dataclass(frozen=True, slots=True)
class FeatureFit:
    """One feature as learned: a row of the version's `features`, and the ground factors common to all."""

    document: dict[str, Any]
    ground_factors: Floats


def feature_priors(fleet: Fleet) -> list[FeaturePrior | None]:
    """What the catalogue says of each feature; None where a rate can be neither read nor assumed."""
    slots, features = fleet.layout.slots, fleet.layout.type.features
    wear = slot_wear(fleet.layout)
    found: list[FeaturePrior | None] = []
    for n, feature in enumerate(features):
        slot = int(np.flatnonzero(slots.feature == n)[0])
        mean, process_sd = float(wear.rates.mean[slot]), float(wear.rates.process_sd[slot])
        allowed = float(wear.allowed[slot])
        tau = TAU_SHARE * mean if feature.wear_sd is None else feature.wear_sd
        usable = np.isfinite([mean, process_sd, allowed]).all() and min(mean, tau, process_sd, allowed) > 0.0
        prior = FleetPrior(mean, tau, process_sd, fleet.grounds.factors)
        found.append(FeaturePrior(prior, allowed) if usable else None)
    return found


def fit_features(fleet: Fleet, until: int | None = None) -> list[FeatureFit]:
    """Learn every feature of a fleet that the catalogue gives a rate, or one can be assumed of.

    Parameters
    ----------
    fleet : Fleet
    until : int, optional
        From readings taken before only, microseconds since 2000.
    """
    wanted = [(n, one) for n, one in enumerate(feature_priors(fleet)) if one is not None]
    read = [feature_readings(fleet, n, until) for n, _ in wanted]
    chosen = [_choose(one, readings) for (_, one), readings in zip(wanted, read, strict=True)]
    evidence = [
        ground_evidence(_entering(readings, choice), one.prior, choice.wear, REFERENCE, choice.running_in)
        for (_, one), readings, choice in zip(wanted, read, chosen, strict=True)
        if choice.wear.readings
    ]
    ground = pool_ground(evidence, fleet.grounds.factors)
    fits = []
    for (n, one), readings, choice in zip(wanted, read, chosen, strict=True):
        wear = _under(ground, one.prior, readings, choice)
        code = fleet.layout.type.features[n].code
        tools = len(np.unique(fleet.tools(readings.rows)))
        fits.append(FeatureFit(_row(code, wear, choice, tools), ground))
    return fits


def _choose(one: FeaturePrior, found: FeatureReadings) -> FleetChoice:
    if not found.rows.size:
        return FleetChoice(fit_fleet(found.readings, one.prior, REFERENCE), None, 0.0)
    return fit_with_running_in(found.readings, one.prior, one.allowed, REFERENCE)


def _entering(found: FeatureReadings, choice: FleetChoice) -> Any:
    """The readings that a choice was fitted to: with running-in none of parts as new."""
    return found.readings if choice.running_in is None else split_new(found.readings)[0]


def _under(ground: Floats, prior: FleetPrior, found: FeatureReadings, choice: FleetChoice) -> FleetWear:
    """The fit once more with the common ground factors."""
    if not choice.wear.readings:
        return choice.wear
    readings = without_ground(_entering(found, choice), ground)
    return fit_fleet(readings, replace(prior, ground_factors=np.ones(1)), running_in=choice.running_in)


def _row(code: str, wear: FleetWear, choice: FleetChoice, tools: int) -> dict[str, Any]:
    running_in: RunningIn | None = choice.running_in
    return {
        "feature": code,
        "mean": wear.mean,
        "mean_sd": float(np.sqrt(wear.mean_variance)),
        "tau": wear.tau,
        "process_sd": wear.process_sd,
        "running_in": None if running_in is None else {"mean": running_in.mean, "sd": running_in.sd},
        "running_in_gain": float(choice.gain),
        "tools": tools,
        "instances": wear.instances,
        "readings": wear.readings,
        "outliers": wear.outliers,
    }
