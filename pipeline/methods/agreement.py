"""Whether two ways of measuring the same thing agree: bias and limits of agreement.

95 % of differences between the two ways are expected between the limits. No test says whether they are narrow enough;
that depends on the use.

With several pairs per subject, in groups (the splits of an athlete's runs), a difference is

    d(subject, group, pair) = bias + subject + group + error

and its variance is the sum of three components, from the mean squares of a nested analysis of variance. The bias is as
unsure as few subjects are: they are the unit of its interval, however many pairs each has.

Sources: Bland and Altman 1986, doi 10.1016/S0140-6736(86)90837-8 (data and result read in public repositories);
Carkeet 2015, doi 10.1097/OPX.0000000000000513 (exact intervals by the noncentral t, from memory); Bland and Altman
2007, doi 10.1080/10543400701329422, several pairs per subject (data and results read in a public repository); Zou 2013,
doi 10.1177/0962280211402548, intervals from intervals of the mean squares (from memory); Searle, Casella and McCulloch
1992, Variance Components, the nested analysis with unequal numbers (from memory); Satterthwaite 1946,
doi 10.2307/3002019, degrees of freedom (from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt
from scipy import special, stats

from pipeline.core.arrays import Array
from pipeline.methods.pairs import pairs_of

EXACT = "limits with exact intervals by the noncentral t distribution (normal differences, one pair per subject)"
SEVERAL = (
    "limits by variance components, several pairs per subject (Bland and Altman 2007), approximate intervals (Zou 2013)"
)
NESTED = f"{SEVERAL}, groups of pairs nested in subjects"


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
        sd_groups: standard deviation of a subject's groups about its own bias, likewise; None without groups.
        sd_within: standard deviation of differences within a subject, or within a group where there are any; None with
            one pair per subject.
        method: how limits and intervals were computed.
    """

    n_pairs: int
    n_subjects: int
    bias: Limit
    sd: float
    lower: Limit
    upper: Limit
    sd_between: float | None
    sd_groups: float | None
    sd_within: float | None
    method: str


def agreement(
    first: npt.ArrayLike,
    second: npt.ArrayLike,
    *,
    subject: Sequence[str] | npt.ArrayLike | None = None,
    group: Sequence[str] | npt.ArrayLike | None = None,
    share: float = 0.95,
    level: float = 0.95,
) -> Agreement:
    """Bias and limits of agreement.

    Args:
        first: measurements by one way, n.
        second: measurements of the same things by the other way, in the same order, n.
        subject: whose each pair is, n; None where each pair is of another subject. Where the measured quantity changes
            between a subject's pairs, both measurements of a pair must be simultaneous.
        group: of pairs of the same subject that may be alike, n: the run of each split. None without groups.
        share: share of differences between the limits.
        level: of the intervals.

    Raises:
        ValueError: fewer than two pairs or subjects, different lengths, missing values, or an impossible share or
            level.
    """
    x, y = pairs_of(first, second, level=level)
    if not 0 < share < 1:
        raise ValueError(f"The share between the limits must lie between 0 and 1, not at {share}.")
    normal = float(special.ndtri(0.5 + share / 2))
    index = _index(x, subject)
    if index.max() + 1 == len(x):
        return _one_pair(x - y, normal, level)
    if index.max() == 0:
        raise ValueError("Agreement needs at least two subjects, not 1.")
    squares = _mean_squares(x - y, index, None if group is None else _index(x, group))
    return _several_pairs(x - y, index, squares, normal, level)


def _index(pairs: Array, names: Sequence[str] | npt.ArrayLike | None) -> npt.NDArray[np.intp]:
    """Each pair's subject or group as a number."""
    index = np.arange(len(pairs)) if names is None else np.unique(np.asarray(names), return_inverse=True)[1]
    if index.shape != pairs.shape:
        raise ValueError("Every pair needs a subject: lists of the same length.")
    return index


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
        sd_groups=None,
        sd_within=None,
        method=EXACT,
    )


@dataclass(frozen=True)
class _MeanSquares:
    """Nested analysis of variance: subjects, then their groups if there are any, then pairs.

    Attributes:
        value: mean squares.
        df: their degrees of freedom.
        share: the variance of a single difference is the sum of shares times mean squares.
        components: variance between subjects, between a subject's groups (absent without), of pairs; may be negative.
    """

    value: Array
    df: Array
    share: Array
    components: Array


