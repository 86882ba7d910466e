"""The worked example's hammer where the flow of air governs the loss, against the definition without tables."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from flask.testing import FlaskClient

from service.config import Config
from tests.e2e.test_worked_example import EXAMPLE, EXPECTED, TOLERANCE, post_example, put
from tests.method.test_flow_loss import exact_loss, tool_type
from worker.assess import assess_batch

pytestmark = pytest.mark.db
KIND = tool_type()
FITS = [fit.code for fit in KIND.fits]


@pytest.fixture
def flowing(client: FlaskClient, store: Config) -> dict[str, Any]:
    """The example's assessment, its loss by flow."""
    where = post_example(client)
    put(client, "/tool-types/we-120", EXAMPLE["catalogue"] | {"loss_model": "flow"})
    while assess_batch():
        pass
    found: dict[str, Any] = client.get(where + "/assessment").json
    return found


def loss(clearance: np.ndarray, diameter: np.ndarray) -> float:
    """By its definition: the pressures solved for, the leaks by the full solution."""
    assert KIND.air is not None
    return exact_loss(KIND.air, KIND.fits, diameter, clearance, KIND.air.consumption_m3_min)


def test_loss_its_parts_and_its_uncertainty(flowing: dict[str, Any], client: FlaskClient) -> None:
    """Loss, its split by what renewing each fit regains, and the three-point rule fit by fit, all by definition."""
    sizes = {size["feature"]: size["mean"] for size in flowing["sizes"]}
    rows = {row["fit"]: row for row in flowing["clearances"]}
    diameter = np.array([(sizes[fit.bore] + sizes[fit.shaft]) / 2.0 for fit in KIND.fits])
    c = np.array([rows[code]["clearance_for_leakage"] for code in FITS])
    history = [client.get(f"/v1/tools/WE-TOOL/history?fit={code}").json["items"][-1] for code in FITS]
    u = np.array([row["mean_standard_uncertainty"] for row in history])
    performance = flowing["performance"]
    now = loss(c, diameter)
    assert performance["loss_model"] == "flow" and performance["loss"] == performance["loss_by_flow"]
    assert performance["loss"] == pytest.approx(now, abs=1e-6)
    assert performance["loss"] == pytest.approx(
        EXPECTED["performance"]["loss_by_flow"], abs=TOLERANCE["loss_by_flow_abs"]
    )
    assert performance["loss_by_rule"] == pytest.approx(EXPECTED["performance"]["loss_by_rule"], abs=1e-9)
    regained, variance = np.zeros(4), 0.0
    for n, fit in enumerate(KIND.fits):

        def at(clearance: float, n: int = n) -> float:
            return loss(np.where(np.arange(4) == n, clearance, c), diameter)

        regained[n] = now - at(fit.new.middle)
        points = [now, at(max(c[n] - np.sqrt(3.0) * u[n], 0.0)), at(c[n] + np.sqrt(3.0) * u[n])]
        weights = (2 / 3, 1 / 6, 1 / 6)
        variance += np.average(np.square(points - np.average(points, weights=weights)), weights=weights)
    by_fit = {row["fit"]: row["loss"] for row in performance["by_fit"]}
    assert [by_fit[code] for code in FITS] == pytest.approx(now * regained / regained.sum(), abs=2e-6)
    assert performance["standard_uncertainty"] == pytest.approx(np.sqrt(variance), rel=1e-3)


def test_what_is_said_with_it(flowing: dict[str, Any], client: FlaskClient) -> None:
    """What governs, what it rests on, where flow is transitional or choked; and that it is an estimate."""
    codes = {(remark["code"], remark["about"]) for remark in flowing["remarks"]}
    for row in flowing["clearances"]:
        assert (("leak-transitional", f"fit:{row['fit']}") in codes) == (row["leak"]["regime"] == "transitional")
        assert (("leak-choked", f"fit:{row['fit']}") in codes) == row["leak"]["choked"]
    assert any(row["leak"]["choked"] for row in flowing["clearances"])
    assert not {"loss-capped", "loss-extrapolated", "loss-by-rule-only", "compressor-too-small"} & {c for c, _ in codes}
    assert flowing["performance"]["consumption_m3_min"] == 14.0 and flowing["tool_type"]["revision"] == 2
    said = " ".join(flowing["cautions"])
    for words in ("estimates from clearances, not a test", "bit", "rock", "back pressure", "30 %", "margin", "guesses"):
        assert words in said
    limits = {row["limit"]: row for row in flowing["remaining"]["limits"]}
    assert set(limits) == {row["limit"] for row in EXPECTED["remaining"]["limits"]}
    assert 0.0 < limits["performance"]["p10"] < limits["performance"]["p50"] < limits["performance"]["p90"]
    status = client.get("/v1/tools/WE-TOOL/status").json
    assert status["performance"]["retained"] == flowing["performance"]["retained"]
