"""Shares, intervals and paired tests of landing against published numbers, SciPy and statsmodels.

Tolerance: the last digit printed by the source; 1e-12 against the libraries, which compute the same formulas. Where a
source prints percentages only, the counts were rebuilt from them ("rebuilt") and are right to a runner or so.
"""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest
import scipy.stats
from statsmodels.stats.contingency_tables import SquareTable, mcnemar
from statsmodels.stats.proportion import proportion_confint

from pipeline.core.published import works
from pipeline.methods.paired_classes import bowker, mcnemar_exact, paired_change, wilson
from pipeline.stages.strikes import changes_seen, runners_seen, strike_counts, strike_shift
from tests.support.filmed import landings_of

FOUR = ("rearfoot", "midfoot", "forefoot", "asymmetric")


def seen(distance_km: float, counts: dict[str, int], first_runner: int = 0) -> pl.DataFrame:
    """A row for each foot of so many runners of each class at a distance."""
    strike = [name for name, n in counts.items() for _ in range(n)]
    runners = pl.DataFrame({"athlete_id": [f"r{first_runner + i:04}" for i in range(len(strike))], "strike": strike})
    feet = pl.DataFrame({"foot": ["left", "right"]})
    both = runners.join(feet, how="cross").with_columns(
        # The right foot of an asymmetric runner is a midfoot striker's here, the left one a rearfoot striker's.
        strike=pl.when(pl.col("strike") != "asymmetric")
        .then("strike")
        .when(pl.col("foot") == "left")
        .then(pl.lit("rearfoot"))
        .otherwise(pl.lit("midfoot"))
    )
    return both.with_columns(
        date=pl.date(2026, 3, 14),
        distance_km=pl.lit(distance_km, pl.Float64),
        angle_deg=pl.lit(None, pl.Float64),
        strike_index_pct=pl.lit(None, pl.Float64),
    )


def percentages(counts: dict[str, int]) -> dict[str, float]:
    rows = strike_counts(runners_seen(landings_of(seen(10, counts)))).filter(pl.col("scope") == "event")
    return {name: share * 100 for name, share in rows.select("strike", "share").iter_rows() if name in counts}


@pytest.mark.parametrize(
    ("work", "counts"),
    [
        # Rebuilt from the printed percentages.
        ("larson-2011", (832, 32, 17, 55)),
        ("hasegawa-2007", (212, 67, 4)),
        ("patoz-2019", (675, 158, 16, 101)),
    ],
)
def test_rebuilt_counts_give_the_printed_percentages(work: str, counts: tuple[int, ...]):
    assert sum(counts) == works()[work].n
    for name, share in percentages(dict(zip(FOUR, counts, strict=False))).items():
        assert share == pytest.approx(works()[work].numbers[name].printed, abs=0.0501), name


def test_the_counts_of_kasmer_2013_give_the_printed_percentages():
    """Of this race counts and percentages were printed."""
    printed = works()["kasmer-2013"].numbers
    shares = percentages({name: int(printed[name].printed) for name in FOUR})
    assert {name: f"({share:.2f} %)" in printed[name].of for name, share in shares.items()} == dict.fromkeys(FOUR, True)


def test_shares_of_a_place_sum_to_one_where_a_printed_row_does_not():
    """Footwear Sci 2020, doi 10.1080/19424280.2020.1803993, 10 km: 65, 21, "33", 11 % sum to 130; forefoot was 3 %."""
    shares = percentages(dict(zip(FOUR, (65, 21, 3, 11), strict=True)))
    assert shares == pytest.approx({"rearfoot": 65, "midfoot": 21, "forefoot": 3, "asymmetric": 11})
    assert sum(shares.values()) == pytest.approx(100)


# --- Wilson's interval -----------------------------------------------------------------------------------------------

SHARES = [
    # n, of, 95 % interval in percent as computed from the score method for the races above (Hanley 2019 the last two).
    (1865, 1991, 92.52, 94.66),
    (832, 936, 86.71, 90.75),
    (212, 283, 69.55, 79.61),
    (251, 286, 83.46, 91.07),
    (266, 286, 89.45, 95.43),
    (47, 70, 55.50, 77.00),
    (57, 78, 62.32, 81.66),
]


@pytest.mark.parametrize(("n", "n_all", "low", "high"), SHARES)
def test_wilson_intervals_of_published_shares(n: int, n_all: int, low: float, high: float):
    assert [round(float(end) * 100, 2) for end in wilson(n, n_all)] == [low, high]


def test_wilson_intervals_are_those_of_statsmodels_and_scipy():
    n, n_all = np.array([0, 1, 3, 47, 69, 70]), np.array([8, 8, 3, 70, 70, 70])
    low, high = wilson(n, n_all)
    theirs = proportion_confint(n, n_all, method="wilson")
    assert (low, high) == (pytest.approx(theirs[0], abs=1e-12), pytest.approx(theirs[1], abs=1e-12))
    for i, (count, total) in enumerate(zip(n, n_all, strict=True)):
        interval = scipy.stats.binomtest(count, total).proportion_ci(0.95, method="wilson")
        assert (low[i], high[i]) == pytest.approx((interval.low, interval.high), abs=1e-12)


