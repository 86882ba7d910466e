"""Calibration from what a fleet has on record: a simulated fleet of known loss, put in over HTTP and assessed."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from flask.testing import FlaskClient

from tests.worker.conftest import Workshop, day

pytestmark = pytest.mark.db
TYPE: dict[str, Any] = json.loads(
    (Path(__file__).parents[2] / "openapi" / "examples" / "worked-example-tool-type.json").read_text()
)
URL = "/v1/tool-types/we-120"
FITS = [fit["code"] for fit in TYPE["fits"]]
TRUTH = 1.9 * np.array([0.5, 0.2, 0.18, 0.12])  # loss per mm of each fit; the catalogue says 1.54 times .4 .22 .19 .19
FACTORS = {"medium": 1.0, "hard": 1.5}
DRILLED = {"medium": 30.0, "hard": 22.0}  # m/h as new
CAMPAIGN, ENTRY, METRES = 60, 3, 100.0  # days, days, metres of an entry


@dataclass
class Simulated:
    """A fleet that is run: parts wear, hammers slow down, some parts are renewed; seeded."""

    shop: Workshop
    rng: np.random.Generator
    together: bool = False  # every part wears alike, and all are renewed
    scatter: float = 0.03
    truth: Any = field(default_factory=lambda: TRUTH)
    entries: list[dict[str, Any]] = field(default_factory=list)
    growth: dict[str, Any] = field(default_factory=dict)  # regained by each service, by inspection
    sizes: dict[str, float] = field(default_factory=dict)
    wear: dict[str, float] = field(default_factory=dict)

    def fit(self, part: str, like: float) -> None:
        """Put a new part in: sizes within new, and how fast it wears, mm per 1000 m in medium ground."""
        for one in TYPE["features"]:
            if one["part"] == part:
                low, high = one["new"]["min"], one["new"]["max"]
                name = f"{part}.{one['code']}"
                self.sizes[name] = (low + high) / 2 if self.together else self.rng.uniform(low, high)
                mean, sd = 1.3 * one["wear_per_1000"]["mean"], one["wear_per_1000"]["sd"]
                self.wear[name] = 0.018 * like if self.together else max(self.rng.normal(mean, sd), 0.2 * mean)

    def clearances(self) -> Any:
        return np.array([self.sizes[fit["bore"]] - self.sizes[fit["shaft"]] for fit in TYPE["fits"]])

    def grown(self) -> Any:
        middle = [(fit["new"]["min"] + fit["new"]["max"]) / 2 for fit in TYPE["fits"]]
        return np.maximum(self.clearances() - middle, 0.0)

    def drill(self, tool: str, first: float, strength: float, pressure: float) -> None:
        """One campaign, an entry every three days; grounds come in turns of two weeks."""
        for n in range(CAMPAIGN // ENTRY):
            ground = "hard" if n // 5 % 2 else "medium"
            self.step(ground, 0.5)
            rate = DRILLED[ground] * strength * (1.0 - float(self.truth @ self.grown()))
            rate *= float(np.exp(self.rng.normal(0.0, self.scatter)))
            begin = first + ENTRY * n
            entry = {"tool": tool, "from": day(begin), "to": day(begin + ENTRY), "metres": METRES, "ground": ground}
            self.entries.append(entry | {"rate_m_h": rate, "pressure_bar": pressure * self.rng.uniform(0.97, 1.03)})
            self.step(ground, 0.5)

    def step(self, ground: str, share: float) -> None:
        for name, per_1000 in self.wear.items():
            kind = next(one["kind"] for one in TYPE["features"] if f"{one['part']}.{one['code']}" == name)
            worn = per_1000 * METRES * share * FACTORS[ground] / 1000.0
            self.sizes[name] += worn if kind == "bore" else -worn

    def inspect(self, tool: str, n: float, stage: str, renewed: list[str]) -> str:
        readings = [
            {"feature": name, "station": 1, "orientation": at, "value": value + self.rng.normal(0.0, 0.002)}
            for name, value in self.sizes.items()
            for at in (0, 90)
        ]
        body = {
            **{"reference": f"{tool}-{n:.0f}", "tool": tool, "taken_at": day(n), "stage": stage, "unit": "mm"},
            **{"readings": readings, "renewals": [{"part": part} for part in renewed]},
        }
        return str(self.shop.call("POST", "/inspections", body)["id"])

    def run(
        self, tools: int, campaigns: int, first: int = 0, pressure: Callable[[int], float] = lambda n: 20.0
    ) -> None:
        for t in range(first, first + tools):
            tool, strength = f"F-{t}", float(self.rng.uniform(0.8, 1.2))
            put = {"tool_type": "we-120", "site": "yard" if t % 2 else "far", "commissioned_on": "2024-01-01"}
            self.shop.call("PUT", f"/tools/{tool}", put)
            parts = [part["code"] for part in TYPE["parts"]]
            for part in parts:
                self.fit(part, 1.0)
            begin = -600.0
            for n in range(campaigns):
                self.drill(tool, begin, strength, pressure(n))
                done = begin + CAMPAIGN + 0.1
                every = self.together or self.rng.random() < 0.4
                chosen = parts if every else ["piston", *(part for part in parts[1:] if self.rng.random() < 0.6)]
                found = self.inspect(tool, done, "as_found", chosen)
                before, like = self.clearances(), float(self.rng.uniform(0.6, 1.4))
                for part in chosen:
                    self.fit(part, like)
                self.growth[found] = before - self.clearances()
                if n % 2:
                    self.inspect(tool, done + 0.2, "as_left", [])
                begin += CAMPAIGN + 2
            self.drill(tool, begin, strength, pressure(campaigns))
        self.shop.call("POST", "/usage", {"entries": self.entries})
        self.shop.work()


@pytest.fixture
def fleet(shop: Workshop) -> Simulated:
    shop.call("PUT", "/sites/far", {"name": "Far", "time_zone": "UTC"})
    shop.call("PUT", "/tool-types/we-120", TYPE)
    return Simulated(shop, np.random.default_rng(91))


def calibrate(client: FlaskClient, **body: Any) -> Any:
    answered = client.post(f"{URL}/calibrations", json=body)
    assert answered.status_code == 200, answered.get_data(True)
    return answered.json


def test_the_loss_of_a_fleet_is_found_again(fleet: Simulated, make_client: Callable[..., FlaskClient]) -> None:
    """Loss per mm and every fit's part come out within their stated uncertainty; nothing of the catalogue changes."""
    client = fleet.shop.client
    before = client.get(URL)
    fleet.run(tools=9, campaigns=4)
    found = calibrate(client)
    assert found["records"] == len(found["services"]) == len(fleet.growth) == 36 and found["shares_fitted"]
    assert found["left_out"] == {"not_measured": 0, "no_rates": 0, "pressure_differs": 0}
    u = found["standard_uncertainty_per_mm"]
    assert 0.02 < u < 0.25 and abs(found["loss_per_mm"] - TRUTH.sum()) < 2.0 * u
    for row, truth in zip(found["fits"], TRUTH, strict=True):
        assert abs(row["loss_per_mm"] - truth) < 2.5 * row["standard_uncertainty_per_mm"], row
    assert 1.0 < found["condition"] < 20.0 and 0.0 < found["residual_sd"] <= found["leave_one_out"] < 0.1
    # what it was fitted to: fits opened between the rates by a little less than from service to service
    for service in found["services"]:
        real = fleet.growth[service["inspection"]]
        between = np.array([service["growth"][name] for name in FITS])
        assert np.abs(between - real).max() < 0.05 and service["rates_before"] > 5 < service["rates_after"]
    halves = [calibrate(client, site=site)["records"] for site in ("yard", "far")]
    assert halves == [16, 20]
    assert calibrate(make_client("read", site="yard"))["records"] == 16
    assert calibrate(client, **{"from": day(-500), "to": day(-400)})["records"] < 36
    after = client.get(URL)
    assert (after.json, after.headers["ETag"]) == (before.json, before.headers["ETag"])


