"""The noncentral t distribution where SciPy has it, and beyond."""

from __future__ import annotations

import pytest
from scipy import stats

from pipeline.methods.noncentral_t import noncentral_t_below, noncentral_t_shift


@pytest.mark.parametrize("t", [-5.0, 0.0, 0.3, 2.0, 40.0, 100.0])
@pytest.mark.parametrize("df", [1, 4, 30, 900])
@pytest.mark.parametrize("shift", [-1.0, 0.0, 3.0, 35.0])
def test_scipy_gives_the_same(t: float, df: int, shift: float):
    # Forty standard errors below the shift SciPy gives no number: nothing lies there.
    expected = 0.0 if (t, shift) == (-5.0, 35.0) else stats.nct.cdf(t, df, shift)
    assert noncentral_t_below(t, df, shift) == pytest.approx(expected, abs=1e-9)


@pytest.mark.parametrize(("df", "tolerance"), [(1, 2e-5), (4, 1e-8), (40, 1e-9), (5000, 1e-9)])
def test_both_averages_join_the_series_where_it_ends(df: int, tolerance: float):
    for shift in (1.0, 60.0, 100.0, 130.0):
        inside, beyond = (noncentral_t_below(t, df, shift) for t in (100.0, 100.0 + 1e-9))
        assert beyond == pytest.approx(inside, abs=tolerance)


def test_without_a_shift_it_is_student_s():
    for t in (-3.0, 0.5, 250.0):
        assert noncentral_t_below(t, 6, 0.0) == pytest.approx(stats.t.cdf(t, 6), abs=1e-7)


def test_with_a_hundred_thousand_athletes_it_is_near_the_normal():
    assert noncentral_t_below(1.96, 99_999, 2.96) == pytest.approx(stats.norm.cdf(-1.0), abs=1e-5)
    assert noncentral_t_below(1.96, 99_999, 15.8) == pytest.approx(0.0, abs=1e-12)


@pytest.mark.parametrize(("df", "shift"), [(3, 0.0), (9, 5.2), (40, -3.0), (99_999, 620.0)])
@pytest.mark.parametrize("probability", [0.025, 0.5, 0.95])
def test_shift_inverts_the_distribution(df: int, shift: float, probability: float):
    t = stats.nct.ppf(probability, df, shift)
    assert noncentral_t_shift(probability, t, df) == pytest.approx(shift, abs=1e-5)
