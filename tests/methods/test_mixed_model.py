"""The regression behind the drift: exact answers, and each part of it against linear algebra written out in full."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import optimize

from pipeline.core.arrays import Array
from pipeline.methods.least_squares import Prior
from pipeline.methods.mixed_model import DISTANCE, VALUE, Design, Fit, fit, normal_equations, whiten

SPEED, SLOPE = 2, 3


def design(
    *, n_runs: int = 8, drift: float = 0.03, drift_sd: float = 0.0, error: float = 0.0, rho: float = 0.0, seed: int = 1
) -> Design:
    """Runs of 6 to 15 km; log metric = level − 0.6 speed + 0.004 slope + (drift ± own) distance + error."""
    draw = np.random.default_rng(seed)
    columns, run, gap = [], [], []
    for number in range(n_runs):
        n = int(draw.integers(6, 16))
        distance = (np.arange(n) + 1.5) / 10
        speed, slope = draw.normal(0, 0.04, n), draw.normal(0, 1.5, n)
        errors = draw.normal(0, error, n)
        for k in range(1, n):
            errors[k] = rho * errors[k - 1] + np.sqrt(1 - rho**2) * errors[k]
        value = (
            5.5
            + draw.normal(0, 0.02)
            - 0.6 * speed
            + 0.004 * slope
            + (drift + draw.normal(0, drift_sd)) * distance
            + errors
        )
        columns.append(np.column_stack([value, distance, speed, slope]))
        run += [number] * n
        gap += [np.nan] + [1.0] * (n - 1)
    names = [f"run-{number}" for number in range(n_runs)]
    return Design(np.vstack(columns), np.array(run), names, np.array(gap), np.ones(len(run)))


def covariance_in_full(fitted: Fit) -> Array:
    """Of all splits: errors that fade by rho, weights, and the run's own drift."""
    design = fitted.design
    covariance = np.zeros((len(design.run), len(design.run)))
    for start, end in zip(design.first, [*design.first[1:], len(design.run)], strict=True):
        place = np.cumsum(np.nan_to_num(design.gap_km[start:end]))
        errors = fitted.rho ** np.abs(place[:, None] - place) / np.sqrt(
            np.outer(design.weight[start:end], design.weight[start:end])
        )
        distance = design.columns[start:end, DISTANCE]
        covariance[start:end, start:end] = errors + fitted.variance_ratio * np.outer(distance, distance)
    return covariance


def least_squares_in_full(fitted: Fit, *, without: int | None = None) -> Array:
    """Generalised least squares with a column for every run's level; the level columns are dropped from the answer."""
    design = fitted.design
    kept = np.ones(len(design.run), dtype=bool) if without is None else design.run != without
    levels = (design.run[:, None] == np.arange(len(design.run_ids)))[
        :, [run for run in range(len(design.run_ids)) if run != without]
    ]
    x = np.column_stack([design.columns[:, list(fitted.places)], levels])[kept]
    inverse = np.linalg.inv(covariance_in_full(fitted)[np.ix_(kept, kept)])
    return np.linalg.solve(x.T @ inverse @ x, x.T @ inverse @ design.columns[kept, VALUE])[: len(fitted.places)]


def test_without_scatter_the_planted_drift_and_responses_come_back() -> None:
    fitted = fit(design(), (SPEED, SLOPE))
    assert_allclose(fitted.beta, [0.03, -0.6, 0.004], atol=1e-9)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_the_estimate_is_generalised_least_squares_at_the_chosen_rho_and_spread(seed: int) -> None:
    fitted = fit(design(drift_sd=0.02, error=0.01, rho=0.6, seed=seed), (SPEED, SLOPE))
    assert fitted.rho > 0
    assert_allclose(fitted.beta, least_squares_in_full(fitted), rtol=1e-7)


def test_the_covariance_is_that_of_refitting_without_each_run_made_unbiased() -> None:
    fitted = fit(design(drift_sd=0.02, error=0.01, rho=0.5), (SPEED, SLOPE))
    whole = least_squares_in_full(fitted)
    shifts = np.array([whole - least_squares_in_full(fitted, without=run) for run in range(8)])
    # How a coefficient shifts is linear in the values: its covariance follows from theirs, value by value.
    values = np.eye(len(fitted.design.run))
    of_values = np.array([shifts_of(replaced(fitted, value)) for value in values])
    estimates = np.array([least_squares_in_full(replaced(fitted, value)) for value in values])
    in_full = covariance_in_full(fitted)
    covariances = [of_values[:, :, place].T @ in_full @ of_values[:, :, place] for place in range(3)]
    under_model = np.diag(estimates.T @ in_full @ estimates)
    unbiased = np.sqrt(under_model / [np.trace(covariance) for covariance in covariances])
    assert_allclose(fitted.covariance, np.outer(unbiased, unbiased) * (shifts.T @ shifts), rtol=1e-6)
    assert_allclose(fitted.drift_df, np.trace(covariances[0]) ** 2 / (covariances[0] ** 2).sum(), rtol=1e-6)


