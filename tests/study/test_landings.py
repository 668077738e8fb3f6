from __future__ import annotations

import shutil
import subprocess
import sys
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, date, datetime, time
from itertools import product
from pathlib import Path

import numpy as np
import polars as pl
import pytest
from scipy import stats
from statsmodels.genmod.families import Binomial
from statsmodels.genmod.generalized_linear_model import GLM
from statsmodels.stats.contingency_tables import SquareTable, mcnemar
from statsmodels.stats.inter_rater import cohens_kappa
from statsmodels.stats.proportion import proportion_confint

from pipeline.core.errors import NothingDone
from pipeline.core.resources import shipped
from pipeline.methods.paired_classes import mcnemar_exact, mcnemar_mid_p
from pipeline.study.landing_pairs import pairs
from pipeline.study.landings import landings
from pipeline.study.material import Material
from pipeline.study.released import _draws_of_changes
from pipeline.study.released_landings import released_landings, released_table
from pipeline.study.results import Statistic, results
from pipeline.study.small_cells import suppress_in_results
from pipeline.study.study_file import Analysis
from pipeline.tables import empty
from pipeline.tables.observed import STRIKES
from tests.support.cohorts import cohort_of
from tests.support.filmed import landings_of

FILMED = Analysis("feet", "landing", early_km=(5.0, 5.0), late_km=(15.0, 15.0))
#: Early by row, late by column; of each event.
SPRING = np.array([[10, 1, 0, 1], [6, 4, 1, 0], [3, 2, 5, 0], [1, 0, 0, 1]])
AUTUMN = np.array([[7, 0, 1, 0], [2, 3, 0, 1], [0, 1, 2, 0], [0, 0, 1, 0]])


def filmed(**events: np.ndarray) -> Material:
    """Runners who were filmed on both feet at km 5 and km 15, as many of each pair of classes as a table says."""
    rows = []
    for number, (event, table) in enumerate(events.items()):
        for (i, before), (j, after) in product(enumerate(STRIKES), enumerate(STRIKES)):
            for runner in range(int(table[i, j])):
                who = {"athlete_id": f"{event} {before} {after} {runner}", "date": date(2026, 3 + number, 14)}
                for km, strike in ((5.0, before), (15.0, after)):
                    # The feet of an asymmetric runner land on the heel and on the middle.
                    feet = ("rearfoot", "midfoot") if strike == "asymmetric" else (strike, strike)
                    rows += [
                        {**who, "distance_km": km, "foot": foot, "strike": landed}
                        for foot, landed in zip(("left", "right"), feet, strict=True)
                    ]
    return of_feet(rows)


def of_feet(rows: list[dict], **recorded: pl.DataFrame) -> Material:
    return cohort_of(lambda *_: 240.0, landings=landings_of(pl.DataFrame(rows), **recorded), least_cell=3)


def by_name(material: Material) -> dict[str, Statistic]:
    return {statistic.statistic: statistic for statistic in landings(material, FILMED).statistics}


def test_shares_are_of_the_runners_of_all_events_with_the_interval_of_statsmodels():
    rows, table = by_name(filmed(spring=SPRING, autumn=AUTUMN)), SPRING + AUTUMN
    for name, count in (("share_early", table[0].sum()), ("share_late", table[:, 0].sum())):
        low, high = proportion_confint(count, table.sum(), method="wilson")
        assert rows[name].estimate == pytest.approx(count / table.sum())
        assert (rows[name].low, rows[name].high) == pytest.approx((low, high))
    assert rows["share_early"].note == "53 runners in 2 events"


def test_mcnemar_of_rearfoot_against_the_rest_is_that_of_statsmodels():
    rows, table = by_name(filmed(spring=SPRING, autumn=AUTUMN)), SPRING + AUTUMN
    two = np.array([[17, 3], [12, 21]])  # by hand: of 20 rearfoot early 3 left it, of 33 others 12 came to it
    assert table.sum() == two.sum()
    exact, plain = mcnemar(two, exact=True), mcnemar(two, exact=False, correction=False)
    corrected = mcnemar(two, exact=False, correction=True)
    assert rows["mcnemar_exact_statistic"].p_value == pytest.approx(exact.pvalue)
    # Each runner was in one event: to the last digit it is the test of the pairs.
    assert rows["mcnemar_exact_statistic"].p_value == mcnemar_exact(two).p_value
    assert rows["mcnemar_mid_p_statistic"].p_value == mcnemar_mid_p(two).p_value
    assert rows["mcnemar_statistic"].estimate == pytest.approx(plain.statistic)
    assert rows["mcnemar_continuity_statistic"].estimate == pytest.approx(corrected.statistic)
    assert [statistic.statistic for statistic in rows.values() if statistic.is_primary] == ["mcnemar_exact_statistic"]


def test_all_classes_together_are_those_of_statsmodels():
    rows, square = by_name(filmed(spring=SPRING, autumn=AUTUMN)), SquareTable(SPRING + AUTUMN, shift_zeros=False)
    assert rows["bowker_statistic"].p_value == pytest.approx(square.symmetry().pvalue, rel=1e-6)
    assert rows["stuart_maxwell_statistic"].p_value == pytest.approx(square.homogeneity().pvalue, rel=1e-6)


