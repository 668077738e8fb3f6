"""Limits of agreement and reliability against published examples.

Where a source uses 1.96 and the pipeline the quantile to all digits, limits differ by 2e-5 standard deviations.
"""

from __future__ import annotations

import numpy as np
import pandas
import pytest
import scipy.stats
from statsmodels.formula.api import ols
from statsmodels.stats.anova import anova_lm

from pipeline.methods.agreement import agreement
from pipeline.methods.reliability import reliability

#: Bland and Altman 1986, Lancet 327:307, table 1: peak flow by the large and the mini meter, first readings [l/min] of
#: seventeen people (read in several public repositories).
LARGE = [494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427]
MINI = [512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350, 451]

#: Bland and Altman 2007, J Biopharm Stat 17:571, table 1: cardiac output of twelve people by radionuclide
#: ventriculography and by impedance cardiography, sixty pairs (read in a public repository's tests).
CARDIAC = {
    1: [(7.83, 6.57), (7.42, 5.62), (7.89, 6.90), (7.12, 6.57), (7.88, 6.35)],
    2: [(6.16, 4.06), (7.26, 4.29), (6.71, 4.26), (6.54, 4.09)],
    3: [(4.75, 4.71), (5.24, 5.50), (4.86, 5.08), (4.78, 5.02), (6.05, 6.01), (5.42, 5.67)],
    4: [(4.21, 4.14), (3.61, 4.20), (3.72, 4.61), (3.87, 4.68), (3.92, 5.04)],
    5: [(3.13, 3.03), (2.98, 2.86), (2.85, 2.77), (3.17, 2.46), (3.09, 2.32), (3.12, 2.43)],
    6: [(5.92, 5.90), (6.42, 5.81), (5.92, 5.70), (6.27, 5.76)],
    7: [(7.13, 5.09), (6.62, 4.63), (6.58, 4.61), (6.93, 5.09)],
    8: [(4.54, 4.72), (4.81, 4.61), (5.11, 4.36), (5.29, 4.20), (5.39, 4.36), (5.57, 4.20)],
    9: [(4.48, 3.17), (4.92, 3.12), (3.97, 2.96)],
    10: [(4.22, 4.35), (4.65, 4.62), (4.74, 3.16), (4.44, 3.53), (4.50, 3.53)],
    11: [(6.78, 7.20), (6.07, 6.09), (6.52, 7.00), (6.42, 7.10), (6.41, 7.40), (5.76, 6.80)],
    12: [(5.06, 4.50), (4.72, 4.20), (4.90, 3.80), (4.80, 3.80), (4.90, 4.20), (5.10, 4.50)],
}  # fmt: skip
WHO = [person for person, pairs in CARDIAC.items() for _ in pairs]
RV, IC = np.array([pair for pairs in CARDIAC.values() for pair in pairs]).T

#: Shrout and Fleiss 1979, table 2: six targets by four judges (read in the tests of R's package psych).
JUDGED = [[9, 2, 5, 8], [6, 1, 3, 2], [8, 4, 6, 8], [7, 1, 2, 6], [10, 5, 6, 9], [6, 2, 4, 7]]


def test_the_peak_flow_meters_of_bland_and_altman_1986():
    """Printed: mean difference -2.1, standard deviation 38.8; with two of them -79.7 to 75.5 (read second-hand)."""
    result = agreement(LARGE, MINI)
    bias, sd = round(result.bias.value, 1), round(result.sd, 1)
    assert (result.n_pairs, bias, sd) == (17, -2.1, 38.8)
    assert (round(bias - 2 * sd, 1), round(bias + 2 * sd, 1)) == (-79.7, 75.5)
    # A method comparison program's manual gives -73.9 to 78.1 for mini less large, with 1.96 (read).
    assert (round(-result.upper.value, 1), round(-result.lower.value, 1)) == (-73.9, 78.1)
    # The interval of the bias is -22.0 to 17.8 in the paper, of rounded figures (from memory).
    assert (result.bias.low, result.bias.high) == pytest.approx((-22.0, 17.8), abs=0.06)


