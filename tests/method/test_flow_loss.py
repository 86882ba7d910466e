"""Loss by flow: reference cases, the exact balance, batches, uncertainty."""

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.optimize import brentq

from service.catalogue import Air, Compressor, Fit, ToolType, from_document
from service.catalogue_defaults import canonical_defaults
from worker.method.air import FREE_AIR_PER_KG_S
from worker.method.flow_loss import FlowModel
from worker.method.leakage import REGIMES, leak_flow
from worker.method.three_points import mean_and_variance, outer_points

PUBLISHED = Path(__file__).parents[1] / "published"
CASES = json.loads((PUBLISHED / "leakage.json").read_text())["cases"]
WORKED = json.loads((PUBLISHED / "worked_example.json").read_text())
DIAMETER = np.array([[98.0, 72.0, 52.0, 36.0]])


def tool_type() -> ToolType:
    """The invented 120 mm class hammer of the worked example."""
    return from_document("worked-example", 1, canonical_defaults(WORKED["catalogue"]))


def without_compressor() -> FlowModel:
    kind = tool_type()
    assert kind.air is not None
    return FlowModel(replace(kind.air, compressor=None), kind.fits)


def exact_loss(air: Air, fits: tuple[Fit, ...], diameter: np.ndarray, clearance: np.ndarray, taken: float) -> float:
    """The definition, written down again without tables: leak at a pressure, balance, loss."""

    def leak(c: np.ndarray, p: float) -> float:
        total = 0.0
        for fit, d, clear in zip(fits, diameter, c, strict=True):
            path = fit.leak
            assert path is not None
            flow = leak_flow(
                d * 1e-3,
                clear * 1e-3,
                path.land_length * 1e-3,
                path.upstream_fraction * p * 1e5,
                path.downstream_fraction * p * 1e5,
                air.temperature_c + 273.15,
                path.eccentricity,
            )
            total += path.duty * float(flow.free_air)
        return total

    new = np.array([fit.new.middle for fit in fits])
    supply = air.supply_bar
    delivery = air.compressor.delivery_m3_min if air.compressor else taken + leak(new, supply)
    top, back = (air.compressor.set_bar if air.compressor else supply), air.back_pressure_bar

    def pressure(c: np.ndarray) -> float:
        def balance(p: float) -> float:
            return taken * (p / supply) ** air.consumption_exponent + leak(c, p) - delivery

        if balance(top) <= 0.0:
            return top
        return brentq(balance, back, top, xtol=1e-12) if balance(back) < 0.0 else back

    kept = (pressure(clearance) - back) / (pressure(new) - back)
    return float(np.clip(1.0 - kept**air.rate_exponent, 0.0, 1.0))


@pytest.mark.published
@pytest.mark.parametrize("case", [c for c in CASES if c["kind"] == "hammer_leak"], ids=lambda c: c["id"])
def test_hammer_leak_case(case: dict) -> None:
    """Leak of every fit of the default hammer, the total, and the slope by each clearance."""
    model, c = without_compressor(), np.array([case["input"]["c_mm"]])
    leaks, _ = model.assess(DIAMETER, c, 0.0 * c)
    expect, tol = case["expect"], case["rel_tol"]
    assert leaks.free_air[0] == pytest.approx(expect["leak_m3_min"], rel=tol["leak_m3_min"])
    assert leaks.free_air.sum() == pytest.approx(expect["total"], rel=tol["total"])
    _, slope = model.leak_at(DIAMETER * 1e-3, c * 1e-3, np.array([case["input"]["p_s"]]))
    assert slope[0] * 1e-3 == pytest.approx(expect["dleak_dc_m3_min_mm"], rel=tol["dleak_dc_m3_min_mm"])


@pytest.mark.published
@pytest.mark.parametrize("case", [c for c in CASES if c["kind"] == "flow_tier"], ids=lambda c: c["id"])
def test_flow_tier_case(case: dict) -> None:
    """Fallen pressure, loss and leak share of the default hammer on a compressor made for it when new."""
    model, c = without_compressor(), np.array([case["input"]["c_mm"]])
    assert model.new_clearance == pytest.approx(case["input"]["c_new_mm"])
    _, found = model.assess(DIAMETER, c, 0.0 * c)
    expect = case["expect"]
    assert found.pressure_bar[0] * 1e5 == pytest.approx(expect["p_pa"], rel=1e-6)
    assert found.loss[0] == pytest.approx(expect["loss"], abs=2e-6)
    assert found.leak_share[0] == pytest.approx(expect["leak_frac"], abs=2e-6)
    assert bool(found.capped[0]) is expect["capped"]
    leak = found.leak_share[0] * expect["q_del"]
    assert leak == pytest.approx(expect["leak_m3_min"], rel=case["rel_tol"]["leak_m3_min"])


