from __future__ import annotations

from collections.abc import Callable
from math import exp

import numpy as np
import polars as pl
import pytest
from scipy import stats

from pipeline.core.errors import NothingDone
from pipeline.study.results import MOST_POINTS, AnalysisResult, Statistic
from pipeline.study.study_file import Analysis
from pipeline.study.trends import onsets, trend
from tests.support.cohorts import cohort_of

LINE = Analysis("line", "trend", ("contact_time_ms",))
FROM = Analysis("from where", "onset", ("contact_time_ms",))
#: Change of the logarithm per 10 km, an athlete.
SLOPES = (0.02, 0.03, 0.05, 0.01, 0.04)


def scattered(line: Callable[[int, int, float], float], sd: float = 0.002) -> Callable[[int, int, float], float]:
    """A line with errors of splits, the same in every test."""
    random = np.random.default_rng(5)
    return lambda athlete, run, km: 240 * exp(line(athlete, run, km) + sd * random.standard_normal())


def by_name(result: AnalysisResult) -> dict[str, Statistic]:
    return {statistic.statistic: statistic for statistic in result.statistics}


def test_the_mean_of_the_planted_slopes_is_found_whatever_the_levels_of_runs():
    def line(athlete: int, run: int, km: float) -> float:
        return SLOPES[athlete] * km / 10 + 0.1 * np.sin(3 * athlete + 5 * run) + 0.2 * athlete

    rows = by_name(trend(cohort_of(scattered(line), n_runs=3), LINE))
    slope = rows["slope_pct_per_10km"]
    assert slope.estimate == pytest.approx(100 * np.expm1(np.mean(SLOPES)), abs=0.05)
    assert slope.low is not None
    assert slope.high is not None
    assert slope.low < slope.estimate < slope.high  # type: ignore[operator]
    assert rows["sd_of_athletes_slopes_pct"].estimate == pytest.approx(100 * np.std(SLOPES, ddof=1), abs=0.1)
    assert rows["sd_of_splits_pct"].estimate == pytest.approx(0.2, abs=0.03)
    assert (slope.n_athletes, slope.n_runs) == (5, 15)


def test_long_runs_that_are_run_at_another_level_make_no_slope():
    def line(_athlete: int, run: int, _km: float) -> float:
        return 0.04 * run  # the longer the run, the longer the contact, from its first step

    rows = by_name(trend(cohort_of(scattered(line), n_runs=3, km=lambda _athlete, run: 8 + 6 * run), LINE))
    assert rows["slope_pct_per_10km"].estimate == pytest.approx(0, abs=0.1)


def test_speed_that_falls_is_a_slope_only_as_it_was_measured():
    def speed(athlete: int, _run: int, km: float) -> float:
        return 3 * exp(-0.03 * km / 10 + 0.01 * np.sin(km * (athlete + 1)))

    material = cohort_of(
        scattered(lambda athlete, run, km: -0.5 * np.log(speed(athlete, run, km) / 3)),
        speed_m_s=speed, response_to_speed=-0.5, n_runs=2,
    )  # fmt: skip
    measured = by_name(trend(material, Analysis(**vars(LINE) | {"adjust": ()})))["slope_pct_per_10km"]
    adjusted = by_name(trend(material, LINE))["slope_pct_per_10km"]
    assert adjusted.estimate == pytest.approx(0, abs=0.1)
    assert measured.estimate == pytest.approx(1.5, abs=0.2)


def test_an_error_of_the_responses_that_all_share_does_not_shrink_with_athletes():
    """All slow by 5 % per 10 km: 0.1 of the response moves every slope by 0.1 x log 0.95, however many athletes."""

    def speed(_athlete: int, _run: int, km: float) -> float:
        return 3 * 0.95 ** (km / 10)

    def slope(shared_se: float) -> Statistic:
        return by_name(
            trend(
                cohort_of(scattered(lambda *_: 0.0), n_athletes=30, speed_m_s=speed, shared_se=shared_se),
                LINE,
            )
        )["slope_pct_per_10km"]

    known, unsure = slope(0.0), slope(0.1)
    assert unsure.estimate == known.estimate
    assert "error of the responses" in unsure.method
    assert "error of the responses" not in known.method
    half_width = 100 * 1.96 * 0.1 * -np.log(0.95)
    assert known.high is not None
    assert known.low is not None
    assert known.high - known.low < 0.2
    assert unsure.high - unsure.low == pytest.approx(2 * half_width, rel=0.03)  # type: ignore[operator]


