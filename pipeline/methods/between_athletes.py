"""Scores of athletes, such as their changes, explained by groups and covariates: least squares with a robust error.

One score per athlete, with errors whose variance may differ between athletes. The covariance is that of MacKinnon and
White 1985 (HC2, doi 10.1016/0304-4076(85)90158-7, restated in manuals), the degrees of
freedom those of Bell and McCaffrey 2002 (Survey Methodol 28:169-181, read in reference lists). For one column of ones
this is the t interval of a mean, for one of several groups that of its own athletes, and the difference of two groups
has the standard error of Welch's t test; the tests check all three.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pipeline.core.arrays import Array
from pipeline.methods.paired_change import NO_SCATTER
from pipeline.methods.shared_error import Interval, with_shared_error


@dataclass(frozen=True)
class BetweenFit:
    """Effects of q columns on n scores.

    Attributes:
        estimates: q.
        moved: what one standard error of what athletes share moves each by, q.
    """

    estimates: Array
    moved: Array
    _columns: Array
    _covariance: Array
    _inverse: Array

    def contrast(self, weights: Array) -> tuple[float, Interval]:
        """A linear combination of the effects and its 95 % interval.

        Raises:
            ValueError: the scores that it rests on do not scatter.
        """
        estimate, se = float(weights @ self.estimates), float(np.sqrt(weights @ self._covariance @ weights))
        if se <= NO_SCATTER * max(float(np.abs(self.estimates).max()), NO_SCATTER):
            raise ValueError("The changes of a group are all equal: without scatter there is no interval.")
        hat = self._columns @ self._inverse @ self._columns.T
        scaled = (self._columns @ self._inverse @ weights) / np.sqrt(1 - np.diag(hat))
        inner = np.outer(scaled, scaled) * (np.eye(len(hat)) - hat)
        df = float(np.trace(inner) ** 2 / np.sum(inner**2))
        return estimate, with_shared_error(estimate, se, df, float(weights @ self.moved))


def between_athletes(score: npt.ArrayLike, columns: Array, *, shared: npt.ArrayLike | None = None) -> BetweenFit:
    """Fit scores on columns.

    Args:
        score: n, one per athlete.
        columns: n × q, such as one per group and centred covariates.
        shared: what one standard error of something that all athletes share adds to each score, n; None for nothing.

    Raises:
        ValueError: missing values, columns that determine one another, too few athletes, or one alone in a group.
    """
    y = np.asarray(score, dtype=np.float64)
    n, q = columns.shape
    if y.shape != (n,) or not (np.isfinite(y).all() and np.isfinite(columns).all()):
        raise ValueError("Scores and columns must have a row per athlete, without missing values.")
    if n < q + 1 or np.linalg.matrix_rank(columns) < q:
        raise ValueError(f"{n} athletes cannot tell {q} groups and covariates apart: leave one of them out.")
    inverse = np.linalg.inv(columns.T @ columns)
    leverage = np.einsum("ij,jk,ik->i", columns, inverse, columns)
    if leverage.max() > 1 - 1e-9:
        raise ValueError("An athlete is alone in a group, or with the value of a covariate: at least 2 are needed.")
    solving = np.linalg.pinv(columns)
    estimates = solving @ y
    variances = (y - columns @ estimates) ** 2 / (1 - leverage)
    moved = np.zeros(q) if shared is None else inverse @ columns.T @ np.asarray(shared, dtype=np.float64)
    covariance = (solving * variances) @ solving.T
    return BetweenFit(estimates, moved, columns, covariance, np.asarray(inverse, dtype=np.float64))
