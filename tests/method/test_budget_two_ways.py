"""Budgets over a seeded set of realistic inspections, against another library and against random draws (S3, S4)."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from scipy.sparse import csr_array
from uncertainties import ufloat

from tests.method.independent_budget import Row, Workpiece, given
from tests.method.size_bench import NAN, bench, fits
from worker.method.budget import covariance, select
from worker.method.clearances import clear
from worker.method.monte_carlo import Asked, draw
from worker.method.sizes import measure

SUBJECTS: list[Row] = [{"grows": True}, {"grows": False}]


def realistic(seed: int) -> tuple[list[Row], list[Row], list[Row], list[Row]]:
    """Readings of a bore and a shaft, gauges, masters and subjects: every mechanism of the budget turns up."""
    rng = np.random.default_rng(seed)
    material = int(rng.integers(-1, 2))
    gauges: list[Row] = []
    for kind in (3, 0):
        gauge: Row = {
            "kind": kind, "resolution": float(rng.choice([0.0, 0.001, 0.005])), "bias": float(rng.normal(0, 5e-4)),
            "expansion": float(rng.choice([NAN, 11.0e-6])), "material": material if rng.random() < 0.5 else -1,
        }  # fmt: skip
        if rng.random() < 0.7:
            gauge |= {"calibration_u": 0.0008, "calibration_nu": float(rng.choice([np.inf, 12.0, 6.0]))}
        if rng.random() < 0.7:
            gauge |= {"repeatability": 0.0013, "repeatability_nu": float(rng.choice([60.0, 14.0]))}
            gauge |= {"reproducibility": 0.0009, "reproducibility_nu": float(rng.choice([7.0, 12.0]))}
        gauges.append(gauge)
    masters: list[Row] = [
        {"size": 90.0012, "u": 0.0004, "expansion": float(rng.choice([NAN, 12e-6])), "material": material},
        {"size": 89.9995, "u": 0.0006},
    ]
    subjects = [
        subject | {"expansion": float(rng.choice([NAN, 12.1e-6])), "material": material if rng.random() < 0.5 else -1}
        for subject in SUBJECTS
    ]
    both_by_master = rng.random() < 0.3  # one bore gauge and its ring for both: keys shared between the features
    given_c = str(rng.choice(["both", "part", "reference", "none"], p=[0.55, 0.15, 0.15, 0.15]))
    rows: list[Row] = []
    for measurand, middle in ((0, 90.05), (1, 89.92)):
        deviation = measurand == 0 or both_by_master
        for station in range(1, int(rng.integers(2, 5))):
            for orientation in (0.0, 60.0, 120.0)[: int(rng.integers(1, 4))]:
                size = middle + rng.normal(0, 0.012)
                one = {
                    "measurand": measurand, "station": station, "orientation": orientation,
                    "gauge": 0 if deviation else 1, "is_deviation": deviation, "master": 0 if deviation else -1,
                    "setup": 0 if deviation else -1, "zero_readings": 3 if deviation else 1, "operator": 0,
                    "thermometer": 0, "thermometer_u": 0.25,
                    "part_c": 26.5 if given_c in ("both", "part") else NAN,
                    "reference_c": 22.5 if given_c in ("both", "reference") else NAN,
                }  # fmt: skip
                other = one | {"master": 1, "setup": 1} if deviation and rng.random() < 0.2 else None
                for row in filter(None, (one, other)):
                    nominal = masters[row["master"]]["size"] if deviation else 0.0
                    for _ in range(int(rng.integers(1, 4))):
                        rows.append(row | {"value": size - nominal + rng.normal(0, 0.0015)})
    return rows, gauges, masters, subjects


def second_order(size: float, row: Row, same_material: bool) -> float:
    """S3: D^2 [u^2(da) u^2(theta) + u^2(a) u^2(dtheta)] where no temperature was given."""
    if given(row["part_c"]) or given(row["reference_c"]):
        return 0.0
    alpha, apart = 1e-6 / 3**0.5, 1.0 / 3**0.5
    difference = 0.0 if same_material else 2.0 * alpha**2
    return size**2 * (difference * (100.0 / 3 + apart**2) + alpha**2 * 2.0 * apart**2)


def by_library(rows: list[Row], gauges: list[Row], masters: list[Row], subjects: list[Row]) -> dict[str, tuple]:
    """Value, u and nu_eff of each statistic by the library's derivatives; the second order is added by hand."""
    nu_of: dict[Any, float] = {}

    def draw(key: tuple[Any, ...], u: float, nu: float, shape: str) -> Any:
        made = ufloat(0.0, u, tag=str(key))
        nu_of[made] = nu
        return made

    piece = Workpiece(rows, gauges, masters, subjects, draw)
    statistics = {}
    for m, (subject, name) in enumerate(zip(subjects, ("bore", "shaft"), strict=True)):
        row = next(r for r in rows if r["measurand"] == m)
        reference = masters[row["master"]] if row["is_deviation"] else gauges[row["gauge"]]
        same = subject["material"] >= 0 and subject["material"] == reference.get("material", -1)
        for words, size in ((name, piece.mean(m)), (f"worst {name}", piece.worst(m, lambda x: x.n))):
            statistics[words] = (size, second_order(size.n, row, same))
    for words, bore, shaft in (("mean", "bore", "shaft"), ("worst", "worst bore", "worst shaft")):
        (b, more), (s, other) = statistics[bore], statistics[shaft]
        statistics[words] = (b - s, more + other)
    found = {}
    for name, (size, more) in statistics.items():
        parts = {variable: part**2 for variable, part in size.error_components().items()}
        variance = sum(parts.values()) + more
        spread = sum(part**2 / nu_of[variable] for variable, part in parts.items())
        found[name] = (size.n, variance**0.5, variance**2 / spread if spread else np.inf)
    return found


