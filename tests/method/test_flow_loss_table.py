"""The table of a fit's leak against the full solution."""

import numpy as np
import pytest

from worker.method.leak_table import DEEPEST, SMALLEST, FitPath, LeakTable, table_of

BOUND = 1e-5


def random_paths(n: int) -> list[FitPath]:
    rng = np.random.default_rng(31)
    paths = []
    for i in range(n):
        up = rng.uniform(0.3, 1.0)
        paths.append(
            FitPath(
                land_length=rng.uniform(0.01, 0.15),
                upstream_fraction=up,
                downstream_fraction=up * rng.uniform(0.0, 0.98),
                duty=rng.uniform(0.05, 1.0),
                eccentricity=0.0 if i % 2 else rng.random(),
                temperature=rng.uniform(280.0, 360.0),
            )
        )
    return paths


@pytest.mark.parametrize("path", random_paths(10))
def test_table_is_within_its_bound(path: FitPath) -> None:
    """Over clearances 0.1 um to 10 mm and all pressures of the table: 1e-5 relative of the full solution."""
    rng = np.random.default_rng(32)
    set_pressure = 10 ** rng.uniform(5.7, 6.6)
    table = LeakTable(path, set_pressure, set_pressure * 1.1)
    clearance = np.concatenate((10 ** rng.uniform(-7.0, -2.0, 4000), 10 ** rng.uniform(-4.7, -3.5, 8000)))
    pressure = set_pressure * rng.uniform(DEEPEST, 1.1, clearance.size)
    full = path.full_solution(1.0, clearance, pressure)
    leak, slope = table.at(clearance, pressure)
    assert leak == pytest.approx(path.duty * full.mass_flow, rel=BOUND)
    assert slope == pytest.approx(path.duty * full.slope, rel=5e-3)
    at_set = table.rows(clearance)[:, table.set_node]
    assert at_set == pytest.approx(path.duty * path.full_solution(1.0, clearance, set_pressure).mass_flow, rel=BOUND)


def test_rows_and_single_points_are_the_same_table() -> None:
    """A row read at one of its nodes is the point there; the nodes hold set and supply pressure."""
    table = LeakTable(random_paths(1)[0], 21e5, 24e5)
    clearance = np.array([0.0, 1e-7, 5e-5, 2e-4])
    rows = table.rows(clearance)
    assert table.pressures[table.set_node] == 21e5 and table.pressures[-1] >= 24e5
    for node in (2, 40, table.set_node):
        leak, _ = table.at(clearance, np.full(4, table.pressures[node]))
        assert leak == pytest.approx(rows[:, node], rel=1e-12)
    assert rows[0].tolist() == [0.0] * table.pressures.size


def test_pressures_beyond_the_table_use_the_full_solution() -> None:
    """Deep in starvation the leak is the full solution, and joins the table within its bound."""
    path = random_paths(1)[0]
    table = LeakTable(path, 21e5, 21e5)
    clearance = np.full(3, 2e-4)
    pressure = np.array([2e5, table.pressures[0] * (1.0 - 1e-12), table.pressures[0]])
    leak, slope = table.at(clearance, pressure)
    full = path.full_solution(1.0, clearance, pressure)
    assert leak[:2] == pytest.approx(path.duty * full.mass_flow[:2], rel=1e-14)
    assert slope[:2] == pytest.approx(path.duty * full.slope[:2], rel=1e-14)
    assert leak[2] == pytest.approx(leak[1], rel=BOUND)


@pytest.mark.parametrize("dead", [{"duty": 0.0}, {"upstream_fraction": 0.4, "downstream_fraction": 0.4}])
def test_a_path_without_flow_leaks_nothing(dead: dict[str, float]) -> None:
    """No duty or no pressure difference: zero everywhere, and no warning."""
    figures = {
        "land_length": 0.05,
        "upstream_fraction": 0.9,
        "downstream_fraction": 0.2,
        "duty": 0.5,
        "eccentricity": 0.5,
        "temperature": 330.0,
    }
    table = LeakTable(FitPath(**figures | dead), 21e5, 21e5)
    with np.errstate(all="raise", under="ignore"):
        assert not table.rows(np.array([0.0, SMALLEST / 2, 1e-4])).any()
        assert not np.any(table.at(np.array([1e-4]), np.array([15e5])))


def test_a_reversed_path_leaks_as_much() -> None:
    """Leaking from the low side wastes the same air."""
    forward = FitPath(0.05, 0.9, 0.2, 0.5, 0.5, 330.0)
    backward = FitPath(0.05, 0.2, 0.9, 0.5, 0.5, 330.0)
    c = np.array([1e-4, 3e-4])
    assert LeakTable(backward, 21e5, 21e5).rows(c) == pytest.approx(LeakTable(forward, 21e5, 21e5).rows(c), rel=1e-12)


def test_one_table_for_the_same_figures() -> None:
    """A table is made once for a fit's figures, whichever revision they come from."""
    path = random_paths(1)[0]
    assert table_of(path, 21e5, 21e5) is table_of(FitPath(**{f: getattr(path, f) for f in path.__slots__}), 21e5, 21e5)
