"""A batch of tools with all that they are computed from: what `worker.inputs` reads, and every step works on."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from service.catalogue import ToolType
from service.store import assessment_inputs as store
from service.store.assessment_inputs import Columns, InspectionRow, ToolRow, UsageRow
from service.store.claims import ClaimedTool
from worker.as_of import Basis
from worker.layout import Layout
from worker.reference import TypeKey
from worker.timeline import Timeline
from worker.wear_model import WearModel

Ints = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Measured:
    """What was measured in the inspections to be computed; `inspection` columns are rows of `Batch.inspections`."""

    readings: Columns
    traces: dict[tuple[int, int], list[float]]  # by (inspection, ordinal)
    sources: dict[tuple[int, int], store.SourceRow]  # by (inspection, source)
    setups: dict[tuple[int, int, int], int]  # readings at zero by (inspection, set-up, gauge)
    returns: dict[tuple[int, int, int], float] = field(default_factory=dict)  # readings back on the master, likewise


@dataclass(frozen=True, slots=True)
class Instruments:
    """Every revision and certificate of the gauges and masters that the readings name."""

    gauges: dict[int, list[store.GaugeRow]]
    gauge_certificates: dict[int, list[store.GaugeCertificateRow]]
    masters: dict[int, list[store.MasterRow]]


@dataclass
class Batch:
    """Tools to compute, their past, and the tools that their components were in (`context`).

    Attributes
    ----------
    now : datetime
        When it was read, by the database's clock.
    claimed : dict
        The tools to compute by id, and from which time on.
    inspections : list of InspectionRow
        Of all tools; those of one tool stand together, in the order of time.
    of_tool : dict
        Rows of `inspections` of each tool.
    basis : list of Basis
        What each inspection rests on.
    newest : dict
        What a status rests on, by tool type.
    layouts, models : dict
        Catalogue entries with learned ground factors; learned wear, where there is any.
    compute : list of int
        Rows to be computed.
    rank : ndarray of int
        Place of each inspection in the order of time across all tools.
    sizes, clearances : dict of ndarray
        What stands from earlier; `inspection` is a row of `inspections`.
    compared : list of int
        Rows from before that those to be computed are compared with; their readings were read, too.
    remarked : dict
        Codes of what was remarked on the newest inspection of a tool, where that is not computed now.
    """

    now: datetime
    claimed: dict[int, ClaimedTool]
    tools: dict[int, ToolRow]
    inspections: list[InspectionRow]
    of_tool: dict[int, list[int]]
    basis: list[Basis]
    compute: list[int]
    rank: Ints
    measured: Measured
    instruments: Instruments
    timeline: Timeline
    usage: dict[int, list[UsageRow]]
    sizes: Columns
    clearances: Columns
    components: dict[int, store.ComponentRow]
    statuses: dict[int, store.StatusRow]
    layouts: dict[TypeKey, Layout]
    models: dict[TypeKey, WearModel]
    codes: dict[str, int]
    newest: dict[int, TypeKey]
    remarked: dict[int, list[str]]
    site_ground: dict[tuple[int, str], dict[str, float]] = field(default_factory=dict)
    compared: list[int] = field(default_factory=list)

    @cached_property
    def due(self) -> frozenset[int]:
        """The rows to be computed."""
        return frozenset(self.compute)

    def tool_type(self, row: int) -> ToolType:
        """The tool type under which an inspection is assessed."""
        return self.layouts[self.type_key(row)].type

    def type_key(self, row: int) -> TypeKey:
        """What an inspection is assessed under."""
        basis = self.basis[row]
        return self.tools[self.inspections[row].tool_id].tool_type_id, basis.revision, basis.wear_model
