"""Air leaking past an annular fit: laminar to choked, concentric or not (leakage method, section 1).

SI and absolute pressures throughout. The clearance is the diametral one; the gap between the walls is half
of it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from worker.method.air import FREE_AIR_PER_KG_S, Floats, viscosity
from worker.method.annular_gap import Flags, GapFlow, solve_gaps

#: Words for `LeakFlow.regime`, whose numbers are positions in this list.
REGIMES: Final = ("none", "laminar", "transitional", "turbulent", "nozzle")
NONE, LAMINAR, TRANSITIONAL, TURBULENT, NOZZLE = range(5)
LAMINAR_BELOW, TURBULENT_FROM = 3150.0, 6000.0  # Re of 2100 and 4000 by the laminar-equivalent diameter
NOZZLE_BELOW = 0.5  # f L/Dh smaller than the usual entrance loss

FLOWING, CLOSED, REVERSED, INVALID = 0, 1, 2, 9

SLICES = 9  # of half the circumference; odd, so that the middle slice is the mean gap
_COSINES = np.cos((np.arange(SLICES) + 0.5) * np.pi / SLICES)
_COSINES[SLICES // 2] = 0.0
TEMPERATURE_RANGE = (150.0, 1500.0)  # [K]
ABSURD = 1e12  # no length [m], pressure [Pa] or number of velocity heads reaches this
SHUT = 1e-15  # [m], a clearance smaller than an atom lets nothing through
PATH_FIELDS: Final = (
    "diameter",
    "clearance",
    "land_length",
    "p_up",
    "p_dn",
    "temperature",
    "eccentricity",
    "entrance_loss",
    "roughness",
)


@dataclass(frozen=True, slots=True)
class LeakFlow:
    """Leak past n fits, arrays of one shape.

    Attributes
    ----------
    mass_flow : ndarray
        Positive from ``p_up`` to ``p_dn``, [kg/s].
    free_air : ndarray
        The same as free air (1 bar absolute, 20 degC, dry), [m3/min].
    slope : ndarray
        d mass_flow / d diametral clearance, [kg/(s m)].
    reynolds : ndarray
        Reynolds number on twice the mean gap.
    regime : ndarray of int8
        Position in `REGIMES`.
    choked : ndarray of bool
        Whether the mean gap runs at the speed of sound at its exit.
    exit_mach : ndarray
        Mach number at the exit of the mean gap.
    code : ndarray of int8
        0 computed, 1 nothing flows, 2 reversed (``p_dn > p_up``), 9 invalid; figures of a row with 9 are NaN.
    """

    mass_flow: Floats
    free_air: Floats
    slope: Floats
    reynolds: Floats
    regime: NDArray[np.int8]
    choked: Flags
    exit_mach: Floats
    code: NDArray[np.int8]


def leak_flow(
    diameter: ArrayLike,
    clearance: ArrayLike,
    land_length: ArrayLike,
    p_up: ArrayLike,
    p_dn: ArrayLike,
    temperature: ArrayLike,
    eccentricity: ArrayLike = 0.0,
    entrance_loss: ArrayLike = 0.5,
    roughness: ArrayLike = 0.0,
) -> LeakFlow:
    """Mass flow of air past annular fits, with its derivative by the clearance.

    Parameters
    ----------
    diameter : array_like
        Mean diameter of the fit, [m], above 0.
    clearance : array_like
        Diametral clearance, [m], ``0 <= clearance < diameter``.
    land_length : array_like
        Length of the land along the flow, [m], above 0.
    p_up, p_dn : array_like
        Absolute pressures on the two sides, [Pa], at least 0.
    temperature : array_like
        Total temperature of the air, [K], 150 to 1500.
    eccentricity : array_like, optional
        Offset of the axes over the mean gap, 0 to 1.
    entrance_loss : array_like, optional
        Velocity heads lost at the entry; 0.5 is a square edge.
    roughness : array_like, optional
        Wall roughness, [m].

    Returns
    -------
    LeakFlow
        Of the broadcast shape of the arguments.

    Notes
    -----
    Adiabatic flow with friction behind an isentropic entry; an eccentric fit is cut into slices that see the
    same pressures. Honest uncertainty 15 % in laminar or fully turbulent flow, 30 % between. Not modelled:
    motion of the piston, oil, tilt, grooves that shorten the land, pulsation. Antisymmetric in the pressures.

    References
    ----------
    .. [1] S. W. Churchill, Chem. Eng. 84 (1977) 91; friction.
    .. [2] G. Bar-Meir, Fundamentals of Compressible Fluid Mechanics; Fanno flow.

    Examples
    --------
    >>> leak = leak_flow(0.098, 210e-6, 0.070, 18e5, 3.4e5, 330.0)
    >>> round(float(leak.free_air), 3), REGIMES[int(leak.regime)], bool(leak.choked)
    (2.498, 'turbulent', True)
    """
    given = (
        diameter,
        clearance,
        land_length,
        p_up,
        p_dn,
        temperature,
        eccentricity,
        entrance_loss,
        roughness,
    )
    columns = np.broadcast_arrays(*(np.asarray(value, dtype=np.float64) for value in given))
    shape = columns[0].shape
    rows = np.stack([column.ravel() for column in columns])
    code = _codes(rows)
    flow = _Flow.empty(code)
    eccentric = rows[6] > 0.0
    open_rows = (code == FLOWING) | (code == REVERSED)
    for offsets, chosen in ((np.zeros(1), open_rows & ~eccentric), (_COSINES, open_rows & eccentric)):
        if chosen.any():
            flow.fill(chosen, rows[:, chosen], offsets)
    return flow.finish(code, shape)


def faulty_fields(*figures: ArrayLike) -> dict[str, Flags]:
    """Which rows are outside the range of which figure.

    Parameters
    ----------
    *figures : array_like
        The nine arguments of `leak_flow`, in its order.

    Returns
    -------
    dict of str to ndarray of bool
        One mask for each of `PATH_FIELDS`.

    Notes
    -----
    A clearance at or above the diameter counts against the clearance. NaN, infinity and figures above 1e12
    are outside every range.

    Examples
    --------
    >>> masks = faulty_fields(0.1, [1e-4, 0.2], 0.05, 1e6, 1e5, 300.0, 0.0, 0.5, 0.0)
    >>> masks["clearance"].tolist()
    [False, True]
    """
    columns = np.broadcast_arrays(*(np.asarray(value, dtype=np.float64) for value in figures))
    diameter, clearance, length, p_up, p_dn, temperature, eccentricity, entrance, roughness = columns
    lowest, highest = TEMPERATURE_RANGE
    inside = (
        diameter > 0.0,
        (clearance >= 0.0) & ((clearance < diameter) | ~(diameter > 0.0)),
        length > 0.0,
        p_up >= 0.0,
        p_dn >= 0.0,
        (temperature >= lowest) & (temperature <= highest),
        (eccentricity >= 0.0) & (eccentricity <= 1.0),
        entrance >= 0.0,
        roughness >= 0.0,
    )
    return {
        field: ~(good & (column < ABSURD)) for field, good, column in zip(PATH_FIELDS, inside, columns, strict=True)
    }


def _codes(rows: Floats) -> NDArray[np.int8]:
    invalid = np.logical_or.reduce(list(faulty_fields(*rows).values()))
    closed = (rows[1] < SHUT) | (rows[3] == rows[4])
    code = np.where(closed, CLOSED, np.where(rows[4] > rows[3], REVERSED, FLOWING))
    return np.where(invalid, INVALID, code).astype(np.int8)


@dataclass(frozen=True, slots=True)
class _Flow:
    """Columns of a batch while it is being filled, group of rows by group of rows."""

    mass_flow: Floats
    slope: Floats
    reynolds: Floats
    exit_mach: Floats
    regime: NDArray[np.int8]
    choked: Flags

    @classmethod
    def empty(cls, code: NDArray[np.int8]) -> _Flow:
        blank = np.where(code == INVALID, np.nan, 0.0)
        regime = np.full(code.shape, NONE, dtype=np.int8)
        return cls(blank, blank.copy(), blank.copy(), blank.copy(), regime, np.zeros(code.shape, dtype=bool))

    def fill(self, chosen: Flags, rows: Floats, cosines: Floats) -> None:
        diameter, clearance, length, p_up, p_dn, temperature, eccentricity, entrance, roughness = rows
        gap = clearance / 2.0
        wide = 1.0 + eccentricity * cosines[:, None]  # (slices, rows)
        sliced = np.broadcast_arrays(
            gap * wide,
            length,
            np.maximum(p_up, p_dn),
            np.minimum(p_up, p_dn),
            temperature,
            entrance,
            roughness,
        )
        slices = solve_gaps(*(column.ravel() for column in sliced))
        flux, flux_slope = slices.flux.reshape(wide.shape), slices.slope.reshape(wide.shape)
        per_width = np.mean(flux * wide, axis=0)
        per_width_slope = np.mean(flux * wide * (1.0 + flux_slope), axis=0)
        mean = _middle_slice(slices, wide.shape)
        sign = np.where(p_dn > p_up, -1.0, 1.0)
        reynolds = 2.0 * gap * per_width / viscosity(temperature)
        self.mass_flow[chosen] = sign * np.pi * diameter * gap * per_width
        self.slope[chosen] = sign * np.pi * diameter / 2.0 * per_width_slope
        self.reynolds[chosen] = reynolds
        self.regime[chosen] = regime_of(reynolds, mean.friction)
        self.choked[chosen] = mean.choked
        self.exit_mach[chosen] = mean.exit_mach

    def finish(self, code: NDArray[np.int8], shape: tuple[int, ...]) -> LeakFlow:
        return LeakFlow(
            self.mass_flow.reshape(shape),
            (self.mass_flow * FREE_AIR_PER_KG_S).reshape(shape),
            self.slope.reshape(shape),
            self.reynolds.reshape(shape),
            self.regime.reshape(shape),
            self.choked.reshape(shape),
            self.exit_mach.reshape(shape),
            code.reshape(shape),
        )


def _middle_slice(slices: GapFlow, shape: tuple[int, ...]) -> GapFlow:
    middle = shape[0] // 2
    return GapFlow(
        slices.flux.reshape(shape)[middle],
        slices.slope.reshape(shape)[middle],
        slices.friction.reshape(shape)[middle],
        slices.exit_mach.reshape(shape)[middle],
        slices.choked.reshape(shape)[middle],
    )


def regime_of(reynolds: Floats, friction: Floats) -> NDArray[np.int8]:
    """Name of the flow: a position in `REGIMES` from Reynolds number and friction number f L/Dh.

    Examples
    --------
    >>> [REGIMES[i] for i in regime_of(np.array([500.0, 4000.0, 9e4]), np.array([90.0, 12.0, 0.3]))]
    ['laminar', 'transitional', 'nozzle']
    """
    by_speed = np.where(reynolds < LAMINAR_BELOW, LAMINAR, np.where(reynolds < TURBULENT_FROM, TRANSITIONAL, TURBULENT))
    return np.where(friction < NOZZLE_BELOW, NOZZLE, by_speed).astype(np.int8)
