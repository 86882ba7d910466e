"""What must hold for every leak: monotone, smooth, antisymmetric, the same alone and in a batch."""

import numpy as np
import pytest

from worker.method.leakage import LAMINAR, NOZZLE, REGIMES, TRANSITIONAL, TURBULENT, leak_flow


def random_paths(n: int, seed: int) -> dict[str, np.ndarray]:
    rng = np.random.default_rng(seed)
    p_up = 10 ** rng.uniform(5.0, 6.6, n)
    return {
        "diameter": rng.uniform(0.03, 0.2, n),
        "clearance": 10 ** rng.uniform(-6.0, -2.0, n),
        "land_length": 10 ** rng.uniform(-2.3, -0.9, n),
        "p_up": p_up,
        "p_dn": p_up * np.where(rng.random(n) < 0.5, rng.uniform(0.001, 0.9999, n), 10 ** rng.uniform(-3, 0, n)),
        "temperature": rng.uniform(250.0, 400.0, n),
        "eccentricity": np.where(rng.random(n) < 0.5, 0.0, rng.random(n)),
        "entrance_loss": rng.uniform(0.0, 1.5, n),
        "roughness": np.zeros(n),
    }


def test_a_batch_row_equals_its_own_call() -> None:
    """A row gives the same to 1e-9 whatever stands beside it."""
    paths = random_paths(400, 1)
    batch = leak_flow(**paths)
    for i in range(400):
        alone = leak_flow(**{name: column[i] for name, column in paths.items()})
        assert alone.mass_flow == pytest.approx(batch.mass_flow[i], rel=1e-12)
        assert alone.slope == pytest.approx(batch.slope[i], rel=1e-9)
        assert alone.regime == batch.regime[i] and alone.choked == batch.choked[i]


@pytest.mark.parametrize("eccentricity", [0.0, 0.5, 1.0])
@pytest.mark.parametrize(("p_up", "p_dn"), [(18e5, 3.4e5), (2e5, 1e5), (10.001e5, 10e5)])
def test_flow_rises_with_clearance_without_a_jump(eccentricity: float, p_up: float, p_dn: float) -> None:
    """Through all regimes the flow rises with the clearance, no faster than the cube, and its slope is positive."""
    clearance = np.geomspace(1e-6, 1e-2, 40_001)
    flow = leak_flow(0.098, clearance, 0.07, p_up, p_dn, 330.0, eccentricity)
    steps = np.diff(np.log(flow.mass_flow)) / np.diff(np.log(clearance))
    assert (steps > 0.0).all() and (steps < 3.0 + 1e-6).all()
    assert (flow.slope > 0.0).all()
    assert {LAMINAR, TRANSITIONAL, TURBULENT} <= set(flow.regime.tolist()) or p_up == 10.001e5


@pytest.mark.parametrize("back", [False, True])
def test_a_grid_from_nothing_to_wide_open_is_finite_and_silent(back: bool) -> None:
    """0 to 10 mm, vacuum to equal pressures, either way, smooth and rough: not one floating-point exception."""
    clearance = np.concatenate(([0.0, 1e-12, 1e-9], np.geomspace(1e-7, 1e-2, 23)))
    ratio = np.concatenate(
        ([0.0, 1e-6, 1e-3], np.linspace(0.01, 0.99, 11), [0.528282, 0.9999, 1 - 1e-9, 1 - 1e-15, 1.0])
    )
    axes = (clearance, ratio, [0.0, 1.0, 21e5], [0.0, 1e-9, 0.5, 1.0], [0.0, 1.5], [0.0, 1.6e-6, 1e-3])
    c, r, p, e, k, rough = (axis.ravel() for axis in np.meshgrid(*axes, indexing="ij"))
    pressures = (p * r, p) if back else (p, p * r)
    with np.errstate(all="raise"):
        flow = leak_flow(0.098, c, 0.07, *pressures, 330.0, e, k, rough)
    for column in (flow.mass_flow, flow.free_air, flow.slope, flow.reynolds, flow.exit_mach):
        assert np.isfinite(column).all()
    still = (c < 1e-15) | (p == 0.0) | (r == 1.0)
    assert np.array_equal(flow.code, np.where(still, 1, 2 if back else 0))
    assert (np.sign(flow.mass_flow) == np.where(still, 0, -1 if back else 1)).all()
    assert flow.choked[(r == 0.0) & ~still].all() and (np.abs(flow.exit_mach) <= 1.0).all()


