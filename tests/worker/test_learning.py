"""Wear learned from a fleet, and what it does to assessments."""

from __future__ import annotations

import copy
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import pytest

from service.store import wear_models
from service.store.assessment_inputs import InspectionRow, RevisionRow
from service.store.pool import transaction
from service.store.wear_models import VersionRow
from tests.worker.conftest import KIND, Workshop
from worker.as_of import bases
from worker.learn import learn_due, learn_type, mark_outdated, says_more

NEW = {"piston.od": 97.91, "casing.bore": 97.99}
MOMENT = datetime(2026, 1, 1, tzinfo=UTC)


def put_fleet(shop: Workshop, tools: int = 6, visits: int = 4, rate: float = 0.02, seed: int = 1) -> list[list[str]]:
    """Tools whose parts wear by some rate per 1000 m of ground that counts 1; inspections of each, oldest first."""
    rng = np.random.default_rng(seed)
    found = []
    for n in range(tools):
        serial = f"F-{n}"
        shop.put_tool(serial, commissioned_on="2026-01-01")
        own = rate * (1 + 0.2 * rng.normal())
        ids = []
        for k in range(visits + 1):
            wear = own * 2.0 * k + 0.002 * rng.normal()
            sizes = {"piston.od": NEW["piston.od"] - wear, "casing.bore": NEW["casing.bore"] + 0.5 * wear}
            ids.append(shop.inspect(10 * k, sizes, metres=1000.0 if k else None, tool=serial))
        found.append(ids)
    shop.work()
    return found


def type_id(shop: Workshop) -> int:
    return int(shop.rows("SELECT tool_type_id FROM tool_types")[0][0])


def document(**changes: Any) -> dict[str, Any]:
    """A version that says of every feature of the test type what the catalogue says."""
    nothing = {"nominal": [0.0, 1.0], "level": [0.0, 1.0], "forecasts": 0, "applied": False}
    rates = {"piston.od": (0.012, 0.005, 0.004), "casing.bore": (0.007, 0.003, 0.004), "ring.wall": (0.05, 0.02, 0.01)}
    features = [
        {
            "feature": code, "mean": mean, "mean_sd": 0.0, "tau": sd, "process_sd": wander, "running_in": None,
            "running_in_gain": 0.0, "tools": 5, "instances": 5, "readings": 20, "outliers": 0,
        }
        for code, (mean, sd, wander) in rates.items()
    ]  # fmt: skip
    rests_on = {"tools": 5, "instances": 15, "readings": 60, "from": None, "until": None}
    return copy.deepcopy(
        {
            "life_basis": "metres", "ground_factors": {"soft": 0.5, "hard": 2.0}, "features": features,
            "recalibration": {"own": nothing, "sums": nothing}, "rests_on": rests_on,
        }
    ) | changes  # fmt: skip


def teach(shop: Workshop, taught: dict[str, Any], version: int = 1) -> None:
    """Store a version as a learner would, and let the worker take it up."""
    with transaction() as conn:
        wear_models.add_wear_model(conn, type_id(shop), version, 1, taught)
    mark_outdated()
    shop.work()


def test_nothing_to_learn_from(shop: Workshop):
    """Without readings there is no version, and the route says so."""
    assert learn_due() == 0
    assert shop.client.get("/v1/tool-types/kind/wear-model").status_code == 404
    assert shop.client.get("/v1/tool-types/kind/forecast-record").status_code == 404


def test_ten_new_sizes_are_learned_from(shop: Workshop):
    """With ten sizes a version is stored that lies between the catalogue and the fleet, and says what it rests on."""
    put_fleet(shop)
    assert learn_due() >= 1
    model = shop.call("GET", "/tool-types/kind/wear-model?version=1")
    assert (model["version"], model["tool_type"], model["revision"], model["unit"]) == (1, "kind", 1, "mm")
    assert model["rests_on"]["tools"] == 6 and model["rests_on"]["readings"] == 60
    assert model["rests_on"]["from"] == "2026-01-01T00:00:00Z"
    piston = next(row for row in model["features"] if row["feature"] == "piston.od")
    assert 0.014 < piston["mean"] < 0.022 and piston["instances"] == 6
    ring = next(row for row in model["features"] if row["feature"] == "ring.wall")
    assert ring["mean"] == pytest.approx(0.05) and ring["instances"] == 0  # never measured: the catalogue
    versions = shop.call("GET", "/tool-types/kind/wear-model/versions")["items"]
    assert [row["version"] for row in versions] == list(range(1, len(versions) + 1))
    inches = shop.call("GET", "/tool-types/kind/wear-model?version=1&unit=in")
    assert inches["features"][0]["mean"] == pytest.approx(piston["mean"] / 25.4)


