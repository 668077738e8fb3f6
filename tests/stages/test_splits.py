"""Splits: input rows and the rows that must come of them, side by side; every expected number is worked out by hand.

An input row is (interval_s, covered_m, gait, cadence_spm, contact_time_ms); what is left out is a plain running sample.
"""

from __future__ import annotations

from collections import defaultdict
from typing import Any

import numpy as np
import polars as pl
import pytest

from pipeline.core.metrics import READING_OF
from pipeline.formats import Recording, readings_frame
from pipeline.stages.splits import HEART_RATE_LAG_S, LAPS, lagged_speed_m_s, laps_of, means, splits
from pipeline.tables import publishable
from tests.support.splits import split_means

MILE_M = 1609.344
MEASURED = (
    "cadence_spm", "contact_time_ms", "vertical_oscillation_mm", "contact_balance_pct", "heart_rate_bpm", "power_w",
    "recorded_step_length_m", "temperature_c",
)  # fmt: skip


def samples(*rows: tuple[Any, ...], run_id: str = "r") -> pl.DataFrame:
    plain = (None, None, "run", 170.0, 250.0)
    complete = [(*row, *plain[len(row) :]) for row in rows]
    schema = {"interval_s": pl.Float64, "covered_m": pl.Float64, "gait": pl.String,
              "cadence_spm": pl.Float64, "contact_time_ms": pl.Float64}  # fmt: skip
    return pl.DataFrame(complete, schema=schema, orient="row").with_columns(
        pl.lit(run_id).alias("run_id"),
        pl.col("covered_m").cum_sum().alias("distance_m"),
        pl.col("interval_s").cum_sum().alias("elapsed_s"),
        pl.lit(0.0).alias("slope_pct"),
        pl.lit(80.0).alias("vertical_oscillation_mm"),
        pl.lit(50.0).alias("contact_balance_pct"),
        pl.lit(150.0).alias("heart_rate_bpm"),
        pl.lit(250.0).alias("power_w"),
        pl.lit(1.0).alias("recorded_step_length_m"),
        pl.lit(-5.0).alias("temperature_c"),
        **{name: pl.lit(None, pl.Float64) for name in READING_OF if name not in MEASURED},
    )


def cut(rows: pl.DataFrame, *columns: str, length_m: float = 1000) -> list[tuple[Any, ...]]:
    splits = split_means(rows, split_length_m=length_m)
    publishable("splits", splits.with_columns(pl.lit("a").alias("athlete_id")), subject="r")
    return splits.select(columns).with_columns(pl.selectors.float().round(6)).rows()


# --- Boundaries ------------------------------------------------------------------------------------------------------


def test_a_boundary_inside_an_interval_shares_distance_by_place_and_time_by_distance():
    rows = samples((0, 0), (300, 990), (10, 40), (300, 970))
    assert cut(rows, "km", "length_m", "moving_s", "n_valid") == [
        (1, 1000, 302.5, 2),
        (2, 1000, 307.5, 2),
    ]


def test_a_sample_exactly_on_the_boundary_ends_the_split_before_it():
    rows = samples((0, 0), (300, 1000), (250, 1000))
    assert cut(rows, "km", "length_m", "moving_s", "n_valid") == [(1, 1000, 300, 1), (2, 1000, 250, 1)]


def test_standing_on_a_boundary_belongs_to_the_split_just_run():
    rows = samples((0, 0), (300, 1000), (60, 0, "walk"), (250, 1000))
    assert cut(rows, "km", "moving_s", "running_s") == [(1, 360, 300), (2, 250, 250)]


def test_standing_at_the_very_start_belongs_to_the_first_split():
    rows = samples((0, 0), (30, 0, "walk"), (300, 1000))
    assert cut(rows, "km", "length_m", "moving_s", "running_s") == [(1, 1000, 330, 300)]


def test_an_interval_may_span_three_splits():
    rows = samples((0, 0), (200, 500), (1000, 2500))
    assert cut(rows, "km", "length_m", "moving_s") == [(1, 1000, 400), (2, 1000, 400), (3, 1000, 400)]


def test_the_last_split_has_what_was_left():
    rows = samples((0, 0), (300, 1000), (100, 250))
    assert cut(rows, "km", "length_m", "moving_s", "speed_m_s") == [(1, 1000, 300, 3.333333), (2, 250, 100, 2.5)]