def test_with_two_classes_there_is_nothing_but_mcnemar():
    two = np.zeros((4, 4), dtype=int)
    two[:2, :2] = [[5, 1], [4, 3]]
    assert not {name for name in by_name(filmed(spring=two)) if name.startswith(("bowker", "stuart"))}


@pytest.mark.parametrize(
    ("material", "known"),
    [(filmed(spring=SPRING), "5 and 15"), (cohort_of(lambda *_: 240.0), "none")],
    ids=["elsewhere", "never"],
)
def test_where_nobody_was_filmed_at_both_the_distances_there_are_are_told(material: Material, known: str):
    with pytest.raises(NothingDone) as raised:
        landings(material, Analysis("feet", "landing", early_km=(10.0, 10.0), late_km=(32.0, 32.0)))
    assert str(raised.value) == (
        f"feet: no runner was filmed at both km 10 and km 32. Pairs of distances in the store: {known}."
    )


# --- Few people ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("table", "shares", "of_two", "of_several"),
    [
        # Of 9 rearfoot and 6 others early 2 and 5 changed; 1 stayed with the others, which shares and test give away.
        ([[7, 2, 0, 0], [5, 1, 0, 0], [0, 0, 0, 0], [0, 0, 0, 0]], 3, 1, None),
        # One changed between midfoot and forefoot.
        ([[7, 4, 0, 0], [5, 4, 1, 0], [0, 0, 4, 0], [0, 0, 0, 0]], 11, 4, 1),
        # Nobody changed from the rearfoot: nobody is no small group.
        ([[7, 0, 0, 0], [5, 3, 0, 0], [0, 0, 4, 0], [0, 0, 0, 0]], 7, 5, 3),
        # One did not land on the rearfoot late: shares are not told, so that the test can be.
        ([[9, 0, 0, 0], [6, 1, 0, 0], [0, 0, 0, 0], [0, 0, 0, 0]], 1, 6, None),
    ],
)
def test_each_number_knows_the_smallest_group_that_it_can_be_counted_back_to(
    table: list, shares: int, of_two: int, of_several: int | None
):
    rows = by_name(filmed(spring=np.array(table)))
    assert rows["share_early"].smallest_cell == rows["share_late"].smallest_cell == shares
    told = ("mcnemar_exact_statistic", "mcnemar_statistic", "odds_ratio")
    assert {rows[name].smallest_cell for name in told} == {of_two}
    assert ("bowker_statistic" in rows) is (of_several is not None)
    if of_several is not None:
        assert rows["bowker_statistic"].smallest_cell == rows["stuart_maxwell_statistic"].smallest_cell == of_several


@pytest.mark.parametrize(
    ("table", "least", "told"),
    [
        ([[7, 2], [5, 4]], 2, {("rearfoot", "midfoot"): 2, ("midfoot", "midfoot"): 4}),
        # Midfoot and forefoot of 2 each are 4 others.
        ([[7, 2, 2], [3, 2, 2], [3, 0, 2]], 3, {("rearfoot", "other"): 4, ("other", "other"): 6}),
        ([[7, 2], [5, 4]], 3, {("rearfoot", ""): 9, ("", "other"): 6}),
        ([[9, 0], [6, 1]], 3, {("rearfoot", "other"): 0, ("other", "rearfoot"): 6}),
        ([[9, 1], [1, 1]], 3, {}),
    ],
    ids=["all classes", "rearfoot or other", "at each distance", "who changed", "nothing"],
)
def test_as_much_of_the_table_is_released_as_holds_no_small_group(table: list, least: int, told: dict):
    whole = np.zeros((4, 4), dtype=int)
    whole[: len(table), : len(table)] = table
    released = released_table(pairs(filmed(spring=whole), FILMED), least)
    rows = {(early, late): n for early, late, n, *_ in released.iter_rows()}
    assert told.items() <= rows.items()
    assert bool(rows) is bool(told)
    assert all(n == 0 or n >= least for n in rows.values())


# --- Angles, speed, raters, feet, groups -----------------------------------------------------------------------------


def pair(runner: str, early: str, late: str, **more: object) -> list[dict]:
    """A runner filmed at km 5 and km 15 on one foot, with a value of each of `more` at both."""
    return [
        {"athlete_id": runner, "date": date(2026, 3, 14), "distance_km": km, "foot": "left", "strike": strike}
        | {name: values[place] for name, values in more.items()}
        for place, (km, strike) in enumerate(((5.0, early), (15.0, late)))
    ]


def test_the_angle_is_compared_as_it_is_among_those_who_have_one_at_both():
    angles = {"a": (12.0, 9.0), "b": (10.0, 8.5), "c": (4.0, 5.0), "d": (15.0, 11.0), "e": (7.0, None)}
    rows = by_name(
        of_feet([row for who, both in angles.items() for row in pair(who, "rearfoot", "rearfoot", angle_deg=both)])
    )
    change = np.array([-3.0, -1.5, 1.0, -4.0])
    assert rows["angle_early_deg"].estimate == pytest.approx(10.25)
    told = rows["angle_change_deg"]
    assert told.estimate == pytest.approx(change.mean())
    assert (told.low, told.high) == pytest.approx(stats.t.interval(0.95, 3, change.mean(), stats.sem(change)))
    assert told.p_value == stats.permutation_test((change,), np.mean, permutation_type="samples").pvalue


