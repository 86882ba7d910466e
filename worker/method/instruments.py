"""Gauges and masters as each inspection may know them: the revision recorded by then, the certificate in force then.

A reading is judged by the latest certificate not after the day it was taken. Without one a gauge counts as without
certificate, a master as overdue. Rows come as whoever reads them has them; what they hold is said by the protocols.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from worker.method.influences import GAUGE_KINDS
from worker.method.readings import Gauges, Masters

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
DUE_SOON_DAYS = 30
"""S8: a certificate that runs out within so many days is worth a remark."""
NEVER_DUE = 2**40


class GaugeFacts(Protocol):
    """One revision of a gauge, [mm]."""

    @property
    def serial(self) -> str: ...

    @property
    def revision(self) -> int: ...

    @property
    def recorded_at(self) -> datetime: ...

    @property
    def kind(self) -> str: ...

    @property
    def resolution(self) -> float: ...

    @property
    def bias(self) -> float: ...

    @property
    def expansion_per_k(self) -> float | None: ...

    @property
    def material(self) -> str | None: ...

    @property
    def repeatability_sd(self) -> float | None: ...

    @property
    def repeatability_dof(self) -> float | None: ...

    @property
    def reproducibility_sd(self) -> float | None: ...

    @property
    def reproducibility_dof(self) -> float | None: ...


class CertificateFacts(Protocol):
    """What every certificate says."""

    @property
    def recorded_at(self) -> datetime: ...

    @property
    def calibrated_on(self) -> date | None: ...

    @property
    def due_on(self) -> date | None: ...

    @property
    def expanded_uncertainty(self) -> float: ...

    @property
    def coverage_factor(self) -> float: ...


class GaugeCertificateFacts(CertificateFacts, Protocol):
    """One certificate of a gauge, [mm]."""

    @property
    def degrees_of_freedom(self) -> float | None: ...


class MasterFacts(CertificateFacts, Protocol):
    """One certificate of a setting master, [mm]."""

    @property
    def serial(self) -> str: ...

    @property
    def revision(self) -> int: ...

    @property
    def size(self) -> float: ...

    @property
    def expansion_per_k(self) -> float | None: ...

    @property
    def material(self) -> str | None: ...


class Instruments(Protocol):
    """Every revision and certificate of gauges and masters, by their numbers, in the order of time."""

    @property
    def gauges(self) -> Mapping[int, Sequence[GaugeFacts]]: ...

    @property
    def gauge_certificates(self) -> Mapping[int, Sequence[GaugeCertificateFacts]]: ...

    @property
    def masters(self) -> Mapping[int, Sequence[MasterFacts]]: ...


@dataclass(slots=True)
class Materials:
    """Material codes by number: the same code is one expansion coefficient."""

    numbers: dict[str, int] = field(default_factory=dict)

    def number(self, code: str | None) -> int:
        """Number of a code, -1 for none."""
        return -1 if code is None else self.numbers.setdefault(code, len(self.numbers))


IN_ORDER, SOON, OVERDUE = 0, 1, 2
"""How a calibration stood on the day of a reading; S8."""
CODES = (None, "calibration-due-soon", "calibration-overdue")


@dataclass(frozen=True, slots=True)
class Found:
    """Rows of a cabinet's table, and how the calibration of each stood; shape (n,) each."""

    row: Ints
    standing: Ints


