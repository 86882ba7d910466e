"""The published cases of `tests/published/forecast.json`, and quadratures that know nothing of our formulas."""

import json
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
from scipy import integrate
from scipy.special import log_ndtr, ndtr

PUBLISHED = Path(__file__).parents[1] / "published"


@cache
def forecast_cases() -> list[dict[str, Any]]:
    """All cases, in the order of the file."""
    return json.loads((PUBLISHED / "forecast.json").read_text())["cases"]


def reached_given(a, b, s2, t):
    """Inverse Gaussian distribution function of the first passage for a known gap and drift."""
    root = np.sqrt(s2 * t)
    return ndtr((b * t - a) / root) + np.exp(2 * a * b / s2 + log_ndtr(-(a + b * t) / root))


def reached_by_quadrature(gap, t):
    """F(t) by adaptive quadrature over drift, then gap, of the inverse Gaussian distribution function."""
    level, level_var, drift, drift_var, cov, s2 = (float(x) for x in gap)
    sd, slope = np.sqrt(level_var), cov / level_var
    given_sd = np.sqrt(drift_var - slope * cov)
    nodes, weights = np.polynomial.legendre.leggauss(400)

    def over_drift(a):
        mean = drift + slope * (a - level)
        b = mean + 9 * given_sd * nodes
        density = np.exp(-0.5 * (9 * nodes) ** 2) / np.sqrt(2 * np.pi) * 9
        return float(weights @ (density * reached_given(a, b, s2, t)))

    def integrand(a):
        return np.exp(-0.5 * ((a - level) / sd) ** 2) / (sd * np.sqrt(2 * np.pi)) * over_drift(a)

    low, high = max(0.0, level - 9 * sd), level + 9 * sd
    open_part = 0.0
    if high > low:
        breaks = low + (high - low) * np.array([1e-6, 1e-4, 1e-2, 0.1, 0.3, 0.5, 0.7])
        open_part = integrate.quad(integrand, low, high, points=breaks, epsabs=1e-10, limit=200)[0]
    return float(ndtr(-level / sd)) + open_part


def ever_by_quadrature(gap):
    """P(ever): the mean of min(1, exp(2 a b / s2)) over gap and drift, P(a <= 0) added."""
    level, level_var, drift, drift_var, cov, s2 = (float(x) for x in gap)
    sd, slope = np.sqrt(level_var), cov / level_var
    given_sd = np.sqrt(drift_var - slope * cov)

    def over_drift(a):
        mean = drift + slope * (a - level)
        away = max(10 * given_sd - mean, 0.0)
        if away == 0.0:
            return 1.0

        def receding(b):
            density = np.exp(-0.5 * ((b - mean) / given_sd) ** 2) / (given_sd * np.sqrt(2 * np.pi))
            return density * np.exp(2 * a * b / s2)

        points = -away * np.array([1e-6, 1e-4, 1e-2, 0.1, 0.5])
        part = integrate.quad(receding, -away, 0.0, points=points, epsabs=1e-11, limit=200)[0]
        return float(ndtr(mean / given_sd)) + part

    def integrand(a):
        return np.exp(-0.5 * ((a - level) / sd) ** 2) / (sd * np.sqrt(2 * np.pi)) * over_drift(a)

    low, high = max(0.0, level - 8 * sd), level + 8 * sd
    points = low + (high - low) * np.array([1e-4, 1e-2, 0.2, 0.5, 0.8])
    return float(ndtr(-level / sd)) + integrate.quad(integrand, low, high, points=points, epsabs=1e-9, limit=100)[0]
