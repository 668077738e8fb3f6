"""The noncentral t distribution, also where SciPy's series gives nothing or takes minutes.

T = (Z + shift) / S, with Z normal and f S² chi-square of f degrees of freedom. Given S the share below t is the normal
distribution's, given Z it is the chi-square's. Averaged over the other it is a smooth integral, the one where t is
small beside √(2 f), the other where it is large; right to some 1e-4 with one degree of freedom, to 1e-6 with more.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from scipy import optimize, special

#: Up to here SciPy's series is used, where it gives a number.
LARGEST_OF_SERIES = 100.0
#: Gauss-Hermite nodes of an average over a normal distribution.
NODES, WEIGHTS = np.polynomial.hermite_e.hermegauss(80)


def noncentral_t_below(t: float, df: int, shift: float) -> float:
    """Share of the noncentral t distribution at or below t.

    Args:
        t: any number.
        df: degrees of freedom, at least 1.
        shift: the noncentrality, any number.
    """
    if t < 0:
        return 1 - noncentral_t_below(-t, df, -shift)
    if t <= LARGEST_OF_SERIES:
        share = float(special.nctdtr(df, shift, t))
        if np.isfinite(share):
            return share
    if t * t > 2 * df:
        shares = special.chdtrc(df, df * (np.maximum(shift + NODES, 0.0) / t) ** 2)
    else:
        shares = special.ndtr(t * np.sqrt(special.chdtri(df, special.ndtr(-NODES)) / df) - shift)
    return float(WEIGHTS @ shares / np.sqrt(2 * np.pi))


def noncentral_t_shift(probability: float, t: float, df: int) -> float:
    """Noncentrality at which so much of the distribution lies at or below t; less of it does the larger it is.

    Args:
        probability: between 0 and 1.
        t: any number.
        df: degrees of freedom, at least 1.
    """
    return _root(lambda shift: probability - noncentral_t_below(t, df, shift), t)


def noncentral_t_quantile(probability: float, df: int, shift: float) -> float:
    """Number at or below which so much of the distribution lies.

    Args:
        probability: between 0 and 1.
        df: degrees of freedom, at least 1.
        shift: the noncentrality, any number.
    """
    return _root(lambda t: noncentral_t_below(t, df, shift) - probability, shift)


def _root(rising: Callable[[float], float], near: float) -> float:
    """Where a function that rises crosses zero."""
    low = high = near
    step = 1.0
    while rising(low) > 0:
        low, step = low - step, 2 * step
    step = 1.0
    while rising(high) < 0:
        high, step = high + step, 2 * step
    return low if low == high else float(optimize.brentq(rising, low, high, xtol=1e-11))