@pytest.mark.published
def test_worked_example_leaks_and_loss() -> None:
    """The worked example's leaks, shares of delivery, loss by flow and hammer pressure, within its tolerances."""
    kind = tool_type()
    assert kind.air is not None
    sizes = {size["feature"]: size["mean"] for size in WORKED["expected"]["sizes"]}
    rows = {row["fit"]: row for row in WORKED["expected"]["clearances"]}
    clearances = [rows[fit.code] for fit in kind.fits]
    diameter = np.array([[(sizes[fit.shaft] + sizes[fit.bore]) / 2.0 for fit in kind.fits]])
    c = np.array([[row["clearance_for_leakage"] for row in clearances]])
    u = np.array([[row["standard_uncertainty"] for row in clearances]])
    leaks, loss = FlowModel(kind.air, kind.fits).assess(diameter, c, u)
    tol, expect = WORKED["tolerances"], WORKED["expected"]["performance"]
    for name, column in (
        ("free_air_m3_min", leaks.free_air),
        ("share_of_delivery", leaks.share_of_delivery),
    ):
        assert column[0] == pytest.approx([row["leak"][name] for row in clearances], rel=tol["leak_rel"])
    assert loss.loss[0] == pytest.approx(expect["loss_by_flow"], abs=tol["loss_by_flow_abs"])
    assert loss.pressure_bar[0] == pytest.approx(expect["hammer_pressure_bar"], rel=tol["pressure_rel"])


@pytest.mark.parametrize("low_exponent", [1.0, 1.5])
@pytest.mark.parametrize(
    "compressor", [None, Compressor(14.72, 21.0), Compressor(15.5, 21.0), Compressor(14.0, 19.0), Compressor(16, 24)]
)
def test_batch_is_the_exact_balance(compressor: Compressor | None, low_exponent: float) -> None:
    """Tables and cubic steps give the loss by its definition to 1e-6, from as new to starved."""
    kind = tool_type()
    assert kind.air is not None
    air = replace(kind.air, compressor=compressor, consumption_exponent=low_exponent, rate_exponent=1.4)
    rng = np.random.default_rng(11)
    clearance = np.concatenate(
        (rng.uniform(0.03, 0.1, (3, 4)), rng.uniform(0.05, 0.4, (8, 4)), rng.uniform(0.5, 8.0, (4, 4)))
    )
    diameter = DIAMETER + rng.uniform(-0.2, 0.2, clearance.shape)
    taken = rng.choice([14.0, 11.5], clearance.shape[0])
    _, found = FlowModel(air, kind.fits).assess(diameter, clearance, 0.0 * clearance, taken)
    expected = [exact_loss(air, kind.fits, d, c, float(q)) for d, c, q in zip(diameter, clearance, taken, strict=True)]
    assert found.loss == pytest.approx(expected, abs=1e-6)
    assert (found.loss[-4:] > 0.6).all()


def test_a_batch_row_equals_its_own_call() -> None:
    """What a tool gets does not depend on the tools beside it: 1e-9."""
    kind = tool_type()
    assert kind.air is not None
    model = FlowModel(kind.air, kind.fits)
    rng = np.random.default_rng(12)
    clearance, u = rng.uniform(0.0, 0.5, (300, 4)), rng.uniform(0.0, 0.01, (300, 4))
    diameter = np.repeat(DIAMETER, 300, axis=0)
    leaks, loss = model.assess(diameter, clearance, u)
    for i in (0, 7, 127, 128, 299):
        one_leak, one_loss = model.assess(diameter[i : i + 1], clearance[i : i + 1], u[i : i + 1])
        assert one_loss.loss[0] == pytest.approx(loss.loss[i], rel=1e-9)
        assert one_loss.loss_u[0] == pytest.approx(loss.loss_u[i], rel=1e-9)
        assert one_leak.free_air[0] == pytest.approx(leaks.free_air[i], rel=1e-9)


