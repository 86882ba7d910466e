"""The leak model against published tables and worked examples, the library `fluids`, and brute force."""

import numpy as np
import pytest
from fluids import compressible
from fluids.friction import Churchill_1977
from scipy.optimize import brentq

from tests.method.independent_leak import mass_flux
from worker.method.air import AIR, FREE_AIR_PER_KG_S, Gas, viscosity
from worker.method.annular_gap import solve_gaps
from worker.method.fanno import critical_ratio, friction_number, sonic_pressure_ratio
from worker.method.friction import log_friction
from worker.method.leakage import leak_flow

pytestmark = pytest.mark.published
ISOTHERMAL = Gas(constant=287.0, gamma=1.0 + 1e-9)
FRICTIONLESS = 1e-12  # [m], a land too short to rub: the friction number is then the entrance loss given


def to_exit(mach: float, ratio: float, gas: Gas = AIR) -> float:
    x, q = np.array([mach**2]), np.array([ratio])
    return float(friction_number(x, q, 1.0 - q * q, gas)[0])


def to_sonic(mach: float, gas: Gas = AIR) -> float:
    return to_exit(mach, float(sonic_pressure_ratio(np.array([mach**2]), gas)[0]), gas)


def flux_of(number: float, p0: float, pb: float, temperature: float, gas: Gas = AIR) -> float:
    """Mass flux through a passage of given friction number, by the full solver."""
    columns = (1.0, FRICTIONLESS, p0, pb, temperature, number, 0.0)
    return float(solve_gaps(*(np.array([value]) for value in columns), gas=gas).flux[0])


def test_viscosity_of_air() -> None:
    """Bird, Stewart, Lightfoot, Transport Phenomena, table 1.1-2: 0, 20, 40, 60 degC."""
    found = viscosity(np.array([0.0, 20.0, 40.0, 60.0]) + 273.15) * 1e6
    assert found == pytest.approx([17.16, 18.13, 19.08, 19.99], abs=0.006)


def test_free_air_of_a_kilogram() -> None:
    """1 kg/s at 1 bar absolute and 20 degC, dry: 60 over p/(R T) = 1.188352 kg/m3."""
    assert pytest.approx(50.49010, abs=5e-6) == FREE_AIR_PER_KG_S
    assert pytest.approx(60.0 / 1.188352, rel=1e-6) == FREE_AIR_PER_KG_S


def test_small_pressure_differences_give_the_textbook_annulus() -> None:
    """pi D h^3 dp/(12 mu L): 57.6 mm3/s in Fox & McDonald ex. 8.1; the gas differs from it by -dp/2p exactly."""

    def textbook(d: float, h: float, dp: float, mu: float, land: float) -> float:
        return np.pi * d * h**3 * dp / (12.0 * mu * land)

    assert textbook(0.025, 5e-6, 19e6, 0.018, 0.015) * 1e9 == pytest.approx(57.6, abs=0.05)
    p, d, c, land = 5e5, 0.1, 1e-5, 0.08
    density, mu = p / (287.055 * 300.0), float(viscosity(300.0))
    for small in (1e-6, 1e-9):
        found = float(leak_flow(d, c, land, p, p * (1.0 - small), 300.0).mass_flow)
        dp = p - p * (1.0 - small)
        expected = density * textbook(d, c / 2.0, dp, mu, land) * (1.0 - dp / p / 2.0)
        assert found == pytest.approx(expected, rel=1e-7)  # the entrance loss takes the rest


def test_eccentric_laminar_factor() -> None:
    """1 + 1.5 e^2 up to 2.5 (Rabie, Fluid Power Engineering, eq. 2.19), here 1.09375, 1.375, 1.84375, 2.5."""
    e = np.array([0.25, 0.5, 0.75, 1.0])
    found = leak_flow(0.1, 4e-6, 0.08, 18e5, 2e5, 320.0, e).mass_flow
    alone = leak_flow(0.1, 4e-6, 0.08, 18e5, 2e5, 320.0).mass_flow
    assert found / alone == pytest.approx([1.09375, 1.375, 1.84375, 2.5], rel=2.5e-5)


