from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from math import exp, log

import numpy as np
import polars as pl
import pytest
from scipy import stats

from pipeline.core.errors import NothingDone
from pipeline.methods.sample_size import change_components
from pipeline.study.material import Material
from pipeline.study.results import AnalysisResult, Statistic
from pipeline.study.stretches import percent
from pipeline.study.study_file import Analysis
from pipeline.study.windows import POWERS_ASKED, RUNS_ASKED, equivalent_windows, paired_windows, power
from tests.support.cohorts import cohort_of

CHANGES = (0.02, 0.05, -0.01, 0.03, 0.04)
ENDS = Analysis("ends", "paired_windows", ("contact_time_ms",), early_km=(1.0, 5.0), late_km=(15.0, 20.0))
QUARTERS = Analysis("quarters", "paired_windows", ("contact_time_ms",), windows="quarters")
ALIKE = Analysis("alike", "equivalence", ("contact_time_ms",), windows="quarters", margin_pct=2.0)


def by_half(changes: tuple[float, ...]) -> Callable[[int, int, float], float]:
    """240 ms up to km 10, and from there on each athlete's own change of the logarithm."""
    return lambda athlete, _run, km: 240.0 * (exp(changes[athlete]) if km > 10 else 1.0)


def by_name(result: object) -> dict[str, Statistic]:
    return {statistic.statistic: statistic for statistic in result.statistics}  # type: ignore[attr-defined]


@pytest.mark.parametrize("analysis", [ENDS, QUARTERS], ids=["stretches", "quarters"])
def test_the_planted_change_is_found_with_the_t_interval_of_scipy(analysis: Analysis):
    rows = by_name(paired_windows(cohort_of(by_half(CHANGES)), analysis))
    interval = stats.ttest_1samp(CHANGES, 0).confidence_interval()
    change = rows["change_pct"]
    assert change.estimate == pytest.approx(percent(float(np.mean(CHANGES))))
    assert (change.low, change.high) == pytest.approx((percent(interval.low), percent(interval.high)))
    assert rows["early_level"].estimate == pytest.approx(240.0)
    assert rows["late_level"].estimate == pytest.approx(240 * exp(float(np.mean(CHANGES))))


def test_p_is_that_of_all_patterns_of_signs():
    change = by_name(paired_windows(cohort_of(by_half(CHANGES)), ENDS))["change_pct"]
    exact = stats.permutation_test((CHANGES, np.zeros(5)), lambda x, y: np.mean(x - y), permutation_type="samples")
    assert change.p_value == pytest.approx(exact.pvalue)
    assert change.is_primary


def test_the_row_says_which_p_so_few_athletes_can_reach_and_where_it_contradicts_the_interval():
    def row(*changes: float) -> Statistic:
        material = cohort_of(by_half(changes), n_athletes=len(changes))
        return by_name(paired_windows(material, ENDS))["change_pct"]

    few = row(0.030, 0.031, 0.032, 0.033)
    assert few.low is not None
    assert few.low > 0
    assert few.p_value == pytest.approx(0.125)
    assert "4 athletes can reach p = 0.12" in few.method
    assert few.note.startswith("the interval excludes zero, but 4 units cannot reach p < 0.05")

    # One odd athlete: the t interval includes zero, all signs are the same.
    odd = row(0.01, 0.01, 0.011, 0.012, 0.009, 0.01, 0.2)
    assert odd.low is not None
    assert odd.low < 0
    assert odd.p_value == pytest.approx(1 / 64)
    assert odd.note.startswith("the interval includes zero and p is below 0.05")

    agreeing = row(0.03, 0.02, 0.025, 0.031, 0.022, 0.028, 0.026)
    assert agreeing.note == ""


def test_the_effect_is_in_standard_deviations_with_hedges_correction():
    effect = by_name(paired_windows(cohort_of(by_half(CHANGES)), ENDS))["d_z"].estimate
    # 0.798 is the exact correction with 4 degrees of freedom.
    assert effect == pytest.approx(0.7979 * np.mean(CHANGES) / np.std(CHANGES, ddof=1), rel=1e-3)


