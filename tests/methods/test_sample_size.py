"""How many athletes a comparison needs."""

from __future__ import annotations

import math

import numpy as np
import pytest

from pipeline.methods.sample_size import change_components, fewest_athletes, paired_power, sample_sizes


def test_without_a_change_the_power_is_the_error_of_the_test():
    for n in (2, 10, 500):
        assert paired_power(n, 0.0, 1.0) == pytest.approx(0.05, abs=1e-10)


def test_the_number_is_the_first_that_reaches_the_power():
    for delta, power in ((0.3, 0.8), (0.5, 0.9), (1.0, 0.8), (4.0, 0.9)):
        n = fewest_athletes(delta, 1.0, power=power)
        assert paired_power(n, delta, 1.0) >= power
        assert n == 2 or paired_power(n - 1, delta, 1.0) < power


def test_a_fall_needs_as_many_as_a_rise_and_units_do_not_matter():
    assert fewest_athletes(-0.5, 1.0, power=0.8) == fewest_athletes(50.0, 100.0, power=0.8) == 34


def test_more_runs_lower_only_what_is_within_athletes():
    one, four, many = sample_sizes(1.0, between=1.0, within=2.0, runs=(1, 4, 10_000), powers=(0.8,))
    assert (one.sd, four.sd, many.sd) == pytest.approx((math.sqrt(5), math.sqrt(2), 1.0), rel=1e-3)
    assert one.n > four.n > many.n == fewest_athletes(1.0, 1.0, power=0.8)
    assert all(row.reached >= row.power for row in (one, four, many))


def test_the_table_has_a_row_for_each_number_of_runs_and_each_power():
    rows = sample_sizes(1.0, between=0.0, within=1.0, runs=(1, 2), powers=(0.8, 0.9))
    assert [(row.runs, row.power) for row in rows] == [(1, 0.8), (1, 0.9), (2, 0.8), (2, 0.9)]


def test_components_are_found_again_in_many_athletes():
    draw = np.random.default_rng(2)
    athlete = np.repeat(np.arange(3000), 3)
    change = 2 + draw.normal(0, 1.5, 3000)[athlete] + draw.normal(0, 0.8, len(athlete))
    found = change_components(athlete, change)
    # Standard errors of both standard deviations are about 0.02 and 0.007.
    assert (found.between, found.within) == (pytest.approx(1.5, abs=0.06), pytest.approx(0.8, abs=0.03))
    assert (found.n_athletes, found.n_runs, found.note) == (3000, 9000, "")


def test_athletes_who_differ_less_than_their_runs_count_as_alike():
    found = change_components(["ari", "ari", "bo", "bo"], [1.0, 5.0, 1.5, 4.6])
    assert found.between == 0
    assert found.note.startswith("Athletes differ by no more than their runs let expect")


@pytest.mark.parametrize(
    ("call", "said"),
    [
        (lambda: paired_power(1, 1.0, 1.0), "at least two athletes, not 1"),
        (lambda: paired_power(5, 1.0, 0.0), "above 0, not at 0.0"),
        (lambda: fewest_athletes(0.0, 1.0, power=0.8), "is not 0"),
        (lambda: fewest_athletes(1.0, 1.0, power=1.0), "A power lies between 0.05 and 1, not at 1.0"),
        (lambda: fewest_athletes(1.0, 1.0, power=0.05), "A power lies between"),
        (lambda: fewest_athletes(1e-6, 1.0, power=0.8), "more than a million athletes"),
        (lambda: sample_sizes(1.0, between=0.0, within=0.0), "not both 0"),
        (lambda: sample_sizes(1.0, between=-1.0, within=1.0), "not below 0"),
        (lambda: sample_sizes(1.0, between=1.0, within=1.0, runs=(0,)), "at least one run"),
        (lambda: change_components(["ari", "bo"], [1.0, 2.0]), "at least two values"),
    ],
)
def test_what_cannot_be_planned_is_refused_in_words(call, said):
    with pytest.raises(ValueError, match=said):
        call()