@pytest.mark.parametrize("e", [0.3, 0.5, 0.8])
def test_eccentric_annulus_exact_series(e: float) -> None:
    """The exact laminar flow through an eccentric annulus (Piercy's series) at gap 0.1 mm, radius 50 mm."""
    inner, gap = np.longdouble(0.05), np.longdouble(1e-4)
    outer, offset = inner + gap, e * gap
    f = (outer**2 - inner**2 + offset**2) / (2 * offset)
    m = np.sqrt(f**2 - outer**2)
    alpha = np.log((f + m) / (f - m)) / 2
    beta = np.log((f - offset + m) / (f - offset - m)) / 2
    n = np.arange(1, 20_001, dtype=np.longdouble)
    series = np.sum(n * np.exp(-n * (beta + alpha)) / np.sinh(np.minimum(n * (beta - alpha), 5000)))
    exact = outer**4 - inner**4 - 4 * offset**2 * m**2 / (beta - alpha) - 8 * offset**2 * m**2 * series
    narrow = (inner + gap / 2) * gap**3 * (1 + 1.5 * e**2) * np.longdouble(4) / 3
    assert float(exact / narrow) == pytest.approx(1.0, abs=4e-7)


def test_compressible_laminar_closed_form() -> None:
    """pi D h^3 (p1^2 - p2^2)/(24 mu R T L): D 0.1, L 0.08, 18 to 2 bar, 320 K; inertia enters at 10 um."""
    found = leak_flow(0.1, np.array([2e-6, 1e-5, 2e-5, 4e-5]), 0.08, 18e5, 2e5, 320.0).mass_flow
    closed = np.array([2.939635e-7, 3.674543e-5, 2.939635e-4, 2.351708e-3])
    assert found / closed == pytest.approx([1.0, 0.999917, 0.99868, 0.97996], abs=5e-6)


@pytest.mark.parametrize("roughness", [0.0, 1e-4, 0.03])
def test_friction_factor_against_fluids(roughness: float) -> None:
    """fluids.Churchill_1977 over Re 0.01 to 1e8; and 64/Re where that library's powers overflow."""
    re = np.geomspace(1e-2, 1e8, 500)
    found, slope = log_friction(np.log(re), np.full(re.size, roughness))
    assert np.exp(found) == pytest.approx([Churchill_1977(r, roughness) for r in re], rel=1e-13)
    nudged, _ = log_friction(np.log(re) + 1e-6, np.full(re.size, roughness))
    assert (nudged - found) / 1e-6 == pytest.approx(slope, abs=2e-5)
    creeping, _ = log_friction(np.log([1e-200, 1e-5]), np.zeros(2))
    assert creeping == pytest.approx(np.log([64e200, 64e5]), rel=1e-14)


def test_narrow_annulus_rubs_as_a_channel() -> None:
    """f Re = 96 in laminar flow; 0.0348, 0.0258, 0.0195 at Re 1e4, 3e4, 1e5, Dean's channel law within 3 %."""
    re = np.array([1e4, 3e4, 1e5])
    found = np.exp(log_friction(np.log(2.0 * re / 3.0), np.zeros(3))[0])
    assert found == pytest.approx([0.0348, 0.0258, 0.0195], abs=5e-5)
    assert found == pytest.approx(4.0 * 0.073 * (re / 2.0) ** -0.25, rel=0.03)
    assert np.exp(log_friction(np.log([200.0]), np.zeros(1))[0]) == pytest.approx(96.0 / 300.0, rel=1e-12)


@pytest.mark.parametrize(
    ("mach", "printed", "digits"),
    [(0.10, 66.922, 3), (0.12, 45.408, 3), (0.14, 32.511, 3), (0.16, 24.198, 3), (0.25, 8.4834, 4)],
)
def test_fanno_table(mach: float, printed: float, digits: int) -> None:
    """Farokhi, Aircraft Propulsion, app. E; Bar-Meir, Fanno flow: 4fL/D to the speed of sound."""
    assert to_sonic(mach) == pytest.approx(printed, abs=0.6 * 10.0**-digits)


