"""Whether the means of several sections of a run differ: analysis of variance of repeated measures.

F of the sections, and of sections by group, with the degrees of freedom of Greenhouse and Geisser, which hold where
the sections' differences do not vary alike (sphericity). With groups the model has a mean per section and group, and
the sections are tested for an average group (type III).

With an error that all athletes share, F is the effect's sum of squares over what it is expected to be without an
effect, and both degrees of freedom follow from the covariance with that error in it (`data/METHODS.md`, section 7).

Source: Greenhouse and Geisser 1959, doi 10.1007/BF02289823 (abstract read). F agrees with AnovaRM of statsmodels, and
epsilon with the formula of sums of the covariances; both are tests. With a shared error it is derived there, as
Satterthwaite 1946 does for variances (doi 10.2307/3002019, from memory).
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
        df: degrees of freedom of the effect, epsilon times those of sphericity.
        df_error: of the error.
        epsilon: of Greenhouse and Geisser, at most 1.
    """

    f: float
    df: float
    df_error: float
    epsilon: float
    p_value: float


def sections_differ(
    values: npt.ArrayLike, columns: Array, weights: Array, *, shared: npt.ArrayLike | None = None
) -> FTest:
    """Test whether sections differ.

    Args:
        values: n athletes × k sections, complete.
        columns: between athletes, n × q.
        weights: of an average athlete: r × q combinations of the columns whose sections are compared. One row that
            sums to an average athlete tests the sections, the differences of groups test sections by group.
        shared: what one standard error of something that all athletes share adds to each value; None for nothing.

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
    moved = np.zeros_like(table) if shared is None else np.asarray(shared, dtype=np.float64)
    of_moved = inverse @ columns.T @ moved @ linalg.helmert(k).T
    # Combinations with equal and independent errors, each with the covariance `error`.
    root = np.linalg.cholesky(combinations @ inverse @ combinations.T)
    tested, common = (np.linalg.solve(root, combinations @ each) for each in (effects, of_moved))
    r, own, own_squared, added = len(combinations), np.trace(error), np.trace(error @ error), np.sum(common**2)
    total = r * own + added
    df = float(total**2 / (r * own_squared + 2 * np.sum(common @ error * common) + added**2))
    df_error = float((n - q) * total**2 / (r**2 * own_squared))
    f = float(np.sum(tested**2) / total)
    return FTest(f, df, df_error, df / (r * (k - 1)), float(special.fdtrc(df, df_error, f)))
