"""Blunders from the reading to the state of the tool, over HTTP and the worker (sizes method, S8)."""

from __future__ import annotations

import copy
from typing import Any

import pytest

from tests.worker.conftest import KIND, Workshop, day

pytestmark = pytest.mark.db
GAUGE = {
    "kind": "micrometer", "unit": "mm", "resolution": 0.001,
    "calibration": {"expanded_uncertainty": 0.002, "calibrated_on": "2025-06-01", "due_on": "2026-12-31"},
    "repeatability": {"sd": 0.0015, "degrees_of_freedom": 60},
    "reproducibility": {"sd": 0.001, "degrees_of_freedom": 12},
}  # fmt: skip
MASTER = {
    "unit": "mm",
    "size": 98.0,
    "expanded_uncertainty": 0.001,
    "calibrated_on": "2025-06-01",
    "due_on": "2027-01-01",
}
OD, BORE = "piston.od", "casing.bore"


def at(feature: str, value: float, station: int = 1, orientation: float = 0.0, **more: Any) -> dict[str, Any]:
    return {"feature": feature, "value": value, "station": station, "orientation": orientation, "gauge": "MIC"} | {
        "temperature_c": 20.0, "reference_temperature_c": 20.0
    } | more  # fmt: skip


@pytest.fixture
def bench(shop: Workshop) -> Workshop:
    """The workshop with a studied micrometer, a bore gauge and its ring."""
    shop.call("PUT", "/gauges/MIC", GAUGE)
    shop.call("PUT", "/gauges/DBG", GAUGE | {"kind": "digital-bore"})
    shop.call("PUT", "/masters/RING", MASTER)
    return shop


def sent(shop: Workshop, n: float, readings: list[dict[str, Any]], **more: Any) -> str:
    body = {
        "reference": f"W{n:g}", "tool": "H-1", "taken_at": day(n), "unit": "mm", "readings": readings,
        "usage": {"metres": 500.0, "ground": "hard"},
    }  # fmt: skip
    return str(shop.call("POST", "/inspections", body | more)["id"])


def found(shop: Workshop, n: float, readings: list[dict[str, Any]], **more: Any) -> Any:
    """What the worker says of an inspection."""
    inspection = sent(shop, n, readings, **more)
    shop.work()
    return shop.assessment(inspection)


def remarks(document: Any) -> dict[tuple[str, str], str]:
    return {(remark["code"], remark["about"]): remark["message"] for remark in document["remarks"]}


def size(document: Any, feature: str = OD) -> Any:
    return next(one for one in document["sizes"] if one["feature"] == feature)


