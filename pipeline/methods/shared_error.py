"""An estimate over athletes, with an error that all of them share.

Athletes' own errors average out and show in how the athletes scatter; an error that moves all of them the same way does
neither. Its standard error is added to the estimate's in squares. The degrees of freedom follow Satterthwaite (1946,
doi 10.2307/3002019, from memory), the shared part counting as known.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import special


@dataclass(frozen=True)
class Interval:
    """A t interval.

    Attributes:
        se: standard error.
        shared_se: the part of it that units share.
        df: degrees of freedom.
        low: lower end.
        high: upper end.
        p_value: of an estimate of zero, two-sided.
    """

    se: float
    shared_se: float
    df: float
    low: float
    high: float
    p_value: float


def with_shared_error(estimate: float, se: float, df: float, shared_se: float, *, level: float = 0.95) -> Interval:
    """The interval of an estimate whose units share an error.

    Args:
        estimate: of which `se` is the standard error by how the units scatter; zero only if the shared one is not.
        df: degrees of freedom of `se`.
        shared_se: what a standard error of what they share moves the estimate by.
        level: of the interval.
    """
    total = float(np.hypot(se, shared_se))
    total_df = df * (total / se) ** 4 if se else np.inf
    margin = float(special.stdtrit(total_df, 0.5 + level / 2)) * total
    p_value = 2 * float(special.stdtr(total_df, -abs(estimate) / total))
    return Interval(total, abs(shared_se), total_df, estimate - margin, estimate + margin, p_value)