def by_method(rows: list[Row], gauges: list[Row], masters: list[Row], subjects: list[Row]) -> dict[str, tuple]:
    sizes = measure(bench(rows, subjects, gauges, masters))
    clearances = clear(sizes, fits([0], [1]))
    found = {}
    for n, name in enumerate(("bore", "shaft")):
        found[name] = (sizes.mean[n], sizes.of_mean.u[n], sizes.of_mean.nu[n])
        found[f"worst {name}"] = (sizes.worst[n], sizes.of_worst.u[n], sizes.of_worst.nu[n])
    found["mean"] = (clearances.mean[0], clearances.of_mean.u[0], clearances.of_mean.nu[0])
    found["worst"] = (clearances.worst[0], clearances.of_worst.u[0], clearances.of_worst.nu[0])
    return found


@pytest.mark.published
@pytest.mark.parametrize("seed", range(40))
def test_budgets_agree_with_another_library(seed: int) -> None:
    """Value, u and effective degrees of freedom of sizes and clearances, shared keys netted, by `uncertainties`.

    Library: `uncertainties` (E. O. Lebigot), automatic differentiation, one variable for each physical influence.
    """
    case = realistic(seed)
    expected, got = by_library(*case), by_method(*case)
    for name, (value, u, nu) in expected.items():
        assert got[name][0] == pytest.approx(value, abs=1e-11), name
        assert got[name][1] == pytest.approx(u, rel=1e-6), name
        assert min(got[name][2], 1e9) == pytest.approx(min(nu, 1e9), rel=1e-5), name  # S0.2: infinite from there


