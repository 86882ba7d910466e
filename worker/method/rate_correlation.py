"""Whether rates of one tool's features, or of one casing before and after reversal, go together (sections 0.6, 3)."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from worker.method.wear_state import REVERSAL_CORRELATION

# Fewer tools, or reversals, than this say too little.
LEAST_TOOLS = 20
LEAST_REVERSALS = 20
STRONGEST = 0.9


def slope_correlation(tool: ArrayLike, feature: ArrayLike, off: ArrayLike, weight: ArrayLike) -> float:
    """Common correlation of the rates of different features of one tool.

    Parameters
    ----------
    tool, feature : array_like of int, shape (n,)
        Of each instance.
    off : array_like, shape (n,)
        Estimated rate less the fleet's mean, over the fleet's spread tau, [-].
    weight : array_like, shape (n,)
        Share of the estimate that rests on the instance's own readings, by which it is shrunk.

    Returns
    -------
    float
        0 with fewer than 20 tools, or where the estimate is within two standard errors of 0; at most 0.9.

    Notes
    -----
    Products of estimates of different features of a tool, over the products of their weights; the standard
    error is that of the tools' sums.
    """
    x, w = np.asarray(off, dtype=np.float64), np.asarray(weight, dtype=np.float64)
    _, row = np.unique(np.asarray(tool), return_inverse=True)
    kind = np.unique(np.asarray(feature), return_inverse=True)[1]
    tools = int(row.max()) + 1 if row.size else 0
    if tools < LEAST_TOOLS:
        return 0.0
    sums = np.zeros((2, tools, int(kind.max()) + 1))
    np.add.at(sums[0], (row, kind), x)
    np.add.at(sums[1], (row, kind), w)
    # products across features: the square of the total less the squares within features
    product, scale = sums.sum(axis=2) ** 2 - np.square(sums).sum(axis=2)
    if scale.sum() <= 0.0:
        return 0.0
    rho = float(product.sum() / scale.sum())
    error = float(np.sqrt(np.square(product - rho * scale).sum()) / scale.sum())
    return min(rho, STRONGEST) if rho > 2.0 * error else 0.0


def reversal_correlation(before: ArrayLike, after: ArrayLike, weight: ArrayLike) -> float:
    """Correlation of a side's rate before and after its casing is reversed.

    Parameters
    ----------
    before, after : array_like, shape (n,)
        Estimated rate less its end's fleet mean, over the spread; ``after`` filtered from the fleet's prior, so
        that it owes nothing to ``before``.
    weight : array_like, shape (n,)
        Product of the two estimates' own weights.

    Returns
    -------
    float
        The default with fewer than 20 reversals; between 0 and 0.9.
    """
    x, y, w = (np.asarray(column, dtype=np.float64) for column in (before, after, weight))
    if x.size < LEAST_REVERSALS or w.sum() <= 0.0:
        return REVERSAL_CORRELATION
    return float(np.clip((x * y).sum() / w.sum(), 0.0, STRONGEST))
