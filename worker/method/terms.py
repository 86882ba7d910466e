"""The terms of a batch of readings: what each rests on, laid down in slots (method page "sizes" S4.3, S12).

Every reading is one row of a sparse matrix of terms d = c u. A slot is one term per reading, so the whole
batch is a handful of array operations; the number of a term's column follows from the tables
(`worker.method.influences`).
"""

from dataclasses import dataclass, field

import numpy as np
from scipy.sparse import csr_array

from worker.method.budget import Floats, Ints
from worker.method.influences import GAUGE_KINDS, Columns, Influence
from worker.method.places import Places, dense_ids
from worker.method.readings import STEEL_EXPANSION, Bench, Gauges, Masters, Parameters, Readings


@dataclass(frozen=True, slots=True)
class Situation:
    """What each reading rests on, looked up once in the tables of the bench.

    Attributes
    ----------
    readings : Readings
        n readings in the order of `Places`.
    gauges, masters : Gauges, Masters
        With the unnamed one appended, which index -1 finds.
    parameters : Parameters
        Parameter sets.
    row : ndarray of int, shape (n,)
        Row of `parameters` in force for each reading.
    inspection, part, reference : ndarray of int, shape (n,)
        Inspection, and the two thermal objects: the part, and the master (deviation) or gauge (direct).
    zero, operator : ndarray of int, shape (n,)
        Objects of `Influence.ZERO` and `Influence.OPERATOR`.
    part_expansion, reference_expansion : ndarray, shape (n,)
        [1/K].
    part_material, reference_material : ndarray of int, shape (n,)
        -1 = none.
    columns : Columns
        Layout of the columns; u, nu and `quantised` are filled in as terms are added.
    """

    readings: Readings
    gauges: Gauges
    masters: Masters
    parameters: Parameters
    row: Ints
    inspection: Ints
    part: Ints
    reference: Ints
    zero: Ints
    operator: Ints
    part_expansion: Floats
    reference_expansion: Floats
    part_material: Ints
    reference_material: Ints
    columns: Columns


@dataclass(slots=True)
class Terms:
    """Collects slots of terms and what the influences behind them amount to."""

    columns: Columns
    slots: list[tuple[Ints, Floats]] = field(default_factory=list)

    def add(
        self,
        kind: Influence | Ints,
        number: Ints,
        sensitivity: Floats,
        u: Floats,
        nu: Floats | float = np.inf,
    ) -> None:
        """One term per reading: influence (kind, number) of standard uncertainty u at this sensitivity."""
        column = self.columns.offsets[kind] + number
        d = sensitivity * u
        used = d != 0
        self.columns.u[column[used]] = u[used]
        self.columns.nu[column[used]] = np.broadcast_to(nu, d.shape)[used]
        self.slots.append((column, d))

    def matrix(self) -> csr_array:
        """Build the matrix of readings by columns, shape (n, K), without the terms that are exactly zero."""
        column = np.stack([column for column, _ in self.slots], axis=1)
        d = np.stack([d for _, d in self.slots], axis=1)
        used = d != 0
        indptr = np.append(0, np.cumsum(used.sum(axis=1)))
        return csr_array((d[used], column[used], indptr), shape=(len(d), len(self.columns.u)))


def situate(bench: Bench, places: Places) -> Situation:
    """Look up what each reading rests on.

    Parameters
    ----------
    bench : Bench
        The batch.
    places : Places
        Its readings in order.

    Returns
    -------
    Situation
        n readings.
    """
    r, m = places.readings, bench.measurands
    gauges, masters = bench.gauges.with_unnamed(), bench.masters.with_unnamed()
    inspection, part = m.inspection[r.measurand], m.part_object[r.measurand]
    parts, gauge_count = int(m.part_object.max(initial=-1)) + 1, len(bench.gauges.kind)
    gauge = np.where(r.gauge < 0, gauge_count, r.gauge)
    zero, zeros = dense_ids(inspection, r.setup, r.gauge)
    operator, operators = dense_ids(r.gauge, r.operator)
    reference_expansion = np.where(r.is_deviation, masters.expansion[r.master], gauges.expansion[r.gauge])
    return Situation(
        readings=r,
        gauges=gauges,
        masters=masters,
        parameters=bench.parameters,
        row=m.parameters[r.measurand],
        inspection=inspection,
        part=part,
        reference=parts + np.where(r.is_deviation, gauge_count + 1 + r.master, gauge),
        zero=zero,
        operator=operator,
        part_expansion=_or_steel(m.expansion[r.measurand]),
        reference_expansion=_or_steel(reference_expansion),
        part_material=m.material[r.measurand],
        reference_material=np.where(r.is_deviation, masters.material[r.master], gauges.material[r.gauge]),
        columns=_lay_out(bench, places, zeros, operators),
    )


def _or_steel(expansion: Floats) -> Floats:
    return np.where(np.isnan(expansion), STEEL_EXPANSION, expansion)


def _lay_out(bench: Bench, places: Places, zeros: Ints, operators: Ints) -> Columns:
    """Give each kind of influence its run of columns."""
    m, gauges, masters = bench.measurands, bench.gauges, bench.masters
    parts = _count(m.part_object)
    objects = parts + len(gauges.kind) + 1 + len(masters.size)
    counts = {
        Influence.READ: len(places.group_start),
        Influence.ZERO: len(zeros),
        Influence.CALIBRATION: len(gauges.kind) + 1,
        Influence.ASSUMED_CALIBRATION: len(bench.parameters.assumed_nu) * len(GAUGE_KINDS),
        Influence.OPERATOR: len(operators),
        Influence.MASTER: len(masters.size) + 1,
        Influence.MATERIAL: max(_count(m.material), _count(gauges.material), _count(masters.material)),
        Influence.THERMOMETER: _count(places.readings.thermometer) + 1,
        Influence.ROOM: _count(m.inspection),
        Influence.SECOND_ORDER: parts,
    }
    offsets = np.append(0, np.cumsum([counts.get(kind, objects) for kind in Influence]))
    return Columns(
        offsets=offsets,
        parts=parts,
        gauges=len(gauges.kind),
        masters=len(masters.size),
        zeros=zeros,
        operators=operators,
        u=np.zeros(offsets[-1]),
        nu=np.full(offsets[-1], np.inf),
        quantised=np.zeros(offsets[-1], np.bool_),
    )


def _count(numbers: Ints) -> int:
    """How many numbers from 0 a column uses."""
    return int(numbers.max(initial=-1)) + 1
