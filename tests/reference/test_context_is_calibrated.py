"""Stages `pacing`, `contrasts`, `season_slope` and the months of `season_trend` on hundreds of invented athletes.

Seeded. Surfaces, shoes and dates are given to runs without looking at them, so that the truth of every contrast and
trend is nought. A bound fails only when the whole Wilson interval of a figure lies outside it. Of 250 athletes, as in
depth, it does where they hold the truth 88 times of a hundred or less; of 500, it were 89.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from functools import cache

import polars as pl
import pytest

from pipeline.core.settings import Settings
from pipeline.stages.contrasts import contrasts
from pipeline.stages.drift import drift
from pipeline.stages.pacing import pacing
from pipeline.stages.season_slope import season_slope
from pipeline.stages.summaries import season_trend
from tests.support.season import EXACTLY_MEASURED, draw, without_onsets_of_runs

pytestmark = pytest.mark.slow
depth = pytest.mark.depth

ENTER = {
    "inclusion": Settings().inclusion,
    # The seasons here have exact speed and no warm-up.
    "speed_error_pct": 0.0,
    "warm_up_effect_pct": 0.0,
}
CLUB = EXACTLY_MEASURED.with_contact(drift_pct=2.0)
SEASON_DAYS = 150


def assert_holds(
    rows: pl.DataFrame,
    low: str,
    high: str,
    *,
    truth: float = 0.0,
    lowest: float = 92,
    highest: float = 97,
    n_athletes: int = 250,
) -> None:
    """The intervals hold the truth as often as they should; at least four for every five athletes."""
    given = rows.drop_nulls([low, high])
    n = given.height
    assert n >= 0.8 * n_athletes
    share = given.filter(pl.col(low) <= truth, pl.col(high) >= truth).height / n
    z = 1.959964
    middle = (share + z**2 / (2 * n)) / (1 + z**2 / n)
    reach = z * (share * (1 - share) / n + z**2 / (4 * n**2)) ** 0.5 / (1 + z**2 / n)
    assert 100 * (middle + reach) >= lowest, f"{100 * share:.1f} % of {n}, wanted at least {lowest} %"
    assert 100 * (middle - reach) <= highest, f"{100 * share:.1f} % of {n}, wanted at most {highest} %"


def seasons(*n_runs: int) -> pytest.MarkDecorator:
    """Runs of an athlete, and athletes: 100 with 12 runs, whose Wilson intervals are wider, and in depth 250."""
    in_depth = (pytest.param(n, 250, marks=depth) for n in n_runs)
    return pytest.mark.parametrize(("n_runs", "n_athletes"), [(12, 100), *in_depth])


@cache
@without_onsets_of_runs()
def season(n_runs: int, n_athletes: int, own_drift_sd_pct: float = 1.0) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Rows of run_drift for contact time, and of runs: spread over the season, a quarter on trails, shoes in turn."""
    club = CLUB.but(n_runs=n_runs, n_athletes=n_athletes).with_contact(own_drift_sd_pct=own_drift_sd_pct)
    splits = draw(club, 12, only=("contact_time_ms",))
    place = pl.col("run_id").str.slice(-3).cast(pl.Int64)
    day = pl.duration(days=place * (SEASON_DAYS // n_runs))
    runs = splits.select(pl.col("run_id").unique(maintain_order=True)).with_columns(
        started_at_utc=pl.lit(datetime(2026, 1, 5, tzinfo=UTC) + timedelta(hours=9)) + day,
        surface=pl.when(place % 4 == 0).then(pl.lit("trail")).otherwise(pl.lit("road")),
        shoe_id=pl.when(place % 2 == 0).then(pl.lit("lantern")).otherwise(pl.lit("slipway")),
        tags=pl.lit(None, dtype=pl.String),
        after_ride=pl.lit(value=False),
    )
    return drift(splits, **ENTER, max_collinearity=0.9, seed=1)[0], runs


@seasons(4, 12, 24)
def test_the_change_of_speed_is_held_by_its_interval(n_runs: int, n_athletes: int):
    """Runs of 5 to 40 km whose pace fades by 2 % in 10 km, more or less."""
    rows = pacing(
        draw(CLUB.but(n_runs=n_runs, n_athletes=n_athletes), 11, only=("cadence_spm",)), inclusion=Settings().inclusion
    )
    assert_holds(rows, "speed_low", "speed_high", truth=-2.0, highest=100, n_athletes=n_athletes)
    # Where walking breaks are rare the runs hardly differ, and few degrees of freedom make the interval generous.
    assert_holds(rows, "walk_low", "walk_high", highest=100, n_athletes=n_athletes)


@seasons(12, 24)
@pytest.mark.parametrize("factor", ["surface", "shoe"])
def test_surfaces_and_shoes_that_do_nothing_are_held_to_do_nothing(n_runs: int, n_athletes: int, factor: str):
    rows = contrasts(*season(n_runs, n_athletes)).filter(factor=factor)
    assert_holds(rows, "low", "high", highest=98, n_athletes=n_athletes)
    assert_holds(rows, "drift_difference_low", "drift_difference_high", highest=98, n_athletes=n_athletes)


@seasons(12)
def test_a_shoe_that_lengthens_contact_is_held_by_its_interval(n_runs: int, n_athletes: int):
    run_drifts, runs = season(n_runs, n_athletes)
    lengthened = run_drifts.join(runs, on="run_id").with_columns(
        fresh_level=pl.when(shoe_id="lantern").then(pl.col("fresh_level") * 1.04).otherwise("fresh_level")
    )
    rows = contrasts(lengthened.select(run_drifts.columns), runs).filter(factor="shoe")
    sign = pl.when(compared="lantern").then(1.0).otherwise(-1.0)
    truth = 100 * ((1.04**sign) - 1)
    moved = rows.with_columns(low=pl.col("low") - truth, high=pl.col("high") - truth)
    assert_holds(moved, "low", "high", highest=98, n_athletes=n_athletes)
    seen = rows.filter((pl.col("low") > 0) | (pl.col("high") < 0)).height
    # Runs scatter by 1.5 % in level, and by more where a long run's own drift is reckoned back to its beginning.
    assert seen / rows.height > 0.7


@seasons(6, 12, 24)
def test_a_season_without_trend_is_held_to_have_none(n_runs: int, n_athletes: int):
    # How alike neighbouring runs are is unknown, so that the interval is generous where they are independent.
    assert_holds(
        season_slope(*season(n_runs, n_athletes)), "change_low", "change_high", highest=100, n_athletes=n_athletes
    )


@depth
def test_where_runs_are_all_alike_the_interval_of_the_trend_is_rather_too_wide():
    rows = season_slope(*season(12, 250, own_drift_sd_pct=0.0))
    assert_holds(rows, "change_low", "change_high", lowest=96, highest=100)


@depth
def test_a_drift_that_shrinks_by_half_a_point_a_month_is_found():
    run_drifts, runs = season(24, 250)
    month = (pl.col("started_at_utc") - pl.col("started_at_utc").min()).dt.total_seconds() / 86_400 / 30.44
    shrinking = run_drifts.join(runs, on="run_id").with_columns(
        drift_pct_per_10km=pl.col("drift_pct_per_10km") - 0.5 * month
    )
    rows = season_slope(shrinking.select(run_drifts.columns), runs)
    assert_holds(rows, "change_low", "change_high", truth=-0.5)
    # 60 % were runs known to be independent.
    assert rows.filter(pl.col("change_high") < 0).height / rows.height > 0.35


@seasons(6, 12, 24)
def test_the_drift_of_a_month_is_held_by_its_interval(n_runs: int, n_athletes: int):
    assert_holds(
        season_trend(*season(n_runs, n_athletes)),
        "drift_low",
        "drift_high",
        truth=2.0,
        highest=99,
        n_athletes=n_athletes,
    )