def test_fewer_than_ten_wait_for_the_night(shop: Workshop):
    """Nine new sizes alone are no reason to learn."""
    for n in range(4):
        shop.inspect(10 * n, NEW, metres=1000.0 if n else None)
    shop.work()
    assert learn_due() == 0
    shop.inspect(50, NEW, metres=1000.0)
    shop.work()
    assert learn_due() >= 1


def test_learning_twice_finds_nothing_new(shop: Workshop):
    """The same readings make no other version, whichever way they are looked at."""
    put_fleet(shop)
    learn_due()
    before = shop.rows("SELECT count(*), max(version) FROM wear_models")
    assert learn_type(type_id(shop)) is None and learn_due() == 0
    assert shop.rows("SELECT count(*), max(version) FROM wear_models") == before


def test_one_learner_at_a_time(shop: Workshop):
    """While one learns a type, another leaves it alone."""
    put_fleet(shop, tools=2)
    with transaction() as other:
        assert wear_models.take_turn(other, type_id(shop))
        assert learn_type(type_id(shop)) is None
    assert learn_type(type_id(shop)) == 1


def test_a_version_moves_each_tools_newest_inspection_only(shop: Workshop):
    """The newest inspection gets an assessment that names the version; older ones keep theirs; the status follows."""
    fleet = put_fleet(shop)
    assert shop.assessment(fleet[0][-1])["wear_model"] is None and shop.status("F-0")["wear_model"] is None
    earlier = shop.assessment(fleet[0][-2])
    teach(shop, document(features=[row | {"mean": 2 * row["mean"]} for row in document()["features"]]))
    newest = shop.assessment(fleet[0][-1])
    assert (newest["wear_model"], newest["version"]) == (1, 2) and newest["inputs_as_of"] > earlier["inputs_as_of"]
    assert shop.assessment(fleet[0][-2]) == earlier
    assert shop.assessment(fleet[0][-1], version=1)["wear_model"] is None
    assert shop.status("F-0")["wear_model"] == 1
    assert mark_outdated() == 0


def test_what_comes_later_rests_on_the_version_then(shop: Workshop):
    """An inspection accepted after a version uses it, and keeps it when the next one comes after its successor."""
    put_fleet(shop, tools=1)
    teach(shop, document())
    first = shop.inspect(60, NEW, metres=500.0, tool="F-0")
    shop.work()
    second = shop.inspect(70, NEW, metres=500.0, tool="F-0")
    shop.work()
    teach(shop, document(), version=2)
    assert shop.assessment(first)["wear_model"] == 1
    assert shop.assessment(second)["wear_model"] == 2


def test_a_version_that_says_what_the_catalogue_says_changes_no_figure(shop: Workshop):
    """The same parameters from the catalogue and from a version give the same forecast."""
    fleet = put_fleet(shop, tools=1)
    before = shop.assessment(fleet[0][-1])["remaining"]["limits"]
    teach(shop, document())
    after = shop.assessment(fleet[0][-1])["remaining"]["limits"]
    for one, two in zip(before, after, strict=True):
        assert two["p50"] == pytest.approx(one["p50"]) and two["p10"] == pytest.approx(one["p10"])


def test_the_rate_of_a_part_not_yet_measured_holds_both_doubts(shop: Workshop):
    """Its variance is that between components plus that of the mean (0.005^2 + 0.003^2)."""
    taught = document()
    taught["features"][0] |= {"mean_sd": 0.003}
    teach(shop, taught)
    found = shop.inspect(0, NEW, stage="as_left")
    shop.work()
    row = next(size for size in shop.assessment(found)["sizes"] if size["feature"] == "piston.od")
    assert row["wear_state"]["rate_variance"] == pytest.approx(0.005**2 + 0.003**2)


