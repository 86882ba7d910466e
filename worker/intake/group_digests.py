"""Digests of a file's groups, made by the process that read it while the other one is busy with the database.

It knows nothing of what is stored, so rows may turn out to be bad later: the digest of a group whose rows are no
longer the same ones is computed anew.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from worker.intake.digests import digests
from worker.intake.groups import Groups, gather
from worker.intake.table import Table

DIGEST_BYTES = 32


@dataclass(frozen=True, slots=True)
class GroupDigests:
    """Digests of the groups that a table makes by itself.

    Attributes
    ----------
    group : ndarray of int32, shape (rows,)
        The group of each row of the table, -1 of a bad one.
    digest : ndarray of V32, shape (groups,)
    """

    group: NDArray[np.int32]
    digest: NDArray[np.void]

    def of(self, table: Table, groups: Groups) -> list[bytes]:
        """Return the digest of each group of the same table as it is gathered now."""
        if not len(groups) or not len(self.digest):
            return digests(table, groups)
        before = self.group[groups.row]
        first = before[groups.start[:-1]]
        size = np.bincount(self.group[self.group >= 0], minlength=len(self.digest))
        same = np.logical_and.reduceat(before == np.repeat(first, np.diff(groups.start)), groups.start[:-1])
        same &= (first >= 0) & (size[first] == np.diff(groups.start))
        found = [digest.tobytes() for digest in self.digest[first]]
        changed = np.flatnonzero(~same)
        for group, digest in zip(changed.tolist(), digests(table, groups.only(changed)), strict=True):
            found[group] = digest
        return found


def save(folder: Path, table: Table) -> None:
    """Compute the digests of a table's groups, and write them into a folder."""
    groups, _ = gather(table)
    group = np.full(len(table.line), -1, np.int32)
    group[groups.row] = groups.of_row()
    np.save(folder / "group.npy", group)
    np.save(folder / "digest.npy", np.frombuffer(b"".join(digests(table, groups)), np.uint8).reshape(-1, DIGEST_BYTES))


def load(folder: Path) -> GroupDigests:
    """Return the digests that lie in a folder."""
    digest = np.ascontiguousarray(np.load(folder / "digest.npy")).view(f"V{DIGEST_BYTES}").reshape(-1)
    return GroupDigests(np.load(folder / "group.npy"), digest)
