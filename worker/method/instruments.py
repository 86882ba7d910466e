"""Gauges and masters as each inspection may know them: the revision recorded by then, the certificate in force then.

A reading is judged by the latest certificate not after the day it was taken. Without one a gauge counts as without
certificate, a master as overdue. Rows come as whoever reads them has them; what they hold is said by the protocols.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from typing import Protocol, TypeVar

import numpy as np
from numpy.typing import NDArray

from worker.method.influences import GAUGE_KINDS
from worker.method.readings import Gauges, Masters

DUE_SOON = timedelta(days=30)
"""S8: a certificate that runs out within so many days is worth a remark."""


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


@dataclass(frozen=True, slots=True)
class Validity:
    """How an instrument's calibration stood on the day of a reading; `code` None = in order."""

    about: str  # ``gauge:SERIAL`` or ``master:SERIAL``
    code: str | None
    due_on: date | None


@dataclass(slots=True)
class Cabinet:
    """The gauges and masters of a bench; each distinct (revision, certificate) is one row of a table."""

    instruments: Instruments
    materials: Materials
    gauges: list[tuple[GaugeFacts, GaugeCertificateFacts | None]] = field(default_factory=list)
    masters: list[MasterFacts] = field(default_factory=list)
    validity: dict[tuple[str, int, date], Validity] = field(default_factory=dict)
    _rows: dict[tuple[object, ...], int] = field(default_factory=dict)

    def gauge(self, gauge_id: int, as_of: datetime, day: date) -> int:
        """Row of a gauge as known at a time, for a reading of a day."""
        revision = _known(self.instruments.gauges[gauge_id], as_of)
        certificate = _in_force(self.instruments.gauge_certificates.get(gauge_id, ()), as_of, day)
        key = ("gauge", gauge_id, revision.revision, certificate)
        row = self._rows.setdefault(key, len(self.gauges))
        if row == len(self.gauges):
            self.gauges.append((revision, certificate))
        due_on = certificate.due_on if certificate else None
        self._judge(f"gauge:{revision.serial}", row, due_on, day, overdue=False)
        return row

    def master(self, master_id: int, as_of: datetime, day: date) -> int:
        """Row of a master; where no certificate is in force yet, its first one, overdue."""
        known = [row for row in self.instruments.masters[master_id] if row.recorded_at <= as_of]
        every = known or list(self.instruments.masters[master_id][:1])
        certificate = _in_force(every, as_of, day)
        in_force = certificate or every[0]
        row = self._rows.setdefault(("master", master_id, in_force.revision), len(self.masters))
        if row == len(self.masters):
            self.masters.append(in_force)
        self._judge(f"master:{in_force.serial}", row, in_force.due_on, day, overdue=certificate is None)
        return row

    def _judge(self, about: str, row: int, due_on: date | None, day: date, overdue: bool) -> None:
        key = (about.partition(":")[0], row, day)
        if key in self.validity:
            return
        late = overdue or (due_on is not None and due_on < day)
        soon = due_on is not None and not late and due_on - day <= DUE_SOON
        code = "calibration-overdue" if late else "calibration-due-soon" if soon else None
        self.validity[key] = Validity(about, code, due_on)

    def judged_uses(self, used: set[tuple[int, str, int, date]]) -> list[tuple[int, str, Validity]]:
        """(inspection, what it is about, validity) of every use, in order."""
        found = [(at, self.validity[kind, row, day]) for at, kind, row, day in sorted(used)]
        return [(at, validity.about, validity) for at, validity in found]

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


def _known(rows: Sequence[GaugeFacts], as_of: datetime) -> GaugeFacts:
    """The newest revision recorded by a time; the first where a clock ran behind."""
    known = [row for row in rows if row.recorded_at <= as_of]
    return known[-1] if known else rows[0]


Certificate = TypeVar("Certificate", bound=CertificateFacts)


def _in_force(rows: Sequence[Certificate], as_of: datetime, day: date) -> Certificate | None:
    """The latest certificate recorded by a time and not after a day, None where there is none.

    The rows come by the day they are in force from, then as they were recorded.
    """
    found = None
    for row in rows:
        if row.recorded_at <= as_of and (row.calibrated_on is None or row.calibrated_on <= day):
            found = row
    return found
