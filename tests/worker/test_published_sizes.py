"""The published cases of the sizes method through the whole service: bodies in, assessment and derivation out.

Each case is of `tests/published`, where its source stands beside it. Not here, because no body leads to them: sums with
a full correlation matrix (P03, P15), budgets of another trade (P01, P12) and pooled deviations (P05, P08); gauge
studies (P09 to P11) are posted in `tests/api/test_gauge_studies.py`.
"""

from __future__ import annotations

import json
from typing import Any

import pytest

from tests.method.check_cases import PUBLISHED, agrees, cases
from tests.worker.conftest import Workshop, day

pytestmark = [pytest.mark.db, pytest.mark.published]
EXACT = {
    "room_half_width_c": 0, "between_objects_half_width_c": 0, "part_u_c": 0, "master_u_c": 0, "gauge_u_c": 0,
    "thermometer_u_c": 0, "expansion_half_width_per_k": 0,
}  # fmt: skip
AT_20 = {"temperature_c": 20.0, "reference_temperature_c": 20.0}
FINE = 1e-12  # mm; a resolution that adds nothing


def case(kind: str, name: str) -> Any:
    return next(one.values[0] for one in cases(kind) if one.values[0]["id"] == name)


def every(kind: str) -> list[Any]:
    return [one.values[0] for one in cases(kind)]


def put_kind(shop: Workshop, code: str, features: dict[str, dict[str, Any]], **more: Any) -> None:
    """A tool type whose features are each of a part of its own, and a tool of it by the same name."""
    document = {
        "name": code, "unit": "mm", "temperature": EXACT,
        "parts": [{"code": name.partition(".")[0], "name": name} for name in features],
        "features": [
            {"part": name.partition(".")[0], "code": name.partition(".")[2]} | feature
            for name, feature in features.items()
        ],
    }  # fmt: skip
    shop.call("PUT", f"/tool-types/{code}", document | more)
    shop.call("PUT", f"/tools/{code}", {"tool_type": code, "site": "yard", "commissioned_on": "2026-01-01"})


def put_gauge(shop: Workshop, serial: str, u: float = FINE, nu: float | None = None, **more: Any) -> None:
    """A gauge whose certificate is all its uncertainty."""
    calibration = {"expanded_uncertainty": 2 * u, "coverage_factor": 2, "degrees_of_freedom": nu}
    body = {
        "kind": "micrometer", "unit": "mm", "resolution": FINE, "calibration": calibration, "repeatability": {"sd": 0}
    }  # fmt: skip
    shop.call("PUT", f"/gauges/{serial}", body | more)


def inspect(shop: Workshop, tool: str, readings: list[dict[str, Any]], n: float = 10, **more: Any) -> str:
    body = {"reference": f"W{n:g}", "tool": tool, "taken_at": day(n), "unit": "mm", "readings": readings} | more
    return str(shop.call("POST", "/inspections", body)["id"])


def derivation(shop: Workshop, inspection: str) -> Any:
    return shop.call("GET", f"/inspections/{inspection}/assessment/derivation")


