"""What services regained: rates before against rates after, and how much wider the fits were (leakage method, 3.1).

Rates are not taken at the moment of the service, so each entry carries the clearances that it was drilled with. What is
compared of the rates, ground by ground, is then compared of the clearances, with the same weights.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from worker.method.air import Floats
from worker.method.observed_rate import compare_rates

SAME_PRESSURE = 0.25
"""By how much the mean pressures may differ, relative: a worn hammer falls by a sixth, another compressor by more.
Judgement."""


@dataclass(frozen=True, slots=True)
class ServiceLosses:
    """Records to calibrate by, of r services; NaN where no ground has rates on both sides.

    Attributes
    ----------
    loss, loss_u : ndarray, shape (r,)
        1 - rate before / rate after, and its standard uncertainty from the scatter of the rates.
    growth : ndarray, shape (r, F)
        Clearance before less clearance after, [mm].
    before, after : ndarray of int, shape (r,)
        Rates compared.
    same_pressure : ndarray of bool, shape (r,)
        False where the mean pressures, as far as they were observed, are not those of one compressor.
    """

    loss: Floats
    loss_u: Floats
    growth: Floats
    before: NDArray[np.int64]
    after: NDArray[np.int64]
    same_pressure: NDArray[np.bool_]


def service_losses(
    row: ArrayLike,
    ground: ArrayLike,
    after: ArrayLike,
    rate: ArrayLike,
    pressure: ArrayLike,
    clearance: ArrayLike,
    rows: int,
) -> ServiceLosses:
    """Compare rates and clearances before services with those after. [ratio of geometric means by ground]

    Parameters
    ----------
    row : array_like of int, shape (n,)
        Service that each entry belongs to, 0 to `rows` - 1.
    ground : array_like of int, shape (n,)
        Number of its ground class, from 0.
    after : array_like of bool, shape (n,)
        Drilled after the service; else before it.
    rate, pressure : array_like, shape (n,)
        Penetration rate, above 0, any one unit; [bar], NaN where it was not observed.
    clearance : array_like, shape (n, F)
        What each fit had then, from any one start of each service, [mm].
    rows : int
        Number of services.

    Returns
    -------
    ServiceLosses

    Notes
    -----
    All services tell one scatter of the rates.

    Examples
    --------
    >>> found = service_losses([0, 0], [0, 0], [False, True], [27.0, 30.0], [20.0, 20.0], [[0.09], [0.01]], 1)
    >>> float(found.loss[0].round(3)), found.growth.round(3).tolist()
    (0.1, [[0.08]])
    """
    owner = np.asarray(row, np.int64)
    ratio = compare_rates(owner, ground, after, rate, pressure, rows, pooled=True)
    gaps = np.asarray(clearance, np.float64)
    growth = np.zeros((rows, gaps.shape[1]))
    np.add.at(growth, owner, ratio.contrast[:, None] * gaps)
    apart = np.abs(np.log(ratio.pressure_bar) - np.log(ratio.baseline_pressure_bar))
    known = np.isfinite(ratio.retained)
    return ServiceLosses(
        1.0 - ratio.retained,
        ratio.u,
        np.where(known[:, None], growth, np.nan),
        ratio.entries,
        ratio.baseline_entries,
        ~(apart > np.log1p(SAME_PRESSURE)),
    )
