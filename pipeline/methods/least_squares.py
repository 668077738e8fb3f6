"""Generalised least squares from the normal equations of each run, with the jackknife over runs.

Arrays may have an axis more, the first, for several metrics: written `...`. Each metric comes out as if it were alone,
to the last bit.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.core.arrays import Array


@dataclass(frozen=True)
class Prior:
    """What the other athletes of the club respond like, for the places of a design's causes.

    Attributes:
        mean: of the responses.
        variance: between athletes; infinite where nothing is known.
    """

    mean: Array
    variance: Array

    def of_metrics(self, place: int | list[int] | None) -> Prior:
        """The prior of one of the metrics, or of some; None makes one metric an axis."""
        return Prior(self.mean[place], self.variance[place])


def dot(left: Array, right: Array) -> Array:
    """Scalar products of vectors, ... × k; copied first, since BLAS adds what lies apart in another order."""
    return np.asarray(np.vecdot(np.ascontiguousarray(left), np.ascontiguousarray(right)))


def columns_at(columns: Array, places: Sequence[int]) -> Array:
    """Some of the columns, ... × n × k, next to each other in each metric, so that BLAS takes all metrics alike."""
    return np.take(columns.swapaxes(-2, -1), places, axis=-2).swapaxes(-2, -1)


def solved(matrix: Array, right: Array) -> Array:
    """Solutions of linear equations, each with one right-hand side; ... × k × k and ... × k."""
    return np.asarray(np.linalg.solve(matrix, right[..., None])[..., 0])


def known_before(prior: Prior | None, variance: Array, b: Array) -> tuple[Array, Array]:
    """What a prior of the last coefficients adds to X'V⁻¹X and to X'V⁻¹y."""
    n = b.shape[-1]
    known, pull = np.zeros((*b.shape, n)), np.zeros_like(b)
    if prior is not None:
        # Never none of it: where nothing scatters, a nuisance of one run is held by its prior alone.
        precision, of = np.maximum(variance, 1e-12)[..., None] / prior.variance, np.arange(n - prior.mean.shape[-1], n)
        known[..., of, of], pull[..., of] = precision, precision * prior.mean
    return known, pull


@dataclass(frozen=True)
class Estimate:
    """Coefficients by generalised least squares.

    Attributes:
        beta: the coefficients.
        covariance: of beta, from the jackknife over runs.
        df: of the first coefficient's variance in it.
        total: X'V⁻¹X, with what a prior adds.
        right: X'V⁻¹y, likewise.
    """

    beta: Array
    covariance: Array
    df: Array
    total: Array
    right: Array


def estimated(a: Array, b: Array, prior: Prior | None, variance: Array) -> Estimate:
    """Solve the normal equations.

    Args:
        a: each run's share of X'V⁻¹X, ... × runs × k × k.
        b: each run's share of X'V⁻¹y, ... × runs × k.
        prior: of as many coefficients, the last ones.
        variance: of the errors.
    """
    total, right = a.sum(axis=-3), b.sum(axis=-2)
    known, pull = known_before(prior, variance, right)
    total, right = total + known, right + pull
    beta = solved(total, right)
    covariance, df = jackknife_over_runs(a, b, total, beta)
    if prior is not None:
        # A response drawn towards the club's is off by its own departure from the club, which no run reveals.
        drawn = np.linalg.solve(total, known)[..., beta.shape[-1] - prior.mean.shape[-1] :]
        of_club = np.where(np.isfinite(prior.variance) & (variance > 0)[..., None], prior.variance, 0.0)
        covariance = covariance + (drawn * of_club[..., None, :]) @ drawn.swapaxes(-2, -1)
    return Estimate(beta, covariance, df, total, right)


def jackknife_over_runs(a: Array, b: Array, total: Array, beta: Array) -> tuple[Array, Array]:
    """Covariance of beta from how it shifts when each run is left out, and the degrees of freedom of the drift's.

    Args:
        a: each run's share of X'V⁻¹X, ... × runs × k × k.
        b: each run's share of X'V⁻¹y, ... × runs × k.
        total: the sum of `a`, with what a prior adds.
        beta: the estimate.
    """
    n_runs = a.shape[-3]
    without = total[..., None, :, :] - a
    shifts = solved(without, b - (a @ beta[..., None, :, None])[..., 0])
    inverse = np.linalg.inv(total)
    under_model = inverse @ a.sum(axis=-3) @ inverse  # covariance of beta for errors of variance 1
    # The covariance that the model gives to the shifts of each coefficient: for them to be judged by.
    g = np.linalg.inv(without)
    ag = np.einsum("...rij,...rcj->...cri", a, g)
    of_shifts = -ag @ (2 * inverse - under_model)[..., None, :, :] @ ag.swapaxes(-2, -1)
    runs = np.arange(n_runs)
    of_shifts[..., runs, runs] += np.einsum("...rcj,...crj->...cr", g, ag)
    expected = of_shifts[..., runs, runs].sum(axis=-1)
    unbiased = np.sqrt(np.diagonal(under_model, axis1=-2, axis2=-1) / expected)
    df = expected[..., 0] ** 2 / (of_shifts[..., 0, :, :] ** 2).sum(axis=(-2, -1))
    covariance = unbiased[..., :, None] * unbiased[..., None, :] * (shifts.swapaxes(-2, -1) @ shifts)
    return covariance, np.clip(df, 1.0, n_runs - 1.0)