def test_sizes_at_20_degrees(shop: Workshop) -> None:
    """P02, P13, P14, P04: a deviation from a block, a warm part, inches, and the spread of five repeats."""
    put_gauge(shop, "G")
    put_gauge(shop, "OWN", repeatability=None)
    block, warm, inch, repeats = (case(kind, name) for kind, name in (
        ("size20", "P02"), ("size20", "P13"), ("size20", "P14"), ("type_a", "P04")))  # fmt: skip
    master = {"unit": "mm", "size": block["in"]["L"], "expanded_uncertainty": FINE}
    shop.call("PUT", "/masters/BLOCK", master)
    put_kind(shop, "k", {
        "a.block": {"kind": "bore", "new": {"min": 50.0, "max": 50.001}, "expansion_per_k": block["in"]["a_part"]},
        "b.warm": {"kind": "length", "new": {"min": 99.9, "max": 100.1}, "expansion_per_k": warm["in"]["a_part"]},
        "c.inch": {"kind": "shaft", "new": {"min": 89.9, "max": 90.1}},
        "d.repeats": {"kind": "wall", "new": {"min": 4.9, "max": 5.1}},
    })  # fmt: skip
    deviation = {"kind": "deviation", "master": "BLOCK", "value": block["in"]["dev"]}
    warm_c = {"temperature_c": warm["in"]["t_part"], "reference_temperature_c": 20.0}
    first = inspect(shop, "k", [
        {"feature": "a.block", "gauge": "G", "temperature_c": 19.9, "reference_temperature_c": 19.9} | deviation,
        {"feature": "b.warm", "gauge": "G", "value": warm["in"]["L"]} | warm_c,
        *[{"feature": "d.repeats", "gauge": "OWN", "station": 1, "value": x} | AT_20 for x in repeats["in"]["x"]],
    ])  # fmt: skip
    inches = {"feature": "c.inch", "gauge": "G", "value": inch["in"]["L"] / 25.4} | AT_20
    second = inspect(shop, "k", [inches], 20, unit="in")
    shop.work()
    sizes = {size["feature"]: size for n in (first, second) for size in shop.assessment(n)["sizes"]}
    agrees(block, v=sizes["a.block"]["mean"])
    agrees(warm, v=sizes["b.warm"]["mean"])
    agrees(inch, v=sizes["c.inch"]["mean"])
    told = next(one for one in derivation(shop, first)["sizes"] if one["feature"] == "d.repeats")
    read = next(line for line in told["mean"]["budget"] if line["key"].startswith("read:"))
    n = len(repeats["in"]["x"])
    agrees(
        repeats,
        mean=sizes["d.repeats"]["mean"],
        s=read["value"] * n**0.5,
        u=read["value"],
        nu=read["degrees_of_freedom"],
    )


def test_verdicts_and_guard_band(shop: Workshop) -> None:
    """P16 to P20, P34 and P28: probability beyond discard, verdict and guard band of one size each."""
    judged = every("verdict")
    features = {}
    for n, one in enumerate(judged):
        given, grows = one["in"], one["in"].get("side") != "lower"
        new = 0.0 if grows else given["discard"] + 0.3
        put_gauge(shop, f"G{n}", given["u"], given["nu"])
        features[f"p{n}.x"] = {
            "kind": "gap" if grows else "shaft", "new": {"min": new, "max": new},
            "discard": given["discard"], "monitor": given["monitor"], "window": 1.0,
        }  # fmt: skip
    put_kind(shop, "k", features)
    found: dict[bool, str] = {}
    for n, final in enumerate((False, True)):
        readings = [
            {"feature": f"p{at}.x", "gauge": f"G{at}", "value": one["in"]["y"]} | AT_20
            for at, one in enumerate(judged)
            if one["in"].get("final", False) == final
        ]
        found[final] = inspect(shop, "k", readings, 10 + n, final=final)
    shop.work()
    guard = case("guard", "P28")
    for n, one in enumerate(judged):
        inspection = found[one["in"].get("final", False)]
        size = next(s for s in shop.assessment(inspection)["sizes"] if s["feature"] == f"p{n}.x")
        expected = {name: one["expect"][name] for name in ("P_discard", "verdict")}
        got = {"P_discard": size["probability_beyond"], "verdict": size["verdict"]}
        agrees(one | {"expect": expected}, **got)
        told = next(s for s in derivation(shop, inspection)["sizes"] if s["feature"] == f"p{n}.x")
        if (one["in"]["u"], one["in"]["nu"]) == (guard["in"]["u"], None):
            agrees(guard, g=told["worst"]["guard_band"])


