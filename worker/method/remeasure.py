"""A second, independent measurement combined with the first (method page "sizes" S6.3, S11.7).

The two results are averaged with their influences, so what both share does not average down. Computed on each
inspection by itself first (`sizes.measure`, `clearances.clear`), then combined here.
"""

from dataclasses import replace

import numpy as np
from scipy.sparse import csr_array

from worker.method.budget import Bools, Floats, Forms, Ints, Spread, evaluate, select
from worker.method.clearances import Clearances
from worker.method.sizes import Sizes

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
    inconsistent = np.zeros(len(sizes.readings), np.bool_)
    if not len(now):
        return sizes, inconsistent
    inconsistent[now] = np.where(
        on_mean[now],
        _disagree(sizes.mean, sizes.mean_forms, now, before),
        _disagree(sizes.worst, sizes.worst_forms, now, before),
    )
    average = _average(len(sizes.readings), now, before)
    worst_forms, mean_forms = sizes.worst_forms.combine(average), sizes.mean_forms.combine(average)
    combined = replace(
        sizes,
        mean=_mean_of_two(sizes.mean, now, before),
        min=_mean_of_two(sizes.min, now, before),
        max=_mean_of_two(sizes.max, now, before),
        worst=_mean_of_two(sizes.worst, now, before),
        out_of_round=_mean_of_two(sizes.out_of_round, now, before),
        taper=_mean_of_two(sizes.taper, now, before),
        of_worst=_spread_of_two(sizes.of_worst, worst_forms, now),
        of_mean=_spread_of_two(sizes.of_mean, mean_forms, now),
        worst_forms=worst_forms,
        mean_forms=mean_forms,
    )
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
    inconsistent = np.zeros(len(clearances.worst), np.bool_)
    if not len(now):
        return clearances, inconsistent
    inconsistent[now] = _disagree(clearances.worst, clearances.worst_forms, now, before)
    average = _average(len(clearances.worst), now, before)
    worst_forms = clearances.worst_forms.combine(average)
    mean_forms = clearances.mean_forms.combine(average)
    combined = replace(
        clearances,
        worst=_mean_of_two(clearances.worst, now, before),
        smallest=_mean_of_two(clearances.smallest, now, before),
        mean=_mean_of_two(clearances.mean, now, before),
        for_leakage=_mean_of_two(clearances.for_leakage, now, before),
        of_worst=_spread_of_two(clearances.of_worst, worst_forms, now),
        of_mean=_spread_of_two(clearances.of_mean, mean_forms, now),
        worst_forms=worst_forms,
        mean_forms=mean_forms,
    )
    return combined, inconsistent


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