def test_the_spread_between_runs_is_settled_to_a_hundredth_of_a_free_search() -> None:
    for seed in range(4):
        fitted = fit(design(n_runs=20, drift_sd=0.02, error=0.01, seed=seed), (SPEED, SLOPE))

        def unlikely(variance_ratio: float, fitted: Fit = fitted) -> float:
            """Minus twice the restricted log-likelihood, with the error variance profiled out, in full."""
            varied = replace(fitted, variance_ratio=variance_ratio)
            covariance, n = covariance_in_full(varied), len(fitted.design.run)
            levels = (fitted.design.run[:, None] == np.arange(len(fitted.design.run_ids))).astype(float)
            x = np.column_stack([fitted.design.columns[:, list(fitted.places)], levels])
            inverse = np.linalg.inv(covariance)
            left = fitted.design.columns[:, VALUE] - x @ np.linalg.solve(
                x.T @ inverse @ x, x.T @ inverse @ fitted.design.columns[:, VALUE]
            )
            determinants = np.linalg.slogdet(covariance)[1] + np.linalg.slogdet(x.T @ inverse @ x)[1]
            return float((n - x.shape[1]) * np.log(left @ inverse @ left) + determinants)

        free = optimize.minimize_scalar(
            unlikely, bounds=(fitted.variance_ratio / 3, fitted.variance_ratio * 3), method="bounded"
        )
        assert fitted.variance_ratio == pytest.approx(free.x, rel=0.01)


def test_equal_runs_have_one_degree_of_freedom_less_than_runs_and_unequal_ones_fewer() -> None:
    whole = design(n_runs=8, error=0.01)
    ten = np.concatenate([np.flatnonzero(whole.run == run)[:6] for run in range(8)])
    equal = Design(whole.columns[ten], whole.run[ten], whole.run_ids, whole.gap_km[ten], whole.weight[ten])
    assert fit(equal, ()).drift_df == pytest.approx(7.0, abs=0.01)
    assert fit(whole, ()).drift_df < 6.9


def replaced(fitted: Fit, values: Array) -> Fit:
    """The same design and weights with other values."""
    columns = fitted.design.columns.copy()
    columns[:, VALUE] = values
    return replace(fitted, design=replace(fitted.design, columns=columns))


def shifts_of(fitted: Fit) -> Array:
    whole = least_squares_in_full(fitted)
    return np.array([whole - least_squares_in_full(fitted, without=run) for run in range(len(fitted.design.run_ids))])


def test_errors_that_fade_and_runs_that_differ_are_recognised() -> None:
    many = [fit(design(n_runs=30, drift_sd=0.03, error=0.01, rho=0.7, seed=seed), (SPEED, SLOPE)) for seed in range(10)]
    assert 0.6 <= np.mean([fitted.rho for fitted in many]) <= 0.8
    # 0.03² / 0.01² = 9
    assert 5 <= np.median([fitted.variance_ratio for fitted in many]) <= 15


def test_whitened_errors_of_a_run_are_independent_with_equal_variance() -> None:
    run = design(n_runs=1)
    run = replace(run, weight=np.linspace(0.5, 2.0, len(run.run)))
    place = np.cumsum(np.nan_to_num(run.gap_km))
    covariance = 0.6 ** np.abs(place[:, None] - place) / np.sqrt(np.outer(run.weight, run.weight))
    white, length = whiten(run, np.linalg.cholesky(covariance), 0.6)
    level = np.linalg.solve(np.linalg.cholesky(covariance), np.ones(len(place)))
    # What is left of independent errors when one direction, the level, is taken out: a projection.
    assert_allclose(white @ white.T, np.eye(len(place)) - np.outer(level, level) / (level @ level), atol=1e-9)
    assert_allclose(length, [level @ level])


def test_a_hole_of_several_kilometres_fades_the_errors_by_as_many() -> None:
    dense = design(n_runs=2)
    holed = replace(dense, gap_km=np.where(dense.gap_km == 1.0, 3.0, np.nan))
    near, _ = whiten(dense, dense.columns, 0.8**3)
    far, _ = whiten(holed, dense.columns, 0.8)
    assert_allclose(far, near)


