"""The tables a batch is computed from: readings and what they rest on (method page "sizes" S1, S11, S12).

How to build them from rows of the database. Every table is columns; tables refer to one another by row
number. Many inspections of many tools go into one batch. Lengths are mm, temperatures degC, all floats
finite unless "NaN = ..." is said.

- `Measurands`: one row per (inspection, feature, component position) that has at least one reading. Its row
  number is the row number of every size that comes out.
- `Readings`: one row per raw reading, any order. A trace (S2) enters as its fitted vertex in `value` with
  `trace_u`; one without an accepted swing enters as NaN in `value` and is skipped, and a measurand that is
  left without any reading comes out with ``readings == 0`` and NaN figures.
- `Gauges`, `Masters`: one row per gauge or master under the certificate and study in force for its readings
  (a gauge read under two certificates in one batch is two rows).
- `Parameters`: one row per distinct set of catalogue parameters in force.

A remeasured pair (contract, `remeasures`): put the readings of both inspections into one batch as two
inspections, give the measurands of the same feature, component and position the same `part_object`, and use
the same gauge, master, operator and thermometer numbers; then `worker.method.remeasure` combines the two
sizes.
"""

from dataclasses import dataclass, fields

import numpy as np

from worker.method.budget import Bools, Floats, Ints
from worker.method.influences import GAUGE_KINDS

STEEL_EXPANSION = 11.5e-6
"""Expansion of a typical steel, [1/K]. D. Swyt, J. Res. NIST 99 (1994) 31."""
UNNAMED = GAUGE_KINDS.index("unnamed")


@dataclass(frozen=True, slots=True)
class Readings:
    """Raw readings; each attribute has shape (n,).

    Attributes
    ----------
    measurand : ndarray of int
        Row of `Measurands`.
    station : ndarray of int
        Station from 1; 0 = none given.
    orientation : ndarray
        Angle from 0 below 360, [deg]; NaN = none given.
    position : ndarray
        Axial position of the station from the catalogue, [mm]; NaN = none.
    value : ndarray
        Size, or deviation from the master where `is_deviation`, [mm]; NaN = no reading.
    is_deviation : ndarray of bool
        True for kind `deviation` and for a trace with a master.
    trace_u, trace_nu : ndarray
        Standard uncertainty of a trace's vertex, [mm], and its degrees of freedom; NaN for other readings.
    gauge : ndarray of int
        Row of `Gauges`; -1 = none named.
    master : ndarray of int
        Row of `Masters`; -1 = none named. A deviation without one is no reading.
    setup : ndarray of int
        Number of the named set-up, unique within its inspection; -1 = none named (one per gauge and
        inspection).
    zero_readings : ndarray of int
        Readings taken on the master when that set-up was zeroed, at least 1.
    operator : ndarray of int
        Number of the inspector, from 0, dense; -1 = not named.
    thermometer : ndarray of int
        Number of the thermometer, from 0, dense; -1 = not named.
    thermometer_u : ndarray
        Its standard uncertainty, [K]; NaN = the parameter's.
    part_c, reference_c : ndarray
        Temperature of the part, and of the master (deviation) or the gauge (size), [degC]; NaN = not given.
    """

    measurand: Ints
    station: Ints
    orientation: Floats
    position: Floats
    value: Floats
    is_deviation: Bools
    trace_u: Floats
    trace_nu: Floats
    gauge: Ints
    master: Ints
    setup: Ints
    zero_readings: Ints
    operator: Ints
    thermometer: Ints
    thermometer_u: Floats
    part_c: Floats
    reference_c: Floats

    def take(self, rows: Ints) -> "Readings":
        """Pick these rows, in this order."""
        return Readings(*(getattr(self, field.name)[rows] for field in fields(self)))


@dataclass(frozen=True, slots=True)
class Measurands:
    """What is measured: a feature of a component at a position, in one inspection; shape (m,) each.

    Attributes
    ----------
    inspection : ndarray of int
        Number of the inspection within the batch, from 0.
    part_object : ndarray of int
        Number of (tool, feature, component or position) from 0, dense: the object whose temperature and
        expansion are one influence. Different for every measurand except in a remeasured pair.
    grows : ndarray of bool
        True for `bore` and `gap`: large is worn.
    expansion : ndarray
        Expansion coefficient of the part, [1/K]; NaN = typical steel.
    material : ndarray of int
        Number of the material code, from 0, dense; -1 = none.
    parameters : ndarray of int
        Row of `Parameters`.
    """

    inspection: Ints
    part_object: Ints
    grows: Bools
    expansion: Floats
    material: Ints
    parameters: Ints


