"""The reflection term of a first passage with uncertain gap and drift (forecast method, section 4).

For a gap ``a`` and a drift ``b`` that are jointly normal, the chance that the remaining gap has touched zero
before ``t`` and is open again at ``t`` is one smooth integral over ``a > 0``. With ``x`` the standardised gap
it is ``q`` times the integral of ``phi(x) erfcx((y0 + r x) / sqrt 2)`` over ``x > edge``. Three rules share the
work, chosen per element: Gauss-Hermite where the edge is far away, Gauss-Legendre graded towards the edge
where it is near, and a located integral in logarithms where the drift recedes so strongly that the weight sits
far from the centre.
"""

from __future__ import annotations

from itertools import pairwise
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.special import erfcx, log_ndtr, roots_hermitenorm, roots_legendre

Floats = NDArray[np.float64]

ROOT_HALF = np.sqrt(0.5)
INV_ROOT_2PI = 1.0 / np.sqrt(2.0 * np.pi)
# Beyond this many standard deviations the normal weight (1e-9) is left out.
REACH = 6.0
# Below this argument erfcx grows like exp(y^2 / 2) and may outrun the normal weight.
RECEDING = -2.0
# Elements whose factor is below exp of this, or whose edge lies further out than this, add less than 1e-10.
NEGLIGIBLE = -27.0
OUT_OF_REACH = 6.5


def _hermite(n: int) -> tuple[Floats, Floats]:
    nodes, weights = roots_hermitenorm(n)
    return nodes, weights / weights.sum()


def graded_nodes(n: int, power: int) -> tuple[Floats, Floats]:
    """Gauss-Legendre nodes and weights on (0, 1), crowded towards 0 by the substitution ``u ** power``."""
    nodes, weights = roots_legendre(n)
    u = (nodes + 1.0) / 2.0
    return u**power, weights / 2.0 * power * u ** (power - 1)


HERMITE_3 = _hermite(3)
HERMITE_5 = _hermite(5)
PLAIN = graded_nodes(24, 1)
GRADED = graded_nodes(32, 2)
STEEP = graded_nodes(32, 3)


def panel_nodes(n: int) -> tuple[Floats, Floats]:
    """Gauss-Legendre nodes and weights on (0, 1), crowded towards both ends by ``u^2 (3 - 2 u)``."""
    nodes, weights = roots_legendre(n)
    u = (nodes + 1.0) / 2.0
    return u * u * (3.0 - 2.0 * u), weights * 3.0 * u * (1.0 - u)


PANEL = panel_nodes(40)


class Reflection(NamedTuple):
    """One-dimensional arrays that fix the reflection term of each element.

    ``log_q`` is the logarithm of the factor before the integral, ``y0`` and ``r`` give the argument of erfcx at
    the standardised gap ``x``, ``low`` and ``high`` bound ``x`` where the gap is positive and within nine
    standard deviations of its mean. The gap itself is ``centre + unit x``, which is ``shift + unit x`` off its
    mean, of standard deviation ``sigma``; the drift given the gap moves by ``kappa`` times that and has
    ``drift_variance``.
    """

    log_q: Floats
    y0: Floats
    r: Floats
    low: Floats
    high: Floats
    centre: Floats
    unit: Floats
    shift: Floats
    sigma: Floats
    drift: Floats
    kappa: Floats
    drift_variance: Floats
    diffusion: Floats

    def at(self, mask: NDArray[np.bool_]) -> Reflection:
        """Return the elements where ``mask`` holds."""
        return Reflection(*(column[mask] for column in self))


def reflection_probability(term: Reflection) -> Floats:
    """Probability of having touched the limit with the gap open at both ends of the time.

    Parameters
    ----------
    term : Reflection
        Columns of shape (n,).

    Returns
    -------
    ndarray, shape (n,)
        Probability in [0, 1], [-].

    Notes
    -----
    Absolute error below 1e-7 over the range tried (steepness ``r`` up to 1e3, against composite quadrature).
    """
    lowest = np.minimum(term.y0 + term.r * term.low, term.y0 + term.r * term.high)
    receding = lowest < RECEDING
    steepness = np.abs(term.r)
    far = (term.low < -REACH + 0.5) & (term.high > REACH - 0.5) & ~receding
    smooth = far & ((term.y0 >= 8.0 * steepness) | ((steepness < 0.2) & (term.y0 >= -1.0)))
    very_smooth = smooth & ((term.y0 >= 20.0 * steepness) | (steepness < 0.02))
    near = ~smooth & ~receding
    nothing = near & ((term.log_q < NEGLIGIBLE) | (term.low > OUT_OF_REACH))
    near &= ~nothing
    result = np.zeros_like(term.y0)
    for mask, rule in (
        (very_smooth, _by_hermite_3),
        (smooth & ~very_smooth, _by_hermite_5),
        (near & (steepness <= 3.0), _by_plain),
        (near & (steepness > 3.0) & (steepness <= 30.0), _by_graded),
        (near & (steepness > 30.0), _by_steep),
        (receding, _by_located_panels),
    ):
        if mask.all():
            return rule(term)
        if mask.any():
            result[mask] = rule(term.at(mask))
    return result