def test_conformance_of_offsets(shop: Workshop) -> None:
    """P06 and P07: probability outside one limit, and outside two."""
    judged = every("conform")
    features, offsets, readings = {}, [], []
    put_gauge(shop, "FINE")
    for n, one in enumerate(judged):
        given = one["in"]
        put_gauge(shop, f"G{n}", given["u"])
        for side, size in (("a", 100.0 + given["y"]), ("b", 100.0)):
            features[f"{side}{n}.x"] = {"kind": "length", "new": {"min": size, "max": size}}
        limits = {"min": given.get("lo", -90.0), "max": given.get("hi", 90.0)}
        offsets.append({"code": f"o{n}", "larger": f"a{n}.x", "smaller": f"b{n}.x"} | limits)
        readings += [
            {"feature": f"a{n}.x", "gauge": f"G{n}", "value": 100.0 + given["y"]} | AT_20,
            {"feature": f"b{n}.x", "gauge": "FINE", "value": 100.0} | AT_20,
        ]
    put_kind(shop, "k", features, offsets=offsets)
    inspection = inspect(shop, "k", readings)
    shop.work()
    for one, offset in zip(judged, shop.assessment(inspection)["offsets"], strict=True):
        agrees(one, p_in=1.0 - offset["probability_outside"])


def test_shapes(shop: Workshop) -> None:
    """P21 to P23: an ellipse, a taper with its uncertainty, a wear track."""
    ellipse, taper, track = case("harmonic2", "P21"), case("taper", "P22"), case("wear_track", "P23")
    put_gauge(shop, "FINE")
    put_gauge(shop, "READ", repeatability={"sd": 0.001})
    put_gauge(shop, "CAL", track["in"]["u_wear"][0])
    places = {
        name: [{"station": n + 1, "position": z} for n, z in enumerate(one["in"]["z"])]
        for name, one in (("taper", taper), ("track", track))
    }
    at_90 = {"kind": "bore", "new": {"min": 90.0, "max": 90.0}}
    put_kind(shop, "k", {
        "a.ellipse": at_90, "b.taper": at_90 | {"stations": places["taper"]}, "c.track": at_90 | {"stations":
        places["track"]},
    })  # fmt: skip
    inspection = inspect(shop, "k", [
        *[{"feature": "a.ellipse", "gauge": "FINE", "station": 1, "orientation": phi, "value": d} | AT_20
          for phi, d in zip(ellipse["in"]["phi"], ellipse["in"]["d"], strict=True)],
        *[{"feature": "b.taper", "gauge": "READ", "station": n + 1, "value": d} | AT_20
          for n, d in enumerate(taper["in"]["d"])],
        *[{"feature": "c.track", "gauge": "CAL", "station": n + 1, "value": 90.0 + w} | AT_20
          for n, w in enumerate(track["in"]["wear"])],
    ])  # fmt: skip
    shop.work()
    sizes = {size["feature"]: size for size in shop.assessment(inspection)["sizes"]}
    told = derivation(shop, inspection)["sizes"][0]["stations"][0]
    agrees(
        ellipse,
        mean=sizes["a.ellipse"]["mean"],
        ovality=sizes["a.ellipse"]["roundness"]["ovality"],
        max=told["largest"],
        min=told["smallest"],
        phi_max=(sizes["a.ellipse"]["roundness"]["axis"] + 90.0) % 180.0 - 90.0,
    )
    span = taper["in"]["z"][-1] - taper["in"]["z"][0]
    shown = sizes["b.taper"]
    expected = {name: value for name, value in taper["expect"].items() if name != "s_res"}
    agrees(
        taper | {"expect": expected},
        slope=shown["taper"] / span,
        taper=shown["taper"],
        u_slope_per_unit_s=shown["taper_standard_uncertainty"] / span / 0.001,
    )
    shown = sizes["c.track"]
    agrees(
        track,
        i_max=shown["worst_station"] - 1,
        z_peak=shown["wear_track"]["peak_position"],
        wear_peak=shown["wear_track"]["peak_wear"],
        track=[shown["wear_track"]["first"], shown["wear_track"]["last"]],
    )


