"""The noncentral t distribution where SciPy has it, and beyond."""

from __future__ import annotations

from itertools import product

import pytest
from scipy import stats

from pipeline.methods.noncentral_t import noncentral_t_below, noncentral_t_quantile, noncentral_t_shift


def test_scipy_gives_the_same():
    for case in product([-5.0, 0.0, 0.3, 2.0, 40.0, 100.0], [1, 4, 30, 900], [-1.0, 0.0, 3.0, 35.0]):
        t, _, shift = case
        # Forty standard errors below the shift SciPy gives no number: nothing lies there.
        expected = 0.0 if (t, shift) == (-5.0, 35.0) else stats.nct.cdf(*case)
        assert noncentral_t_below(*case) == pytest.approx(expected, abs=1e-9), case


@pytest.mark.parametrize(("freedom", "tolerance"), [(1, 2e-5), (4, 1e-8), (40, 1e-9), (5000, 1e-9)])
def test_both_averages_join_the_series_where_it_ends(freedom: int, tolerance: float):
    for shift in (1.0, 60.0, 100.0, 130.0):
        inside, beyond = (noncentral_t_below(t, freedom, shift) for t in (100.0, 100.0 + 1e-9))
        assert beyond == pytest.approx(inside, abs=tolerance)


def test_without_a_shift_it_is_student_s():
    for t in (-3.0, 0.5, 250.0):
        assert noncentral_t_below(t, 6, 0.0) == pytest.approx(stats.t.cdf(t, 6), abs=1e-7)


def test_with_a_hundred_thousand_athletes_it_is_near_the_normal():
    # SciPy's series gives no number here.
    assert noncentral_t_below(1.96, 99_999, 2.96) == pytest.approx(stats.norm.cdf(-1.0), abs=1e-5)
    assert noncentral_t_below(1.96, 99_999, 15.8) == pytest.approx(0.0, abs=1e-12)


def test_quantile_and_shift_lead_back():
    for case in product([(3, 0.0), (9, 5.2), (40, -3.0), (99_999, 620.0)], [0.025, 0.5, 0.95]):
        (freedom, shift), probability = case
        t = noncentral_t_quantile(probability, freedom, shift)
        assert noncentral_t_below(t, freedom, shift) == pytest.approx(probability, abs=1e-8), case
        assert noncentral_t_shift(probability, t, freedom) == pytest.approx(shift, abs=1e-5), case
