"""A file on its way in: its rows, what they name, the inspections they make, and what is wrong with them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from worker.intake.group_digests import GroupDigests
from worker.intake.groups import Groups
from worker.intake.references import References
from worker.intake.table import RowFault, Table


@dataclass(slots=True)
class File:
    """What is known of a file.

    Attributes
    ----------
    table : Table
        Its rows; what is found to be wrong is marked in it.
    groups : Groups
        Inspections that its good rows make.
    digests : callable
        Waits for the digests that are being computed meanwhile: see `digest`.
    faults : list of RowFault
    """

    table: Table
    references: References
    groups: Groups
    digests: Callable[[], GroupDigests]
    faults: list[RowFault]
    _digest: list[bytes] | None = field(default=None, repr=False)

    @property
    def digest(self) -> list[bytes]:
        """The digest of each group."""
        if self._digest is None:
            self._digest = self.digests().of(self.table, self.groups)
        return self._digest

    @property
    def faulty(self) -> int:
        """Number of rows with a fault."""
        return int(self.table.bad.sum()) + self.table.unread

    @property
    def tool_ids(self) -> NDArray[np.int32]:
        return self.references.tool_id[self.groups.tool]
