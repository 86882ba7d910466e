"""Friction factor over all regimes by one smooth formula (leakage method, section 1.2 step 3)."""

from __future__ import annotations

import numpy as np

from worker.method.air import Floats

# A narrow annulus rubs like a round pipe at 2/3 of its Reynolds number: the laminar-equivalent diameter
# of Jones and Leung.
LAMINAR_EQUIVALENT = 2.0 / 3.0

LN_8 = float(np.log(8.0))
LN_7 = float(np.log(7.0))
# Below this the sixteenth power of 37530/Re overflows, while f is 64/Re to the last digit.
LN_CREEPING = float(np.log(1e-3))


def log_friction(ln_reynolds: Floats, relative_roughness: Floats) -> tuple[Floats, Floats]:
    """Logarithm of the Darcy friction factor and its slope, laminar to turbulent. [Churchill 1977]

    Parameters
    ----------
    ln_reynolds : ndarray, shape (n,)
        Natural logarithm of the (laminar-equivalent) Reynolds number.
    relative_roughness : ndarray, shape (n,)
        Roughness over hydraulic diameter, at least 0.

    Returns
    -------
    ln_friction : ndarray, shape (n,)
        Logarithm of the Darcy factor.
    slope : ndarray, shape (n,)
        d ln f / d ln Re, -1 in laminar flow.

    Notes
    -----
    ``f = 8 [(8/Re)^12 + (A + B)^-1.5]^(1/12)`` with ``A = (2.457 ln 1/w)^16``, ``B = (37530/Re)^16``,
    ``w = (7/Re)^0.9 + 0.27 eps/D``. Infinitely smooth, steep between Re 2100 and 4000.

    References
    ----------
    .. [1] S. W. Churchill, Friction-factor equation spans all fluid-flow regimes, Chem. Eng. 84 (1977) 91
       (formula from memory; checked against the library ``fluids``).

    Examples
    --------
    >>> ln_f, slope = log_friction(np.log([10.0]), np.array([0.0]))
    >>> round(float(np.exp(ln_f[0])), 4), round(float(slope[0]), 6)
    (6.4, -1.0)
    """
    ln_re = np.maximum(ln_reynolds, LN_CREEPING)
    inverse = np.exp(-ln_re)
    laminar = _fourth(8.0 * inverse) ** 3
    smooth = np.exp(0.9 * (LN_7 - ln_re))
    w = smooth + 0.27 * relative_roughness
    log_w = -2.457 * np.log(w)
    square = log_w * log_w
    a15 = _fourth(square) * square * square * square * log_w
    b16 = _fourth(_fourth(37530.0 * inverse))
    total = a15 * log_w + b16
    turbulent = 1.0 / (total * np.sqrt(total))
    both = laminar + turbulent
    ln_friction = LN_8 + np.log(both) / 12.0 + (ln_re - ln_reynolds)
    bend = 2.0 * turbulent / total * (b16 - 2.457 * 0.9 * a15 * smooth / w)
    return ln_friction, (bend - laminar) / both


def _fourth(x: Floats) -> Floats:
    square = x * x
    return np.asarray(square * square)