def _mean_squares(difference: Array, subject: npt.NDArray[np.intp], group: npt.NDArray[np.intp] | None) -> _MeanSquares:
    if group is not None:
        # A run of the same name of another athlete is another run.
        group = np.unique(subject * (group.max() + 1) + group, return_inverse=True)[1]
        n_groups = int(group.max()) + 1
        if not subject.max() + 1 < n_groups < len(group):
            group = None  # one group per subject, or one pair per group: two levels
    levels = [np.zeros(len(subject), np.intp), subject, *([] if group is None else [group]), np.arange(len(subject))]
    counts = [np.bincount(level) for level in levels]
    means = [(np.bincount(level, weights=difference) / n)[level] for level, n in zip(levels, counts, strict=True)]
    df = np.diff([len(n) for n in counts]).astype(np.float64)
    value = np.array([np.sum((inner - outer) ** 2) for outer, inner in pairwise(means)]) / df
    # How often each component is in the expected mean squares: expected = coefficient @ components.
    size = [n[level] for level, n in zip(levels, counts, strict=True)]
    coefficient = (
        np.array(
            [
                [
                    np.sum(size[of] / size[inner] - size[of] / size[inner - 1]) if of >= inner else 0.0
                    for of in range(1, len(levels))
                ]
                for inner in range(1, len(levels))
            ]
        )
        / df[:, None]
    )
    inverse = np.linalg.inv(coefficient)
    return _MeanSquares(value, df, inverse.sum(axis=0), inverse @ value)


def _several_pairs(
    difference: Array, subject: npt.NDArray[np.intp], squares: _MeanSquares, normal: float, level: float
) -> Agreement:
    """The variance of a difference is the sum of its components; each limit carries the uncertainty of all."""
    n, tail = len(difference), (1 - level) / 2
    components = np.maximum(squares.components, 0.0)
    sd = float(np.sqrt(components.sum()))
    shares = squares.share * squares.value
    df = squares.df
    # Where a share is negative its ends change places.
    below, above = shares * (1 - df / special.chdtri(df, tail)), shares * (df / special.chdtri(df, 1 - tail) - 1)
    narrower = np.sqrt(np.sum(np.where(shares >= 0, below, above) ** 2))
    wider = np.sqrt(np.sum(np.where(shares >= 0, above, below) ** 2))
    bias, error, df_of_bias = _mean_over_subjects(difference, subject)
    margin = float(special.stdtrit(df_of_bias, 1 - tail)) * error
    inward = float(np.hypot(margin, normal * (sd - np.sqrt(max(sd**2 - narrower, 0.0)))))
    outward = float(np.hypot(margin, normal * (np.sqrt(sd**2 + wider) - sd)))
    lower, upper = bias - normal * sd, bias + normal * sd
    has_groups = len(components) == 3
    return Agreement(
        n_pairs=n,
        n_subjects=int(subject.max()) + 1,
        bias=Limit(bias, bias - margin, bias + margin),
        sd=sd,
        lower=Limit(lower, lower - outward, lower + inward),
        upper=Limit(upper, upper - inward, upper + outward),
        sd_between=float(np.sqrt(components[0])),
        sd_groups=float(np.sqrt(components[1])) if has_groups else None,
        sd_within=float(np.sqrt(components[-1])),
        method=NESTED if has_groups else SEVERAL,
    )


def _mean_over_subjects(difference: Array, subject: npt.NDArray[np.intp]) -> tuple[float, float, float]:
    """Mean over all pairs, its standard error from how subjects' means scatter, and Satterthwaite's df.

    With weights w (each subject's share of the pairs) and means m the variance of the bias is taken as proportional to
    the sum of w² (m - bias)², scaled to be unbiased where all m have the same variance. With equal numbers of pairs it
    is the t interval of the subjects' means.
    """
    counts = np.bincount(subject)
    weight = counts / counts.sum()
    means = np.bincount(subject, weights=difference) / counts
    bias = float(weight @ means)
    deviation = np.eye(len(weight)) - weight
    form = deviation.T @ (weight[:, None] ** 2 * deviation)
    scale = weight @ weight / np.trace(form)
    df = np.trace(form) ** 2 / np.sum(form**2)
    return bias, float(np.sqrt(scale * (means @ form @ means))), float(df)
