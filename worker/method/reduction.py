"""Readings to sizes at 20 degC, each with its named influences (method page "sizes" S1, S3, S4, S11, S12)."""

from dataclasses import dataclass

import numpy as np

from worker.method.budget import Bools, Floats, Forms, Ints, repeat_statistics
from worker.method.influences import GAUGE_KINDS, Columns, Influence
from worker.method.places import Places
from worker.method.readings import Bench
from worker.method.terms import Situation, Terms, situate
from worker.method.thermal import REFERENCE_C, ThermalSizes, second_order, size_at_20

SQRT3 = 3.0**0.5
QUANTISATION = 1 / (2 * SQRT3)
"""Standard uncertainty of a digital step of 1. GUM F.2.2.1."""


@dataclass(frozen=True, slots=True)
class Reduced:
    """Readings at 20 degC, in the order of `Places`.

    Attributes
    ----------
    value : ndarray, shape (n,)
        Size by each single reading, [mm].
    forms : Forms
        Its terms; a column may occur twice in a row, so it is to be combined before it is evaluated.
    columns : Columns
        What the columns stand for.
    thermal : ThermalSizes
        The sensitivities.
    assumed_gauge : ndarray of bool, shape (n,)
        S11.1 filled in the random part or the calibration.
    temperature_missing : ndarray of bool, shape (n,)
        Neither temperature was given.
    """

    value: Floats
    forms: Forms
    columns: Columns
    thermal: ThermalSizes
    assumed_gauge: Bools
    temperature_missing: Bools


def reduce_readings(bench: Bench, places: Places) -> Reduced:
    """Reduce every reading to 20 degC and lay down its terms. [(3.1) to (3.3), (4.1), S4.3]

    Parameters
    ----------
    bench : Bench
        The batch.
    places : Places
        Its readings in order.

    Returns
    -------
    Reduced
        n readings.
    """
    s = situate(bench, places)
    r = s.readings
    theta_part, theta_reference = _temperatures(r.part_c, r.reference_c)
    thermal = size_at_20(
        r.value - s.gauges.bias[r.gauge],
        r.is_deviation,
        s.masters.size[r.master],
        (s.part_expansion, theta_part),
        (s.reference_expansion, theta_reference),
    )
    terms = Terms(s.columns)
    assumed_gauge = _add_indication(terms, s, thermal, places)
    _add_expansion(terms, s, thermal)
    _add_temperature(terms, s, thermal, theta_part)
    return Reduced(
        value=thermal.size,
        forms=Forms(terms.matrix(), s.columns.nu),
        columns=s.columns,
        thermal=thermal,
        assumed_gauge=assumed_gauge,
        temperature_missing=np.isnan(r.part_c) & np.isnan(r.reference_c),
    )


def _temperatures(part_c: Floats, reference_c: Floats) -> tuple[Floats, Floats]:
    """Estimates less 20 degC: a missing temperature equals the other, or 20 degC where both are missing."""
    part = np.where(np.isnan(part_c), reference_c, part_c)
    reference = np.where(np.isnan(reference_c), part_c, reference_c)
    return np.nan_to_num(part - REFERENCE_C), np.nan_to_num(reference - REFERENCE_C)


def _add_indication(terms: Terms, s: Situation, thermal: ThermalSizes, places: Places) -> Bools:
    """Terms of gauge, operator and master; answers where S11.1 filled in."""
    r, gauges, gauge = s.readings, s.gauges, s.readings.gauge
    kind = gauges.kind[gauge]
    allowed, nu = s.parameters.assumed_allowed[s.row], s.parameters.assumed_nu[s.row]
    random = np.where(allowed, s.parameters.random[s.row, kind], np.nan)
    random_assumed = _add_random(terms, s, thermal, places, random)
    _add_zero(terms, s, thermal, random)
    terms.add(
        Influence.OPERATOR,
        s.operator,
        thermal.to_indication,
        np.nan_to_num(gauges.reproducibility[gauge]),
        gauges.reproducibility_nu[gauge],
    )
    master = np.where(r.master < 0, len(s.masters.size) - 1, r.master)
    terms.add(Influence.MASTER, master, thermal.to_master, s.masters.u[r.master])

    certified = ~np.isnan(gauges.calibration_u[gauge])
    assumed = np.where(allowed, s.parameters.calibration[s.row, kind], np.nan)
    terms.add(
        np.where(certified, Influence.CALIBRATION, Influence.ASSUMED_CALIBRATION),
        np.where(certified, np.where(gauge < 0, 0, gauge), s.row * len(GAUGE_KINDS) + kind),
        thermal.to_indication,
        np.where(certified, gauges.calibration_u[gauge], assumed),
        np.where(certified, gauges.calibration_nu[gauge], nu),
    )
    return random_assumed | ~certified


def _add_random(terms: Terms, s: Situation, thermal: ThermalSizes, places: Places, assumed: Floats) -> Bools:
    """Random part of the mean of each group of repeats (4.1); a trace brings its own (2.4)."""
    start, r = places.group_start, s.readings
    _, sample, n = repeat_statistics(r.value, start)
    first = r.gauge[start]
    study, step = s.gauges.repeatability[first], s.gauges.resolution[first]
    has_study, has_sample = ~np.isnan(study), n > 1
    sd = np.where(has_study, study, np.where(has_sample, sample, assumed[start])) / np.sqrt(n)
    sd_nu = np.where(
        has_study,
        s.gauges.repeatability_nu[first],
        np.where(has_sample, n - 1.0, s.parameters.assumed_nu[s.row[start]]),
    )
    u, nu, quantised = _larger_of(sd, sd_nu, step * QUANTISATION)
    is_trace = np.isfinite(r.trace_u[start])
    if is_trace.any():
        trace_u, trace_nu = _trace_part(r.trace_u, r.trace_nu, start, n)
        u, nu = np.where(is_trace, trace_u, u), np.where(is_trace, trace_nu, nu)
    s.columns.quantised[s.columns.run(Influence.READ)] = quantised & ~is_trace
    group = np.repeat(np.arange(len(start)), n)
    terms.add(Influence.READ, group, thermal.to_indication, u[group], nu[group])
    return (~has_study & ~has_sample & ~is_trace)[group]


