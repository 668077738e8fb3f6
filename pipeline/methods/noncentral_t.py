"""Noncentrality of a t distribution, also where SciPy gives no number.

SciPy's inverse (`nctdtrinc`) has only four to seven digits, and its distribution function gives NaN far in the tails
and takes seconds for t above 10,000 (SciPy 1.17). There the distribution of T = (Z + shift) / S is integrated
numerically, with Z standard normal and df × S² chi-square. Given S, P(T <= t) follows from the normal distribution;
given Z, from the chi-square. The average over the other is smooth: over S where t is small compared with √(2 df), over
Z where it is large. Errors are about 1e-4 with one degree of freedom, 1e-6 with more.
"""

from __future__ import annotations

import numpy as np
from scipy import optimize, special

#: SciPy's distribution function is used up to here, where it gives a number.
LARGEST_OF_SCIPY = 100.0
#: Gauss-Hermite nodes of an average over a normal distribution.
NODES, WEIGHTS = np.polynomial.hermite_e.hermegauss(80)


def noncentral_t_below(t: float, df: int, shift: float) -> float:
    """P(T <= t) of the noncentral t distribution.

    Args:
        t: any number.
        df: degrees of freedom, at least 1.
        shift: the noncentrality, any number.
    """
    if t < 0:
        return 1 - noncentral_t_below(-t, df, -shift)
    if t <= LARGEST_OF_SCIPY:
        share = float(special.nctdtr(df, shift, t))
        if np.isfinite(share):
            return share
    if t * t > 2 * df:
        shares = special.chdtrc(df, df * (np.maximum(shift + NODES, 0.0) / t) ** 2)
    else:
        shares = special.ndtr(t * np.sqrt(special.chdtri(df, special.ndtr(-NODES)) / df) - shift)
    return float(WEIGHTS @ shares / np.sqrt(2 * np.pi))


def noncentral_t_shift(probability: float, t: float, df: int) -> float:
    """The noncentrality with which P(T <= t) is the probability; the larger it is, the smaller that is.

    Args:
        probability: between 0 and 1.
        t: any number.
        df: degrees of freedom, at least 1.
    """

    def rising(shift: float) -> float:
        return probability - noncentral_t_below(t, df, shift)

    low = high = t
    step = 1.0
    while rising(low) > 0:
        low, step = low - step, 2 * step
    step = 1.0
    while rising(high) < 0:
        high, step = high + step, 2 * step
    return low if low == high else float(optimize.brentq(rising, low, high, xtol=1e-11))
