"""How much of a gauge's scatter is the gauge and how much the people using it (sizes method, S7).

A balanced study: every part measured by every appraiser the same number of times. Two ways to split the
scatter: analysis of variance, whose figures and degrees of freedom go into uncertainty budgets, and the older
average and range, kept because workshops know it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import fdtrc

from worker.method.air import Floats
from worker.method.range_constants import per_mean_range, per_single_range, upper_range_factor

POOL_ABOVE = 0.25  # p value of the interaction above which it is taken for noise
DISTINCT = 1.41  # categories told apart per part spread over gauge spread (AIAG MSA 4th ed.)
STUDY_SPREADS = 6.0  # standard deviations set against a tolerance


class UnfitStudy(ValueError):
    """A study has the wrong shape or holds no usable numbers."""


@dataclass(frozen=True, slots=True)
class Spreads:
    """Standard deviations of a study, in the unit of the measurements.

    Attributes
    ----------
    repeatability, reproducibility, gauge, part, total : float
        Same person again; between persons, interaction included; both together; between parts; all.
    distinct_categories : int or None
        How many sizes the gauge tells apart among these parts, at least 1; None where it shows no spread.
    """

    repeatability: float
    reproducibility: float
    gauge: float
    part: float
    total: float
    distinct_categories: int | None

    @classmethod
    def of(cls, repeatability: float, reproducibility: float, part: float) -> Spreads:
        """Put together from its three independent parts."""
        gauge = float(np.hypot(repeatability, reproducibility))
        distinct = None if gauge == 0.0 else max(1, int(np.floor(DISTINCT * part / gauge)))
        return cls(repeatability, reproducibility, gauge, part, float(np.hypot(gauge, part)), distinct)

    def percent_of_study(self) -> dict[str, float]:
        """Each spread over the total one, in per cent; NaN where nothing spreads."""
        return self._percent(1.0, self.total)

    def percent_of_tolerance(self, tolerance: float) -> dict[str, float]:
        """Six standard deviations over a tolerance, in per cent."""
        return self._percent(STUDY_SPREADS, tolerance)

    def percent_contribution(self) -> dict[str, float]:
        """Each variance over the total one, in per cent; NaN where nothing spreads."""
        return {name: share**2 / 100.0 for name, share in self.percent_of_study().items()}

    def _percent(self, times: float, whole: float) -> dict[str, float]:
        names = ("repeatability", "reproducibility", "gauge", "part", "total")
        return {name: 100.0 * times * getattr(self, name) / whole if whole > 0.0 else np.nan for name in names}


@dataclass(frozen=True, slots=True)
class AnovaStudy:
    """Two-way analysis of variance of a gauge study.

    Attributes
    ----------
    sums_of_squares, degrees_of_freedom, mean_squares : dict of str to float
        By source: ``part``, ``appraiser``, ``interaction``, ``repeatability``; before pooling.
    interaction_f, interaction_p : float
        F of the interaction and the probability of a larger one by chance.
    pooled : bool
        Whether the interaction was added to the repeatability.
    part_f, appraiser_f : float
        F of the other sources, against the interaction or, pooled, the repeatability.
    variances : dict of str to float
        ``repeatability``, ``interaction``, ``appraiser``, ``part``, before negative ones become 0.
    spreads : Spreads
    interaction : float
        Standard deviation of the interaction, part of the reproducibility.
    repeatability_dof, reproducibility_dof : float
        Degrees of freedom for uncertainty budgets; NaN where there is no reproducibility to speak of.
    """

    sums_of_squares: dict[str, float]
    degrees_of_freedom: dict[str, float]
    mean_squares: dict[str, float]
    interaction_f: float
    interaction_p: float
    pooled: bool
    part_f: float
    appraiser_f: float
    variances: dict[str, float]
    spreads: Spreads
    interaction: float
    repeatability_dof: float
    reproducibility_dof: float


def analyse_variance(measurements: ArrayLike, pool_above: float = POOL_ABOVE) -> AnovaStudy:
    """Split the scatter of a gauge study by analysis of variance. [two-way, random effects]

    Parameters
    ----------
    measurements : array_like, shape (parts, appraisers, trials)
        At least two of each, all finite, any one unit.
    pool_above : float, optional
        The interaction is pooled with the repeatability where its p value is above this; 0 always pools,
        1 never does.

    Returns
    -------
    AnovaStudy

    Raises
    ------
    UnfitStudy
        If the array is not a balanced study or holds a number that is not finite.

    Notes
    -----
    Degrees of freedom of the reproducibility by Satterthwaite's formula on the mean squares that make it: few
    appraisers give few (about 2 for three of them), whatever the number of parts.

    References
    ----------
    .. [1] AIAG, Measurement Systems Analysis, 4th ed., analysis of variance method.

    Examples
    --------
    >>> study = analyse_variance([[[1.0, 1.2], [1.2, 1.2]], [[3.0, 3.2], [3.2, 3.2]]])
    >>> study.pooled, round(study.spreads.repeatability, 3), study.spreads.distinct_categories
    (True, 0.089, 19)
    """
    y = _study(measurements)
    squares, dof = _sums_of_squares(y)
    mean = {source: squares[source] / dof[source] for source in squares}
    interaction_f = _ratio(mean["interaction"], mean["repeatability"])
    p = float(fdtrc(dof["interaction"], dof["repeatability"], interaction_f))
    pooled = p > pool_above or pool_above <= 0.0
    variances, repeatability_dof = _variances(y.shape, squares, dof, mean, pooled)
    kept = {source: max(variance, 0.0) for source, variance in variances.items()}
    against = variances["repeatability"] if pooled else mean["interaction"]
    reproducibility = kept["appraiser"] + kept["interaction"]
    reproducibility_dof = _reproducibility_dof(y.shape, dof, mean, variances["repeatability"], pooled)
    return AnovaStudy(
        squares,
        dof,
        mean,
        interaction_f,
        p,
        pooled,
        _ratio(mean["part"], against),
        _ratio(mean["appraiser"], against),
        variances,
        Spreads.of(
            float(np.sqrt(kept["repeatability"])),
            float(np.sqrt(reproducibility)),
            float(np.sqrt(kept["part"])),
        ),
        float(np.sqrt(kept["interaction"])),
        repeatability_dof,
        reproducibility_dof if reproducibility > 0.0 else np.nan,
    )


def _study(measurements: ArrayLike) -> Floats:
    """The study as an array, less its first value so that squares keep their digits."""
    try:
        y = np.asarray(measurements, dtype=np.float64)
    except (TypeError, ValueError) as fault:
        raise UnfitStudy("every part needs the same appraisers, every appraiser the same trials") from fault
    if y.ndim != 3 or min(y.shape) < 2:
        raise UnfitStudy("a study needs at least two parts, two appraisers and two trials")
    if not np.isfinite(y).all():
        raise UnfitStudy("a measurement is not a finite number")
    return np.asarray(y - y[0, 0, 0])


def _sums_of_squares(y: Floats) -> tuple[dict[str, float], dict[str, float]]:
    p, o, r = y.shape
    cell, part, appraiser, grand = y.mean(axis=2), y.mean(axis=(1, 2)), y.mean(axis=(0, 2)), y.mean()
    squares = {
        "part": o * r * np.square(part - grand).sum(),
        "appraiser": p * r * np.square(appraiser - grand).sum(),
        "interaction": r * np.square(cell - part[:, None] - appraiser + grand).sum(),
        "repeatability": np.square(y - cell[:, :, None]).sum(),
    }
    dof = {
        "part": p - 1,
        "appraiser": o - 1,
        "interaction": (p - 1) * (o - 1),
        "repeatability": p * o * (r - 1),
    }
    return {source: float(value) for source, value in squares.items()}, {s: float(n) for s, n in dof.items()}


def _variances(
    shape: tuple[int, ...],
    squares: dict[str, float],
    dof: dict[str, float],
    mean: dict[str, float],
    pooled: bool,
) -> tuple[dict[str, float], float]:
    p, o, r = shape
    within_dof, within = dof["repeatability"], mean["repeatability"]
    if pooled:
        within_dof += dof["interaction"]
        within = (squares["interaction"] + squares["repeatability"]) / within_dof
    beside = within if pooled else mean["interaction"]
    variances = {
        "repeatability": within,
        "interaction": 0.0 if pooled else (mean["interaction"] - within) / r,
        "appraiser": (mean["appraiser"] - beside) / (p * r),
        "part": (mean["part"] - beside) / (o * r),
    }
    return variances, within_dof


def _reproducibility_dof(
    shape: tuple[int, ...], dof: dict[str, float], mean: dict[str, float], within: float, pooled: bool
) -> float:
    """Degrees of freedom of appraiser plus interaction variance. [Satterthwaite]

    Of two estimates one may be negative and count as 0, so that AV is more than their sum: the formula stands.
    """
    p, _, r = shape
    if pooled:
        within_dof = dof["interaction"] + dof["repeatability"]
        terms = [(mean["appraiser"] / (p * r), dof["appraiser"]), (-within / (p * r), within_dof)]
    else:
        terms = [
            (mean["appraiser"] / (p * r), dof["appraiser"]),
            (mean["interaction"] * (1.0 / r - 1.0 / (p * r)), dof["interaction"]),
            (-within / r, dof["repeatability"]),
        ]
    total = sum(term for term, _ in terms)
    return total**2 / sum(term**2 / n for term, n in terms) if total != 0.0 else np.nan


def _ratio(above: float, below: float) -> float:
    if below > 0.0:
        return above / below
    return np.inf if above > 0.0 else np.nan


@dataclass(frozen=True, slots=True)
class RangeStudy:
    """A gauge study by average and range.

    Attributes
    ----------
    spreads : Spreads
    mean_range, appraiser_range, part_range : float
        Mean range of the trials, range of the appraisers' means, range of the parts' means.
    upper_range : float
        Ranges of trials above this are suspect.
    """

    spreads: Spreads
    mean_range: float
    appraiser_range: float
    part_range: float
    upper_range: float


# Printed constants of the average and range method (AIAG MSA 4th ed.); beyond them, from the distribution.
K1 = {2: 0.8862, 3: 0.5908}
K2_K3 = dict(enumerate((0.7071, 0.5231, 0.4467, 0.4030, 0.3742, 0.3534, 0.3375, 0.3249, 0.3146), start=2))


def analyse_ranges(measurements: ArrayLike) -> RangeStudy:
    """Split the scatter of a gauge study by averages and ranges.

    Parameters
    ----------
    measurements : array_like, shape (parts, appraisers, trials)
        At least two of each, all finite, any one unit.

    Returns
    -------
    RangeStudy

    Raises
    ------
    UnfitStudy
        If the array is not a balanced study or holds a number that is not finite.

    Notes
    -----
    The interaction between parts and appraisers stays unseen.

    References
    ----------
    .. [1] AIAG, Measurement Systems Analysis, 4th ed., average and range method.

    Examples
    --------
    >>> study = analyse_ranges([[[1.0, 1.2], [1.2, 1.2]], [[3.0, 3.2], [3.2, 3.2]]])
    >>> round(study.mean_range, 4), round(study.spreads.repeatability, 4)
    (0.1, 0.0886)
    """
    y = _study(measurements)
    parts, appraisers, trials = y.shape
    ranges = np.ptp(y, axis=2)
    mean_range = float(ranges.mean())
    appraiser_range = float(np.ptp(y.mean(axis=(0, 2))))
    part_range = float(np.ptp(y.mean(axis=(1, 2))))
    repeatability = mean_range * (K1.get(trials) or per_mean_range(trials))
    between = appraiser_range * (K2_K3.get(appraisers) or per_single_range(appraisers))
    reproducibility = float(np.sqrt(max(0.0, between**2 - repeatability**2 / (parts * trials))))
    part = part_range * (K2_K3.get(parts) or per_single_range(parts))
    return RangeStudy(
        Spreads.of(repeatability, reproducibility, part),
        mean_range,
        appraiser_range,
        part_range,
        mean_range * upper_range_factor(trials),
    )