def test_clearances(shop: Workshop) -> None:
    """P24 and P31: the clearance that leaks as much, and the uncertainty of four equal influences."""
    leak, four = case("clearance_for_leakage", "P24"), case("budget", "P31")
    put_gauge(shop, "FINE")
    for n in (1, 2):
        put_gauge(shop, f"U{n}", 0.001)
        shop.call("PUT", f"/masters/M{n}", {"unit": "mm", "size": 90.0, "expanded_uncertainty": 0.002})
    fit = {"code": "f", "shaft": "s.x", "bore": "b.x", "new": {"min": 0.05, "max": 0.05}, "discard": 0.5}
    put_kind(shop, "k", {
        "b.x": {"kind": "bore", "new": {"min": 90.05, "max": 90.05}},
        "s.x": {"kind": "shaft", "new": {"min": 90.0, "max": 90.0}},
    }, fits=[fit])  # fmt: skip
    first = inspect(shop, "k", [
        *[{"feature": "b.x", "gauge": "FINE", "station": s + 1, "orientation": 90 * o, "value": 90.0 + c} | AT_20
          for s, station in enumerate(leak["in"]["c"]) for o, c in enumerate(station)],
        {"feature": "s.x", "gauge": "FINE", "value": 90.0} | AT_20,
    ])  # fmt: skip
    second = inspect(shop, "k", [
        {"feature": f, "gauge": f"U{n}", "master": f"M{n}", "kind": "deviation", "value": d} | AT_20
        for n, (f, d) in enumerate((("b.x", 0.3), ("s.x", 0.0)), 1)
    ], 20)  # fmt: skip
    shop.work()
    agrees(leak, c=shop.assessment(first)["clearances"][0]["clearance_for_leakage"])
    shown = shop.assessment(second)["clearances"][0]
    agrees(four, u=shown["standard_uncertainty"] / 0.001, U=shown["expanded_uncertainty"] / 0.001)


def test_blunders(shop: Workshop) -> None:
    """P25 to P27: inches, a slipped decimal point, and a bore that shrank since it was measured as new."""
    slips, back = every("sanity_size"), case("sanity_wear", "P27")
    given = back["in"]
    put_gauge(shop, "NOW", given["U_now"] / 2)
    put_gauge(shop, "REF", given["U_ref"] / 2)
    features: dict[str, dict[str, Any]] = {
        f"s{n}.x": {"kind": "shaft", "new": {"min": one["in"]["nominal"], "max": one["in"]["nominal"]},
                    "window": one["in"]["window"]}
        for n, one in enumerate(slips)
    }  # fmt: skip
    put_kind(shop, "k", features | {"b.x": {"kind": "bore", "new": {"min": 89.9, "max": 90.1}}})
    readings = [{"feature": "b.x", "gauge": "REF", "value": given["ref"]} | AT_20]
    inspect(shop, "k", readings, 10, usage={"metres": 0})
    later = [{"feature": "b.x", "gauge": "NOW", "value": given["now"]} | AT_20]
    later += [{"feature": f"s{n}.x", "gauge": "NOW", "value": one["in"]["x"]} | AT_20 for n, one in enumerate(slips)]
    inspection = inspect(shop, "k", later, 20, usage={"metres": 100})
    shop.work()
    document = shop.assessment(inspection)
    seen: dict[str, set[str]] = {}
    for remark in document["remarks"]:
        seen.setdefault(remark["about"], set()).add(remark["code"].replace("-", "_"))
    kinds = {"inch_mm", "decimal_slip", "thimble_turn", "wrong_feature", "out_of_range", "negative_wear"}
    for n, one in enumerate(slips):
        assert seen[f"feature:s{n}.x"] & kinds == set(one["expect"]["flags"]), one["id"]
    assert seen["feature:b.x"] & kinds == {back["expect"]["flag"]}
    (words,) = (
        r["message"] for r in document["remarks"] if r["about"] == "feature:b.x" and r["code"] == "negative-wear"
    )
    assert f"{-back['expect']['score']:.1f} times the expanded uncertainty" in words
    assert {size["verdict"] for size in document["sizes"]} == {"remeasure"}


def test_traces(shop: Workshop) -> None:
    """P29 and P30: the vertex of the swings, from the master's size."""
    traces = json.loads((PUBLISHED / "rocking_traces.json").read_text(encoding="utf-8"))["cases"]
    shop.call("PUT", "/masters/RING", {"unit": "mm", "size": 90.0, "expanded_uncertainty": FINE})
    put_kind(shop, "k", {f"p{n}.x": {"kind": "bore", "new": {"min": 90, "max": 90.02}} for n, _ in enumerate(traces)})
    readings = []
    for n, one in enumerate(traces):
        put_gauge(shop, f"G{n}", resolution=one["step"] or FINE)
        trace = {"kind": "trace", "trace": one["samples"], "master": "RING"}
        readings.append({"feature": f"p{n}.x", "gauge": f"G{n}"} | trace | AT_20)
    inspection = inspect(shop, "k", readings)
    shop.work()
    for one, size in zip(traces, shop.assessment(inspection)["sizes"], strict=True):
        assert size["mean"] - 90.0 == pytest.approx(one["value"], abs=one["abs_tol"]), one["id"]


