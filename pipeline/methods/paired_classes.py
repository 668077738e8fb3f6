"""Shares with intervals, and whether classes changed between two looks at the same people.

Tests of paired classes: rows are the class at the first look, columns at the second, a cell counts people. People who
stayed in their class say nothing about a change. Margins alone, or two different groups of people, cannot be tested so.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt
from scipy import special

MCNEMAR_EXACT, BOWKER = "McNemar exact", "Bowker"


class PairedTest(NamedTuple):
    """Outcome of a test for change between two looks.

    Attributes:
        statistic: see the function that gave it.
        p_value: two-sided.
        degrees_of_freedom: of the chi-square distribution; None for an exact test.
        method: the test's name.
    """

    statistic: float
    p_value: float
    degrees_of_freedom: int | None
    method: str


def wilson(
    n: npt.ArrayLike, n_all: npt.ArrayLike, *, confidence: float = 0.95
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """Interval of a share by the score method (Wilson 1927, doi 10.1080/01621459.1927.10502953).

    Unlike the share plus and minus two standard errors it stays inside 0 and 1 and is no point at a share of 0 or 1.

    Args:
        n: how many are of the class; a number or an array.
        n_all: out of how many; above 0.
        confidence: probability that the interval covers the share.

    Returns:
        Lower and upper ends.
    """
    count, total = np.asarray(n, dtype=np.float64), np.asarray(n_all, dtype=np.float64)
    squared = float(special.ndtri(0.5 + confidence / 2)) ** 2
    share = count / total
    middle = share + squared / (2 * total)
    reach = np.sqrt(squared * (share * (1 - share) + squared / (4 * total)) / total)
    widened = 1 + squared / total
    # At a share of 0 or 1 the end is exact; floats miss it by their last digit.
    low = np.where(count == 0, 0.0, (middle - reach) / widened)
    high = np.where(count == total, 1.0, (middle + reach) / widened)
    return low, high


def mcnemar_exact(table: npt.ArrayLike) -> PairedTest:
    """Two classes: did more people change one way than the other? (McNemar 1947, doi 10.1007/BF02295996).

    If a change either way were equally likely, those who changed would be tosses of a coin. With nobody changed p is 1.

    Args:
        table: 2 × 2 counts.

    Returns:
        The statistic is the smaller of the two numbers of people who changed.

    Raises:
        ValueError: not a 2 × 2 table of counts.
    """
    counts = _counts(table)
    if len(counts) != 2:
        raise ValueError(f"McNemar's test takes two classes, not {len(counts)}.")
    one_way, other_way = int(counts[0, 1]), int(counts[1, 0])
    smaller, changed = min(one_way, other_way), one_way + other_way
    p_value = min(1.0, 2 * float(special.bdtr(smaller, changed, 0.5)))
    return PairedTest(float(smaller), p_value, None, MCNEMAR_EXACT)


def bowker(table: npt.ArrayLike) -> PairedTest:
    """Several classes: for each two of them, did as many change one way as the other? (Bowker 1948, 10.2307/2280710).

    The statistic is compared with a chi-square distribution of k(k-1)/2 degrees of freedom for k classes, also where
    nobody changed between some two of them, which keeps p on the large side. The comparison is approximate: with few
    people changed it is rough.

    Args:
        table: k × k counts, k at least 2. Nothing is added to cells of 0.

    Returns:
        The statistic is the sum over pairs of classes of (there - back)² / (there + back).

    Raises:
        ValueError: not a square table of counts.
    """
    counts = _counts(table)
    upper = np.triu_indices(len(counts), k=1)
    there, back = counts[upper], counts.T[upper]
    changed = there + back > 0
    statistic = float(np.sum((there - back)[changed] ** 2 / (there + back)[changed]))
    freedom = len(there)
    return PairedTest(statistic, float(special.chdtrc(freedom, statistic)), freedom, BOWKER)


def paired_change(table: npt.ArrayLike) -> PairedTest:
    """Test a cross-table by what fits the number of classes that occur in it: exact for two, Bowker's for more."""
    counts = _counts(table)
    occurs = np.flatnonzero(counts.sum(axis=0) + counts.sum(axis=1))
    if len(occurs) > 2:
        return bowker(counts[np.ix_(occurs, occurs)])
    # With one class or none nobody changed, which any two classes show.
    pair = occurs if len(occurs) == 2 else np.arange(2)
    return mcnemar_exact(counts[np.ix_(pair, pair)])


def _counts(table: npt.ArrayLike) -> npt.NDArray[np.float64]:
    counts = np.asarray(table, dtype=np.float64)
    if counts.ndim != 2 or counts.shape[0] != counts.shape[1] or len(counts) < 2:
        raise ValueError(f"A cross-table of paired classes is square, not {' × '.join(map(str, counts.shape))}.")
    if (counts < 0).any() or (counts != np.round(counts)).any():
        raise ValueError("A cross-table of paired classes holds whole numbers of people.")
    return counts