def test_the_comparable_size_is_over_the_sd_of_levels_and_not_of_changes():
    material = cohort_of(lambda athlete, _run, km: (230 + 5 * athlete) * exp(CHANGES[athlete] * (km > 10)))
    of_levels = by_name(paired_windows(material, ENDS))["d_av"]
    early = 230 + 5 * np.arange(5.0)
    late = early * np.exp(CHANGES)
    sd = (early.std(ddof=1) + late.std(ddof=1)) / 2
    assert of_levels.estimate == pytest.approx(0.7979 * (late - early).mean() / sd, rel=1e-3)
    assert of_levels.low < of_levels.estimate < of_levels.high  # type: ignore[operator]
    assert of_levels.estimate < by_name(paired_windows(material, ENDS))["d_z"].estimate  # type: ignore[operator]


def test_speed_alone_changing_is_no_change_once_it_is_taken_out_and_one_as_it_was_measured():
    def speed(athlete: int, _run: int, km: float) -> float:
        return 3.0 * exp(-0.01 * athlete * (km > 10))

    material = cohort_of(
        lambda athlete, run, km: 240 * (speed(athlete, run, km) / 3) ** -0.5, speed_m_s=speed, response_to_speed=-0.5
    )
    adjusted = by_name(paired_windows(material, ENDS))["change_pct"].estimate
    measured = by_name(paired_windows(material, Analysis(**vars(ENDS) | {"adjust": ()})))["change_pct"].estimate
    assert adjusted == pytest.approx(0, abs=1e-9)
    assert measured == pytest.approx(percent(0.5 * 0.01 * np.mean(range(5))))


def test_an_error_of_the_responses_that_all_share_is_in_the_intervals_of_changes_and_in_p():
    def speed(_athlete: int, _run: int, km: float) -> float:
        return 3.0 * exp(-0.05 * (km > 10))

    def change(
        analyse: Callable[[Material, Analysis], AnalysisResult], analysis: Analysis, shared_se: float, mean: float = 0.0
    ) -> Statistic:
        value = by_half((mean + 0.001, mean - 0.001) * 20)
        return by_name(analyse(cohort_of(value, n_athletes=40, speed_m_s=speed, shared_se=shared_se), analysis))[
            "change_pct"
        ]

    known, unsure = (change(paired_windows, ENDS, shared_se) for shared_se in (0.0, 0.2))
    assert known.high == pytest.approx(0.0, abs=0.05)
    assert unsure.high == pytest.approx(100 * 1.96 * 0.2 * 0.05, rel=0.03)
    assert (known.way, unsure.way) == ("signs_drawn", "t")
    moved = change(paired_windows, ENDS, 0.2, mean=0.0196 * 0.5)
    assert moved.p_value == pytest.approx(2 * stats.norm.sf(0.98), abs=0.01)
    assert moved.note == ""
    within = Analysis(**vars(ENDS) | {"design": "equivalence", "margin_pct": 1.0})
    known, unsure = (change(equivalent_windows, within, shared_se) for shared_se in (0.0, 0.2))
    assert known.note.startswith("equivalent")
    assert unsure.note.startswith("not shown")


def test_by_athletes_runs_are_averaged_first_and_by_runs_each_counts():
    uneven = cohort_of(lambda athlete, run, km: 240 * exp(0.01 * (athlete + run) * (km > 10)), n_athletes=3, n_runs=4)
    by_athlete = by_name(paired_windows(uneven, ENDS))["change_pct"]
    by_run = by_name(paired_windows(uneven, Analysis(**vars(ENDS) | {"unit": "run"})))["change_pct"]
    assert (by_athlete.n_athletes, by_athlete.n_runs, by_run.n_runs) == (3, 12, 12)
    assert "runs of the same athlete are correlated" in by_run.note
    assert "correlated" not in by_athlete.note


def test_who_did_not_reach_the_late_stretch_is_not_counted():
    rows = by_name(paired_windows(cohort_of(by_half(CHANGES), km=lambda athlete, _run: 14 + 2 * athlete), ENDS))
    assert (rows["change_pct"].n_athletes, rows["change_pct"].n_runs) == (4, 4)


def test_a_figure_has_a_line_an_athlete_and_no_name():
    (figure,) = paired_windows(cohort_of(by_half(CHANGES)), ENDS).figures
    pairs = figure.data["pairs"]
    assert {point["unit"] for point in pairs} == {0, 1, 2, 3, 4}
    late = [point["value"] for point in pairs if point["stretch"] == "late"]
    assert late == pytest.approx(sorted(240 * exp(change) for change in CHANGES))  # in no order of names