def test_by_fit_sums_to_the_loss_and_blames_the_worn_fit() -> None:
    """The shares sum to the loss; a new hammer loses nothing; the only worn fit bears it all."""
    model = without_compressor()
    new = model.new_clearance
    clearance = np.array([new, [0.21, 0.21, 0.19, 0.18], [new[0], 0.3, new[2], new[3]]])
    _, found = model.assess(np.repeat(DIAMETER, 3, axis=0), clearance, np.zeros((3, 4)))
    assert found.loss[0] == pytest.approx(0.0, abs=1e-12) and found.by_fit[0] == pytest.approx(0.0, abs=1e-12)
    assert found.by_fit.sum(axis=1) == pytest.approx(found.loss, abs=1e-12)
    assert found.by_fit[2] == pytest.approx([0.0, found.loss[2], 0.0, 0.0], abs=1e-12)
    # As found less with that fit renewed, in the same proportions.
    regained = []
    for f in range(4):
        renewed = clearance[1:2].copy()
        renewed[0, f] = new[f]
        regained.append(found.loss[1] - model.assess(DIAMETER, renewed, np.zeros((1, 4)))[1].loss[0])
    assert found.by_fit[1] / found.loss[1] == pytest.approx(np.array(regained) / sum(regained), rel=1e-9)


def test_a_margin_of_the_compressor_is_used_up_first() -> None:
    """With margin the pressure holds (capped) and nothing is lost, until it runs out."""
    kind = tool_type()
    assert kind.air is not None
    model = FlowModel(replace(kind.air, compressor=Compressor(17.0, 21.0)), kind.fits)
    growth = np.linspace(0.0, 0.3, 61)
    clearance = model.new_clearance + growth[:, None]
    _, found = model.assess(np.repeat(DIAMETER, 61, axis=0), clearance, 0.0 * clearance)
    assert found.capped[0] and not found.capped[-1]
    assert (found.loss[found.capped] == 0.0).all() and (found.pressure_bar[found.capped] == 21.0).all()
    assert (found.loss[~found.capped] > 0.0).all() and (np.diff(found.loss) >= 0.0).all()
    assert (np.diff(found.leak_share) > 0.0).all()


def test_loss_is_monotone_through_the_end_of_the_table() -> None:
    """From new to nothing left, the loss rises without a jump, also where the full solution takes over."""
    model = without_compressor()
    clearance = np.geomspace(0.06, 30.0, 700)[:, None] * np.ones(4)
    with np.errstate(all="raise", under="ignore"):
        _, found = model.assess(np.repeat(DIAMETER, 700, axis=0), clearance, 0.0 * clearance)
    steps = np.diff(found.loss)
    assert (steps >= -1e-12).all() and steps.max() < 1e-2
    assert found.loss[0] < 0.01 and found.loss[-1] > 0.97


def test_a_grid_of_worn_hammers_is_silent() -> None:
    """Closed to wide open, certain and doubtful, tight and ample compressors: figures in their ranges, no warning."""
    kind = tool_type()
    assert kind.air is not None
    axes = ([0.0, 1e-9, 1e-4, 0.05, 0.08, 0.3, 3.0, 10.0, np.nan], [0.0, 0.08, 1.0], [0.0, 1e-6, 0.01, 5.0])
    first, others, doubt = (axis.ravel() for axis in np.meshgrid(*axes, indexing="ij"))
    clearance = np.column_stack((first, others, others, others))
    u, diameter = np.repeat(doubt[:, None], 4, axis=1), np.repeat(DIAMETER, first.size, axis=0)
    for compressor in (None, Compressor(1e-9, 21.0), Compressor(14.72, 21.0), Compressor(100.0, 30.0)):
        with np.errstate(all="raise", under="ignore"):
            leaks, loss = FlowModel(replace(kind.air, compressor=compressor), kind.fits).assess(diameter, clearance, u)
        known = np.isfinite(first)
        assert ((loss.loss[known] >= 0.0) & (loss.loss[known] <= 1.0)).all() and np.isnan(loss.loss[~known]).all()
        assert loss.by_fit[known].sum(axis=1) == pytest.approx(loss.loss[known], abs=1e-9)
        assert (loss.loss_u[known] >= 0.0).all() and (loss.loss_u[known] <= 1.0).all()
        driven = loss.pressure_bar > 1.0
        assert ((loss.leak_share[driven] >= 0.0) & (loss.leak_share[driven] <= 1.0)).all()
        assert np.isfinite(leaks.free_air[known]).all() and (leaks.free_air_u[known] >= 0.0).all()


