"""Where along a bore or shaft the wear sits (method page "sizes" S5.4)."""

from dataclasses import dataclass

import numpy as np

from worker.method.budget import Floats, Ints

SIGNIFICANT = 2.0
"""Wear above this many standard uncertainties belongs to the track."""


@dataclass(frozen=True, slots=True)
class WearTracks:
    """The worn lengths of some features; shape (t,) each.

    Attributes
    ----------
    deepest : ndarray of int
        Column of the largest wear.
    peak_position, peak_wear : ndarray
        Vertex of the parabola through the three points round it, else that point, [mm].
    first, last : ndarray
        Positions of the ends of the longest run of significant wear, [mm]; NaN without one.
    """

    deepest: Ints
    peak_position: Floats
    peak_wear: Floats
    first: Floats
    last: Floats


def wear_tracks(z: Floats, wear: Floats, u_wear: Floats) -> WearTracks:
    """Find the wear track of each feature from the wear at its stations. [S5.4]

    Parameters
    ----------
    z : ndarray, shape (t, s)
        Positions, increasing along each row, [mm]; NaN after the last station of a row, of which there is one at least.
    wear : ndarray, shape (t, s)
        Wear, positive, [mm].
    u_wear : ndarray, shape (t, s)
        Its standard uncertainty, [mm].

    Returns
    -------
    WearTracks
        Of runs equally long (in stations) the first.

    Examples
    --------
    >>> track = wear_tracks(np.array([[0.0, 20, 40]]), np.array([[0.001, 0.012, 0.011]]), np.full((1, 3), 0.002))
    >>> track.first.tolist(), track.last.tolist()
    ([20.0], [40.0])
    """
    rows, known = np.arange(len(z)), np.isfinite(z)
    deepest = np.argmax(np.where(known, wear, -np.inf), axis=1)
    significant = known & (wear > SIGNIFICANT * u_wear)
    run, longest, end = (np.zeros(len(z), np.int64) for _ in range(3))
    for column in range(z.shape[1]):
        run = np.where(significant[:, column], run + 1, 0)
        longer = run > longest
        longest, end = np.where(longer, run, longest), np.where(longer, column, end)
    found = longest > 0
    first = np.where(found, z[rows, end - np.maximum(longest, 1) + 1], np.nan)
    position, depth = _peaks(z, wear, deepest)
    return WearTracks(deepest, position, depth, first, np.where(found, z[rows, end], np.nan))


def _peaks(z: Floats, wear: Floats, deepest: Ints) -> tuple[Floats, Floats]:
    """Vertex of the parabola through each deepest point and its neighbours, if it lies between those."""
    rows, width = np.arange(len(z)), z.shape[1]
    before, after = np.maximum(deepest - 1, 0), np.minimum(deepest + 1, width - 1)
    at, depth = z[rows, deepest], wear[rows, deepest]
    inside = (deepest > 0) & (deepest < width - 1) & np.isfinite(z[rows, after])
    x0, x2 = (np.where(inside, z[rows, side] - at, unit) for side, unit in ((before, -1.0), (after, 1.0)))
    y0, y2 = (np.where(inside, wear[rows, side] - depth, 0.0) for side in (before, after))
    curve = (y2 / x2 - y0 / x0) / (x2 - x0)
    bent = inside & (curve < 0)
    curve = np.where(bent, curve, -1.0)
    slope = y0 / x0 - curve * x0
    vertex = -slope / (2.0 * curve)
    between = bent & (x0 <= vertex) & (vertex <= x2)
    return np.where(between, at + vertex, at), np.where(between, depth - slope**2 / (4.0 * curve), depth)
