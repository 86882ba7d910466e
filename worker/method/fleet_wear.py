"""Wear rates learned from a whole fleet: penalised REML per tool type and feature (forecast method, section 6).

Each instance's readings are normal with a random rate and a wandering path. The mean rate is profiled out; the
spread between instances, the wandering and the ground factors maximise the restricted likelihood, shrunk to the
catalogue. Without readings the answer is exactly the catalogue.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize

from worker.method.fleet_readings import FleetReadings, LeastSquares, least_squares, pad
from worker.method.wear_filter import filter_wear
from worker.method.wear_state import prior_states

Floats = NDArray[np.float64]

# How far a fleet may stray from the catalogue: relative for the mean, in logarithms for the others. Judgement.
MEAN_SPREAD = 0.5
TAU_SHARE = 0.35
LOG_TAU_SD = 0.4
LOG_PROCESS_SD = 0.7
LOG_GROUND_SD = 0.4
# A reading further off than this under the fit counts with ten times its uncertainty in the next.
OUTLIER_Z = 3.0
OUTLIER_WIDENING = 10.0
ROBUST_ROUNDS = 2
SLOPE_STEP = 1e-4
"""In logarithms: short enough for the slope's truncation, long enough for the rounding of a sum of thousands."""


@dataclass(frozen=True, slots=True)
class FleetPrior:
    """What the catalogue (or a sibling type) says before the fleet has spoken.

    Attributes
    ----------
    mean : float
        Wear rate in reference ground, [mm per unit].
    tau, process_sd : float
        Spread of the rate between instances [mm per unit], wandering [mm per root of a unit].
    ground_factors : ndarray, shape (G,)
        Effective usage per usage in each class.
    """

    mean: float
    tau: float
    process_sd: float
    ground_factors: Floats

    @property
    def mean_variance(self) -> float:
        """Variance of the fleet's mean rate about the catalogue's."""
        return (MEAN_SPREAD * self.mean) ** 2


@dataclass(frozen=True, slots=True)
class RunningIn:
    """Wear of the first few hundred metres, which the later rate does not show: its mean and sd, [mm]."""

    mean: float
    sd: float


@dataclass(frozen=True, slots=True)
class FleetWear:
    """Learned wear of one feature of a tool type.

    Attributes
    ----------
    mean, mean_variance : float
        Mean rate in reference ground [mm per unit], and the variance of that mean.
    tau, process_sd : float
        Spread of the rate between instances and the wandering.
    ground_factors : ndarray, shape (G,)
    criterion : float
        Negative penalised restricted log-likelihood at the optimum; comparable for the same readings only.
    instances, readings, outliers : int
        What it rests on: instances and readings that say something of the rate, readings counted as far off.
    """

    mean: float
    mean_variance: float
    tau: float
    process_sd: float
    ground_factors: Floats
    criterion: float
    instances: int
    readings: int
    outliers: int

    @property
    def rate_variance(self) -> float:
        """Variance of the rate of an instance not yet measured, P22 of its prior."""
        return self.tau**2 + self.mean_variance


def profiled(sums: LeastSquares, prior: FleetPrior | None) -> tuple[Floats, Floats, Floats]:
    """Mean rate, its variance, and the restricted criterion with the mean profiled out."""
    precision, centre = (0.0, 0.0) if prior is None else (1.0 / prior.mean_variance, prior.mean)
    information = sums.uu + precision
    projected = sums.uy + centre * precision
    total = sums.yy + centre * centre * precision
    mean = projected / information
    quadratic = total - mean * projected
    return mean, 1.0 / information, 0.5 * (sums.log_det + np.log(information) + quadratic)


def fit_fleet(
    readings: FleetReadings,
    prior: FleetPrior | None,
    reference: int = 0,
    robust: bool = True,
    running_in: RunningIn | None = None,
    start: FleetWear | None = None,
) -> FleetWear:
    """Mean rate, spread, wandering and ground factors of a fleet. [penalised REML]

    Parameters
    ----------
    readings : FleetReadings
    prior : FleetPrior or None
        None gives plain REML with ground factors free but for the reference.
    reference : int
        Ground class whose factor stays 1.
    robust : bool
        Refit twice with readings beyond three deviations widened ten times.
    running_in : RunningIn, optional
        Allowance added to every start.
    start : FleetWear, optional
        Where to begin the search: a fit of nearly the same readings.

    Returns
    -------
    FleetWear

    Raises
    ------
    ValueError
        Without a prior and without any reading of a used part.

    Notes
    -----
    A class without usage keeps the prior's factor.

    References
    ----------
    .. [1] Pinheiro and Bates, Mixed-Effects Models in S and S-PLUS, 2000 (restricted likelihood; from memory).
    """
    if not (readings.usage.sum(axis=1) > 0.0).any():
        if prior is None:
            raise ValueError("no reading of a used part, and no prior")
        return FleetWear(
            prior.mean, prior.mean_variance, prior.tau, prior.process_sd, prior.ground_factors, 0.0, 0, 0, 0
        )
    allowance = running_in or RunningIn(0.0, 0.0)
    found, judged = _fit_once(readings, prior, reference, allowance, start), readings
    for _ in range(ROBUST_ROUNDS if robust else 0):
        widened = widen_outliers(readings, found, allowance)
        if (widened.uncertainty == judged.uncertainty).all():
            break
        judged = widened
        found = _fit_once(judged, prior, reference, allowance, found)
    return replace(found, outliers=int((judged.uncertainty > readings.uncertainty).sum()))


