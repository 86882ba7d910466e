"""Ground factors that all features of a tool type share, pooled from each feature's own (forecast method, section 6).

What a metre in hard ground counts for is a property of the ground and the tool more than of one feature, and usage
in another mix is a change of one scale only if all features agree. Each feature's estimate is weighted by what its
readings say; the catalogue's doubt enters once.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from worker.method.fleet_readings import FleetReadings, least_squares, pad
from worker.method.fleet_wear import LOG_GROUND_SD, FleetPrior, FleetWear, RunningIn, profiled

Floats = NDArray[np.float64]

STEP = 0.05


@dataclass(frozen=True, slots=True)
class GroundEvidence:
    """What one feature says of the ground factors: log factors, and the precision matrix without the prior's."""

    log_factors: Floats
    precision: Floats


def ground_evidence(
    readings: FleetReadings, prior: FleetPrior, found: FleetWear, reference: int, running_in: RunningIn | None
) -> GroundEvidence:
    """Curvature of the restricted likelihood in the log factors at a feature's optimum, spread and wandering held.

    Parameters
    ----------
    readings, prior, reference, running_in
        As they were fitted.
    found : FleetWear
        The optimum.

    Returns
    -------
    GroundEvidence
        Of the ground classes in order; nothing of the reference and of classes without usage.
    """
    padded, centre = pad(readings), np.log(found.ground_factors)
    free = np.flatnonzero((readings.usage.sum(axis=0) > 0.0) & (np.arange(centre.size) != reference))
    level, variance = (0.0, 0.0) if running_in is None else (running_in.mean, running_in.sd**2)

    corners = STEP * np.array([(1.0, 1.0), (1.0, -1.0), (-1.0, 1.0), (-1.0, -1.0)])
    pairs = [(i, j) for n, i in enumerate(free.tolist()) for j in free[n:].tolist()]
    moved = np.zeros((len(pairs), len(corners), centre.size))
    for n, (i, j) in enumerate(pairs):
        moved[n, :, i] += corners[:, 0]
        moved[n, :, j] += corners[:, 1]
    ground = np.exp(centre + moved)
    value = profiled(least_squares(padded, found.tau, found.process_sd, ground, level, variance), prior)[2]
    precision = np.zeros((centre.size, centre.size))
    for (i, j), curve in zip(pairs, (value @ np.prod(corners, axis=1) / (4.0 * STEP**4)).tolist(), strict=True):
        precision[i, j] = precision[j, i] = curve
    if free.size:
        block = np.ix_(free, free)
        values, vectors = np.linalg.eigh(precision[block])
        precision[block] = (vectors * np.maximum(values, 0.0)) @ vectors.T
    return GroundEvidence(centre, precision)


def pool_ground(evidence: Sequence[GroundEvidence], prior: Floats) -> Floats:
    """Common factors: the product of the features' likelihoods and one prior.

    Parameters
    ----------
    evidence : sequence of GroundEvidence
        Each at the mode of its likelihood times the prior.
    prior : ndarray, shape (G,)
        The catalogue's factors.

    Returns
    -------
    ndarray, shape (G,)
        Exactly the prior's where nothing is known.
    """
    centre = np.log(prior)
    own = np.eye(centre.size) / LOG_GROUND_SD**2
    total, pull = own.copy(), np.zeros(centre.size)
    for one in evidence:
        total += one.precision
        # a mode of likelihood times prior: precision and prior together pull as much as they were moved
        pull += (one.precision + own) @ (one.log_factors - centre)
    # a class that a feature says nothing of stays where the prior is, so that its own term vanishes there
    return np.asarray(np.exp(centre + np.linalg.solve(total, pull)))


def without_ground(readings: FleetReadings, ground: Floats) -> FleetReadings:
    """The same readings with usage weighted by given factors, as one class."""
    return replace(readings, usage=(readings.usage @ ground)[:, None])
