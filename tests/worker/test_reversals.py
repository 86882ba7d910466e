"""Casings turned end for end: each end keeps what it has worn, and wears on as the other end does (forecast 3)."""

from __future__ import annotations

from typing import Any

import pytest

from tests.worker.conftest import KIND, Workshop, day
from worker.method.wear_state import WearStates, propagate

R = 0.4
TOP = {"mean": 0.02, "sd": 0.008}
BOTTOM = {"mean": 0.05, "sd": 0.02}
WANDER = 0.004
TURN = [{"part": "casing"}]
NEW = {"casing.top-od": 120.0, "casing.bottom-od": 120.0}
WORN = {"casing.top-od": 119.96, "casing.bottom-od": 119.88}


def _end(code: str, wear: dict[str, float]) -> dict[str, Any]:
    new = {"min": 119.98, "max": 120.02}
    return {
        "part": "casing", "code": f"{code}-od", "kind": "shaft", "new": new, "discard": 119.0, "wear_per_1000": wear,
        "process_sd": WANDER,
    }  # fmt: skip


def _bore(code: str) -> dict[str, Any]:
    return KIND["features"][1] | {"code": f"{code}-bore"}


def reversible(**changes: Any) -> dict[str, Any]:
    """The workshop's hammer with a casing that can be turned."""
    piston, casing, ring = KIND["parts"]
    sides = [{"side": side, "features": [f"{side}-od", f"{side}-bore"]} for side in ("top", "bottom")]
    shaft, bore, wall = KIND["features"]
    return {
        "parts": [piston, casing | {"sides": sides}, ring],
        "features": [shaft, bore, wall, _end("top", TOP), _end("bottom", BOTTOM), _bore("top"), _bore("bottom")],
        "fits": [*KIND["fits"], {"code": "guide", "shaft": "piston.od", "bore": "casing.bottom-bore", "discard": 0.21}],
    } | changes


@pytest.fixture
def turned(shop: Workshop) -> Workshop:
    """The hammer measured as new."""
    shop.put_kind(**reversible())
    shop.inspect(0, NEW, stage="as_left")
    return shop


def state(document: Any, feature: str) -> WearStates:
    row = next(row["wear_state"] for row in document["sizes"] if row["feature"] == feature)
    names = ("level", "rate", "level_variance", "covariance", "rate_variance")
    return WearStates.of(*(row[name] for name in names))


def over(states: WearStates, was: dict[str, float], now: dict[str, float]) -> WearStates:
    """The formula of the method page, written out."""
    k = R * now["sd"] / was["sd"]
    return WearStates.of(
        states.level,
        now["mean"] + k * (states.rate - was["mean"]),
        states.level_variance,
        k * states.covariance,
        k * k * states.rate_variance + (1 - R * R) * now["sd"] ** 2,
    )


def gap(shop: Workshop, limit: str) -> list[float]:
    """What the status stands on: gap and drift, per 1000 m in hard ground (factor 2)."""
    names = "gap, gap_var, drift / 2, drift_var / 4, gap_drift_cov / 2"
    statement = f"SELECT {names} FROM tool_status_limits JOIN codes ON code_id = limit_id WHERE code = %s"
    (row,) = shop.rows(statement, limit)
    return list(row)


def expected_gap(states: WearStates) -> list[float]:
    level, rate, p11, p12, p22 = (float(x) for x in states.columns())
    return [1.0 - level, p11, rate, p22, -p12]


def verdicts(status: Any) -> dict[str, str]:
    return {row["part"]: row["verdict"] for row in status["parts"]}


def reasons(status: Any) -> list[str]:
    return next(row["reasons"] for row in status["parts"] if row["part"] == "casing")


def test_each_end_keeps_its_level_and_gets_a_rate_of_the_other_place(turned: Workshop) -> None:
    """Level and its variance stay with the end; the rate is drawn anew, correlated with the old one."""
    found = turned.inspect(30, WORN, metres=1000.0, reversals=TURN)
    turned.work()
    before = turned.assessment(found)
    top, bottom = state(before, "casing.top-od"), state(before, "casing.bottom-od")
    assert bottom.level > 2 * top.level  # the assessment is of the casing as it was found
    assert gap(turned, "feature:casing.top-od") == pytest.approx(expected_gap(over(bottom, BOTTOM, TOP)))
    assert gap(turned, "feature:casing.bottom-od") == pytest.approx(expected_gap(over(top, TOP, BOTTOM)))
    # what stands in the middle is not concerned
    middle = next(row for row in before["remaining"]["limits"] if row["limit"] == "feature:casing.bore")
    assert gap(turned, "feature:casing.bore")[0] > 0 and middle["p50"] is not None


