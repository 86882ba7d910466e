"""Whether the parts of a fleet run in, decided by their likelihood (forecast method, section 3).

Wear of the first few hundred metres that the later rate does not show must be allowed for at the start; where it
is not there, allowing for it throws the as-new reading away. So the fleet is asked.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from worker.method.fleet_readings import FleetReadings, least_squares, pad
from worker.method.fleet_wear import FleetPrior, FleetWear, RunningIn, fit_fleet, minimum, profiled, widen_outliers

Floats = NDArray[np.float64]

# Before the fleet has spoken, in shares of the allowed wear. Judgement.
MEAN_SHARE = 0.10
SD_SHARE = 0.06
LOG_SD_SD = 0.7
# Gain in log-likelihood that the two figures of running-in have to bring.
MARGIN = 2.0
ALTERNATIONS = 2


@dataclass(frozen=True, slots=True)
class FleetChoice:
    """Learned wear of a feature, with or without running-in.

    Attributes
    ----------
    wear : FleetWear
    running_in : RunningIn or None
        Allowance for every start; with it, readings of parts as new do not enter the filter.
    gain : float
        Log-likelihood by which running-in explains the readings better, penalties included.
    """

    wear: FleetWear
    running_in: RunningIn | None
    gain: float


def fit_with_running_in(readings: FleetReadings, prior: FleetPrior, allowed: float, reference: int = 0) -> FleetChoice:
    """Fit a fleet with and without running-in and keep what its readings favour.

    Parameters
    ----------
    readings : FleetReadings
        Readings of parts as new have no usage.
    prior : FleetPrior
    allowed : float
        Wear from new to discard, [mm].
    reference : int
        Ground class whose factor is 1.

    Returns
    -------
    FleetChoice

    Notes
    -----
    Both models are judged on the same readings: with running-in the as-new ones count as readings of the new
    size alone. Readings far off even under the wider model are widened for both.
    """
    generic = RunningIn(MEAN_SHARE * allowed, SD_SHARE * allowed)
    worn, new_density = split_new(readings)
    if not worn.counts.any():
        return FleetChoice(fit_fleet(readings, prior, reference), None, 0.0)
    first = fit_fleet(worn, prior, reference, running_in=generic)
    judged = widen_outliers(worn, first, generic)
    allowance, with_it = _alternate(judged, prior, reference, generic, first)
    without = fit_fleet(_widened_like(readings, worn, judged), prior, reference, robust=False, start=first)
    gain = without.criterion - (with_it - new_density)
    if gain <= MARGIN or allowance.mean <= 0.0:
        return FleetChoice(fit_fleet(readings, prior, reference, start=without), None, gain)
    return FleetChoice(fit_fleet(worn, prior, reference, running_in=allowance, start=first), allowance, gain)


def split_new(readings: FleetReadings) -> tuple[FleetReadings, float]:
    """Readings of used parts, and the log density of the others as sizes of new parts."""
    used = readings.usage.sum(axis=1) > 0.0
    instance = np.repeat(np.arange(readings.counts.size), readings.counts)
    new = ~used
    variance = readings.start_variance[instance[new]] + readings.uncertainty[new] ** 2
    off = readings.wear[new] - readings.start_level[instance[new]]
    # the constant of the normal density is left out of the fleet's criterion, so here too
    density = -0.5 * float(np.sum(np.log(variance) + off * off / variance))
    worn = replace(
        readings,
        counts=np.bincount(instance[used], minlength=readings.counts.size),
        usage=readings.usage[used],
        wear=readings.wear[used],
        uncertainty=readings.uncertainty[used],
    )
    return worn, density


def _widened_like(readings: FleetReadings, worn: FleetReadings, judged: FleetReadings) -> FleetReadings:
    uncertainty = readings.uncertainty.copy()
    uncertainty[readings.usage.sum(axis=1) > 0.0] *= judged.uncertainty / worn.uncertainty
    return replace(readings, uncertainty=uncertainty)


def _alternate(
    readings: FleetReadings, prior: FleetPrior, reference: int, generic: RunningIn, wear: FleetWear
) -> tuple[RunningIn, float]:
    """Allowance and criterion at their best, by turns with the wear."""
    allowance, padded, x = generic, pad(readings), np.zeros(2)
    for _ in range(ALTERNATIONS):

        def criterion(x: Floats, wear: FleetWear = wear) -> Floats:
            mean, sd = generic.mean + generic.sd * x[..., 0], generic.sd * np.exp(x[..., 1])
            sums = least_squares(padded, wear.tau, wear.process_sd, wear.ground_factors, mean, sd * sd)
            return profiled(sums, prior)[2] + _penalty(x)

        x, _ = minimum(criterion, x, [(-5.0, 20.0), (-6.0, 3.0)])
        allowance = RunningIn(generic.mean + generic.sd * float(x[0]), generic.sd * float(np.exp(x[1])))
        wear = fit_fleet(readings, prior, reference, robust=False, running_in=allowance, start=wear)
    return allowance, wear.criterion + float(_penalty(x))


def _penalty(x: Floats) -> Floats:
    return np.asarray(0.5 * (np.square(x[..., 0]) + np.square(x[..., 1] / LOG_SD_SD)))
