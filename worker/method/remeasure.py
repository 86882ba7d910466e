"""A second, independent measurement combined with the first (method page "sizes" S6.3, S11.7).

The two results are averaged with their influences, so what both share does not average down. Computed on each
inspection by itself first (`sizes.measure`, `clearances.clear`), then combined here.
"""

from collections.abc import Sequence
from dataclasses import replace
from typing import Any, TypeVar

import numpy as np
from scipy.sparse import csr_array

from worker.method.budget import Bools, Floats, Forms, Ints, Spread, evaluate, select
from worker.method.clearances import Clearances
from worker.method.sizes import Sizes

Measured = TypeVar("Measured", Sizes, Clearances)

INCONSISTENT = 2.0
"""Two results further apart than this many standard uncertainties of their difference do not agree (S6.3)."""


def combine_sizes(sizes: Sizes, now: Ints, before: Ints, on_mean: Bools) -> tuple[Sizes, Bools]:
    """Replace sizes by their mean with an earlier measurement of the same. [S6.3 "Combining"]

    Parameters
    ----------
    sizes : Sizes
        m sizes, each from its own inspection.
    now, before : ndarray of int, shape (q,)
        Rows of the second and of the first measurement; both have readings. `now` without repeats.
    on_mean : ndarray of bool, shape (m,)
        Sizes that are judged by their mean; the others by `worst`.

    Returns
    -------
    combined : Sizes
        Rows `now` are means of two: values, forms and uncertainties; `readings`, `worst_station`,
        `locations` and flags stay those of the second. The other rows are as before.
    inconsistent : ndarray of bool, shape (m,)
        The two differ, in what is judged, by more than 2 u of their difference.
    """
    combined, inconsistent = _combine(sizes, ("mean", "min", "max", "worst", "out_of_round", "taper"), now, before)
    by_mean = now[on_mean[now]]
    inconsistent[by_mean] = _disagree(sizes.mean, sizes.mean_forms, by_mean, before[on_mean[now]])
    return combined, inconsistent


def combine_clearances(clearances: Clearances, now: Ints, before: Ints) -> tuple[Clearances, Bools]:
    """Replace clearances by their mean with an earlier measurement of the same; as `combine_sizes`. [S6.3]

    Parameters
    ----------
    clearances : Clearances
        f clearances, each from its own inspection.
    now, before : ndarray of int, shape (q,)
        Rows of the second and of the first measurement of the same fit and position.

    Returns
    -------
    combined : Clearances
        Rows `now` are means of two; `worst_bore_at` and `worst_shaft_at` stay those of the second.
    inconsistent : ndarray of bool, shape (f,)
        The two `worst` differ by more than 2 u of their difference.
    """
    return _combine(clearances, ("worst", "smallest", "mean", "for_leakage"), now, before)


def _combine(measured: Measured, values: Sequence[str], now: Ints, before: Ints) -> tuple[Measured, Bools]:
    """Replace rows `now` of some values, and of the budgets of `worst` and `mean`, by means of two.

    Also say where the two `worst` disagree.
    """
    inconsistent = np.zeros(len(measured.worst), np.bool_)
    if not len(now):
        return measured, inconsistent
    inconsistent[now] = _disagree(measured.worst, measured.worst_forms, now, before)
    average = _average(len(measured.worst), now, before)
    worst_forms, mean_forms = measured.worst_forms.combine(average), measured.mean_forms.combine(average)
    changed: dict[str, Any] = {name: _mean_of_two(getattr(measured, name), now, before) for name in values}
    changed |= {"worst_forms": worst_forms, "of_worst": _spread_of_two(measured.of_worst, worst_forms, now)}
    changed |= {"mean_forms": mean_forms, "of_mean": _spread_of_two(measured.of_mean, mean_forms, now)}
    return replace(measured, **changed), inconsistent


def _average(n: int, now: Ints, before: Ints) -> csr_array:
    """Identity, but rows `now` take half of themselves and half of `before`; shape (n, n)."""
    own = np.ones(n)
    own[now] = 0.5
    every = np.arange(n)
    rows, columns = np.concatenate([every, now]), np.concatenate([every, before])
    return select(rows, columns, np.concatenate([own, np.full(len(now), 0.5)]), (n, n))


def _mean_of_two(values: Floats, now: Ints, before: Ints) -> Floats:
    """Mean of both; where only the first has a value (a taper, say), the second keeps having none."""
    first, second = values[before], values[now]
    mixed = values.copy()
    mixed[now] = np.where(np.isnan(first), second, 0.5 * (first + second))
    return mixed


def _spread_of_two(spread: Spread, forms: Forms, now: Ints) -> Spread:
    """Uncertainties of rows `now` from their averaged forms, the others as they were."""
    fresh = evaluate(Forms(forms.terms[now], forms.nu))
    columns = []
    for name in ("u", "nu", "k", "U", "low_dof"):
        column = getattr(spread, name).copy()
        column[now] = getattr(fresh, name)
        columns.append(column)
    return Spread(*columns)


def _disagree(value: Floats, forms: Forms, now: Ints, before: Ints) -> Bools:
    q = len(now)
    rows, at = np.tile(np.arange(q), 2), np.concatenate([now, before])
    difference = forms.combine(select(rows, at, np.repeat([1.0, -1.0], q), (q, len(value))))
    gap = np.abs(value[now] - value[before])
    return np.asarray(gap > INCONSISTENT * evaluate(difference).u)