@pytest.mark.parametrize(("covered_m", "lengths"), [(999.99, [999.99]), (1000, [1000]), (1000.01, [1000, 0.01])])
def test_a_kilometre_ends_at_1000_metres_and_not_where_a_number_rounds_to_it(covered_m: float, lengths: list[float]):
    """A cast to a whole number rounds in DuckDB, and // does not floor floats: either would move the boundary."""
    rows = samples((0, 0), (150, 499.5), (150, covered_m - 499.5))
    assert [length for (length,) in cut(rows, "length_m")] == pytest.approx(lengths, abs=1e-6)


@pytest.mark.parametrize(
    ("step_m", "length_m"),
    [(0.1, 1000), (1000 / 357, 1000), (MILE_M, MILE_M), (MILE_M / 7, MILE_M), (MILE_M / 100, MILE_M)],
)
def test_thirteen_splits_are_thirteen_whatever_running_sums_of_floats_say(step_m: float, length_m: float):
    """Sums of 0.1 m miss 13 km by some billionths; no fourteenth split may come of it, no sample count twice."""
    n = round(13 * length_m / step_m)
    found = cut(samples(*[(1, step_m)] * n), "km", "length_m", "moving_s", "n_valid", length_m=length_m)
    assert [km for km, *_ in found] == list(range(1, 14))
    assert [length for _, length, *_ in found] == pytest.approx([length_m] * 13, abs=1e-6)
    assert [moving for *_, moving, _ in found] == pytest.approx([n / 13] * 13, abs=1e-6)
    assert [n_valid for *_, n_valid in found] == [n // 13] * 13


def test_splits_may_be_miles():
    rows = samples((0, 0), (800, 2 * MILE_M), (200, 0.5 * MILE_M))
    found = cut(rows, "km", "length_m", "moving_s", length_m=MILE_M)
    assert found == [(1, MILE_M, 400), (2, MILE_M, 400), (3, 804.672, 200)]


def test_a_sample_that_stands_for_no_time_is_no_part_of_a_split():
    rows = samples((0, 0, "run", 999, 999), (300, 1000), (0, 0, "run", 999, 999))
    assert cut(rows, "km", "cadence_spm", "contact_time_ms", "n_valid") == [(1, 170, 250, 1)]


# --- Means -----------------------------------------------------------------------------------------------------------


def test_the_share_of_a_reading_is_of_the_time_run():
    rows = samples(
        (1, 3, "run", 170, 250), (3, 9, "run", 170, None), (4, 6, "walk", 110, None), (4, 12, "run", None, None)
    )
    assert cut(rows, "cadence_share", "contact_time_share", "heart_rate_share") == [(0.5, 0.125, 1.0)]


def test_a_split_that_was_not_run_has_no_share():
    assert cut(samples((5, 6, "walk", 110, 300)), "cadence_share", "contact_time_share") == [(None, None)]


def test_a_mean_is_weighted_by_time_and_not_by_samples():
    rows = samples((0, 0), (1, 4, "run", 160, 200), (9, 36, "run", 180, 300))
    assert cut(rows, "cadence_spm", "contact_time_ms") == [(178, 290)]


def test_a_mean_leaves_out_the_samples_that_lack_the_value_but_not_their_time():
    rows = samples((0, 0), (1, 4, "run", 160, None), (1, 4, "run", None, 300), (2, 8, "run", 170, 270))
    assert cut(rows, "cadence_spm", "contact_time_ms", "running_s", "n_valid") == [(166.666667, 280, 4, 3)]


def test_variability_is_the_time_weighted_standard_deviation_of_what_was_run():
    """30 s at 170 and 10 s at 190 steps: mean 175, variance 0.75 x 25 + 0.25 x 225 = 75."""
    of = ("cadence_sd_spm", "contact_time_sd_ms")
    rows = samples((0, 0), (30, 120, "run", 170, 240), (10, 40, "run", 190, None), (9, 9, "walk", 110, 600))
    assert cut(rows, *of) == [(round(75**0.5, 6), 0.0)]
    assert cut(samples((30, 120, "run", None, None)), *of) == [(None, None)]


def test_a_sample_across_a_boundary_counts_in_both_splits_by_its_share():
    rows = samples((0, 0), (249, 996, "run", 160), (2, 8, "run", 180))
    assert cut(rows, "cadence_spm") == [(160.08,), (180,)]  # (249 s at 160, 1 s at 180) and 1 s at 180


def test_walking_takes_time_but_does_not_enter_the_means():
    rows = samples((0, 0), (200, 700, "run", 170, 250), (200, 300, "walk", 110, 650))
    assert cut(rows, "moving_s", "running_s", "run_share", "speed_m_s", "cadence_spm", "contact_time_ms") == [
        (400, 200, 0.5, 3.5, 170, 250),
    ]


def test_standing_takes_no_moving_time():
    rows = samples((0, 0), (200, 700), (60, 1, "stand"), (100, 299))
    assert cut(rows, "length_m", "moving_s", "run_share", "speed_m_s") == [(1000, 300, 1, 3.33)]


def test_a_split_that_is_only_walked_has_no_speed_and_no_form():
    rows = samples((0, 0), (600, 1000, "walk", 115, 600))
    columns = ("run_share", "speed_m_s", "cadence_spm", "contact_time_ms", "flight_time_ms", "step_length_m", "n_valid")
    assert cut(rows, *columns) == [(0, None, None, None, None, None, 0)]


def test_a_split_that_is_only_stood_in_has_no_share():
    assert cut(samples((600, 1, "stand")), "moving_s", "running_s", "run_share") == [(0, 0, None)]


def test_slope_is_a_mean_over_distance_of_all_gaits_and_hills_do_not_cancel_in_its_square():
    rows = samples((0, 0), (100, 300), (400, 600, "walk"), (30, 100)).with_columns(
        pl.Series("slope_pct", [None, -4.0, 2.0, None])
    )
    assert cut(rows, "slope_pct", "slope_squared_pct2") == [(0, 8)]  # (16 * 300 + 4 * 600) / 900


def test_each_quantity_has_its_own_mean():
    """One interval of 1 s, one of 3 s: the mean of x and y is (x + 3 y) / 4."""
    rows = samples((0, 0), (1, 4), (3, 12)).with_columns(
        pl.Series("vertical_oscillation_mm", [None, 80.0, 84.0]),
        pl.Series("contact_balance_pct", [None, 49.0, 53.0]),
        pl.Series("heart_rate_bpm", [None, 140.0, 160.0]),
    )
    assert cut(rows, "vertical_oscillation_mm", "contact_balance_pct", "heart_rate_bpm") == [(83, 52, 155)]


# --- Identities ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("speed_m_s", "contact_ms", "flight_ms", "duty_of_stride"),
    # Rows of the spring-mass examples worked out from Morin 2005, J Appl Biomech 21:167 (contact, flight, duty factor
    # over the stride printed to four digits).
    [(2.5, 280, 80, 0.3889), (3.0, 260, 100, 0.3611), (3.33, 245, 115, 0.3403), (4.0, 220, 130, 0.3143)],
)
def test_flight_duty_factor_and_step_length_of_a_step_known_in_all_its_parts(
    speed_m_s: float, contact_ms: float, flight_ms: float, duty_of_stride: float
):
    step_s = (contact_ms + flight_ms) / 1000
    rows = samples((0, 0), (100, 100 * speed_m_s, "run", 60 / step_s, contact_ms))
    [(flight, duty, length)] = cut(rows, "flight_time_ms", "duty_factor", "step_length_m")
    assert flight == pytest.approx(flight_ms)
    assert duty == pytest.approx(duty_of_stride, abs=5e-5)
    assert length == pytest.approx(speed_m_s * step_s)


