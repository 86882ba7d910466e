"""A file on its way in: its rows, what they name, the inspections they make, and what is wrong with them."""

from __future__ import annotations

from concurrent.futures import Future
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

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
    digests : Future
        Of each group, computed meanwhile: see `digest`.
    faults : list of RowFault
    """

    table: Table
    references: References
    groups: Groups
    digests: Future[list[bytes]]
    faults: list[RowFault]

    @property
    def digest(self) -> list[bytes]:
        """The digest of each group."""
        return self.digests.result()

    @property
    def faulty(self) -> int:
        """Number of rows with a fault."""
        return int(self.table.bad.sum()) + self.table.unread

    @property
    def tool_ids(self) -> NDArray[np.int32]:
        return self.references.tool_id[self.groups.tool]

    @property
    def tools(self) -> list[str]:
        """The serial of the tool of each group."""
        words = self.table.columns["tool"].words
        return [words[place] for place in self.groups.tool.tolist()]