@pytest.mark.parametrize(("ratio", "printed"), [(0.1, 0.12728), (0.3, 0.12420), (0.5, 0.11392), (0.8, 0.07975)])
def test_fanno_duct_between_pressures(ratio: float, printed: float) -> None:
    """Bar-Meir, Fanno flow with 4fL/D = 40: inlet Mach number by exit-to-inlet pressure; the first is choked."""

    def misfit(mach: float) -> float:
        sonic = float(sonic_pressure_ratio(np.array([mach**2]))[0])
        return to_exit(mach, max(ratio, sonic)) - 40.0

    found = brentq(misfit, 0.01, 0.5, xtol=1e-12)
    assert found == pytest.approx(printed, abs=6e-6)
    p1 = (1.0 + 0.2 * found**2) ** -3.5  # and the full solver, from stagnation 1 Pa and 300 K
    flux = p1 * found * np.sqrt(1.4 * (1.0 + 0.2 * found**2) / (AIR.constant * 300.0))
    assert flux_of(40.0, 1.0, ratio * p1, 300.0) == pytest.approx(flux, rel=1e-9)


def test_reservoir_pipe_atmosphere() -> None:
    """Massey, Mechanics of Fluids, ex. 11.6: 0.1092 kg/s by table, its Mach number rounded; 0.65 % apart."""
    found = flux_of(21.30, 510e3, 100e3, 294.0, Gas(287.0, 1.4)) * np.pi / 4.0 * 0.02**2
    assert found == pytest.approx(0.10848, abs=5e-6)
    assert found == pytest.approx(0.1092, rel=0.0075)


def test_fanno_duct_of_given_inlet() -> None:
    """Cengel, ex. 12-17: 85 m/s, 220 kPa, 450 K, f 0.023, 27 m, 50 mm: exit Mach 0.42 (table), 0.284 kg/s."""
    mach = 85.0 / np.sqrt(1.4 * 287.0 * 450.0)
    rest = to_sonic(mach) - 0.023 * 27.0 / 0.05
    exit_mach = brentq(lambda m: to_sonic(m) - rest, 0.2, 0.9)
    assert exit_mach == pytest.approx(0.4102, abs=5e-5)
    assert exit_mach == pytest.approx(0.42, abs=0.011)
    assert 220e3 / (287.0 * 450.0) * 85.0 * np.pi / 4.0 * 0.05**2 == pytest.approx(0.284, abs=5e-4)
    stagnation = 220e3 * (1.0 + 0.2 * mach**2) ** 3.5, 450.0 * (1.0 + 0.2 * mach**2)
    p_exit = 220e3 * mach / exit_mach * np.sqrt((1.0 + 0.2 * mach**2) / (1.0 + 0.2 * exit_mach**2))
    flux = flux_of(0.023 * 27.0 / 0.05, stagnation[0], p_exit, stagnation[1], Gas(287.0, 1.4))
    assert flux * np.pi / 4.0 * 0.05**2 == pytest.approx(0.284, abs=5e-4)


@pytest.mark.parametrize(("back", "expected"), [(0.4e6, 7.106), (0.7e6, 6.785)])
def test_nozzle_without_friction(back: float, expected: float) -> None:
    """Cengel, ex. 12-4 (1 MPa, 873 K, 150 m/s, 50 cm2), its formula evaluated: choked, and not."""
    gas = Gas(287.0, 1.4)
    t0 = 873.0 + 150.0**2 / (2.0 * 1005.0)
    p0 = 1e6 * (t0 / 873.0) ** 3.5
    assert flux_of(1e-9, p0, back, t0, gas) * 50e-4 == pytest.approx(expected, abs=1.5e-3)


def test_nozzle_of_rounded_constant() -> None:
    """7 MPa, 2273.15 K, 20 mm: 1.8634 kg/s by the 0.0404 form (companion to a compressible flow text, ex. 16.12)."""
    found = flux_of(1e-9, 7e6, 1e5, 2273.15, Gas(287.0, 1.4)) * np.pi / 4.0 * 0.02**2
    assert found == pytest.approx(1.8634, rel=0.0025)


def test_choked_constants() -> None:
    """0.6847 p0/sqrt(R T0) and p*/p0 = 0.5283; fluids.P_critical_flow."""
    flux = flux_of(1e-12, 1e6, 1e5, 300.0) / 1e6 * np.sqrt(AIR.constant * 300.0)
    assert flux == pytest.approx(0.684731, abs=6e-7)
    assert critical_ratio() == pytest.approx(compressible.P_critical_flow(1.0, 1.4), rel=1e-12)


