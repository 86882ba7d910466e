"""Where along a bore or shaft the wear sits (method page "sizes" S5.4)."""

from dataclasses import dataclass

import numpy as np

from worker.method.budget import Floats

SIGNIFICANT = 2.0
"""Wear above this many standard uncertainties belongs to the track."""


@dataclass(frozen=True, slots=True)
class WearTrack:
    """The worn length of one feature.

    Attributes
    ----------
    deepest : int
        Index of the largest wear.
    peak_position, peak_wear : float
        Vertex of the parabola through the three points round it, else that point, [mm].
    first, last : float
        Positions of the ends of the longest run of significant wear, [mm]; NaN without one.
    """

    deepest: int
    peak_position: float
    peak_wear: float
    first: float
    last: float


def wear_track(z: Floats, wear: Floats, u_wear: Floats) -> WearTrack:
    """Find the wear track of one feature from the wear at its stations. [S5.4]

    Parameters
    ----------
    z : ndarray, shape (s,)
        Positions, increasing, [mm].
    wear : ndarray, shape (s,)
        Wear, positive, [mm].
    u_wear : ndarray, shape (s,)
        Its standard uncertainty, [mm].

    Returns
    -------
    WearTrack
        Of runs equally long (in stations) the first.

    Examples
    --------
    >>> track = wear_track(np.array([0.0, 20, 40]), np.array([0.001, 0.012, 0.011]), np.full(3, 0.002))
    >>> track.first, track.last
    (20.0, 40.0)
    """
    deepest = int(np.argmax(wear))
    position, depth = _peak(z, wear, deepest)
    edges = np.diff(np.concatenate([[0], (wear > SIGNIFICANT * u_wear).astype(int), [0]]))
    starts, ends = np.flatnonzero(edges == 1), np.flatnonzero(edges == -1) - 1
    if not len(starts):
        return WearTrack(deepest, position, depth, np.nan, np.nan)
    longest = int(np.argmax(ends - starts))
    return WearTrack(deepest, position, depth, float(z[starts[longest]]), float(z[ends[longest]]))


def _peak(z: Floats, wear: Floats, i: int) -> tuple[float, float]:
    """Vertex of the parabola through points i - 1, i, i + 1, if it lies between its neighbours."""
    if 0 < i < len(z) - 1:
        (x0, x2), (y0, y2) = z[[i - 1, i + 1]] - z[i], wear[[i - 1, i + 1]] - wear[i]
        curve = (y2 / x2 - y0 / x0) / (x2 - x0)
        slope = y0 / x0 - curve * x0
        if curve < 0 and x0 <= -slope / (2 * curve) <= x2:
            return float(z[i] - slope / (2 * curve)), float(wear[i] - slope**2 / (4 * curve))
    return float(z[i]), float(wear[i])