def _add_zero(terms: Terms, s: Situation, thermal: ThermalSizes, assumed: Floats) -> None:
    """Zero setting of a deviation, shared by all readings of its set-up (S4.3)."""
    r, gauge = s.readings, s.readings.gauge
    study = s.gauges.repeatability[gauge]
    has_study = ~np.isnan(study)
    sd = np.where(has_study, study, assumed) / np.sqrt(np.maximum(r.zero_readings, 1))
    sd_nu = np.where(has_study, s.gauges.repeatability_nu[gauge], s.parameters.assumed_nu[s.row])
    u, nu, quantised = _larger_of(sd, sd_nu, s.gauges.resolution[gauge] * QUANTISATION)
    s.columns.quantised[s.columns.offsets[Influence.ZERO] + s.zero[quantised & r.is_deviation]] = True
    terms.add(Influence.ZERO, s.zero, thermal.to_zero, np.where(r.is_deviation, u, 0.0), nu)


def _larger_of(sd: Floats, sd_nu: Floats, quantisation: Floats) -> tuple[Floats, Floats, Bools]:
    """Take the larger of random part and quantisation, never both, since s contains the quantisation (4.1).

    The last answer says where it is the quantisation.
    """
    wins = quantisation > sd
    return np.where(wins, quantisation, sd), np.where(wins, np.inf, sd_nu), wins


def _trace_part(u: Floats, nu: Floats, start: Ints, n: Ints) -> tuple[Floats, Floats]:
    """Random part of the mean of n traces of one location."""
    variance = np.add.reduceat(np.square(u), start)
    spread4 = np.add.reduceat(np.square(np.square(u)) / nu, start)
    exact = ~(spread4 > 0)
    return np.sqrt(variance) / n, np.where(exact, np.inf, np.square(variance) / np.where(exact, 1.0, spread4))


def _add_expansion(terms: Terms, s: Situation, thermal: ThermalSizes) -> None:
    """Expansion coefficients of part and reference; one material code is one influence (S12)."""
    u = s.parameters.expansion_half_width[s.row] / SQRT3
    for number, material, sensitivity in (
        (s.part, s.part_material, thermal.to_part_expansion),
        (s.reference, s.reference_material, thermal.to_reference_expansion),
    ):
        own = material < 0
        kind = np.where(own, Influence.EXPANSION, Influence.MATERIAL)
        terms.add(kind, np.where(own, number, material), sensitivity, u)


def _add_temperature(terms: Terms, s: Situation, thermal: ThermalSizes, theta_part: Floats) -> None:
    """Temperatures as given (S12), as assumed (S11.2), and the second-order term.

    A temperature that is not given is the other one plus an own difference, or, where neither is, the room's
    plus an own difference each.
    """
    r, par, row = s.readings, s.parameters, s.row
    has_part, has_reference = ~np.isnan(r.part_c), ~np.isnan(r.reference_c)
    given = has_part | has_reference
    to_part, to_reference = thermal.to_part_temperature, thermal.to_reference_temperature
    between, room = par.between_half_width[row] / SQRT3, par.room_half_width[row] / SQRT3
    thermometer = np.where(np.isnan(r.thermometer_u), par.thermometer_u[row], r.thermometer_u)
    part_u = np.where(has_part, par.part_u[row], between)
    local_u = np.where(r.is_deviation, par.master_u[row], par.gauge_u[row])
    reference_u = np.where(has_reference, local_u, between)

    for has, other_has, number, own, other, u in (
        (has_part, has_reference, s.part, to_part, to_reference, part_u),
        (has_reference, has_part, s.reference, to_reference, to_part, reference_u),
    ):
        kind = np.where(has, Influence.LOCAL_TEMPERATURE, Influence.ROOM_OBJECT)
        terms.add(kind, number, own + np.where(has & ~other_has, other, 0.0), u)
    terms.add(
        np.where(given, Influence.THERMOMETER, Influence.ROOM),
        np.where(given, r.thermometer + 1, s.inspection),
        to_part + to_reference,
        np.where(given, thermometer, room),
    )
    shared = np.square(np.where(given, thermometer, room))
    part_var, reference_var = np.square(part_u), np.square(reference_u)
    theta_var = shared + part_var + np.where(given & ~has_part, reference_var, 0.0)
    one_given = has_part != has_reference
    difference_var = np.where(one_given, np.square(between), part_var + reference_var)
    _add_second_order(terms, s, thermal, theta_part, (theta_var, difference_var))


def _add_second_order(
    terms: Terms, s: Situation, thermal: ThermalSizes, theta_part: Floats, var_theta: tuple[Floats, Floats]
) -> None:
    alpha = np.square(s.parameters.expansion_half_width[s.row] / SQRT3)
    same = (s.part_material >= 0) & (s.part_material == s.reference_material)
    u = second_order(thermal.size, theta_part, (np.where(same, 0.0, 2 * alpha), alpha), var_theta)
    if u.any():
        terms.add(Influence.SECOND_ORDER, s.part, np.ones_like(u), u)