def recorded(
    speeds: dict[str, tuple[float, float]], slopes: dict[str, tuple[date, float]] | None = None
) -> dict[str, pl.DataFrame]:
    """A run of 20 km of each runner on the day of the event, with a speed up to km 10 and another beyond.

    Args:
        slopes: by runner the day of the event, and by so much its course is steeper beyond km 10 [%].
    """
    on = {who: (date(2026, 3, 14), None) for who in speeds} if slopes is None else slopes
    runs = [
        {"run_id": f"{who}-run", "athlete_id": who, "started_at_utc": datetime.combine(on[who][0], time(9), UTC)}
        for who in speeds
    ]
    splits = [
        {"run_id": f"{who}-run", "athlete_id": who, "km": km, "length_m": 1000.0, "speed_m_s": both[km > 10]}
        | {"slope_pct": on[who][1] and on[who][1] * (km > 10)}
        for who, both in speeds.items()
        for km in range(1, 21)
    ]
    return {
        name: pl.concat([empty(name), pl.DataFrame(rows, schema_overrides={"started_at_utc": pl.Datetime("us", "UTC")}
                         if name == "runs" else None)], how="diagonal")
        for name, rows in (("runs", runs), ("splits", splits))
    }  # fmt: skip


def on_courses(
    steeper: Sequence[float], n: int = 60
) -> tuple[list[dict], dict[str, pl.DataFrame], np.ndarray, np.ndarray]:
    """Runners who all change on several courses: speed and slope move whether they gain the rearfoot."""
    random = np.random.default_rng(5)
    change, slope = random.normal(-0.5, 0.8, n), np.array(steeper)[np.arange(n) % len(steeper)]
    gained = random.random(n) < 1 / (1 + np.exp(-0.2 + change - 0.4 * slope))
    rows, speeds, slopes = [], {}, {}
    for number in range(n):
        who, classes = f"r{number:02}", ("midfoot", "rearfoot") if gained[number] else ("rearfoot", "midfoot")
        day = date(2026, 3, 14 + number % len(steeper))
        rows += [row | {"date": day} for row in pair(who, *classes)]
        speeds[who] = (3.5, 3.5 * 1.1 ** change[number])
        slopes[who] = (day, float(slope[number]))
    return rows, recorded(speeds, slopes), np.column_stack([np.round(change, 1), slope]), gained


def test_odds_at_equal_speed_and_slope_are_those_of_a_logistic_regression_where_courses_differ():
    feet, recordings, changes, gained = on_courses((-2.0, 0.0, 1.5))
    rows = by_name(of_feet(feet, **recordings))
    theirs = GLM(gained.astype(float), np.column_stack([np.ones(60), changes]), family=Binomial()).fit()
    for name, place in (("odds_ratio_equal_speed_and_slope", 0), ("odds_ratio_1_pct_steeper", 2)):
        told = [rows[name].estimate, rows[name].low, rows[name].high]
        assert told == pytest.approx(np.exp([theirs.params[place], *theirs.conf_int()[place]]), rel=1e-5)
    assert rows["odds_ratio_equal_speed"].estimate != pytest.approx(rows["odds_ratio_equal_speed_and_slope"].estimate)


@pytest.mark.parametrize(
    ("steeper", "n", "said"),
    [
        ((1.5,), 60, "the late kilometre is as much steeper for all who changed"),
        ((-1.0, 1.5), 14, "14 changed, and three coefficients need 15"),
    ],
)
def test_on_one_course_or_among_few_slope_is_not_taken_into_account_and_that_is_said(
    steeper: tuple[float, ...], n: int, said: str
):
    feet, recordings, *_ = on_courses(steeper, n)
    rows = by_name(of_feet(feet, **recordings))
    for name in ("odds_ratio_equal_speed_and_slope", "odds_ratio_1_pct_steeper"):
        assert rows[name].estimate is rows[name].low is rows[name].high is None
        assert said in rows[name].note
    assert rows["odds_ratio_equal_speed"].estimate is not None


def slowing(n: int, seed: int = 3) -> tuple[list[dict], dict[str, pl.DataFrame], np.ndarray, np.ndarray]:
    """Runners who all change; the more they slow, the more often to the rearfoot."""
    random = np.random.default_rng(seed)
    change = random.normal(-0.5, 0.8, n)  # in steps of 10 %
    gained = random.random(n) < 1 / (1 + np.exp(-0.4 + 1.2 * change))
    rows, speeds = [], {}
    for number in range(n):
        who, classes = f"r{number:02}", ("midfoot", "rearfoot") if gained[number] else ("rearfoot", "midfoot")
        rows += pair(who, *classes)
        speeds[who] = (3.5, 3.5 * 1.1 ** change[number])
    return rows, recorded(speeds), np.round(change, 1), gained  # as it is released