def test_the_ends_of_a_share_of_none_and_of_all_are_exact():
    low, high = wilson([0, 8], [8, 8])
    assert (low[0], high[1]) == (0, 1)
    assert high[0] == pytest.approx(1 - low[1])


def test_the_stage_gives_wilson_s_interval():
    rows = strike_counts(runners_seen(landings_of(seen(8.1, {"rearfoot": 1865, "midfoot": 126}))))
    [(low, high)] = rows.filter(scope="event", strike="rearfoot").select("low", "high").rows()
    assert (round(low * 100, 2), round(high * 100, 2)) == (92.52, 94.66)


# --- McNemar's exact test --------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("one_way", "other_way", "p_value"),
    # Computed by the exact binomial: 2 × the sum of the smaller tail over 2^(b + c).
    [
        (1, 8, 0.0390625), (0, 5, 0.0625), (0, 6, 0.03125), (2, 10, 0.038574219), (4, 11, 0.118469238),
        (3, 17, 0.002576828),
    ],
)  # fmt: skip
def test_mcnemar_s_small_cases(one_way: int, other_way: int, p_value: float):
    for table in ([[9, one_way], [other_way, 2]], [[9, other_way], [one_way, 2]]):
        result = mcnemar_exact(table)
        assert (result.statistic, round(result.p_value, 9)) == (min(one_way, other_way), p_value)
        assert result.p_value == pytest.approx(scipy.stats.binomtest(one_way, one_way + other_way).pvalue, rel=1e-12)
        assert result.p_value == pytest.approx(mcnemar(table, exact=True).pvalue, rel=1e-12)


@pytest.mark.parametrize(
    ("table", "statistic", "p_value"),
    [
        # The worked example of two statistics packages' manuals; exact p by SciPy.
        ([[101, 59], [121, 33]], 59, 4.434449e-06),
        # Approval ratings, Agresti 1990; exact p by SciPy.
        ([[794, 86], [150, 570]], 86, 3.715936e-05),
    ],
)
def test_mcnemar_s_large_cases(table: list[list[int]], statistic: float, p_value: float):
    result = mcnemar_exact(table)
    assert result.statistic == statistic
    assert result.p_value == pytest.approx(p_value, rel=2e-7)
    assert result.p_value == pytest.approx(mcnemar(table, exact=True).pvalue, rel=1e-9)


def test_equal_changes_both_ways_and_none_at_all_give_one():
    assert mcnemar_exact([[3, 4], [4, 3]]).p_value == 1
    assert mcnemar_exact([[3, 0], [0, 3]]).p_value == 1


def test_the_race_of_bovalino_2020_from_feet_to_p():
    """Bovalino and others 2020, J Sci Med Sport 23:621-624: 459 runners at 3 and 13 km of 15.

    Printed: rearfoot 76.9 % (95 % CI 73.2-80.5), then 91.0 % (88.7-93.1); 61 % of the 105 others became rearfoot. The
    paired table [[354, 0], [64, 41]] is rebuilt from that, right to a runner; its exact p was computed.
    """
    early = seen(3, {"rearfoot": 354, "midfoot": 105})
    late = seen(13, {"rearfoot": 418, "midfoot": 41})
    rows = pl.concat([early, late])
    every, rearfoot = strike_shift(changes_seen(landings_of(rows))).rows(named=True)
    table = {name: n for name, n in rearfoot.items() if name.endswith("other") or name == "n_other_to_rearfoot"}
    assert table == {"n_rearfoot_to_other": 0, "n_other_to_rearfoot": 64, "n_other_to_other": 41}
    assert (rearfoot["n_pairs"], rearfoot["n_rearfoot_to_rearfoot"], rearfoot["method"]) == (459, 354, "McNemar exact")
    assert f"{rearfoot['p_value']:.3e}" == "1.084e-19"
    assert every["p_value"] == rearfoot["p_value"]  # two classes occur
    became = rearfoot["n_other_to_rearfoot"] / (rearfoot["n_other_to_rearfoot"] + rearfoot["n_other_to_other"])
    assert round(became * 100) == 61
    counted = (
        strike_counts(runners_seen(landings_of(rows))).filter(scope="event", strike="rearfoot").sort("distance_km")
    )
    # A runner or so off the printed shares; the printed interval is another one than Wilson's, within half a point.
    numbers = works()["bovalino-2020"].numbers
    for row, printed in zip(counted.rows(named=True), (numbers["share_early"], numbers["share_late"]), strict=True):
        told = [row[name] for name in ("share", "low", "high")]
        assert told == pytest.approx([printed.value, printed.low, printed.high], abs=0.006)


# --- Bowker's test of symmetry ---------------------------------------------------------------------------------------