def _by_hermite_3(term: Reflection) -> Floats:
    return _by_hermite(term, HERMITE_3)


def _by_hermite_5(term: Reflection) -> Floats:
    return _by_hermite(term, HERMITE_5)


def _by_hermite(term: Reflection, rule: tuple[Floats, Floats]) -> Floats:
    y0, r = term.y0 * ROOT_HALF, term.r * ROOT_HALF
    total = np.zeros_like(y0)
    for node, weight in zip(*rule, strict=True):
        total += weight * erfcx(y0 + r * node)
    return np.asarray(np.exp(term.log_q) * total)


def _by_plain(term: Reflection) -> Floats:
    return _by_legendre(term, PLAIN)


def _by_graded(term: Reflection) -> Floats:
    return _by_legendre(term, GRADED)


def _by_steep(term: Reflection) -> Floats:
    return _by_legendre(term, STEEP)


def _by_legendre(term: Reflection, rule: tuple[Floats, Floats]) -> Floats:
    start = np.maximum(term.low, -REACH)
    width = np.maximum(start, 0.0) + REACH - start
    y_start, y_width = (term.y0 + term.r * start) * ROOT_HALF, term.r * width * ROOT_HALF
    total = np.zeros_like(start)
    for node, weight in zip(*rule, strict=True):
        x = start + width * node
        total += weight * np.exp(-0.5 * x * x) * erfcx(y_start + y_width * node)
    return np.asarray(np.exp(term.log_q) * INV_ROOT_2PI * width * total)


def _log_integrand(term: Reflection, x: Floats) -> Floats:
    """Logarithm of the integrand at x, shape (n, k), in whichever form has no cancelling exponents."""
    log_q, y0, r, _, _, centre, unit, shift, sigma, drift, kappa, drift_variance, diffusion = (
        column[:, None] for column in term
    )
    y = y0 + r * x
    bridged = np.log(erfcx(np.maximum(y, 0.0) * ROOT_HALF)) - 0.5 * x * x + log_q
    off = shift + unit * x
    pull = (centre + unit * x) / diffusion
    reflected = np.minimum(2.0 * pull * (drift + kappa * off + drift_variance * pull), 0.0)
    receding = reflected + log_ndtr(-np.minimum(y, 0.0)) - 0.5 * (off / sigma) ** 2 + np.log(unit / sigma)
    return np.asarray(np.where(y >= 0.0, bridged, receding))


def _by_located_panels(term: Reflection) -> Floats:
    """Find where the weight sits, then integrate left and right of its peak."""
    usable = term.low < term.high
    low, high = term.low, np.where(usable, term.high, term.low + 1.0)

    left, right = low, high
    grid = np.linspace(0.0, 1.0, 65)
    rows = np.arange(low.size)
    for _ in range(4):
        x = left[:, None] + (right - left)[:, None] * grid
        best = _log_integrand(term, x).argmax(axis=1)
        peak = x[rows, best]
        left, right = x[rows, np.maximum(best - 1, 0)], x[rows, np.minimum(best + 1, 64)]
    top = _log_integrand(term, peak[:, None])[:, 0]
    reach = np.exp2(-np.arange(30.0))
    ends = []
    for end in (low, high):
        span = (end - peak)[:, None] * reach
        alive = _log_integrand(term, peak[:, None] + span) > top[:, None] - 40.0
        # the widest power-of-two step whose half still carries weight
        widest = np.where(alive.any(axis=1), np.maximum(alive.argmax(axis=1) - 1, 0), reach.size - 1)
        ends.append(peak + span[rows, widest])
    turn = np.clip(-term.y0 / np.where(term.r == 0.0, 1.0, term.r), *ends)
    edges = (ends[0], np.minimum(peak, turn), np.maximum(peak, turn), ends[1])
    nodes, weights = PANEL
    total = np.zeros_like(low)
    for start, stop in pairwise(edges):
        x = start[:, None] + (stop - start)[:, None] * nodes
        total += (stop - start) * (np.exp(_log_integrand(term, x)) @ weights)
    return np.asarray(np.where(usable, INV_ROOT_2PI * total, 0.0))