def test_odds_at_equal_speed_are_those_of_a_logistic_regression_of_who_changed():
    """With two observations per runner, conditional likelihood is that of gaining on an intercept and the change."""
    feet, recordings, change, gained = slowing(40)
    rows = by_name(of_feet(feet, **recordings))
    theirs = GLM(gained.astype(float), np.column_stack([np.ones(40), change]), family=Binomial()).fit()
    for name, place in (("odds_ratio_equal_speed", 0), ("odds_ratio_10_pct_faster", 1)):
        told = [rows[name].estimate, rows[name].low, rows[name].high]
        assert told == pytest.approx(np.exp([theirs.params[place], *theirs.conf_int()[place]]), rel=1e-5)
    lost = 40 - gained.sum()
    assert rows["odds_ratio"].estimate == pytest.approx(gained.sum() / lost)
    # Exact, by the share of those who gained it.
    exact = stats.binomtest(int(gained.sum()), 40).proportion_ci(0.95, "exact")
    assert (rows["odds_ratio"].low, rows["odds_ratio"].high) == pytest.approx(
        (exact.low / (1 - exact.low), exact.high / (1 - exact.high))
    )


def test_too_few_who_changed_and_separation_are_said_and_give_no_number():
    feet, recordings, *_ = slowing(9)
    few = by_name(of_feet(feet, **recordings))["odds_ratio_equal_speed"]
    assert few.estimate is None
    assert "9 changed, and two coefficients need 10 (common practice, no source)" in few.note
    # Whoever slowed gained it, whoever did not lost it.
    rows, speeds = [], {}
    for number in range(12):
        rows += pair(f"r{number}", *(("midfoot", "rearfoot") if number % 2 else ("rearfoot", "midfoot")))
        speeds[f"r{number}"] = (3.5, 3.0 + 0.01 * number if number % 2 else 3.6 + 0.01 * number)
    apart = by_name(of_feet(rows, **recorded(speeds)))["odds_ratio_equal_speed"]
    assert apart.estimate is apart.low is apart.high is None
    assert "tell all who gained from all who lost" in apart.note


def test_where_all_changed_the_same_way_the_odds_have_a_lower_end_only():
    odds = by_name(filmed(spring=np.array([[3, 0, 0, 0], [6, 3, 0, 0], [0] * 4, [0] * 4])))["odds_ratio"]
    assert (odds.estimate, odds.high) == (None, None)
    # 0.025 is the probability that all six gained it at the lower end.
    assert (odds.low / (1 + odds.low)) ** 6 == pytest.approx(0.025)
    assert "no finite estimate" in odds.note


def test_without_recordings_speed_is_not_spoken_of():
    assert not [name for name in by_name(filmed(spring=SPRING)) if name.startswith("odds_ratio_")]


def test_kappa_of_two_raters_is_that_of_statsmodels_over_the_feet_both_saw():
    first, second = "RRRRRRMMMMFFRM", "RRRRRMMMMMFMR-"
    words = {"R": "rearfoot", "M": "midfoot", "F": "forefoot"}
    feet = []
    for number, (one, other) in enumerate(zip(first, second, strict=True)):
        place = {"athlete_id": f"r{number}", "date": date(2026, 3, 14), "foot": "left"}
        for km in (5.0, 15.0):
            feet.append({**place, "distance_km": km, "strike": words[one], "rater": "first"})
            if other != "-" and km == 5.0:
                feet.append({**place, "distance_km": km, "strike": words[other], "rater": "second"})
    told = by_name(of_feet(feet))["kappa"]
    table = np.array(
        [[sum(a == x and b == y for a, b in zip(first, second, strict=True)) for y in "RMF"] for x in "RMF"]
    )
    theirs = cohens_kappa(table)
    assert (told.estimate, told.low, told.high) == pytest.approx((theirs.kappa, theirs.kappa_low, theirs.kappa_upp))
    assert told.note == "13 feet seen by two raters, 11 of them classed alike"


@pytest.mark.parametrize(("foot", "early"), [("left", 1.0), ("right", 0.0), ("both", 0.0)])
def test_a_foot_alone_or_the_runner_s_class_of_both(foot: str, early: float):
    asymmetric = np.zeros((4, 4), dtype=int)
    asymmetric[3, 0] = 4
    analysis = replace(FILMED, foot=foot)
    rows = {row.statistic: row for row in landings(filmed(spring=asymmetric), analysis).statistics}
    assert rows["share_early"].estimate == early


def test_a_group_counts_as_many_runners_as_it_stands_for():
    groups = [
        *pair("stayed", "rearfoot", "rearfoot", n_runners=(354, 354)),
        *pair("came", "midfoot", "rearfoot", n_runners=(64, 64)),
    ]
    told = released_landings(of_feet(groups), FILMED, least=1)["landings"].filter(pl.col("runners") > 0)
    assert told.select("early", "late", "runners", "pairs").rows() == [
        ("rearfoot", "rearfoot", 354, 354), ("midfoot", "rearfoot", 64, 64),
    ]  # fmt: skip


# --- Runners filmed in several events --------------------------------------------------------------------------------

#: By letters: the rearfoot, the middle of the foot.
LETTERS = {"R": "rearfoot", "M": "midfoot", "F": "forefoot"}


