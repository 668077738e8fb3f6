"""A line through estimates that have errors of their own: random-effects meta-regression.

Every run of an athlete gives an estimate with an error. The estimates scatter by more than these errors, since runs
differ in truth too; how much more is a variance between runs, estimated by moments. With it, each estimate weighs by
its precision, and the error of the line comes from the scatter that is left about it, never less than the errors
themselves say, with a t distribution, so that it holds for few runs.

Sources: DerSimonian and Laird 1986, doi 10.1016/0197-2456(86)90046-2 (the variance by moments; abstract read); Thompson
and Sharp 1999, doi 10.1002/(SICI)1097-0258(19991030)18:20<2693::AID-SIM235>3.0.CO;2-V (the same with regressors; from
memory); Knapp and Hartung 2003, doi 10.1002/sim.1482 (errors by the scatter that is left, and t; abstract read).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.core.arrays import Array


@dataclass(frozen=True)
class MetaRegression:
    """A line through estimates.

    Attributes:
        df: degrees of freedom of the covariance.
        between: variance between the estimates beyond their own errors.
        estimator: the coefficients are this matrix times the estimates; columns × estimates.
    """

    coefficients: Array
    covariance: Array
    df: int
    between: float
    estimator: Array

    def variance_with(self, shared: Array, place: int) -> float:
        """Variance of a coefficient, with errors that the estimates have in common.

        Args:
            shared: for each estimate a vector; its product with another's is the covariance of the two.
        """
        leans_on = self.estimator[place] @ shared
        return float(self.covariance[place, place] + leans_on @ leans_on)


def meta_regression(estimates: Array, errors: Array, columns: Array) -> MetaRegression:
    """Fit.

    Args:
        estimates: more than there are columns.
        errors: standard error of each, above zero.
        columns: the regressors, the constant among them; estimates × columns, of full rank.
    """
    df = len(estimates) - columns.shape[1]
    known = 1 / errors**2
    inner, estimator = _weighted(columns, known)
    rest = estimates - columns @ (estimator @ estimates)
    spare = known.sum() - np.trace(np.linalg.solve(inner, (columns * known[:, None] ** 2).T @ columns))
    between = max(float((known @ rest**2 - df) / spare), 0.0)
    weight = 1 / (errors**2 + between)
    inner, estimator = _weighted(columns, weight)
    coefficients = estimator @ estimates
    # Scatter below what the errors allow is chance: with a variance between estimates that is itself unsure, intervals
    # that follow it downwards hold the truth too seldom.
    scale = max(float(weight @ (estimates - columns @ coefficients) ** 2) / df, 1.0)
    return MetaRegression(coefficients, scale * np.linalg.inv(inner), df, between, estimator)


def _weighted(columns: Array, weight: Array) -> tuple[Array, Array]:
    """X'WX, and the matrix that makes coefficients of estimates."""
    pulled = (columns * weight[:, None]).T
    inner = pulled @ columns
    return inner, np.asarray(np.linalg.solve(inner, pulled), dtype=np.float64)
