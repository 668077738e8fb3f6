"""How many athletes a comparison needs."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from pipeline.methods.sample_size import change_components, fewest_athletes, sample_sizes


@pytest.mark.parametrize(("delta", "power"), [(0.3, 0.8), (0.5, 0.9), (1.0, 0.8), (4.0, 0.9), (50.0, 0.8)])
def test_the_number_is_the_first_that_reaches_the_power(delta: float, power: float):
    n = fewest_athletes(delta, 1.0, power=power)
    assert reached(n, delta) >= power
    assert n == 2 or reached(n - 1, delta) < power


def reached(n: int, effect: float) -> float:
    """Power of the two-sided test, by SciPy's noncentral t."""
    t = stats.t.ppf(0.975, n - 1)
    return float(stats.nct.sf(t, n - 1, effect * n**0.5) + np.nan_to_num(stats.nct.cdf(-t, n - 1, effect * n**0.5)))


def test_a_fall_needs_as_many_as_a_rise_and_units_do_not_matter():
    assert fewest_athletes(-0.5, 1.0, power=0.8) == fewest_athletes(50.0, 100.0, power=0.8) == 34


def test_more_runs_lower_only_what_is_within_athletes():
    single, four, many = sample_sizes(1.0, between=1.0, within=2.0, runs=(1, 4, 10_000), powers=(0.8,))
    assert (single.sd, four.sd, many.sd) == pytest.approx((math.sqrt(5), math.sqrt(2), 1.0), rel=1e-3)
    assert single.n > four.n > many.n == fewest_athletes(1.0, 1.0, power=0.8)


def test_the_table_has_a_row_for_each_number_of_runs_and_each_power():
    rows = sample_sizes(1.0, between=0.0, within=1.0, runs=(1, 2), powers=(0.8, 0.9))
    assert [(row.runs, row.power) for row in rows] == [(1, 0.8), (1, 0.9), (2, 0.8), (2, 0.9)]


def test_components_are_found_again_in_many_athletes():
    draw = np.random.default_rng(2)
    athlete = np.repeat(np.arange(3000), 3)
    change = 2 + draw.normal(0, 1.5, 3000)[athlete] + draw.normal(0, 0.8, len(athlete))
    between, within = change_components(athlete, change)
    # Standard errors of both standard deviations are about 0.02 and 0.007.
    assert (between, within) == (pytest.approx(1.5, abs=0.06), pytest.approx(0.8, abs=0.03))


def test_athletes_who_differ_less_than_their_runs_count_as_alike():
    between, _ = change_components(["ari", "ari", "bo", "bo"], [1.0, 5.0, 1.5, 4.6])
    assert between == 0


@pytest.mark.parametrize(
    ("call", "said"),
    [
        (lambda: fewest_athletes(1.0, 0.0, power=0.8), "above 0, not 0.0"),
        (lambda: fewest_athletes(0.0, 1.0, power=0.8), "must not be 0"),
        (lambda: fewest_athletes(1.0, 1.0, power=1.0), "must lie between 0.05 and 1, not at 1.0"),
        (lambda: fewest_athletes(1.0, 1.0, power=0.05), "must lie between"),
        (lambda: fewest_athletes(1e-6, 1.0, power=0.8), "more than a million athletes"),
        (lambda: sample_sizes(1.0, between=0.0, within=0.0, runs=(1,), powers=(0.8,)), "not both 0"),
        (lambda: sample_sizes(1.0, between=-1.0, within=1.0, runs=(1,), powers=(0.8,)), "must not be below 0"),
        (lambda: sample_sizes(1.0, between=1.0, within=1.0, runs=(0,), powers=(0.8,)), "At least one run"),
        (lambda: change_components(["ari", "bo"], [1.0, 2.0]), "at least two values"),
    ],
)
def test_what_cannot_be_planned_is_refused_in_words(call, said):
    with pytest.raises(ValueError, match=said):
        call()