def in_events(runners: dict[str, str], **more: dict[str, list[tuple]]) -> list[dict]:
    """Runners who were filmed at km 5 and km 15 of several events: "RM RR" left the rearfoot in the first of two.

    Args:
        more: by runner, early and late value of other columns at each event.
    """
    return [
        row | {"date": date(2026, 3, 14 + number)}
        for runner, events in runners.items()
        for number, (early, late) in enumerate(events.split())
        for row in pair(
            runner, LETTERS[early], LETTERS[late], **{name: of[runner][number] for name, of in more.items()}
        )
    ]


def test_two_people_who_change_in_three_races_each_are_two_and_not_six():
    runners = {"ari": "MR MR MR", "bo": "MR MR MR"} | {f"r{number}": "RR RR RR" for number in range(6)}
    material = of_feet(in_events(runners))
    rows = by_name(material)
    assert rows["mcnemar_exact_statistic"].p_value == 0.5  # of six it would be 0.03
    assert rows["mcnemar_exact_statistic"].smallest_cell == rows["share_early"].smallest_cell == 2
    assert rows["share_early"].note == (
        "8 runners in 3 events, 24 pairs of landings; a runner counts once, by the share of the events"
    )
    assert {name: table.height for name, table in released_landings(material, FILMED, least=3).items()} == {
        "landings": 0, "angles": 0, "strike_changes": 0, "raters": 0,
    }  # fmt: skip


def test_a_runner_s_change_is_the_net_one_over_the_events():
    runners = {
        "mostly gains": "MR MR RM", "gains once": "MR RR MM", "as often": "MR RM", "stays": "RR RR", "loses": "RM",
    }  # fmt: skip
    rows = by_name(of_feet(in_events(runners)))
    assert rows["mcnemar_exact_statistic"].p_value == stats.binomtest(1, 3).pvalue
    # Two came to the rearfoot, one left it.
    assert rows["odds_ratio"].estimate == 2.0
    assert rows["share_early"].estimate == pytest.approx((1 / 3 + 1 / 3 + 1 / 2 + 1 + 1) / 5)
    assert rows["share_late"].estimate == pytest.approx((2 / 3 + 2 / 3 + 1 / 2 + 1 + 0) / 5)


def test_with_the_same_landings_in_each_event_nothing_is_surer_than_with_one():
    random = np.random.default_rng(6)
    once = {f"r{number:02}": "".join(random.choice(["R", "M"], 2)) for number in range(40)}
    thrice = {runner: " ".join([landed] * 3) for runner, landed in once.items()}
    one, three = by_name(of_feet(in_events(once))), by_name(of_feet(in_events(thrice)))
    for name in ("share_early", "share_late", "odds_ratio", "mcnemar_exact_statistic", "mcnemar_mid_p_statistic"):
        numbers = [(row.estimate, row.low, row.high, row.p_value) for row in (one[name], three[name])]
        assert numbers[0] == numbers[1], name


def test_tests_of_all_classes_are_only_of_runners_filmed_once():
    once = {"a": "RM", "b": "FR", "c": "MR", "d": "RR"}
    assert by_name(of_feet(in_events(once)))["bowker_statistic"].p_value is not None
    rows = by_name(of_feet(in_events(once | {"a": "RM RR"})))
    for name in ("bowker_statistic", "stuart_maxwell_statistic"):
        assert rows[name].estimate is rows[name].p_value is None
        assert rows[name].note.startswith("Not computed: some runners were filmed in several events")


def test_an_angle_is_a_runner_s_mean_over_the_events():
    angles = {
        "a": [(12.0, 9.0), (11.0, 10.0)], "b": [(10.0, 8.5)], "c": [(4.0, 5.0), (6.0, 8.0), (5.0, 5.0)],
    }  # fmt: skip
    runners = {runner: " ".join(["RR"] * len(of)) for runner, of in angles.items()}
    material = of_feet(in_events(runners, angle_deg=angles))
    change = np.array([-2.0, -1.5, 1.0])
    rows = by_name(material)
    assert rows["angle_change_deg"].estimate == pytest.approx(change.mean())
    assert (
        rows["angle_change_deg"].p_value
        == stats.permutation_test((change,), np.mean, permutation_type="samples").pvalue
    )
    assert rows["angle_change_deg"].note.startswith("3 runners with an angle at both")
    assert released_landings(material, FILMED, least=1)["angles"].rows() == [
        ("a", 11.5, 9.5), ("b", 10.0, 8.5), ("c", 5.0, 6.0),
    ]  # fmt: skip


