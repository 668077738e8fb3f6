"""The regression behind the drift: exact answers, and each part of it against linear algebra written out in full."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import optimize

from pipeline.methods.mixed_model import DISTANCE, VALUE, Array, Design, Fit, Prior, fit, normal_equations, whiten

SPEED, SLOPE = 2, 3


def design(
    *, n_runs: int = 8, drift: float = 0.03, own: float = 0.0, error: float = 0.0, rho: float = 0.0, seed: int = 1
) -> Design:
    """Runs of 6 to 15 km; log metric = level − 0.6 speed + 0.004 slope + (drift ± own) distance + error."""
    draw = np.random.default_rng(seed)
    columns, run, gap = [], [], []
    for one in range(n_runs):
        n = int(draw.integers(6, 16))
        distance = (np.arange(n) + 1.5) / 10
        speed, slope = draw.normal(0, 0.04, n), draw.normal(0, 1.5, n)
        errors = draw.normal(0, error, n)
        for k in range(1, n):
            errors[k] = rho * errors[k - 1] + np.sqrt(1 - rho**2) * errors[k]
        value = (
            5.5 + draw.normal(0, 0.02) - 0.6 * speed + 0.004 * slope + (drift + draw.normal(0, own)) * distance + errors
        )
        columns.append(np.column_stack([value, distance, speed, slope]))
        run += [one] * n
        gap += [np.nan] + [1.0] * (n - 1)
    names = [f"run-{one}" for one in range(n_runs)]
    return Design(np.vstack(columns), np.array(run), names, np.array(gap), np.ones(len(run)))


def covariance_in_full(fitted: Fit) -> Array:
    """Of all splits: errors that fade by rho, weights, and the run's own drift."""
    one = fitted.design
    covariance = np.zeros((len(one.run), len(one.run)))
    for start, end in zip(one.first, [*one.first[1:], len(one.run)], strict=True):
        place = np.cumsum(np.nan_to_num(one.gap_km[start:end]))
        errors = fitted.rho ** np.abs(place[:, None] - place) / np.sqrt(
            np.outer(one.weight[start:end], one.weight[start:end])
        )
        distance = one.columns[start:end, DISTANCE]
        covariance[start:end, start:end] = errors + fitted.spread * np.outer(distance, distance)
    return covariance


def least_squares_in_full(fitted: Fit, *, without: int | None = None) -> Array:
    """Generalised least squares with a column for every run's level; the level columns are dropped from the answer."""
    one = fitted.design
    kept = np.ones(len(one.run), dtype=bool) if without is None else one.run != without
    levels = (one.run[:, None] == np.arange(len(one.run_ids)))[
        :, [run for run in range(len(one.run_ids)) if run != without]
    ]
    x = np.column_stack([one.columns[:, list(fitted.places)], levels])[kept]
    inverse = np.linalg.inv(covariance_in_full(fitted)[np.ix_(kept, kept)])
    return np.linalg.solve(x.T @ inverse @ x, x.T @ inverse @ one.columns[kept, VALUE])[: len(fitted.places)]


def test_without_scatter_the_planted_drift_and_responses_come_back() -> None:
    fitted = fit(design(), (SPEED, SLOPE))
    assert_allclose(fitted.beta, [0.03, -0.6, 0.004], atol=1e-9)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_the_estimate_is_generalised_least_squares_at_the_chosen_rho_and_spread(seed: int) -> None:
    fitted = fit(design(own=0.02, error=0.01, rho=0.6, seed=seed), (SPEED, SLOPE))
    assert fitted.rho > 0
    assert_allclose(fitted.beta, least_squares_in_full(fitted), rtol=1e-7)


def test_the_covariance_is_that_of_refitting_without_each_run_made_unbiased() -> None:
    fitted = fit(design(own=0.02, error=0.01, rho=0.5), (SPEED, SLOPE))
    whole = least_squares_in_full(fitted)
    shifts = np.array([whole - least_squares_in_full(fitted, without=run) for run in range(8)])
    # How a coefficient shifts is linear in the values: its covariance follows from theirs, value by value.
    values = np.eye(len(fitted.design.run))
    of_values = np.array([shifts_of(replaced(fitted, value)) for value in values])
    estimates = np.array([least_squares_in_full(replaced(fitted, value)) for value in values])
    in_full = covariance_in_full(fitted)
    covariances = [of_values[:, :, place].T @ in_full @ of_values[:, :, place] for place in range(3)]
    under_model = np.diag(estimates.T @ in_full @ estimates)
    unbiased = np.sqrt(under_model / [np.trace(one) for one in covariances])
    assert_allclose(fitted.covariance, np.outer(unbiased, unbiased) * (shifts.T @ shifts), rtol=1e-6)
    assert_allclose(fitted.drift_freedom, np.trace(covariances[0]) ** 2 / (covariances[0] ** 2).sum(), rtol=1e-6)


def test_the_spread_between_runs_is_settled_to_a_hundredth_of_a_free_search() -> None:
    for seed in range(4):
        fitted = fit(design(n_runs=20, own=0.02, error=0.01, seed=seed), (SPEED, SLOPE))

        def unlikely(spread: float, one: Fit = fitted) -> float:
            """Minus twice the restricted log-likelihood, with the error variance profiled out, in full."""
            other = replace(one, spread=spread)
            covariance, n = covariance_in_full(other), len(one.design.run)
            levels = (one.design.run[:, None] == np.arange(len(one.design.run_ids))).astype(float)
            x = np.column_stack([one.design.columns[:, list(one.places)], levels])
            inverse = np.linalg.inv(covariance)
            left = one.design.columns[:, VALUE] - x @ np.linalg.solve(
                x.T @ inverse @ x, x.T @ inverse @ one.design.columns[:, VALUE]
            )
            determinants = np.linalg.slogdet(covariance)[1] + np.linalg.slogdet(x.T @ inverse @ x)[1]
            return float((n - x.shape[1]) * np.log(left @ inverse @ left) + determinants)

        free = optimize.minimize_scalar(unlikely, bounds=(fitted.spread / 3, fitted.spread * 3), method="bounded")
        assert fitted.spread == pytest.approx(free.x, rel=0.01)


def test_equal_runs_have_one_degree_of_freedom_less_than_runs_and_unequal_ones_fewer() -> None:
    one = design(n_runs=8, error=0.01)
    ten = np.concatenate([np.flatnonzero(one.run == run)[:6] for run in range(8)])
    equal = Design(one.columns[ten], one.run[ten], one.run_ids, one.gap_km[ten], one.weight[ten])
    assert fit(equal, ()).drift_freedom == pytest.approx(7.0, abs=0.01)
    assert fit(one, ()).drift_freedom < 6.9


def replaced(fitted: Fit, values: Array) -> Fit:
    """The same design and weights with other values."""
    columns = fitted.design.columns.copy()
    columns[:, VALUE] = values
    return replace(fitted, design=replace(fitted.design, columns=columns))


def shifts_of(fitted: Fit) -> Array:
    whole = least_squares_in_full(fitted)
    return np.array([whole - least_squares_in_full(fitted, without=run) for run in range(len(fitted.design.run_ids))])
