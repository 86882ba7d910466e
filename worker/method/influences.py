"""What the columns of a budget stand for: influences, their keys, sizes and distributions (S4.3, S12).

A key is (kind, objects): the influence `LOCAL_TEMPERATURE` of the object "gauge 3", say. Its column number
is fixed by the sizes of the tables that were handed in, so one pass over a batch needs no dictionary:
each kind owns a run of columns, and the object's number is the place in the run.

Columns of different inspections never meet in one form, except for the two inspections of a remeasured pair:
there a gauge, a master, an operator at a gauge, an object's expansion and local temperature and the
thermometer keep one column (they do not average down), while readings, zero settings and the room do not.
"""

from dataclasses import dataclass
from enum import IntEnum

import numpy as np

from worker.method.budget import Bools, Floats, Forms, Ints


class Influence(IntEnum):
    """Kinds of influence, in the order of their columns."""

    READ = 0
    """Random part of the mean of the repeats of one location: object = row of `Places` groups."""
    ZERO = 1
    """Zero setting, shared by all readings of a set-up: object = distinct (inspection, set-up, gauge)."""
    CALIBRATION = 2
    """Certificate of a gauge: object = gauge row."""
    ASSUMED_CALIBRATION = 3
    """Calibration assumed for want of a certificate (S11.1): object = parameter row * kinds + gauge kind."""
    OPERATOR = 4
    """Reproducibility: object = distinct (gauge, operator)."""
    MASTER = 5
    """Certified size of a setting master: object = master row."""
    EXPANSION = 6
    """Expansion coefficient: object = thermal object."""
    MATERIAL = 7
    """Expansion coefficient shared by all that carry one material code: object = material."""
    LOCAL_TEMPERATURE = 8
    """Difference of an object's temperature from where the thermometer was held: object = thermal object."""
    THERMOMETER = 9
    """Offset of a thermometer, in every temperature it read: object = thermometer + 1 (0 = unnamed)."""
    ROOM = 10
    """Temperature of the room where none was given (S11.2): object = inspection."""
    ROOM_OBJECT = 11
    """Difference of an object from the room, or from one whose temperature was given: thermal object."""
    SECOND_ORDER = 12
    """Second-order thermal term of a part (S3): object = part object."""


SHAPES = ("normal", "rectangular", "t")
_RECTANGULAR = {
    Influence.EXPANSION,
    Influence.MATERIAL,
    Influence.ROOM,
    Influence.ROOM_OBJECT,
}


@dataclass(frozen=True, slots=True)
class Columns:
    """The columns of a batch: which kind owns which run, and what each influence amounts to.

    Attributes
    ----------
    offsets : ndarray of int, shape (len(Influence) + 1,)
        First column of each kind; the last entry is the number of columns K.
    parts, gauges, masters : int
        Thermal objects are numbered parts first, then gauges (one more than the table: the last is the
        unnamed gauge), then masters.
    zeros : ndarray of int, shape (z, 3)
        (inspection, set-up, gauge row) of each `ZERO` object; -1 = none named.
    operators : ndarray of int, shape (o, 2)
        (gauge row, operator) of each `OPERATOR` object; -1 = none named.
    u : ndarray, shape (K,)
        Standard uncertainty of the influence itself, [mm], [K] or [1/K]; 0 where no reading used it.
    nu : ndarray, shape (K,)
        Its degrees of freedom.
    quantised : ndarray of bool, shape (K,)
        A random part or zero that is the resolution's, since that is the larger (4.1).
    """

    offsets: Ints
    parts: int
    gauges: int
    masters: int
    zeros: Ints
    operators: Ints
    u: Floats
    nu: Floats
    quantised: Bools

    def run(self, kind: Influence) -> slice:
        """Columns of one kind."""
        return slice(int(self.offsets[kind]), int(self.offsets[kind + 1]))

    def describe(self, column: int) -> tuple[Influence, tuple[int | str, ...]]:
        """Kind of a column and what it belongs to.

        Returns
        -------
        tuple
            The influence and its objects: ``("part"|"gauge"|"master", number)`` for thermal kinds,
            ``(inspection, set-up, gauge)`` for a zero, ``(gauge, operator)`` for an operator,
            ``(parameter row, gauge kind)`` for an assumed calibration, else the one number.
            A gauge of -1 is the unnamed one.
        """
        kind = Influence(int(np.searchsorted(self.offsets, column, side="right")) - 1)
        number = column - int(self.offsets[kind])
        if kind in (Influence.EXPANSION, Influence.LOCAL_TEMPERATURE, Influence.ROOM_OBJECT):
            return kind, self._thermal_object(number)
        if kind is Influence.ZERO:
            return kind, tuple(self.zeros[number].tolist())
        if kind is Influence.OPERATOR:
            return kind, tuple(self.operators[number].tolist())
        if kind is Influence.ASSUMED_CALIBRATION:
            return kind, divmod(number, len(GAUGE_KINDS))
        return kind, (number - 1 if kind is Influence.THERMOMETER else number,)

    def distribution(self, column: int) -> str:
        """Distribution an influence is drawn from, one of `SHAPES` (S4.7)."""
        kind, _ = self.describe(column)
        if kind in _RECTANGULAR or self.quantised[column]:
            return "rectangular"
        return "t" if np.isfinite(self.nu[column]) else "normal"

    def _thermal_object(self, number: int) -> tuple[int | str, ...]:
        if number < self.parts:
            return "part", number
        number -= self.parts
        if number <= self.gauges:
            return "gauge", -1 if number == self.gauges else number
        return "master", number - self.gauges - 1


GAUGE_KINDS = ("micrometer", "telescopic", "dial-bore", "digital-bore", "caliper", "unnamed")
"""Gauge kinds in the order of their codes; the last stands for a reading that names no gauge."""


@dataclass(frozen=True, slots=True)
class BudgetLines:
    """One result's budget, the largest share first; each attribute has shape (t,).

    Attributes
    ----------
    column : ndarray of int
        Influence, a column of `Columns`.
    sensitivity : ndarray
        d / u of the influence, [mm] per its unit.
    u : ndarray
        Standard uncertainty of the influence, [mm], [K] or [1/K].
    nu : ndarray
        Its degrees of freedom.
    contribution : ndarray
        d, signed, [mm].
    share : ndarray
        d^2 / u_c^2, [-]; sums to 1.
    """

    column: Ints
    sensitivity: Floats
    u: Floats
    nu: Floats
    contribution: Floats
    share: Floats


def budget_lines(forms: Forms, row: int, columns: Columns) -> BudgetLines:
    """List the budget of one result line by line, sorted by share. [S4.5]

    Parameters
    ----------
    forms : Forms
        Forms of sizes or clearances.
    row : int
        The result.
    columns : Columns
        What the columns stand for.

    Returns
    -------
    BudgetLines
        Terms that are not exactly zero.

    Notes
    -----
    The random part is shared by a group of repeats whose mean it belongs to, so its u is that of the mean.
    An assumed calibration may differ between two parameter rows; u is the one in force for the last reading.
    """
    span = slice(forms.terms.indptr[row], forms.terms.indptr[row + 1])
    column, d = forms.terms.indices[span].astype(np.int64), forms.terms.data[span]
    share = np.square(d)
    order = np.argsort(-share, kind="stable")
    order = order[d[order] != 0]
    column, d, share = column[order], d[order], share[order] / share.sum()
    return BudgetLines(column, d / columns.u[column], columns.u[column], forms.nu[column], d, share)