def filmed_often(n: int, n_events: int, seed: int = 7) -> tuple[list[dict], dict[str, pl.DataFrame], pl.DataFrame]:
    """Runners with habits, mostly filmed in each event, who change by them and by their speed; and the changes."""
    random = np.random.default_rng(seed)
    own, habit = 1.5 * random.standard_normal(n), 1.5 * random.standard_normal(n)
    feet, runs, changes = [], [], []
    for number, event in product(range(n), range(n_events)):
        if random.random() < 0.2:
            continue
        who, day, change = f"r{number:03}", date(2026, 3, 14 + event), random.normal(-0.5, 0.8)
        log_odds = own[number], own[number] + habit[number] - 0.5 * change
        early, late = (random.random() < 1 / (1 + np.exp(-odds)) for odds in log_odds)
        strikes = ("rearfoot" if landed else "midfoot" for landed in (early, late))
        angles = tuple(np.round(5 * np.array(log_odds) + random.standard_normal(2), 2))
        feet += [row | {"date": day} for row in pair(who, *strikes, angle_deg=angles)]
        runs.append(recorded({who: (3.5, 3.5 * 1.1**change)}, {who: (day, (-2.0, 0.0, 1.5)[event % 3])}))
        for table in runs[-1]:
            runs[-1][table] = runs[-1][table].with_columns(run_id=pl.lit(f"{who}-{event}"))
        if early != late:
            changes.append({"who": who, "gained": float(late), "change": round(change, 1)})
    recordings = {table: pl.concat(run[table] for run in runs) for table in ("runs", "splits")}
    return feet, recordings, pl.DataFrame(changes)


def test_odds_at_equal_speed_have_the_variance_that_a_runner_s_events_share():
    """The model's, and by how much one robust to clusters is above one that takes events as independent."""
    feet, recordings, changes = filmed_often(60, 4)
    told = by_name(of_feet(feet, **recordings))["odds_ratio_equal_speed"]
    model = GLM(changes["gained"].to_numpy(), np.column_stack([np.ones(len(changes)), changes["change"]]), Binomial())
    plain, apart = model.fit(), model.fit(cov_type="HC0")
    groups = changes["who"].rank("dense").to_numpy()
    together = model.fit(cov_type="cluster", cov_kwds={"groups": groups, "use_correction": False})
    shared = together.bse[0] ** 2 - apart.bse[0] ** 2
    assert shared > 0.1 * plain.bse[0] ** 2
    margin = stats.norm.ppf(0.975) * np.sqrt(plain.bse[0] ** 2 + shared)
    expected = np.exp(plain.params[0] + np.array([0.0, -margin, margin]))
    assert [told.estimate, told.low, told.high] == pytest.approx(expected, rel=1e-5)
    assert told.note == f"{changes['who'].n_unique()} runners changed and have speeds, {changes.height} times in all"


def test_people_are_too_few_for_odds_at_equal_speed_however_often_they_change():
    feet, recordings, changes = filmed_often(9, 6)
    assert changes.height > 10
    few = by_name(of_feet(feet, **recordings))["odds_ratio_equal_speed"]
    assert few.estimate is None
    assert f"{changes['who'].n_unique()} changed, and two coefficients need 10" in few.note


def test_rows_of_fewer_people_with_speeds_than_may_be_told_are_not_released():
    feet, recordings, *_ = slowing(20)
    with_speed = {f"r{number:02}" for number in range(2)}
    recordings = {
        name: rows.filter(pl.col("run_id").str.head(3).is_in(with_speed)) for name, rows in recordings.items()
    }
    material = of_feet(feet, **recordings)
    released = released_landings(material, FILMED, least=3)
    assert released["landings"].height > 0
    assert released["strike_changes"].is_empty()
    assert by_name(material)["odds_ratio_equal_speed"].smallest_cell < 3


def test_of_runners_filmed_often_each_distance_and_who_changed_are_released_in_people():
    released = released_landings(often(), FILMED, least=3)["landings"]
    sides = {name: released.filter(pl.col(other) == "") for name, other in (("early", "late"), ("late", "early"))}
    for name, rows in sides.items():
        assert rows[name].to_list() == ["rearfoot", "sometimes", "other"]
        assert rows["runners"].sum() == pairs(often(), FILMED)["athlete_id"].n_unique()
        assert rows["pairs"].sum() == pairs(often(), FILMED).height
    assert released.filter((pl.col("early") != "") & (pl.col("late") != "")).select("early", "late").rows() == [
        ("rearfoot", "other"), ("other", "rearfoot"),
    ]  # fmt: skip
    assert released["runners"].min() >= 3


def several(**runners: int) -> dict[str, str]:
    """So many runners who landed the same way: `RM_MM=3` are three who did in the first of two events "RM"."""
    return {f"{landed}{number}": landed.replace("_", " ") for landed, n in runners.items() for number in range(n)}


@pytest.mark.parametrize(
    ("runners", "cell"),
    [
        # Of those who left it one was filmed twice: there would be a pair of landings more than there are runners.
        (several(RR=5, RM=4, MR=6, MM=5, RM_RM=1), 1),
        (several(RR=5, RM=4, MR=6, MM=5, RM_RM=3), 3),
        # Sums of shares of 1/2, 1/2 and 1/3 tell each of them.
        (several(RR=6, RM=5, MM=6, RM_MM=2, RM_MM_MM=1), 1),
        (several(RR=6, RM=5, MM=6, RM_MM=3, RM_MM_MM=3), 3),
        (several(RR=6, RM=5, MM=6, RM_RM_MM=1, RM_MM_MM=2), 1),
    ],
    ids=["one filmed twice", "three filmed twice", "one filmed thrice", "three filmed thrice", "one with a share"],
)
def test_shares_are_told_where_enough_people_were_filmed_as_often_and_landed_so_as_often(runners: dict, cell: int):
    material = of_feet(in_events(runners))
    sides = released_table(pairs(material, FILMED), 3).filter((pl.col("early") == "") | (pl.col("late") == ""))
    assert by_name(material)["share_early"].smallest_cell == cell
    assert sides.is_empty() is (cell < 3)


