"""The derivation of an assessment: every figure of it, redone from its budget (issue C; sizes method S3 to S6)."""

from __future__ import annotations

import math
from typing import Any

import pytest
from scipy import stats

from service.api import second_opinion
from tests.worker.conftest import KIND, Workshop, day
from tests.worker.test_blunders import BORE, GAUGE, MASTER, OD, at, four

pytestmark = pytest.mark.db


@pytest.fixture
def bench(shop: Workshop) -> Workshop:
    shop.call("PUT", "/gauges/MIC", GAUGE)
    shop.call("PUT", "/gauges/DBG", GAUGE | {"kind": "digital-bore", "bias": 0.0003})
    shop.call("PUT", "/masters/RING", MASTER)
    return shop


def bores(value: float, **more: Any) -> list[dict[str, Any]]:
    return [
        at(BORE, value + d, 1 + n // 3, 60.0 * (n % 3), kind="deviation", gauge="DBG", setup="am", **more)
        | {"master": "RING"}
        for n, d in enumerate((0.0, 0.001, 0.003, 0.0, 0.002, 0.004))
    ]


def inspected(shop: Workshop, n: float = 10, readings: list[dict[str, Any]] | None = None, **more: Any) -> str:
    body = {
        "reference": f"W{n:g}", "tool": "H-1", "taken_at": day(n), "unit": "mm", "inspector": "AB",
        "thermometer": {"serial": "T-1", "standard_uncertainty_c": 0.2},
        "setups": [{"setup": "am", "gauge": "DBG", "master": "RING", "readings_at_zero": 3}],
        "readings": readings or four(97.86, temperature_c=24.0, reference_temperature_c=22.0) + bores(0.01),
    }  # fmt: skip
    found = str(shop.call("POST", "/inspections", body | more)["id"])
    shop.work()
    return found


def derivation(shop: Workshop, inspection: str, query: str = "") -> Any:
    return shop.call("GET", f"/inspections/{inspection}/assessment/derivation{query}")


def results(document: Any) -> list[dict[str, Any]]:
    return [one[name] for one in (*document["sizes"], *document["clearances"]) for name in ("worst", "mean")]


def spread_of_draws(result: dict[str, Any]) -> float:
    """A t distribution of so many degrees of freedom is wider than its scale."""
    factors = [(line["contribution"], line["degrees_of_freedom"]) for line in result["budget"]]
    return math.sqrt(sum(d * d * (1.0 if nu is None else nu / (nu - 2.0)) for d, nu in factors))


def test_every_figure_can_be_redone_from_its_budget(bench: Workshop) -> None:
    """Contributions give u, degrees of freedom, k, U and the probability that the assessment shows."""
    inspection = inspected(bench)
    told, assessed = derivation(bench, inspection), bench.assessment(inspection)
    assert all(one["agrees"] for one in (*told["sizes"], *told["clearances"]))
    for result in results(told):
        lines = result["budget"]
        for line in lines:
            assert line["contribution"] == pytest.approx(line["sensitivity"] * line["value"], rel=1e-12)
        variance = sum(line["contribution"] ** 2 for line in lines)
        u = math.sqrt(variance)
        assert u == pytest.approx(result["standard_uncertainty"], rel=1e-12)
        assert sum(line["share"] for line in lines) == pytest.approx(1.0)
        assert [line["share"] for line in lines] == sorted((line["share"] for line in lines), reverse=True)
        nu = u**4 / sum(line["contribution"] ** 4 / (line["degrees_of_freedom"] or math.inf) for line in lines)
        assert nu == pytest.approx(result["degrees_of_freedom"], rel=1e-9)
        k = float(stats.t.ppf(0.975, math.floor(nu)))
        assert (k, k * u) == pytest.approx((result["coverage_factor"], result["expanded_uncertainty"]), rel=1e-9)
    for shown, size in zip(told["sizes"], assessed["sizes"], strict=True):
        judged = shown[shown["discard_on"]]
        assert judged["value"] == pytest.approx(size["worst"], abs=1e-12)
        for name in ("standard_uncertainty", "degrees_of_freedom", "coverage_factor", "probability_beyond"):
            assert judged[name] == pytest.approx(size[name], rel=1e-9), name
    clearance, shown = assessed["clearances"][0], told["clearances"][0]
    for name in ("standard_uncertainty", "degrees_of_freedom", "expanded_uncertainty", "probability_beyond"):
        assert shown["worst"][name] == pytest.approx(clearance[name], rel=1e-9), name
    assert any("consumed" in text for text in shown["worst"]["formulas"])


def test_keys_are_those_of_the_method(bench: Workshop) -> None:
    """Each influence by the key of S4.3 and S12; what bore and shaft share is one line of the clearance."""
    told = derivation(bench, inspected(bench))
    by_feature = {size["feature"]: {line["key"] for line in size["worst"]["budget"]} for size in told["sizes"]}
    assert by_feature[BORE] == {
        f"read:{BORE}:2:120", "zero:DBG:am", "cal:DBG", "op:DBG:AB", "master:RING",
        f"second-order:{BORE}:1", f"t:{BORE}:1", "t:master:RING", "thermo:T-1",
    }  # fmt: skip
    assert {"cal:MIC", "op:MIC:AB", f"t:{OD}:1", "t:gauge:MIC", "alpha:gauge:MIC", "thermo:T-1"} <= by_feature[OD]
    clearance = [line["key"] for line in told["clearances"][0]["worst"]["budget"]]
    assert clearance.count("thermo:T-1") == 1 and {"cal:MIC", "cal:DBG"} <= set(clearance)
    lines = {line["key"]: line for size in told["sizes"] for line in size["worst"]["budget"]}
    assert lines["cal:DBG"]["estimate"] == pytest.approx(0.0003)
    assert (lines["master:RING"]["estimate"], lines["master:RING"]["value"]) == (98.0, pytest.approx(0.0005))
    assert (lines["thermo:T-1"]["unit"], lines["thermo:T-1"]["value"]) == ("K", pytest.approx(0.2))
    assert lines[f"alpha:{OD}:1"]["estimate"] == pytest.approx(11.5e-6)
    assert lines["zero:DBG:am"]["value"] == pytest.approx(0.0015 / math.sqrt(3))


def test_the_origin_of_every_value_is_told(bench: Workshop) -> None:
    """Half-widths, repeats and resolution with their numbers: each line's value can be redone, too."""
    rows = [at(OD, 97.86 + d, 1, 0.0) for d in (0.0, 0.001)] + bores(0.01)
    told = derivation(bench, inspected(bench, readings=rows))
    lines = {line["key"]: line for size in told["sizes"] for line in size["worst"]["budget"]}
    read, zero = lines[f"read:{OD}:1:0"], lines["zero:DBG:am"]
    assert read["origin"] == "the larger of 0.0015/√2 (repeatability) and 0.001/√12 (resolution)"
    assert read["value"] == pytest.approx(0.0015 / math.sqrt(2))
    assert zero["origin"] == "the larger of 0.0015/√3 (repeatability) and 0.001/√12 (resolution)"
    assert all(line["origin"] for line in lines.values())
    bare = [{"feature": OD, "value": 97.86, "station": n, "gauge": "MIC"} for n in (1, 2)]
    told = derivation(bench, inspected(bench, 20, bare, setups=[]))
    lines = {line["key"]: line for line in told["sizes"][0]["worst"]["budget"]}
    assert lines["room:gauge:MIC"]["origin"] == "1/√3, half-width between two objects"
    assert lines["room:gauge:MIC"]["value"] == pytest.approx(1 / math.sqrt(3))


@pytest.mark.parametrize(
    ("value", "row", "verdict"),
    [(97.86, 3, "serviceable"), (97.815, 4, "monitor"), (97.801, 5, "remeasure"), (97.79, 2, "discard")],
)
def test_the_row_of_the_decision_table_is_told(bench: Workshop, value: float, row: int, verdict: str) -> None:
    """Which row gave the verdict, with both probabilities; a size that is blocked says so."""
    told = derivation(bench, inspected(bench, readings=four(value)))
    worst = told["sizes"][0]["worst"]
    assert (told["sizes"][0]["verdict"], told["sizes"][0]["monitor"]) == (verdict, pytest.approx(97.822))
    assert worst["formulas"][-1].startswith(f"row {row}: ") and worst["formulas"][-1].endswith(verdict)
    assert worst["probability_beyond_monitor"] >= worst["probability_beyond"]
    t = (value - 97.822) / worst["standard_uncertainty"]
    expected = float(stats.t.cdf(-t, worst["degrees_of_freedom"]))
    assert worst["probability_beyond_monitor"] == pytest.approx(expected, rel=1e-6)
    blocked = derivation(bench, inspected(bench, 20, [*four(97.86)[:3], at(OD, 9.786, 2, 90.0)]))
    assert blocked["sizes"][0]["worst"]["formulas"][-1].startswith("row 1: blocked")


def test_shapes_and_leaking_clearance_with_their_numbers(bench: Workshop) -> None:
    """Taper, ellipse, selection bias and the equivalent clearance as sums that can be done again."""
    rows = four(97.86) + bores(0.01)
    inspection = inspected(bench, readings=rows)
    told, assessed = derivation(bench, inspection), bench.assessment(inspection)
    bore = next(size for size in told["sizes"] if size["feature"] == BORE)
    assert any(text.startswith("station 1: D(φ) = ") for text in bore["formulas"])
    assert any(text.startswith("selection bias ≤ e u_read = 1.267 × 0.0015") for text in bore["formulas"])
    (clearance,) = told["clearances"]
    assert clearance["clearance_for_leakage"] == assessed["clearances"][0]["clearance_for_leakage"]
    last = clearance["formulas"][-1].removeprefix("c_leak = ").removesuffix(" mm")
    sum_, shown = last.rsplit(" = ", 1)
    assert eval(sum_.replace("^", "**")) == pytest.approx(float(shown), abs=1e-6)  # noqa: S307


def test_a_reading_can_be_redone_by_hand(bench: Workshop) -> None:
    """The formula with its numbers gives the size at 20 degC."""
    told = derivation(bench, inspected(bench))
    for size in told["sizes"]:
        for reading in size["readings"]:
            words = reading["formula"].split(" = ")
            sum_ = words[1].replace("×", "*").replace("[", "(").replace("]", ")").replace(") (", ") * (")
            sum_ = sum_.replace(" (1 +", " * (1 +").replace("/ * (", "/ (").replace("* * (", "* (")
            assert eval(sum_) == pytest.approx(reading["size"], abs=2e-6)  # noqa: S307


def test_summaries_of_shape(bench: Workshop) -> None:
    """Ovality both ways with its axis and significance, taper and the selection bias, of each size and station."""
    readings = [at(OD, v, s, phi) for s in (1, 2) for phi, v in ((0, 97.880), (60, 97.850), (120, 97.850))]
    told = derivation(bench, inspected(bench, readings=readings))
    (size,) = told["sizes"]
    station = size["stations"][0]
    assert station["ovality"] == pytest.approx(0.04)
    assert math.sin(math.radians(station["ovality_axis"])) == pytest.approx(0.0, abs=1e-6)
    assert station["ovality_two_point"] == pytest.approx(0.03)
    # studentised range of 3 with 60 degrees of freedom: 3.40 (tables)
    assert station["ovality_threshold"] == pytest.approx(3.40 * 0.0015, rel=2e-3)
    assert station["ovality_significant"] is True
    assert size["out_of_round"] == pytest.approx(0.04)
    assert size["selection_bias"] == pytest.approx(1.267 * 0.0015, rel=1e-6)
    assert station["ovality_standard_uncertainty"] == pytest.approx(2 * 0.0015 * math.sqrt(2 / 3), rel=1e-6)
    assert station["ovality_of_noise"] == pytest.approx(2 * 0.0015 * math.sqrt(math.pi / 3), rel=1e-6)


def test_the_assessment_tells_the_shape_too(bench: Workshop) -> None:
    """Ovality both ways, taper with its uncertainty, wear track and selection bias, as the derivation has them."""
    features = [dict(feature) for feature in KIND["features"]]
    features[0] |= {"stations": [{"station": s, "position": 40.0 * s} for s in (1, 2, 3)]}
    bench.put_kind(features=features)
    readings = [
        at(OD, value + step, s, phi)
        for s, step in ((1, 0.0), (2, -0.03), (3, -0.02))
        for phi, value in ((0, 97.880), (60, 97.860), (120, 97.860))
    ]
    inspection = inspected(bench, readings=readings + four(98.0, BORE))
    size, bore = bench.assessment(inspection)["sizes"]
    told = derivation(bench, inspection)["sizes"][0]
    station = told["stations"][0]
    assert size["roundness"] == {
        "station": 1, "two_point": pytest.approx(0.02), "threshold": station["ovality_threshold"], "significant": True,
        "ovality": station["ovality"], "ovality_standard_uncertainty": station["ovality_standard_uncertainty"],
        "axis": station["ovality_axis"],
    }  # fmt: skip
    for name in ("taper", "taper_standard_uncertainty", "selection_bias", "wear_track", "out_of_round"):
        assert size[name] == told[name], name
    assert size["taper"] == pytest.approx(-0.02)
    assert size["taper_standard_uncertainty"] == pytest.approx(0.0015 / math.sqrt(3) * math.sqrt(2))
    # wear 0.0433, 0.0733, 0.0633 from 97.91: the vertex of the parabola through them
    assert size["wear_track"]["peak_position"] == pytest.approx(90.0)
    assert (size["wear_track"]["first"], size["wear_track"]["last"]) == (40.0, 120.0)
    assert (bore["roundness"]["ovality"], bore["roundness"]["axis"], bore["wear_track"]) == (None, None, None)
    inches = bench.assessment(inspection, unit="in")["sizes"][0]
    assert inches["wear_track"]["peak_position"] == pytest.approx(90.0 / 25.4)
    assert inches["roundness"]["axis"] == size["roundness"]["axis"]


def test_inches(bench: Workshop) -> None:
    """Lengths in inches, temperatures as they are; contributions stay sensitivity times value."""
    inspection = inspected(bench)
    mm, inches = derivation(bench, inspection), derivation(bench, inspection, "?unit=in")
    for a, b in zip(results(mm), results(inches), strict=True):
        assert b["value"] * 25.4 == pytest.approx(a["value"], rel=1e-12)
        for line, other in zip(a["budget"], b["budget"], strict=True):
            assert other["contribution"] == pytest.approx(other["sensitivity"] * other["value"], rel=1e-12)
            assert other["contribution"] * 25.4 == pytest.approx(line["contribution"], rel=1e-12)
            assert other["unit"] == {"mm": "in"}.get(line["unit"], line["unit"])


def test_monte_carlo_agrees_with_the_budget(bench: Workshop) -> None:
    """Drawn through the formulas themselves: interval ends within a tenth of u; the same seed gives the same."""
    inspection = inspected(bench)
    query = "?check=monte-carlo&draws=200000&seed=7"
    told = derivation(bench, inspection, query)
    for one in (*told["sizes"], *told["clearances"]):
        result = one[one.get("discard_on", "worst")]
        drawn = result["monte_carlo"]
        assert drawn["agrees"], one
        assert drawn["mean"] == pytest.approx(result["value"], abs=0.02 * result["standard_uncertainty"])
        assert drawn["standard_uncertainty"] == pytest.approx(spread_of_draws(result), rel=0.01)
        assert (drawn["draws"], drawn["seed"]) == (200_000, 7)
    assert derivation(bench, inspection, query) == told
    assert derivation(bench, inspection, "?check=monte-carlo&draws=200000&seed=8") != told
    for bad in ("draws=10", "draws=5000000", "seed=-1"):
        answer = bench.client.get(f"/v1/inspections/{inspection}/assessment/derivation?check=monte-carlo&{bad}")
        assert answer.status_code == 422


def test_the_assessment_takes_a_second_opinion_too(bench: Workshop) -> None:
    """`?check=monte-carlo` on the assessment: the same draws beside each size and clearance, null where not asked."""
    inspection = inspected(bench)
    plain = bench.assessment(inspection)
    asked: dict[str, Any] = {"check": "monte-carlo", "draws": 20000, "seed": 3, "unit": "in"}
    checked = bench.assessment(inspection, **asked)
    told = derivation(bench, inspection, "?check=monte-carlo&draws=20000&seed=3&unit=in")
    for name in ("sizes", "clearances"):
        for shown, one, other in zip(checked[name], told[name], plain[name], strict=True):
            assert shown["monte_carlo"] == one[one.get("discard_on", "worst")]["monte_carlo"] is not None
            assert other["monte_carlo"] is None
    answer = bench.client.get(f"/v1/inspections/{inspection}/assessment?check=monte-carlo&draws=20000")
    assert answer.status_code == 200 and "ETag" not in answer.headers
    assert bench.client.get(f"/v1/inspections/{inspection}/assessment?check=monte").status_code == 422


def test_few_wait_to_be_drawn(bench: Workshop) -> None:
    """While one is drawn and another waits, a further one is told to come back, and plain answers are given."""
    path = f"/v1/inspections/{inspected(bench)}/assessment"
    with second_opinion._places, second_opinion._places:
        answer = bench.client.get(f"{path}?check=monte-carlo&draws=20000")
        assert (answer.status_code, answer.get_json(force=True)["code"]) == (503, "busy")
        assert answer.headers["Retry-After"]
        assert bench.client.get(f"{path}/derivation").status_code == 200
    assert bench.client.get(f"{path}?check=monte-carlo&draws=20000").status_code == 200


def test_few_degrees_of_freedom_show_in_the_tail(bench: Workshop) -> None:
    """Where few repeats hold much of the variance the drawn tail is the longer one (S4.6)."""
    bench.call("PUT", "/gauges/FEW", GAUGE | {"reproducibility": {"sd": 0.004, "degrees_of_freedom": 2}})
    told = derivation(bench, inspected(bench, readings=four(97.81, gauge="FEW")), "?check=monte-carlo&draws=400000")
    worst = told["sizes"][0]["worst"]
    assert worst["low_degrees_of_freedom"] is True
    assert worst["monte_carlo"]["probability_beyond"] > worst["probability_beyond"]


def test_missing_temperatures_are_in_the_draws_too(bench: Workshop) -> None:
    """Room and objects as assumed: budget and draws agree where only one temperature, or none, was given."""
    bare = [{k: v for k, v in r.items() if k != "temperature_c"} for r in four(97.86, reference_temperature_c=23.0)]
    none = [{k: v for k, v in r.items() if "temperature" not in k} for r in four(98.0, BORE)]
    told = derivation(bench, inspected(bench, readings=bare + none), "?check=monte-carlo&draws=200000")
    for size in told["sizes"]:
        drawn = size["worst"]["monte_carlo"]["standard_uncertainty"]
        assert drawn == pytest.approx(spread_of_draws(size["worst"]), rel=0.01)


def test_a_second_measurement_shows_both(bench: Workshop) -> None:
    """What was measured twice is derived from both, with what they share once."""
    inspected(bench, 10)
    again = inspected(bench, 10.1, remeasures="W10")
    told = derivation(bench, again)
    assert all(one["combined"] and one["agrees"] for one in (*told["sizes"], *told["clearances"]))
    keys = [line["key"] for line in told["sizes"][0]["worst"]["budget"]]
    assert sum(key.startswith("read:") for key in keys) == 2 and keys.count("cal:MIC") == 1


def test_an_older_assessment_keeps_its_derivation(bench: Workshop) -> None:
    """As of that assessment: a new certificate and a new study change nothing of it."""
    inspection = inspected(bench)
    before = derivation(bench, inspection)
    bench.call("PUT", "/gauges/MIC", GAUGE | {"bias": 0.004, "repeatability": {"sd": 0.01, "degrees_of_freedom": 5}})
    assert derivation(bench, inspection) == before
    assert derivation(bench, inspection, "?version=1") == before


def test_what_has_no_derivation(bench: Workshop) -> None:
    """No such inspection, no assessment yet, no such version; a trace without a swing has nothing to derive."""
    url = "/v1/inspections/01890a5d-ac96-774b-bcce-b302099a8057/assessment/derivation"
    assert bench.client.get(url).status_code == 404
    inspection = inspected(bench)
    url = f"/v1/inspections/{inspection}/assessment/derivation"
    assert bench.client.get(f"{url}?version=9").status_code == 404
    ramp = [n / 1000 for n in range(40)]
    trace = at(BORE, 0, gauge="DBG", master="RING") | {"kind": "trace", "trace": ramp, "value": None}
    flat = inspected(bench, 20, [trace])
    (size,) = derivation(bench, flat)["sizes"]
    assert (size["worst"]["budget"], size["verdict"]) == ([], "remeasure")