def test_learned_ground_factors_replace_the_catalogues(shop: Workshop):
    """Usage counts by the factors of the version, and a planned mix is scaled by them too."""
    put_fleet(shop, tools=1, visits=2)
    teach(shop, document(ground_factors={"soft": 0.5, "hard": 3.0}))
    newest = shop.rows("SELECT inspection_id FROM inspections ORDER BY taken_at DESC LIMIT 1")[0][0]
    found = shop.assessment(str(newest))
    assert found["sizes"][0]["wear_state"]["usage"] == pytest.approx(6.0)  # 2,000 m of hard ground
    soft = shop.assessment(str(newest), ground="soft")["remaining"]["governing"]["p50"]
    assert soft == pytest.approx(found["remaining"]["governing"]["p50"] * 3.0 / 0.5)
    status = shop.call("GET", "/tools/F-0/status?ground=soft")["remaining"]["p50"]
    assert status == pytest.approx(shop.status("F-0")["remaining"]["p50"] * 6.0)


def test_parts_that_run_in(shop: Workshop):
    """Where running-in was chosen, a reading of a part as new stays out and its start is the allowance."""
    put_fleet(shop, tools=1, visits=1)
    taught = document()
    taught["features"][0] |= {"running_in": {"mean": 0.02, "sd": 0.01}}
    teach(shop, taught)
    shop.put_tool("N-1", commissioned_on="2026-01-01")
    new = shop.inspect(0, {"piston.od": 97.905}, tool="N-1")
    shop.work()
    size = shop.assessment(new)["sizes"][0]
    assert size["verdict"] != "discard" and size["wear_state"]["rate"] is None  # its level by itself
    later = shop.inspect(10, {"piston.od": 97.87}, metres=1500.0, tool="N-1")
    shop.work()
    state = shop.assessment(later)["sizes"][0]["wear_state"]
    # by hand: start 0.02, variance 0.02^2/12 + 0.01^2; usage 3 at 0.012 +- 0.005, wandering 0.004 per root
    p11 = 0.02**2 / 12 + 0.01**2 + 9 * 0.005**2 + 3 * 0.004**2
    u = shop.assessment(later)["sizes"][0]["standard_uncertainty"]
    expected = 0.02 + 3 * 0.012
    gain = p11 / (p11 + u * u)
    assert state["level"] == pytest.approx(expected + gain * (0.04 - expected), abs=1e-4)


def test_corrected_quantiles_say_so(shop: Workshop):
    """A recalibration asks the raw forecast at other levels, and the remark tells it."""
    fleet = put_fleet(shop, tools=1, rate=0.012, visits=2)
    raw = {row["limit"]: row for row in shop.assessment(fleet[0][-1])["remaining"]["limits"]}
    level = [0.0, 0.5, 0.6, 0.95, 1.0]
    corrected = {"nominal": [0.0, 0.1, 0.5, 0.9, 1.0], "level": level, "forecasts": 300, "applied": True}
    taught = document()
    taught["recalibration"]["own"] = corrected
    teach(shop, taught)
    found = shop.assessment(fleet[0][-1])
    assert "recalibrated" in {remark["code"] for remark in found["remarks"]}
    for row in found["remaining"]["limits"]:
        if row["limit"].startswith("feature:"):
            assert row["p10"] == pytest.approx(raw[row["limit"]]["p50"])  # the raw median was beyond in one of ten
        else:
            assert row["p10"] == pytest.approx(raw[row["limit"]]["p10"])
    own = next(row for row in found["remaining"]["limits"] if row["limit"] == "feature:piston.od")
    asked = shop.assessment(fleet[0][-1], campaign=own["p10"])["remaining"]["campaign"]
    through = {row["limit"]: row["probability"] for row in asked["limits"]}
    assert through["feature:piston.od"] == pytest.approx(0.9, abs=1e-6)


