"""Where the standard uncertainty of an influence comes from, with its numbers (method page "sizes" S4.1, S4.2, S11)."""

from __future__ import annotations

import numpy as np

from worker.method.influences import Influence
from worker.method.readings import Bench, Readings
from worker.method.sizes import Sizes

CONSTANT = {
    Influence.CALIBRATION: "expanded uncertainty over coverage factor, of the certificate in force",
    Influence.ASSUMED_CALIBRATION: "as the catalogue assumes it",
    Influence.OPERATOR: "reproducibility of the gauge's study, or as stated",
    Influence.MASTER: "expanded uncertainty over coverage factor, of the certificate in force",
    Influence.LOCAL_TEMPERATURE: "as the catalogue has it for a temperature that was given",
    Influence.THERMOMETER: "as the inspection states it, else the catalogue",
    Influence.SECOND_ORDER: "D √(u²(α_part - α_reference) u²(θ) + u²(α_reference) u²(θ_part - θ_reference))",
}


def value_words(kind: Influence, objects: tuple[int | str, ...], bench: Bench, sizes: Sizes) -> str:
    """How the standard uncertainty of one influence was come by.

    Parameters
    ----------
    kind : Influence
    objects : tuple
        As `worker.method.influences.Columns.describe` returns them.
    bench : Bench
    sizes : Sizes
        Of the bench.
    """
    if kind is Influence.READ:
        return _read_words(int(objects[0]), bench, sizes)
    if kind is Influence.ZERO:
        return _zero_words(objects, bench, sizes.places.readings)
    par = bench.parameters
    halves = {
        Influence.EXPANSION: (par.expansion_half_width, "of an expansion coefficient"),
        Influence.MATERIAL: (par.expansion_half_width, "of an expansion coefficient"),
        Influence.ROOM: (par.room_half_width, "of the room"),
        Influence.ROOM_OBJECT: (par.between_half_width, "between two objects"),
    }
    if kind in halves:
        half, words = halves[kind]
        return f"{float(half[0]):.6g}/√3, half-width {words}"
    return CONSTANT[kind]


def _larger(sd: float, words: str, n: int, step: float) -> str:
    return f"the larger of {sd:.6g}/√{n} ({words}) and {step:.6g}/√12 (resolution)"


def _read_words(group: int, bench: Bench, sizes: Sizes) -> str:
    start = sizes.places.group_start
    rows = slice(int(start[group]), int(start[group + 1]) if group + 1 < len(start) else None)
    r = sizes.places.readings
    values, first = r.value[rows], int(start[group])
    if np.isfinite(r.trace_u[first]):
        return f"of the fitted vertices of {len(values)} trace{'s' if len(values) > 1 else ''}"
    sd, words = _spread(int(r.gauge[first]), values, bench)
    return _larger(sd, words, len(values), float(bench.gauges.with_unnamed().resolution[r.gauge[first]]))


def _zero_words(objects: tuple[int | str, ...], bench: Bench, r: Readings) -> str:
    setup, gauge = int(objects[1]), int(objects[2])
    rows = np.flatnonzero((r.setup == setup) & (r.gauge == gauge) & r.is_deviation)
    n = int(r.zero_readings[rows[0]]) if len(rows) else 1
    sd, words = _spread(gauge, np.zeros(1), bench)
    return _larger(sd, words, n, float(bench.gauges.with_unnamed().resolution[gauge]))


def _spread(gauge: int, values: np.ndarray, bench: Bench) -> tuple[float, str]:
    gauges = bench.gauges.with_unnamed()
    if np.isfinite(gauges.repeatability[gauge]):
        return float(gauges.repeatability[gauge]), "repeatability"
    if len(values) > 1:
        return float(np.std(values, ddof=1)), "spread of the repeats"
    return float(bench.parameters.random[0][gauges.kind[gauge]]), "assumed for a reading"
