"""How well values of the same subject repeat: one-way random effects, several values per subject.

For value j of subject i, y = mean + subject(i) + error(i, j), both random. The error's standard deviation is the
typical error of a single value, also called standard error of measurement; the share of the variance that is between
subjects is the intraclass correlation.

Values that rest on one estimate per subject (drifts of runs, all adjusted with the athlete's responses) share its
error. It moves a subject's values together and would pass for a difference between subjects: what it adds to each mean
square is subtracted.

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

from pipeline.core.arrays import Array

#: Typical errors that the difference between two single values exceeds in 5 % of cases by error alone.
DETECTABLE = 1.96 * 2**0.5
#: Where the shared error explains all scatter within subjects, this share of it is left.
ROUNDING = 1e-9


@dataclass(frozen=True)
class Reliability:
    """Variance within and between subjects.

    Attributes:
        n_subjects: subjects with at least one value.
        n_values: values.
        typical_size: effective number of values per subject; the number itself if all have the same.
        mean_square_between: of subjects' means, weighted by their numbers of values, in the unit squared.
        mean_square_within: pooled variance of a subject's values, in the unit squared.
        variance_between: between subjects, by moments, in the unit squared; below 0 where subjects' means differ less
            than expected from the variance within.
        icc: intraclass correlation of single values, ICC(1,1); down to -1 / (typical_size - 1).
        icc_low: lower end of its 95 % interval, exact for normal values and equal numbers, else approximate.
        icc_high: upper end.
        typical_error: standard deviation within a subject, in the unit of the values.
        typical_error_low: lower end of its 95 % interval, by chi-square.
        typical_error_high: upper end.
        smallest_detectable: 1.96 × √2 × typical error: the difference between two single values of a subject that
            error alone exceeds in 5 % of cases.
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
    smallest_detectable: float


def reliability(
    subject: Sequence[str] | npt.ArrayLike,
    value: npt.ArrayLike,
    *,
    shared_se: npt.ArrayLike | None = None,
) -> Reliability:
    """Split the variance of values into that within subjects and that between them.

    A shift that all subjects share from one occasion to the next counts as error.

    Args:
        subject: whose value it is, n.
        value: n values, each subject's in any order and number.
        shared_se: standard error that each value has from the error shared by its subject's values, n; taken to move
            them all the same way, which is the most that it can add between subjects. None where nothing is shared.

    Raises:
        ValueError: fewer than two subjects, none with two values, all values equal, or missing values.
    """
    values = np.asarray(value, dtype=np.float64)
    names, index = np.unique(np.asarray(subject), return_inverse=True)
    if values.ndim != 1 or index.shape != values.shape:
        raise ValueError("Every value needs a subject: two lists of the same length.")
    if not np.isfinite(values).all():
        raise ValueError("A value is missing: leave it out first.")
    if len(names) < 2:
        raise ValueError(f"Reliability needs at least two subjects, not {len(names)}.")
    n = np.bincount(index).astype(np.float64)
    df = len(values) - len(names)
    if df == 0:
        raise ValueError("Reliability needs a subject with at least two values.")
    mean = np.bincount(index, weights=values) / n
    within = float(np.sum((values - mean[index]) ** 2) / df)
    between, size = mean_square_between(n, mean), typical_size(n)
    if between + within == 0:
        raise ValueError("All values are equal: reliability cannot be estimated.")
    shared = np.zeros(2) if shared_se is None else _shared_squares(index, n, np.asarray(shared_se, dtype=np.float64))
    low, icc, high = intraclass(between, within, size, len(names) - 1, df, shared=shared)
    variance_between = (between - shared[0] - within + shared[1]) / size
    error = within**0.5
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
        typical_error_low=error * float(np.sqrt(df / special.chdtri(df, 0.025))),
        typical_error_high=error * float(np.sqrt(df / special.chdtri(df, 0.975))),
        smallest_detectable=DETECTABLE * error,
    )


def _shared_squares(index: npt.NDArray[np.intp], n: Array, shared_se: Array) -> Array:
    """What an error that each subject's values share adds to the mean squares between and within subjects."""
    mean = np.bincount(index, weights=shared_se) / n
    within = np.sum((shared_se - mean[index]) ** 2) / (len(index) - len(n))
    return np.array([shared_square_between(n, mean), within])


def shared_square_between(n: Array, shared_se: Array) -> float:
    """What errors that each subject's values share add to the mean square between subjects.

    Args:
        n: number of values per subject.
        shared_se: standard error of that, of each subject, in the same order.
    """
    return float((n @ shared_se**2 - n**2 @ shared_se**2 / n.sum()) / (len(n) - 1))


def mean_square_between(n: Array, mean: Array) -> float:
    """Mean square between subjects of a one-way analysis of variance.

    Args:
        n: number of values per subject.
        mean: mean of each subject's values, in the same order.
    """
    return float(n @ (mean - (n @ mean) / n.sum()) ** 2 / (len(n) - 1))


def typical_size(n: Array) -> float:
    """Effective number of values per subject: the factor of the variance between subjects in the mean square between.

    Args:
        n: number of values per subject.
    """
    return float((n.sum() - (n @ n) / n.sum()) / (len(n) - 1))


def intraclass(
    between: float,
    within: float,
    size: float,
    df_between: int,
    df_within: int,
    *,
    shared: Array | None = None,
) -> tuple[float, float, float]:
    """Intraclass correlation of single values with its 95 % interval, from the F of the mean squares.

    Args:
        between: mean square between subjects.
        within: mean square within subjects; not both are 0.
        size: effective number of values per subject.
        df_between: degrees of freedom of `between`.
        df_within: degrees of freedom of `within`.
        shared: what errors that a subject's values share add to `between` and `within`; None for nothing.

    Returns:
        Lower end, estimate, upper end.
    """
    low = between / float(special.fdtri(df_between, df_within, 0.975))
    high = between * float(special.fdtri(df_within, df_between, 0.975))
    added_between, added_within = (0.0, 0.0) if shared is None else shared
    error = max(within - added_within, ROUNDING * within)
    squares = [max(square - added_between, 0.0) for square in (low, between, high)]
    icc_low, icc, icc_high = ((square - error) / (square + (size - 1) * error) for square in squares)
    return icc_low, icc, icc_high
