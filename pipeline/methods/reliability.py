"""How well values of the same subject repeat: one-way random effects, subjects with several values each.

For value j of subject i, y = mean + subject(i) + error(i, j), both random. The error's standard deviation is the
typical error of a single value; the share of the variance that is between subjects is the intraclass correlation.

Sources: Shrout and Fleiss 1979, doi 10.1037/0033-2909.86.2.420, ICC(1,1) and its interval by F (example read in the
tests of an R package, formulas from memory); for subjects with unequal numbers of values the typical number of Searle,
Casella and McCulloch 1992, Variance Components (from memory), with which the interval is approximate; Hopkins 2000,
doi 10.2165/00007256-200030010-00001, typical error (abstract read); Weir 2005, doi 10.1519/15184.1, standard error of
measurement and smallest detectable change (from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import special

Array = npt.NDArray[np.float64]

#: Of a difference between two single values, 1.96 × √2 standard errors of measurement are passed in 5 % by error alone.
DETECTABLE = 1.96 * 2**0.5


@dataclass(frozen=True)
class Reliability:
    """Variance within and between subjects.

    Attributes:
        n_subjects: subjects with at least one value.
        n_values: values.
        typical_size: number of values a subject that mean squares behave as if all had; the number itself if all have
            the same.
        mean_square_between: of subjects' means, weighted by their numbers, in the unit squared.
        mean_square_within: pooled variance of a subject's values, in the unit squared.
        variance_between: between subjects, by moments; below 0 where subjects differ less than their values let expect.
        icc: intraclass correlation of single values, ICC(1,1); down to -1 / (typical_size - 1).
        icc_low: lower end of its interval, exact for normal values and equal numbers, else approximate.
        icc_high: upper end.
        typical_error: standard deviation within a subject, in the unit of the values.
        typical_error_low: lower end of its interval, by chi-square.
        typical_error_high: upper end.
        standard_error_of_measurement: √(variance between + within) × √(1 - icc): the typical error, by another way.
        smallest_detectable: 1.96 × √2 × standard error of measurement; what two single values of a subject must differ
            by before error is an unlikely reason.
    """

    n_subjects: int
    n_values: int
    typical_size: float
    mean_square_between: float
    mean_square_within: float
    variance_between: float
    icc: float
    icc_low: float
    icc_high: float
    typical_error: float
    typical_error_low: float
    typical_error_high: float
    standard_error_of_measurement: float
    smallest_detectable: float


def reliability(subject: Sequence[str] | npt.ArrayLike, value: npt.ArrayLike, *, level: float = 0.95) -> Reliability:
    """Take the variance of values apart into what is within subjects and what is between them.

    A shift that all subjects share from one occasion to the next counts as error here; `typical_error` of differences
    leaves it out.

    Args:
        subject: whose value it is, n.
        value: n values, each subject's in any order and number.
        level: of both intervals.

    Raises:
        ValueError: fewer than two subjects, none with two values, all values equal, missing values, or an impossible
            level.
    """
    values = np.asarray(value, dtype=np.float64)
    names, who = np.unique(np.asarray(subject), return_inverse=True)
    if values.ndim != 1 or who.shape != values.shape:
        raise ValueError("Every value belongs to a subject: two lists of the same length.")
    if not np.isfinite(values).all():
        raise ValueError("A missing value says nothing of reliability: leave it out first.")
    if not 0 < level < 1:
        raise ValueError(f"The level of an interval lies between 0 and 1, not at {level}.")
    if len(names) < 2:
        raise ValueError(f"Reliability needs at least two subjects, not {len(names)}.")
    n = np.bincount(who).astype(np.float64)
    df = len(values) - len(names)
    if df == 0:
        raise ValueError("Reliability needs a subject with at least two values.")
    mean = np.bincount(who, weights=values) / n
    within = float(np.sum((values - mean[who]) ** 2) / df)
    between, size = mean_square_between(n, mean), typical_size(n)
    if between + within == 0:
        raise ValueError("All values are equal: nothing can be said of how well they repeat.")
    low, icc, high = intraclass(between, within, size, len(names) - 1, df, level=level)
    variance_between, error, tail = (between - within) / size, within**0.5, (1 - level) / 2
    measurement = standard_error_of_measurement((variance_between + within) ** 0.5, icc)
    return Reliability(
        n_subjects=len(names),
        n_values=len(values),
        typical_size=size,
        mean_square_between=between,
        mean_square_within=within,
        variance_between=variance_between,
        icc=icc,
        icc_low=low,
        icc_high=high,
        typical_error=error,
        typical_error_low=error * float(np.sqrt(df / special.chdtri(df, tail))),
        typical_error_high=error * float(np.sqrt(df / special.chdtri(df, 1 - tail))),
        standard_error_of_measurement=measurement,
        smallest_detectable=smallest_detectable_change(measurement),
    )


def mean_square_between(n: Array, mean: Array) -> float:
    """Variance of subjects' means, each weighted by its number of values, as the analysis of variance has it.

    Args:
        n: values a subject.
        mean: of each subject's values.
    """
    return float(n @ (mean - (n @ mean) / n.sum()) ** 2 / (len(n) - 1))


def typical_size(n: Array) -> float:
    """Number of values a subject that the mean square between subjects weighs their variance by.

    Args:
        n: values a subject.
    """
    return float((n.sum() - (n @ n) / n.sum()) / (len(n) - 1))


def intraclass(
    between: float, within: float, size: float, freedom_between: int, freedom_within: int, *, level: float = 0.95
) -> tuple[float, float, float]:
    """Intraclass correlation of single values with the interval that the ratio of two mean squares gives it.

    Args:
        between: mean square between subjects.
        within: mean square within; both are not 0.
        size: values a subject.
        freedom_between: degrees of freedom of the first.
        freedom_within: degrees of freedom of the second.
        level: of the interval.

    Returns:
        Lower end, estimate, upper end.
    """
    tail = (1 + level) / 2
    low = between / float(special.fdtri(freedom_between, freedom_within, tail))
    high = between * float(special.fdtri(freedom_within, freedom_between, tail))
    of_low, of_all, of_high = ((one - within) / (one + (size - 1) * within) for one in (low, between, high))
    return of_low, of_all, of_high


def typical_error(differences: npt.ArrayLike) -> float:
    """Standard deviation of differences between two occasions over √2: the error of one, a shared shift left out.

    Args:
        differences: second less first value, one a subject, at least two.

    Raises:
        ValueError: fewer than two differences.
    """
    values = np.asarray(differences, dtype=np.float64)
    if len(values) < 2:
        raise ValueError(f"A typical error needs at least two differences, not {len(values)}.")
    return float(values.std(ddof=1) / np.sqrt(2))


def standard_error_of_measurement(sd: float, icc: float) -> float:
    """Standard deviation of all values times √(1 - intraclass correlation).

    Args:
        sd: of single values over all subjects.
        icc: of single values, at most 1.
    """
    return float(sd * (1 - icc) ** 0.5)


def smallest_detectable_change(standard_error: float) -> float:
    """1.96 × √2 × standard error of measurement, in its unit."""
    return DETECTABLE * standard_error
