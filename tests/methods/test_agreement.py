"""Bias and limits of agreement, by hand."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from pipeline.methods.agreement import agreement

FIRST, SECOND = [10.0, 12.0, 14.0, 20.0], [9.0, 12.0, 12.0, 19.0]
NORMAL = 1.959963984540054


def test_bias_and_limits_are_mean_and_1_96_standard_deviations():
    result = agreement(FIRST, SECOND)
    sd = math.sqrt(2 / 3)  # differences 1, 0, 2, 1
    assert (result.n_pairs, result.n_subjects, result.bias.value) == (4, 4, 1.0)
    assert result.sd == pytest.approx(sd)
    assert (result.lower.value, result.upper.value) == pytest.approx((1 - NORMAL * sd, 1 + NORMAL * sd))
    assert (result.sd_between, result.sd_within) == (None, None)


def test_both_ways_turned_round_mirror_everything():
    result, turned = agreement(FIRST, SECOND), agreement(SECOND, FIRST)
    assert (turned.bias.low, turned.bias.high) == (-result.bias.high, -result.bias.low)
    assert (turned.lower.low, turned.lower.value, turned.lower.high) == pytest.approx(
        (-result.upper.high, -result.upper.value, -result.upper.low)
    )


def test_the_interval_of_a_limit_is_wider_away_from_the_bias():
    result = agreement(FIRST, SECOND)
    assert result.upper.high - result.upper.value > result.upper.value - result.upper.low
    assert "exact" in result.method


def test_one_pair_a_subject_is_the_plain_case():
    assert agreement(FIRST, SECOND, subject=[*"abcd"]) == agreement(FIRST, SECOND)


def test_several_pairs_a_subject_add_variance_between_and_within():
    # Differences 1, 3 of one and 5, 7 of the other: within 2, mean square between 16, so between (16 - 2) / 2.
    result = agreement([1, 3, 5, 7], [0, 0, 0, 0], subject=[*"aabb"])
    assert (result.sd_between, result.sd_within) == pytest.approx((math.sqrt(7), math.sqrt(2)))
    assert result.sd == pytest.approx(3)
    assert (result.lower.value, result.upper.value) == pytest.approx((4 - 3 * NORMAL, 4 + 3 * NORMAL))
    assert (result.n_pairs, result.n_subjects) == (4, 2)


def test_a_variance_between_subjects_that_comes_out_negative_counts_as_none():
    result = agreement([1, 9, 2, 8, 1, 8], [0] * 6, subject=[*"aabbcc"])
    assert result.sd_between == 0
    assert result.sd == result.sd_within
    assert result.upper.low < result.upper.value < result.upper.high


def test_the_bias_of_several_pairs_is_as_unsure_as_few_subjects_are():
    first = np.repeat([1.0, 2.0, 4.0, 5.0], 25)
    noise = np.tile([-0.1, 0.1, -0.1, 0.1, 0.0], 20)
    result, plain = (
        agreement(first + noise, 0 * first, subject=np.repeat([*"abcd"], 25)),
        agreement(first + noise, 0 * first),
    )
    assert result.bias.high - result.bias.low > 5 * (plain.bias.high - plain.bias.low)


def test_groups_within_subjects_have_a_variance_of_their_own():
    # Two subjects of two groups of two: pairs scatter by 2, groups' means by 4 and 4, subjects' means are 3 and 13.
    difference = [0.0, 2.0, 4.0, 6.0, 10.0, 12.0, 14.0, 16.0]
    result = agreement(difference, [0] * 8, subject=[*"aaaabbbb"], group=[*"xxyyxxyy"])
    # Mean squares 2, 2 × 8 and 4 × 50, so 2, (16 - 2) / 2 and (200 - 16) / 4.
    assert result.sd_within == pytest.approx(math.sqrt(2))
    assert result.sd_groups == pytest.approx(math.sqrt(7))
    assert result.sd_between == pytest.approx(math.sqrt(46))
    assert result.sd == pytest.approx(math.sqrt(55))
    assert "nested" in result.method
    # Two subjects: t with one degree of freedom, of means 3 and 13.
    assert result.bias.high - result.bias.value == pytest.approx(12.7062047 * 5, rel=1e-6)


def test_groups_of_the_same_name_in_other_subjects_are_others_and_one_group_per_subject_is_no_level():
    difference, subject = [0.0, 2.0, 4.0, 7.0, 10.0, 13.0], [*"aaabbb"]
    plain = agreement(difference, [0] * 6, subject=subject)
    assert agreement(difference, [0] * 6, subject=subject, group=[*"xxxxxx"]) == plain
    assert agreement(difference, [0] * 6, subject=subject, group=[*"xyzxyz"]) == plain


def test_with_unequal_numbers_of_pairs_the_bias_has_fewer_degrees_of_freedom_than_subjects_less_one():
    subject = [*"aaaaaaaaaabcd"]
    result = agreement([1.0] * 10 + [2.0, 4.0, 3.0], [0] * 13, subject=subject)
    weight, means = np.array([10, 1, 1, 1]) / 13, np.array([1.0, 2, 4, 3])
    form = (np.eye(4) - weight).T @ np.diag(weight**2) @ (np.eye(4) - weight)
    error = math.sqrt(weight @ weight / np.trace(form) * (means @ form @ means))
    df = np.trace(form) ** 2 / np.trace(form @ form)
    assert 1 < df < 3
    assert result.bias.value == pytest.approx(19 / 13)
    assert result.bias.high - result.bias.value == pytest.approx(stats.t.ppf(0.975, df) * error)


@pytest.mark.parametrize(
    ("call", "said"),
    [
        (lambda: agreement([1.0], [1.0]), "at least two pairs, not 1"),
        (lambda: agreement([1.0, 2.0], [1.0]), "same length"),
        (lambda: agreement([1.0, math.nan], [1.0, 2.0]), "leave it out first"),
        (lambda: agreement([1.0, 2.0], [1.0, 3.0], level=1), "between 0 and 1"),
        (lambda: agreement([1.0, 2.0, 3.0], [1.0, 3.0, 4.0], subject=[*"ab"]), "same length"),
        (lambda: agreement([1.0, 2.0], [1.0, 3.0], subject=[*"aa"]), "at least two subjects, not 1"),
    ],
)
def test_too_little_is_refused_in_words(call, said):
    with pytest.raises(ValueError, match=said):
        call()