BOWKER_5 = [[0, 3, 4, 4, 2], [4, 1, 2, 4, 3], [5, 3, 0, 0, 2], [2, 3, 0, 0, 1], [5, 5, 5, 5, 5]]
BOWKER_5_SECOND = [[2, 2, 3, 6, 2], [3, 4, 3, 6, 6], [6, 7, 1, 9, 6], [7, 1, 1, 9, 8], [0, 1, 8, 9, 4]]
#: Unaided vision of 7477 women, Stuart 1953; the cells are from memory, their total is right.
VISION = [[1520, 266, 124, 66], [234, 1512, 432, 78], [117, 362, 1772, 205], [36, 82, 179, 492]]


@pytest.mark.parametrize(
    ("table", "statistic", "p_value"),
    [
        # 5 × 5 tables of statsmodels' own tests, there checked with R; one is added to the first.
        (np.array(BOWKER_5) + 1, 5.355988, 0.8661652),
        (np.array(BOWKER_5_SECOND), 18.76432, 0.04336035),
        (np.array(VISION), 19.10655, 0.00398742),
    ],
    ids=["no zeros", "asymmetric", "vision"],
)
def test_bowker_s_published_tables(table: np.ndarray, statistic: float, p_value: float):
    result, k = bowker(table), len(table)
    assert (result.degrees_of_freedom, result.method) == (k * (k - 1) // 2, "Bowker")
    assert result.statistic == pytest.approx(statistic, rel=5e-7)
    assert result.p_value == pytest.approx(p_value, rel=1e-6)
    theirs = SquareTable(table, shift_zeros=False).symmetry()
    assert (result.statistic, result.p_value) == pytest.approx((theirs.statistic, theirs.pvalue), rel=1e-12)


def test_a_pair_of_classes_between_which_no_one_changed_costs_no_degree_of_freedom():
    """Statistic of statsmodels' own test, which counts ten degrees of freedom; one of the ten pairs is empty."""
    result = bowker(BOWKER_5)
    assert result.statistic == pytest.approx(7.001587, rel=5e-7)
    assert result.degrees_of_freedom == 9
    assert result.p_value == pytest.approx(scipy.stats.chi2.sf(7.001587, 9), rel=1e-6)


def test_where_no_one_changed_there_is_nothing_to_test():
    result = bowker(np.diag([4, 3, 2]))
    assert (result.statistic, result.degrees_of_freedom, result.p_value) == (0.0, 0, 1.0)


def test_nothing_is_added_to_empty_cells():
    """statsmodels turns a cell of 0 into 0.5 by default: two there and nobody back is 0.9, where the formula says 2."""
    shifted = SquareTable(np.array(BOWKER_5_SECOND), shift_zeros=True).symmetry()
    assert bowker(BOWKER_5_SECOND).statistic == pytest.approx(shifted.statistic - 1.5**2 / 2.5 + 2**2 / 2)


def test_classes_that_do_not_occur_cost_no_degrees_of_freedom():
    table = np.zeros((4, 4), dtype=int)
    table[:3, :3] = np.array(VISION)[:3, :3]
    result = paired_change(table)
    theirs = SquareTable(table[:3, :3], shift_zeros=False).symmetry()
    assert result.degrees_of_freedom == 3
    assert (result.statistic, result.p_value) == pytest.approx((theirs.statistic, theirs.pvalue), rel=1e-12)


@pytest.mark.parametrize("place", [(0, 1), (0, 3), (2, 3)])
def test_two_classes_that_occur_among_four_are_tested_exactly(place: tuple[int, int]):
    table = np.zeros((4, 4), dtype=int)
    table[np.ix_(place, place)] = [[9, 1], [8, 2]]
    assert paired_change(table).p_value == pytest.approx(0.0390625)


@pytest.mark.parametrize(
    ("table", "said"),
    [
        ([[1, 2, 3], [4, 5, 6]], "square, not 2 × 3"),
        ([[1.5, 0], [0, 1]], "whole numbers"),
        ([[-1, 0], [0, 1]], "whole numbers"),
    ],
)
def test_what_is_no_cross_table_of_people_is_refused(table: list[list[float]], said: str):
    with pytest.raises(ValueError, match=said):
        bowker(table)


def test_mcnemar_s_test_refuses_three_classes():
    with pytest.raises(ValueError, match="two classes, not 3"):
        mcnemar_exact(np.ones((3, 3)))


# --- The wrong design ------------------------------------------------------------------------------------------------


def test_two_races_are_compared_by_no_table_of_ours():
    """Kasmer 2013 against Larson 2011: Pearson's chi-square 20.1138, p = 7.297e-06. Two fields, so never paired."""
    test = scipy.stats.chi2_contingency([[1865, 126], [832, 104]], correction=False)
    assert (round(test.statistic, 4), f"{test.pvalue:.3e}") == (20.1138, "7.297e-06")
    fields = pl.concat(
        [
            seen(8.1, {"rearfoot": 1865, "midfoot": 126}),
            seen(10, {"rearfoot": 832, "midfoot": 104}, first_runner=1991),
        ]
    )
    assert strike_shift(changes_seen(landings_of(fields))).is_empty()
