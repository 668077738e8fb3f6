"""Stage `pacing`: how speed changes along runs, what that is made of, and how walking changes."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import polars as pl
import pytest
from scipy import stats

from pipeline.core.inclusion import Inclusion
from pipeline.core.settings import Settings
from pipeline.stages.pacing import pacing
from pipeline.tables import publishable
from tests.support.season import ORDINARY, Season, draw


def but(**numbers: float) -> Inclusion:
    """The usual rule of inclusion, with other numbers."""
    return replace(Settings().inclusion, **numbers)


NUMBERS = {
    "inclusion": Settings().inclusion,
}
CADENCE = ("cadence_spm",)


def of(splits: pl.DataFrame, **numbers: float) -> dict[str, float]:
    """The row of the only athlete."""
    (row,) = pacing(splits, **(NUMBERS | numbers)).rows(named=True)
    return row


def runs(*run_shares: list[float]) -> pl.DataFrame:
    """Runs of whole kilometres at an even pace, with these shares of running from the first kilometre on."""
    season = Season(n_runs=len(run_shares), km=(len(run_shares[0]),) * 2)
    shares = pl.Series(np.concatenate(run_shares))
    return draw(season, 1, only=CADENCE).with_columns(run_share=shares)


# --- Speed -----------------------------------------------------------------------------------------------------------


def test_a_pace_that_fades_in_a_straight_line_is_given_back():
    row = of(draw(Season(n_runs=5, km=(8, 30), run_speed_sd_pct=5.0, fade_pct=-4.0), 1, only=CADENCE))
    for name in ("speed_pct_per_10km", "speed_low", "speed_high"):
        assert row[name] == pytest.approx(-4.0, abs=1e-9)


@pytest.mark.parametrize("seed", range(5))
def test_cadence_and_step_length_multiply_to_speed_exactly(seed: int):
    row = of(draw(ORDINARY.but(n_runs=8), seed, only=CADENCE))
    speed, cadence, step = (
        1 + row[name] / 100 for name in ("speed_pct_per_10km", "cadence_part_pct", "step_length_part_pct")
    )
    assert np.log(speed) == pytest.approx(np.log(cadence) + np.log(step), abs=1e-13)
    assert min(abs(speed - 1), abs(cadence - 1), abs(step - 1)) > 1e-4


def test_the_step_length_that_was_recorded_changes_as_the_part_says():
    splits = draw(ORDINARY.but(n_runs=8), 3, only=("cadence_spm", "step_length_m"))
    instead = splits.with_columns(cadence_spm="step_length_m")
    assert of(splits)["step_length_part_pct"] == pytest.approx(of(instead)["cadence_part_pct"], abs=1e-10)


def test_with_even_runs_all_three_are_the_means_of_the_runs_own_slopes_and_leaving_out_gives_students_interval():
    # Runs alike in length and place, so that all weigh the same: the jackknife is then the error of a mean.
    season = Season(n_runs=7, km=(15, 15), split_speed_sd_pct=1.0, fade_pct=-3.0, fade_sd_pct=2.0)
    splits = draw(season, 4, only=CADENCE)
    row = of(splits)
    slopes = {
        name: [
            stats.linregress((run["km"] - 0.5) / 10, run[column].log())[0]
            for run in splits.filter(pl.col("km") > 1).partition_by("run_id")
        ]
        for name, column in (("speed", "speed_m_s"), ("cadence_part", "cadence_spm"))
    }
    for name, own in slopes.items():
        ends = stats.t.interval(0.95, 6, np.mean(own), stats.sem(own))
        assert (row[f"{name}_low"], row[f"{name}_high"]) == pytest.approx(tuple(100 * np.expm1(ends)), rel=0.02)
    assert row["cadence_part_pct"] == pytest.approx(100 * np.expm1(np.mean(slopes["cadence_part"])), rel=0.01)


def test_without_cadence_speed_is_given_and_its_parts_are_not():
    row = of(draw(ORDINARY, 5, only=()))
    assert row["speed_pct_per_10km"] is not None
    parts = [name for name in row if "part" in name]
    assert len(parts) == 6
    assert all(row[name] is None for name in parts)


@pytest.mark.parametrize(("n_with_cadence", "n_runs"), [(2, 6), (3, 3)])
def test_splits_without_cadence_are_left_out_where_enough_runs_have_it(n_with_cadence: int, n_runs: int):
    splits = draw(Season(n_runs=6, km=(10, 10)), 1, only=CADENCE)
    has = pl.col("run_id").str.slice(-1).cast(pl.Int64) < n_with_cadence
    row = of(splits.with_columns(cadence_spm=pl.when(has).then("cadence_spm")))
    assert (row["n_runs"], row["n_splits"]) == (n_runs, 9 * n_runs)
    assert (row["cadence_part_pct"] is None) == (n_with_cadence < 3)


@pytest.mark.parametrize(("n_runs", "is_given"), [(2, False), (3, True)])
def test_fewer_runs_than_needed_give_counts_alone(n_runs: int, is_given: bool):
    row = of(draw(Season(n_runs=n_runs, km=(10, 10), fade_pct=-2.0), 1, only=CADENCE))
    assert (row["speed_pct_per_10km"] is not None) == is_given
    assert (row["walk_points_per_10km"] is not None) == is_given
    assert (row["n_runs"], row["n_splits"], row["n_walked_splits"]) == (n_runs, 9 * n_runs, 0)


def test_one_run_has_no_interval_even_where_the_settings_ask_for_one_run():
    assert (
        of(draw(Season(n_runs=1, km=(10, 10)), 1, only=CADENCE), inclusion=but(min_runs=1))["speed_pct_per_10km"]
        is None
    )


def test_a_partly_walked_kilometre_does_not_enter_for_speed():
    even = [[1.0] * 10] * 4
    walked = runs([1.0] * 9 + [0.9], *even[1:]).with_columns(
        speed_m_s=pl.when(pl.col("run_share") < 1).then(pl.col("speed_m_s") / 2).otherwise("speed_m_s")
    )
    row = of(walked)
    assert (row["n_splits"], row["n_walked_splits"]) == (35, 1)
    assert row["speed_pct_per_10km"] == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize(("share", "n_walked"), [(0.95, 0), (0.9499, 1)])
def test_a_kilometre_with_exactly_the_share_asked_for_counts_as_run(share: float, n_walked: int):
    assert of(runs([1.0] * 9 + [share], [1.0] * 10, [1.0] * 10))["n_walked_splits"] == n_walked


# --- Walking ---------------------------------------------------------------------------------------------------------


def test_walking_that_grows_by_a_point_a_kilometre_grows_by_ten_points_in_ten():
    row = of(runs(*[[1 - 0.01 * km for km in range(12)]] * 4))
    for name in ("walk_points_per_10km", "walk_low", "walk_high"):
        assert row[name] == pytest.approx(10.0, abs=1e-9)


def test_walking_is_the_slope_inside_runs_and_its_interval_leaves_out_one_run_at_a_time_by_brute_force():
    random = np.random.default_rng(6)
    splits = runs(*[list(1 - random.uniform(0, 0.5, 14)) for _ in range(6)])

    def slope(rows: pl.DataFrame) -> float:
        rows = rows.filter(pl.col("km") > 1).with_columns(
            walked=100 * (1 - pl.col("run_share")), place=pl.col("km") / 10
        )
        centred = rows.select(pl.col("walked", "place") - pl.col("walked", "place").mean().over("run_id"))
        return float(stats.linregress(centred["place"], centred["walked"])[0])

    names = splits["run_id"].unique().to_list()
    without = np.array([slope(splits.filter(pl.col("run_id") != name)) for name in names])
    reach = stats.t.ppf(0.975, 5) * np.sqrt(5 / 6 * ((without - without.mean()) ** 2).sum())
    row = of(splits)
    assert row["walk_points_per_10km"] == pytest.approx(slope(splits), rel=1e-9)
    assert row["walk_high"] - row["walk_points_per_10km"] == pytest.approx(reach, rel=1e-9)


def test_where_nothing_is_walked_the_change_is_nought_and_nothing_says_how_sure_that_is():
    row = of(runs(*[[1.0] * 10] * 4))
    assert (row["walk_points_per_10km"], row["walk_low"], row["walk_high"]) == (0.0, None, None)


def test_a_kilometre_walked_from_end_to_end_has_no_running_speed_and_still_counts_as_walked():
    shares = [[1.0] * 9 + [0.0]] * 4
    splits = runs(*shares).with_columns(
        speed_m_s=pl.when(pl.col("run_share") > 0).then("speed_m_s"),
        cadence_spm=pl.when(pl.col("run_share") > 0).then("cadence_spm"),
    )
    row = of(splits)
    assert (row["n_splits"], row["n_walked_splits"]) == (32, 4)
    assert row["walk_points_per_10km"] > 0


def test_athletes_do_not_touch_each_other_and_can_be_published():
    together = pacing(draw(ORDINARY.but(n_athletes=3, n_runs=5), 7, only=CADENCE), **NUMBERS)
    own = [
        pacing(one, **NUMBERS)
        for one in draw(ORDINARY.but(n_athletes=3, n_runs=5), 7, only=CADENCE).partition_by("athlete_id")
    ]
    assert together.equals(pl.concat(own))
    assert publishable("pacing", together, subject="invented").height == 3


def test_the_order_of_rows_makes_no_difference():
    splits = draw(ORDINARY.but(n_athletes=2, n_runs=5), 7, only=CADENCE)
    splits = splits.with_columns(run_share=0.9 + 0.1 * (pl.col("km") * 0.37).sin().abs())
    assert pacing(splits.sample(fraction=1, shuffle=True, seed=1), **NUMBERS).equals(pacing(splits, **NUMBERS))
