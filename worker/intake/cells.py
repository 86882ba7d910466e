"""The different texts of each column and where they stand: collected piece by piece, read once at the end.

The only module that touches the columnar reader, which starts threads and must not be there when a process forks: it
is imported by the parsing process alone.
"""

from __future__ import annotations

import numpy as np
import polars as pl
from numpy.typing import NDArray

Index = NDArray[np.int32]


def split(content: bytes, delimiter: str, places: dict[str, int], width: int) -> pl.DataFrame:
    """Return lines that are rows, each ended by LF, as columns of texts.

    Parameters
    ----------
    content : bytes
    delimiter : str
    places : dict
        Our column -> its field in the file; others are passed over.
    width : int
        Fields of every row, of which some may be missing at the end.
    """
    fields = [f"f{place}" for place in range(width)]
    return pl.read_csv(
        f"{delimiter.join(fields)}\n".encode() + content,  # a header says how many fields there are; lines vary
        columns=[fields[place] for place in sorted(set(places.values()))],
        schema_overrides=dict.fromkeys(fields, pl.String),
        separator=delimiter,
        truncate_ragged_lines=True,  # what is cut off is blank: `lines` has seen to that
        quote_char='"' if b'"' in content else None,  # to look for marks that are not there costs a fifth
    )


class Cells:
    """Columns of text, each kept as its different texts and the index of each row's.

    Parameters
    ----------
    places : dict
        Our column -> its field in the file.
    """

    def __init__(self, places: dict[str, int]) -> None:
        self.rows = 0
        self.texts: dict[str, dict[str, int]] = {name: {} for name in places}
        self._places = places
        self._index: dict[str, list[Index]] = {name: [] for name in places}

    def add(self, frame: pl.DataFrame) -> int:
        """Take in rows that `split` made; return how many."""
        for name, place in self._places.items():
            self._index[name].append(self._encoded(name, frame[f"f{place}"]))
        self.rows += len(frame)
        return len(frame)

    def often(self, name: str) -> dict[str, int]:
        """Return how many rows have each text of a column."""
        texts = self.texts[name]
        parts = [np.bincount(part[part >= 0], minlength=len(texts)) for part in self._index[name]]
        return dict(zip(texts, np.sum(parts, axis=0).tolist(), strict=True)) if texts else {}

    def index(self, name: str) -> Index:
        """Return the index of each row's text in ``texts[name]``; -1 where the cell is empty."""
        parts = self._index.pop(name)
        return np.concatenate(parts) if parts else np.empty(0, np.int32)

    def fill(self, name: str, text: str) -> None:
        """Make a column that says the same in every row."""
        self.texts[name] = {text: 0}
        self._index[name] = [np.zeros(self.rows, np.int32)]

    def join(self, name: str, behind: str) -> None:
        """Put the text of another column behind that of one, a blank between them; that one column is left."""
        heads, tails = ["", *self.texts[name]], ["", *self.texts.pop(behind)]
        pairs = (self.index(name).astype(np.int64) + 1) * len(tails) + self.index(behind) + 1
        different, index = np.unique(pairs, return_inverse=True)
        known: dict[str, int] = {}
        ids = np.empty(len(different), np.int32)
        for place, (head, tail) in enumerate(zip(*np.divmod(different, len(tails)), strict=True)):
            text = f"{heads[head].strip()} {tails[tail].strip()}".strip()
            ids[place] = known.setdefault(text, len(known)) if text else -1
        self.texts[name], self._index[name] = known, [ids[index]]

    def _encoded(self, name: str, cells: pl.Series) -> Index:
        if cells.null_count() == len(cells):
            return np.full(len(cells), -1, np.int32)
        coded = cells.cast(pl.Categorical)
        different = coded.unique().drop_nulls()
        physical = different.to_physical().to_numpy()
        known = self.texts[name]
        ids = [known.setdefault(text, len(known)) for text in different.cast(pl.String).to_list()]
        beyond = int(physical.max()) + 1
        table = np.full(beyond + 1, -1, np.int32)
        table[physical] = ids
        return table[coded.to_physical().fill_null(beyond).to_numpy()]