@pytest.mark.parametrize("n_stayed", [2, 3])
def test_changes_are_told_with_shares_where_enough_who_were_filmed_as_often_stayed(n_stayed: int):
    runners = several(RR=4, RM=4, MM=4, RR_RR=n_stayed, RM_RM=3, MR_MR=3)
    rows = by_name(of_feet(in_events(runners)))
    assert rows["share_early"].smallest_cell == 3
    assert rows["mcnemar_exact_statistic"].smallest_cell == n_stayed


@pytest.mark.parametrize(("without", "cell"), [("", 3), ("R", 1), ("RRR", 3), ("RRM", 1), ("MMF", 1), ("MMMFFF", 3)])
def test_angles_are_told_where_enough_people_who_landed_alike_have_none(without: str, cell: int):
    angles = [(f"a{number}", "rearfoot", (9.0, 12.0)) for number in range(6)]
    angles += [(f"m{number}", "midfoot", (2.0, 1.0)) for number in range(3)]
    angles += [(f"w{number}", LETTERS[letter], (None, None)) for number, letter in enumerate(without)]
    material = of_feet([row for who, strike, both in angles for row in pair(who, strike, strike, angle_deg=both)])
    assert by_name(material)["angle_change_deg"].smallest_cell == cell
    assert released_landings(material, FILMED, least=3)["angles"].height == (9 if cell >= 3 else 0)


@pytest.mark.parametrize("n_twice", [1, 3])
def test_angles_are_told_where_enough_people_who_were_filmed_as_often_have_none(n_twice: int):
    measured, others = several(RR=6, RR_RR=2), {f"w{number}": "RR" for number in range(3)}
    others |= {f"t{number}": "RR RR" for number in range(n_twice)}
    angles = {who: [(9.0, 12.0) if who in measured else (None, None)] * 2 for who in measured | others}
    material = of_feet(in_events(measured | others, angle_deg=angles))
    assert by_name(material)["angle_change_deg"].smallest_cell == n_twice


def runs_of(runners: dict[str, str], slopes: Sequence[float | None] = (None,) * 3) -> dict[str, pl.DataFrame]:
    """A recorded run of each runner at each event.

    Args:
        slopes: by so much the course of each event is steeper beyond km 10 [%].
    """
    runs: list[dict[str, pl.DataFrame]] = []
    for runner, events in runners.items():
        for number in range(len(events.split())):
            one = recorded({runner: (3.5, 3.3)}, {runner: (date(2026, 3, 14 + number), slopes[number])})
            runs.append({name: rows.with_columns(run_id=pl.lit(f"{runner}-{number}")) for name, rows in one.items()})
    return {name: pl.concat([run[name] for run in runs], how="vertical_relaxed") for name in ("runs", "splits")}


@pytest.mark.parametrize(
    ("recorded_runners", "others", "cell"),
    [
        (several(MR=6, RM=6), several(RR=5, MM=5), 5),
        # The class of the one without a recording would be what the numbers of those who changed are more.
        (several(MR=6, RM=6), several(RR=5, MM=5) | {"without": "RM"}, 1),
        (several(MR=6, RM=6), several(RR=5, MM=5) | {"without": "RM", "too": "RM", "three": "RM"}, 3),
        # A pseudonym with two rows.
        (several(MR=6, RM=6, RM_RM=1), several(RR=5, MM=5), 1),
        (several(MR=6, RM=6, RM_RM=3), several(RR=5, MM=5), 3),
        (several(MR=6, RM=6, RM_RM=2, RM_MR=1), several(RR=5, MM=5), 1),
        # Two people with three rows each are two.
        (several(MR_MR_MR=2, RM=6), several(RR=5, MM=5) | {"a": "MR", "b": "MR", "c": "MR"}, 2),
    ],
    ids=["all", "one without", "three without", "one twice", "three twice", "one both ways", "two thrice"],
)
def test_who_changed_is_told_where_enough_have_as_many_rows_each_way_and_none(
    recorded_runners: dict, others: dict, cell: int
):
    material = of_feet(in_events(recorded_runners | others), **runs_of(recorded_runners))
    n_rows = sum(landed[0] != landed[1] for events in recorded_runners.values() for landed in events.split())
    assert by_name(material)["odds_ratio_equal_speed"].smallest_cell == cell
    assert released_landings(material, FILMED, least=3)["strike_changes"].height == (n_rows if cell >= 3 else 0)


@pytest.mark.parametrize("n_on_a_slope", [2, 3])
def test_slopes_are_told_where_enough_people_changed_each_way_at_each_event(n_on_a_slope: int):
    """A slope tells the event."""
    runners = several(MR=4, RM=4, MM_MR=n_on_a_slope, RR_RM=3)
    material = of_feet(in_events(runners | several(RR=3, MM=3)), **runs_of(runners, (0.0, 1.5)))
    changes = released_landings(material, FILMED, least=3)["strike_changes"]
    assert changes.height == 11 + n_on_a_slope
    assert changes["slope_change"].null_count() == (changes.height if n_on_a_slope < 3 else 0)
    rows = by_name(material)
    assert rows["odds_ratio_equal_speed_and_slope"].smallest_cell == n_on_a_slope