def test_unknown_and_negative_clearances() -> None:
    """An unknown clearance leaves that fit's leak and the tool's loss unknown; below zero counts as closed."""
    model = without_compressor()
    clearance = np.array([[0.1, np.nan, 0.1, 0.1], [-0.01, 0.1, 0.1, 0.1], [0.0, 0.1, 0.1, 0.1]])
    with np.errstate(all="raise", under="ignore"):
        leaks, loss = model.assess(np.repeat(DIAMETER, 3, axis=0), clearance, np.full((3, 4), 0.002))
    assert np.isnan(leaks.free_air[0]).tolist() == [False, True, False, False]
    assert np.isnan(loss.loss).tolist() == [True, False, False] and np.isnan(loss.by_fit[0]).all()
    assert loss.loss[1] == pytest.approx(loss.loss[2], abs=1e-12)
    assert leaks.free_air[1:, 0].tolist() == [0.0, 0.0]
    assert REGIMES[int(leaks.regime[1, 0])] == "none" and not leaks.choked[1, 0]


def test_a_hammer_that_is_not_driven_has_lost_all() -> None:
    """No pressure above the back pressure, with any fits: loss 1, shared out, certain; a tighter one lost nothing."""
    kind = tool_type()
    assert kind.air is not None
    starved = FlowModel(replace(kind.air, compressor=Compressor(0.1, 21.0)), kind.fits)
    clearance = np.array([[0.08, 0.08, 0.06, 0.05], [0.2, 0.08, 0.06, 0.05], [np.nan, 0.08, 0.06, 0.05]])
    with np.errstate(all="raise", under="ignore"):
        _, found = starved.assess(np.repeat(DIAMETER, 3, axis=0), clearance, np.full((3, 4), 0.002))
    assert found.loss[:2].tolist() == [1.0, 1.0] and np.isnan(found.loss[2])
    assert found.loss_u[:2].tolist() == [0.0, 0.0] and not found.driven_new.any() and not found.capped.any()
    assert found.by_fit[:2].sum(axis=1) == pytest.approx(1.0, abs=1e-12) and found.by_fit[1, 0] == pytest.approx(1.0)
    # between the two: as new it takes a little more than there is, tight it gets by
    taken = 14.0 * 1.0 / 21.0 + 0.002
    barely = FlowModel(replace(kind.air, compressor=Compressor(taken, 21.0)), kind.fits)
    _, tight = barely.assess(DIAMETER, np.full((1, 4), 1e-4), np.zeros((1, 4)))
    assert tight.loss.tolist() == [0.0] and tight.pressure_bar[0] > 1.0 and not tight.driven_new[0]


def test_loss_is_shared_out_where_no_single_fit_regains_anything() -> None:
    """All fits far open: renewing one does not help, and the widest leak bears most; tighter fits bear nothing."""
    kind = tool_type()
    assert kind.air is not None
    model = FlowModel(replace(kind.air, compressor=Compressor(3.0, 21.0), rate_exponent=1.0), kind.fits)
    open_fits = np.array([[8.0, 6.0, 4.0, 0.01]])
    _, found = model.assess(DIAMETER, open_fits, np.zeros((1, 4)))
    assert found.loss[0] == 1.0 and found.by_fit[0].sum() == pytest.approx(1.0, abs=1e-12)
    assert found.by_fit[0, 0] > found.by_fit[0, 1] > found.by_fit[0, 2] > found.by_fit[0, 3] == 0.0
    # gains of tight fits nearly as large as losses of open ones: no share beyond the loss
    mixed = np.stack([np.array([c, 0.02, 0.02, 0.02]) for c in np.linspace(0.08, 0.2, 400)])
    _, found = without_compressor().assess(np.repeat(DIAMETER, 400, axis=0), mixed, np.zeros((400, 4)))
    assert (found.loss == 0.0).any() and (found.loss > 0.02).any()
    assert found.by_fit.sum(axis=1) == pytest.approx(found.loss, abs=1e-12)
    assert np.abs(found.by_fit).max() < 2.0 * found.loss.max()