def widen_outliers(readings: FleetReadings, found: FleetWear, allowance: RunningIn) -> FleetReadings:
    """Readings with ten times the uncertainty where a fit finds them beyond three deviations.

    The filter's own down-weighting keeps one far reading from spoiling the judgement of the next.
    """
    start = prior_states(
        readings.start_level + allowance.mean,
        readings.start_variance + allowance.sd**2,
        found.mean,
        found.rate_variance,
    )
    usage = readings.usage @ found.ground_factors
    innovation = filter_wear(
        start, 0.0, found.process_sd**2, readings.counts, usage, readings.wear, readings.uncertainty
    ).innovation
    widening = np.where(np.abs(innovation) > OUTLIER_Z, OUTLIER_WIDENING, 1.0)
    return replace(readings, uncertainty=readings.uncertainty * widening)


def _fit_once(
    readings: FleetReadings,
    prior: FleetPrior | None,
    reference: int,
    allowance: RunningIn,
    start: FleetWear | None,
) -> FleetWear:
    padded = pad(readings)
    used = readings.usage.sum(axis=0) > 0.0
    free = np.flatnonzero(used & (np.arange(used.size) != reference))
    centre = prior or _rough_prior(readings)
    middle = _folded(centre, free)

    def sums_at(x: Floats) -> LeastSquares:
        ground = np.tile(centre.ground_factors, (*x.shape[:-1], 1))
        ground[..., free] = np.exp(x[..., 2:])
        tau, process_sd = np.exp(x[..., 0]), np.exp(x[..., 1])
        return least_squares(padded, tau, process_sd, ground, allowance.mean, allowance.sd**2)

    def criterion(x: Floats) -> Floats:
        value = profiled(sums_at(x), prior)[2]
        return value + (_penalty(x - middle) if prior is not None else 0.0)

    bounds = [(v - 12.0, v + 4.0) if n < 2 else (v - 2.5, v + 2.5) for n, v in enumerate(middle.tolist())]
    begin = middle if start is None else np.clip(_folded(start, free), *np.transpose(bounds))
    best, least = minimum(criterion, begin, bounds)
    mean, variance, _ = profiled(sums_at(best), prior)
    ground = np.array(centre.ground_factors, dtype=np.float64)
    ground[free] = np.exp(best[2:])
    telling = readings.usage.sum(axis=1) > 0.0
    instance = np.repeat(np.arange(readings.counts.size), readings.counts)
    return FleetWear(
        mean=float(mean),
        mean_variance=float(variance),
        tau=float(np.exp(best[0])),
        process_sd=float(np.exp(best[1])),
        ground_factors=ground,
        criterion=least,
        instances=int(np.unique(instance[telling]).size),
        readings=int(telling.sum()),
        outliers=0,
    )


def _folded(wear: FleetPrior | FleetWear, free: NDArray[np.intp]) -> Floats:
    """Spread, wandering and the free ground factors, in logarithms."""
    return np.asarray(np.log(np.concatenate([[wear.tau, wear.process_sd], wear.ground_factors[free]])))


def _penalty(off: Floats) -> Floats:
    """Negative log density of the prior of the logarithms, up to a constant."""
    sds = np.full(off.shape[-1], LOG_GROUND_SD)
    sds[:2] = LOG_TAU_SD, LOG_PROCESS_SD
    return np.asarray(0.5 * np.sum(np.square(off / sds), axis=-1))


def _rough_prior(readings: FleetReadings) -> FleetPrior:
    """Starting values without a catalogue: one straight line through all readings."""
    usage = readings.usage.sum(axis=1)
    start = np.repeat(readings.start_level, readings.counts)
    slope = float(usage @ (readings.wear - start) / (usage @ usage))
    scale = abs(slope) or float(np.abs(readings.wear).max()) / float(usage.max())
    off = readings.wear - start - slope * usage
    wander = float(np.sqrt(np.mean(off**2) / max(float(usage.mean()), 1e-12)))
    return FleetPrior(scale, TAU_SHARE * scale, 0.5 * wander or scale, np.ones(readings.usage.shape[1]))


def minimum(
    criterion: Callable[[Floats], Floats], begin: Floats, bounds: Sequence[tuple[float, float]]
) -> tuple[Floats, float]:
    """Where a smooth criterion in logarithms is least, and its value there.

    Parameters
    ----------
    criterion : callable
        Of points of shape (m, p), with values of shape (m,).
    begin : ndarray, shape (p,)
    bounds : sequence of tuple of float

    Notes
    -----
    L-BFGS-B; the slope is the central difference of points that are all asked for at once.
    """
    steps = SLOPE_STEP * np.eye(begin.size)

    def with_slope(x: Floats) -> tuple[float, Floats]:
        values = criterion(np.concatenate([x[None], x + steps, x - steps]))
        ahead, behind = values[1:].reshape(2, -1)
        return float(values[0]), (ahead - behind) / (2.0 * SLOPE_STEP)

    found = minimize(
        with_slope, begin, jac=True, method="L-BFGS-B", bounds=bounds, options={"ftol": 1e-11, "gtol": 1e-4}
    )
    return np.asarray(found.x, dtype=np.float64), float(found.fun)
