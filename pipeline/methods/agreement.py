"""Whether two ways of measuring the same thing agree: bias and limits of agreement.

95 % of differences between the two ways are expected between the limits. No test says whether they are narrow enough;
that depends on the use.

Sources: Bland and Altman 1986, doi 10.1016/S0140-6736(86)90837-8 (data and result read in public repositories);
Carkeet 2015, doi 10.1097/OPX.0000000000000513 (exact intervals by the noncentral t, from memory); Bland and Altman
2007, doi 10.1080/10543400701329422, several pairs per subject (data and results read in a public repository); Zou 2013,
doi 10.1177/0962280211402548, intervals from intervals of the mean squares (from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import special, stats

from pipeline.core.arrays import Array
from pipeline.methods.reliability import reliability

EXACT = "limits with exact intervals by the noncentral t distribution (normal differences, one pair per subject)"
SEVERAL = (
    "limits by variance components, several pairs per subject (Bland and Altman 2007), approximate intervals (Zou 2013)"
)


@dataclass(frozen=True)
class Limit:
    """An estimate with its interval, in the unit of the measurements.

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
        n_pairs: number of pairs of measurements.
        n_subjects: number of subjects.
        bias: mean of first minus second, over all pairs.
        sd: standard deviation of a single difference.
        lower: bias - 1.96 sd, for 95 % of differences.
        upper: bias + 1.96 sd.
        sd_between: standard deviation of subjects' own biases; None with one pair per subject, 0 where the estimate of
            the variance is negative.
        sd_within: standard deviation of differences within a subject; None with one pair per subject.
        method: how limits and intervals were computed.
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


def agreement(
    first: npt.ArrayLike,
    second: npt.ArrayLike,
    *,
    subject: Sequence[str] | npt.ArrayLike | None = None,
    share: float = 0.95,
    level: float = 0.95,
) -> Agreement:
    """Bias and limits of agreement.

    Args:
        first: measurements by one way, n.
        second: measurements of the same things by the other way, in the same order, n.
        subject: whose each pair is, n; None where each pair is of another subject. Where the measured quantity changes
            between a subject's pairs, both measurements of a pair must be simultaneous.
        share: share of differences between the limits.
        level: of the intervals.

    Raises:
        ValueError: fewer than two pairs or subjects, different lengths, missing values, or an impossible share or
            level.
    """
    x, y = np.asarray(first, dtype=np.float64), np.asarray(second, dtype=np.float64)
    if x.ndim != 1 or x.shape != y.shape:
        raise ValueError("Measurements must come in pairs: two lists of the same length.")
    if not (np.isfinite(x).all() and np.isfinite(y).all()):
        raise ValueError("A pair has a missing value: leave it out first.")
    if len(x) < 2:
        raise ValueError(f"Agreement needs at least two pairs, not {len(x)}.")
    if not (0 < share < 1 and 0 < level < 1):
        raise ValueError("Share and level must lie between 0 and 1.")
    normal = float(special.ndtri(0.5 + share / 2))
    index = np.arange(len(x)) if subject is None else np.unique(np.asarray(subject), return_inverse=True)[1]
    if index.shape != x.shape:
        raise ValueError("Every pair needs a subject: lists of the same length.")
    if index.max() + 1 == len(x):
        return _one_pair(x - y, normal, level)
    return _several_pairs(x - y, index, normal, level)


def _one_pair(difference: Array, normal: float, level: float) -> Agreement:
    n, tail = len(difference), (1 - level) / 2
    bias, sd = float(difference.mean()), float(difference.std(ddof=1))
    error = sd / np.sqrt(n)
    margin = float(special.stdtrit(n - 1, 1 - tail) * error)
    # √n (mean - upper limit) / sd has a noncentral t distribution with noncentrality -1.96 √n; the lower limit mirrors.
    inner, outer = (float(end) for end in stats.nct.ppf([tail, 1 - tail], n - 1, normal * np.sqrt(n)) * error)
    return Agreement(
        n_pairs=n,
        n_subjects=n,
        bias=Limit(bias, bias - margin, bias + margin),
        sd=sd,
        lower=Limit(bias - normal * sd, bias - outer, bias - inner),
        upper=Limit(bias + normal * sd, bias + inner, bias + outer),
        sd_between=None,
        sd_within=None,
        method=EXACT,
    )


def _several_pairs(difference: Array, subject: npt.NDArray[np.intp], normal: float, level: float) -> Agreement:
    """The variance of a difference is that between subjects plus that within; each limit carries both uncertainties."""
    parts = reliability(subject, difference, level=level)
    n_subjects, n, tail = parts.n_subjects, len(difference), (1 - level) / 2
    df = np.array([n_subjects - 1, n - n_subjects])
    size, within = parts.typical_size, parts.mean_square_within
    between = max(parts.variance_between, 0.0)
    sd = float(np.sqrt(between + within))
    # The sum of both variances, as a sum of the two mean squares.
    shares = np.array([parts.mean_square_between / size, (1 - 1 / size) * within])
    narrower = np.sqrt(np.sum((shares * (1 - df / special.chdtri(df, tail))) ** 2))
    wider = np.sqrt(np.sum((shares * (df / special.chdtri(df, 1 - tail) - 1)) ** 2))
    counts = np.bincount(subject)
    error = np.sqrt(between * np.sum(counts**2) + within * n) / n
    bias, margin = float(difference.mean()), float(special.stdtrit(n_subjects - 1, 1 - tail) * error)
    inward = float(np.hypot(margin, normal * (sd - np.sqrt(max(sd**2 - narrower, 0.0)))))
    outward = float(np.hypot(margin, normal * (np.sqrt(sd**2 + wider) - sd)))
    lower, upper = bias - normal * sd, bias + normal * sd
    return Agreement(
        n_pairs=n,
        n_subjects=n_subjects,
        bias=Limit(bias, bias - margin, bias + margin),
        sd=sd,
        lower=Limit(lower, lower - outward, lower + inward),
        upper=Limit(upper, upper - inward, upper + outward),
        sd_between=float(np.sqrt(between)),
        sd_within=float(np.sqrt(within)),
        method=SEVERAL,
    )