def test_a_group_s_runners_count_for_two_raters_at_each_event():
    feet = [
        row | {"date": date(2026, 3, 14 + number), "rater": "one"}
        for number in range(2)
        for row in pair("two people", "rearfoot", "rearfoot", n_runners=(2, 2))
    ]
    material = of_feet([*feet, *(row | {"rater": "two"} for row in feet)])
    assert by_name(material)["kappa"].smallest_cell == 4
    assert not released_landings(material, FILMED, least=3)["raters"].is_empty()


def test_raters_are_told_of_where_enough_people_are_and_not_enough_feet():
    feet = [row | {"rater": "one"} for row in in_events({"a": "RM RM RM", "b": "RM RM RM", "c": "RR RR RR"})]
    material = of_feet([*feet, *(row | {"rater": "two"} for row in feet[:-1])])
    assert by_name(material)["kappa"].smallest_cell == 2
    assert released_landings(material, FILMED, least=3)["raters"].is_empty()
    assert released_landings(material, FILMED, least=2)["raters"]["feet"].sum() == 17


def test_a_group_s_runners_count_at_each_event_since_no_one_knows_who_they_are():
    groups = [
        row | {"date": date(2026, 3, 14 + number)}
        for number in range(2)
        for row in [
            *pair("stayed", "rearfoot", "rearfoot", n_runners=(30, 30)),
            *pair("came", "midfoot", "rearfoot", n_runners=(6, 6)),
        ]
    ]
    rows = by_name(of_feet(groups))
    assert rows["share_early"].note == "72 runners in 2 events"
    assert rows["mcnemar_exact_statistic"].p_value == stats.binomtest(0, 12).pvalue


# --- Computed again from what is released ----------------------------------------------------------------------------

SCRIPTS = (shutil.which("python") or sys.executable, "recompute.py"), (shutil.which("Rscript"), "recompute.R")


def rich() -> Material:
    """Landings with everything: angles, two raters, recorded runs of runners who changed and some who did not."""
    feet, recordings, *_ = slowing(40)
    random = np.random.default_rng(4)
    feet += [
        row
        for number in range(20)
        for row in pair(f"s{number}", *(["rearfoot"] * 2 if number % 2 else ["forefoot"] * 2))
    ]
    for place, row in enumerate(feet):
        row |= {"rater": "one", "angle_deg": 8 + 5 * random.standard_normal() if place < 40 else None}
    second = [row | {"rater": "two", "angle_deg": None} for row in feet[:100]]
    for row in second[::7]:
        row["strike"] = "midfoot"
    for row in second[::13]:
        row["strike"] = "rearfoot"
    return of_feet([*feet, *second], **recordings)


def often() -> Material:
    """Runners in several events, with angles and speeds."""
    feet, recordings, _ = filmed_often(200, 2)
    return of_feet(feet, **recordings)


def hilly() -> Material:
    """Runners who changed, on courses that differ in slope."""
    feet, recordings, *_ = on_courses((-2.0, 0.0, 1.5))
    return of_feet(feet, **recordings)


@pytest.mark.parametrize(
    "material",
    [filmed(spring=SPRING), filmed(spring=3 * SPRING), rich(), hilly(), often(), of_feet(in_events({"a": "RM"}))],
    ids=["small", "table", "rich", "hilly", "often", "one person"],
)
@pytest.mark.parametrize("script", SCRIPTS, ids=lambda script: script[1])
def test_both_scripts_compute_each_number_from_what_is_released(
    script: tuple[str | None, str], material: Material, tmp_path: Path
):
    program, name = script
    if program is None:
        pytest.skip("R is not installed")
    statistics = landings(material, FILMED).statistics
    small = [row.smallest_cell is not None and row.smallest_cell < 3 for row in statistics]
    (tmp_path / "data").mkdir()
    suppress_in_results(results(statistics, "none"), small, 3).write_csv(tmp_path / "results.csv")
    about = {
        "analysis": "feet",
        "metric": "",
        "design": "landing",
        "unit": "athlete",
        "adjusted_for": "",
        "shared_se": 0.0,
    }
    pl.DataFrame([about | {"correction": "none", "split_km": 1.0}]).write_csv(tmp_path / "data" / "analyses.csv")
    tables = released_landings(material, FILMED, least=3)
    draws = _draws_of_changes(tables["angles"].height, material.seed)
    for table, rows in {**tables, "draws": draws}.items():
        if rows.height:
            named = rows.rename({"athlete_id": "athlete", "run_id": "run"}, strict=False)
            named.with_columns(analysis=pl.lit("feet")).write_csv(tmp_path / "data" / f"{table}.csv")
    done = subprocess.run(
        [program, shipped("data/recompute") / name, tmp_path], cwd=tmp_path, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stdout + done.stderr
    n_given = sum(not is_small for is_small in small)
    assert int(done.stdout.split(" ", 1)[0]) >= n_given
    assert (n_given > 0) is any(rows.height for rows in tables.values())
