"""Two one-sided tests against a margin."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from pipeline.methods.equivalence import equivalence

CHANGES = [0.4, -0.3, 0.1, 0.6, -0.2, 0.3]


def test_the_interval_is_of_ninety_percent_at_a_level_of_95():
    result = equivalence([-1.0, 0.0, 1.0], 5)
    # The 95 % quantile of t with two degrees of freedom is 2.919985580353726; the standard error is 1/√3.
    assert (result.low, result.high) == pytest.approx((-2.919985580353726 / 3**0.5, 2.919985580353726 / 3**0.5))


def test_a_margin_at_the_end_of_the_interval_is_just_enough():
    high = equivalence(CHANGES, 1).high
    at, below = equivalence(CHANGES, high), equivalence(CHANGES, float(np.nextafter(high, 0)))
    assert (at.is_equivalent, below.is_equivalent) == (True, False)
    assert at.p_value == pytest.approx(0.05, abs=1e-12)


def test_at_the_lower_end_likewise():
    changes = [-change for change in CHANGES]
    low = equivalence(changes, 1).low
    assert equivalence(changes, -low).is_equivalent
    assert not equivalence(changes, float(np.nextafter(-low, 0))).is_equivalent


def test_the_larger_of_both_p_values_decides():
    result, mirrored = equivalence(CHANGES, 0.4), equivalence([-change for change in CHANGES], 0.4)
    assert result.p_value == pytest.approx(stats.ttest_1samp(CHANGES, 0.4, alternative="less").pvalue, rel=1e-9)
    assert mirrored.p_value == pytest.approx(result.p_value)


def test_a_change_that_is_certain_can_still_be_too_small_to_matter():
    result = equivalence([1.0, 1.1, 0.9, 1.05, 0.95], 2)
    assert result.low > 0
    assert result.is_equivalent


def test_not_finding_a_change_is_no_equivalence():
    result = equivalence([-9.0, 8.0, 1.0, -4.0, 6.0], 2)
    assert result.low < 0 < result.high
    assert not result.is_equivalent


@pytest.mark.parametrize(
    ("changes", "margin", "said"),
    [
        ([1.0], 1, "at least two changes, not 1"),
        ([1.0, 1.0, 1.0], 2, "All changes are equal"),
        ([0.0, 0.0], 2, "All changes are equal"),
        ([1.0, math.nan], 1, "without missing values"),
        ([1.0, 2.0], 0, "must be above 0, not 0"),
        ([1.0, 2.0], math.inf, "must be above 0"),
    ],
)
def test_what_cannot_be_tested_is_refused_in_words(changes, margin, said):
    with pytest.raises(ValueError, match=said):
        equivalence(changes, margin)
