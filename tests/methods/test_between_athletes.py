from __future__ import annotations

import numpy as np
import pytest
from scipy import stats
from statsmodels.regression.linear_model import OLS

from pipeline.methods.between_athletes import between_athletes

DRAW = np.random.default_rng(3)
FEW, MANY = DRAW.normal(1.0, 1.0, 6), DRAW.normal(2.0, 3.0, 11)
GROUPS = np.repeat(np.eye(2), [6, 11], axis=0)
SCORES = np.concatenate([FEW, MANY])


def test_without_groups_it_is_the_t_interval_of_the_mean():
    mean, interval = between_athletes(FEW, np.ones((6, 1))).contrast(np.ones(1))
    expected = stats.ttest_1samp(FEW, 0)
    assert (mean, interval.p_value) == pytest.approx((FEW.mean(), expected.pvalue))
    assert (interval.low, interval.high) == pytest.approx(tuple(expected.confidence_interval()))


def test_a_group_has_the_t_interval_of_its_own_athletes_however_the_others_scatter():
    mean, interval = between_athletes(SCORES, GROUPS).contrast(np.array([1.0, 0.0]))
    expected = stats.ttest_1samp(FEW, 0).confidence_interval()
    assert (mean, interval.low, interval.high) == pytest.approx((FEW.mean(), expected.low, expected.high))


def test_the_difference_of_two_groups_has_the_error_of_welchs_test():
    difference, interval = between_athletes(SCORES, GROUPS).contrast(np.array([-1.0, 1.0]))
    welch = stats.ttest_ind(MANY, FEW, equal_var=False)
    assert difference / interval.se == pytest.approx(welch.statistic)
    # Of groups of one size both have the same degrees of freedom where the groups scatter alike.
    alike = between_athletes(np.concatenate([FEW, FEW + 1]), np.repeat(np.eye(2), 6, axis=0))
    assert alike.contrast(np.array([-1.0, 1.0]))[1].df == pytest.approx(10)


def test_a_covariate_has_the_robust_error_of_statsmodels():
    columns = np.column_stack([np.ones(17), DRAW.normal(0, 1, 17)])
    effect, interval = between_athletes(SCORES, columns).contrast(np.array([0.0, 1.0]))
    expected = OLS(SCORES, columns).fit(cov_type="HC2")
    assert (effect, interval.se) == pytest.approx((expected.params[1], expected.bse[1]))
    assert 1 < interval.df < 15


def test_what_all_share_moves_the_mean_and_not_the_difference():
    fit = between_athletes(SCORES, GROUPS, shared=np.full(17, 0.5))
    alone = between_athletes(SCORES, GROUPS)
    mean, difference = np.array([0.5, 0.5]), np.array([-1.0, 1.0])
    assert fit.contrast(mean)[1].se == pytest.approx(np.hypot(alone.contrast(mean)[1].se, 0.5))
    assert fit.contrast(difference)[1].se == pytest.approx(alone.contrast(difference)[1].se)


@pytest.mark.parametrize(
    ("columns", "message"),
    [
        (np.column_stack([GROUPS, GROUPS[:, 0]]), "cannot tell"),
        (np.eye(17)[:, :1] + 0.0, "alone in a group"),
    ],
    ids=["columns that determine one another", "one athlete in a group"],
)
def test_what_cannot_be_estimated_is_refused(columns: np.ndarray, message: str):
    with pytest.raises(ValueError, match=message):
        between_athletes(SCORES, columns)


def test_equal_changes_have_no_interval():
    with pytest.raises(ValueError, match="without scatter"):
        between_athletes(np.ones(4), np.ones((4, 1))).contrast(np.ones(1))
