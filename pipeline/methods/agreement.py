"""Whether two ways of measuring the same thing agree: bias, limits of agreement, bias that grows with size.

The limits are where 95 % of differences between the two ways are expected. Whether they are narrow enough is for the
reader to know; no test answers it.

Sources: Bland and Altman 1986, doi 10.1016/S0140-6736(86)90837-8 (data and result read in public repositories); Bland
and Altman 1999, doi 10.1177/096228029900800204 (abstract read; approximate intervals from memory); Carkeet 2015, doi
10.1097/OPX.0000000000000513 (exact intervals by the noncentral t, from memory); Bland and Altman 2007, doi
10.1080/10543400701329422, several pairs a subject (data and results read in a public repository); Zou 2013, doi
10.1177/0962280211402548, intervals from intervals of the mean squares (from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import special, stats

from pipeline.methods.noncentral_t import noncentral_t_quantile
from pipeline.methods.reliability import reliability

Array = npt.NDArray[np.float64]
Subjects = Sequence[str] | npt.ArrayLike

EXACT = "limits with exact intervals by the noncentral t distribution (normal differences, one pair a subject)"
APPROXIMATE = "limits with approximate intervals of Bland and Altman 1999 (normal differences, one pair a subject)"
SEVERAL = (
    "limits by variance components, several pairs a subject (Bland and Altman 2007), approximate intervals (Zou 2013)"
)


@dataclass(frozen=True)
class Limit:
    """A number with its interval, in the unit of the measurements.

    Attributes:
        value: the estimate.
        low: lower end of its interval.
        high: upper end.
    """

    value: float
    low: float
    high: float


@dataclass(frozen=True)
class Agreement:
    """How two ways of measuring agree.

    Attributes:
        n_pairs: pairs of measurements.
        n_subjects: subjects that they are from.
        bias: mean of first less second, over all pairs.
        sd: standard deviation of a single difference.
        lower: bias less 1.96 sd, for 95 % of differences.
        upper: bias plus the same.
        sd_between: of subjects' own biases; None with one pair a subject, 0 where it comes out negative.
        sd_within: of differences within a subject; None with one pair a subject.
        method: how limits and intervals were come by.
    """

    n_pairs: int
    n_subjects: int
    bias: Limit
    sd: float
    lower: Limit
    upper: Limit
    sd_between: float | None
    sd_within: float | None
    method: str


@dataclass(frozen=True)
class ProportionalBias:
    """Line of the difference over the mean of both ways.

    Attributes:
        n: points: pairs, or subjects where they have several.
        intercept: difference at a mean of 0.
        slope: growth of the difference with the mean, unit for unit.
        low: lower end of the slope's t interval.
        high: upper end.
        p_value: two-sided, of a slope of 0.
    """

    n: int
    intercept: float
    slope: float
    low: float
    high: float
    p_value: float


def agreement(
    first: npt.ArrayLike,
    second: npt.ArrayLike,
    *,
    subject: Subjects | None = None,
    share: float = 0.95,
    level: float = 0.95,
    exact: bool = True,
) -> Agreement:
    """Bias and limits of agreement.

    Args:
        first: measurements by one way, n.
        second: by the other, of the same things in the same order, n.
        subject: whose each pair is, n; None where each is another subject's. Where what is measured changes between a
            subject's pairs, each pair was taken at the same time.
        share: of differences between the limits.
        level: of the intervals.
        exact: intervals of limits by the noncentral t distribution, else by the approximation of 1999; with several
            pairs a subject there is only one way.

    Raises:
        ValueError: fewer than two pairs or subjects, different lengths, missing values, or an impossible share or
            level.
    """
    one, other = _pairs(first, second)
    if not (0 < share < 1 and 0 < level < 1):
        raise ValueError("Share and level lie between 0 and 1.")
    normal, difference = float(special.ndtri(0.5 + share / 2)), one - other
    if subject is None:
        return _one_pair(difference, normal, level, exact=exact)
    who = np.unique(np.asarray(subject), return_inverse=True)[1]
    if who.shape != one.shape:
        raise ValueError("Every pair belongs to a subject: lists of the same length.")
    if who.max() + 1 == len(one):
        return _one_pair(difference, normal, level, exact=exact)
    return _several_pairs(difference, who, normal, level)


def proportional_bias(
    first: npt.ArrayLike, second: npt.ArrayLike, *, subject: Subjects | None = None, level: float = 0.95
) -> ProportionalBias:
    """Regress the difference on the mean of both ways, by least squares.

    With several pairs a subject the points are subjects' means, since pairs of a subject are not independent. A slope
    also arises without proportional bias where one way scatters more than the other.

    Args:
        first: measurements by one way, n.
        second: by the other, n.
        subject: whose each pair is, n; None where each is another subject's.
        level: of the slope's interval.

    Raises:
        ValueError: fewer than three points, means that are all equal, different lengths or missing values.
    """
    one, other = _pairs(first, second)
    if subject is not None:
        who = np.unique(np.asarray(subject), return_inverse=True)[1]
        if who.shape != one.shape:
            raise ValueError("Every pair belongs to a subject: lists of the same length.")
        counts = np.bincount(who)
        one, other = np.bincount(who, weights=one) / counts, np.bincount(who, weights=other) / counts
    n, mean, difference = len(one), (one + other) / 2, one - other
    if n < 3:
        raise ValueError(f"A slope of bias needs at least three points, not {n}.")
    if np.ptp(mean) == 0:
        raise ValueError("All means are equal: no slope can be told.")
    line = stats.linregress(mean, difference)
    reach = float(special.stdtrit(n - 2, 0.5 + level / 2)) * float(line.stderr)
    slope = float(line.slope)
    return ProportionalBias(n, float(line.intercept), slope, slope - reach, slope + reach, float(line.pvalue))


def _one_pair(difference: Array, normal: float, level: float, *, exact: bool) -> Agreement:
    n, tail = len(difference), (1 - level) / 2
    bias, sd = float(difference.mean()), float(difference.std(ddof=1))
    error, t = sd / np.sqrt(n), float(special.stdtrit(n - 1, 1 - tail))
    if exact:
        # √n (mean - upper limit) / sd has a noncentral t distribution, shifted by -1.96 √n; the lower limit mirrors it.
        shift = normal * float(np.sqrt(n))
        inner, outer = (noncentral_t_quantile(p, n - 1, shift) * error for p in (tail, 1 - tail))
    else:
        inner, outer = normal * sd + np.array([-1, 1]) * t * sd * np.sqrt(1 / n + normal**2 / (2 * (n - 1)))
    return Agreement(
        n_pairs=n,
        n_subjects=n,
        bias=Limit(bias, float(bias - t * error), float(bias + t * error)),
        sd=sd,
        lower=Limit(bias - normal * sd, float(bias - outer), float(bias - inner)),
        upper=Limit(bias + normal * sd, float(bias + inner), float(bias + outer)),
        sd_between=None,
        sd_within=None,
        method=EXACT if exact else APPROXIMATE,
    )


def _several_pairs(difference: Array, who: npt.NDArray[np.intp], normal: float, level: float) -> Agreement:
    """Variance of a difference is that between subjects plus that within; each limit borrows both uncertainties."""
    parts = reliability(who, difference, level=level)
    n_subjects, n, tail = parts.n_subjects, len(difference), (1 - level) / 2
    df = np.array([n_subjects - 1, n - n_subjects])
    size, within = parts.typical_size, parts.mean_square_within
    between = max(parts.variance_between, 0.0)
    sd = float(np.sqrt(between + within))
    # The sum of both variances, as a sum of the two mean squares.
    shares = np.array([parts.mean_square_between / size, (1 - 1 / size) * within])
    narrower = np.sqrt(np.sum((shares * (1 - df / special.chdtri(df, tail))) ** 2))
    wider = np.sqrt(np.sum((shares * (df / special.chdtri(df, 1 - tail) - 1)) ** 2))
    counts = np.bincount(who)
    error = np.sqrt(between * np.sum(counts**2) + within * n) / n
    bias, reach = float(difference.mean()), float(special.stdtrit(n_subjects - 1, 1 - tail) * error)
    inward = float(np.hypot(reach, normal * (sd - np.sqrt(max(sd**2 - narrower, 0.0)))))
    outward = float(np.hypot(reach, normal * (np.sqrt(sd**2 + wider) - sd)))
    lower, upper = bias - normal * sd, bias + normal * sd
    return Agreement(
        n_pairs=n,
        n_subjects=n_subjects,
        bias=Limit(bias, bias - reach, bias + reach),
        sd=sd,
        lower=Limit(lower, lower - outward, lower + inward),
        upper=Limit(upper, upper - inward, upper + outward),
        sd_between=float(np.sqrt(between)),
        sd_within=float(np.sqrt(within)),
        method=SEVERAL,
    )


def _pairs(first: npt.ArrayLike, second: npt.ArrayLike) -> tuple[Array, Array]:
    one, other = np.asarray(first, dtype=np.float64), np.asarray(second, dtype=np.float64)
    if one.ndim != 1 or one.shape != other.shape:
        raise ValueError("Measurements by both ways come in pairs: two lists of the same length.")
    if not (np.isfinite(one).all() and np.isfinite(other).all()):
        raise ValueError("A pair with a missing value is no pair: leave it out first.")
    if len(one) < 2:
        raise ValueError(f"Agreement needs at least two pairs, not {len(one)}.")
    return one, other