def test_a_stretch_that_nobody_reached_is_refused_with_how_far_they_came():
    with pytest.raises(NothingDone) as raised:
        paired_windows(cohort_of(by_half(CHANGES), km=12), ENDS)
    assert str(raised.value) == (
        "ends: 0 athletes have contact time both from km 1 to 5 and from km 15 to 20; at least 2 are needed. 5 runs of "
        "5 athletes have it anywhere, the longest to km 12; splits of the warm-up are left out."
    )


def test_one_athlete_alone_is_refused():
    with pytest.raises(NothingDone, match="1 athletes have contact time in the first and in the last quarter"):
        paired_windows(cohort_of(by_half(CHANGES), n_athletes=1, n_runs=3), QUARTERS)


def test_a_metric_that_nobody_recorded_is_refused_with_counts():
    splits = cohort_of(by_half(CHANGES)).splits.with_columns(contact_time_ms=pl.lit(None, dtype=pl.Float64))
    with pytest.raises(NothingDone, match="Of 5 runs of the cohort 0 recorded it; 5 of 5 athletes have responses"):
        paired_windows(cohort_of(by_half(CHANGES), splits=splits), QUARTERS)


# --- Early and late otherwise than by kilometres; groups and covariates -----------------------------------------------


def test_minutes_follow_the_clock_of_each_run():
    """At 10 and 20 km/h minutes 6 to 12 and 30 to 36 are kilometre 2 and 6, or kilometres 3 to 4 and 11 to 12."""
    by_time = Analysis("time", "paired_windows", ENDS.metrics, adjust=(), early_min=(6.0, 12.0), late_min=(30.0, 36.0))
    material = cohort_of(
        lambda athlete, _run, km: 240 * exp(0.01 * km + 1e-4 * athlete),
        speed_m_s=lambda athlete, *_: (1 + athlete % 2) * 10 / 3.6, n_athletes=4,
    )  # fmt: skip
    assert by_name(paired_windows(material, by_time))["change_pct"].estimate == pytest.approx(percent(0.06))


def test_early_and_late_may_be_different_runs_at_a_fixed_speed():
    """Before and after: each at 3 m/s in its first half, and faster in its second, which does not count."""
    tests = Analysis(
        "tests", "paired_windows", ENDS.metrics, adjust=(), speed_m_s=(2.9, 3.1),
        early_tags=("test=before",), late_tags=("test=after", "done=yes"),
    )  # fmt: skip
    material = cohort_of(
        lambda athlete, run, km: 240 * exp((run % 2) * CHANGES[athlete] - 0.1 * (km > 5)), n_runs=3, km=10,
        speed_m_s=lambda _athlete, _run, km: 3.0 if km < 5 else 4.0,
    )  # fmt: skip
    tags = pl.Series(["test=before", "test=after; done=yes", "test=after"] * 5)
    rows = by_name(paired_windows(replace(material, runs=material.runs.with_columns(tags=tags)), tests))
    assert rows["change_pct"].estimate == pytest.approx(percent(float(np.mean(CHANGES))))
    assert (rows["change_pct"].n_athletes, rows["change_pct"].n_runs) == (5, 10)


def test_groups_have_their_own_changes_and_a_difference_and_a_covariate_its_effect():
    athletes = pl.DataFrame(
        {"athlete_id": [f"a{n:02}" for n in range(5)], "sex": ["f", "m", "m", "f", "m"], "age": [30.0, 40, 35, 50, 25]}
    )
    material = cohort_of(by_half(CHANGES), athletes=athletes)
    rows = {
        (row.statistic, row.part): row
        for row in paired_windows(material, Analysis(**vars(ENDS) | {"group": "sex"})).statistics
    }
    women, men = np.array(CHANGES)[[0, 3]], np.array(CHANGES)[[1, 2, 4]]
    interval = stats.ttest_1samp(men, 0).confidence_interval()
    of_men, difference = rows["change_pct", "sex m"], rows["change_difference_pct", "sex m minus sex f"]
    assert (of_men.low, of_men.high) == pytest.approx((percent(interval.low), percent(interval.high)))
    assert (of_men.n_athletes, of_men.is_primary, of_men.smallest_cell) == (3, False, 2)
    assert difference.estimate == pytest.approx(percent(men.mean() - women.mean()))
    assert rows["change_pct", ""].estimate == pytest.approx(percent((men.mean() + women.mean()) / 2))
    assert "change ~ 0 + sex" in difference.method
    by_age = {
        (row.statistic, row.part): row
        for row in paired_windows(material, Analysis(**vars(ENDS) | {"covariates": ("age",)})).statistics
    }
    slope = stats.linregress(athletes["age"], CHANGES).slope
    assert by_age["change_by_covariate_pct", "per year of age"].estimate == pytest.approx(percent(slope))


