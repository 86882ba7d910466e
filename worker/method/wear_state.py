"""Level and rate of a feature's wear: its start, what usage and reversal do to it (forecast method, 1 to 3, 12).

Wear ``w`` is the amount a feature has grown towards its discard size and the rate ``b`` is constant for one
instance (a component's feature, or one side of it), while diffusion makes the path wander. Usage is counted in
thousands of the tool's life basis, weighted by ground.
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]
Index = NDArray[np.intp]

# Where the catalogue gives no wear rate: a life of ten units, half of it as spread, and wandering that adds up
# to 8 % of the allowed wear over a life. Judgement (forecast method, sections 6 and 12).
ASSUMED_LIFE = 10.0
ASSUMED_SPREAD = 0.5
ASSUMED_WANDER = 0.08
# Correlation of a casing's rate before and after it is reversed, until the fleet says otherwise. Judgement.
REVERSAL_CORRELATION = 0.4


@dataclass(frozen=True, slots=True)
class WearStates:
    """Normal states of level and rate, as arrays of one shape.

    Attributes
    ----------
    level, rate : ndarray
        Means of wear [mm] and of its rate [mm per unit of usage].
    level_variance, covariance, rate_variance : ndarray
        Their covariance matrix: P11 [mm2], P12, P22.
    """

    level: Floats
    rate: Floats
    level_variance: Floats
    covariance: Floats
    rate_variance: Floats

    @classmethod
    def of(
        cls,
        level: ArrayLike,
        rate: ArrayLike,
        level_variance: ArrayLike,
        covariance: ArrayLike,
        rate_variance: ArrayLike,
    ) -> WearStates:
        """Broadcast the columns to one shape."""
        columns = (level, rate, level_variance, covariance, rate_variance)
        return cls(*np.broadcast_arrays(*(np.asarray(column, dtype=np.float64) for column in columns)))

    def columns(self) -> tuple[Floats, ...]:
        """Return the five columns in the order of the attributes."""
        return tuple(getattr(self, field.name) for field in fields(self))

    def at(self, index: Index | NDArray[np.bool_] | slice) -> WearStates:
        """Return the states at an index, a mask or a slice of the first axis."""
        return WearStates(*(column[index] for column in self.columns()))


def prior_states(level: ArrayLike, level_variance: ArrayLike, rate: ArrayLike, rate_variance: ArrayLike) -> WearStates:
    """State of a part as fitted: level and rate independent.

    Parameters
    ----------
    level, level_variance : array_like
        0 and (max - min)^2 / 12 of the new limits; with a running-in allowance its mean, and its variance added.
    rate, rate_variance : array_like
        Mean of the wear rate; the variance between instances plus that of the mean (the catalogue's sd squared,
        before the fleet has spoken).
    """
    return WearStates.of(level, rate, level_variance, 0.0, rate_variance)


def new_size_variance(width: ArrayLike) -> Floats:
    """Variance of the size of a new part, uniform between new limits that are so far apart, [mm2]."""
    return np.asarray(np.square(np.asarray(width, dtype=np.float64)) / 12.0)


@dataclass(frozen=True, slots=True)
class WearRates:
    """Wear rates per feature, shape (features,); ``assumed`` marks features where some of it was filled in."""

    mean: Floats
    sd: Floats
    process_sd: Floats
    assumed: NDArray[np.bool_]


def fill_wear_rates(allowed: ArrayLike, mean: ArrayLike, sd: ArrayLike, process_sd: ArrayLike) -> WearRates:
    """Replace wear rates that the catalogue does not give.

    Parameters
    ----------
    allowed : array_like, shape (features,)
        Wear from the middle of new to discard; of a feature without a discard its fit's, [mm].
    mean, sd, process_sd : array_like, shape (features,)
        Of the catalogue, [mm per unit] and [mm per root of a unit]; NaN where not given.

    Returns
    -------
    WearRates
        NaN stays where the allowed wear is not known either.
    """
    allowed, mean, sd, process_sd = np.broadcast_arrays(
        *(np.asarray(column, dtype=np.float64) for column in (allowed, mean, sd, process_sd))
    )
    assumed = np.isnan(mean) | np.isnan(sd) | np.isnan(process_sd)
    filled = np.where(np.isnan(mean), allowed / ASSUMED_LIFE, mean)
    spread = np.where(np.isnan(sd), ASSUMED_SPREAD * filled, sd)
    # Allowed wear over the root of the life, the life being allowed wear over the mean rate.
    wander = ASSUMED_WANDER * np.sqrt(np.maximum(allowed * filled, 0.0))
    return WearRates(filled, spread, np.where(np.isnan(process_sd), wander, process_sd), assumed)


def propagate(states: WearStates, usage: ArrayLike, diffusion: ArrayLike) -> WearStates:
    """States after more usage without a reading.

    Parameters
    ----------
    states : WearStates
    usage : array_like
        Usage since, >= 0, [units].
    diffusion : array_like
        Process variance sigma_B^2, [mm2 per unit].
    """
    du = np.asarray(usage, dtype=np.float64)
    wander = np.asarray(diffusion, dtype=np.float64)
    level, rate, p11, p12, p22 = states.columns()
    return WearStates.of(
        level + rate * du,
        rate,
        p11 + du * (2.0 * p12 + du * p22 + wander),
        p12 + du * p22,
        p22,
    )


def own_weight(states: WearStates, prior_rate_variance: ArrayLike) -> Floats:
    """Share of the rate that rests on the instance's own readings: 1 - P22 / P22 at the start, [-]."""
    return np.asarray(1.0 - states.rate_variance / np.asarray(prior_rate_variance, dtype=np.float64))


def reverse(
    states: WearStates,
    rate_mean: ArrayLike,
    rate_sd: ArrayLike,
    new_rate_mean: ArrayLike,
    new_rate_sd: ArrayLike,
    correlation: ArrayLike = REVERSAL_CORRELATION,
) -> WearStates:
    """States of one side of a reversible part after the part is turned end for end.

    The level stays; the rate is drawn anew for the other end, correlated with the old one.

    Parameters
    ----------
    states : WearStates
        Carried to the usage of the reversal.
    rate_mean, rate_sd, new_rate_mean, new_rate_sd : array_like
        Fleet mean and standard deviation of the rate at the end where the side was and where it goes.
    correlation : array_like
        Of the two rates, [-].
    """
    r, sd, new_sd, mean, new_mean = (
        np.asarray(column, dtype=np.float64) for column in (correlation, rate_sd, new_rate_sd, rate_mean, new_rate_mean)
    )
    shrink = r * new_sd / sd
    renewed = (1.0 - r * r) * new_sd * new_sd
    return WearStates.of(
        states.level,
        new_mean + shrink * (states.rate - mean),
        states.level_variance,
        shrink * states.covariance,
        shrink * shrink * states.rate_variance + renewed,
    )
