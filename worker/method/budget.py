"""Uncertainty budgets as linear forms with named influences (method page "sizes" S4).

Rules of this file:

1. A form is one row of a sparse matrix: value + {key: d}, d = sensitivity times standard uncertainty, [mm].
   A key is a column; the same physical influence is the same column, so adding and subtracting sizes adds d
   column by column and correlation needs no coefficients (S4.3).
2. Degrees of freedom belong to the column. Columns are independent of one another.
3. Nothing here knows what a column stands for; `worker.method.influences` does.
4. A term that is NaN makes the uncertainty of its row NaN, and a NaN uncertainty decides nothing (S0.5).
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.sparse import csr_array
from scipy.special import ndtri, stdtrit

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

INFINITE_DOF = 1e9
"""Above this many degrees of freedom t is taken as normal (S0.2)."""
LOW_DOF = 5.0
LOW_DOF_SHARE = 0.10
"""S4.6: terms with fewer than LOW_DOF degrees of freedom may hold this share of the variance unflagged."""


@dataclass(frozen=True, slots=True)
class Forms:
    """Linear forms of several results over shared influences.

    Attributes
    ----------
    terms : csr_array, shape (n, K)
        d of each result (row) by influence (column), [mm].
    nu : ndarray, shape (K,)
        Degrees of freedom of each influence, ``inf`` where exact.
    """

    terms: csr_array
    nu: Floats

    def combine(self, weights: csr_array) -> "Forms":
        """Form of each row of `weights`, shape (m, n), applied to these n results."""
        return Forms(weights @ self.terms, self.nu)

    def plus(self, other: "Forms") -> "Forms":
        """Sums of these and other results over the same influences, row by row."""
        return Forms(csr_array(self.terms + other.terms), self.nu)


@dataclass(frozen=True, slots=True)
class Spread:
    """Uncertainty of n results: each attribute has shape (n,).

    Attributes
    ----------
    u : ndarray
        Combined standard uncertainty, [mm]; NaN where a term is unknown.
    nu : ndarray
        Effective degrees of freedom, untruncated; ``inf`` where every term is exact, or as good as (S0.2).
    k : ndarray
        Coverage factor, [-].
    U : ndarray
        Expanded uncertainty ``k u``, [mm].
    low_dof : ndarray of bool
        S4.6: terms with fewer than 5 degrees of freedom hold more than 10 % of the variance.
    """

    u: Floats
    nu: Floats
    k: Floats
    U: Floats
    low_dof: Bools


def select(rows: ArrayLike, columns: ArrayLike, weights: ArrayLike, shape: tuple[int, int]) -> csr_array:
    """Sparse matrix with ``weights`` at (``rows``, ``columns``); repeated places add."""
    return csr_array((weights, (rows, columns)), shape=shape)


def evaluate(forms: Forms, p: float = 0.95) -> Spread:
    """Evaluate u, nu_eff, k and U of each form. [law of propagation, Welch-Satterthwaite]

    Parameters
    ----------
    forms : Forms
        n forms in which each column occurs at most once per row.
    p : float
        Coverage probability of the expanded uncertainty, [-].

    Returns
    -------
    Spread
        n results.

    References
    ----------
    .. [1] JCGM 100:2008, equations (13), (16), G.2b; G.4.1 for k.

    Examples
    --------
    >>> forms = Forms(csr_array(np.array([[1.0, 1.0, 1.0, 1.0]])), np.full(4, np.inf))
    >>> round(float(evaluate(forms).U[0]), 2)
    3.92
    """
    terms, n = forms.terms, forms.terms.shape[0]
    row = np.repeat(np.arange(n), np.diff(terms.indptr))
    nu = forms.nu[terms.indices]
    d2 = np.square(terms.data)
    variance = np.bincount(row, d2, n)
    spread4 = np.bincount(row, np.square(d2) / nu, n)
    weak = np.bincount(row, np.where(nu < LOW_DOF, d2, 0.0), n)
    nu_eff = np.full(n, np.inf)
    np.divide(np.square(variance), spread4, out=nu_eff, where=spread4 != 0)
    nu_eff[nu_eff > INFINITE_DOF] = np.inf
    u = np.sqrt(variance)
    k = coverage_factor(nu_eff, p)
    return Spread(u, nu_eff, k, k * u, weak > LOW_DOF_SHARE * variance)


def coverage_factor(nu: ArrayLike, p: float = 0.95) -> Floats:
    """Two-sided coverage factor of each nu_eff, truncated to a whole number of at least 1. [GUM G.4.1]

    Parameters
    ----------
    nu : array_like, shape (n,)
        Effective degrees of freedom, [-].
    p : float
        Coverage probability, [-].

    Returns
    -------
    ndarray, shape (n,)
        k, [-]; NaN where `nu` is NaN.

    Examples
    --------
    >>> coverage_factor([16.7], 0.99).round(2)
    array([2.92])
    """
    whole = np.maximum(np.floor(np.asarray(nu, float) + 1e-9), 1.0)
    # t quantiles are dear and whole degrees of freedom repeat across a batch
    distinct, where = np.unique(whole, return_inverse=True)
    finite = np.where(distinct > INFINITE_DOF, 1.0, distinct)
    quantiles = np.where(distinct > INFINITE_DOF, ndtri((1 + p) / 2), stdtrit(finite, (1 + p) / 2))
    factors: Floats = quantiles[where]
    return factors


def covariance(x: Forms, y: Forms) -> Floats:
    """Covariance of row i of `x` with row i of `y` through the influences they share, [mm^2]. [S4.3]"""
    shared: Floats = np.asarray(x.terms.multiply(y.terms).sum(axis=1)).ravel()
    return shared


def correlated_uncertainty(c: ArrayLike, u: ArrayLike, R: ArrayLike) -> float:
    """Propagate uncertainties with a full correlation matrix. [GUM (16)]

    Parameters
    ----------
    c, u : array_like, shape (n,)
        Sensitivities and standard uncertainties of the inputs.
    R : array_like, shape (n, n)
        Correlation coefficients, [-].

    Returns
    -------
    float
        u of the result; a variance that rounding made slightly negative counts as 0.

    Raises
    ------
    ValueError
        If `R` is not symmetric with unit diagonal and eigenvalues of at least -1e-9.

    Examples
    --------
    >>> round(correlated_uncertainty([1, -1], [0.003, 0.0031], [[1, 0.5], [0.5, 1]]), 8)
    0.00305123
    """
    d, matrix = np.asarray(c, float) * np.asarray(u, float), np.asarray(R, float)
    if matrix.shape != (d.size, d.size) or not np.allclose(matrix, matrix.T, rtol=0, atol=1e-12):
        raise ValueError("the correlation matrix is not square and symmetric")
    if not np.allclose(np.diag(matrix), 1.0, rtol=0, atol=1e-12):
        raise ValueError("the correlation matrix has a diagonal other than 1")
    if np.linalg.eigvalsh(matrix)[0] < -1e-9:
        raise ValueError("the correlation matrix has a negative eigenvalue")
    return float(np.sqrt(max(d @ matrix @ d, 0.0)))


def repeat_statistics(x: Floats, starts: Ints) -> tuple[Floats, Floats, Ints]:
    """Mean, sample standard deviation and number of each run of repeats. [GUM 4.2]

    Parameters
    ----------
    x : ndarray, shape (n,)
        Readings, runs one after another, any unit.
    starts : ndarray of int, shape (g,)
        Index of the first reading of each run, increasing from 0.

    Returns
    -------
    mean, s : ndarray, shape (g,)
        In the unit of `x`; `s` has n - 1 degrees of freedom and is NaN for a single reading.
    n : ndarray of int, shape (g,)
        Readings in each run.

    Examples
    --------
    >>> mean, s, n = repeat_statistics(np.array([5.007, 4.994, 5.005, 4.99, 4.999]), np.array([0]))
    >>> float(mean[0].round(4)), float(s[0].round(5)), int(n[0])
    (4.999, 0.00718, 5)
    """
    n = np.diff(np.append(starts, x.size))
    mean = np.add.reduceat(x, starts) / n
    squares = np.add.reduceat(np.square(x - np.repeat(mean, n)), starts)
    s = np.full(n.size, np.nan)
    np.divide(squares, n - 1, out=s, where=n > 1)
    return mean, np.sqrt(s), n


def pooled_sd(s: ArrayLike, nu: ArrayLike) -> tuple[float, float]:
    """Pool standard deviations of the same process, weighted by degrees of freedom. [GUM H.5]

    Parameters
    ----------
    s, nu : array_like, shape (n,)
        Standard deviations, any unit, and their degrees of freedom.

    Returns
    -------
    tuple of float
        Pooled standard deviation and its degrees of freedom.

    Examples
    --------
    >>> pooled_sd([3.0, 4.0], [1, 1])
    (3.5355339059327378, 2.0)
    """
    dof = np.asarray(nu, float)
    total = float(dof.sum())
    return float(np.sqrt(np.square(np.asarray(s, float)) @ dof / total)), total
