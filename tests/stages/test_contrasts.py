"""Stage `contrasts`: surface against surface and shoe against shoe, runs being the unit."""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np
import polars as pl
import pytest
from scipy import stats
from statsmodels.api import WLS

from pipeline.core.settings import Settings
from pipeline.stages.contrasts import FEWEST_RUNS_PER_SIDE, NOTE, contrasts
from pipeline.stages.drift import drift
from pipeline.tables import publishable
from tests.support.season import Form, Season, draw

Run = tuple[str | None, str | None, float, float]
ROAD, TRAIL = [200.0, 202.0, 204.0, 203.0], [210.0, 208.0, 215.0]


def compared(
    *runs: Run,
    errors: float = 0.5,
    level_shared: list[list[float]] | None = None,
    metric: str = "contact_time_ms",
    after_ride: list[bool] | None = None,
    tags: list[str | None] | None = None,
    days: list[int] | None = None,
) -> list[dict[str, object]]:
    """Rows of an athlete whose runs have (surface, shoe, level, drift)."""
    names = [f"run {place:02}" for place in range(len(runs))]
    run_drifts = pl.DataFrame(
        {
            "run_id": names, "athlete_id": "ari", "metric": metric,
            "fresh_level": [one[2] for one in runs], "drift_pct_per_10km": [one[3] for one in runs],
            "within_run_se_pct_per_10km": errors, "drift_shared": [[0.0]] * len(runs),
            "level_shared": level_shared or [[0.0]] * len(runs),
        }
    )  # fmt: skip
    described = pl.DataFrame(
        {
            "run_id": names,
            # Unless said otherwise both sides were run all the time.
            "started_at_utc": [datetime(2026, 5, day, tzinfo=UTC) for day in days or [1] * len(runs)],
            "surface": [one[0] for one in runs],
            "shoe_id": [one[1] for one in runs],
            "after_ride": after_ride or [False] * len(runs),
            "tags": tags or [None] * len(runs),
        },
        schema_overrides={"surface": pl.String, "shoe_id": pl.String, "tags": pl.String},
    )
    return publishable("contrasts", contrasts(run_drifts, described), subject="ari").rows(named=True)


def surfaces(**levels: list[float]) -> list[Run]:
    return [(surface, None, level, 1.0) for surface, of_it in levels.items() for level in of_it]


# --- Levels ----------------------------------------------------------------------------------------------------------


def test_the_difference_is_of_mean_log_levels_with_welchs_interval_as_scipy_has_it():
    (row,) = compared(*surfaces(road=ROAD, trail=TRAIL))
    theirs = stats.ttest_ind(np.log(TRAIL), np.log(ROAD), equal_var=False).confidence_interval(0.95)
    assert row["difference_pct"] == pytest.approx(100 * np.expm1(np.log(TRAIL).mean() - np.log(ROAD).mean()), abs=6e-4)
    assert (row["low"], row["high"]) == pytest.approx(tuple(100 * np.expm1(theirs)), abs=6e-4)
    assert (row["factor"], row["compared"], row["reference"]) == ("surface", "trail", "road")
    assert (row["n_runs"], row["n_runs_reference"], row["note"]) == (3, 4, NOTE)


def test_levels_that_are_all_the_same_differ_by_nothing():
    (row,) = compared(*surfaces(road=[200.0] * 4, trail=[200.0] * 3))
    assert (row["difference_pct"], row["low"], row["high"]) == (0.0, 0.0, 0.0)


@pytest.mark.parametrize(("n_trail", "n_rows"), [(2, 0), (3, 1)])
def test_a_surface_needs_three_runs(n_trail: int, n_rows: int):
    assert FEWEST_RUNS_PER_SIDE == 3
    assert len(compared(*surfaces(road=ROAD, trail=TRAIL[:n_trail]))) == n_rows


@pytest.mark.parametrize("n_road", [2, 3])
def test_two_surfaces_are_needed_with_three_runs_each(n_road: int):
    assert len(compared(*surfaces(road=ROAD[:n_road], trail=TRAIL))) == (n_road == 3)


