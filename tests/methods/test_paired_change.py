"""Change between two looks at the same athletes: what can be told by hand."""

from __future__ import annotations

import math

import numpy as np
import pytest

from pipeline.methods.paired_change import hedges_correction, paired_change, sign_flips, standardised_interval


def test_mean_and_standard_deviation_are_those_of_late_less_early():
    change = paired_change([10, 20, 30], [11, 23, 35], seed=1)
    assert (change.n, change.mean, change.sd) == (3, 3.0, 2.0)


def test_the_interval_is_the_mean_with_student_s_t():
    change = paired_change([10, 20, 30], [11, 23, 35], seed=1)
    # The 97.5 % quantile of t with two degrees of freedom is 4.302652729911275.
    reach = 4.302652729911275 * 2 / math.sqrt(3)
    assert (change.low, change.high) == pytest.approx((3 - reach, 3 + reach), rel=1e-9)


def test_all_patterns_of_signs_are_counted_and_ties_count_as_far():
    # Sums of ±1 ±2 ±3: 6, 4, 2, 0, 0, -2, -4, -6. Two of eight are as far as 6, four as far as 4.
    assert paired_change([0, 0, 0], [1, 2, 3], seed=1).p_value == 2 / 8
    assert paired_change([0, 0, 0], [-1, 2, 3], seed=1).p_value == 4 / 8


def test_ties_that_floats_would_miss_are_ties():
    # 0.1 + 0.2 - 0.3 is 5.6e-17 and 0.3 - 0.2 - 0.1 is 0: both are nothing.
    assert sign_flips(np.array([0.1, 0.2, -0.3]), seed=1, draws=9) == (1.0, "signs, all patterns counted (exact)")


def test_sixteen_pairs_are_counted_and_seventeen_drawn():
    change = np.arange(1.0, 18.0)
    counted, drawn = (paired_change(np.zeros(n), change[:n], seed=4) for n in (16, 17))
    assert counted.p_method == "signs, all patterns counted (exact)"
    assert counted.p_value == 2 / 2**16
    assert drawn.p_method == "signs, 9999 patterns drawn with seed 4, (b + 1) / (m + 1)"
    assert drawn.p_value == 1 / 10000


def test_the_seed_decides_what_is_drawn_and_blocks_do_not_show():
    change = np.random.default_rng(8).normal(0.3, 1, 40)
    first, again, with_other_seed = (paired_change(np.zeros(40), change, seed=s, draws=2500).p_value for s in (1, 1, 2))
    assert first == again != with_other_seed
    assert first * 2501 == pytest.approx(round(first * 2501))


def test_counted_and_drawn_patterns_agree():
    change = np.random.default_rng(3).normal(0.4, 1, 16)
    counted, _ = sign_flips(change, seed=0, draws=1)
    # A seventeenth athlete without any change takes no part but has the patterns drawn.
    drawn, method = sign_flips(np.append(change, 0.0), seed=5, draws=19_999)
    assert "drawn" in method
    assert drawn == pytest.approx(counted, abs=4 * math.sqrt(counted / 20_000))


def test_turning_early_and_late_round_turns_signs_and_keeps_p():
    early, late = [3.0, 5.0, 4.0, 8.0], [4.0, 5.5, 7.0, 7.5]
    there, back = paired_change(early, late, seed=1), paired_change(late, early, seed=1)
    assert (there.mean, there.low, there.effect) == (-back.mean, -back.high, -back.effect)
    assert (there.effect_low, there.effect_high) == pytest.approx((-back.effect_high, -back.effect_low), abs=1e-9)
    assert there.p_value == back.p_value


def test_where_pairs_share_an_error_p_and_interval_agree_and_few_claim_a_change_that_is_none():
    """Changes scatter by 1, and a shared error of 1, three times that of their mean, moves all of a study."""
    rng, studies = np.random.default_rng(6), 400
    changes = rng.standard_normal((studies, 9)) + rng.standard_normal((studies, 1))
    found = [paired_change(np.zeros(9), change, seed=1, shared_se=1.0) for change in changes]
    is_claimed = np.array([one.p_value < 0.05 for one in found])
    assert is_claimed.tolist() == [one.low > 0 or one.high < 0 for one in found]
    assert abs(is_claimed.mean() - 0.05) <= 4 * (0.05 * 0.95 / studies) ** 0.5


def test_the_same_change_in_all_is_as_sure_as_what_they_share():
    change = paired_change([5, 6, 7], [7, 8, 9], seed=1, shared_se=2.0)
    assert (change.low, change.is_by_signs) == (None, False)
    assert change.p_value == pytest.approx(0.3173105)  # of one standard error of a normal distribution


def test_no_one_changed():
    change = paired_change([5, 6, 7], [5, 6, 7], seed=1)
    assert (change.mean, change.sd, change.p_value) == (0.0, 0.0, 1.0)
    assert (change.low, change.high, change.effect, change.effect_low, change.effect_high) == (None,) * 5
    assert change.note.startswith("There is no difference between early and late in any pair:")


@pytest.mark.parametrize("step", [2.0, 0.1])
def test_all_changed_by_the_same(step: float):
    early = np.array([0.3, 0.7, 1.1, 5.9])
    change = paired_change(early, early + step, seed=1)
    assert change.mean == pytest.approx(step)
    assert (change.sd, change.low, change.effect) == (0.0, None, None)
    assert change.p_value == 2 / 16
    assert change.note.startswith("There is the same difference in all:")


def test_two_pairs_have_intervals_but_no_size_in_standard_deviations():
    change = paired_change([0, 0], [1, 3], seed=1)
    assert change.effect is None
    assert change.effect_low < 0 < 2 / math.sqrt(2) < change.effect_high  # type: ignore[operator]
    assert change.note == "Two pairs are too few to estimate the size of the change in standard deviations."
    assert change.p_value == 2 / 4


@pytest.mark.parametrize(
    ("early", "late", "more", "said"),
    [
        ([1.0], [2.0], {}, "at least two pairs, not 1"),
        ([], [], {}, "at least two pairs, not 0"),
        ([1.0, 2.0], [2.0], {}, "same length"),
        ([1.0, math.nan], [2.0, 3.0], {}, "missing value"),
        ([1.0, 2.0], [2.0, math.inf], {}, "missing value"),
        ([1.0, 2.0], [2.0, 4.0], {"level": 1.0}, "between 0 and 1, not at 1.0"),
        ([1.0, 2.0], [2.0, 4.0], {"draws": 0}, "At least one pattern"),
    ],
)
def test_what_cannot_be_compared_is_refused_in_words(early, late, more, said):
    with pytest.raises(ValueError, match=said):
        paired_change(early, late, seed=1, **more)


def test_the_correction_is_exact_and_near_its_usual_approximation():
    # Γ(1) / (√1 Γ(1/2)) = 1/√π for two degrees of freedom, √π / (2 √(3/2)) for three.
    assert hedges_correction(2) == pytest.approx(1 / math.sqrt(math.pi), rel=1e-12)
    assert hedges_correction(3) == pytest.approx(math.sqrt(math.pi) / 2 / math.sqrt(1.5), rel=1e-12)
    for freedom in (10, 30, 1000):
        assert hedges_correction(freedom) == pytest.approx(1 - 3 / (4 * freedom - 1), rel=1e-3)


def test_the_interval_of_no_change_is_symmetric_and_that_of_a_normal_mean():
    low, high = standardised_interval(0.0, 25)
    # At t = 0 the noncentral t is normal: ±1.959964 / √25.
    assert (low, high) == pytest.approx((-1.959963984540054 / 5, 1.959963984540054 / 5), abs=1e-9)