def four(value: float, feature: str = OD, **more: Any) -> list[dict[str, Any]]:
    return [at(feature, value + 0.0005 * n, 1 + n // 2, 90.0 * (n % 2), **more) for n in range(4)]


@pytest.mark.parametrize(
    ("value", "code", "proposed"),
    [
        (97.861 / 25.4, "inch-mm", "97.8610 mm"),
        (9.7861, "decimal-slip", "97.8610 mm"),
        (99.361, "thimble-turn", "98.8610 mm"),
        (94.0, "out-of-range", "no slip"),
    ],
)
def test_a_slip_blocks_its_feature_and_is_explained(bench: Workshop, value: float, code: str, proposed: str) -> None:
    """What lies outside its window is not decided, stays out of the wear state and is kept as it was entered."""
    readings = [*four(97.86)[:3], at(OD, value, 2, 90.0), *four(98.0, BORE)]
    document = found(bench, 10, readings)
    message = remarks(document)[code, f"feature:{OD}"]
    assert proposed in message and "Proposed" in message and f"{value:.4f}" in message
    assert size(document)["verdict"] == "remeasure"
    assert (size(document)["min"] if value < 97 else size(document)["max"]) == pytest.approx(value, abs=2e-3)
    assert size(document)["wear_state"]["rate"] is None
    assert size(document, BORE)["verdict"] == "serviceable"
    assert document["clearances"][0]["verdict"] == "remeasure"
    assert (document["state"], bench.status()["state"]) == ("remeasure", "remeasure")
    assert code in bench.status()["remarks"]
    kept = bench.call("GET", f"/inspections/{document['inspection']}")["readings"]
    assert value in [reading["value"] for reading in kept]


def test_good_readings_have_no_remark_of_a_blunder(bench: Workshop) -> None:
    """Nothing is said of a plain inspection."""
    document = found(bench, 10, four(97.86) + four(98.0, BORE))
    assert {code for code, _ in remarks(document)} <= {"low-degrees-of-freedom", "not-measured", "loss-by-rule-only"}
    assert (size(document)["verdict"], document["state"]) == ("serviceable", "serviceable")


def test_a_window_of_the_catalogue_is_the_window(bench: Workshop) -> None:
    """Half a millimetre off is a turn of the thimble where the catalogue's window is narrow enough."""
    features = copy.deepcopy(KIND["features"])
    features[0]["window"] = 0.3
    bench.put_kind(features=features)
    document = found(bench, 10, [*four(97.86)[:3], at(OD, 97.36, 2, 90.0)])
    assert "97.8600 mm" in remarks(document)["thimble-turn", f"feature:{OD}"]


def test_a_reading_of_another_feature_is_told(bench: Workshop) -> None:
    """A ring's thickness entered as the piston's diameter lies where the ring does."""
    document = found(bench, 10, [*four(97.86)[:3], at(OD, 10.8, 2, 90.0)])
    assert "ring.wall" in remarks(document)["wrong-feature", f"feature:{OD}"]


def test_features_exchanged_are_told_by_their_history(bench: Workshop) -> None:
    """Shaft and bore exchanged stay within both windows: the history shows it."""
    found(bench, 10, four(97.86) + four(98.01, BORE))
    document = found(bench, 20, four(98.02) + four(97.85, BORE))
    said = remarks(document)
    assert BORE in said["wrong-feature", f"feature:{OD}"]
    assert OD in said["wrong-feature", f"feature:{BORE}"]
    assert size(document)["verdict"] == size(document, BORE)["verdict"] == "remeasure"


def test_a_deviation_in_inches_is_found_by_its_siblings(bench: Workshop) -> None:
    """A deviation in the wrong unit stays inside the window, apart from the others."""
    values = [0.034, 0.036, 0.035, 0.0014]
    readings = [
        at(BORE, v, n + 1, kind="deviation", gauge="DBG", master="RING") for n, v in enumerate(values)
    ]  # fmt: skip
    document = found(bench, 10, readings)
    assert "0.0356 mm" in remarks(document)["inch-mm", f"feature:{BORE}"]
    assert size(document, BORE)["verdict"] == "remeasure"


def test_wear_does_not_go_backwards(bench: Workshop) -> None:
    """Back by more than the expanded uncertainty of the difference: not decided, and no measure for the next."""
    found(bench, 10, four(97.860))
    near = found(bench, 20, four(97.862))
    assert size(near)["verdict"] == "serviceable"
    assert ("wear-reversed", f"feature:{OD}") not in remarks(near)
    back = found(bench, 30, four(97.875))
    assert "renewal" in remarks(back)["wear-reversed", f"feature:{OD}"]
    assert size(back)["verdict"] == "remeasure"
    after = found(bench, 40, four(97.855))
    assert size(after)["verdict"] == "serviceable"
    assert not {code for code, _ in remarks(after)} & {"wear-reversed", "negative-wear"}


def test_the_same_is_found_when_all_comes_at_once(bench: Workshop) -> None:
    """A batch of a whole history says of each what it says one after the other; so does a late arrival."""
    ids = [sent(bench, n, four(v)) for n, v in ((10, 97.860), (30, 97.875), (40, 97.855))]
    bench.work()
    codes = [{code for code, _ in remarks(bench.assessment(one))} & {"wear-reversed"} for one in ids]
    assert codes == [set(), {"wear-reversed"}, set()]
    # what was measured in between explains nothing, but is now what the last one is compared with
    sent(bench, 35, four(97.845))
    bench.work()
    assert ("wear-reversed", f"feature:{OD}") in remarks(bench.assessment(ids[2]))


def test_a_renewal_is_no_wear_undone(bench: Workshop) -> None:
    """Another component is another history."""
    found(bench, 10, four(97.86), renewals=[{"part": "piston", "component": "P-2"}])
    document = found(bench, 20, four(97.91))
    assert ("wear-reversed", f"feature:{OD}") not in remarks(document)
    assert size(document)["verdict"] == "serviceable"


def test_more_than_new_is_negative_wear(bench: Workshop) -> None:
    """Against the drawing with its tolerance as rectangular, and against what was measured as new."""
    assert ("negative-wear", f"feature:{OD}") not in remarks(found(bench, 10, four(97.918)))
    document = found(bench, 11, four(97.93))
    assert "middle of new" in remarks(document)["negative-wear", f"feature:{OD}"]
    assert size(document)["verdict"] == "remeasure"
    bench.put_tool("H-2", commissioned_on="2026-01-01")
    sent(bench, 1, four(97.905), tool="H-2", usage=None)
    bench.call("POST", "/usage", {"entries": [{"tool": "H-2", "from": day(2), "to": day(3), "metres": 100}]})
    later = found(bench, 20, four(97.915), tool="H-2", usage=None)
    assert "less worn than" in " ".join(remarks(later).values())


def test_two_stations_exchanged(bench: Workshop) -> None:
    """Stations that fit the last measurement once exchanged."""

    def stations(*values: float) -> list[dict[str, Any]]:
        return [at(OD, v, n + 1, phi) for n, v in enumerate(values) for phi in (0.0, 90.0)]

    found(bench, 10, stations(97.880, 97.862, 97.870))
    document = found(bench, 20, stations(97.858, 97.876, 97.866))
    assert "stations 1 and 2" in remarks(document)["swapped-station", f"feature:{OD}"]
    assert size(document)["verdict"] == "remeasure"
    again = found(bench, 30, stations(97.874, 97.856, 97.864))
    assert size(again)["verdict"] == "serviceable"


def test_a_clearance_no_pair_ever_had(bench: Workshop) -> None:
    """Less clearance than any new pair: the fit is not decided."""
    bench.put_kind(fits=[KIND["fits"][0] | {"new": {"min": 0.08, "max": 0.12}}])
    document = found(bench, 10, four(97.910) + four(97.985, BORE))
    assert document["clearances"][0]["worst"] < 0.08
    assert document["clearances"][0]["verdict"] == "serviceable"
    bench.put_tool("H-2", commissioned_on="2026-01-01")
    document = found(bench, 20, four(97.915) + four(97.982, BORE), tool="H-2")
    assert ("negative-clearance", "fit:piston-in-casing") in remarks(document)
    assert document["clearances"][0]["verdict"] == "remeasure"
    # what cannot be is no leak, either
    assert document["performance"]["loss"] < 0.05


def test_repeats_apart_and_repeats_frozen(bench: Workshop) -> None:
    """Repeats range over more than the study allows; or never differ at all."""
    document = found(bench, 10, [at(OD, 97.86), at(OD, 97.867), *four(98.0, BORE)])
    assert "0.0070 mm" in remarks(document)["repeat-spread", f"feature:{OD}"]
    assert size(document)["verdict"] == "remeasure"
    document = found(bench, 20, [at(OD, 97.86), at(OD, 97.865)])
    assert ("repeat-spread", f"feature:{OD}") not in remarks(document)
    still = [at(OD, 97.855 + n / 1000, n + 1) for n in range(5) for _ in range(2)]
    document = found(bench, 30, still)
    assert ("frozen-repeats", "gauge:MIC") in remarks(document)
    assert size(document)["verdict"] == "serviceable"
    assert ("frozen-repeats", "gauge:MIC") not in remarks(found(bench, 40, still[:8]))


def test_a_gauge_that_left_its_zero(bench: Workshop) -> None:
    """Back on its master beyond 3 EV: nothing read by that set-up is decided."""
    readings = [at(BORE, 0.01, n, kind="deviation", gauge="DBG", master="RING", setup="am") for n in (1, 2)]
    setup = {"setup": "am", "gauge": "DBG", "master": "RING", "return_reading": 0.0044}
    good = found(bench, 10, readings, setups=[setup])
    assert size(good, BORE)["verdict"] == "serviceable"
    bad = found(bench, 20, readings + four(97.86), setups=[setup | {"return_reading": 0.0046}])
    assert "+0.0046 mm" in remarks(bad)["zero-drift", "gauge:DBG"]
    assert (size(bad, BORE)["verdict"], size(bad)["verdict"]) == ("remeasure", "serviceable")
    kept = bench.call("GET", f"/inspections/{bad['inspection']}?unit=in")
    assert kept["setups"][0]["return_reading"] == pytest.approx(0.0046 / 25.4)


@pytest.mark.parametrize(
    ("due_on", "code", "verdict"),
    [
        ("2026-03-31", None, "serviceable"),
        ("2026-01-20", "calibration-due-soon", "serviceable"),
        ("2026-01-10", "calibration-overdue", "remeasure"),
        ("2026-01-11", "calibration-due-soon", "serviceable"),
    ],
)
def test_a_calibration_that_ran_out(bench: Workshop, due_on: str, code: str | None, verdict: str) -> None:
    """Overdue on the measuring day blocks; within 30 days is a remark."""
    calibration = GAUGE["calibration"] | {"due_on": due_on}  # type: ignore[operator]
    bench.call("PUT", "/gauges/LATE", GAUGE | {"calibration": calibration})
    document = found(bench, 10, four(97.86, gauge="LATE") + four(98.0, BORE))
    said = {code for code, about in remarks(document) if about == "gauge:LATE"}
    assert said == ({code} if code else set())
    assert size(document)["verdict"] == verdict
    assert size(document, BORE)["verdict"] == "serviceable"


def test_an_overdue_master_blocks(bench: Workshop) -> None:
    """A master without a certificate in force counts as overdue."""
    bench.call("PUT", "/masters/NEW", MASTER | {"calibrated_on": "2026-02-01"})
    readings = [at(BORE, 0.01, n, kind="deviation", gauge="DBG", master="NEW") for n in (1, 2)]
    document = found(bench, 10, readings)
    assert ("calibration-overdue", "master:NEW") in remarks(document)
    assert size(document, BORE)["verdict"] == "remeasure"


def test_temperatures(bench: Workshop) -> None:
    """Part and master more than 5 K apart, 15 K from 20 degC, or nothing said: remarks, no more."""
    code = "temperature-difference", f"feature:{OD}"
    assert code not in remarks(found(bench, 10, four(97.86, temperature_c=25.0)))
    apart = found(bench, 11, four(97.86, temperature_c=25.5))
    assert "5.5 K" in remarks(apart)[code]
    assert size(apart)["verdict"] == "serviceable"
    hot = found(bench, 12, four(97.85, temperature_c=36.0, reference_temperature_c=35.0))
    assert "16.0 K" in remarks(hot)[code]
    bare = [{k: v for k, v in r.items() if "temperature" not in k} for r in four(97.85)]
    assert ("temperature-missing", f"feature:{OD}") in remarks(found(bench, 13, bare))


def test_too_few_readings(bench: Workshop) -> None:
    """Fewer than the catalogue asks for is a remark; a single one by a gauge without a study decides nothing."""
    features = copy.deepcopy(KIND["features"])
    features[0]["minimum_readings"] = 4
    bench.put_kind(features=features)
    code = "too-few-readings", f"feature:{OD}"
    document = found(bench, 10, [at(OD, 97.86), at(OD, 97.86, 2), at(OD, 97.86, 3)])
    assert "3 of at least 4" in remarks(document)[code]
    assert size(document)["verdict"] == "serviceable"
    studied = found(bench, 20, [at(OD, 97.86)])
    assert size(studied)["verdict"] == "serviceable"
    bench.call("PUT", "/gauges/BARE", {name: GAUGE[name] for name in ("kind", "unit", "resolution")})
    single = found(bench, 30, [at(OD, 97.86, gauge="BARE")])
    assert "a single one decides nothing" in remarks(single)[code]
    assert size(single)["verdict"] == "remeasure"
    two = found(bench, 40, [at(OD, 97.86, gauge="BARE"), at(OD, 97.86, 2, gauge="BARE")])
    assert size(two)["verdict"] == "serviceable"
    assert code not in remarks(found(bench, 50, four(97.86)))


def test_a_gauge_too_coarse_for_what_is_to_be_decided(bench: Workshop) -> None:
    """C_m below 1 blocks, unless the value is beyond the limit by more than 3 u; GRR over 30 % is a remark."""
    coarse = GAUGE | {"calibration": {"expanded_uncertainty": 0.06}}
    bench.call("PUT", "/gauges/ROUGH", coarse)
    document = found(bench, 10, four(97.86, gauge="ROUGH"))
    assert ("gauge-unfit", f"feature:{OD}") in remarks(document)
    assert size(document)["verdict"] == "remeasure"
    condemned = found(bench, 20, four(97.70, gauge="ROUGH"))
    assert size(condemned)["verdict"] == "discard"
    bench.call("PUT", "/gauges/WIDE", GAUGE | {"reproducibility": {"sd": 0.012, "degrees_of_freedom": 12}})
    bench.put_tool("H-2", commissioned_on="2026-01-01")
    wide = found(bench, 30, four(97.88, gauge="WIDE"), tool="H-2")
    assert "33 %" in remarks(wide)["gauge-unfit", f"feature:{OD}"]
    assert size(wide)["verdict"] == "serviceable"


def test_a_blunder_is_not_averaged_with_the_measurement_that_corrects_it(bench: Workshop) -> None:
    """Measured again, the second stands by itself where the first was a slip."""
    found(bench, 10, [*four(97.86)[:3], at(OD, 9.786, 2, 90.0)])
    document = found(bench, 10.1, four(97.86), remeasures="W10", usage=None)
    assert size(document)["worst"] == pytest.approx(97.86, abs=1e-3)
    assert size(document)["verdict"] == "serviceable"
    assert bench.status()["state"] == "serviceable"


def test_a_diameter_read_one_way_only(bench: Workshop) -> None:
    """Fewer than two orientations cannot show an oval: a remark of its own, for diameters; nothing is blocked."""
    code = "one-orientation", f"feature:{OD}"
    document = found(bench, 10, [at(OD, 97.86, n, 180.0 * (n % 2)) for n in (1, 2, 3)])
    assert code in remarks(document) and size(document)["verdict"] == "serviceable"
    assert code not in remarks(found(bench, 20, [at(OD, 97.86), at(OD, 97.86, 2, 90.0)]))
    wall = [{"feature": "ring.wall", "position": 1, "station": n, "value": 9.98, "gauge": "MIC"} for n in (1, 2)]
    bare = [{"feature": OD, "value": 97.859, "gauge": "MIC"}, {"feature": OD, "value": 97.86, "gauge": "MIC"}]
    assert not {about for name, about in remarks(found(bench, 30, wall + bare)) if name == "one-orientation"}


def test_measurements_that_contradict_one_another_settle_nothing(bench: Workshop) -> None:
    """Apart by more than 2 u of their difference: a third is asked for where the mean is in doubt; else it is final."""
    found(bench, 10, four(97.795))
    apart = found(bench, 10.1, four(97.8062), remeasures="W10", usage=None)
    assert "third" in remarks(apart)["inconsistent-remeasure", f"feature:{OD}"]
    assert size(apart)["verdict"] == "remeasure"
    found(bench, 20, four(97.7995))
    alike = found(bench, 20.1, four(97.8009), remeasures="W20", usage=None)
    assert ("inconsistent-remeasure", f"feature:{OD}") not in remarks(alike)
    assert 0.05 < size(alike)["probability_beyond"] < 0.95
    assert size(alike)["verdict"] == "monitor"  # final, and the value has not reached the limit


def test_few_degrees_of_freedom_are_told_of_sizes_and_fits(bench: Workshop) -> None:
    """Terms with fewer than 5 that hold more than a tenth of the variance, unless they cancel in the clearance."""
    few = {"sd": 0.003, "degrees_of_freedom": 2}
    for serial in ("A", "B"):
        bench.call("PUT", f"/gauges/{serial}", GAUGE | {"reproducibility": few})
    code = "low-degrees-of-freedom"
    about = {f"feature:{OD}", f"feature:{BORE}", "fit:piston-in-casing"}
    apart = found(bench, 10, four(97.86, gauge="A") + four(98.0, BORE, gauge="B"))
    assert {where for name, where in remarks(apart) if name == code} == about
    one = found(bench, 20, four(97.86, gauge="A") + four(98.0, BORE, gauge="A"))
    assert {where for name, where in remarks(one) if name == code} == about - {"fit:piston-in-casing"}
    enough = four(97.86) + four(98.0, BORE)
    assert not {where for name, where in remarks(found(bench, 30, enough)) if name == code}