def test_step_length_at_3_m_s_is_that_of_256_runners():
    """75.01 + 3.006 v strides/min, hence 168.06 steps/min and 1.0711 m (van Oeveren 2019, J Sports Sci 37:1996)."""
    cadence_spm = 2 * (75.01 + 3.006 * 3.0)
    [(cadence, length)] = cut(samples((0, 0), (100, 300, "run", cadence_spm)), "cadence_spm", "step_length_m")
    assert cadence == pytest.approx(168.06, abs=0.005)
    assert length == pytest.approx(1.0711, abs=5e-5)


def test_a_row_never_contradicts_itself_even_where_its_samples_do():
    """The mean of quotients is not the quotient of means: the row keeps to the latter."""
    rows = samples((0, 0), (100, 350, "run", 150, 300), (200, 600, "run", 190, 200), (10, 50, "run", 0, None))
    [row] = split_means(rows, split_length_m=1000).rows(named=True)
    assert row["flight_time_ms"] == pytest.approx(60_000 / row["cadence_spm"] - row["contact_time_ms"])
    assert row["duty_factor"] == pytest.approx(row["contact_time_ms"] * row["cadence_spm"] / 120_000)
    assert row["step_length_m"] == pytest.approx(60 * row["speed_m_s"] / row["cadence_spm"])
    assert row["speed_m_s"] == pytest.approx(1000 / 310)