@pytest.mark.parametrize("clearance", [2e-5, 8e-5, 2.1e-4, 3e-3])
def test_flow_rises_with_pressure_without_a_jump(clearance: float) -> None:
    """The flow rises with the upstream pressure, and falls to nothing with the difference."""
    p_up = 1e5 + np.geomspace(1e-3, 4e6, 40_001)
    flow = leak_flow(0.098, clearance, 0.07, p_up, 1e5, 330.0).mass_flow
    steps = np.diff(np.log(flow)) / np.diff(np.log(p_up - 1e5))
    assert (steps > 0.0).all() and (steps < 2.01).all()


@pytest.mark.parametrize("clearance", [8e-5, 2.1e-4, 3e-3])
def test_flow_does_not_depend_on_a_back_pressure_below_choking(clearance: float) -> None:
    """Lowering the back pressure raises the flow until it chokes, then changes nothing; no jump between."""
    p_dn = np.linspace(18e5 - 1.0, 0.0, 20_001)
    flow = leak_flow(0.098, clearance, 0.07, 18e5, p_dn, 330.0)
    steps = np.diff(flow.mass_flow)
    assert (steps >= -1e-13 * flow.mass_flow[1:]).all()
    assert np.ptp(flow.mass_flow[flow.choked]) <= 1e-12 * flow.mass_flow[-1]
    assert (steps[1000:] < 0.01 * flow.mass_flow[-1]).all()
    assert (flow.exit_mach[flow.choked] == 1.0).all() and (flow.exit_mach[~flow.choked] <= 1.0).all()


def test_reversed_pressures_reverse_the_flow_exactly() -> None:
    """Swapping the pressures changes the signs of flow and slope and nothing else, to the last digit."""
    paths = random_paths(300, 2)
    forward = leak_flow(**paths)
    backward = leak_flow(**paths | {"p_up": paths["p_dn"], "p_dn": paths["p_up"]})
    assert np.array_equal(backward.mass_flow, -forward.mass_flow)
    assert np.array_equal(backward.slope, -forward.slope)
    assert np.array_equal(backward.reynolds, forward.reynolds)
    assert (backward.code == 2).all() and (forward.code == 0).all()


def test_similar_paths_leak_alike() -> None:
    """Clearance and land divided, pressures multiplied by the same number: the same mass flow."""
    paths = random_paths(300, 3)
    scaled = leak_flow(
        **paths
        | {
            "clearance": paths["clearance"] / 4.0,
            "land_length": paths["land_length"] / 4.0,
            "p_up": paths["p_up"] * 4.0,
            "p_dn": paths["p_dn"] * 4.0,
        }
    )
    assert scaled.mass_flow == pytest.approx(leak_flow(**paths).mass_flow, rel=1e-13)


def test_slope_is_the_derivative_of_the_flow() -> None:
    """The analytic slope agrees with central differences over random paths."""
    paths = random_paths(2000, 4)
    c = paths["clearance"]

    def difference(step: float) -> np.ndarray:
        above, below = (leak_flow(**paths | {"clearance": c * (1.0 + s)}).mass_flow for s in (step, -step))
        return (above - below) / (2.0 * step * c)

    numeric = (4.0 * difference(1e-4) - difference(2e-4)) / 3.0  # without the third derivative
    found = leak_flow(**paths)
    assert found.slope == pytest.approx(numeric, rel=2e-7)


def test_every_regime_is_told_by_its_limits() -> None:
    """Laminar below Re 3150, transitional to 6000, turbulent above, nozzle where friction is small."""
    paths = random_paths(3000, 5)
    flow = leak_flow(**paths)
    assert {REGIMES[i] for i in flow.regime} == {"laminar", "transitional", "turbulent", "nozzle"}
    rubbed = flow.regime != NOZZLE
    expected = np.digitize(flow.reynolds, (3150.0, 6000.0)) + LAMINAR
    assert np.array_equal(flow.regime[rubbed], expected[rubbed])


@pytest.mark.bench
def test_a_hundred_thousand_concentric_paths_a_second() -> None:
    """On one core, with derivative, mixed regimes."""
    from time import process_time

    paths = random_paths(200_000, 6) | {"eccentricity": np.zeros(200_000)}
    start = process_time()
    leak_flow(**paths)
    assert process_time() - start < 2.0
