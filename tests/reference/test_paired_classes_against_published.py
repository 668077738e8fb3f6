"""McNemar's tests and marginal homogeneity against published tables and statsmodels; Bowker's are with the strikes."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import binom
from statsmodels.stats.contingency_tables import SquareTable, mcnemar

from pipeline.methods.paired_classes import (
    bowker,
    mcnemar_chi_squared,
    mcnemar_exact,
    mcnemar_mid_p,
    stuart_maxwell,
    wilson,
    wilson_of_people,
)

#: The worked example of two statistics packages' manuals (read).
MANUALS = [[101, 59], [121, 33]]
#: Approval of a prime minister at two surveys, Agresti 1990, table 10.1 (read in R's documents).
APPROVAL = [[794, 86], [150, 570]]
#: Unaided vision of the right and the left eye of 7477 women, Stuart 1953 (read in public repositories).
VISION = [[1520, 266, 124, 66], [234, 1512, 432, 78], [117, 362, 1772, 205], [36, 82, 179, 492]]


@pytest.mark.parametrize(
    ("table", "corrected", "plain"),
    [
        # Statistics read in the manuals.
        (MANUALS, (20.672222, 5.45009e-06), (21.355556, 3.81514e-06)),
        # Computed; a statistic of 34.71 that circulates for this table is exactly twice 17.356.
        (APPROVAL, (16.817797, 4.115e-05), (17.355932, 3.099e-05)),
    ],
)
def test_chi_squared_with_and_without_correction(table, corrected, plain):
    for continuity, (statistic, p_value) in ((True, corrected), (False, plain)):
        result = mcnemar_chi_squared(table, continuity=continuity)
        assert result.statistic == pytest.approx(statistic, abs=5e-7)
        assert result.p_value == pytest.approx(p_value, rel=2e-4)
        theirs = mcnemar(table, exact=False, correction=continuity)
        assert (result.statistic, result.p_value) == pytest.approx((theirs.statistic, theirs.pvalue), rel=1e-9)


@pytest.mark.parametrize(("n_rear", "n"), [(0, 8), (3, 8), (17, 60), (60, 60), (1, 1), (2, 3)])
def test_the_interval_of_people_observed_once_each_is_wilson_s_to_the_last_digit(n_rear: int, n: int):
    assert wilson_of_people(float(n_rear), float(n_rear), n, n) == tuple(map(float, wilson(n_rear, n)))


def test_people_observed_several_times_tell_a_share_as_well_as_so_many_observed_once():
    # By hand: shares 1, 1, 1/2, 1/2, 0, 0 have the mean 1/2 and the variance 1/6 * 1/5 of it: 1/4 over 1/30.
    assert wilson_of_people(3.0, 2.5, 6, 12) == pytest.approx(tuple(map(float, wilson(3.75, 7.5))), rel=1e-12)
    # Alike in all observations, they are six; each with half of them, they are no more than twelve observations.
    assert wilson_of_people(3.0, 3.0, 6, 12) == tuple(map(float, wilson(3, 6)))
    assert wilson_of_people(3.0, 1.5, 6, 12) == tuple(map(float, wilson(3, 6)))
    assert wilson_of_people(3.0, 1.6, 6, 12) == pytest.approx(tuple(map(float, wilson(6, 12))), rel=1e-12)


def test_the_exact_p_of_the_approval_ratings_is_not_the_one_that_was_misprinted():
    assert f"{mcnemar_exact(APPROVAL).p_value:.6e}" == "3.715936e-05"


@pytest.mark.parametrize(
    ("there", "back", "p_value"),
    # Computed: the exact p less the probability of what was found.
    [
        (1, 8, 0.021484375), (0, 5, 0.03125), (0, 6, 0.015625), (2, 10, 0.022460938), (4, 11, 0.076812744),
        (3, 17, 0.001489639),
    ],
)  # fmt: skip
def test_mid_p_of_small_cases(there: int, back: int, p_value: float):
    for table in ([[9, there], [back, 2]], [[9, back], [there, 2]]):
        assert round(mcnemar_mid_p(table).p_value, 9) == p_value


@pytest.mark.parametrize("table", [[[16, 3], [2, 10]], [[17, 3], [2, 9]]], ids=["right foot", "left foot"])
def test_the_landing_of_runners_does_not_change_between_slow_and_fast(table: list[list[int]]):
    """Rearfoot or not at 2.5 and 4.5 m/s, computed from the public data RBDSinfo.txt of
    regifukuchi/BMC-RIC-running-biomechanics; the paper says the same: strike is not affected by speed (PeerJ 5:e3298,
    read).
    """
    assert mcnemar_exact(table).p_value == 1.0


def test_mid_p_is_below_the_exact_p_by_what_was_found():
    for table in (MANUALS, APPROVAL, [[9, 3], [11, 2]]):
        there, back = table[0][1], table[1][0]
        of_smaller = binom.pmf(min(there, back), there + back, 0.5)
        assert mcnemar_mid_p(table).p_value == pytest.approx(mcnemar_exact(table).p_value - of_smaller, rel=1e-9)


def test_statsmodels_corrects_equal_changes_below_nothing_and_we_do_not():
    even = [[5, 4], [4, 5]]
    assert mcnemar(even, exact=False, correction=True).statistic == 1 / 8
    assert mcnemar_chi_squared(even, continuity=True).statistic == 0


def test_the_margins_of_unaided_vision():
    """R's package coin prints Q = 11.96 for Stuart's own example (read); further digits by statsmodels."""
    result = stuart_maxwell(VISION)
    assert np.sum(VISION) == 7477
    assert (round(result.statistic, 2), result.degrees_of_freedom) == (11.96, 3)
    assert (round(result.statistic, 5), round(result.p_value, 8)) == (11.95657, 0.00753343)
    assert (round(bowker(VISION).statistic, 5), round(bowker(VISION).p_value, 8)) == (19.10655, 0.00398742)


@pytest.mark.parametrize("seed", range(5))
def test_statsmodels_gives_the_same_margins(seed: int):
    draw = np.random.default_rng(seed)
    k = int(draw.integers(2, 7))
    table = draw.poisson(6, (k, k)) + 1
    theirs = SquareTable(table, shift_zeros=False).homogeneity()
    result = stuart_maxwell(table)
    assert (result.statistic, result.p_value, result.degrees_of_freedom) == pytest.approx(
        (theirs.statistic, theirs.pvalue, theirs.df), rel=1e-9
    )