def test_regimes_and_choking_of_a_batch_are_those_of_the_full_solution() -> None:
    """Regime and choking at the supply pressure, through every threshold."""
    kind = tool_type()
    assert kind.air is not None
    clearance = np.geomspace(0.005, 8.0, 1000)[:, None] * np.ones(4)
    leaks, _ = FlowModel(kind.air, kind.fits).assess(np.repeat(DIAMETER, 1000, axis=0), clearance, 0.0 * clearance)
    for f, fit in enumerate(kind.fits):
        path = fit.leak
        assert path is not None
        full = leak_flow(
            DIAMETER[0, f] * 1e-3,
            clearance[:, f] * 1e-3,
            path.land_length * 1e-3,
            path.upstream_fraction * 21e5,
            path.downstream_fraction * 21e5,
            330.0,
            path.eccentricity,
        )
        assert np.array_equal(leaks.regime[:, f], full.regime)
        assert np.array_equal(leaks.choked[:, f], full.choked)
        assert leaks.mass_flow[:, f] == pytest.approx(path.duty * full.mass_flow, rel=1e-5)


@pytest.mark.published
@pytest.mark.parametrize(
    ("clearance", "mean_ratio", "sd_ratio"), [(20e-6, 1.363, 1.22), (80e-6, None, 1.18), (210e-6, None, 1.0)]
)
def test_three_points_against_monte_carlo(clearance: float, mean_ratio: float | None, sd_ratio: float) -> None:
    """u = 7 um past the piston (18 to 3.4 bar): mean and scatter of the leak against the slope's, as stated."""

    def leak(c: np.ndarray) -> np.ndarray:
        return leak_flow(0.098, c, 0.07, 18e5, 3.4e5, 330.0).mass_flow

    u = 7e-6
    lower, upper = outer_points(clearance, u)
    at = leak(np.array([clearance, lower, upper]))
    mean, variance = mean_and_variance(*at)
    drawn = leak(np.maximum(np.random.default_rng(5).normal(clearance, u, 200_000), 0.0))
    by_slope = u * float(leak_flow(0.098, clearance, 0.07, 18e5, 3.4e5, 330.0).slope)
    assert drawn.std() / by_slope == pytest.approx(sd_ratio, abs=0.015)
    assert float(np.sqrt(variance)) == pytest.approx(drawn.std(), rel=0.05)
    if mean_ratio is not None:
        assert drawn.mean() / at[0] == pytest.approx(mean_ratio, abs=0.005)
        assert float(mean) / at[0] == pytest.approx(mean_ratio, abs=0.005)


def test_uncertainty_of_loss_and_leak_against_monte_carlo() -> None:
    """Three points per fit, fits independent: the scatter of 4,000 drawn sets of clearances."""
    kind = tool_type()
    assert kind.air is not None
    model = FlowModel(kind.air, kind.fits)
    clearance, u = np.array([[0.16, 0.15, 0.1, 0.12]]), np.array([[0.004, 0.006, 0.005, 0.006]])
    leaks, loss = model.assess(DIAMETER, clearance, u)
    drawn = np.random.default_rng(6).normal(clearance, u, (4_000, 4))
    drawn_leaks, drawn_loss = model.assess(np.repeat(DIAMETER, 4_000, axis=0), drawn, 0.0 * drawn)
    assert loss.loss_u[0] == pytest.approx(drawn_loss.loss.std(), rel=0.04)
    assert leaks.free_air_u[0] == pytest.approx(drawn_leaks.free_air.std(axis=0), rel=0.05)


def test_free_air_and_mass_flow_agree() -> None:
    """The two ways a leak is stated differ by the density of free air alone."""
    model = without_compressor()
    leaks, _ = model.assess(DIAMETER, model.new_clearance[None, :], np.zeros((1, 4)))
    assert leaks.free_air == pytest.approx(leaks.mass_flow * FREE_AIR_PER_KG_S, rel=1e-14)


def test_a_fit_without_leak_figures_is_refused() -> None:
    """A fit that has no land to leak along cannot be in a flow model; the message names it."""
    kind = tool_type()
    assert kind.air is not None
    with pytest.raises(ValueError, match=kind.fits[0].code):
        FlowModel(kind.air, (replace(kind.fits[0], leak=None),))