def test_flight_is_negative_where_both_feet_overlap_on_the_ground():
    assert cut(samples((0, 0), (100, 200, "run", 150, 410)), "flight_time_ms") == [(-10,)]


# --- Pace inside a split ---------------------------------------------------------------------------------------------


def test_the_variance_of_pace_is_that_of_log_speed_between_tenths_weighted_by_time():
    """500 m at 5 m/s in 100 s and 500 m at 2.5 m/s in 200 s: log speeds log 2 apart, weights 1/3 and 2/3."""
    rows = samples(*[(20, 100)] * 5, *[(40, 100)] * 5)
    [(variance,)] = cut(rows, "log_speed_variance")
    assert variance == pytest.approx(np.log(2) ** 2 * 2 / 9, abs=1e-6)


@pytest.mark.parametrize(
    ("rows", "variance"),
    [
        ([(2, 10)] * 100, 0.0),
        # Noise of single samples evens out within a tenth.
        ([(2, 5), (2, 15)] * 50, 0.0),
        # What was not run is no pace: 40 s walked in the middle.
        ([(2, 10)] * 50 + [(40, 50, "walk")] + [(2, 10)] * 45, 0.0),
        # One interval over the whole split says nothing of the pace inside.
        ([(300, 1000)], 0.0),
        ([(300, 1000, "walk")], None),
    ],
)
def test_even_pace_has_no_variance(rows: list[tuple[Any, ...]], variance: float | None):
    [(found,)] = cut(samples(*rows), "log_speed_variance")
    assert found == (None if variance is None else pytest.approx(variance, abs=1e-9))


def lagged(rows: pl.DataFrame) -> list[float | None]:
    return pl.Series(lagged_speed_m_s(rows), nan_to_null=True).to_list()


def test_after_a_change_of_pace_the_lagged_speed_has_gone_63_percent_of_the_way_after_the_lag():
    n = round(10 * HEART_RATE_LAG_S)
    found = lagged(samples((1, 3), *[(0.1, 0.4)] * n))
    assert found[0] == pytest.approx(3)
    assert found[-1] == pytest.approx(4 - np.exp(-1), abs=1e-6)


def test_the_lagged_speed_does_not_depend_on_how_often_samples_are_taken_at_even_pace():
    fine, coarse = lagged(samples((1, 3), *[(1, 4)] * 60)), lagged(samples((1, 3), (60, 240)))
    assert fine[-1] == pytest.approx(coarse[-1])


@pytest.mark.parametrize("between", [(30, 45, "walk"), (30, 0, "stand")])
def test_the_lagged_speed_starts_again_after_walking_and_standing(between: tuple[Any, ...]):
    found = lagged(samples((10, 50), between, (10, 30), (10, 30)))
    assert found == [pytest.approx(5), None, pytest.approx(3), pytest.approx(3)]


def test_the_lagged_speed_starts_again_after_a_pause():
    rows = samples((10, 50), (10, 30))
    assert lagged(rows)[1] > 3.1
    paused = rows.with_columns(elapsed_s=pl.col("elapsed_s") + pl.Series([0.0, 60.0]))
    assert lagged(paused) == [pytest.approx(5), pytest.approx(3)]


def test_the_lagged_speed_of_one_run_is_not_carried_into_the_next():
    both = pl.concat([samples((10, 50), run_id="a"), samples((10, 30), (10, 30), run_id="b")])
    assert lagged(both) == [pytest.approx(5), pytest.approx(3), pytest.approx(3)]


def test_a_split_has_the_mean_over_time_of_the_lagged_speed():
    rows = samples((100, 300), (100, 700))
    after = 7 - 4 * np.exp(-100 / HEART_RATE_LAG_S)
    [(found,)] = cut(rows, "lagged_speed_m_s")
    assert found == pytest.approx((3 + after) / 2, abs=1e-5)


# --- Laps ------------------------------------------------------------------------------------------------------------


def laps(*edges: tuple[float, float], run_id: str = "r") -> pl.DataFrame:
    rows = [(run_id, number, begin, end) for number, (begin, end) in enumerate(edges, start=1)]
    return pl.DataFrame(rows, schema=LAPS, orient="row")


