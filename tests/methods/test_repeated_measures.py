from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import stats
from statsmodels.stats.anova import AnovaRM

from pipeline.methods.repeated_measures import sections_differ
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
    assert test.p_value == pytest.approx(stats.f(9 * test.epsilon, 153 * test.epsilon).sf(test.f))


def test_f_is_that_of_statsmodels_for_ten_days_of_eighteen_people():
    rows = pd.DataFrame([(who, day, ms) for who, row in REACTION_MS.items() for day, ms in enumerate(row)])
    rows.columns = ["who", "day", "ms"]
    expected = AnovaRM(rows, "ms", "who", within=["day"]).fit().anova_table
    test = sections_differ(DAYS, *ALL)
    assert (test.f, test.df, test.df_error) == pytest.approx(tuple(expected.iloc[0][["F Value", "Num DF", "Den DF"]]))


def test_with_two_sections_by_group_it_is_the_pooled_t_test_of_the_changes():
    groups = np.repeat(np.eye(2), [3, 5], axis=0)
    test = sections_differ(DAYS[:8, :2], groups, np.array([[-1.0, 1.0]]))
    change = DAYS[:8, 1] - DAYS[:8, 0]
    t = stats.ttest_ind(change[3:], change[:3])
    assert (test.f, test.p_value, test.epsilon) == pytest.approx((t.statistic**2, t.pvalue, 1.0))


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