def test_too_few_services_move_the_level_only(fleet: Simulated) -> None:
    """Three services: the catalogue's shares, a level between the catalogue's and the fleet's, and much doubt."""
    fleet.run(tools=1, campaigns=3)
    found = calibrate(fleet.shop.client)
    assert found["records"] == 3 and not found["shares_fitted"] and found["condition"] is None
    assert [row["loss_share"] for row in found["fits"]] == pytest.approx([0.4, 0.22, 0.19, 0.19])
    assert found["standard_uncertainty_per_mm"] > 0.15
    assert abs(found["loss_per_mm"] - TRUTH.sum()) < 2.5 * found["standard_uncertainty_per_mm"]


def test_fits_that_wear_together_are_not_told_apart(fleet: Simulated) -> None:
    """All parts worn alike and renewed together: the sum is known, the parts of it hardly; the condition says so."""
    fleet.together = True
    fleet.run(tools=7, campaigns=3)
    found = calibrate(fleet.shop.client)
    assert found["records"] == 21 and found["shares_fitted"]
    assert found["condition"] is None or found["condition"] > 25.0
    u = found["standard_uncertainty_per_mm"]
    assert abs(found["loss_per_mm"] - TRUTH.sum()) < 2.0 * u
    assert min(row["standard_uncertainty_per_mm"] for row in found["fits"]) > 1.2 * u