def test_the_reference_is_the_surface_with_most_runs():
    rows = compared(*surfaces(grass=TRAIL, road=TRAIL, trail=ROAD))
    assert [(row["compared"], row["reference"]) for row in rows] == [("grass", "trail"), ("road", "trail")]


def test_of_surfaces_with_as_many_runs_the_first_in_the_alphabet_is_the_reference():
    rows = compared(*surfaces(trail=TRAIL, road=TRAIL, grass=TRAIL))
    assert [(row["compared"], row["reference"]) for row in rows] == [("road", "grass"), ("trail", "grass")]


def test_runs_of_which_nothing_is_said_do_not_enter():
    silent: Run = (None, None, 500.0, 9.0)
    with_silent, without = (compared(*surfaces(road=ROAD, trail=TRAIL), *more) for more in ([silent] * 5, []))
    assert with_silent == without


def test_shoes_are_compared_like_surfaces():
    by_surface = compared(*surfaces(road=ROAD, trail=TRAIL))[0]
    by_shoe = compared(*[(None, shoe, level, rate) for shoe, _, level, rate in surfaces(road=ROAD, trail=TRAIL)])[0]
    assert {**by_surface, "factor": "shoe"} == by_shoe


def plain(*levels: float) -> list[Run]:
    return [(None, None, level, 1.0) for level in levels]


def test_runs_off_the_bike_are_compared_with_runs_from_rest_however_many_they_are():
    rows = compared(*plain(*TRAIL, *ROAD), after_ride=[False] * 3 + [True] * 4)
    assert [(row["factor"], row["compared"], row["reference"]) for row in rows] == [("ride", "after_ride", "from_rest")]
    assert rows[0]["difference_pct"] == pytest.approx(
        100 * np.expm1(np.log(ROAD).mean() - np.log(TRAIL).mean()), abs=6e-4
    )
    assert str(rows[0]["note"]).startswith("observational")


def test_each_tag_is_a_factor_of_its_own_and_runs_without_it_do_not_enter():
    tags = ["team=north; weather=heat"] * 3 + ["weather=rain"] * 3 + [None]
    rows = compared(*plain(*TRAIL, *ROAD), tags=tags)  # type: ignore[arg-type]
    assert [(row["factor"], row["compared"], row["reference"]) for row in rows] == [("weather", "rain", "heat")]


# --- What the two sides lean on --------------------------------------------------------------------------------------


def test_an_error_of_the_responses_that_both_sides_share_alike_adds_nothing():
    runs = surfaces(road=ROAD, trail=TRAIL)
    assert compared(*runs, level_shared=[[0.1, 0.2]] * 7) == compared(*runs)


def test_one_that_lies_between_the_sides_is_added_as_worked_out_by_hand():
    # All levels alike, so nothing but the shared error of 0.02 lies between the sides; 7 runs, so 6 degrees of freedom.
    runs = surfaces(road=[200.0] * 4, trail=[200.0] * 3)
    (row,) = compared(*runs, level_shared=[[0.0]] * 4 + [[0.02]] * 3)
    assert row["high"] == pytest.approx(100 * np.expm1(0.02 * stats.t.ppf(0.975, 6)), abs=6e-4)