def test_a_posterior_stands_beside_the_interval_and_a_narrow_prior_draws_it_in():
    def posterior(sd: float) -> tuple[Statistic, Statistic]:
        analysis = Analysis(**vars(ENDS) | {"prior_sd_pct": sd, "prior_scatter_pct": 2.0})
        rows = by_name(paired_windows(cohort_of(by_half(CHANGES)), analysis))
        return rows["posterior_change_pct"], rows["probability_above_zero"]

    interval = by_name(paired_windows(cohort_of(by_half(CHANGES)), ENDS))["change_pct"]
    (wide, above), (narrow, _) = posterior(20.0), posterior(0.5)
    assert wide.estimate == pytest.approx(interval.estimate, abs=0.05)
    assert (wide.low, wide.high) == pytest.approx((interval.low, interval.high), abs=0.7)
    assert above.estimate > 0.95  # type: ignore[operator]
    assert 0 < narrow.estimate < wide.estimate / 2  # type: ignore[operator]
    assert wide.p_value is None


# --- Less than a margin ----------------------------------------------------------------------------------------------


def test_equivalence_is_two_one_sided_t_tests_with_the_interval_of_90_percent():
    changes = (0.004, -0.006, 0.010, 0.001, 0.006)
    row = by_name(equivalent_windows(cohort_of(by_half(changes)), ALIKE))["change_pct"]
    interval = stats.ttest_1samp(changes, 0).confidence_interval(0.90)
    above = stats.ttest_1samp(changes, -log(1.02), alternative="greater").pvalue
    below = stats.ttest_1samp(changes, log(1.02), alternative="less").pvalue
    assert (row.low, row.high) == pytest.approx((percent(interval.low), percent(interval.high)))
    assert row.p_value == pytest.approx(max(above, below))
    assert (row.level, row.note) == (0.90, "equivalent within 2 %")


def test_a_change_that_may_be_larger_is_not_called_equivalent():
    row = by_name(equivalent_windows(cohort_of(by_half(CHANGES)), ALIKE))["change_pct"]
    assert row.note == "not shown to be equivalent within 2 %"
    assert row.p_value is not None
    assert row.p_value > 0.05


# --- How many athletes -----------------------------------------------------------------------------------------------


def test_power_rests_on_the_scatter_between_and_within_athletes_and_more_runs_need_fewer_athletes():
    def late(athlete: int, run: int) -> float:
        return 0.02 * np.sin(athlete) + 0.03 * np.sin(7 * athlete + 3 * run)

    material = cohort_of(lambda athlete, run, km: 240 * exp(late(athlete, run) * (km > 10)), n_athletes=12, n_runs=4)
    table = power(material, ENDS)
    between, within = change_components(
        [athlete for athlete in range(12) for _ in range(4)],
        [100 * late(athlete, run) for athlete in range(12) for run in range(4)],
    )
    assert table["between_sd_pct"].to_list() == pytest.approx([between] * 10, abs=1e-4)
    assert table["within_sd_pct"].to_list() == pytest.approx([within] * 10, abs=1e-4)
    for wanted in POWERS_ASKED:
        needed = table.filter(power=wanted).sort("n_runs")
        assert needed["n_runs"].to_list() == list(RUNS_ASKED)
        assert needed["n_athletes"].is_sorted(descending=True)
        assert needed["n_athletes"].n_unique() > 2
    assert (table.filter(power=0.9)["n_athletes"] >= table.filter(power=0.8)["n_athletes"]).all()