def test_pictures_of_the_residuals_come_with_it_and_stay_small():
    residuals, normal = trend(cohort_of(scattered(lambda *_: 0.0), n_athletes=4, n_runs=30), LINE).figures
    assert len(residuals.data["points"]) == len(normal.data["points"]) == MOST_POINTS
    assert "residuals" in residuals.title


def test_two_athletes_are_too_few_for_a_trend():
    with pytest.raises(NothingDone) as raised:
        trend(cohort_of(scattered(lambda *_: 0.0), n_athletes=2, n_runs=3), LINE)
    assert str(raised.value) == (
        "line: 2 athletes have contact time in 6 runs of the cohort; a trend needs at least 3."
    )


# --- From which distance ---------------------------------------------------------------------------------------------


def test_a_change_that_begins_at_km_12_is_found_there():
    def bent(athlete: int, _run: int, km: float) -> float:
        return 0.06 * max(km - 12, 0) / 10 * (1 + 0.2 * np.sin(athlete))

    (row,) = onsets(cohort_of(scattered(bent), n_athletes=9, n_runs=2, km=24), FROM).statistics
    assert row.estimate == pytest.approx(12, abs=1)
    assert row.low is not None
    assert row.high is not None
    assert row.low - 0.01 <= 12 <= row.high + 0.01
    assert row.p_value is not None
    assert row.p_value <= 0.05
    assert (row.n_athletes, row.n_runs) == (9, 18)


def test_where_the_line_is_straight_none_is_given_and_the_row_says_so():
    (row,) = onsets(
        cohort_of(scattered(lambda _athlete, _run, km: 0.03 * km / 10), n_athletes=9, km=24), FROM
    ).statistics
    assert (row.estimate, row.low, row.high) == (None, None, None)
    assert row.note == "no distance stands out: a straight line does as well"
    assert row.is_primary


def test_along_a_smooth_curve_there_is_no_distance_and_the_row_says_so_and_which_p_can_be_reached():
    (row,) = onsets(
        cohort_of(scattered(lambda _athlete, _run, km: 0.05 * (km / 10) ** 2), n_athletes=9, km=30), FROM
    ).statistics
    assert row.estimate is None
    assert row.p_value == pytest.approx(1 / 256)
    assert row.note == "the line is bent, but a smooth curve fits about as well: there is no distance to give"
    assert "9 athletes can reach p = 0.0039, and an onset is given at p <= 0.02" in row.method


def test_a_pace_that_breaks_in_all_athletes_makes_no_onset_of_an_error_that_they_share():
    """All slow by 4 % from km 12 to 24, and a response off by 0.2 bends the line of each by 0.8 %."""

    def speed(_athlete: int, _run: int, km: float) -> float:
        return 3.0 * exp(-0.04 * max(km - 12, 0) / 12)

    def found(shared_se: float) -> Statistic:
        value = scattered(lambda *where: 0.2 * np.log(speed(*where) / 3.0))
        material = cohort_of(value, n_athletes=9, n_runs=2, km=24, speed_m_s=speed, shared_se=shared_se)
        (row,) = onsets(material, FROM).statistics
        return row

    assert found(0.0).estimate == pytest.approx(12, abs=1)
    assert found(0.2).estimate is None
    assert found(0.2).p_value > 0.1  # type: ignore[operator]
    assert found(0.2).shared_se == pytest.approx(0.2 * 0.04 / 1.2, rel=0.1)


