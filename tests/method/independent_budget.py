"""Sizes and clearances of one inspection once more, reading by reading in plain Python over named influences.

Shares nothing with the code under test but the rows handed in: (3.1) and (3.2) are written out, and an influence is
whatever `draw` makes of (key, standard uncertainty, degrees of freedom, shape): a `ufloat` of the library
`uncertainties`, which then differentiates by itself, or an array of random draws.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np

STEEL = 11.5e-6
RANDOM = (0.002, 0.008, 0.002, 0.0015, 0.015, 0.008)  # S11.1, by gauge kind, [mm]
CALIBRATION = (0.002, 0.002, 0.002, 0.0015, 0.010, 0.004)
ASSUMED_NU = 8.0
Row = dict[str, Any]
Influence = Callable[[tuple[Any, ...], float, float, str], Any]


def given(value: Any) -> bool:
    return value is not None and not np.isnan(value)


class Workpiece:
    """Readings of bore (measurand 0) and shaft (1), and the influences behind them."""

    def __init__(self, rows: list[Row], gauges: list[Row], masters: list[Row], subjects: list[Row], draw: Influence):
        self.rows, self.gauges, self.masters, self.subjects, self.draw = rows, gauges, masters, subjects, draw
        self.known: dict[tuple[Any, ...], Any] = {}

    def influence(self, key: tuple[Any, ...], u: float, nu: float = np.inf, shape: str = "normal") -> Any:
        if key not in self.known:
            self.known[key] = self.draw(key, u, nu, shape) if u > 0.0 else 0.0
        return self.known[key]

    def size(self, row: Row) -> Any:
        """One reading at 20 degC."""
        gauge, deviation = self.gauges[row["gauge"]], row.get("is_deviation", False)
        reference: tuple[Any, ...] = ("master", row["master"]) if deviation else ("gauge", row["gauge"])
        thing = self.masters[row["master"]] if deviation else gauge
        part: tuple[Any, ...] = ("part", row["measurand"])
        theta_part, theta_reference = self.temperatures(row, part, reference)
        alpha_part = self.expansion(self.subjects[row["measurand"]], part)
        alpha_reference = self.expansion(thing, reference)
        indication = row["value"] - gauge.get("bias", 0.0) + self.random(row) + self.calibration(row)
        if "reproducibility" in gauge:
            key = ("op", row["gauge"], row.get("operator", -1))
            indication = indication + self.influence(key, gauge["reproducibility"], gauge["reproducibility_nu"])
        scale, v = 1.0 + alpha_reference * theta_reference, 1.0 + alpha_part * theta_part
        if not deviation:
            return indication * scale / v
        size = thing["size"] + self.influence(("master", row["master"]), thing["u"])
        return (size * scale + indication - self.zero(row)) / v

    def temperatures(self, row: Row, part: tuple[Any, ...], reference: tuple[Any, ...]) -> tuple[Any, Any]:
        t_part, t_reference = row.get("part_c"), row.get("reference_c")
        if not given(t_part) and not given(t_reference):
            room = self.influence(("room",), 10.0 / 3**0.5, shape="rectangular")
            return tuple(room + self.influence(("room", thing), 1.0 / 3**0.5, shape="rectangular")
                         for thing in (part, reference))  # type: ignore[return-value]  # fmt: skip
        thermometer = self.influence(("thermo", row.get("thermometer", -1)), row.get("thermometer_u", 0.25))
        local_u = 0.2 if row.get("is_deviation") else 0.5
        found = [
            None if not given(t) else t - 20.0 + thermometer + self.influence(("t", thing), u)
            for t, thing, u in ((t_part, part, 0.3), (t_reference, reference, local_u))
        ]
        for n, thing in enumerate((part, reference)):
            if found[n] is None:
                apart = self.influence(("room", thing), 1.0 / 3**0.5, shape="rectangular")
                found[n] = found[1 - n] + apart
        return found[0], found[1]

    def expansion(self, thing: Row, name: tuple[Any, ...]) -> Any:
        material = thing.get("material", -1)
        key = ("alpha", name) if material < 0 else ("alpha", material)
        alpha = thing["expansion"] if given(thing.get("expansion")) else STEEL
        return alpha + self.influence(key, 1e-6 / 3**0.5, shape="rectangular")

    def group(self, row: Row) -> tuple[Any, ...]:
        names = ("measurand", "station", "orientation", "gauge", "setup", "master", "is_deviation")
        return tuple(row.get(name) for name in names)

    def random(self, row: Row) -> Any:
        """Random part of the mean of a group of repeats: the larger of scatter and step (4.1)."""
        gauge, same = self.gauges[row["gauge"]], [r for r in self.rows if self.group(r) == self.group(row)]
        sd, nu = RANDOM[gauge.get("kind", 0)], ASSUMED_NU
        if "repeatability" in gauge:
            sd, nu = gauge["repeatability"], gauge["repeatability_nu"]
        elif len(same) > 1:
            sd, nu = float(np.std([r["value"] for r in same], ddof=1)), len(same) - 1.0
        u, step = sd / len(same) ** 0.5, gauge.get("resolution", 0.0) / 12**0.5
        u, nu, shape = (step, np.inf, "rectangular") if step > u else (u, nu, "normal")
        return self.influence(("read", self.group(row)), u, nu, shape)

    def calibration(self, row: Row) -> Any:
        gauge = self.gauges[row["gauge"]]
        if "calibration_u" in gauge:
            return self.influence(("cal", row["gauge"]), gauge["calibration_u"], gauge.get("calibration_nu", np.inf))
        kind = gauge.get("kind", 0)
        return self.influence(("cal", "assumed", kind), CALIBRATION[kind], ASSUMED_NU)

    def zero(self, row: Row) -> Any:
        gauge, key = self.gauges[row["gauge"]], ("zero", row["gauge"], row.get("setup", -1))
        sd, nu = RANDOM[gauge.get("kind", 0)], ASSUMED_NU
        if "repeatability" in gauge:
            sd, nu = gauge["repeatability"], gauge["repeatability_nu"]
        u, step = sd / row.get("zero_readings", 1) ** 0.5, gauge.get("resolution", 0.0) / 12**0.5
        u, nu, shape = (step, np.inf, "rectangular") if step > u else (u, nu, "normal")
        return self.influence(key, u, nu, shape)

    def locations(self, measurand: int) -> dict[int, list[Any]]:
        """Sizes of the locations of each station: the mean of their groups, each the mean of its repeats."""
        groups: dict[tuple[int, float], dict[tuple[Any, ...], list[Any]]] = {}
        for row in self.rows:
            if row["measurand"] == measurand:
                place = groups.setdefault((row["station"], row["orientation"]), {})
                place.setdefault(self.group(row), []).append(self.size(row))
        stations: dict[int, list[Any]] = {}
        for (station, _), found in groups.items():
            means = [sum(sizes) / len(sizes) for sizes in found.values()]
            stations.setdefault(station, []).append(sum(means) / len(means))
        return stations

    def mean(self, measurand: int) -> Any:
        means = [sum(sizes) / len(sizes) for sizes in self.locations(measurand).values()]
        return sum(means) / len(means)

    def worst(self, measurand: int, value: Callable[[Any], float]) -> Any:
        """Largest location of the bore, smallest of the shaft."""
        every = [size for sizes in self.locations(measurand).values() for size in sizes]
        return max(every, key=value) if measurand == 0 else min(every, key=value)