def test_what_cannot_be_compared_is_left_out(fleet: Simulated) -> None:
    """Another compressor, no rates, parts not measured: counted, and the rest used. Without any, the catalogue's."""
    client = fleet.shop.client
    nothing = calibrate(client)
    assert nothing["records"] == 0 and nothing["services"] == [] and nothing["leave_one_out"] is None
    assert nothing["loss_per_mm"] == pytest.approx(1.538462)
    assert nothing["left_out"] == {"not_measured": 0, "no_rates": 0, "pressure_differs": 0}
    fleet.run(tools=1, campaigns=2, pressure=lambda n: 14.0 if n == 0 else 20.0)
    bare = {"reference": "B", "tool": "F-0", "taken_at": day(-1), "checks": [], "unit": "mm"}
    bare["readings"] = [{"feature": "piston.nose", "station": 1, "orientation": 0, "value": 71.9}]
    fleet.shop.call("POST", "/inspections", bare | {"renewals": [{"part": "piston"}]})
    fleet.shop.call("PUT", "/tools/F-9", {"tool_type": "we-120", "site": "yard", "commissioned_on": "2024-01-01"})
    for part in ("piston", "casing", "bearing", "inner-cylinder", "guide"):
        fleet.fit(part, 1.0)
    fleet.inspect("F-9", -3, "as_found", ["guide"])
    fleet.shop.work()
    found = calibrate(client)
    assert found["left_out"] == {"not_measured": 1, "no_rates": 1, "pressure_differs": 1} and found["records"] == 1