def test_six_athletes_are_too_few_for_an_onset():
    with pytest.raises(NothingDone, match="6 athletes have contact time in 6 runs of the cohort; an onset needs"):
        onsets(cohort_of(scattered(lambda *_: 0.0), n_athletes=6), FROM)


# --- Groups, covariates, other axes, a posterior ---------------------------------------------------------------------


def parts(result: AnalysisResult) -> dict[tuple[str, str], Statistic]:
    return {(statistic.statistic, statistic.part): statistic for statistic in result.statistics}


def test_groups_have_their_own_slopes_and_levels_and_their_difference_is_tested():
    athletes = pl.DataFrame({"athlete_id": [f"a{n:02}" for n in range(5)], "sex": ["f", "m", "m", "f", "m"]})
    levels = 0.05 * np.sin(2 * np.arange(5)) + [0, 0.1, 0.1, 0, 0.1]
    material = cohort_of(
        scattered(lambda athlete, _run, km: SLOPES[athlete] * km / 10 + levels[athlete]), n_runs=2, athletes=athletes
    )  # fmt: skip
    rows = parts(trend(material, Analysis(**vars(LINE) | {"group": "sex"})))
    women, men = np.array(SLOPES)[[0, 3]], np.array(SLOPES)[[1, 2, 4]]
    assert rows["slope_pct_per_10km", "sex m"].estimate == pytest.approx(100 * np.expm1(men.mean()), abs=0.05)
    difference = rows["slope_difference_pct", "sex m minus sex f"]
    assert difference.estimate == pytest.approx(100 * np.expm1(men.mean() - women.mean()), abs=0.05)
    pooled = stats.ttest_ind(men, women)
    assert difference.p_value == pytest.approx(pooled.pvalue, abs=0.02)
    # Levels at the mean distance: km 2 to 20.
    own = levels + 1.05 * np.array(SLOPES)
    level = rows["level_difference_pct", "sex m minus sex f"].estimate
    assert level == pytest.approx(100 * np.expm1(own[[1, 2, 4]].mean() - own[[0, 3]].mean()), abs=0.1)
    assert "log ~ 0 + sex + sex:km + (1 + km | athlete)" in difference.method


@pytest.mark.parametrize(
    ("along", "statistic", "expected"),
    [("min", "slope_pct_per_hour", 0.03 * 3 * 3.6 / 10), ("share", "slope_pct_per_run", 0.03 * 2)],
)
def test_a_trend_may_run_along_time_or_the_share_of_the_run(along: str, statistic: str, expected: float):
    """At 3 m/s and over 20 km 3 % per 10 km are 3.2 % per hour and 6 % per run."""
    material = cohort_of(scattered(lambda _athlete, _run, km: 0.03 * km / 10))
    rows = parts(trend(material, Analysis(**vars(LINE) | {"along": along})))
    assert rows[statistic, ""].estimate == pytest.approx(100 * np.expm1(expected), abs=0.1)


def test_speed_itself_may_be_what_changes():
    material = cohort_of(
        lambda *_: 240.0, speed_m_s=lambda athlete, _run, km: 3 * exp(-0.02 * km / 10 + 0.001 * np.sin(athlete + km))
    )
    speed = Analysis("pace", "trend", ("speed_m_s",), adjust=())
    assert parts(trend(material, speed))["slope_pct_per_10km", ""].estimate == pytest.approx(-1.98, abs=0.05)


def test_a_posterior_of_the_slope_stands_beside_its_interval():
    material = cohort_of(scattered(lambda athlete, _run, km: SLOPES[athlete] * km / 10), n_runs=2)
    rows = parts(trend(material, Analysis(**vars(LINE) | {"prior_sd_pct": 20.0})))
    slope, posterior = rows["slope_pct_per_10km", ""], rows["posterior_slope_pct_per_10km", ""]
    assert posterior.estimate == pytest.approx(slope.estimate, abs=0.05)
    assert (posterior.low, posterior.high) == pytest.approx((slope.low, slope.high), abs=0.7)
