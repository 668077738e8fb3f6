from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import stats
from statsmodels.stats.anova import AnovaRM

from pipeline.methods.repeated_measures import sections_differ
from pipeline.methods.shared_error import with_shared_error
from tests.support.sleep_deprivation import REACTION_MS

DAYS = np.array(list(REACTION_MS.values()))
ALL = np.ones((18, 1)), np.ones((1, 1))


def test_epsilon_is_that_of_sums_of_the_covariances():
    """k² (mean variance - mean of all)² over (k - 1) (sum of squares - 2 k sum of squared row means + k² mean²)."""
    covariance = np.cov(DAYS.T)
    k, mean = len(covariance), covariance.mean()
    squares = (covariance**2).sum() - 2 * k * (covariance.mean(axis=0) ** 2).sum() + k**2 * mean**2
    test = sections_differ(DAYS, *ALL)
    assert test.epsilon == pytest.approx(k**2 * (np.diag(covariance).mean() - mean) ** 2 / ((k - 1) * squares))
    assert (test.df, test.df_error) == pytest.approx((9 * test.epsilon, 153 * test.epsilon))
    assert test.p_value == pytest.approx(stats.f(test.df, test.df_error).sf(test.f))


def test_f_is_that_of_statsmodels_for_ten_days_of_eighteen_people():
    rows = pd.DataFrame([(who, day, ms) for who, row in REACTION_MS.items() for day, ms in enumerate(row)])
    rows.columns = ["who", "day", "ms"]
    expected = AnovaRM(rows, "ms", "who", within=["day"]).fit().anova_table
    test = sections_differ(DAYS, *ALL)
    assert (test.f, test.df / test.epsilon, test.df_error / test.epsilon) == pytest.approx(
        tuple(expected.iloc[0][["F Value", "Num DF", "Den DF"]])
    )


def test_with_two_sections_by_group_it_is_the_pooled_t_test_of_the_changes():
    groups = np.repeat(np.eye(2), [3, 5], axis=0)
    test = sections_differ(DAYS[:8, :2], groups, np.array([[-1.0, 1.0]]))
    change = DAYS[:8, 1] - DAYS[:8, 0]
    t = stats.ttest_ind(change[3:], change[:3])
    assert (test.f, test.p_value, test.epsilon) == pytest.approx((t.statistic**2, t.pvalue, 1.0))


def test_with_two_sections_and_a_shared_error_it_is_the_t_interval_with_that_error():
    """Late minus early is moved by 30 to 60 ms in men and women alike, so that it is in their mean change."""
    shared = np.column_stack([np.zeros(18), np.linspace(30, 60, 18)])
    test = sections_differ(DAYS[:, [0, 9]], *ALL, shared=shared)
    change = DAYS[:, 9] - DAYS[:, 0]
    expected = with_shared_error(change.mean(), change.std(ddof=1) / 18**0.5, 17, 45.0)
    assert (test.df, test.df_error, test.p_value) == pytest.approx((1.0, expected.df, expected.p_value))


@pytest.mark.parametrize("spread", [0.3, 3.0], ids=["as large as the athletes'", "far larger"])
@pytest.mark.parametrize("by_group", [False, True], ids=["all", "by group"])
def test_a_shared_error_is_taken_for_a_difference_of_sections_in_at_most_5_percent(spread: float, by_group: bool):
    """Athletes' own errors of 1 by section, uneven in size; groups differ in how far the shared error moves them."""
    rng, n, k, studies = np.random.default_rng(7), 12, 4, 400
    columns, weights = (np.repeat(np.eye(2), [5, 7], axis=0), [[-1.0, 1.0]]) if by_group else (np.ones((n, 1)), [[1.0]])
    shared = spread * np.outer(np.repeat([0.5, 1.5], [5, 7]), np.arange(k))
    p_values = np.array([
        sections_differ(
            rng.standard_normal((n, k)) * [1.0, 1.0, 1.5, 2.0] + rng.standard_normal() * shared,
            columns, np.array(weights), shared=shared,
        ).p_value
        for _ in range(studies)
    ])  # fmt: skip
    error = (0.05 * 0.95 / studies) ** 0.5
    assert abs(np.mean(p_values < 0.05) - 0.05) <= 4 * error


def test_sections_that_vary_alike_have_an_epsilon_of_one():
    rng = np.random.default_rng(1)
    test = sections_differ(rng.normal(size=(4000, 4)), np.ones((4000, 1)), np.ones((1, 1)))
    assert test.epsilon == pytest.approx(1.0, abs=0.01)


@pytest.mark.parametrize(
    ("table", "message"),
    [(DAYS[:1], "too few"), (np.tile([1.0, 2.0, 4.0], (5, 1)), "without error")],
    ids=["one athlete", "the same change in all"],
)
def test_what_has_no_error_is_refused(table: np.ndarray, message: str):
    with pytest.raises(ValueError, match=message):
        sections_differ(table, np.ones((len(table), 1)), np.ones((1, 1)))
