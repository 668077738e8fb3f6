from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import stats
from statsmodels.stats.anova import AnovaRM

from pipeline.methods.repeated_measures import sections_differ
from tests.support.sleep_deprivation import REACTION_MS

#: Seconds that eight people took to retch at four foods, a usual textbook example (Field, Discovering statistics). The
#: data and F(3, 21) = 3.79, epsilon .533, p = .063 are from memory.
FOODS = np.array(
    [[8, 7, 1, 6], [9, 5, 2, 5], [6, 2, 3, 8], [5, 3, 1, 9], [8, 4, 5, 8], [7, 5, 6, 7], [10, 2, 7, 2], [12, 6, 8, 1]]
)  # fmt: skip
ALL = np.ones((8, 1)), np.ones((1, 1))


def test_the_textbook_example_comes_out():
    test = sections_differ(FOODS, *ALL)
    assert (test.df, test.df_error) == (3, 21)
    assert (test.f, test.epsilon, test.p_value) == pytest.approx((3.79, 0.533, 0.063), abs=0.005)


def test_f_is_that_of_statsmodels_for_ten_days_of_eighteen_people():
    days = np.array(list(REACTION_MS.values()))
    rows = pd.DataFrame([(who, day, ms) for who, row in REACTION_MS.items() for day, ms in enumerate(row)])
    rows.columns = ["who", "day", "ms"]
    expected = AnovaRM(rows, "ms", "who", within=["day"]).fit().anova_table
    test = sections_differ(days, np.ones((18, 1)), np.ones((1, 1)))
    assert (test.f, test.df, test.df_error) == pytest.approx(tuple(expected.iloc[0][["F Value", "Num DF", "Den DF"]]))


def test_with_two_sections_by_group_it_is_the_pooled_t_test_of_the_changes():
    groups = np.repeat(np.eye(2), [3, 5], axis=0)
    test = sections_differ(FOODS[:, :2], groups, np.array([[-1.0, 1.0]]))
    change = FOODS[:, 1] - FOODS[:, 0]
    t = stats.ttest_ind(change[3:], change[:3])
    assert (test.f, test.p_value, test.epsilon) == pytest.approx((t.statistic**2, t.pvalue, 1.0))


def test_sections_that_vary_alike_have_an_epsilon_of_one():
    rng = np.random.default_rng(1)
    test = sections_differ(rng.normal(size=(4000, 4)), np.ones((4000, 1)), np.ones((1, 1)))
    assert test.epsilon == pytest.approx(1.0, abs=0.01)


@pytest.mark.parametrize(
    ("table", "message"),
    [(FOODS[:1], "too few"), (np.tile([1.0, 2.0, 4.0], (5, 1)), "without error")],
    ids=["one athlete", "the same change in all"],
)
def test_what_has_no_error_is_refused(table: np.ndarray, message: str):
    with pytest.raises(ValueError, match=message):
        sections_differ(table, np.ones((len(table), 1)), np.ones((1, 1)))
