"""Intervals of shares, and tests of paired classes: did classes change between two observations of the same people?

In the tables of counts, rows are the class at the first observation, columns the class at the second: 2 × 2 for
McNemar's tests, else k × k; anything else is a ValueError. People who stayed in their class do not contribute. Margins
only, or two different groups of people, cannot be tested this way.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
from scipy import special

from pipeline.core.arrays import Array

MCNEMAR_EXACT, BOWKER = "McNemar exact", "Bowker"
MCNEMAR_MID_P = "McNemar mid-p, between exact and approximate, no continuity correction"
MCNEMAR_CORRECTED = "McNemar chi-squared, approximate, with continuity correction"
MCNEMAR_UNCORRECTED = "McNemar chi-squared, approximate, no continuity correction"
STUART_MAXWELL = "Stuart-Maxwell chi-squared, approximate, no continuity correction"

#: Singular values of a matrix of counts below this share of the largest are zeros but for rounding.
ROUNDING = 1e-9

#: Short names that tables publish, in full; the other names are complete.
IN_WORDS: Mapping[str, str] = {
    MCNEMAR_EXACT: "McNemar exact, by the binomial distribution, no continuity correction",
    BOWKER: "Bowker chi-squared, approximate, no continuity correction",
}


class PairedTest(NamedTuple):
    """Result of a test for change between two observations.

    Attributes:
        p_value: two-sided.
        degrees_of_freedom: of the chi-square distribution; None for an exact test.
        method: the test's name; whether it is exact and corrected for continuity is in it or in `in_words`.
    """

    statistic: float
    p_value: float
    degrees_of_freedom: int | None
    method: str

    @property
    def in_words(self) -> str:
        """The test, whether it is exact or approximate, and whether it is corrected for continuity."""
        return IN_WORDS.get(self.method, self.method)


def wilson(n: npt.ArrayLike, n_all: npt.ArrayLike) -> tuple[Array, Array]:
    """95 % interval of a share by the score method (Wilson 1927, doi 10.1080/01621459.1927.10502953).

    Unlike the share ± two standard errors it stays within 0 and 1 and has a width at a share of 0 or 1.

    Args:
        n: count of the class; a number or an array.
        n_all: total count; above 0.

    Returns:
        Lower and upper ends.
    """
    count, total = np.asarray(n, dtype=np.float64), np.asarray(n_all, dtype=np.float64)
    squared = float(special.ndtri(0.975)) ** 2
    share = count / total
    middle = share + squared / (2 * total)
    margin = np.sqrt(squared * (share * (1 - share) + squared / (4 * total)) / total)
    widened = 1 + squared / total
    # At a share of 0 or 1 the end is exact; floats miss it by their last digit.
    low = np.where(count == 0, 0.0, (middle - margin) / widened)
    high = np.where(count == total, 1.0, (middle + margin) / widened)
    return low, high


def wilson_of_people(share_sum: float, square_sum: float, n: int, n_observations: int) -> tuple[float, float]:
    """95 % interval of the mean share of people who were observed several times, each of them counting once.

    Wilson's interval for the number of people observed once who would tell the mean as well: p (1 - p) over the
    variance of the mean, from how people differ. It is not below the number of people, as if each person were always
    alike, nor above that of observations, as if they were independent; with one observation per person it is the
    number of people, and the interval is `wilson`'s. Effective numbers in intervals of shares: Korn and Graubard 1998,
    as restated in J Off Stat 20:705-723; Wilson's is among those recommended with them (PMC6690503, abstract).

    Args:
        share_sum: over people, the sum of each one's share of observations in the class.
        square_sum: the sum of the squares of these shares.
        n: number of people.
        n_observations: number of observations of all people.
    """
    mean = share_sum / n
    variance = (square_sum - n * mean**2) / (n * max(n - 1, 1))
    # Without a scatter beyond rounding no more is known than that people were alike.
    effective = mean * (1 - mean) / variance if variance > ROUNDING / n else n
    ratio = min(max(effective, n), n_observations) / n
    low, high = wilson(share_sum * ratio, n * ratio)
    return float(low), float(high)


def mcnemar_exact(table: npt.ArrayLike) -> PairedTest:
    """Two classes: did more people change one way than the other? (McNemar 1947, doi 10.1007/BF02295996).

    If both directions were equally likely, changes would follow a binomial distribution. Without a change p is 1.

    The statistic is the smaller of the two numbers of people who changed.
    """
    smaller, changed = _smaller_of_changes(table)
    p_value = min(1.0, 2 * float(special.bdtr(smaller, changed, 0.5)))
    return PairedTest(float(smaller), p_value, None, MCNEMAR_EXACT)


def mcnemar_mid_p(table: npt.ArrayLike) -> PairedTest:
    """As `mcnemar_exact`, with half the probability of the observed table left out of p.

    The exact test is conservative, since counts are discrete. Mid-p is near its level on average and can exceed it
    slightly (Fagerland, Lydersen and Laake 2013, doi 10.1186/1471-2288-13-91, from memory).
    """
    smaller, changed = _smaller_of_changes(table)
    below = float(special.bdtr(smaller, changed, 0.5))
    observed = below - (float(special.bdtr(smaller - 1, changed, 0.5)) if smaller else 0.0)
    return PairedTest(float(smaller), min(1.0, 2 * below - observed), None, MCNEMAR_MID_P)


def mcnemar_chi_squared(table: npt.ArrayLike, *, continuity: bool) -> PairedTest:
    """As `mcnemar_exact`, by chi-square with one degree of freedom: a poor approximation where few people changed.

    Args:
        continuity: subtract 1 from the difference of the two numbers of people who changed, not below 0 (Edwards 1948,
            doi 10.1007/BF02289261, from memory).

    Returns:
        The statistic is (there - back)² / (there + back), 0 without a change.
    """
    one_way, other_way = _changes(table)
    apart = max(abs(one_way - other_way) - (1 if continuity else 0), 0)
    statistic = apart**2 / max(one_way + other_way, 1)
    method = MCNEMAR_CORRECTED if continuity else MCNEMAR_UNCORRECTED
    return PairedTest(float(statistic), float(special.chdtrc(1, statistic)), 1, method)


def bowker(table: npt.ArrayLike) -> PairedTest:
    """Several classes: for each pair, did as many change one way as the other? (Bowker 1948, 10.2307/2280710).

    The approximation is poor where few people changed.

    Returns:
        The statistic is the sum over pairs of classes of (there - back)² / (there + back); nothing is added to cells of
        0. It is compared with a chi-square distribution of as many degrees of freedom as there are pairs between which
        someone changed: of the others nothing can be tested. (k(k-1)/2 for k classes, which some software takes also
        where pairs are empty, makes p larger.) Without a change p is 1, at 0 degrees of freedom.
    """
    counts = _counts(table)
    upper = np.triu_indices(len(counts), k=1)
    there, back = counts[upper], counts.T[upper]
    changed = there + back > 0
    statistic = float(np.sum((there - back)[changed] ** 2 / (there + back)[changed]))
    df = int(changed.sum())
    return PairedTest(statistic, float(special.chdtrc(df, statistic)) if df else 1.0, df, BOWKER)


def stuart_maxwell(table: npt.ArrayLike) -> PairedTest:
    """Several classes: are their shares the same at both observations (marginal homogeneity)?

    Shares can stay the same although many people change, in a circle for example, which Bowker's test detects. For two
    classes the statistic is McNemar's without correction.

    Sources: Stuart 1955, doi 10.1093/biomet/42.3-4.412 (example read in the manual of an R package); Maxwell 1970, doi
    10.1192/bjp.116.535.651 (from memory).

    Returns:
        The statistic is d' S⁻ d, with d the gains of the classes and S their covariance if nothing had changed. It is
        compared with a chi-square distribution of k - 1 degrees of freedom, less where classes fall into groups
        between which no one changed: the degrees of freedom are the rank of S. Without a change p is 1, at 0 degrees of
        freedom.
    """
    counts = _counts(table)
    both_ways = counts + counts.T
    np.fill_diagonal(both_ways, 0)
    gain = counts.sum(axis=0) - counts.sum(axis=1)
    covariance = np.diag(both_ways.sum(axis=1)) - both_ways
    solution, _, df, _ = np.linalg.lstsq(covariance, gain, rcond=ROUNDING)
    statistic = float(gain @ solution)
    return PairedTest(statistic, float(special.chdtrc(df, statistic)) if df else 1.0, int(df), STUART_MAXWELL)


def paired_change(table: npt.ArrayLike) -> PairedTest:
    """Test a cross-table by the number of classes that occur in it: exact for two, Bowker's for more."""
    counts = _counts(table)
    occurs = np.flatnonzero(counts.sum(axis=0) + counts.sum(axis=1))
    if len(occurs) > 2:
        return bowker(counts[np.ix_(occurs, occurs)])
    # With one class or none there is no change; any two classes show that.
    pair = occurs if len(occurs) == 2 else np.arange(2)
    return mcnemar_exact(counts[np.ix_(pair, pair)])


def _smaller_of_changes(table: npt.ArrayLike) -> tuple[int, int]:
    one_way, other_way = _changes(table)
    return min(one_way, other_way), one_way + other_way


def _changes(table: npt.ArrayLike) -> tuple[int, int]:
    """Numbers of people who changed from the first class to the second, and back."""
    counts = _counts(table)
    if len(counts) != 2:
        raise ValueError(f"McNemar's test takes two classes, not {len(counts)}.")
    return int(counts[0, 1]), int(counts[1, 0])


def _counts(table: npt.ArrayLike) -> Array:
    counts = np.asarray(table, dtype=np.float64)
    if counts.ndim != 2 or counts.shape[0] != counts.shape[1] or len(counts) < 2:
        raise ValueError(f"A cross-table of paired classes must be square, not {' × '.join(map(str, counts.shape))}.")
    if (counts < 0).any() or (counts != np.round(counts)).any():
        raise ValueError("A cross-table of paired classes must hold whole numbers of people.")
    return counts