def side(shop: Workshop, name: str, given: dict[str, Any]) -> tuple[dict[str, Any], list[dict[str, Any]]]:
    """Feature and readings of one side of a `pipeline` case; its gauge and master are put in."""
    gauge, master = given["gauge"], given.get("master")
    put_gauge(
        shop, gauge["id"], gauge["U"] / gauge["k"], resolution=gauge["step"], bias=gauge.get("bias", 0.0),
        repeatability={"sd": gauge["s_r"], "degrees_of_freedom": gauge["nu_r"]},
        reproducibility={"sd": gauge["s_op"], "degrees_of_freedom": gauge["nu_op"]},
        expansion_per_k=given.get("scale", {}).get("alpha"),
    )  # fmt: skip
    from_master = {}
    if master:
        body = {"size": master["L"], "expanded_uncertainty": master["U"], "coverage_factor": master["k"]}
        shop.call("PUT", f"/masters/{master['id']}", {"unit": "mm", "expansion_per_k": master["alpha"]} | body)
        from_master = {"kind": "deviation", "master": master["id"], "setup": "zero"}
    readings = [
        {
            "feature": name, "station": int(r["s"][1:]), "orientation": r["phi"], "value": value, "gauge": gauge["id"],
            "temperature_c": given["part"]["t"], "reference_temperature_c": (master or given["scale"])["t"],
        } | from_master
        for r in given["readings"] for value in r["values"]
    ]  # fmt: skip
    return {"expansion_per_k": given["part"]["alpha"]}, readings


def test_the_whole_chain(shop: Workshop) -> None:
    """P32 and P33: bore by ring and bore gauge, shaft by micrometer, through to the verdict on their clearance."""
    for n, one in enumerate(every("pipeline")):
        given, tool = one["in"], f"k{n}"
        (bore, bore_readings), (shaft, shaft_readings) = (side(shop, f"{s}.x", given[s]) for s in ("bore", "shaft"))
        fit = {"code": "f", "shaft": "shaft.x", "bore": "bore.x", "new": {"min": 0.05, "max": 0.07}} | given["limits"]
        put_kind(shop, tool, {
            "bore.x": bore | {"kind": "bore", "new": {"min": 89.99, "max": 90.01}},
            "shaft.x": shaft | {"kind": "shaft", "new": {"min": 89.93, "max": 89.95}},
        }, fits=[fit], temperature={})  # fmt: skip
        thermometer = given["bore"]["thermo"]
        inspection = inspect(
            shop, tool, bore_readings + shaft_readings, inspector=given["bore"]["operator"],
            setups=[{"setup": "zero", "gauge": given["bore"]["gauge"]["id"], "master": given["bore"]["master"]["id"],
                     "readings_at_zero": given["bore"]["master"]["n_zero"]}],
            thermometer={"serial": thermometer["id"], "standard_uncertainty_c": thermometer["u"]},
        )  # fmt: skip
        shop.work()
        (shown,) = shop.assessment(inspection)["clearances"]
        (told,) = derivation(shop, inspection)["clearances"]
        assert told["agrees"] and "station 2" in told["worst"]["formulas"][0]
        expected = {name: v for name, v in one["expect"].items() if name not in ("where", "P_monitor")}
        agrees(
            one | {"expect": expected},
            worst=shown["worst"],
            u_worst=shown["standard_uncertainty"],
            nu_worst=shown["degrees_of_freedom"],
            k=shown["coverage_factor"],
            U=shown["expanded_uncertainty"],
            mean=shown["mean"],
            u_mean=told["mean"]["standard_uncertainty"],
            min=shown["smallest"],
            P_discard=shown["probability_beyond"],
            verdict=shown["verdict"],
        )
