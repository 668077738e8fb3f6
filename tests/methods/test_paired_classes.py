"""Tests of paired classes, by hand; published tables are in tests/reference."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.sparse.csgraph import connected_components

from pipeline.methods.paired_classes import (
    bowker,
    mcnemar_chi_squared,
    mcnemar_exact,
    mcnemar_mid_p,
    stuart_maxwell,
)

TWO = [[9, 1], [8, 2]]
THREE = [[10, 6, 1], [2, 10, 4], [3, 1, 10]]


@pytest.mark.parametrize(
    ("outcome", "words"),
    [
        (mcnemar_exact(TWO), "McNemar exact, by the binomial distribution, no continuity correction"),
        (mcnemar_mid_p(TWO), "McNemar mid-p, between exact and approximate, no continuity correction"),
        (mcnemar_chi_squared(TWO, continuity=True), "McNemar chi-squared, approximate, with continuity correction"),
        (mcnemar_chi_squared(TWO, continuity=False), "McNemar chi-squared, approximate, no continuity correction"),
        (bowker(THREE), "Bowker chi-squared, approximate, no continuity correction"),
        (stuart_maxwell(THREE), "Stuart-Maxwell chi-squared, approximate, no continuity correction"),
    ],
)
def test_each_says_whether_it_is_exact_and_whether_it_is_corrected(outcome, words: str):
    assert outcome.in_words == words
    assert outcome.in_words.startswith(outcome.method.split(",")[0].removesuffix(" exact").removesuffix(" mid-p"))


def test_names_that_tables_publish_stay_short():
    assert (mcnemar_exact(TWO).method, bowker(THREE).method) == ("McNemar exact", "Bowker")


def test_mid_p_leaves_out_half_of_what_was_found():
    # One of nine changes the other way: exact 2 × (1 + 9) / 512; found itself has a probability of 9 / 512.
    assert mcnemar_exact(TWO).p_value == pytest.approx(20 / 512)
    assert mcnemar_mid_p(TWO).p_value == pytest.approx(11 / 512)


@pytest.mark.parametrize("table", [[[5, 0], [0, 5]], [[5, 4], [4, 5]], [[0, 1], [1, 0]]])
def test_as_many_changes_one_way_as_the_other_give_one(table: list[list[int]]):
    assert mcnemar_mid_p(table).p_value == pytest.approx(1.0)
    for continuity in (True, False):
        result = mcnemar_chi_squared(table, continuity=continuity)
        assert (result.statistic, result.p_value) == (0.0, 1.0)


def test_the_continuity_correction_takes_one_from_the_difference_and_not_more():
    assert mcnemar_chi_squared(TWO, continuity=False).statistic == 7**2 / 9
    assert mcnemar_chi_squared(TWO, continuity=True).statistic == 6**2 / 9
    assert mcnemar_chi_squared([[0, 3], [2, 0]], continuity=True).statistic == 0


def test_margins_can_stay_where_many_change_in_a_circle():
    # Ten go from each class to the next: every class keeps its size, and no one comes back.
    circle = [[0, 10, 0], [0, 0, 10], [10, 0, 0]]
    assert stuart_maxwell(circle).p_value == pytest.approx(1.0)
    assert bowker(circle).p_value < 1e-5


def test_two_classes_are_mcnemar_s_without_correction():
    result, plain = stuart_maxwell(TWO), mcnemar_chi_squared(TWO, continuity=False)
    assert (result.statistic, result.p_value, result.degrees_of_freedom) == pytest.approx(
        (plain.statistic, plain.p_value, 1), rel=1e-12
    )


def test_a_class_that_no_one_left_or_entered_costs_no_degree_of_freedom():
    wider = np.zeros((4, 4), dtype=int)
    wider[:3, :3] = THREE
    wider[3, 3] = 7
    result, narrow = stuart_maxwell(wider), stuart_maxwell(THREE)
    assert (result.degrees_of_freedom, narrow.degrees_of_freedom) == (2, 2)
    assert result.statistic == pytest.approx(narrow.statistic, rel=1e-12)


@pytest.mark.parametrize("seed", range(20))
def test_classes_fall_into_as_many_groups_as_scipy_finds(seed: int):
    rng = np.random.default_rng(seed)
    table = rng.binomial(1, 0.12, size=(7, 7)) + np.diag(rng.integers(0, 3, 7))
    traffic = table + table.T - 2 * np.diag(np.diag(table))
    n_groups, _ = connected_components(traffic, directed=False)
    assert stuart_maxwell(table).degrees_of_freedom == 7 - n_groups


def test_groups_of_classes_without_traffic_between_them_are_tested_together():
    apart = np.zeros((4, 4), dtype=int)
    apart[:2, :2], apart[2:, 2:] = TWO, [[5, 2], [9, 5]]
    result = stuart_maxwell(apart)
    assert result.degrees_of_freedom == 2
    assert result.statistic == pytest.approx(7**2 / 9 + 7**2 / 11, rel=1e-12)


def test_no_one_changed():
    result = stuart_maxwell(np.diag([4, 5, 6]))
    assert (result.statistic, result.p_value, result.degrees_of_freedom) == (0.0, 1.0, 0)


@pytest.mark.parametrize("test", [mcnemar_mid_p, lambda table: mcnemar_chi_squared(table, continuity=True)])
def test_three_classes_are_refused_by_tests_for_two(test):
    with pytest.raises(ValueError, match="two classes, not 3"):
        test(THREE)


def test_what_is_no_cross_table_is_refused():
    with pytest.raises(ValueError, match="square, not 1 × 2"):
        stuart_maxwell([[1, 2]])