def test_a_past_that_repeats_is_scored(shop: Workshop):
    """The record is dated, counts its forecasts and shows raw and recalibrated side by side."""
    put_fleet(shop, tools=6, visits=5)
    learn_due()
    record = shop.call("GET", "/tool-types/kind/forecast-record")
    assert record["record"] == 1 and record["basis"] == "metres" and record["computed_at"] > "2026"
    # the limits of both parts, their fit and the performance, at every visit from the second reading on but the last
    assert record["forecasts"] == 6 * 4 * 4 and record["tools"] == record["tools_in_fleet"] == 6
    groups = {row["group"]: row for row in record["groups"]}
    assert groups["own"]["forecasts"] == groups["sums"]["forecasts"] == 48
    for kind in ("raw", "recalibrated"):
        kept = groups["all"][kind]
        assert sum(kept["pit_histogram"]) == record["forecasts"]
        assert kept["coverage"] + kept["below_p10"] + kept["above_p90"] == pytest.approx(1.0)
        assert kept["coverage_band"][0] <= kept["coverage"] <= kept["coverage_band"][1]
        assert set(kept["skill"]) == {
            "crps_against_line", "crps_against_weighted_line", "median_against_line", "median_against_weighted_line"
        }  # fmt: skip
    for group in ("own", "sums"):
        assert not record["recalibration"][group]["applied"]  # six tools are too few
    listed = shop.call("GET", "/tool-types/kind/forecast-record/records")["items"]
    assert [(row["record"], row["forecasts"], row["tools"]) for row in listed] == [(1, record["forecasts"], 6)]
    assert shop.call("GET", "/tool-types/kind/forecast-record?record=1")["computed_at"] == listed[0]["computed_at"]
    for wrong in ("forecast-record?record=2", "wear-model?version=99"):
        assert shop.client.get(f"/v1/tool-types/kind/{wrong}").status_code == 404
    assert shop.client.get("/v1/tool-types/none/forecast-record/records").status_code == 404


def test_a_limit_that_a_new_hammer_is_at_is_not_scored(shop: Workshop):
    """Such a limit has no catalogue life and so no range to be scored on; the others' record is as it would be."""
    (fit,) = KIND["fits"]
    shop.put_kind(fits=[fit | {"new": {"min": 0.06, "max": 0.07}, "discard": 0.075}])
    put_fleet(shop, tools=6, visits=5)
    learn_due()
    record = shop.call("GET", "/tool-types/kind/forecast-record")
    assert record["forecasts"] == 6 * 4 * 3  # both parts and the performance
    groups = {row["group"]: row["raw"] for row in record["groups"]}
    assert all(0.0 < groups[group]["crps"] < 1e5 for group in ("own", "sums"))


def test_an_intake_that_goes_on_is_not_held_up(shop: Workshop):
    """A tool that is being computed is left to its worker, and marked once that is done."""
    put_fleet(shop, tools=1, visits=2)
    shop.inspect(90, NEW, metres=100.0, tool="F-0")
    with transaction() as conn:
        wear_models.add_wear_model(conn, type_id(shop), 1, 1, document())
    assert mark_outdated() == 1  # the tool put in without an inspection; the other one is due anyway
    shop.work()
    assert shop.status("F-0")["wear_model"] == 1 and shop.status()["wear_model"] == 1


def inspection(n: int, accepted: int) -> InspectionRow:
    row = dict.fromkeys(InspectionRow._fields) | {
        "taken_at": MOMENT + timedelta(days=n),
        "inputs_as_of": MOMENT + timedelta(hours=accepted),
        "created_at": MOMENT + timedelta(hours=accepted),
    }
    return InspectionRow(**row)  # type: ignore[arg-type]


def test_versions_count_by_when_they_were_recorded():
    """Accepted at 1 h and 5 h, versions at 3 h and 9 h: the first moves on until its successor, the newest always."""
    models = [VersionRow(1, 1, MOMENT + timedelta(hours=3)), VersionRow(1, 2, MOMENT + timedelta(hours=9))]
    found = bases([inspection(1, 1), inspection(2, 5)], [RevisionRow(1, 1, MOMENT)], models)
    assert [(b.wear_model, b.as_of - MOMENT) for b in found] == [(1, timedelta(hours=3)), (2, timedelta(hours=9))]


def test_only_what_moves_a_forecast_makes_a_version():
    """Half a per cent says nothing, two per cent do; so do running-in and a correction that is used."""
    before = document()
    near, far = document(), document()
    near["features"][0]["mean"] *= 1.005
    far["features"][0]["mean"] *= 1.02
    runs_in = document()
    runs_in["features"][0]["running_in"] = {"mean": 0.01, "sd": 0.01}
    corrected = document()
    corrected["recalibration"]["own"] |= {"applied": True}
    assert [says_more(one, before) for one in (near, far, runs_in, corrected)] == [False, True, True, True]
    assert says_more(before, None)
