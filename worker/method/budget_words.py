"""A budget line by line, in words: key, what it is, how large, how it enters (method page "sizes" S4.3, S4.5, S12)."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from worker.method.budget import Floats, Forms
from worker.method.influences import GAUGE_KINDS, Columns, Influence, budget_lines
from worker.method.readings import STEEL_EXPANSION, Bench
from worker.method.sizes import Sizes
from worker.method.thermal import REFERENCE_C
from worker.method.value_words import value_words
from worker.method.verdicts import TIE_P

MM, KELVIN, PER_KELVIN = "mm", "K", "1/K"
UNITS = {
    Influence.EXPANSION: PER_KELVIN,
    Influence.MATERIAL: PER_KELVIN,
    Influence.LOCAL_TEMPERATURE: KELVIN,
    Influence.THERMOMETER: KELVIN,
    Influence.ROOM: KELVIN,
    Influence.ROOM_OBJECT: KELVIN,
}
WHAT = {
    Influence.READ: "random part of the mean of the repeats at {}",
    Influence.ZERO: "zero setting of {}, shared by all readings of that set-up",
    Influence.CALIBRATION: "calibration certificate of gauge {}",
    Influence.ASSUMED_CALIBRATION: "calibration assumed for want of a certificate: {}",
    Influence.OPERATOR: "reproducibility: {}",
    Influence.MASTER: "certified size of master {}",
    Influence.EXPANSION: "expansion coefficient of {}",
    Influence.MATERIAL: "expansion coefficient of all that is of {}",
    Influence.LOCAL_TEMPERATURE: "temperature of {} against where the thermometer was held",
    Influence.THERMOMETER: "offset of thermometer {}",
    Influence.ROOM: "temperature of the room, not given{}",
    Influence.ROOM_OBJECT: "temperature of {}, not given",
    Influence.SECOND_ORDER: "second-order thermal term of {}",
}


@dataclass(frozen=True, slots=True)
class Names:
    """What the numbers of a bench are called.

    Attributes
    ----------
    things : sequence of str
        Of each part object: feature and component (S12).
    groups : sequence of str
        Of each group of repeats: feature, station and orientation.
    gauges, masters, operators, thermometers, materials, setups : sequence of str
        By their numbers.
    """

    things: Sequence[str]
    groups: Sequence[str]
    gauges: Sequence[str]
    masters: Sequence[str]
    operators: Sequence[str]
    thermometers: Sequence[str]
    materials: Sequence[str]
    setups: Sequence[str]


@dataclass(frozen=True, slots=True)
class Line:
    """One line of a budget.

    Attributes
    ----------
    key, what : str
        Of the influence: the same key is the same influence, wherever it enters.
    estimate : float
        Of the influence, in `unit`; NaN where it enters as an error about 0.
    u, nu : float
        Standard uncertainty in `unit`, and degrees of freedom.
    origin : str
        Where `u` comes from, with its numbers.
    unit : str
        ``mm``, ``K`` or ``1/K``.
    distribution : str
    sensitivity : float
        mm per `unit`.
    contribution, share : float
        Signed, [mm]; part of the variance, [-].
    """

    key: str
    what: str
    estimate: float
    u: float
    origin: str
    nu: float
    unit: str
    distribution: str
    sensitivity: float
    contribution: float
    share: float


def named_budget(forms: Forms, row: int, bench: Bench, sizes: Sizes, names: Names) -> list[Line]:
    """The budget of one result, the largest share first. [S4.5]

    Parameters
    ----------
    forms : Forms
        Of sizes or clearances of `sizes`.
    row : int
        The result.
    bench : Bench
    sizes : Sizes
    names : Names
        Of what is on the bench.
    """
    columns = sizes.reduced.columns
    lines = budget_lines(forms, row, columns)
    found = []
    for n, column in enumerate(lines.column.tolist()):
        kind, objects = columns.describe(column)
        key, subject = _named(kind, objects, names)
        found.append(
            Line(
                key=key,
                what=WHAT[kind].format(subject),
                estimate=_estimate(kind, objects, bench, columns),
                u=float(lines.u[n]),
                origin=value_words(kind, objects, bench, sizes),
                nu=float(lines.nu[n]),
                unit=UNITS.get(kind, MM),
                distribution=columns.distribution(column),
                sensitivity=float(lines.sensitivity[n]),
                contribution=float(lines.contribution[n]),
                share=float(lines.share[n]),
            )
        )
    return found


def _named(kind: Influence, objects: tuple[int | str, ...], names: Names) -> tuple[str, str]:
    """Key of an influence as S12 has it, and what it is of in words."""
    if kind in (Influence.EXPANSION, Influence.LOCAL_TEMPERATURE, Influence.ROOM_OBJECT):
        prefix = {Influence.EXPANSION: "alpha", Influence.LOCAL_TEMPERATURE: "t", Influence.ROOM_OBJECT: "room"}[kind]
        thing = _thing(str(objects[0]), int(objects[1]), names)
        return f"{prefix}:{thing}", thing.replace(":", " ")
    number = int(objects[0])
    if kind is Influence.READ:
        return f"read:{names.groups[number]}", names.groups[number].replace(":", " ")
    if kind is Influence.ZERO:
        gauge = _or(names.gauges, int(objects[2]), "unnamed")
        setup = _or(names.setups, int(objects[1]), str(number))
        return f"zero:{gauge}:{setup}", f"gauge {gauge}"
    if kind is Influence.OPERATOR:
        gauge, who = _or(names.gauges, number, "unnamed"), _or(names.operators, int(objects[1]), "unnamed")
        return f"op:{gauge}:{who}", f"{who} at gauge {gauge}"
    if kind is Influence.ASSUMED_CALIBRATION:
        return f"cal:{GAUGE_KINDS[int(objects[1])]}", GAUGE_KINDS[int(objects[1])]
    if kind is Influence.SECOND_ORDER:
        return f"second-order:{names.things[number]}", names.things[number].replace(":", " ")
    if kind is Influence.ROOM:
        return "room", ""
    prefix, table = {
        Influence.CALIBRATION: ("cal", names.gauges),
        Influence.MASTER: ("master", names.masters),
        Influence.MATERIAL: ("alpha", names.materials),
        Influence.THERMOMETER: ("thermo", names.thermometers),
    }[kind]
    name = _or(table, number, "unnamed")
    return f"{prefix}:{name}", name


def _thing(kind: str, number: int, names: Names) -> str:
    if kind == "part":
        return names.things[number]
    return f"{kind}:{_or(names.gauges if kind == 'gauge' else names.masters, number, 'unnamed')}"


def _or(table: Sequence[str], number: int, otherwise: str) -> str:
    return table[number] if 0 <= number < len(table) else otherwise


def _estimate(kind: Influence, objects: tuple[int | str, ...], bench: Bench, columns: Columns) -> float:
    """The value of an influence where it has one of its own."""
    if kind is Influence.CALIBRATION:
        return float(bench.gauges.bias[int(objects[0])])
    if kind is Influence.MASTER:
        return float(bench.masters.size[int(objects[0])])
    if kind is Influence.EXPANSION:
        tables: dict[str, Floats] = {
            "part": bench.measurands.expansion[_first(bench.measurands.part_object)],
            "gauge": bench.gauges.expansion,
            "master": bench.masters.expansion,
        }
        number, table = int(objects[1]), tables[str(objects[0])]
        stated = float(table[number]) if 0 <= number < len(table) else float("nan")
        return STEEL_EXPANSION if np.isnan(stated) else stated
    if kind is Influence.ROOM:
        return 20.0
    return float("nan")


def _first(numbers: np.ndarray) -> np.ndarray:
    """First row of each number from 0."""
    return np.unique(numbers, return_index=True)[1]


def reading_words(
    indication: float, master: float | None, part: tuple[float, float], reference: tuple[float, float], size: float
) -> str:
    """(3.1) or (3.2) with the numbers of one reading in it.

    Parameters
    ----------
    indication : float
        Less the bias, [mm].
    master : float or None
        Size of the master of a deviation, [mm].
    part, reference : tuple of float
        Expansion coefficient, [1/K], and temperature, [degC], NaN = not given.
    size : float
        At 20 degC, [mm].

    Examples
    --------
    >>> reading_words(100.0115, None, (11.5e-6, 30.0), (11.5e-6, 20.0), 100.0)
    'D = 100.011500 (1 + 1.15e-05 × 0) / (1 + 1.15e-05 × 10) = 100.000000'
    """
    theta = [t - REFERENCE_C if np.isfinite(t) else None for t in (part[1], reference[1])]
    theta_p, theta_r = (own if own is not None else other or 0.0 for own, other in (theta, theta[::-1]))
    below = f"(1 + {part[0]:.6g} × {theta_p:.6g})"
    scale = f"(1 + {reference[0]:.6g} × {theta_r:.6g})"
    if master is None:
        return f"D = {indication:.6f} {scale} / {below} = {size:.6f}"
    return f"D = [{master:.6f} {scale} + {indication:.6f}] / {below} = {size:.6f}"


def sum_words(lines: Sequence[Line], u: float, nu: float, k: float, expanded: float) -> list[str]:
    """u, degrees of freedom and U with the numbers of a budget in them. [(4.2), (4.3), S4.5]"""
    if not np.isfinite(u):
        return ["u: a term is not known, so that nothing is decided"]
    squares = " + ".join(f"{abs(line.contribution):.6g}²" for line in lines)
    finite = [line for line in lines if np.isfinite(line.nu)]
    fourths = " + ".join(f"{abs(line.contribution):.6g}⁴/{line.nu:.4g}" for line in finite)
    return [
        f"u = √({squares}) = {u:.6g} mm",
        f"ν = {u:.6g}⁴ / ({fourths}) = {nu:.4f}" if finite else "ν is infinite: every term is exact",
        f"U = k u = {k:.4f} × {u:.6g} = {expanded:.6g} mm",
    ]


def beyond_words(found: tuple[float, float, float], limit: float, grows: bool, beyond: float) -> str:
    """The probability beyond a limit with its numbers; `found` is value, u and degrees of freedom. [S6.1]"""
    value, u, nu = found
    ahead, behind = (limit, value) if grows else (value, limit)
    tail = "normal" if not np.isfinite(nu) else f"t with ν = {nu:.4f}"
    return f"P(beyond {limit:.6f}) = P({tail} > ({ahead:.6f} - {behind:.6f}) / {u:.6g}) = {beyond:.6g}"


def decision_words(
    chances: tuple[float, float | None, float], risks: tuple[float, float], verdict: str, reached: bool
) -> str:
    """Which row of the decision table gave a verdict. [S6.3]

    Parameters
    ----------
    chances : tuple of float
        Probability beyond discard; beyond the monitor limit, None where there is none of its own; that limit, [mm].
    risks : tuple of float
        `risk_accept` and `risk_discard`, [-].
    verdict : str
        As it was given.
    reached : bool
        Whether the value has reached the discard limit.

    Examples
    --------
    >>> decision_words((0.3, 0.9, 97.82), (0.05, 0.05), "remeasure", False)
    'row 5: P(beyond discard) = 0.3 lies between 0.05 and 0.95: remeasure'
    >>> decision_words((0.001, 0.001, 97.82), (0.05, 0.05), "remeasure", False)
    'row 1: blocked, see the remarks: remeasure'
    """
    beyond, watched, monitor = chances
    accept, refuse = risks[0], 1.0 - risks[1]
    chance = f"P(beyond discard) = {beyond:.6g}"
    low = beyond <= accept + TIE_P
    fine = low and (watched is None or watched <= accept + TIE_P)
    beside = "" if watched is None else f", P(beyond monitor {monitor:.6f}) = {watched:.6g}"
    rows = (
        (2, beyond >= refuse - TIE_P, "discard", f"{chance} ≥ {refuse:g}"),
        (3, fine, "serviceable", f"{chance}{beside}, both ≤ {accept:g}" if beside else f"{chance} ≤ {accept:g}"),
        (4, low, "monitor", f"{chance} ≤ {accept:g}{beside} > {accept:g}"),
        (5, verdict == "remeasure", "remeasure", f"{chance} lies between {accept:g} and {refuse:g}"),
        (6, True, "discard" if reached else "monitor", f"{chance}; final, and the value has {'' if reached else 'not '}"
         "reached discard"),
    )  # fmt: skip
    number, outcome, words = next((n, outcome, words) for n, holds, outcome, words in rows if holds)
    if outcome != verdict:
        return f"row 1: blocked, see the remarks: {verdict}"
    return f"row {number}: {words}: {verdict}"