@dataclass(frozen=True, slots=True)
class Gauges:
    """Gauges under the certificate and study in force; shape (g,) each.

    Attributes
    ----------
    kind : ndarray of int
        Index into `GAUGE_KINDS`.
    resolution, bias : ndarray
        Step q and error of indication, [mm].
    calibration_u, calibration_nu : ndarray
        Expanded uncertainty over coverage factor, [mm], NaN = no certificate in force; degrees of freedom,
        ``inf`` where not stated.
    repeatability, repeatability_nu : ndarray
        EV of a study, [mm], NaN = none; its degrees of freedom.
    reproducibility, reproducibility_nu : ndarray
        AV of a study, [mm], NaN = none (no operator term); its degrees of freedom.
    expansion : ndarray
        Of the gauge's scale, [1/K]; NaN = typical steel.
    material : ndarray of int
        Number of the material code; -1 = none.
    """

    kind: Ints
    resolution: Floats
    bias: Floats
    calibration_u: Floats
    calibration_nu: Floats
    repeatability: Floats
    repeatability_nu: Floats
    reproducibility: Floats
    reproducibility_nu: Floats
    expansion: Floats
    material: Ints

    def with_unnamed(self) -> "Gauges":
        """Append the row that index -1 finds: a gauge of which nothing is known."""
        blank = {
            "kind": UNNAMED, "resolution": 0.0, "bias": 0.0, "calibration_nu": np.inf,
            "repeatability_nu": np.inf, "reproducibility_nu": np.inf, "material": -1,
        }  # fmt: skip
        return Gauges(*(np.append(getattr(self, f.name), blank.get(f.name, np.nan)) for f in fields(self)))


@dataclass(frozen=True, slots=True)
class Masters:
    """Setting rings, blocks and rods; shape (r,) each.

    Attributes
    ----------
    size : ndarray
        Certified size at 20 degC, [mm].
    u : ndarray
        Expanded uncertainty over coverage factor, [mm].
    expansion : ndarray
        [1/K]; NaN = typical steel.
    material : ndarray of int
        Number of the material code; -1 = none.
    """

    size: Floats
    u: Floats
    expansion: Floats
    material: Ints

    def with_unnamed(self) -> "Masters":
        """Append the row that index -1 finds: a master that has no size."""
        return Masters(
            np.append(self.size, np.nan),
            np.append(self.u, 0.0),
            np.append(self.expansion, np.nan),
            np.append(self.material, -1),
        )


@dataclass(frozen=True, slots=True)
class Parameters:
    """Catalogue parameters in force (S11, S12); shape (p,) each unless said.

    Attributes
    ----------
    random, calibration : ndarray, shape (p, len(GAUGE_KINDS))
        Assumed standard uncertainty of one reading, and of the calibration, by gauge kind, [mm].
    assumed_nu : ndarray
        Degrees of freedom of both.
    assumed_allowed : ndarray of bool
        False: what has neither study nor certificate has no uncertainty and is not decided.
    room_half_width, between_half_width : ndarray
        Half-widths of the room about 20 degC and of an object about another, [K].
    part_u, master_u, gauge_u : ndarray
        Standard uncertainty of the local temperature of each where it is given, [K].
    thermometer_u : ndarray
        Standard uncertainty of a thermometer that states none, [K].
    expansion_half_width : ndarray
        Half-width of every expansion coefficient, [1/K].
    """

    random: Floats
    calibration: Floats
    assumed_nu: Floats
    assumed_allowed: Bools
    room_half_width: Floats
    between_half_width: Floats
    part_u: Floats
    master_u: Floats
    gauge_u: Floats
    thermometer_u: Floats
    expansion_half_width: Floats


@dataclass(frozen=True, slots=True)
class Bench:
    """All that one batch is computed from.

    Attributes
    ----------
    readings : Readings
        n raw readings.
    measurands : Measurands
        m measurands.
    gauges : Gauges
        g gauges; may be empty.
    masters : Masters
        r masters; may be empty.
    parameters : Parameters
        p parameter sets.
    """

    readings: Readings
    measurands: Measurands
    gauges: Gauges
    masters: Masters
    parameters: Parameters