def test_laps_are_numbered_and_counted_from_the_first_sample():
    readings = readings_frame({"time_s": pl.Series([100.0, 101.0, 102.0])})
    recording = Recording(readings=readings, laps=((99.5, 101.0), (101.0, 130.0)))
    assert laps_of("r", recording, 100.0).rows() == [("r", 1, -0.5, 1.0), ("r", 2, 1.0, 30.0)]
    assert laps_of("r", Recording(readings=readings), 100.0).schema == LAPS


def cut_at_laps(rows: pl.DataFrame, at: pl.DataFrame, *columns: str) -> list[tuple[Any, ...]]:
    _, found = means(rows, at, split_length_m=1000)
    publishable("lap_splits", found.with_columns(pl.lit("a").alias("athlete_id")), subject="r")
    return found.select(columns).with_columns(pl.selectors.float().round(6)).rows()


def test_laps_are_rows_of_their_own_with_the_means_of_their_time():
    rows = samples((0, 0), (60, 300, "run", 180, 200), (90, 180, "walk"), (60, 312, "run", 184, 190))
    found = cut_at_laps(
        rows, laps((0, 60), (60, 150), (150, 210)),
        "lap", "length_m", "moving_s", "running_s", "speed_m_s", "cadence_spm", "contact_time_ms", "step_length_m",
    )  # fmt: skip
    assert found == [
        (1, 300, 60, 60, 5, 180, 200, 1.666667),
        (2, 180, 90, 0, None, None, None, None),
        (3, 312, 60, 60, 5.2, 184, 190, 1.695652),
    ]


def test_a_lap_that_ends_inside_an_interval_shares_its_time_and_in_that_proportion_its_distance():
    rows = samples((0, 0), (8, 32), (8, 40))
    assert cut_at_laps(rows, laps((0, 10), (10, 16)), "lap", "moving_s", "length_m", "n_valid") == [
        (1, 10, 42, 2),
        (2, 6, 30, 1),
    ]


@pytest.mark.parametrize(("ends_s", "moving_s"), [(7.999, [7.999, 8.001]), (8, [8, 8]), (8.001, [8.001, 7.999])])
def test_a_sample_exactly_where_a_lap_ends_belongs_to_it(ends_s: float, moving_s: list[float]):
    found = cut_at_laps(samples((0, 0), (8, 32), (8, 40)), laps((0, ends_s), (ends_s, 16)), "moving_s")
    assert [seconds for (seconds,) in found] == moving_s


def test_an_interval_may_span_laps_and_laps_may_lie_outside_of_the_samples():
    rows = samples((0, 0), (10, 40))
    at = laps((-5, 2), (2, 3), (3, 10), (10, 20), (20, 30))
    assert cut_at_laps(rows, at, "lap", "moving_s", "length_m") == [(1, 2, 8), (2, 1, 4), (3, 7, 28)]


def test_time_between_laps_is_in_none_of_them():
    assert cut_at_laps(samples((0, 0), (10, 40)), laps((0, 4), (6, 10)), "lap", "moving_s") == [(1, 4), (2, 4)]


def test_what_follows_a_pause_belongs_to_the_lap_in_which_it_was_run():
    """The second interval stands for 5 s but ends 65 s after the first: the lap changes during the pause."""
    rows = samples((0, 0), (10, 40), (5, 20)).with_columns(elapsed_s=pl.Series([0.0, 10.0, 75.0]))
    assert cut_at_laps(rows, laps((0, 40), (40, 75)), "lap", "moving_s") == [(1, 10), (2, 5)]


def test_laps_of_a_kilometre_are_the_kilometres():
    rng = np.random.default_rng(8)
    rows = samples(
        *[(1, 4, "run", *pair) for pair in zip(rng.normal(170, 9, 1000), rng.normal(240, 9, 1000), strict=True)]
    )
    by_km, by_lap = means(rows, laps(*[(250 * n, 250 * (n + 1)) for n in range(4)]), split_length_m=1000)
    assert (
        by_lap.rename({"lap": "km"})
        .select(by_km.columns)
        .with_columns(pl.selectors.float().round(6))
        .equals(by_km.with_columns(pl.selectors.float().round(6)))
    )


def test_runs_without_laps_have_kilometres_only_and_the_laps_of_one_run_are_not_those_of_another():
    rows = pl.concat([samples((10, 50), run_id="a"), samples((10, 30), run_id="b"), samples((9, 30), run_id="c")])
    of_splits, of_laps = means(
        rows, pl.concat([laps((0, 4), run_id="c"), laps((0, 5), run_id="a")]), split_length_m=100
    )
    assert of_splits["run_id"].to_list() == ["a", "b", "c"]
    assert of_laps.select("run_id", "lap", "length_m").rows() == [("a", 1, 25.0), ("c", 1, pytest.approx(40 / 3))]