@pytest.mark.parametrize(("n", "factor"), [(10, 2.911), (20, 2.396), (30, 2.220)])
def test_exact_intervals_end_at_tabled_tolerance_factors(n: int, factor: float):
    """One-sided, 95 % of a population at 95 % confidence, NIST/SEMATECH e-Handbook 7.2.6.3 (read second-hand).

    Limits for 90 % leave 5 % out at each end, and an interval of 90 % ends where a one-sided bound of 95 % does.
    """
    result = agreement(np.random.default_rng(n).normal(0, 1, n), np.zeros(n), share=0.9, level=0.9)
    assert round((result.upper.high - result.bias.value) / result.sd, 3) == factor
    assert round((result.bias.value - result.lower.low) / result.sd, 3) == factor


def test_several_pairs_a_person_of_bland_and_altman_2007():
    """Printed by their ANOVA: mean squares 4.2090856 and 0.170714026, divisor 4.9818182, sd 0.99062408, and so on."""
    result = agreement(RV, IC, subject=WHO)
    assert (result.n_pairs, result.n_subjects) == (60, 12)
    # The ANOVA was in single precision.
    parts = reliability(WHO, RV - IC)
    assert parts.mean_square_between == pytest.approx(4.2090856, rel=2e-7)
    assert parts.mean_square_within == pytest.approx(0.170714026, abs=5e-8)
    assert parts.typical_size == pytest.approx(4.9818182, abs=1e-7)
    assert result.sd == pytest.approx(0.99062408, abs=1e-7)
    assert result.bias.value == pytest.approx(0.6021667, abs=1e-7)
    assert (result.lower.value, result.upper.value) == pytest.approx((-1.3394565, 2.5437899), abs=5e-5)
    # Taken for sixty people the limits come out too narrow, as they say: sd 0.9610571.
    assert agreement(RV, IC).sd == pytest.approx(0.9610571, abs=5e-8)


def test_vertical_oscillation_of_fifteen_runners_measured_ten_times():
    """A device against video [mm]: bias 14.475, variance 167.163 between and 12.983 within runners.

    Data of Smith 2022, PLoS One 17:e0277810, in the R package SRMData; limits -11.83 to 40.78, and -11.08 to 40.03
    taken for 150 runners, were computed from them. Here are numbers with the same mean squares.
    """
    draw, who = np.random.default_rng(1), np.repeat(np.arange(15), 10)
    means, rest = draw.standard_normal(15), draw.standard_normal((15, 10))
    rest -= rest.mean(axis=1, keepdims=True)
    rest *= np.sqrt(12.983 * 135 / np.sum(rest**2))
    means -= means.mean()
    means *= np.sqrt((167.163 + 12.983 / 10) / np.var(means, ddof=1))
    difference = 14.475 + means[who] + rest.ravel()
    result, naive = agreement(difference, np.zeros(150), subject=who), agreement(difference, np.zeros(150))
    assert (round(result.lower.value, 2), round(result.upper.value, 2)) == (-11.83, 40.78)
    assert (round(naive.lower.value, 2), round(naive.upper.value, 2)) == (-11.08, 40.03)
    # Fifteen runners are the units of the bias.
    error = np.sqrt((167.163 + 12.983 / 10) / 15)
    assert result.bias.high - 14.475 == pytest.approx(scipy.stats.t.ppf(0.975, 14) * error)
    assert naive.bias.high - naive.bias.low < 0.4 * (result.bias.high - result.bias.low)


@pytest.mark.parametrize("n_runs", [[4, 4, 4, 4, 4, 4, 4, 4], [1, 2, 3, 4, 5, 6, 2, 9]])
def test_intervals_hold_bias_and_limits_where_runs_are_nested_in_athletes(n_runs: list[int]):
    """Athletes differ by 3, their runs by 1.5, splits by 1. With runs as units the bias was held in 40 %."""
    draw, n_studies, held = np.random.default_rng(11), 500, [0, 0, 0]
    athlete_of_run = np.repeat(np.arange(8), n_runs)
    run = np.repeat(np.arange(len(athlete_of_run)), draw.integers(4, 20, len(athlete_of_run)))
    truth = 0.5 + 1.959964 * np.sqrt(3**2 + 1.5**2 + 1)
    for _ in range(n_studies):
        difference = 0.5 + draw.normal(0, 3, 8)[athlete_of_run][run]
        difference += draw.normal(0, 1.5, len(athlete_of_run))[run] + draw.normal(0, 1, len(run))
        result = agreement(difference, np.zeros(len(run)), subject=athlete_of_run[run], group=run)
        by_run = agreement(difference, np.zeros(len(run)), subject=run)
        held[0] += result.bias.low <= 0.5 <= result.bias.high
        held[1] += result.upper.low <= truth <= result.upper.high
        held[2] += by_run.bias.low <= 0.5 <= by_run.bias.high
    # A share of 500 has a standard error of 1 point.
    assert held[0] >= 0.92 * n_studies
    assert held[1] >= 0.91 * n_studies
    assert held[2] < 0.75 * n_studies


