"""Shapes and the clearance that leaks, with the numbers in their formulas (method page "sizes" S5)."""

from __future__ import annotations

import numpy as np

from worker.method.roundness import SELECTION_BIAS
from worker.method.sizes import Sizes
from worker.method.summaries import ReadSpread


def shape_words(sizes: Sizes, row: int, spread: ReadSpread) -> list[str]:
    """Taper, ovality and selection bias of one size, as far as it has them.

    Parameters
    ----------
    sizes : Sizes
    row : int
        Measurand.
    spread : ReadSpread
        Of the same sizes.
    """
    stations = sizes.stations
    at = np.flatnonzero(stations.measurand == row)
    placed = at[np.isfinite(stations.position[at])]
    found = []
    if np.isfinite(sizes.taper[row]):
        z, mean = stations.position[placed], stations.mean[placed]
        span = float(np.ptp(z))
        residual = mean - mean.mean() - sizes.taper[row] / span * (z - z.mean())
        found.append(
            f"taper = b (z_max - z_min) = {sizes.taper[row] / span:.6g} × ({z.max():g} - {z.min():g})"
            f" = {sizes.taper[row]:.6f} mm, b by least squares"
        )
        if len(placed) > 2:
            s = float(np.sqrt(residual @ residual / (len(placed) - 2)))
            found.append(f"s of the station means about that line = {s:.6g} mm")
    for n in at.tolist():
        if np.isfinite(stations.axis[n]):
            half = float(stations.ovality[n]) / 2.0
            words = f"D(φ) = {stations.centre[n]:.6f} + {half:.6f} cos 2(φ - {stations.axis[n]:.2f}°)"
            found.append(f"station {stations.station[n]}: {words}, ovality = 2 × {half:.6f} mm")
    locations = np.flatnonzero(sizes.locations.measurand == row)
    u = float(np.sqrt(np.mean(np.square(spread.location[locations]))))
    e = float(np.interp(len(locations), np.arange(1, 13), SELECTION_BIAS))
    found.append(f"selection bias ≤ e u_read = {e:.3f} × {u:.6g} = {e * u:.6g} mm, of {len(locations)} locations")
    return found


def leak_words(sizes: Sizes, bore: int, shaft: int, value: float) -> list[str]:
    """The clearance that leaks as much as the local ones, station by station. [(5.2)]

    Parameters
    ----------
    sizes : Sizes
    bore, shaft : int
        Measurands.
    value : float
        The clearance, [mm].
    """
    stations, middle = sizes.stations, float(sizes.mean[shaft])
    found = []
    cubes = []
    for n in np.flatnonzero(stations.measurand == bore).tolist():
        c = sizes.locations.value[stations.start[n] : stations.start[n] + stations.locations[n]] - middle
        cubes.append(float(np.mean(c**3)))
        sums = " + ".join(f"{one:.6f}³" for one in c)
        found.append(f"station {stations.station[n]}: g = ({sums}) / {len(c)} = {cubes[-1]:.6g} mm³")
    if value <= 0.0:
        return [*found, "c_leak = 0: a local clearance is not positive"]
    resistances = " + ".join(f"1/{one:.6g}" for one in cubes)
    return [*found, f"c_leak = ({len(cubes)} / ({resistances}))^(1/3) = {value:.6f} mm"]
