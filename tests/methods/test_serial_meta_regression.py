"""A line over time through estimates whose neighbours may be alike."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import optimize, special, stats

from pipeline.methods.serial_meta_regression import (
    CORRELATION,
    CORRELATION_WEIGHT,
    _given,
    crossing,
    serial_meta_regression,
)


def series(seed: int, *, n: int = 24, rho: float = 0.0, sd: float = 1.5, slope: float = 0.0):
    """Estimates every six days whose true values scatter by `sd` about a line, their errors, and months."""
    draw = np.random.default_rng(seed)
    alike = draw.standard_normal(n)
    for place in range(1, n):
        alike[place] = rho * alike[place - 1] + np.sqrt(1 - rho**2) * alike[place]
    errors, month = 0.7 * draw.uniform(0.6, 1.6, n), np.arange(n) * 6 / 30.44
    return slope * month + sd * alike + errors * draw.standard_normal(n), errors, month, np.zeros((n, 1))


@pytest.mark.parametrize("rho", [0.0, 0.6])
@pytest.mark.parametrize("deviation", [0.0, 1.3])
def test_for_a_known_correlation_the_line_is_generalised_least_squares(rho: float, deviation: float):
    estimates, errors, month, _ = series(1)
    shared = np.random.default_rng(2).normal(size=(24, 2))
    columns, alike = np.column_stack([np.ones(24), month]), rho ** np.abs(np.subtract.outer(np.arange(24), range(24)))
    ((log_likelihood, start, slope, error),) = _given(
        estimates, errors, columns, shared, alike=alike, deviations=np.array([deviation])
    ).T
    covariance = np.diag(errors**2) + deviation**2 * alike
    inner = columns.T @ np.linalg.solve(covariance, columns)
    estimator = np.linalg.solve(inner, columns.T @ np.linalg.inv(covariance))
    assert (start, slope) == pytest.approx(tuple(estimator @ estimates))
    variance = estimator @ (covariance + shared @ shared.T) @ estimator.T
    assert error == pytest.approx(variance[1, 1] ** 0.5)
    # Up to what does not depend on the correlation, it is the density of two contrasts less.
    rest = estimates - columns @ estimator @ estimates
    expected = stats.multivariate_normal(cov=covariance).logpdf(rest) - 0.5 * np.linalg.slogdet(inner)[1]
    assert log_likelihood - expected == pytest.approx(np.log(errors).sum() + 12 * np.log(2 * np.pi))


@pytest.mark.parametrize("share", [0.025, 0.5, 0.975])
@pytest.mark.parametrize("df", [1, 3, 22])
def test_ends_of_intervals_of_a_mixture_are_where_scipy_finds_them(df: int, share: float):
    def below(value: float) -> float:
        return float(
            np.array([0.7, 0.2, 0.1]) @ special.stdtr(df, (value - np.array([0.0, 1.0, -4.0])) / [0.1, 1.0, 3.0])
        )

    expected = optimize.brentq(lambda at: below(at) - share, -1e3, 1e3)
    assert crossing(below, share, -1e3, 1e3) == pytest.approx(expected, abs=1e-8)


def test_in_other_units_everything_is_the_same():
    estimates, errors, month, shared = series(3, rho=0.5)
    plain = serial_meta_regression(estimates, errors, month, shared)
    scaled = serial_meta_regression(10 * estimates, 10 * errors, month * 30.44, shared)
    assert scaled.low == pytest.approx(plain.low * 10 / 30.44)
    assert scaled.p_value == pytest.approx(plain.p_value)
    assert scaled.correlation == pytest.approx(plain.correlation)


def test_an_error_that_estimates_share_in_step_with_time_widens_the_interval():
    estimates, errors, month, nothing = series(4)
    plain, wide = (serial_meta_regression(estimates, errors, month, shared) for shared in (nothing, 2 * month[:, None]))
    assert wide.slope == pytest.approx(plain.slope)
    assert wide.high - wide.low > 3 * (plain.high - plain.low)


def test_how_alike_neighbours_are_is_learnt_from_them():
    def correlation(rho: float) -> float:
        return float(np.mean([serial_meta_regression(*series(seed, n=60, rho=rho)).correlation for seed in range(10)]))

    assert CORRELATION_WEIGHT.sum() == pytest.approx(1)
    assert correlation(0.0) < 0.15
    assert correlation(0.9) > 0.6
    assert CORRELATION.max() < 1


@pytest.mark.slow
@pytest.mark.parametrize(("rho", "least"), [(0.0, 0.95), (0.8, 0.86)])
def test_intervals_hold_the_slope_also_where_neighbours_are_alike(rho: float, least: float):
    """24 runs; the interval that takes runs for independent holds it in 64 % at 0.8."""
    lines = [serial_meta_regression(*series(seed, rho=rho, slope=0.4)) for seed in range(200)]
    assert np.mean([line.low <= 0.4 <= line.high for line in lines]) >= least
    width = float(np.median([line.high - line.low for line in lines]))
    independent = 2 * 2.07 * np.hypot(1.5, 0.75) / (np.std(np.arange(24) * 6 / 30.44) * 24**0.5)
    if rho == 0:
        assert width < 1.5 * independent
