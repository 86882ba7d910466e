"""Reference cases of the leak past a fit, and of what is refused."""

import json
from pathlib import Path

import numpy as np
import pytest

from worker.method.leakage import (
    PATH_FIELDS,
    REGIMES,
    LeakFlow,
    faulty_fields,
    leak_flow,
)

CASES = json.loads((Path(__file__).parents[1] / "published" / "leakage.json").read_text())["cases"]
PATHS = [case for case in CASES if case["kind"] == "leak"]
GOOD = {
    "diameter": 0.098,
    "clearance": 2e-4,
    "land_length": 0.07,
    "p_up": 18e5,
    "p_dn": 3.4e5,
    "temperature": 330.0,
    "eccentricity": 0.2,
    "entrance_loss": 0.5,
    "roughness": 1e-6,
}


def figures(flow: LeakFlow) -> dict[str, object]:
    return {
        "mdot_kg_s": float(flow.mass_flow),
        "free_air_m3_min": float(flow.free_air),
        "dmdot_dc_kg_s_m": float(flow.slope),
        "Re": float(flow.reynolds),
        "regime": REGIMES[int(flow.regime)],
        "choked": bool(flow.choked),
        "code": int(flow.code),
    }


@pytest.mark.published
@pytest.mark.parametrize("case", PATHS, ids=[case["id"] for case in PATHS])
def test_leak_case_is_reproduced(case: dict) -> None:
    """Flow, slope, Reynolds number, regime, choking and code of every reference leak."""
    given = case["input"]
    found = figures(leak_flow(given["D"], given["c"], given["L"], given["p_up"], given["p_dn"], given["T"], given["e"]))
    for name, value in case["expect"].items():
        if name in case["rel_tol"]:
            assert found[name] == pytest.approx(value, rel=case["rel_tol"][name], abs=0.0), name
        else:
            assert found[name] == value, name


def test_no_clearance_or_no_pressure_difference_lets_nothing_through() -> None:
    """A closed fit, equal pressures and no pressure at all give 0, regime none and code 1."""
    flow = leak_flow(0.1, [0.0, 1e-4, 1e-4], 0.05, [1e6, 1e6, 0.0], [1e5, 1e6, 0.0], 300.0, 0.5)
    for column in (flow.mass_flow, flow.free_air, flow.slope, flow.reynolds, flow.exit_mach):
        assert column.tolist() == [0.0, 0.0, 0.0]
    assert flow.code.tolist() == [1, 1, 1]
    assert [REGIMES[i] for i in flow.regime] == ["none"] * 3
    assert not flow.choked.any()


def test_vacuum_behind_a_fit_is_choked_flow() -> None:
    """No back pressure at all is allowed, and gives what any deep back pressure gives."""
    flow = leak_flow(0.1, 3e-4, 0.05, 1e6, [0.0, 1.0], 300.0)
    assert flow.choked.all() and flow.code.tolist() == [0, 0]
    assert flow.mass_flow[0] == pytest.approx(flow.mass_flow[1], rel=1e-14)


@pytest.mark.parametrize(
    ("field", "value"),
    [(field, bad) for field in PATH_FIELDS for bad in (np.nan, np.inf, -1.0)]
    + [
        ("clearance", 0.098),
        ("land_length", 0.0),
        ("diameter", 0.0),
        ("eccentricity", 1.01),
        ("temperature", 149.0),
        ("temperature", 1501.0),
        ("p_up", 1e300),
    ],
)
def test_a_bad_figure_is_refused_by_name(field: str, value: float) -> None:
    """What cannot be computed is told by its field, and has code 9."""
    wrong = GOOD | {field: value}
    assert [name for name, is_wrong in faulty_fields(*wrong.values()).items() if is_wrong] == [field]
    assert leak_flow(**wrong).code == 9


def test_a_bad_row_of_a_batch_spoils_only_itself() -> None:
    """In a batch an invalid row is NaN with code 9; its neighbours are what they are alone."""
    clearances = np.array([2e-4, np.nan, 1e-4, -1e-5])
    flow = leak_flow(**GOOD | {"clearance": clearances})
    assert flow.code.tolist() == [0, 9, 0, 9]
    assert np.isnan(flow.mass_flow).tolist() == [False, True, False, True]
    assert flow.mass_flow[2] == pytest.approx(float(leak_flow(**GOOD | {"clearance": 1e-4}).mass_flow), rel=1e-14)
    masks = faulty_fields(*(GOOD | {"clearance": clearances}).values())
    assert masks["clearance"].tolist() == [False, True, False, True]
    assert not any(mask.any() for field, mask in masks.items() if field != "clearance")


def test_absurd_figures_give_defined_answers_without_warnings() -> None:
    """From nothing at all to a million million: every row has a finite answer or code 9, and numpy is silent."""
    sizes = np.array([0.0, 1e-300, 1e-100, 1e-20, 1e-9, 1e-6, 1e-3, 1.0, 1e11, 1e200])
    pressures = np.array([0.0, 5e-324, 1e-300, 1e-100, 1e-9, 1.0, 1e5, np.nextafter(1e5, 2e5), 1e11, 1e308])
    c, land, p_up, p_dn = (axis.ravel() for axis in np.meshgrid(sizes, sizes, pressures, pressures, indexing="ij"))
    for eccentricity in (0.0, 1.0):
        with np.errstate(all="raise", under="ignore"):
            flow = leak_flow(np.maximum(2.0 * c, 0.1), c, land, p_up, p_dn, 300.0, eccentricity, 0.0, 1e-6)
        valid = flow.code != 9
        for column in (flow.mass_flow, flow.free_air, flow.slope, flow.reynolds, flow.exit_mach):
            assert np.isfinite(column[valid]).all() and np.isnan(column[~valid]).all()
        assert np.isin(flow.code, (0, 1, 2, 9)).all() and (flow.code == 0).any()
