"""Leaks, losses and what was observed of performance as columns of their tables."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from service.store.columns import Column
from worker.judge import Judged
from worker.method.leakage import REGIMES

Ints = NDArray[np.int64]
LOSS_MODELS = ("rule", "flow")


def loss_columns(judged: Judged, at: Ints) -> list[Column]:
    """Columns of `assessments` on performance, of the wanted rows `at`."""
    loss, by_flow = judged.loss, judged.group.layout.by_flow
    nothing = np.full(len(at), np.nan)
    governed = np.full(len(at), LOSS_MODELS.index("flow" if by_flow else "rule"))
    return [
        Column("loss", "f8", loss.loss[at]),
        Column("loss_standard_uncertainty", "f8", loss.u[at]),
        Column("loss_model", "text", governed, np.isnan(loss.loss[at]), LOSS_MODELS),
        Column("loss_by_rule", "f8", nothing if loss.rule is None else loss.rule.loss[at]),
        Column("loss_by_flow", "f8", nothing if loss.flow is None else loss.flow.loss[at]),
        Column("hammer_pressure_bar", "f8", nothing if loss.flow is None else loss.flow.pressure_bar[at]),
        Column("consumption_m3_min", "f8", loss.consumption[at]),
        *_observed_columns(judged, at),
    ]


def _observed_columns(judged: Judged, at: Ints) -> list[Column]:
    ratio = judged.observed.ratio
    unknown = ~np.isfinite(ratio.retained[at])
    return [
        Column("observed_retained", "f8", ratio.retained[at]),
        Column("observed_u", "f8", ratio.u[at]),
        Column("observed_entries", "i4", ratio.entries[at], unknown),
        Column("observed_baseline_entries", "i4", ratio.baseline_entries[at], unknown),
        Column("observed_pressure_bar", "f8", ratio.pressure_bar[at]),
        Column("observed_baseline_pressure_bar", "f8", ratio.baseline_pressure_bar[at]),
    ]


def loss_documents(judged: Judged, at: int) -> list[dict[str, Any]]:
    """Part of the loss of each fit that it is made of, over its positions."""
    layout, loss = judged.group.layout, judged.loss
    if not np.isfinite(loss.loss[at]):
        return []
    total: dict[str, float] = {}
    for row in layout.loss_fits.tolist():
        code = layout.type.fits[int(layout.fits.fit[row])].code
        total[code] = total.get(code, 0.0) + float(loss.by_fit[at, row])
    return [{"fit": code, "loss": share} for code, share in total.items()]


def leak_columns(judged: Judged, row: Ints, fit: Ints) -> list[Column]:
    """Columns of `clearances` on leaks, each of a wanted row and a row of the layout's fits."""
    leaks, layout = judged.loss.leaks, judged.group.layout
    if leaks is None:
        return []
    place = np.full(len(layout.fits.fit), -1)
    place[layout.leak_fits] = np.arange(len(layout.leak_fits))
    path = place[fit]
    # of a fit that stands several times the flow model has its part of the whole
    times = np.bincount(layout.fits.fit)[layout.fits.fit[fit]]
    unknown = (path < 0) | ~judged.loss.measured[row, fit] | np.isnan(leaks.free_air[row, path])
    amounts = {
        "leak_mass_flow_kg_s": leaks.mass_flow,
        "leak_free_air_m3_min": leaks.free_air,
        "leak_share_of_delivery": leaks.share_of_delivery,
        "leak_u_m3_min": leaks.free_air_u,
    }
    return [
        *[Column(name, "f8", values[row, path] * times, unknown) for name, values in amounts.items()],
        Column("leak_regime", "text", leaks.regime[row, path].astype(np.int64), unknown, REGIMES),
        Column("leak_choked", "b1", leaks.choked[row, path], unknown),
    ]
