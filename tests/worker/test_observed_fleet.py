"""Performance as observed beside the computed one, on a simulated fleet whose loss is known."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from tests.worker.conftest import Workshop
from tests.worker.test_fleet_calibration import TYPE, Simulated

pytestmark = pytest.mark.db
BY_CATALOGUE = TYPE["loss_per_mm"] * np.array([fit["loss_share"] for fit in TYPE["fits"]])


def run(shop: Workshop, **how: Any) -> list[tuple[float, float, float, bool]]:
    """Observed, its u, computed, and whether a remark was made, of every inspection that has both."""
    shop.call("PUT", "/sites/far", {"name": "Far", "time_zone": "UTC"})
    shop.call("PUT", "/tool-types/we-120", TYPE)
    fleet = Simulated(shop, np.random.default_rng(92), **how)
    fleet.run(tools=6, campaigns=2)
    found = []
    for inspection in fleet.growth:
        document = shop.assessment(inspection)
        seen, computed = document["performance"]["observed"], document["performance"]["retained"]
        if seen is not None:
            said = any(remark["code"] == "performance-disagrees" for remark in document["remarks"])
            found.append((seen["retained"], seen["standard_uncertainty"], computed, said))
    assert len(found) >= 10
    return found


def test_a_fleet_that_drills_as_it_measures_is_not_remarked(shop: Workshop) -> None:
    """Rates that fall as the clearances say: observed and computed go together, and nothing is said."""
    found = run(shop, truth=BY_CATALOGUE)
    seen, u, computed, said = (np.array(column) for column in zip(*found, strict=True))
    # the last third of a run is 5/6 worn, and what counts as new is a fifth of it
    then = (1.0 - (1.0 - computed) * 5 / 6) / (1.0 - (1.0 - computed) / 5)
    assert abs(np.mean(seen - then)) < 0.02 and np.ptp(computed) > 0.03
    assert np.mean(u) < 0.06 and np.mean(said) <= 0.1


def test_a_fleet_that_loses_more_than_it_measures_is_remarked(shop: Workshop) -> None:
    """Three times the loss that the clearances say: most inspections say that the two do not go together."""
    found = run(shop, truth=3.0 * BY_CATALOGUE)
    assert np.mean([seen < computed for seen, _, computed, _ in found]) > 0.9
    assert np.mean([said for *_, said in found]) > 0.4