@pytest.mark.parametrize("seed", [3, 5, 8, 13, 21, 34])
def test_budgets_agree_with_random_draws(seed: int) -> None:
    """The same model drawn 100,000 times, each key once for all it enters: u within 1 %."""
    case = realistic(seed)
    rng, draws = np.random.default_rng(seed), 100_000

    def draw(key: tuple[Any, ...], u: float, nu: float, shape: str) -> Any:
        if shape == "rectangular":
            return rng.uniform(-u * 3**0.5, u * 3**0.5, draws)
        if np.isfinite(nu) and nu > 2.0:  # scaled back to u: what is checked is how influences add up
            return u * ((nu - 2.0) / nu) ** 0.5 * rng.standard_t(nu, draws)
        return rng.normal(0.0, u, draws)

    piece = Workpiece(*case, draw)
    middle = {"bore": piece.mean(0), "shaft": piece.mean(1)}
    middle["mean"] = middle["bore"] - middle["shaft"]
    worst = piece.worst(0, lambda x: float(np.median(x))) - piece.worst(1, lambda x: float(np.median(x)))
    got = by_method(*case)
    for name, size in middle.items():
        assert float(np.std(size)) == pytest.approx(got[name][1], rel=0.01), name
    assert float(np.std(worst)) == pytest.approx(got["worst"][1], rel=0.015)


def test_a_bore_gauge_for_both_sides_is_netted_out() -> None:
    """One ring, one set-up, one gauge, one inspector for bore and shaft: their clearance keeps only what differs."""
    rows = [
        {
            "measurand": m, "station": 1, "orientation": 0.0, "value": v, "gauge": 0, "is_deviation": True, "master": 0,
            "setup": 0, "zero_readings": 1, "operator": 0, "thermometer": 0, "part_c": 20.0, "reference_c": 20.0,
        }
        for m, v in ((0, 0.05), (1, -0.05))
    ]  # fmt: skip
    gauge = {
        "kind": 3, "resolution": 0.001, "calibration_u": 0.002, "repeatability": 0.001, "repeatability_nu": 50.0,
        "reproducibility": 0.003, "reproducibility_nu": 2.0,
    }  # fmt: skip
    sizes = measure(bench(rows, SUBJECTS, [gauge], [{"size": 90.0, "u": 0.004}]))
    clearances = clear(sizes, fits([0], [1]))
    shared = 0.001**2 + 0.002**2 + 0.003**2 + 0.004**2  # zero, certificate, inspector, ring
    bore, shaft = (sizes.mean_forms.combine(select([0], [n], [1.0], (1, 2))) for n in (0, 1))
    both = covariance(bore, shaft)[0]
    assert both == pytest.approx(shared, rel=1e-2)  # and a little temperature of the ring
    assert sizes.of_mean.low_dof[0] and not clearances.of_worst.low_dof[0]
    assert clearances.of_worst.u[0] == pytest.approx(((0.001**2) * 2 + 2 * (90 * 11.5e-6 * 0.3) ** 2) ** 0.5, rel=1e-3)


def test_the_service_s_own_draws_agree() -> None:
    """Monte Carlo as clients ask for it: mean and spread, of a t distribution nu/(nu - 2) times its scale squared."""
    looked_at = 0
    for seed in range(40):
        rows, gauges, masters, subjects = realistic(seed)
        made = bench(rows, subjects, gauges, masters)
        sizes = measure(made)
        terms, nu = sizes.mean_forms.terms, sizes.mean_forms.nu
        if nu[np.unique(terms.indices)].min() <= 5.0:  # the spread of draws from so long a tail says little
            continue
        looked_at += 1
        owner = sizes.stations.measurand
        share = 1.0 / np.bincount(owner)[owner]
        means = select(owner, np.arange(len(owner)), share, (2, len(owner))) @ sizes.station_weights()
        asked = Asked(csr_array(means), np.full(2, NAN), np.array([True, False]))
        finite = np.minimum(nu, 1e12)
        wider = finite / (finite - 2.0)
        spread = np.sqrt(terms.multiply(terms) @ wider)
        for n, drawn in enumerate(draw(made, sizes, asked, 40_000, seed)):
            assert drawn.mean == pytest.approx(sizes.mean[n], abs=0.03 * spread[n]), seed
            assert drawn.standard_uncertainty == pytest.approx(spread[n], rel=0.02), seed
    assert looked_at >= 10
