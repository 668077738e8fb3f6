"""Whether the means of several sections of a run differ: analysis of variance of repeated measures.

F of the sections, and of sections by group, with the degrees of freedom of Greenhouse and Geisser, which hold where
the sections' differences do not vary alike (sphericity). With groups the model has a mean per section and group, and
the sections are tested for an average group (type III).

Source: Greenhouse and Geisser 1959, doi 10.1007/BF02289823 (abstract read). F agrees with AnovaRM of statsmodels, and
epsilon with the formula of sums of the covariances; both are tests.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import linalg, special

from pipeline.core.arrays import Array


@dataclass(frozen=True)
class FTest:
    """An F test.

    Attributes:
        f: mean square of the effect over that of the error.
        df: degrees of freedom of the effect, before epsilon.
        df_error: of the error, likewise.
        epsilon: of Greenhouse and Geisser, from 1 / (sections - 1) to 1; multiplies both.
    """

    f: float
    df: float
    df_error: float
    epsilon: float
    p_value: float


def sections_differ(values: npt.ArrayLike, columns: Array, weights: Array) -> FTest:
    """Test whether sections differ.

    Args:
        values: n athletes × k sections, complete.
        columns: between athletes, n × q.
        weights: of an average athlete: r × q combinations of the columns whose sections are compared. One row that
            sums to an average athlete tests the sections, the differences of groups test sections by group.

    Raises:
        ValueError: fewer athletes than columns plus one, or sections without error.
    """
    table = np.asarray(values, dtype=np.float64)
    (n, k), q, combinations = table.shape, columns.shape[1], np.atleast_2d(weights)
    if n <= q:
        raise ValueError(f"{n} athletes are too few to compare sections with {q} groups and covariates.")
    differences = table @ linalg.helmert(k).T
    inverse = np.linalg.inv(columns.T @ columns)
    effects = inverse @ columns.T @ differences
    rest = differences - columns @ effects
    error = rest.T @ rest / (n - q)
    if np.trace(error) <= 1e-24 * max(float(np.abs(table).max()), 1.0):
        raise ValueError("The sections of every athlete differ by the same: without error there is no test.")
    tested = combinations @ effects
    squares = np.trace(tested.T @ np.linalg.solve(combinations @ inverse @ combinations.T, tested))
    df = len(combinations) * (k - 1)
    f = float(squares / df / (np.trace(error) / (k - 1)))
    epsilon = float(np.trace(error) ** 2 / ((k - 1) * np.trace(error @ error)))
    df_error = (n - q) * (k - 1)
    return FTest(f, df, df_error, epsilon, float(special.fdtrc(epsilon * df, epsilon * df_error, f)))
