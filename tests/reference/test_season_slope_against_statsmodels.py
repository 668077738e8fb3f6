"""`meta_regression`, which `contrasts` rests on, against statsmodels: exact up to rounding.

statsmodels has the variance between estimates by moments for a common mean alone; with regressors it is compared with
the definition, written with dense matrices.
"""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm
from statsmodels.stats.meta_analysis import combine_effects

from pipeline.methods.meta_regression import meta_regression


def scattered(seed: int, n: int = 14, between: float = 1.2) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Estimates whose scatter is `between` beyond their own errors, the errors, and dates."""
    random = np.random.default_rng(seed)
    errors = random.uniform(0.2, 1.5, n)
    month = np.sort(random.uniform(0, 6, n))
    return 2 - 0.3 * month + between * random.standard_normal(n) + errors * random.standard_normal(n), errors, month


@pytest.mark.parametrize("seed", range(8))
def test_a_common_mean_is_that_of_dersimonian_and_laird_with_knapp_and_hartungs_error(seed: int):
    estimates, errors, _ = scattered(seed)
    ours = meta_regression(estimates, errors, np.ones((14, 1)))
    theirs = combine_effects(estimates, errors**2, method_re="dl")
    assert theirs.tau2 > 0
    assert ours.between == pytest.approx(theirs.tau2, rel=1e-9)
    assert ours.coefficients[0] == pytest.approx(theirs.mean_effect_re, rel=1e-9)
    # Never less than the errors themselves say: there the two part, by intention.
    scale = max(theirs.scale_hksj_re, 1.0)
    assert ours.covariance[0, 0] == pytest.approx(theirs.var_eff_w_re * scale, rel=1e-9)
    assert ours.df == 13


def test_where_estimates_agree_nothing_is_between_them_and_the_error_is_that_of_the_fixed_mean():
    _, errors, _ = scattered(1)
    agreeing = 2 + errors / 10
    ours = meta_regression(agreeing, errors, np.ones((14, 1)))
    # Their "dl" goes below zero here; their iterated variance stops at zero as ours does.
    theirs = combine_effects(agreeing, errors**2, method_re="iterated")
    assert ours.between == theirs.tau2 == 0
    assert theirs.scale_hksj_re < 1
    assert ours.coefficients[0] == pytest.approx(theirs.mean_effect_fe, rel=1e-9)
    assert ours.covariance[0, 0] == pytest.approx(theirs.var_eff_w_fe, rel=1e-9)


@pytest.mark.parametrize("seed", range(8))
def test_a_line_is_that_of_weighted_least_squares_with_the_variance_by_moments(seed: int):
    estimates, errors, month = scattered(seed)
    columns = np.column_stack([np.ones(14), month])
    ours = meta_regression(estimates, errors, columns)

    weight = np.diag(1 / errors**2)
    rest = weight - weight @ columns @ np.linalg.inv(columns.T @ weight @ columns) @ columns.T @ weight
    between = (estimates @ rest @ estimates - 12) / np.trace(rest)
    assert between > 0
    assert ours.between == pytest.approx(between, rel=1e-9)
    theirs = sm.WLS(estimates, columns, weights=1 / (errors**2 + between)).fit()
    assert ours.coefficients == pytest.approx(theirs.params, rel=1e-9)
    covariance = theirs.cov_params() / theirs.scale * max(theirs.scale, 1.0)
    assert ours.covariance == pytest.approx(covariance, rel=1e-9)
    assert ours.estimator @ estimates == pytest.approx(theirs.params, rel=1e-9)


def test_shared_errors_add_what_the_coefficient_leans_on_them():
    estimates, errors, month = scattered(3)
    ours = meta_regression(estimates, errors, np.column_stack([np.ones(14), month]))
    shared = np.random.default_rng(4).standard_normal((14, 2))
    by_hand = ours.estimator[1] @ (shared @ shared.T) @ ours.estimator[1]
    assert ours.variance_with(shared, 1) == pytest.approx(ours.covariance[1, 1] + by_hand, rel=1e-9)