def test_it_wears_on_from_there(turned: Workshop) -> None:
    """Carried over usage and measured again: one step of the filter from the state that the reversal left."""
    turned_at = turned.inspect(30, WORN, metres=1000.0, reversals=TURN)
    later = turned.inspect(60, {"casing.top-od": 119.86, "casing.bottom-od": 119.87}, metres=500.0)
    turned.work()
    bottom = state(turned.assessment(turned_at), "casing.bottom-od")
    m, b, p11, p12, p22 = (float(x) for x in propagate(over(bottom, BOTTOM, TOP), 1.0, WANDER**2).columns())
    row = next(row for row in turned.assessment(later)["sizes"] if row["feature"] == "casing.top-od")
    residual, total = 0.14 - m, p11 + row["standard_uncertainty"] ** 2
    now = state(turned.assessment(later), "casing.top-od")
    assert float(now.level) == pytest.approx(m + p11 / total * residual, rel=1e-9)
    assert float(now.rate) == pytest.approx(b + p12 / total * residual, rel=1e-9)
    assert float(now.rate_variance) == pytest.approx(p22 - p12 * p12 / total, rel=1e-9)
    assert row["wear_state"]["usage"] == pytest.approx(3.0)
    assert "wear-reversed" not in {remark["code"] for remark in turned.assessment(later)["remarks"]}


def test_turned_twice_it_is_back(turned: Workshop) -> None:
    """Each end is in its first place again with its own level, also where nothing was measured in between."""
    found = turned.inspect(30, WORN, metres=1000.0, reversals=TURN)
    turned.inspect(60, {"piston.od": 97.88}, metres=500.0, reversals=TURN)
    turned.work()
    bottom = state(turned.assessment(found), "casing.bottom-od")
    once = propagate(over(bottom, BOTTOM, TOP), 1.0, WANDER**2)
    assert gap(turned, "feature:casing.bottom-od") == pytest.approx(expected_gap(over(once, TOP, BOTTOM)))


def test_before_the_readings_of_an_as_left_inspection(turned: Workshop) -> None:
    """What is measured as left was turned already: sizes fit the other end, and nothing is remarked on."""
    turned.inspect(30, WORN, metres=1000.0)
    after = turned.inspect(
        30, {"casing.top-od": 119.88, "casing.bottom-od": 119.96}, stage="as_left", reversals=TURN, reference="L"
    )
    turned.work()
    answer = turned.assessment(after)
    assert float(state(answer, "casing.top-od").level) == pytest.approx(0.12, abs=0.01)
    assert not {r["code"] for r in answer["remarks"]} & {"wear-reversed", "wrong-feature", "negative-wear"}
    # without the reversal the same sizes cannot be believed
    turned.call("PUT", f"/inspections/{after}", body(30, "L", stage="as_left"))
    turned.work()
    assert "wear-reversed" in {r["code"] for r in turned.assessment(after)["remarks"]}


def body(n: float, reference: str, **more: Any) -> dict[str, Any]:
    readings = [
        {"feature": feature, "station": 1, "orientation": orientation, "value": value}
        for feature, value in {"casing.top-od": 119.88, "casing.bottom-od": 119.96}.items()
        for orientation in (0, 90)
    ]
    return {"reference": reference, "tool": "H-1", "taken_at": day(n), "unit": "mm", "readings": readings} | more