@dataclass(slots=True)
class Cabinet:
    """The gauges and masters of a bench; each distinct (revision, certificate) is one row of a table.

    Times are seconds since 1970, `datetime.timestamp`, days those of the proleptic calendar (`date.toordinal`).
    """

    instruments: Instruments
    materials: Materials
    gauges: list[tuple[GaugeFacts, GaugeCertificateFacts | None]] = field(default_factory=list)
    masters: list[MasterFacts] = field(default_factory=list)
    _rows: dict[tuple[object, ...], int] = field(default_factory=dict)

    def gauge(self, gauge_id: int, as_of: datetime, day: date) -> int:
        """Row of a gauge as known at a time, for a reading of a day."""
        return int(self.find_gauge(gauge_id, *_one(as_of, day)).row[0])

    def master(self, master_id: int, as_of: datetime, day: date) -> int:
        """Row of a master as known at a time, for a reading of a day."""
        return int(self.find_master(master_id, *_one(as_of, day)).row[0])

    def find_gauge(self, gauge_id: int, as_of: Floats, day: Ints) -> Found:
        """Rows of a gauge as known at some times, for readings of some days."""
        revisions = self.instruments.gauges[gauge_id]
        certificates = self.instruments.gauge_certificates.get(gauge_id, ())
        known = np.maximum(_newest(revisions, as_of), 0)  # the first where a clock ran behind
        in_force = _in_force(certificates, as_of, day)
        pairs, inverse = np.unique(known * (len(certificates) + 1) + in_force + 1, return_inverse=True)
        numbers = []
        for pair in pairs.tolist():
            revision, certificate = divmod(pair, len(certificates) + 1)
            chosen = certificates[certificate - 1] if certificate else None
            key = ("gauge", gauge_id, revisions[revision].revision, chosen)
            row = self._rows.setdefault(key, len(self.gauges))
            if row == len(self.gauges):
                self.gauges.append((revisions[revision], chosen))
            numbers.append(row)
        return Found(np.array(numbers, np.int64)[inverse], _standing(certificates, in_force, day))

    def find_master(self, master_id: int, as_of: Floats, day: Ints) -> Found:
        """Rows of a master; where no certificate is in force yet, its first one, overdue."""
        certificates = self.instruments.masters[master_id]
        in_force = _in_force(certificates, as_of, day)
        chosen = np.where(in_force >= 0, in_force, _oldest(certificates, as_of))
        different, inverse = np.unique(chosen, return_inverse=True)
        numbers = []
        for certificate in different.tolist():
            key = ("master", master_id, certificates[certificate].revision)
            row = self._rows.setdefault(key, len(self.masters))
            if row == len(self.masters):
                self.masters.append(certificates[certificate])
            numbers.append(row)
        standing = np.where(in_force < 0, OVERDUE, _standing(certificates, in_force, day))
        return Found(np.array(numbers, np.int64)[inverse], standing)

    def told(self, kind: str, row: int) -> tuple[str, date | None]:
        """What a remark on a row of a table is about, and when its calibration runs out."""
        if kind == "gauge":
            revision, certificate = self.gauges[row]
            return f"gauge:{revision.serial}", certificate.due_on if certificate else None
        return f"master:{self.masters[row].serial}", self.masters[row].due_on

    def gauge_table(self) -> Gauges:
        """The gauges as columns."""
        rows = self.gauges
        gauge = [revision for revision, _ in rows]
        return Gauges(
            kind=np.array([GAUGE_KINDS.index(row.kind) for row in gauge], np.int64),
            resolution=np.array([row.resolution for row in gauge], np.float64),
            bias=np.array([row.bias for row in gauge], np.float64),
            calibration_u=_column(
                [None if c is None else c.expanded_uncertainty / c.coverage_factor for _, c in rows], np.nan
            ),
            calibration_nu=_column([None if c is None else c.degrees_of_freedom for _, c in rows], np.inf),
            repeatability=_column([row.repeatability_sd for row in gauge], np.nan),
            repeatability_nu=_column([row.repeatability_dof for row in gauge], np.inf),
            reproducibility=_column([row.reproducibility_sd for row in gauge], np.nan),
            reproducibility_nu=_column([row.reproducibility_dof for row in gauge], np.inf),
            expansion=_column([row.expansion_per_k for row in gauge], np.nan),
            material=np.array([self.materials.number(row.material) for row in gauge], np.int64),
        )

    def master_table(self) -> Masters:
        """The masters as columns."""
        rows = self.masters
        return Masters(
            size=np.array([row.size for row in rows], np.float64),
            u=np.array([row.expanded_uncertainty / row.coverage_factor for row in rows], np.float64),
            expansion=_column([row.expansion_per_k for row in rows], np.nan),
            material=np.array([self.materials.number(row.material) for row in rows], np.int64),
        )


def _column(values: Sequence[float | None], missing: float) -> NDArray[np.float64]:
    return np.array([missing if value is None else value for value in values], np.float64)


def _one(as_of: datetime, day: date) -> tuple[Floats, Ints]:
    return np.array([as_of.timestamp()], np.float64), np.array([day.toordinal()], np.int64)


def _newest(rows: Sequence[GaugeFacts], as_of: Floats) -> Ints:
    """The newest row recorded by each time, -1 where there is none."""
    found = np.full(len(as_of), -1)
    for n, row in enumerate(rows):
        found[row.recorded_at.timestamp() <= as_of] = n
    return found


def _oldest(rows: Sequence[CertificateFacts], as_of: Floats) -> Ints:
    """The first row recorded by each time, else the first of all."""
    found = np.zeros(len(as_of), np.int64)
    for n, row in reversed(list(enumerate(rows))):
        found[row.recorded_at.timestamp() <= as_of] = n
    return found


def _in_force(rows: Sequence[CertificateFacts], as_of: Floats, day: Ints) -> Ints:
    """The latest certificate recorded by a time and not after a day, -1 where there is none.

    The rows come by the day they are in force from, then as they were recorded.
    """
    found = np.full(len(as_of), -1)
    for n, row in enumerate(rows):
        since = 0 if row.calibrated_on is None else row.calibrated_on.toordinal()
        found[(row.recorded_at.timestamp() <= as_of) & (since <= day)] = n
    return found


def _standing(rows: Sequence[CertificateFacts], in_force: Ints, day: Ints) -> Ints:
    due = np.array([NEVER_DUE if row.due_on is None else row.due_on.toordinal() for row in rows] + [NEVER_DUE])
    left = due[in_force] - day
    return np.where(left < 0, OVERDUE, np.where(left <= DUE_SOON_DAYS, SOON, IN_ORDER))
