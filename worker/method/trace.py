"""Size from the trace of a rocked bore gauge: the vertex of every swing (sizes method, S2 and S13).

Rocked through the axial plane, a two-point gauge reads a chord: the size is the bottom of a locally parabolic
trough, passed once per swing. The smallest sample is not it; noise makes that 2 to 6 um too small.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.ndimage import median_filter
from scipy.signal import find_peaks, savgol_filter

from worker.method.air import Floats

SHORTEST = 15  # samples
SMOOTH_MEDIAN, SMOOTH_LENGTH, SMOOTH_DEGREE = 5, 7, 2
PROMINENCE_SIGMAS, PROMINENCE_STEPS = 6.0, 3.0
LOWEST_WINDOW_SIGMAS, WIDEST_WINDOW_SIGMAS, SHOULDER_SHARE = 6.0, 20.0, 0.25
FEWEST_POINTS = 7
REJECT_SIGMAS = 4.0
ITERATIONS = 8
SETTLED = 1e-3  # samples; the value at the bottom moves by the square
MAD_TO_SIGMA = 1.4826  # normal distribution
SHOULDER_ERROR = 35.0  # a sinusoidal rocking motion lifts the vertex by h^2 / (35 H)


@dataclass(frozen=True, slots=True)
class TraceReading:
    """What a rocking trace says.

    Attributes
    ----------
    reading : float or None
        Mean of the swings' vertices, in the unit of the trace; None without an accepted swing.
    u : float
        Its standard uncertainty; NaN without a reading.
    nu : float
        Its degrees of freedom.
    swings : int
        Swings accepted.
    flags : tuple of str
        ``single-swing`` or ``trace-without-minimum``.
    """

    reading: float | None
    u: float
    nu: float
    swings: int
    flags: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class _Vertex:
    value: float
    u: float
    nu: float
    model: float  # what a sinusoidal hand motion adds


NO_MINIMUM = TraceReading(None, np.nan, np.nan, 0, ("trace-without-minimum",))


def read_trace(samples: ArrayLike, step: float) -> TraceReading:
    """Reading of a rocked bore gauge: a robust parabola through the bottom of every swing.

    Parameters
    ----------
    samples : array_like, shape (n,)
        Equidistant indications, any one unit.
    step : float
        Digital step of the gauge in that unit, 0 if unknown.

    Returns
    -------
    TraceReading

    Raises
    ------
    ValueError
        If a sample is not finite or the step is negative.

    Notes
    -----
    Without an accepted swing there is no reading; the ends of a trace are never taken for one. The
    uncertainty is the larger of the swings' scatter and their fits, with the shape error and the digital step.

    Examples
    --------
    >>> x = np.arange(61)
    >>> found = read_trace(0.031 + 1e-5 * (x - 30.3) ** 2, 0.0)
    >>> round(found.reading, 9), found.flags
    (0.031, ('single-swing',))
    """
    y = np.asarray(samples, dtype=np.float64)
    if y.ndim != 1 or not np.isfinite(y).all() or not step >= 0.0:
        raise ValueError("a trace is a row of finite samples, its step is not negative")
    if y.size < SHORTEST:
        return NO_MINIMUM
    sigma = _noise(y, step)
    smooth = savgol_filter(median_filter(y, SMOOTH_MEDIAN, mode="nearest"), SMOOTH_LENGTH, SMOOTH_DEGREE)
    minima = _minima(smooth, max(PROMINENCE_SIGMAS * sigma, PROMINENCE_STEPS * step))
    fits = [_fit_swing(y, smooth, minima, i, sigma) for i in range(minima.size)]
    vertices = [fit for fit in fits if fit is not None]
    return _combine(vertices, step) if vertices else NO_MINIMUM


def _noise(y: Floats, step: float) -> float:
    """Noise of one sample from second differences, which a smooth trough barely enters."""
    second = np.diff(y, 2)
    scatter = MAD_TO_SIGMA * float(np.median(np.abs(second - np.median(second))) / np.sqrt(6.0))
    rounding = 1e-12 * float(np.max(np.abs(y)))
    return max(scatter, float(step / np.sqrt(12.0)), rounding)


def _minima(smooth: Floats, rise: float) -> NDArray[np.intp]:
    """Troughs that rise by `rise` on both sides, one per trough where rounding made several equal ones."""
    candidates, _ = find_peaks(-smooth, prominence=rise)
    kept: list[int] = []
    for candidate in candidates:
        if kept:
            last = kept[-1]
            lower, higher = sorted((last, int(candidate)), key=lambda i: smooth[i])
            if smooth[last : candidate + 1].max() - smooth[higher] < rise:
                kept[-1] = (last + int(candidate)) // 2 if smooth[last] == smooth[candidate] else lower
                continue
        kept.append(int(candidate))
    return np.array(kept, dtype=np.intp)


def _fit_swing(y: Floats, smooth: Floats, minima: NDArray[np.intp], index: int, sigma: float) -> _Vertex | None:
    """Vertex of one swing, or None where no parabola of its own fits in."""
    at = int(minima[index])
    start = int(minima[index - 1]) if index else 0
    stop = int(minima[index + 1]) if index + 1 < minima.size else y.size - 1
    shoulder = float(min(smooth[start : at + 1].max(), smooth[at : stop + 1].max()) - smooth[at])
    rise = max(LOWEST_WINDOW_SIGMAS * sigma, min(SHOULDER_SHARE * shoulder, WIDEST_WINDOW_SIGMAS * sigma))
    vertex, reach = float(at), _reach_on_curve(smooth, at, rise)
    fitted = None
    for _ in range(ITERATIONS):
        window = _window(vertex, reach, y.size)
        if window is None:
            return None
        fit = _robust_parabola(np.asarray(window - vertex, np.float64), y[window] - y[at], sigma)
        if fit is None:
            return None
        moved = vertex + fit.at
        settled = fitted is not None and abs(moved - vertex) < SETTLED
        vertex, reach, fitted = moved, float(np.sqrt(rise / fit.curvature)), fit
        if settled:
            break
    if fitted is None:
        return None
    return _Vertex(fitted.value + float(y[at]), fitted.u, fitted.nu, rise**2 / (SHOULDER_ERROR * shoulder))


def _reach_on_curve(smooth: Floats, at: int, rise: float) -> float:
    """How far the smoothed curve stays within `rise` of its minimum, the nearer side."""
    over = smooth - smooth[at] > rise
    right = np.argmax(over[at:]) if over[at:].any() else smooth.size
    left = np.argmax(over[at::-1]) if over[at::-1].any() else smooth.size
    return float(min(left, right))


def _window(vertex: float, reach: float, size: int) -> NDArray[np.intp] | None:
    """Samples within reach of the vertex, at least `FEWEST_POINTS`; None where an end of the trace cuts them."""
    half = max(reach, FEWEST_POINTS / 2.0)
    first, last = int(np.ceil(vertex - half)), int(np.floor(vertex + half))
    if first < 0 or last > size - 1:
        return None
    return np.arange(first, last + 1)


@dataclass(frozen=True, slots=True)
class _Parabola:
    at: float
    value: float
    curvature: float
    u: float
    nu: float


def _robust_parabola(x: Floats, y: Floats, sigma: float) -> _Parabola | None:
    """Parabola without the samples far off it; None if it is no trough or its bottom lies outside."""
    design = np.stack((np.ones_like(x), x, x * x), axis=1)
    residual = y - design @ _least_squares(design, y)[0]
    limit = REJECT_SIGMAS * max(MAD_TO_SIGMA * float(np.median(np.abs(residual))), sigma)
    used = np.abs(residual) <= limit
    n = int(np.count_nonzero(used))
    if n < FEWEST_POINTS:
        return None
    coefficients, inverse = _least_squares(design[used], y[used])
    a, b, c = (float(value) for value in coefficients)
    if c <= 0.0 or not x[0] <= -b / (2.0 * c) <= x[-1]:
        return None
    residual = y[used] - design[used] @ coefficients
    gradient = np.array((1.0, -b / (2.0 * c), (b / (2.0 * c)) ** 2))
    variance = float(residual @ residual) / (n - 3) * float(gradient @ inverse @ gradient)
    return _Parabola(-b / (2.0 * c), a - b * b / (4.0 * c), c, float(np.sqrt(variance)), n - 3.0)


def _least_squares(design: Floats, y: Floats) -> tuple[Floats, Floats]:
    """Coefficients and inverse normal matrix, through columns of one size for its condition."""
    size = np.max(np.abs(design), axis=0)
    scaled = design / size
    inverse = np.linalg.inv(scaled.T @ scaled) / np.outer(size, size)
    coefficients: Floats = inverse @ (design.T @ y)
    return coefficients, inverse


def _combine(vertices: list[_Vertex], step: float) -> TraceReading:
    values = np.array([vertex.value for vertex in vertices])
    swings = values.size
    fitted = float(sum(vertex.u**2 for vertex in vertices)) / swings**2
    random, nu = fitted, float(sum(vertex.nu for vertex in vertices))
    if swings > 1 and (between := float(np.var(values, ddof=1)) / swings) > fitted:
        random, nu = between, swings - 1.0
    model = float(np.mean([vertex.model for vertex in vertices]))
    variance = random + model**2 + step**2 / 12.0 / swings
    nu = nu * (variance / random) ** 2 if random > 0.0 else np.inf
    flags = ("single-swing",) if swings == 1 else ()
    return TraceReading(float(values.mean()), float(np.sqrt(variance)), nu, swings, flags)