@pytest.mark.parametrize("number", [5.0, 20.0, 80.0, 200.0])
@pytest.mark.parametrize("ratio", [0.999, 0.9, 0.7])
def test_isothermal_limit_against_fluids(number: float, ratio: float) -> None:
    """With gamma towards 1 the balance is fluids.isothermal_gas."""
    p1, temperature, d = 10e5, 300.0, 0.05
    density = p1 / (ISOTHERMAL.constant * temperature)
    flow = compressible.isothermal_gas(density, fd=number * d / 10.0, P1=p1, P2=ratio * p1, L=10.0, D=d)
    flux = flow / (np.pi / 4.0 * d**2)
    mach = flux * np.sqrt(ISOTHERMAL.constant * temperature) / p1
    assert to_exit(mach, ratio, ISOTHERMAL) == pytest.approx(number, rel=2e-7)


@pytest.mark.parametrize(
    ("number", "printed"), [(0.5, 0.6512652), (5.0, 0.3515657), (40.0, 0.1493998), (300.0, 0.0570985)]
)
def test_isothermal_choking_against_fluids(number: float, printed: float) -> None:
    """Exit-to-inlet pressure at choking: fluids.P_isothermal_critical_flow."""
    found = brentq(lambda m: to_sonic(m, ISOTHERMAL) - number, 1e-3, 0.999)
    assert found == pytest.approx(printed, abs=6e-8)  # the ratio is the inlet Mach number
    assert printed == pytest.approx(compressible.P_isothermal_critical_flow(1.0, number, 1.0, 1.0), abs=6e-8)


@pytest.mark.parametrize(("k", "mach", "printed"), [(1.31, 0.103, 66.678), (1.4, 0.0845, 94.431)])
def test_isothermal_table(k: float, mach: float, printed: float) -> None:
    """Bar-Meir, isothermal flow: 4fL/D to choking at a Mach number built with the gas's own k."""
    assert to_sonic(np.sqrt(k) * mach, ISOTHERMAL) == pytest.approx(printed, abs=6e-4)


def test_isothermal_pipe() -> None:
    """Massey, ex. 11.7: 8 to 5 bar, f 0.006, 145 m, 41.46 mm, 288 K: 0.32 kg/s without the logarithm."""
    number = 4.0 * 0.006 * 145.0 / 0.04146
    mach = brentq(lambda m: to_exit(m, 5.0 / 8.0, ISOTHERMAL) - number, 1e-3, 0.6)
    area = np.pi / 4.0 * 0.04146**2
    flow = mach * 8e5 / np.sqrt(287.0 * 288.0) * area
    without_logarithm = np.sqrt((8e5**2 - 5e5**2) / (287.0 * 288.0 * number)) * area
    assert without_logarithm == pytest.approx(0.32, abs=0.005)
    assert flow == pytest.approx(without_logarithm / np.sqrt(1.0 + 2.0 * np.log(8.0 / 5.0) / number), rel=1e-7)


def test_independent_integration_agrees() -> None:
    """600 random gaps, 1 um to 10 mm, pressure ratio 0.001 to 0.9999: fine steps and bisection agree to 1e-6."""
    rng = np.random.default_rng(20)
    n = 600
    c, land = 10 ** rng.uniform(-6.0, -2.0, n), rng.uniform(0.005, 0.12, n)
    p0, temperature = 10 ** rng.uniform(5.0, 6.6, n), rng.uniform(250.0, 400.0, n)
    ratio = np.where(rng.random(n) < 0.5, 10 ** rng.uniform(-3.0, 0.0, n), rng.uniform(0.001, 0.9999, n))
    entrance, roughness = rng.uniform(0.0, 1.5, n), rng.choice([0.0, 0.4e-6], n)
    found = solve_gaps(c / 2.0, land, p0, ratio * p0, temperature, entrance, roughness).flux
    rows = zip(c / 2.0, land, p0, ratio * p0, temperature, entrance, roughness, strict=True)
    expected = np.array([mass_flux(*(float(value) for value in row)) for row in rows])
    assert np.abs(found / expected - 1.0).max() < 1e-8
