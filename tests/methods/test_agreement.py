"""Bias and limits of agreement, by hand."""

from __future__ import annotations

import math

import numpy as np
import pytest

from pipeline.methods.agreement import agreement

FIRST, SECOND = [10.0, 12.0, 14.0, 20.0], [9.0, 12.0, 12.0, 19.0]
NORMAL = 1.959963984540054


def test_bias_and_limits_are_mean_and_1_96_standard_deviations():
    found = agreement(FIRST, SECOND)
    sd = math.sqrt(2 / 3)  # differences 1, 0, 2, 1
    assert (found.n_pairs, found.n_subjects, found.bias.value) == (4, 4, 1.0)
    assert found.sd == pytest.approx(sd)
    assert (found.lower.value, found.upper.value) == pytest.approx((1 - NORMAL * sd, 1 + NORMAL * sd))
    assert (found.sd_between, found.sd_within) == (None, None)


def test_both_ways_turned_round_mirror_everything():
    found, turned = agreement(FIRST, SECOND), agreement(SECOND, FIRST)
    assert (turned.bias.low, turned.bias.high) == (-found.bias.high, -found.bias.low)
    assert (turned.lower.low, turned.lower.value, turned.lower.high) == pytest.approx(
        (-found.upper.high, -found.upper.value, -found.upper.low)
    )


def test_the_interval_of_a_limit_is_wider_away_from_the_bias():
    result = agreement(FIRST, SECOND)
    assert result.upper.high - result.upper.value > result.upper.value - result.upper.low
    assert "exact" in result.method


def test_one_pair_a_subject_is_the_plain_case():
    assert agreement(FIRST, SECOND, subject=[*"abcd"]) == agreement(FIRST, SECOND)


def test_several_pairs_a_subject_add_variance_between_and_within():
    # Differences 1, 3 of one and 5, 7 of the other: within 2, mean square between 16, so between (16 - 2) / 2.
    found = agreement([1, 3, 5, 7], [0, 0, 0, 0], subject=[*"aabb"])
    assert (found.sd_between, found.sd_within) == pytest.approx((math.sqrt(7), math.sqrt(2)))
    assert found.sd == pytest.approx(3)
    assert (found.lower.value, found.upper.value) == pytest.approx((4 - 3 * NORMAL, 4 + 3 * NORMAL))
    assert (found.n_pairs, found.n_subjects) == (4, 2)


def test_a_variance_between_subjects_that_comes_out_negative_counts_as_none():
    found = agreement([1, 9, 2, 8, 1, 8], [0] * 6, subject=[*"aabbcc"])
    assert found.sd_between == 0
    assert found.sd == found.sd_within
    assert found.upper.low < found.upper.value < found.upper.high


def test_the_bias_of_several_pairs_is_as_unsure_as_few_subjects_are():
    first = np.repeat([1.0, 2.0, 4.0, 5.0], 25)
    noise = np.tile([-0.1, 0.1, -0.1, 0.1, 0.0], 20)
    found, plain = (
        agreement(first + noise, 0 * first, subject=np.repeat([*"abcd"], 25)),
        agreement(first + noise, 0 * first),
    )
    assert found.bias.high - found.bias.low > 5 * (plain.bias.high - plain.bias.low)


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
