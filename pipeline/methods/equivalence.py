"""Two one-sided tests: whether a mean change is too small to matter.

That a change was not found does not show that there is none. Here the burden is turned round: the change counts as
equivalent to none only if both "it is at or below minus the margin" and "it is at or above the margin" are rejected.

Source: Schuirmann 1987, doi 10.1007/BF01068419 (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import special

from pipeline.methods.paired_change import NO_SCATTER


@dataclass(frozen=True)
class Equivalence:
    """Outcome of both tests.

    Attributes:
        n: changes.
        mean: of the changes, in their unit.
        margin: the largest change that does not matter, in the same unit.
        p_above_lower: one-sided p that the mean lies above minus the margin.
        p_below_upper: one-sided p that it lies below the margin.
        p_value: the larger of both, which is the p of equivalence.
        low: lower end of the interval that the tests amount to: of 90 % at a level of 0.95.
        high: upper end.
        interval_level: what that interval covers, 2 × level - 1.
        is_equivalent: whether the interval, ends included, lies within ± the margin, ends included.
    """

    n: int
    mean: float
    margin: float
    p_above_lower: float
    p_below_upper: float
    p_value: float
    low: float
    high: float
    interval_level: float
    is_equivalent: bool


def equivalence(changes: npt.ArrayLike, margin: float, *, level: float = 0.95) -> Equivalence:
    """Test whether the mean of independent changes lies within ± the margin.

    Args:
        changes: a change an athlete, n, normal or many.
        margin: above 0, fixed before the changes were seen, in their unit.
        level: one less the error of each one-sided test; above 0.5.

    Raises:
        ValueError: fewer than two changes, missing values, changes that do not scatter, or an impossible margin or
            level.
    """
    values = np.asarray(changes, dtype=np.float64)
    if values.ndim != 1 or not np.isfinite(values).all():
        raise ValueError("Changes are one list without missing values.")
    if not (np.isfinite(margin) and margin > 0):
        raise ValueError(f"A margin lies above 0, not at {margin}.")
    if not 0.5 < level < 1:
        raise ValueError(f"The level of a one-sided test lies between 0.5 and 1, not at {level}.")
    n = len(values)
    if n < 2:
        raise ValueError(f"A test of equivalence needs at least two changes, not {n}.")
    mean, sd = float(values.mean()), float(values.std(ddof=1))
    if sd <= NO_SCATTER * float(np.abs(values).max()):
        raise ValueError("All changes are equal: without scatter there is no test of equivalence.")
    error = sd / np.sqrt(n)
    reach = float(special.stdtrit(n - 1, level) * error)
    low, high = mean - reach, mean + reach
    above = float(special.stdtr(n - 1, -(mean + margin) / error))
    below = float(special.stdtr(n - 1, (mean - margin) / error))
    return Equivalence(
        n=n,
        mean=mean,
        margin=float(margin),
        p_above_lower=above,
        p_below_upper=below,
        p_value=max(above, below),
        low=low,
        high=high,
        interval_level=2 * level - 1,
        # By the interval rather than by p: its ends are what is shown, and a margin at one of them is exact.
        is_equivalent=bool(low >= -margin and high <= margin),
    )