def test_order_of_arrival_does_not_count(turned: Workshop) -> None:
    """A reversal entered late, by correction, gives what it would have given in time; withdrawn, it is undone."""
    late = turned.inspect(60, {"casing.top-od": 119.86, "casing.bottom-od": 119.87}, metres=500.0)
    turned.work()
    first = turned.inspect(30, WORN, metres=1000.0)
    turned.work()
    plain = turned.assessment(late)["sizes"]
    record = turned.call("GET", f"/inspections/{first}")
    names = ("reference", "tool", "taken_at", "unit", "usage")
    readings = [
        {k: r[k] for k in ("feature", "station", "orientation", "value")} for r in record["readings"]
    ]  # as they were sent
    sent = {name: record[name] for name in names} | {"readings": readings}
    turned.call("PUT", f"/inspections/{first}", sent | {"reversals": TURN})
    turned.work()
    corrected = turned.assessment(late)["sizes"]
    turned.call("DELETE", f"/inspections/{late}")
    turned.call("DELETE", f"/inspections/{first}")
    turned.inspect(30, WORN, metres=1000.0, reversals=TURN)
    again = turned.inspect(60, {"casing.top-od": 119.86, "casing.bottom-od": 119.87}, metres=500.0)
    turned.work()
    in_order = turned.assessment(again)["sizes"]
    assert [row["wear_state"] for row in corrected] == [pytest.approx(row["wear_state"]) for row in in_order]
    assert [row["wear_state"] for row in plain] != [row["wear_state"] for row in corrected]


def test_verdicts_go_with_the_end_and_those_of_fits_end(turned: Workshop) -> None:
    """An end worn out stays so wherever it is; a clearance with another end in it has to be measured anew."""
    worn = {"casing.bottom-od": 118.9, "casing.top-od": 119.9, "casing.bottom-bore": 98.063, "piston.od": 97.83}
    turned.inspect(30, worn, metres=1000.0)
    turned.work()
    before = turned.status()
    assert verdicts(before) | {"piston": "?"} == {"piston": "?", "casing": "discard"}
    assert "casing.bottom-od: discard" in reasons(before)
    assert verdicts(before)["piston"] == "discard"  # by the clearance
    turned.inspect(31, {"casing.top-od": 119.9}, reversals=TURN)
    turned.work()
    after = turned.status()
    assert "casing.top-od: discard" in reasons(after) and not any("guide" in text for text in reasons(after))
    assert verdicts(after)["piston"] == "monitor"  # by its own size


def test_a_named_casing_takes_its_ends_along(turned: Workshop) -> None:
    """Turned in one tool and moved to another, it goes on from there; its history says how often it was turned."""
    turned.inspect(30, NEW, metres=1000.0, renewals=[{"part": "casing", "component": "C-1"}])
    moved = turned.inspect(60, WORN, metres=1000.0, reversals=TURN)
    turned.inspect(
        90, {"piston.od": 97.85}, metres=0.0, renewals=[{"part": "casing", "component": "C-2", "removed_to": "stock"}]
    )
    turned.put_tool("H-2", commissioned_on="2026-01-01")
    turned.inspect(100, {"piston.od": 97.90}, tool="H-2", renewals=[{"part": "casing", "component": "C-1"}])
    last = turned.inspect(130, {"casing.top-od": 119.86, "casing.bottom-od": 119.87}, metres=500.0, tool="H-2")
    turned.work()
    sizes = {row["feature"]: row["wear_state"] for row in turned.assessment(last)["sizes"]}
    assert sizes["casing.top-od"]["usage"] == pytest.approx(3.0)
    assert sizes["casing.top-od"]["level"] == pytest.approx(0.14, abs=0.01)
    points = turned.call("GET", "/components/C-1/history?feature=casing.top-od")["sizes"]
    assert [(point["mean"], point["reversals"]) for point in points] == [(119.96, 0), (119.86, 1)]
    series = turned.call("GET", "/tools/H-1/history?feature=casing.top-od")["items"]
    assert [point["reversals"] for point in series] == [0, 0, 0]
    # taken back where it was entered, it is undone where the casing is now
    sent = body(60, "W60", usage={"metres": 1000.0, "ground": "hard"})
    for reading in sent["readings"]:
        reading["value"] = WORN[reading["feature"]]
    turned.call("PUT", f"/inspections/{moved}", sent)
    turned.work()
    points = turned.call("GET", "/components/C-1/history?feature=casing.top-od")["sizes"]
    assert [point["reversals"] for point in points] == [0, 0]
    sizes = {row["feature"]: row["wear_state"] for row in turned.assessment(last)["sizes"]}
    assert sizes["casing.top-od"]["rate"] > 1.5 * TOP["mean"]