def test_a_slower_surface_on_which_form_follows_speed_alone_shows_no_difference():
    """Trail runs are 20 % slower; contact time follows speed; at equal speed nothing is left."""
    season = Season(n_runs=8, km=(12, 12), split_speed_sd_pct=3.0, contact=Form(level=260.0, per_speed=-0.6))
    splits = draw(season, 1, only=("contact_time_ms",)).with_columns(
        is_trail=pl.col("run_id").str.slice(-1).is_in(["1", "3", "5"])
    )
    slowed = splits.with_columns(
        speed_m_s=pl.when("is_trail").then(pl.col("speed_m_s") * 0.8).otherwise("speed_m_s"),
        contact_time_ms=pl.when("is_trail").then(pl.col("contact_time_ms") * 0.8**-0.6).otherwise("contact_time_ms"),
    )
    run_drifts, _ = drift(
        slowed.drop("is_trail"),
        inclusion=Settings().inclusion,
        max_collinearity=0.9,
        seed=1,
    )
    runs = splits.group_by("run_id").agg(
        surface=pl.when(pl.col("is_trail").first()).then(pl.lit("trail")).otherwise(pl.lit("road")),
        started_at_utc=pl.lit(datetime(2026, 5, 1, tzinfo=UTC)),
        shoe_id=pl.lit(None, dtype=pl.String), after_ride=pl.lit(value=False), tags=pl.lit(None, dtype=pl.String),
    )  # fmt: skip
    (row,) = contrasts(run_drifts, runs).rows(named=True)
    raw = slowed.group_by("is_trail").agg(pl.col("contact_time_ms").log().mean()).sort("is_trail")["contact_time_ms"]
    assert raw[1] - raw[0] > 0.1
    assert row["difference_pct"] == pytest.approx(0.0, abs=1e-6)


# --- Drifts ----------------------------------------------------------------------------------------------------------


def test_the_difference_in_drift_is_that_of_the_means_where_runs_are_equally_sure():
    road, trail = (1.0, 2.0, 6.0), (4.0, 8.0, 9.0)
    runs = [(surface, None, 200.0, rate) for surface, of_it in (("road", road), ("trail", trail)) for rate in of_it]
    (row,) = compared(*runs, errors=1e-3)
    assert row["drift_difference_pct_per_10km"] == 4.0
    side = np.repeat([0.0, 1.0], 3)
    theirs = WLS([*road, *trail], np.column_stack([np.ones(6), side])).fit().conf_int()[1]
    assert (row["drift_difference_low"], row["drift_difference_high"]) == pytest.approx(tuple(theirs), abs=6e-4)


def test_drifts_without_errors_of_their_own_are_not_compared_but_levels_are():
    (row,) = compared(*surfaces(road=ROAD, trail=TRAIL), errors=0.0)
    assert row["drift_difference_pct_per_10km"] is row["drift_difference_low"] is row["drift_difference_high"] is None
    assert row["difference_pct"] > 3


# --- The note --------------------------------------------------------------------------------------------------------


def notes(shoes_on_road: str, shoes_on_trail: str) -> dict[str, str]:
    runs: list[Run] = [("road", shoe, 200.0, 1.0) for shoe in shoes_on_road]
    runs += [("trail", shoe, 201.0, 1.0) for shoe in shoes_on_trail]
    return {str(row["factor"]): str(row["note"]) for row in compared(*runs)}


def test_where_the_shoe_always_changed_with_the_surface_both_notes_say_so():
    end = "so their effects cannot be told apart"
    assert notes("aaaa", "bbb") == {
        "surface": f"{NOTE}; the shoe always changed with the surface, {end}",
        "shoe": f"{NOTE}; the surface always changed with the shoe, {end}",
    }


@pytest.mark.parametrize(
    ("days", "said"),
    [
        ([1, 2, 3, 4, 5, 6, 7], "; every run with road came before the others, so whatever else changed over time"),
        ([5, 6, 7, 8, 1, 2, 3], "; every run with trail came before the others, so whatever else changed over time"),
        ([1, 2, 3, 5, 4, 6, 7], None),
        ([1, 2, 3, 4, 4, 5, 6], None),
    ],
)
def test_where_all_runs_of_one_side_came_first_the_note_says_so(days: list[int], said: str | None):
    (row,) = compared(*surfaces(road=ROAD, trail=TRAIL), days=days)
    assert str(row["note"]).startswith(NOTE + (said or ""))
    assert (row["note"] == NOTE) == (said is None)


def test_one_run_that_has_the_shoe_of_the_other_surface_is_enough_to_leave_it_out():
    assert notes("aaaab", "bbb") == {"surface": NOTE, "shoe": NOTE}
