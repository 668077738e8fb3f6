"""Paired changes against published examples, SciPy, and simulation."""

from __future__ import annotations

import numpy as np
import pytest
import scipy.stats

from pipeline.methods.equivalence import equivalence
from pipeline.methods.paired_change import paired_change, standardised_interval

#: Darwin's maize, cross- less self-fertilised, eighths of an inch, as Fisher 1935 uses them (read in public code).
MAIZE = [49, -67, 8, 16, 6, 23, 28, 41, 14, 29, 56, 24, 75, 60, -48]
#: Hours of sleep gained with two drugs, Student 1908, the data set `sleep` of R (read in R's documents).
SLEEP = (
    [0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0],
    [1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4],
)


def test_fisher_s_randomisation_of_darwin_s_maize():
    """Fisher 1935, section 21: 863 of 32,768 patterns are as large or larger, 1726 either way (read second-hand)."""
    change = paired_change(np.zeros(15), MAIZE, seed=1)
    assert change.p_value == 1726 / 32768
    assert change.p_method == "signs, all patterns counted (exact)"


def test_student_s_sleep_as_r_has_it():
    """t.test(paired = TRUE): difference -1.58, 95 % -2.4598858 to -0.7001142 (read)."""
    change = paired_change(SLEEP[1], SLEEP[0], seed=1)
    assert change.mean == pytest.approx(-1.58)
    assert (round(change.low or 0, 7), round(change.high or 0, 7)) == (-2.4598858, -0.7001142)


def test_the_standardised_change_of_student_s_sleep_as_r_has_it():
    """cohens_d(paired) of R's effectsize: -1.28, 95 % -2.12 to -0.41 (read); without correction."""
    change = paired_change(SLEEP[1], SLEEP[0], seed=1)
    assert round(change.mean / change.sd, 2) == -1.28
    assert (round(change.effect_low or 0, 2), round(change.effect_high or 0, 2)) == (-2.12, -0.41)
    # Hedges' factor for nine degrees of freedom is 0.9139 by the gamma function (computed).
    assert change.effect == pytest.approx(0.91387 * change.mean / change.sd, rel=1e-5)


@pytest.mark.parametrize("seed", range(4))
def test_scipy_gives_the_same_interval_and_p_values(seed: int):
    draw = np.random.default_rng(seed)
    early = draw.normal(240, 10, 9)
    late = early + draw.normal(1, 2, 9)
    change = paired_change(early, late, seed=seed, level=0.9)
    theirs = scipy.stats.ttest_rel(late, early)
    interval = theirs.confidence_interval(0.9)
    assert (change.low, change.high) == pytest.approx((interval.low, interval.high), rel=1e-8)
    counted = scipy.stats.permutation_test(
        (late, early), lambda x, y, axis: np.mean(x - y, axis=axis), permutation_type="samples", vectorized=True
    )
    assert change.p_value == pytest.approx(counted.pvalue, rel=1e-12)


@pytest.mark.parametrize(("t", "n"), [(0.0, 5), (2.1, 2), (-4.06, 10), (3.3, 30), (60.0, 12), (-9.0, 2000)])
def test_the_standardised_interval_is_where_scipy_s_noncentral_t_leaves_the_tails(t: float, n: int):
    low, high = standardised_interval(t, n)
    below = scipy.stats.nct.cdf(t, n - 1, np.array([low, high]) * np.sqrt(n))
    assert below == pytest.approx([0.975, 0.025], abs=1e-8)


@pytest.mark.parametrize("margin", [0.5, 1.2, 3.0])
def test_scipy_gives_the_same_one_sided_tests(margin: float):
    changes = np.random.default_rng(6).normal(0.4, 1.5, 14)
    result = equivalence(changes, margin)
    above = scipy.stats.ttest_1samp(changes, -margin, alternative="greater").pvalue
    below = scipy.stats.ttest_1samp(changes, margin, alternative="less").pvalue
    assert result.p_value == pytest.approx(max(above, below), rel=1e-8)
    interval = scipy.stats.ttest_1samp(changes, 0).confidence_interval(0.9)
    assert (result.low, result.high) == pytest.approx((interval.low, interval.high), rel=1e-8)
    assert result.is_equivalent == (result.p_value <= 0.05)


# --- Calibration -----------------------------------------------------------------------------------------------------


def simulated(n_studies: int, n: int, *, change: float = 0.0) -> list:
    draw = np.random.default_rng(2026)
    studies = draw.normal(change, 1.0, (n_studies, n))
    return [paired_change(np.zeros(n), differences, seed=1) for differences in studies]


def test_intervals_hold_the_truth_in_95_percent():
    studies = simulated(1500, 8, change=0.7)
    # A share of 1500 has a standard error of 0.56 points: three of them either way.
    of_mean = np.mean([change.low <= 0.7 <= change.high for change in studies])
    of_effect = np.mean([change.effect_low <= 0.7 <= change.effect_high for change in studies])
    assert 0.933 <= of_mean <= 0.967
    assert 0.933 <= of_effect <= 0.967
    # Hedges' correction is what makes the size right on average: without it 0.7 comes out 13 % too large.
    assert np.mean([change.effect for change in studies]) == pytest.approx(0.7, abs=0.04)
    assert np.mean([change.mean / change.sd for change in studies]) > 0.75


def test_p_by_signs_is_uniform_on_its_own_steps_without_a_change():
    p_values = np.array([change.p_value for change in simulated(1500, 7)])
    # 2^7 patterns, in pairs: p comes in 64 equal steps, each as likely as the other.
    assert np.unique(p_values * 64 % 1).tolist() == [0.0]
    for step in (2 / 64, 3 / 64, 6 / 64, 16 / 64, 32 / 64):
        share = np.mean(p_values <= step)
        assert share == pytest.approx(step, abs=3 * np.sqrt(step * (1 - step) / 1500))


def test_drawn_patterns_keep_the_level_too():
    draw = np.random.default_rng(4)
    p_values = np.array(
        [
            paired_change(np.zeros(20), differences, seed=seed, draws=199).p_value
            for seed, differences in enumerate(draw.standard_t(3, (1500, 20)))
        ]
    )
    for level in (0.05, 0.2, 0.5):
        assert np.mean(p_values <= level) == pytest.approx(level, abs=3 * np.sqrt(level * (1 - level) / 1500))