def test_bought_used(shop: Workshop) -> None:
    """Of a casing bought used usage counts from its first reading; turning it neither begins anew nor loses that."""
    shop.put_kind(**reversible())
    shop.put_tool("H-1", history="unknown", commissioned_on="2026-01-01")
    first = shop.inspect(30, WORN, metres=400.0)
    shop.inspect(60, {"piston.od": 97.88}, metres=500.0, reversals=TURN)
    shop.work()
    bottom = state(shop.assessment(first), "casing.bottom-od")
    once = over(propagate(bottom, 1.0, WANDER**2), BOTTOM, TOP)
    assert gap(shop, "feature:casing.top-od") == pytest.approx(expected_gap(once))
    later = shop.inspect(90, {"casing.top-od": 119.80, "casing.bottom-od": 119.87}, metres=500.0)
    shop.work()
    found = next(row for row in shop.assessment(later)["sizes"] if row["feature"] == "casing.top-od")
    assert found["wear_state"]["usage"] == pytest.approx(2.0)
    assert found["wear_state"]["level_variance"] < found["standard_uncertainty"] ** 2


@pytest.mark.parametrize(
    ("reversals", "more", "fault"),
    [
        ([{"part": "piston"}], {}, ("/reversals/0/part", "not-reversible")),
        ([{"part": "casing"}, {"part": "casing", "position": 1}], {}, ("/reversals/1/part", "duplicate")),
        ([{"part": "sleeve"}], {}, ("/reversals/0/part", "unknown-part")),
        ([{"part": "casing", "position": 2}], {}, ("/reversals/0/position", "out-of-range")),
        ([{"part": "casing", "position": 0}], {}, ("/reversals/0/position", "out-of-range")),
        ([{}], {}, ("/reversals/0/part", "required")),
        ([{"part": "casing", "side": "top"}], {}, ("/reversals/0/side", "unknown-field")),
        (TURN, {"renewals": [{"part": "casing"}]}, ("/reversals/0/part", "reversed-and-renewed")),
        (TURN * 2 + [{"part": "ring"}], {}, ("/reversals/2/position", "position-required")),
    ],
)
def test_what_is_refused(turned: Workshop, reversals: Any, more: dict[str, Any], fault: tuple[str, str]) -> None:
    """Each with its pointer, and nothing is stored."""
    sent = body(30, "W30", reversals=reversals) | more
    answer = turned.client.post("/v1/inspections", json=sent)
    assert answer.status_code == 422
    assert fault in {(one["pointer"], one["code"]) for one in answer.get_json(force=True)["errors"]}
    assert len(turned.call("GET", "/inspections?tool=H-1")["items"]) == 1


def test_a_source_that_joins(turned: Workshop) -> None:
    """A reversal joins once however many sheets say it, is a source of its own, and goes with its sheet."""
    first = turned.inspect(30, WORN, metres=1000.0)
    sheet = body(30, "W30", reversals=TURN)
    joined = turned.call("POST", "/inspections?on_existing=add", sheet)
    assert joined["id"] == first and joined["inspection_version"] == 2
    assert turned.call("POST", "/inspections?on_existing=add", sheet)["inspection_version"] == 2
    again = body(30, "W30", reversals=TURN, inspector="b")
    assert turned.call("POST", "/inspections?on_existing=add", again)["inspection_version"] == 3
    assert turned.call("GET", f"/inspections/{first}")["reversals"] == [{"part": "casing", "position": 1}]
    renewing = body(30, "W30", renewals=[{"part": "casing"}])
    answer = turned.client.post("/v1/inspections?on_existing=add", json=renewing)
    assert answer.status_code == 409 and answer.get_json(force=True)["code"] == "header-differs"


def test_a_second_measurement_does_not_reach_across(turned: Workshop) -> None:
    """Measured again after it was turned is not the same end: refused as after a renewal."""
    turned.inspect(30, WORN, metres=1000.0, reversals=TURN)
    answer = turned.client.post("/v1/inspections", json=body(31, "W31", remeasures="W30"))
    assert answer.status_code == 422
    assert [one["code"] for one in answer.get_json(force=True)["errors"]] == ["remeasure-after-use"]
