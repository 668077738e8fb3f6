"""p-values adjusted for their number, by hand."""

from __future__ import annotations

import math

import numpy as np
import pytest

from pipeline.methods.corrections import CORRECTIONS, benjamini_hochberg, holm, none

GIVEN = [0.04, 0.01, 0.03]


def test_none_leaves_them_as_they_are_and_hands_over_no_alias():
    given = np.array(GIVEN)
    found = none(given)
    found[0] = 1.0
    assert given.tolist() == GIVEN


def test_holm_steps_down_and_keeps_the_order_of_rows():
    # 0.01 × 3, 0.03 × 2, then 0.04 × 1, which may not fall below 0.06.
    assert holm(GIVEN).tolist() == pytest.approx([0.06, 0.03, 0.06])


def test_benjamini_and_hochberg_step_up_and_keep_the_order_of_rows():
    # 0.04 × 3/3, 0.03 × 3/2 = 0.045, which may not pass 0.04, 0.01 × 3/1.
    assert benjamini_hochberg(GIVEN).tolist() == pytest.approx([0.04, 0.03, 0.04])


@pytest.mark.parametrize("correct", [holm, benjamini_hochberg])
def test_nothing_passes_one_and_a_single_p_value_stays(correct):
    assert correct([0.9, 0.8]).max() <= 1
    assert correct([0.03]).tolist() == [0.03]
    assert correct([]).tolist() == []


@pytest.mark.parametrize("correct", [holm, benjamini_hochberg])
def test_missing_p_values_stay_missing_and_do_not_count(correct):
    found = correct([0.04, math.nan, 0.01, 0.03, math.nan])
    assert np.isnan(found).tolist() == [False, True, False, False, True]
    assert found[[0, 2, 3]].tolist() == correct(GIVEN).tolist()


@pytest.mark.parametrize("name", CORRECTIONS)
@pytest.mark.parametrize("given", [[-0.01], [1.01], [0.5, math.inf]])
def test_what_is_no_p_value_is_refused(name: str, given: list[float]):
    with pytest.raises(ValueError, match="between 0 and 1"):
        CORRECTIONS[name](given)


def test_a_table_of_p_values_is_refused():
    with pytest.raises(ValueError, match="one list"):
        holm([[0.1, 0.2]])
