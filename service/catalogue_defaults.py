"""What a catalogue entry leaves out, decided in one place, so that the answer can show the values in force.

Pure: no I/O.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

#: Linear expansion of steel, [1/K]. D. Swyt, J. Res. NIST 99 (1994) 31: typical steel.
STEEL_EXPANSION_PER_K = 11.5e-6

ASSUMED_UNCERTAINTY = {
    # Common practice, no source: standard uncertainty of one reading, mm.
    "allowed": True,
    "degrees_of_freedom": 8,
    "random": {
        "micrometer": 0.002,
        "telescopic": 0.008,
        "dial-bore": 0.002,
        "digital-bore": 0.0015,
        "caliper": 0.015,
        "unnamed": 0.008,
    },
    "calibration": {
        "micrometer": 0.002,
        "telescopic": 0.002,
        "dial-bore": 0.002,
        "digital-bore": 0.0015,
        "caliper": 0.010,
        "unnamed": 0.004,
    },
}
TEMPERATURE = {
    "room_half_width_c": 10.0,
    "between_objects_half_width_c": 1.0,
    "part_u_c": 0.3,
    "master_u_c": 0.2,
    "gauge_u_c": 0.5,
    "thermometer_u_c": 0.25,
    "expansion_half_width_per_k": 1e-6,
}
DECISION = {"risk_accept": 0.05, "risk_discard": 0.05, "monitor_fraction": 0.80}
#: Loss per mm of uniform growth: 0.20 for 0.13 mm. Common practice, no source.
LOSS_PER_MM = 1.538462
SERVICE_LOSS = 0.20
AIR = {
    "temperature_c": 20.0,
    "consumption_exponent": 1.0,
    "rate_exponent": 1.25,
    "back_pressure_bar": 1.0,
}
#: Common practice, no source: where a leak path says nothing, it leaks all the time and hangs half way to one side.
LEAK = {"duty": 1.0, "eccentricity": 0.5}


def canonical_defaults(document: Mapping[str, Any]) -> dict[str, Any]:
    """Fill every default of a checked document whose lengths are already mm.

    Parameters
    ----------
    document : mapping
        A tool type as the contract has it, lengths in mm.

    Returns
    -------
    dict
        The same with nothing left open; optional figures that have no default are None.
    """
    filled = dict(document)
    filled.setdefault("life_basis", "metres")
    filled.setdefault("service_loss", SERVICE_LOSS)
    filled.setdefault("loss_model", "rule")
    filled.setdefault("loss_per_mm", LOSS_PER_MM)
    filled["decision"] = DECISION | dict(document.get("decision") or {})
    assumed = dict(document.get("assumed_uncertainty") or {})
    filled["assumed_uncertainty"] = (
        ASSUMED_UNCERTAINTY
        | assumed
        | {
            part: ASSUMED_UNCERTAINTY[part] | dict(assumed.get(part) or {})  # type: ignore[operator]
            for part in ("random", "calibration")
        }
    )
    filled["temperature"] = TEMPERATURE | dict(document.get("temperature") or {})
    air = document.get("air")
    filled["air"] = None if air is None else {"compressor": None} | AIR | dict(air)
    for key in ("currency", "stripdown_cost", "campaign"):
        filled.setdefault(key, None)
    for key in ("air_settings", "fits", "offsets", "checks"):
        filled.setdefault(key, [])
    filled.setdefault("ground_factors", {})
    filled["parts"] = [_PART | {"name": part["code"]} | dict(part) for part in document["parts"]]
    filled["features"] = [_feature_defaults(feature) for feature in document["features"]]
    by_code = {f"{feature['part']}.{feature['code']}": feature for feature in filled["features"]}
    filled["fits"] = [_fit_defaults(fit, by_code) for fit in filled["fits"]]
    filled["offsets"] = [{"target": None} | dict(offset) for offset in filled["offsets"]]
    filled["checks"] = [
        {"stage": "as_found", "sequence": 0, "on_fail": "monitor", "question": ""} | dict(check)
        for check in filled["checks"]
    ]
    return filled


def natural_clearance(shaft: Mapping[str, Any], bore: Mapping[str, Any]) -> tuple[float, float]:
    """Return the smallest and the largest clearance that the new sizes of two features of a document give, [mm]."""
    return bore["new"]["min"] - shaft["new"]["max"], bore["new"]["max"] - shaft["new"]["min"]


def _feature_defaults(feature: Mapping[str, Any]) -> dict[str, Any]:
    filled = _FEATURE | dict(feature)
    filled["stations"] = [{"position": None} | dict(station) for station in filled["stations"]]
    return filled


def _fit_defaults(fit: Mapping[str, Any], features: Mapping[str, Mapping[str, Any]]) -> dict[str, Any]:
    low, high = natural_clearance(features[fit["shaft"]], features[fit["bore"]])
    filled = _FIT | {"new": {"min": low, "max": high}} | dict(fit)
    if filled["leak"] is not None:
        filled["leak"] = LEAK | dict(filled["leak"])
    return filled


_PART: dict[str, Any] = {
    "quantity": 1,
    "matched_set": False,
    "price": None,
    "mass_kg": None,
    "lead_days": None,
    "sides": [],
}
_FEATURE: dict[str, Any] = {
    "discard": None,
    "discard_on": "worst",
    "monitor": None,
    "wear_per_1000": None,
    "process_sd": None,
    "expansion_per_k": STEEL_EXPANSION_PER_K,
    "material": None,
    "minimum_readings": 1,
    "window": None,
    "stations": [],
}
_FIT = {"discard": None, "monitor": None, "loss_share": None, "mating_stations": None, "leak": None}