def test_laps_have_stiffness_as_kilometres_have():
    rows = samples(*[(1, 3)] * 400)
    bodies = pl.DataFrame({"athlete_id": ["a"], "mass_kg": [60.0], "height_m": [1.7], "leg_length_m": [0.9]})
    runs = pl.DataFrame({"run_id": ["r"], "athlete_id": ["a"], "altitude": ["steady"], "speed_source": ["device"]})
    numbers = {"split_length_m": 1000, "level_slope_pct": 1.0, "level_roughness_pct": 2.0, "min_run_share": 0.95}
    of_splits, of_laps = splits(rows, laps((0, 200), (200, 400)), runs, bodies, **numbers)
    [stiffness] = of_splits["leg_stiffness_kn_m"].unique().round(6).to_list()
    assert stiffness > 0
    assert of_laps["leg_stiffness_kn_m"].round(6).to_list() == [stiffness] * 2
    assert of_laps["athlete_id"].to_list() == ["a", "a"]


# --- Many runs -------------------------------------------------------------------------------------------------------


def test_many_runs_at_once_are_each_cut_alone_and_come_in_order():
    second, first = samples((300, 1200), run_id="b"), samples((400, 900), (100, 300), run_id="a")
    found = cut(pl.concat([second, first]), "run_id", "km", "length_m", "moving_s")
    assert found == [("a", 1, 1000, 433.333333), ("a", 2, 200, 66.666667),
                     ("b", 1, 1000, 250), ("b", 2, 200, 50)]  # fmt: skip


def test_no_samples_give_no_splits():
    assert split_means(samples().clear(), split_length_m=1000).height == 0


def by_hand(rows: pl.DataFrame, length_m: float) -> dict[int, dict[str, Any]]:
    """The same table in plain Python: walk along the run and cut wherever a boundary comes."""
    sums: dict[int, dict[str, Any]] = defaultdict(lambda: defaultdict(float))
    km, room_m = 1, length_m
    for row in rows.iter_rows(named=True):
        left_m, left_s = row["covered_m"], row["interval_s"]
        while left_s > 0:
            if room_m == 0 and left_m > 0:
                km, room_m = km + 1, length_m
            piece_m = min(left_m, room_m)
            piece_s = left_s if piece_m == left_m else left_s * piece_m / left_m
            room_m -= piece_m
            split = sums[km]
            split["length_m"] += piece_m
            split["moving_s"] += piece_s * (row["gait"] != "stand")
            if row["gait"] == "run":
                split["n_valid"] += 1
                split["running_s"] += piece_s
                split["running_m"] += piece_m
                for name in MEASURED:
                    if row[name] is not None:
                        split[name] += row[name] * piece_s
                        split[f"{name} of"] += piece_s
            left_m, left_s = left_m - piece_m, left_s - piece_s if piece_m < left_m else 0.0
    for split in sums.values():
        split["speed_m_s"] = split["running_m"] / split["running_s"] if split["running_s"] else None
        for name in MEASURED:
            split[name] = split[name] / split[f"{name} of"] if split[f"{name} of"] else None
    return sums


@pytest.mark.parametrize("length_m", [1000, 400, MILE_M])
def test_a_random_run_is_cut_as_one_would_by_hand(length_m: float):
    rng = np.random.default_rng(4)
    n = 3000
    gait = rng.choice(["run", "walk", "stand"], n, p=[0.8, 0.15, 0.05])
    covered = np.where(gait == "stand", 0, rng.uniform(0.5, 12, n))
    covered[1500] = 2.5 * length_m  # a hole with progress
    rows = samples(*zip(rng.choice([1.0, 2.0, 5.0, 0.5], n), covered, gait, strict=True)).with_columns(
        pl.Series(name, np.where(rng.random(n) < 0.2, np.nan, rng.normal(170, 10, n)), nan_to_null=True)
        for name in MEASURED
    )
    expected = by_hand(rows, length_m)
    found = {row["km"]: row for row in split_means(rows, split_length_m=length_m).rows(named=True)}
    assert found.keys() == expected.keys()
    for km, row in expected.items():
        for name in ("length_m", "moving_s", "running_s", "speed_m_s", "n_valid", *MEASURED):
            expected_value = None if row[name] is None else pytest.approx(row[name], rel=1e-6, abs=1e-5)
            assert found[km][name] == expected_value, (km, name)
