"""Benches for the tests of sizes: from documents shaped as clients send them, and from the chain cases of S9."""

from collections.abc import Sequence
from dataclasses import dataclass, fields
from itertools import count
from typing import Any

import numpy as np

from worker.method.clearances import Fits
from worker.method.influences import GAUGE_KINDS
from worker.method.readings import Bench, Gauges, Masters, Measurands, Parameters, Readings

NAN, INF = float("nan"), float("inf")
# S11.1, S11.2, S12 of the method page, in mm and K
RANDOM = {"micrometer": 2, "telescopic": 8, "dial-bore": 2, "digital-bore": 1.5, "caliper": 15, "unnamed": 8}
CALIBRATION = {"micrometer": 2, "telescopic": 2, "dial-bore": 2, "digital-bore": 1.5, "caliper": 10, "unnamed": 4}


def table(kind: type, rows: Sequence[dict[str, Any]], defaults: dict[str, Any]) -> Any:
    """Columns of a table from rows of keywords."""
    columns = {}
    for field in fields(kind):
        column = [row.get(field.name, defaults.get(field.name)) for row in rows]
        sample = defaults.get(field.name)
        dtype = bool if isinstance(sample, bool) else np.int64 if isinstance(sample, int) else float
        columns[field.name] = np.array(column, dtype=dtype)
    return kind(**columns)


def readings(rows: Sequence[dict[str, Any]]) -> Readings:
    """Readings; what a row leaves out is not given."""
    defaults = {
        "measurand": 0, "station": 0, "orientation": NAN, "position": NAN, "value": NAN, "is_deviation": False,
        "trace_u": NAN, "trace_nu": NAN, "gauge": -1, "master": -1, "setup": -1, "zero_readings": 1,
        "operator": -1, "thermometer": -1, "thermometer_u": NAN, "part_c": NAN, "reference_c": NAN,
    }  # fmt: skip
    return table(Readings, rows, defaults)


def measurands(rows: Sequence[dict[str, Any]]) -> Measurands:
    """Measurands, each its own object in inspection 0 unless said."""
    defaults = {
        "inspection": 0, "part_object": 0, "grows": False, "expansion": NAN, "material": -1, "parameters": 0
    }  # fmt: skip
    return table(Measurands, [{"part_object": i} | row for i, row in enumerate(rows)], defaults)


def gauges(rows: Sequence[dict[str, Any]] = ()) -> Gauges:
    """Gauges of which nothing is known beyond what a row says."""
    defaults = {
        "kind": 0, "resolution": 0.0, "bias": 0.0, "calibration_u": NAN, "calibration_nu": INF,
        "repeatability": NAN, "repeatability_nu": INF, "reproducibility": NAN, "reproducibility_nu": INF,
        "expansion": NAN, "material": -1,
    }  # fmt: skip
    return table(Gauges, rows, defaults)


def masters(rows: Sequence[dict[str, Any]] = ()) -> Masters:
    """Masters of typical steel unless a row says otherwise."""
    return table(Masters, rows, {"size": NAN, "u": 0.0, "expansion": NAN, "material": -1})


def parameters(*changes: dict[str, Any]) -> Parameters:
    """Parameter sets: the defaults of S11 and S12 with these changes each."""
    sets = changes or ({},)
    base = {
        "random": [RANDOM[kind] * 1e-3 for kind in GAUGE_KINDS],
        "calibration": [CALIBRATION[kind] * 1e-3 for kind in GAUGE_KINDS],
        "assumed_nu": 8.0, "assumed_allowed": True, "room_half_width": 10.0, "between_half_width": 1.0,
        "part_u": 0.3, "master_u": 0.2, "gauge_u": 0.5, "thermometer_u": 0.25, "expansion_half_width": 1e-6,
    }  # fmt: skip
    return Parameters(**{name: np.array([(base | change)[name] for change in sets]) for name in base})


def bench(
    reading_rows: Sequence[dict[str, Any]],
    measurand_rows: Sequence[dict[str, Any]] = ({},),
    gauge_rows: Sequence[dict[str, Any]] = (),
    master_rows: Sequence[dict[str, Any]] = (),
    par: Parameters | None = None,
) -> Bench:
    """A bench from rows."""
    return Bench(
        readings(reading_rows),
        measurands(measurand_rows),
        gauges(gauge_rows),
        masters(master_rows),
        par or parameters(),
    )


def fits(bores: Sequence[int], shafts: Sequence[int], pairs: Sequence[tuple[int, int, int]] = ()) -> Fits:
    """Fits; pairs are (fit, bore station, shaft station)."""
    fit, bore_station, shaft_station = np.array(pairs, np.int64).reshape(-1, 3).T
    return Fits(np.array(bores, np.int64), np.array(shafts, np.int64), fit, bore_station, shaft_station)


@dataclass(frozen=True)
class Documents:
    """A bench and its names, from a catalogue, gauges, masters and inspections as clients send them."""

    bench: Bench
    fits: Fits
    features: list[str]
    fit_codes: list[str]
    new: dict[str, float]
    discard: dict[str, float]