def test_intervals_of_limits_hold_the_truth_in_95_percent():
    draw, n_studies = np.random.default_rng(7), 1000
    held = {"one pair": 0, "several pairs": 0}
    who = np.repeat(np.arange(15), [2, 3, 4, 5, 2, 3, 4, 5, 2, 3, 4, 5, 2, 3, 4])
    for _ in range(n_studies):
        upper = agreement(draw.normal(0.3, 1, 15), np.zeros(15)).upper
        held["one pair"] += upper.low <= 0.3 + 1.959964 <= upper.high
        several = draw.normal(0.3, 0.8, 15)[who] + draw.normal(0, 0.6, len(who))
        limit = agreement(several, np.zeros(len(who)), subject=who).upper
        held["several pairs"] += limit.low <= 0.3 + 1.959964 <= limit.high
    # A share of 1000 has a standard error of 0.7 points. Several pairs a subject are approximate and may be generous.
    assert 930 <= held["one pair"] <= 970
    assert 930 <= held["several pairs"] <= 985


# --- Reliability -----------------------------------------------------------------------------------------------------


def test_the_intraclass_correlation_of_shrout_and_fleiss_1979():
    """Their table 4: ICC(1,1) = 0.17; mean squares 11.24 and 6.26 (0.17 read, mean squares from memory)."""
    result = reliability(np.repeat(np.arange(6), 4), np.ravel(JUDGED))
    assert round(result.icc, 2) == 0.17
    assert (round(result.mean_square_between, 2), round(result.mean_square_within, 2)) == (11.24, 6.26)
    # F is 1.79 with 5 and 18 degrees of freedom; the interval follows from its quantiles (computed with SciPy).
    ratio = result.mean_square_between / result.mean_square_within
    low, high = ratio / scipy.stats.f.ppf(0.975, 5, 18), ratio * scipy.stats.f.ppf(0.975, 18, 5)
    assert (result.icc_low, result.icc_high) == pytest.approx(
        ((low - 1) / (low + 3), (high - 1) / (high + 3)), rel=1e-9
    )
    # R's psych prints -0.13 to 0.72 (from memory).
    assert (round(result.icc_low, 2), round(result.icc_high, 2)) == (-0.13, 0.72)


def test_a_column_of_numbers_of_an_r_package_s_manual():
    """ShroutFleissICC1 of superb: three clusters of four, 0.434343434 (read)."""
    result = reliability([1, 1, 1, 1, 2, 2, 2, 2, 3, 3, 3, 3], [2, 4, 4, 6, 4, 5, 8, 8, 5, 8, 9, 9])
    assert result.icc == pytest.approx(0.434343434, abs=5e-10)


def test_statsmodels_gives_the_same_mean_squares_for_unequal_numbers():
    table = anova_lm(ols("value ~ C(subject)", pandas.DataFrame({"value": RV - IC, "subject": WHO})).fit())
    result = reliability(WHO, RV - IC)
    assert [result.mean_square_between, result.mean_square_within] == pytest.approx(table["mean_sq"].tolist(), rel=1e-9)


def test_intervals_hold_the_truth_in_95_percent_of_uneven_samples():
    draw, n_studies, held = np.random.default_rng(3), 1000, [0, 0]
    who = np.repeat(np.arange(12), [2, 3, 4, 5, 2, 3, 4, 5, 2, 3, 4, 8])
    for _ in range(n_studies):
        result = reliability(who, draw.normal(0, 1.2, 12)[who] + draw.normal(0, 1, len(who)))
        held[0] += result.icc_low <= 1.44 / 2.44 <= result.icc_high
        held[1] += result.typical_error_low <= 1 <= result.typical_error_high
    # A share of 1000 has a standard error of 0.7 points; that of the correlation is approximate besides.
    assert 920 <= held[0] <= 975
    assert 930 <= held[1] <= 970
