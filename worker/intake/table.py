"""The rows of one file as columns: what the parsing process leaves in a folder and the loading one reads.

Nothing here needs the columnar reader, so that the process that loads never imports it.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import msgspec
import numpy as np
from numpy.typing import NDArray

from service import faults

BLANK = -1
BAD = -2
TABLE, DIGESTS = b"table\n", b"digests\n"
"""What the parsing process says when each of them lies in the folder."""


class RowFault(msgspec.Struct, frozen=True, order=True, gc=False):
    """One thing wrong with one row; `row` is its line in the file, the header's faults stand on the header's."""

    row: int
    place: int  # of the column, so that faults of a row come in the order of its columns
    column: str | None
    code: str
    message: str
    text: str | None = None


@dataclass(frozen=True, slots=True)
class Column:
    """One of our columns.

    Attributes
    ----------
    index : ndarray of int32, shape (rows,)
        Of each row's word; `BLANK` or `BAD` where there is none.
    words : list of str
        The different texts (of columns that are not numbers).
    numbers : ndarray, shape (words,), or None
        Their values: float64 of numbers, int64 microseconds since 2000 of times.
    """

    index: NDArray[np.int32]
    words: list[str]
    numbers: NDArray[Any] | None = None

    @property
    def different(self) -> int:
        """How many different values there are."""
        return len(self.words) if self.numbers is None else len(self.numbers)


@dataclass(slots=True)
class Table:
    """What a file says.

    Attributes
    ----------
    line : ndarray of int64, shape (rows,)
        Where each row stands in the file.
    bad : ndarray of bool, shape (rows,)
        Rows with a fault.
    columns : dict
        By our name; a column that is blank throughout is not there.
    unread : int
        Lines that are not rows (each has a fault).
    faults : list of RowFault
        Of all of them, in the order of the file, the first `faults.MAX_EXPORT_FAULTS`.
    """

    line: NDArray[np.int64]
    bad: NDArray[np.bool_]
    columns: dict[str, Column]
    unread: int = 0
    faults: list[RowFault] = field(default_factory=list)

    def copy(self) -> Table:
        """Return a table in which rows can be marked without marking them in this one."""
        return Table(self.line, self.bad.copy(), self.columns, self.unread, list(self.faults))

    @property
    def total(self) -> int:
        """Number of data rows, readable or not."""
        return len(self.line) + self.unread


class Unreadable(Exception):
    """The file as a whole cannot be read; `faults` say why."""

    def __init__(self, found: list[RowFault]) -> None:
        super().__init__(found[0].code)
        self.faults = found


class _About(msgspec.Struct):
    columns: list[tuple[str, bool]] = []  # name, whether it has numbers
    unread: int = 0
    faults: list[RowFault] = []
    unreadable: bool = False


def first(found: list[RowFault]) -> list[RowFault]:
    """Return the faults that are kept: the first ones of the file."""
    return sorted(found)[: faults.MAX_EXPORT_FAULTS]


def storable(text: str | None) -> str | None:
    """Return a text of a damaged file as the database can keep it."""
    return None if text is None else text.replace("\0", "\ufffd")


def save(folder: Path, table: Table | Unreadable) -> None:
    """Write what was read into a folder."""
    about = _About(faults=first(table.faults))
    if isinstance(table, Unreadable):
        about.unreadable = True
    else:
        about.unread = table.unread
        np.save(folder / "line.npy", table.line)
        np.save(folder / "bad.npy", table.bad)
        for name, column in table.columns.items():
            about.columns.append((name, column.numbers is not None))
            np.save(folder / f"{name}.npy", column.index)
            (folder / f"{name}.txt").write_bytes("\n".join(column.words).encode())
            if column.numbers is not None:
                np.save(folder / f"{name}-numbers.npy", column.numbers)
    (folder / "about.json").write_bytes(msgspec.json.encode(about))


def load(folder: Path) -> Table:
    """Return what was read.

    Raises
    ------
    Unreadable
    """
    about = msgspec.json.decode((folder / "about.json").read_bytes(), type=_About)
    if about.unreadable:
        raise Unreadable(about.faults)
    columns = {name: _column(folder, name, numeric) for name, numeric in about.columns}
    return Table(_lying(folder / "line.npy"), np.load(folder / "bad.npy"), columns, about.unread, about.faults)


def _column(folder: Path, name: str, numeric: bool) -> Column:
    text = (folder / f"{name}.txt").read_bytes().decode()
    numbers = np.load(folder / f"{name}-numbers.npy") if numeric else None
    return Column(_lying(folder / f"{name}.npy"), text.split("\n") if text else [], numbers)


def _lying(path: Path) -> NDArray[Any]:
    """Return a large array where it lies, to be read only; copied it would be there twice."""
    array: NDArray[Any] = np.asarray(np.load(path, mmap_mode="r"))
    return array