def from_documents(document: dict[str, Any], copies: int = 1) -> Documents:
    """The bench of one inspection document, repeated as `copies` inspections of as many tools."""
    catalogue, sent = document["catalogue"], document["inspection"]
    features = [f"{f['part']}.{f['code']}" for f in catalogue["features"]]
    gauge_of = {serial: i for i, serial in enumerate(document["gauges"])}
    master_of = {serial: i for i, serial in enumerate(document["masters"])}
    setups = {s["setup"]: (i, s["readings_at_zero"]) for i, s in enumerate(sent["setups"])}
    rows, subjects = [], []
    for copy in range(copies):
        first = copy * len(features)
        for f in catalogue["features"]:
            subjects.append(
                {
                    "inspection": copy,
                    "grows": f["kind"] in ("bore", "gap"),
                    "expansion": f.get("expansion_per_k", NAN),
                }
            )
        for r in sent["readings"]:
            setup, zeros = setups.get(r.get("setup"), (-1, 1))
            rows.append(
                {
                    "measurand": first + features.index(r["feature"]),
                    "station": r.get("station", 0),
                    "orientation": r.get("orientation", NAN),
                    "value": r["value"],
                    "is_deviation": r["kind"] == "deviation",
                    "gauge": gauge_of.get(r.get("gauge"), -1),
                    "master": master_of.get(r.get("master"), -1),
                    "setup": setup,
                    "zero_readings": zeros,
                    "operator": 0,
                    "thermometer": 0,
                    "thermometer_u": sent["thermometer"]["standard_uncertainty_c"],
                    "part_c": r.get("temperature_c", NAN),
                    "reference_c": r.get("reference_temperature_c", NAN),
                }
            )
    made = bench(
        rows,
        subjects,
        [_gauge(g) for g in document["gauges"].values()],
        [_master(m) for m in document["masters"].values()],
    )
    pairs = [(f["bore"], f["shaft"]) for f in catalogue["fits"]]
    starts = [copy * len(features) for copy in range(copies)]
    return Documents(
        made,
        fits(
            [start + features.index(bore) for start in starts for bore, _ in pairs],
            [start + features.index(shaft) for start in starts for _, shaft in pairs],
        ),
        features,
        [f["code"] for f in catalogue["fits"]],
        {c: _middle(f) for c, f in zip(features, catalogue["features"], strict=True)}
        | {f["code"]: _middle(f) for f in catalogue["fits"]},
        {c: f["discard"] for c, f in zip(features, catalogue["features"], strict=True)}
        | {f["code"]: f["discard"] for f in catalogue["fits"]},
    )


def _middle(thing: dict[str, Any]) -> float:
    return (thing["new"]["min"] + thing["new"]["max"]) / 2


def _gauge(g: dict[str, Any]) -> dict[str, Any]:
    return {
        "kind": GAUGE_KINDS.index(g["kind"]),
        "resolution": g["resolution"],
        "bias": g.get("bias", 0.0),
        "calibration_u": g["calibration"]["expanded_uncertainty"] / g["calibration"]["coverage_factor"],
        "repeatability": g["repeatability"]["sd"],
        "repeatability_nu": g["repeatability"]["degrees_of_freedom"],
        "reproducibility": g["reproducibility"]["sd"],
        "reproducibility_nu": g["reproducibility"]["degrees_of_freedom"],
        "expansion": g.get("expansion_per_k", NAN),
    }


def _master(m: dict[str, Any]) -> dict[str, Any]:
    return {
        "size": m["size"],
        "u": m["expanded_uncertainty"] / m["coverage_factor"],
        "expansion": m.get("expansion_per_k", NAN),
    }


def from_chain(case: dict[str, Any]) -> Bench:
    """The bench of a `pipeline` case of S9: measurand 0 the bore, 1 the shaft."""
    rows, gauge_rows, master_rows, materials = [], [], [], _numbers()
    for measurand, side in enumerate((case["bore"], case["shaft"])):
        g, master = side["gauge"], side.get("master")
        reference = master or side["scale"]
        gauge_rows.append(
            {
                "resolution": g["step"], "bias": g.get("bias", 0.0), "calibration_u": g["U"] / g["k"],
                "repeatability": g["s_r"], "repeatability_nu": g["nu_r"], "reproducibility": g["s_op"],
                "reproducibility_nu": g["nu_op"], "expansion": side.get("scale", {}).get("alpha", NAN),
                "material": materials(side.get("scale", {}).get("alpha_key")),
            }
        )  # fmt: skip
        if master:
            master_rows.append(
                {
                    "size": master["L"],
                    "u": master["U"] / master["k"],
                    "expansion": master["alpha"],
                    "material": materials(master.get("alpha_key")),
                }
            )
        for r in side["readings"]:
            for value in r["values"]:
                rows.append(
                    {
                        "measurand": measurand, "station": int(r["s"][1:]), "orientation": r["phi"],
                        "position": r["z"], "value": value, "is_deviation": bool(master), "gauge": measurand,
                        "master": len(master_rows) - 1 if master else -1,
                        "zero_readings": master["n_zero"] if master else 1, "operator": 0, "thermometer": 0,
                        "thermometer_u": side["thermo"]["u"], "part_c": side["part"]["t"],
                        "reference_c": reference["t"],
                    }
                )  # fmt: skip
    sides = [
        {
            "grows": name == "bore",
            "expansion": case[name]["part"]["alpha"],
            "material": materials(case[name]["part"].get("alpha_key")),
        }
        for name in ("bore", "shaft")
    ]
    half_width = case["bore"]["part"]["u_alpha"] * 3**0.5
    return bench(rows, sides, gauge_rows, master_rows, parameters({"expansion_half_width": half_width}))


def _numbers() -> Any:
    """Number names from 0 in the order they turn up; None is -1."""
    known: dict[str, int] = {}
    fresh = count()
    return lambda name: -1 if name is None else known.setdefault(name, next(fresh))
