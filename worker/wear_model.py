"""One version of a tool type's learned wear, as it is stored and as the pipeline reads it (forecast method, 6)."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from worker.method.fleet_wear import RunningIn
from worker.method.recalibration import Recalibration
from worker.method.wear_state import REVERSAL_CORRELATION

CATALOGUE = 0
"""Version that stands for the catalogue: nothing was learned yet."""


@dataclass(frozen=True, slots=True)
class LearnedWear:
    """Wear of one feature: rate in reference ground [mm per 1000 of the basis], wandering, running-in."""

    mean: float
    rate_variance: float
    process_sd: float
    running_in: RunningIn | None


@dataclass(frozen=True, slots=True)
class WearModel:
    """Learned wear of a tool type.

    Attributes
    ----------
    version : int
    ground_factors : mapping
        Of each ground class.
    features : mapping
        By code; of one that is not there the catalogue holds.
    own, sums : Recalibration or None
        Of limits on one feature, and of those on several; None where too little is known.
    reversal_correlation : float
        Of the rate of one end of a part before and after the part is turned end for end.
    slope_correlation : float
        Of the rates of one tool's features.
    """

    version: int
    ground_factors: Mapping[str, float]
    features: Mapping[str, LearnedWear]
    own: Recalibration | None
    sums: Recalibration | None
    reversal_correlation: float = REVERSAL_CORRELATION
    slope_correlation: float = 0.0


def read_wear_model(version: int, document: Mapping[str, Any]) -> WearModel:
    """Read a stored version."""
    features = {
        row["feature"]: LearnedWear(
            row["mean"],
            row["tau"] ** 2 + row["mean_sd"] ** 2,
            row["process_sd"],
            None if row["running_in"] is None else RunningIn(row["running_in"]["mean"], row["running_in"]["sd"]),
        )
        for row in document["features"]
        if row["instances"]
    }
    own, sums = (_recalibration(document["recalibration"][name]) for name in ("own", "sums"))
    across = document.get("reversal_correlation", REVERSAL_CORRELATION)
    together = document.get("slope_correlation", 0.0)
    return WearModel(version, document["ground_factors"], features, own, sums, across, together)


def _recalibration(row: Mapping[str, Any]) -> Recalibration | None:
    if not row["applied"]:
        return None
    return Recalibration(np.array(row["nominal"]), np.array(row["level"]), row["forecasts"])