def test_a_component_from_stock_counts_as_it_was_last_measured(fleet: Simulated) -> None:
    """A worn casing put in again is no new one; one that ran and was never measured cannot be compared."""
    shop = fleet.shop
    fleet.run(tools=1, campaigns=1)
    shop.call("PUT", "/tools/F-1", {"tool_type": "we-120", "site": "yard", "commissioned_on": "2024-01-01"})
    for serial in ("C-worn", "C-unseen"):
        shop.call("PUT", f"/components/{serial}", {"part": "casing", "tool_type": "we-120", "site": "yard"})
        fitting = {"component": serial, "from": day(-700 if serial == "C-worn" else -690)}
        fitted = shop.call(
            "POST", "/tools/F-1/fittings", fitting | {"until": day(-690 if serial == "C-worn" else -680)}
        )
        assert fitted["component"] == serial
    worn = {"reference": "C", "tool": "F-1", "taken_at": day(-691), "unit": "mm"}
    worn["readings"] = [
        {"feature": "casing.piston-bore", "station": 1, "orientation": at, "value": 98.05} for at in (0, 90)
    ]
    shop.call("POST", "/inspections", worn)
    ran = {"tool": "F-1", "from": day(-700), "to": day(-690), "metres": 4000.0, "ground": "medium"}
    shop.call("POST", "/usage", {"entries": [ran]})
    for n, serial in enumerate(("C-worn", "C-unseen", None)):
        fleet.entries.clear()
        for part in ("piston", "casing", "bearing", "inner-cylinder", "guide"):
            fleet.fit(part, 1.0)
        begin = -400.0 + 150 * n
        fleet.drill("F-0", begin, 1.0, 20.0)
        put = {"part": "casing"} | ({"component": serial} if serial else {})
        body = {"reference": f"S{n}", "tool": "F-0", "taken_at": day(begin + 61), "unit": "mm", "renewals": [put]}
        body["readings"] = [
            {"feature": "casing.piston-bore", "station": 1, "orientation": at, "value": 98.11} for at in (0, 90)
        ]
        shop.call("POST", "/inspections", body)
        fleet.drill("F-0", begin + 62, 1.0, 20.0)
        shop.call("POST", "/usage", {"entries": fleet.entries})
    shop.work()
    found = calibrate(shop.client)
    assert found["left_out"]["not_measured"] == 1 and found["records"] == 3
    new, worn, _ = (service["growth"] for service in found["services"])
    assert new["piston-in-casing"] - worn["piston-in-casing"] == pytest.approx(98.05 - 97.99, abs=0.03)
    assert max(abs(service[name]) for service in (new, worn) for name in FITS[1:]) < 0.05


def test_a_part_turned_end_for_end_is_measured_as_left_or_not_known(fleet: Simulated) -> None:
    """After a reversal another end makes the fit: without a reading of it the service is left out."""
    shop = fleet.shop
    bore = next(one for one in TYPE["features"] if one["code"] == "piston-bore")
    sides = [{"side": name, "features": [code]} for name, code in (("a", "piston-bore"), ("b", "other-bore"))]
    parts = [part | ({"sides": sides} if part["code"] == "casing" else {}) for part in TYPE["parts"]]
    features = [*TYPE["features"], {**bore, "code": "other-bore"}]
    shop.call("PUT", "/tool-types/we-120", TYPE | {"parts": parts, "features": features})
    fleet.run(tools=2, campaigns=1)
    both = calibrate(shop.client)["services"]
    for service in both:
        record = shop.call("GET", f"/inspections/{service['inspection']}")
        renewed = [{"part": "piston"}]
        body = {name: record[name] for name in ("reference", "tool", "stage", "taken_at", "unit")}
        body["readings"] = [
            {name: reading[name] for name in ("feature", "station", "orientation", "value")}
            for reading in record["readings"]
        ]
        shop.call(
            "PUT",
            f"/inspections/{service['inspection']}",
            body | {"renewals": renewed, "reversals": [{"part": "casing"}]},
        )
    left = {
        "reference": body["reference"],
        "tool": body["tool"],
        "stage": "as_left",
        "unit": "mm",
        "taken_at": day(-539),
    }
    left["readings"] = [
        {"feature": "casing.piston-bore", "station": 1, "orientation": at, "value": 97.992} for at in (0, 90)
    ]
    shop.call("POST", "/inspections", left)
    shop.work()
    found = calibrate(shop.client)
    assert (found["records"], found["left_out"]["not_measured"]) == (1, 1)
    assert found["services"][0]["tool"] == body["tool"] and found["services"][0]["growth"]["piston-in-casing"] > 0.02
