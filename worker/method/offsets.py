"""Offsets: how far one size stands out over another (contract, `offsets`; method page "sizes" S6.1, S12)."""

from dataclasses import dataclass

import numpy as np

from worker.method.budget import Floats, Forms, Ints, Spread, evaluate, select
from worker.method.sizes import Sizes


@dataclass(frozen=True, slots=True)
class Offsets:
    """Offsets, shape (o,) each.

    Attributes
    ----------
    value : ndarray
        Mean of the larger size less mean of the smaller, [mm].
    of_value : Spread
        Its uncertainty.
    forms : Forms
        Linear forms, o rows.
    """

    value: Floats
    of_value: Spread
    forms: Forms


def offset(sizes: Sizes, larger: Ints, smaller: Ints) -> Offsets:
    """Compute offsets from mean sizes, shared influences cancelling. [S4.3]

    Parameters
    ----------
    sizes : Sizes
        Sizes of the batch.
    larger, smaller : ndarray of int, shape (o,)
        Rows of `Measurands`, measured in the same inspection.

    Returns
    -------
    Offsets
        o offsets; NaN where a side has no reading.
    """
    o = len(larger)
    rows, at = np.tile(np.arange(o), 2), np.concatenate([larger, smaller])
    forms = sizes.mean_forms.combine(select(rows, at, np.repeat([1.0, -1.0], o), (o, len(sizes.mean))))
    return Offsets(sizes.mean[larger] - sizes.mean[smaller], evaluate(forms), forms)
