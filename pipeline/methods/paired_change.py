"""Change between two measurements of the same athletes: mean, interval, standardised size, p-value.

P is that of random signs, which needs no normal distribution. An error that moves all pairs the same way makes signs
alike without any change, and no pattern of signs shows it: where there is one, p is that of the t interval.

Sources: t interval of the mean difference (Student 1908, doi 10.2307/2331554, from memory); Hedges 1981,
doi 10.3102/10769986006002107 (the correction for small samples, exact by the gamma function, from memory); interval of
the standardised change by the noncentral t distribution (Steiger and Fouladi 1997, from memory); signs of the
differences at random (Fisher 1935, The Design of Experiments, section 21, read in secondary sources); (b + 1) / (m + 1)
for drawn patterns (Phipson and Smyth 2010, doi 10.2202/1544-6115.1585, from memory).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
from scipy import special

from pipeline.core.arrays import Array
from pipeline.methods.noncentral_t import noncentral_t_shift
from pipeline.methods.pairs import pairs_of
from pipeline.methods.shared_error import with_shared_error

#: Up to this many pairs all patterns of signs are counted: 2^16 sums take a millisecond.
MOST_PAIRS_COUNTED = 16
#: Sums of the same numbers in another order differ by their last digits; within this share of all of them they tie.
TIE = 1e-9
#: A scatter that is this share of the values compared is rounding.
NO_SCATTER = 1e-12
#: Patterns drawn with more pairs.
DRAWS = 9999
#: Patterns drawn at a time, so that memory stays small.
DRAWN_AT_ONCE = 1000


@dataclass(frozen=True)
class PairedChange:
    """Change from the early to the late value, one pair per athlete.

    Attributes:
        mean: mean of late minus early, in the unit of the values.
        sd: standard deviation of the differences, n - 1 in the denominator, in the unit of the values.
        low: lower end of the t interval of the mean, with what pairs share; None where differences do not scatter.
        effect: mean over standard deviation of the differences (d_z), times Hedges' correction; None where they do not
            scatter, and of two pairs. Its sign is the mean's.
        effect_low: lower end of the interval of the population's mean over standard deviation, exact for normal
            differences and not multiplied by the correction; None where they do not scatter.
        p_value: two-sided. By signs it holds if differences are symmetric about zero under the null hypothesis; where
            pairs share an error it is that of the t interval.
        p_method: whether patterns of signs were counted or drawn, or t.
        is_by_signs: whether it is of signs.
    """

    n: int
    mean: float
    sd: float
    low: float | None
    high: float | None
    effect: float | None
    effect_low: float | None
    effect_high: float | None
    p_value: float
    p_method: str
    is_by_signs: bool
    note: str


def paired_change(
    early: npt.ArrayLike,
    late: npt.ArrayLike,
    *,
    seed: int,
    draws: int = DRAWS,
    level: float = 0.95,
    shared_se: float = 0.0,
) -> PairedChange:
    """Compare two measurements of the same athletes.

    Args:
        early: one value per athlete, n.
        late: values of the same athletes in the same order, n.
        draws: number of patterns drawn with more than 16 pairs.
        shared_se: standard error of the mean by something that moves all pairs the same way.

    Raises:
        ValueError: fewer than two pairs, different lengths, missing values, or an impossible level or number of draws.
    """
    first, second = pairs_of(early, late, level=level)
    if draws < 1:
        raise ValueError(f"At least one pattern of signs must be drawn, not {draws}.")
    difference = second - first
    n, mean, sd = len(difference), float(difference.mean()), float(difference.std(ddof=1))
    scatters = sd > NO_SCATTER * float(max(np.abs(first).max(), np.abs(second).max()))
    error = sd / np.sqrt(n) if scatters else 0.0
    if shared_se:
        p_value, p_method = with_shared_error(mean, error, n - 1, shared_se).p_value, "t, with what all share"
    else:
        p_value, p_method = sign_flips(difference, seed=seed, draws=draws)
    if not scatters:
        none = "no difference between early and late in any pair" if abs(mean) <= sd else "the same difference in all"
        note = f"There is {none}: without scatter there are no intervals, no size in standard deviations and no t."
        return PairedChange(n, mean, 0.0, None, None, None, None, None, p_value, p_method, not shared_se, note)
    interval = with_shared_error(mean, error, n - 1, shared_se, level=level)
    t = mean / error
    effect_low, effect_high = standardised_interval(float(t), n, level=level)
    return PairedChange(
        n=n,
        mean=mean,
        sd=sd,
        low=interval.low,
        high=interval.high,
        effect=hedges_correction(n - 1) * mean / sd if n > 2 else None,
        effect_low=effect_low,
        effect_high=effect_high,
        p_value=p_value,
        p_method=p_method,
        is_by_signs=not shared_se,
        note="" if n > 2 else "Two pairs are too few to estimate the size of the change in standard deviations.",
    )


def smallest_p(n: int, *, draws: int = DRAWS) -> float:
    """The smallest p-value that `sign_flips` can give for so many differences: that of one pattern of signs.

    Args:
        n: number of differences.
        draws: number of patterns, where there are more than 16 differences.
    """
    return 2.0 ** (1 - n) if n <= MOST_PAIRS_COUNTED else 1 / (draws + 1)


def hedges_correction(df: int) -> float:
    """Expected value of the true standardised change over the plain one: Γ(f/2) / (√(f/2) Γ((f-1)/2)).

    Args:
        df: degrees of freedom f of the standard deviation, at least 2: with one the expectation does not exist.
    """
    return float(np.exp(special.gammaln(df / 2) - special.gammaln((df - 1) / 2)) / np.sqrt(df / 2))


def standardised_interval(t: float, n: int, *, level: float = 0.95) -> tuple[float, float]:
    """Interval of the population's mean over standard deviation, by inverting the noncentral t distribution.

    Args:
        t: mean over its standard error.
        n: number of differences, at least 2.
    """
    tail = (1 - level) / 2
    low, high = (noncentral_t_shift(share, t, n - 1) / np.sqrt(n) for share in (1 - tail, tail))
    return float(low), float(high)


class StandardisedByLevels(NamedTuple):
    """A change in standard deviations of levels; None where levels or changes do not scatter.

    Attributes:
        value: the change.
        low: lower end of its approximate 95 % interval.
        high: upper end.
    """

    value: float | None
    low: float | None
    high: float | None


def standardised_by_levels(early: npt.ArrayLike, late: npt.ArrayLike) -> StandardisedByLevels:
    """Mean difference over the mean of the standard deviations of both measurements (d_av), with Hedges' correction.

    Unlike the mean over the standard deviation of the differences it does not grow with their correlation, so that it
    can be compared with standardised differences of other designs (Lakens 2013, doi 10.3389/fpsyg.2013.00863, from
    memory). Its interval is that of the latter, scaled by the ratio of both.

    Args:
        early: one level per athlete, n.
        late: levels of the same athletes in the same order, n.
    """
    first, second = pairs_of(early, late, level=0.95)
    difference, n = second - first, len(first)
    sd, of_levels = float(difference.std(ddof=1)), float(first.std(ddof=1) + second.std(ddof=1)) / 2
    if n < 3 or sd <= NO_SCATTER * float(np.abs(first).max()) or of_levels <= NO_SCATTER * float(np.abs(first).max()):
        return StandardisedByLevels(None, None, None)
    low, high = standardised_interval(float(difference.mean()) / sd * np.sqrt(n), n)
    value = hedges_correction(n - 1) * float(difference.mean()) / of_levels
    return StandardisedByLevels(value, low * sd / of_levels, high * sd / of_levels)


def drawn_signs(n: int, *, seed: int, draws: int = DRAWS) -> Iterator[Array]:
    """Random signs of n differences, in order of their size: one pattern per row, some rows at a time."""
    random = np.random.default_rng(seed)
    for start in range(0, draws, DRAWN_AT_ONCE):
        yield np.asarray(2.0 * random.integers(0, 2, (min(DRAWN_AT_ONCE, draws - start), n)) - 1, np.float64)


def sign_flips(difference: Array, *, seed: int, draws: int) -> tuple[float, str]:
    """Two-sided p of the mean: the share of sign patterns with which it is at least as far from zero.

    Args:
        difference: n differences.
        draws: number of patterns, where there are more than 16 differences.

    Returns:
        p, and whether patterns were counted or drawn.
    """
    # In order of size, so that the same differences in another order meet the same signs.
    n, size = len(difference), np.sort(np.abs(difference))
    # Flipping all signs leaves |sum| unchanged, so the first sign is fixed.
    far = abs(float(difference.sum())) - TIE * float(size.sum())
    if n <= MOST_PAIRS_COUNTED:
        sums = size[:1]
        for value in size[1:]:
            sums = np.concatenate([sums + value, sums - value])
        return float(np.mean(np.abs(sums) >= far)), "signs, all patterns counted (exact)"
    n_as_far = sum(int(np.sum(np.abs(signs @ size) >= far)) for signs in drawn_signs(n, seed=seed, draws=draws))
    return (n_as_far + 1) / (draws + 1), f"signs, {draws} patterns drawn with seed {seed}, (b + 1) / (m + 1)"
