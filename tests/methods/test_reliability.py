"""Variance within and between subjects, by hand."""

from __future__ import annotations

import math

import numpy as np
import pytest

from pipeline.methods.reliability import reliability

WHO = ["ari", "ari", "ari", "bo", "bo", "bo", "cy", "cy", "cy"]
VALUES = [1.0, 2.0, 3.0, 2.0, 3.0, 4.0, 6.0, 7.0, 8.0]


def test_mean_squares_and_what_follows_from_them():
    result = reliability(WHO, VALUES)
    # Between 3 × var(2, 3, 7) = 21, within 1; so 20 / 3 between and 20 / 23 of the variance.
    assert (result.mean_square_between, result.mean_square_within) == pytest.approx((21, 1))
    assert result.variance_between == pytest.approx(20 / 3)
    assert result.icc == pytest.approx(20 / 23)
    assert (result.n_subjects, result.n_values, result.typical_size) == (3, 9, 3)
    assert result.typical_error == pytest.approx(1)


def test_the_standard_error_of_measurement_is_the_typical_error_by_another_formula():
    for values in (VALUES, [1.0, 5.0, 3.0, 2.0, 4.4, 3.1, 2.0, 4.0, 2.5]):
        result = reliability(WHO, values)
        # Weir 2005: standard deviation of all values times √(1 - intraclass correlation).
        sd = math.sqrt(result.variance_between + result.mean_square_within)
        assert result.typical_error == pytest.approx(sd * math.sqrt(1 - result.icc), rel=1e-12)
        assert result.smallest_detectable == pytest.approx(1.96 * math.sqrt(2) * result.typical_error, rel=1e-12)


def test_the_interval_of_the_typical_error_is_by_chi_square():
    result = reliability(WHO, VALUES)
    # Quantiles of chi-square with six degrees of freedom (tables): 14.449375, 1.237344.
    assert (result.typical_error_low, result.typical_error_high) == pytest.approx(
        (math.sqrt(6 / 14.449375), math.sqrt(6 / 1.237344)), rel=1e-6
    )


def test_subjects_with_unequal_numbers_weigh_by_them():
    result = reliability(["ari", "ari", "bo", "bo", "bo", "cy"], [1.0, 3.0, 4.0, 5.0, 6.0, 9.0])
    # Means 2, 5, 9 with 2, 3, 1 values, of all 28/6; within (2 + 2) / 3; typical size (6 - 14/6) / 2.
    grand = 28 / 6
    assert result.mean_square_between == pytest.approx(
        (2 * (2 - grand) ** 2 + 3 * (5 - grand) ** 2 + (9 - grand) ** 2) / 2
    )
    assert result.mean_square_within == pytest.approx(4 / 3)
    assert result.typical_size == pytest.approx((6 - 14 / 6) / 2)


def test_the_order_of_rows_does_not_matter():
    turned = np.random.default_rng(1).permutation(9)
    result, again = reliability(WHO, VALUES), reliability(np.array(WHO)[turned], np.array(VALUES)[turned])
    assert again.icc == pytest.approx(result.icc, rel=1e-12)


def test_subjects_who_differ_less_than_their_values_are_below_zero():
    result = reliability(["ari", "ari", "bo", "bo"], [1.0, 9.0, 2.0, 8.0])
    assert result.icc == pytest.approx(-1)
    assert result.variance_between < 0


def test_values_that_repeat_exactly_are_one():
    result = reliability(["ari", "ari", "bo", "bo"], [1.0, 1.0, 3.0, 3.0])
    assert (result.icc_low, result.icc, result.icc_high) == (1, 1, 1)
    assert (result.typical_error, result.smallest_detectable) == (0, 0)


def test_an_error_that_a_subject_s_values_share_is_subtracted_from_both_mean_squares():
    shared = [0.5, 1.0, 1.5, 1.0, 1.0, 1.0, 0.0, 1.0, 2.0]
    result = reliability(WHO, VALUES, shared_se=shared)
    # Each mean is 1, so 3 of the 21 between; within (0.5 + 0 + 2) / 6 of the 1.
    between, within = 21 - 3, 1 - 2.5 / 6
    assert result.icc == pytest.approx((between - within) / (between + 2 * within))
    assert result.variance_between == pytest.approx((between - within) / 3)
    assert result.icc_low < reliability(WHO, VALUES).icc_low
    assert reliability(WHO, VALUES, shared_se=np.zeros(9)) == reliability(WHO, VALUES)


@pytest.mark.parametrize("n_runs", [4, 12])
def test_where_athletes_do_not_differ_the_lower_end_lies_above_zero_as_rarely_as_stated(n_runs: int):
    draw, n_studies, above = np.random.default_rng(5), 1000, [0, 0]
    who = np.repeat(np.arange(12), n_runs)
    for _ in range(n_studies):
        shared_se = draw.uniform(0.3, 0.9, len(who))
        values = shared_se * draw.standard_normal(12)[who] + draw.normal(0, 1, len(who))
        above[0] += reliability(who, values, shared_se=shared_se).icc_low > 0
        above[1] += reliability(who, values).icc_low > 0
    # A share of 1000 has a standard error of 0.5 points at 2.5 %.
    assert above[0] <= 45
    assert above[1] >= 200


@pytest.mark.parametrize(
    ("who", "values", "said"),
    [
        (["ari", "ari"], [1.0, 2.0], "at least two subjects, not 1"),
        (["ari", "bo"], [1.0, 2.0], "a subject with at least two values"),
        (["ari", "ari", "bo"], [1.0, 1.0, 1.0], "All values are equal"),
        (["ari", "ari", "bo"], [1.0, math.nan, 1.0], "leave it out first"),
        (["ari", "ari"], [1.0], "same length"),
    ],
)
def test_too_little_is_refused_in_words(who, values, said):
    with pytest.raises(ValueError, match=said):
        reliability(who, values)