def test_one_bad_split_moves_the_drift_by_less_than_a_tenth_of_what_it_would() -> None:
    sound = design(error=0.01)
    spoilt = replace(sound, columns=sound.columns.copy())
    spoilt.columns[spoilt.first[1] - 1, VALUE] += 0.5  # the last split of the first run
    unweighted = least_squares_in_full(replace(fit(sound, (SPEED, SLOPE)), design=spoilt))
    moved = abs(fit(spoilt, (SPEED, SLOPE)).beta[0] - fit(sound, (SPEED, SLOPE)).beta[0])
    assert moved < 0.1 * abs(unweighted[0] - fit(sound, (SPEED, SLOPE)).beta[0])


def test_the_weight_of_a_split_is_that_of_so_many_splits() -> None:
    plain = design(error=0.01)
    products = fit(plain, (SPEED, SLOPE)).products
    assert_allclose(fit(replace(plain, weight=2 * plain.weight), (SPEED, SLOPE)).products, 2 * products, rtol=1e-9)


@pytest.mark.parametrize(("variance", "expected"), [(1e-12, -0.9), (1e12, -0.6)])
def test_a_prior_rules_where_it_is_sharp_and_yields_where_it_is_wide(variance: float, expected: float) -> None:
    prior = Prior(np.array([-0.9, 0.0]), np.array([variance, np.inf]))
    assert_allclose(fit(design(error=0.001), (SPEED, SLOPE), prior).beta[1], expected, atol=0.01)


def test_what_a_drawn_response_may_be_off_by_widens_the_drift() -> None:
    # Speed falls along every run: the drift leans on the response to it.
    plain = design(error=0.01)
    fading = replace(plain, columns=plain.columns.copy())
    fading.columns[:, SPEED] = -0.1 * plain.columns[:, DISTANCE] + 0.1 * plain.columns[:, SPEED]
    fading.columns[:, VALUE] = (
        5.5 - 0.6 * fading.columns[:, SPEED] + np.random.default_rng(1).normal(0, 0.01, len(plain.run))
    )
    sharp = fit(fading, (SPEED,), Prior(np.array([-0.6]), np.array([1e-9])))
    unsure = fit(fading, (SPEED,), Prior(np.array([-0.6]), np.array([0.04])))
    without_prior = fit(fading, (SPEED,))
    assert sharp.covariance[0, 0] < unsure.covariance[0, 0] < without_prior.covariance[0, 0]
    # In the limit of an overruling prior the response is off by its variance, and the drift by a tenth of its root.
    overruled = fit(fading, (SPEED,), Prior(np.array([-0.6]), np.array([1e-4])))
    assert overruled.covariance[0, 0] >= (0.1 * 1e-2) ** 2 * 0.9


def test_collinearity_is_the_share_of_distance_that_the_causes_explain() -> None:
    plain = design()
    columns = plain.columns.copy()
    rest = np.tile([1.0, -1.0], len(plain.run))[: len(plain.run)]
    columns[:, SPEED] = -0.2 * columns[:, DISTANCE] + 0.01 * rest
    within = columns - (plain.per_run(columns) / np.bincount(plain.run)[:, None])[plain.run]
    slope, intercept = np.polyfit(within[:, SPEED], within[:, DISTANCE], 1)
    left = within[:, DISTANCE] - slope * within[:, SPEED] - intercept
    fitted = fit(replace(plain, columns=columns), (SPEED,))
    expected = 1 - left @ left / (within[:, DISTANCE] @ within[:, DISTANCE])
    assert expected > 0.9
    # The model weighs and whitens, the expectation does not.
    assert fitted.collinearity == pytest.approx(expected, abs=0.02)


def test_cross_products_hold_the_runs_own_drift() -> None:
    fitted = fit(design(drift_sd=0.03, error=0.01), (SPEED, SLOPE))
    a, b, yy = normal_equations(fitted.products, fitted.places, fitted.variance_ratio)
    inverse = np.linalg.inv(covariance_in_full(fitted))
    plan = fitted.design
    levels = (plan.run[:, None] == np.arange(len(plan.run_ids))).astype(float)
    projection = inverse - inverse @ levels @ np.linalg.inv(levels.T @ inverse @ levels) @ levels.T @ inverse
    x, y = plan.columns[:, list(fitted.places)], plan.columns[:, VALUE]
    # The level is projected out before the run's own drift is brought in; both orders span the same space.
    assert_allclose(a.sum(axis=0), x.T @ projection @ x, rtol=1e-7)
    assert_allclose(b.sum(axis=0), x.T @ projection @ y, rtol=1e-7)
    assert_allclose(yy.sum(), y @ projection @ y, rtol=1e-7)
