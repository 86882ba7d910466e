"""Combinations of columns: which there are, numbered in the order of their text."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

Ints = NDArray[np.int64]
DENSE = 1 << 22
"""Possible combinations up to which a table of them is faster than sorting the rows."""


def combine(columns: Sequence[Ints], sizes: Sequence[int]) -> tuple[Ints, list[Ints]]:
    """Number the combinations that occur.

    Parameters
    ----------
    columns : sequence of ndarray, shape (rows,)
        Values from 0 to below each of `sizes`.
    sizes : sequence of int

    Returns
    -------
    ndarray, shape (rows,)
        The combination of each row.
    list of ndarray, shape (combinations,)
        Its value in each column.
    """
    possible = 1
    for size in sizes:
        possible *= size
    if possible >= 2**62:  # one after the other: what occurs is never more than the rows
        half = len(sizes) // 2
        left, of_left = combine(columns[:half], sizes[:half])
        right, of_right = combine(columns[half:], sizes[half:])
        both, (of_both_left, of_both_right) = combine([left, right], [len(of_left[0]) + 1, len(of_right[0]) + 1])
        return both, [c[of_both_left] for c in of_left] + [c[of_both_right] for c in of_right]
    key = np.zeros(len(columns[0]), np.int64)
    for column, size in zip(columns, sizes, strict=True):
        key *= size
        key += column
    if possible <= DENSE:
        flag = np.zeros(possible, np.bool_)
        flag[key] = True
        present = np.flatnonzero(flag)
        number = np.cumsum(flag)
        return number[key] - 1, _apart(present, sizes)
    present, inverse = np.unique(key, return_inverse=True)
    return inverse.astype(np.int64), _apart(present, sizes)


def _apart(key: Ints, sizes: Sequence[int]) -> list[Ints]:
    values = []
    for size in reversed(sizes):
        key, value = np.divmod(key, size)
        values.append(value)
    return values[::-1]


def by_text(index: Ints, texts: Sequence[str]) -> tuple[Ints, list[str]]:
    """Number texts anew, in the order of their code points; equal ones become one."""
    different = sorted(set(texts))
    place = {text: place for place, text in enumerate(different)}
    return np.array([place[text] for text in texts], np.int64)[index], different


def order_of(columns: Sequence[Ints], sizes: Sequence[int]) -> Ints:
    """Return the order of rows by their first column, then the second, and so on."""
    possible = 1
    for size in sizes:
        possible *= size
    if possible >= 2**62:
        return np.lexsort(columns[::-1])
    key = np.zeros(len(columns[0]), np.int64)
    for column, size in zip(columns, sizes, strict=True):
        key *= size
        key += column
    return np.argsort(key)
