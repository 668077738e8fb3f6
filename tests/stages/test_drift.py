"""Stage `drift`: what a change with distance is, what enters, and what the two tables say.

Exact cases: splits without scatter, whose answers are known in closed form.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from polars.testing import assert_frame_equal

from pipeline.core.inclusion import Inclusion
from pipeline.core.metrics import METRICS
from pipeline.core.settings import Settings
from pipeline.stages.drift import drift
from pipeline.stages.summaries import athlete_drift
from pipeline.tables import publishable
from tests.support.season import EXACTLY_MEASURED, MEASURED, Form, Season, draw

CONTACT = "contact_time_ms"
CADENCE = "cadence_spm"


def but(**numbers: float) -> Inclusion:
    """The usual rule of inclusion, with other numbers."""
    return replace(Settings().inclusion, **numbers)


NUMBERS = {
    "inclusion": Settings().inclusion,
    "max_collinearity": 0.9,
    "seed": 1,
    # The seasons here have exact speed and no warm-up.
    "speed_error_pct": 0.0,
    "warm_up_effect_pct": 0.0,
}

#: No scatter at all: hills, a pace that wanders and fades, runs with levels of their own, and 3 % more per 10 km.
EXACT = Season(
    n_runs=4,
    km=(8, 21),
    run_speed_sd_pct=5.0,
    split_speed_sd_pct=3.0,
    fade_pct=-4.0,
    hills_sd_pct=1.5,
    rough_pct2=0.5,
    late_climb_pct=1.0,
    speed_per_slope=-0.02,
    contact=Form(
        level=260.0, drift_pct=3.0, level_sd_pct=2.0, per_speed=-0.6, per_slope=0.004, per_slope_squared=0.0005
    ),
)
#: Only distance acts: level course, even pace.
EVEN = Season(n_runs=4, km=(8, 21), contact=Form(level=260.0, drift_pct=3.0, level_sd_pct=2.0))
#: Everything at once: scatter, hills, losses.
SCATTERED = EXACTLY_MEASURED.with_contact(drift_pct=2.0)


def of_runs(splits: pl.DataFrame, **numbers: float) -> pl.DataFrame:
    return drift(splits, **(NUMBERS | numbers))[0]


def of_athletes(splits: pl.DataFrame, **numbers: float) -> pl.DataFrame:
    return drift(splits, **(NUMBERS | numbers))[1]


def row(splits: pl.DataFrame, metric: str = CONTACT, **numbers: float) -> Mapping[str, float]:
    return of_athletes(splits, **numbers).row(by_predicate=pl.col("metric") == metric, named=True)


def published(splits: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Both tables in the form in which readers get them, with the conclusions drawn."""
    runs, athletes = drift(splits, **NUMBERS)
    changes = {metric.column: 2.0 for metric in METRICS}
    judged = athlete_drift(
        athletes,
        runs,
        smallest_change_pct=changes,
        max_collinearity=float(NUMBERS["max_collinearity"]),
        usual_distance_margin=1.5,
        max_late_exclusion_excess=0.15,
    )
    return publishable("run_drift", runs, subject="a"), publishable("athlete_drift", judged, subject="a")


def log_change(percent: float) -> float:
    return float(np.log1p(percent / 100))


def entering(splits: pl.DataFrame) -> pl.DataFrame:
    return splits.filter(pl.col("km") > 1, pl.col("run_share") >= 0.95, pl.col("length_m") >= 990)


def least_squares(splits: pl.DataFrame, *causes: pl.Expr, metric: str = CONTACT) -> np.ndarray:
    """Coefficients of the causes and, last, of distance in 10 km, by plain least squares with a level for each run."""
    splits = entering(splits).filter(pl.col(metric).is_not_null())
    levels = splits.select("run_id").to_dummies().to_numpy()
    columns = splits.select(*causes, (pl.col("km") - 0.5) / 10).to_numpy()
    design = np.column_stack([columns, levels]).astype(float)
    return np.linalg.lstsq(design, np.log(splits[metric].to_numpy()), rcond=None)[0][: len(causes) + 1]


def drawn(text: str) -> pl.DataFrame:
    """Splits drawn as text: one row per run, its contact times from the second kilometre on; a dot is no reading."""
    rows = []
    for place, line in enumerate(text.strip().splitlines()):
        for km, cell in enumerate(line.split(), start=2):
            rows.append(
                {
                    "run_id": f"a-r{place}",
                    "athlete_id": "a",
                    "km": km,
                    "length_m": 1000.0,
                    "moving_s": 300.0,
                    "running_s": 300.0,
                    "run_share": 1.0,
                    "speed_m_s": 10 / 3,
                    "slope_pct": 0.0,
                    "slope_squared_pct2": 0.0,
                    "log_speed_variance": 0.0,
                    "altitude": "steady",
                    "speed_source": "device",
                    "lagged_speed_m_s": 10 / 3,
                    CONTACT: None if cell == "." else float(cell),
                    "n_valid": 300,
                    "contact_time_share": 1.0,
                }
            )
    return pl.DataFrame(rows, schema=draw(Season(), 0).schema)


# --- What a drift is -------------------------------------------------------------------------------------------------


def test_splits_without_scatter_give_back_the_drift_that_was_planted():
    assert row(draw(EXACT, 1))["drift_pct_per_10km"] == pytest.approx(3.0, abs=1e-6)


def test_a_drift_may_go_either_way():
    assert row(draw(EXACT.with_contact(drift_pct=-4.5), 1))["drift_pct_per_10km"] == pytest.approx(-4.5, abs=1e-6)


def test_every_run_gives_back_the_drift_too_and_its_own_when_they_differ():
    same = of_runs(draw(EXACT, 1)).filter(pl.col("metric") == CONTACT)
    assert same["drift_pct_per_10km"].to_list() == pytest.approx([3.0] * 4, abs=1e-6)
    up, down = drawn("200 200 200 200 200\n" * 3), drawn("200 202 204.02 206.0602 208.120802\n" * 3)
    both = pl.concat([up, down.with_columns(run_id=pl.col("run_id") + "x")])
    assert sorted(of_runs(both)["drift_pct_per_10km"].to_list()) == pytest.approx(
        [0.0] * 3 + [100 * (1.01**10 - 1)] * 3, abs=1e-6
    )


def test_every_long_run_gives_back_the_kilometre_from_which_it_changes_and_a_straight_or_short_one_none():
    names = ("onset_km", "onset_low", "onset_high")
    onset = EVEN.but(km=(42, 42)).with_contact(drift_pct=8.0, onset_km=25.0, error_sd_pct=0.05)
    broken = published(draw(onset, 1, only=(CONTACT,)))[0]
    assert broken["onset_km"].to_list() == pytest.approx([25.0] * 4, abs=1.0)
    for low, km, high in zip(*(broken[name] for name in ("onset_low", "onset_km", "onset_high")), strict=True):
        assert 0 < high - low < 4
        assert low <= km <= high
    straight = of_runs(draw(onset.with_contact(onset_km=0.0), 1, only=(CONTACT,)))
    short = of_runs(draw(onset.but(km=(18, 18)).with_contact(onset_km=10.0), 1, only=(CONTACT,)))
    for runs in (straight, short):
        assert runs.height == 4
        assert [runs[name].null_count() for name in names] == [4, 4, 4]


def test_the_parts_of_speed_and_slope_are_their_responses_times_the_slope_of_each_along_the_run():
    splits = draw(EXACT, 1)
    causes = [pl.col("speed_m_s").log(), pl.col("slope_pct"), pl.col("slope_squared_pct2")]
    assert least_squares(splits, *causes) == pytest.approx([-0.6, 0.004, 0.0005, np.log(1.03)], abs=1e-9)
    # Each run fades at a rate of its own and for no other reason, so that the weights of its splits do not matter.
    fading = draw(EVEN.but(fade_pct=-4.0, fade_sd_pct=1.0).with_contact(per_speed=-0.6), 1, only=(CONTACT,))
    fades = fading.group_by("run_id", maintain_order=True).agg(
        rate=10 * (pl.col("speed_m_s").log().last() - pl.col("speed_m_s").log().first()) / (pl.len() - 1)
    )["rate"]
    parts = [log_change(one["raw_pct_per_10km"]) - np.log(1.03) for one in of_runs(fading).iter_rows(named=True)]
    assert parts == pytest.approx([-0.6 * rate for rate in fades], abs=1e-8)
    assert min(parts) < log_change(row(fading)["speed_part_pct"]) < max(parts)


def test_raw_is_the_drift_with_the_parts_of_speed_and_slope_in_logarithms():
    for splits in (draw(EXACT, 1), draw(SCATTERED, 2)):
        for one in of_athletes(splits).iter_rows(named=True):
            parts = ("drift_pct_per_10km", "speed_part_pct", "slope_part_pct")
            assert log_change(one["raw_pct_per_10km"]) == pytest.approx(
                sum(log_change(one[part]) for part in parts), abs=1e-10
            ), one["metric"]


def test_raw_is_plain_least_squares_on_distance_where_splits_scatter_independently():
    # Errors that alternate have no positive correlation, and equal runs no spread: nothing is left to weigh by.
    splits = drawn("251 249 253 251 255 253 257 255\n" * 4)
    [slope] = least_squares(splits)
    found = row(splits)
    assert log_change(found["raw_pct_per_10km"]) == pytest.approx(slope, abs=1e-9)
    assert log_change(found["drift_pct_per_10km"]) == pytest.approx(slope, abs=1e-9)
    assert [log_change(one) for one in of_runs(splits)["raw_pct_per_10km"]] == pytest.approx([slope] * 4, abs=1e-9)


def test_an_athlete_who_only_slows_down_drifts_in_raw_and_not_at_equal_speed():
    found = row(draw(EXACT.with_contact(drift_pct=0.0), 3))
    assert found["raw_pct_per_10km"] > 2
    assert found["drift_pct_per_10km"] == pytest.approx(0.0, abs=1e-6)
    assert found["speed_part_pct"] > 2


def test_an_athlete_whose_courses_climb_late_drifts_in_raw_and_not_at_equal_slope():
    climbs = EXACT.but(late_climb_pct=4.0, fade_pct=0.0, speed_per_slope=0.0, km=(12, 15))
    found = row(draw(climbs.with_contact(drift_pct=0.0, per_slope=0.01), 3))
    assert found["raw_pct_per_10km"] > 1
    assert found["drift_pct_per_10km"] == pytest.approx(0.0, abs=1e-6)
    assert found["slope_part_pct"] > 1


def test_the_fresh_level_is_the_level_at_the_reference_speed_on_the_flat_at_the_start():
    splits = draw(EXACT.with_contact(level_sd_pct=0.0), 1)
    found = row(splits)
    assert found["reference_speed_m_s"] == pytest.approx(entering(splits)["speed_m_s"].median())
    assert found["fresh_level"] == pytest.approx(260.0 * (found["reference_speed_m_s"] / 3.0) ** -0.6, abs=1e-6)


def test_duty_factor_and_step_length_drift_as_contact_time_and_cadence_make_them():
    # log duty = log contact + log cadence + constant; log step length = log speed - log cadence + constant.
    exact = EXACT.with_cadence(per_m_s=None, per_speed=0.1, drift_pct=-2.0)
    found = of_athletes(draw(exact, 4))
    drifts = {one["metric"]: log_change(one["drift_pct_per_10km"]) for one in found.iter_rows(named=True)}
    assert drifts["duty_factor"] == pytest.approx(np.log(1.03 * 0.98), abs=1e-8)
    assert drifts["step_length_m"] == pytest.approx(-np.log(0.98), abs=1e-8)


# --- What does not matter --------------------------------------------------------------------------------------------


def test_the_level_of_a_run_changes_nothing_but_the_fresh_level():
    splits = draw(SCATTERED, 5, only=(CONTACT,))
    lifted = splits.with_columns(
        pl.when(pl.col("run_id") == "a00000-r003").then(pl.col(CONTACT) * 1.2).otherwise(CONTACT).alias(CONTACT)
    )
    before, after = of_athletes(splits), of_athletes(lifted)
    assert_frame_equal(before.drop("fresh_level"), after.drop("fresh_level"), rel_tol=1e-6, abs_tol=1e-8)
    share = 1 / before["n_runs"].item()
    assert after["fresh_level"].item() / before["fresh_level"].item() == pytest.approx(1.2**share, rel=1e-6)
    runs_before, runs_after = (of_runs(one).drop("fresh_level") for one in (splits, lifted))
    assert_frame_equal(runs_before, runs_after, rel_tol=1e-6, abs_tol=1e-8)


@settings(max_examples=10, deadline=None)
@given(unit=st.floats(0.001, 1000))
def test_the_unit_of_a_metric_changes_nothing_but_the_fresh_level(unit: float):
    splits = draw(SCATTERED, 6, only=(CONTACT,))
    other = splits.with_columns(pl.col(CONTACT) * unit)
    before, after = of_athletes(splits), of_athletes(other)
    assert_frame_equal(before.drop("fresh_level"), after.drop("fresh_level"), rel_tol=1e-6, abs_tol=1e-7)
    assert after["fresh_level"].item() == pytest.approx(unit * before["fresh_level"].item(), rel=1e-9)


def test_a_metric_turned_upside_down_drifts_the_other_way():
    splits = draw(SCATTERED, 7, only=(CONTACT,))
    before, after = row(splits), row(splits.with_columns((1e4 / pl.col(CONTACT)).alias(CONTACT)))
    for one, other in (
        ("raw_pct_per_10km",) * 2,
        ("drift_pct_per_10km",) * 2,
        ("drift_low", "drift_high"),
        ("drift_high", "drift_low"),
        ("speed_part_pct",) * 2,
        ("slope_part_pct",) * 2,
    ):
        assert log_change(after[one]) == pytest.approx(-log_change(before[other]), abs=1e-9)
    assert after["p_value"] == pytest.approx(before["p_value"], rel=1e-6)


def test_the_order_of_rows_does_not_matter():
    splits = draw(SCATTERED.but(n_athletes=3), 8)
    shuffled = splits.sample(fraction=1.0, shuffle=True, seed=1)
    for table, key in zip((0, 1), (["run_id", "metric"], ["athlete_id", "metric"]), strict=True):
        before, after = drift(splits, **NUMBERS)[table], drift(shuffled, **NUMBERS)[table]
        assert_frame_equal(before.sort(key), after.sort(key), rel_tol=1e-9, abs_tol=1e-12)


def test_an_athlete_is_analysed_alone():
    splits = draw(SCATTERED.but(n_athletes=3), 9, only=(CONTACT,))
    together = of_athletes(splits)
    alone = [of_athletes(splits.filter(pl.col("athlete_id") == name)) for name in together["athlete_id"]]
    assert_frame_equal(together, pl.concat(alone), rel_tol=1e-9)


# --- What enters -----------------------------------------------------------------------------------------------------


def spoilt(splits: pl.DataFrame, where: pl.Expr, **columns: object) -> pl.DataFrame:
    """Splits of a kind get an absurd contact time; `columns` make them of that kind."""
    changes = {name: pl.when(where).then(pl.lit(value)).otherwise(name) for name, value in columns.items()}
    return splits.with_columns(pl.when(where).then(pl.col(CONTACT) * 3).otherwise(CONTACT).alias(CONTACT), **changes)


MIDDLE = pl.col("km") == 5


@pytest.mark.parametrize(
    ("kind", "enters"),
    [
        ({"run_share": 0.95}, True),
        ({"run_share": 0.9499}, False),
        ({"run_share": None}, False),
        ({"length_m": 990.0}, True),
        ({"length_m": 989.99}, False),
        ({"speed_m_s": None}, False),
        ({"speed_m_s": 0.0}, False),
        ({CONTACT: None}, False),
        ({CONTACT: 0.0}, False),
    ],
)
def test_partly_walked_partial_and_unread_splits_do_not_enter(kind: dict[str, float | None], enters: bool):
    splits = draw(EXACT, 1, only=(CONTACT,))
    if CONTACT in kind:
        of_kind = splits.with_columns(pl.when(MIDDLE).then(kind[CONTACT]).otherwise(CONTACT).alias(CONTACT))
    else:
        of_kind = spoilt(splits, MIDDLE, **kind)
    found = row(of_kind)
    assert found["n_splits"] == len(entering(splits)) - (0 if enters else 4)
    is_unharmed = found["drift_pct_per_10km"] == pytest.approx(3.0, abs=1e-6)
    assert is_unharmed is not enters


def test_a_split_that_begins_before_the_warm_up_ends_does_not_enter():
    splits = spoilt(draw(EXACT, 1, only=(CONTACT,)), pl.col("km") == 1)
    everything = len(splits)
    assert row(splits)["n_splits"] == everything - 4
    assert row(splits)["drift_pct_per_10km"] == pytest.approx(3.0, abs=1e-6)
    assert row(splits, inclusion=but(warm_up_m=1000.01))["n_splits"] == everything - 8
    assert row(splits, inclusion=but(warm_up_m=0.0))["n_splits"] == everything
    assert row(splits, inclusion=but(warm_up_m=0.0))["drift_pct_per_10km"] != pytest.approx(3.0, abs=0.1)


def test_a_run_enters_with_the_fewest_splits_allowed_and_not_with_one_less():
    four, three = "250 251 252 253\n", "250 251 252 .\n"
    assert (row(drawn(four * 4))["n_runs"], row(drawn(four * 4))["n_splits"]) == (4, 16)
    assert (row(drawn(four * 3 + three))["n_runs"], row(drawn(four * 3 + three))["n_splits"]) == (3, 12)
    assert of_runs(drawn(four * 3 + three))["run_id"].to_list() == ["a-r0", "a-r1", "a-r2"]


@pytest.mark.parametrize("n_runs", [1, 2])
def test_too_few_runs_give_the_counts_and_no_estimate(n_runs: int):
    splits = drawn("250 251 252 253 254\n" * n_runs)
    found = published(splits)[1].row(0, named=True)
    assert (found["n_runs"], found["n_splits"], found["finding"]) == (n_runs, 5 * n_runs, "too_little_data")
    for name in ("fresh_level", "raw_pct_per_10km", "drift_pct_per_10km", "drift_low", "drift_high", "p_value"):
        assert found[name] is None, name
    assert of_runs(splits).is_empty()


def test_runs_too_short_to_enter_give_counts_of_zero():
    found = row(drawn("250 251\n" * 5))
    assert (found["n_runs"], found["n_splits"], found["drift_pct_per_10km"]) == (0, 0, None)


def test_a_metric_that_was_not_recorded_has_no_row():
    splits = draw(EXACT, 1, only=(CONTACT,))
    assert of_athletes(splits)["metric"].to_list() == [CONTACT]
    assert of_runs(splits)["metric"].unique().to_list() == [CONTACT]


def test_no_splits_give_empty_tables():
    runs, athletes = published(draw(EXACT, 1).clear())
    assert runs.is_empty()
    assert athletes.is_empty()


# --- What may be missing ---------------------------------------------------------------------------------------------


def test_splits_missing_in_the_middle_do_not_bend_the_drift():
    splits = draw(EXACT.but(km=(16, 21), hole_km=6), 1)
    assert splits.filter(pl.col("run_id") == "a00000-r000")["km"].diff().max() == 7
    assert row(splits)["drift_pct_per_10km"] == pytest.approx(3.0, abs=1e-6)
    assert of_runs(splits)["drift_pct_per_10km"].is_finite().all()


def test_splits_of_another_length_give_the_same_drift():
    # In miles, written as the distance at the middle of each: 1 % per 10 km whatever the split.
    splits = drawn("1 1 1 1 1 1\n" * 3).with_columns(length_m=pl.lit(1609.344))
    middle = (pl.col("km") - 0.5) * 1609.344 / 10_000
    splits = splits.with_columns((250 * (middle * np.log(1.01)).exp()).alias(CONTACT))
    assert row(splits, inclusion=but(split_length_m=1609.344))["drift_pct_per_10km"] == pytest.approx(1.0, abs=1e-6)


def test_metrics_may_miss_in_different_splits():
    splits = draw(EXACT, 1, only=(CONTACT, CADENCE)).with_columns(
        pl.when(pl.col("km") % 4 == 0).then(None).otherwise(CONTACT).alias(CONTACT),
        pl.when(pl.col("run_id") == "a00000-r000").then(None).otherwise(CADENCE).alias(CADENCE),
    )
    contact, cadence = row(splits), row(splits, CADENCE)
    assert contact["drift_pct_per_10km"] == pytest.approx(3.0, abs=1e-6)
    assert (contact["n_runs"], cadence["n_runs"]) == (4, 3)
    assert contact["n_splits"] == entering(splits)[CONTACT].count()
    assert cadence["n_splits"] == entering(splits)[CADENCE].count()


def test_without_altitude_the_slope_has_no_part_and_speed_is_still_told_apart():
    splits = draw(EXACT.but(has_altitude=False).with_contact(per_slope=0.0, per_slope_squared=0.0), 1)
    found = row(splits)
    assert found["drift_pct_per_10km"] == pytest.approx(3.0, abs=1e-6)
    assert found["slope_part_pct"] == 0.0


def test_at_even_speed_on_the_flat_there_is_nothing_to_adjust_for():
    found = row(draw(EVEN, 1))
    assert found["drift_pct_per_10km"] == pytest.approx(3.0, abs=1e-6)
    assert found["drift_pct_per_10km"] == pytest.approx(found["raw_pct_per_10km"], abs=1e-9)
    assert (found["speed_part_pct"], found["slope_part_pct"]) == (0.0, 0.0)


def test_even_speed_on_hilly_courses_is_adjusted_for_slope_alone():
    hills = EVEN.but(hills_sd_pct=2.0).with_contact(per_slope=0.01)
    found = row(draw(hills, 1))
    assert found["drift_pct_per_10km"] == pytest.approx(3.0, abs=1e-6)
    assert found["speed_part_pct"] == 0.0


def test_one_run_alone_with_altitude_is_enough_to_adjust_itself_and_does_not_stop_the_others():
    splits = draw(EXACT.with_contact(per_slope=0.0, per_slope_squared=0.0), 1).with_columns(
        pl.when(pl.col("run_id") == "a00000-r000").then(name).alias(name)
        for name in ("slope_pct", "slope_squared_pct2")
    )
    assert row(splits)["drift_pct_per_10km"] == pytest.approx(3.0, abs=1e-6)


def test_one_run_alone_at_uneven_speed_does_not_stop_the_others():
    uneven = draw(EVEN.but(n_runs=1, split_speed_sd_pct=10.0, km=(20, 20)), 1)
    even = draw(EVEN, 1).with_columns(run_id=pl.col("run_id") + "-even")
    found = row(pl.concat([uneven, even]))
    assert found["n_runs"] == 5
    assert found["drift_pct_per_10km"] == pytest.approx(3.0, abs=1e-6)


def test_a_pace_that_fades_alike_in_every_run_cannot_be_told_from_distance_and_nothing_is_claimed():
    fading = draw(EVEN.but(fade_pct=-4.0), 1, only=(CONTACT,))
    found = published(fading)[1].row(0, named=True)
    assert (found["n_runs"], found["finding"]) == (4, "unclear")
    assert "cannot be told apart" in found["reason"]
    assert found["drift_pct_per_10km"] is None or found["drift_low"] < 0 < found["drift_high"]


def test_a_metric_that_never_changes_does_not_drift():
    found = published(drawn("250 250 250 250 250\n" * 4))[1].row(0, named=True)
    assert (found["raw_pct_per_10km"], found["drift_pct_per_10km"]) == (0.0, 0.0)
    assert (found["drift_low"], found["drift_high"], found["finding"]) == (0.0, 0.0, "holds")


# --- How sure --------------------------------------------------------------------------------------------------------


@settings(max_examples=8, deadline=None)
@given(seed=st.integers(0, 10**6), n_runs=st.integers(3, 9), shortest=st.integers(5, 15))
def test_an_interval_holds_its_estimate_and_the_tables_keep_their_rules(seed: int, n_runs: int, shortest: int):
    splits = draw(SCATTERED.but(n_runs=n_runs, km=(shortest, 25)), seed)
    runs, athletes = published(splits)
    assert athletes.height == 5
    for table in (runs, athletes.filter(pl.col("n_runs") >= 3)):
        inside = pl.col("drift_pct_per_10km").is_between("drift_low", "drift_high")
        assert table.select(inside.all(ignore_nulls=False)).item() is True
        assert table.select(pl.col("drift_high", "drift_low").is_finite().all()).row(0) == (True, True)
    excludes_zero = (pl.col("drift_low") > 0) | (pl.col("drift_high") < 0)
    surely = of_athletes(splits).filter(pl.col("p_value").is_not_null())
    assert surely.select((excludes_zero == (pl.col("p_value") < 0.05)).all()).item()


def test_every_run_that_entered_has_a_row_and_their_splits_add_up():
    runs, athletes = drift(draw(SCATTERED.but(n_athletes=2), 10), **NUMBERS)
    summed = runs.group_by("athlete_id", "metric").agg(
        n_runs=pl.len().cast(pl.Int64), n_splits=pl.col("n_splits").sum()
    )
    assert_frame_equal(
        summed.sort("athlete_id", "metric"),
        athletes.select("athlete_id", "metric", "n_runs", "n_splits").sort("athlete_id", "metric"),
    )
    assert set(athletes["metric"]) == set(MEASURED) - {"vertical_oscillation_mm", "heart_rate_bpm"}


def test_more_runs_and_less_scatter_make_the_interval_narrower():
    def width(season: Season) -> float:
        found = of_athletes(draw(season.but(n_athletes=8), 11, only=(CONTACT,)))
        return float(found.select((pl.col("drift_high") - pl.col("drift_low")).median()).item())

    assert width(SCATTERED.but(n_runs=40)) < width(SCATTERED) < width(SCATTERED.but(n_runs=5))
    assert width(SCATTERED.with_contact(error_sd_pct=0.2, own_drift_sd_pct=0.2)) < width(SCATTERED)


# --- Causes that cannot be told apart --------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "made",
    [
        pl.col("km").replace_strict({}, default=0.0).alias("slope_pct"),
        pl.when(pl.col("km") % 3 == 0).then(4.0).otherwise(0.0).alias("slope_pct"),
        (100 * (pl.col("speed_m_s") / 3.2).log()).alias("slope_pct"),
    ],
    ids=["level", "two slopes", "slope by speed"],
)
def test_causes_that_follow_from_each_other_stop_nothing(made: pl.Expr):
    splits = draw(SCATTERED.but(n_athletes=1), 3).with_columns(made)
    splits = splits.with_columns(slope_squared_pct2=pl.col("slope_pct") ** 2)
    rows = of_athletes(splits)
    assert rows["drift_pct_per_10km"].is_finite().all()


def test_splits_that_lost_their_altitude_on_the_way_do_not_enter():
    splits = draw(SCATTERED.but(n_athletes=1), 3)
    lost = splits.with_columns(slope_pct=pl.when(pl.col("km") > 9).then(None).otherwise("slope_pct"))
    told = ("n_splits", "raw_pct_per_10km", "drift_pct_per_10km", "drift_low", "drift_high")
    # The reference speed, and with it the fresh level, is still that of all usable splits.
    assert_frame_equal(of_athletes(lost).select(told), of_athletes(lost.filter(pl.col("km") <= 9)).select(told))


def test_slopes_from_rough_altitude_widen_the_interval_of_those_who_climb_late():
    climbing = draw(
        EXACTLY_MEASURED.but(n_athletes=1, late_climb_pct=3.0, hills_sd_pct=0.8).with_contact(per_slope=0.01), 5
    )
    steady, rough = (
        row(climbing.with_columns(altitude=pl.lit(kind)), slope_error_pct=0.3, rough_slope_error_pct=1.0)
        for kind in ("steady", "rough")
    )
    assert rough["drift_pct_per_10km"] == steady["drift_pct_per_10km"]
    assert rough["drift_high"] - rough["drift_low"] > 1.2 * (steady["drift_high"] - steady["drift_low"])


@pytest.mark.parametrize(("n_runs", "n_km"), [(2, 5), (2, 6), (3, 4)])
def test_the_fewest_runs_and_splits_that_settings_allow_give_an_answer(n_runs: int, n_km: int):
    hilly = EXACTLY_MEASURED.but(n_athletes=12, n_runs=n_runs, km=(n_km, n_km))
    rule = but(min_runs=2, min_splits_of_run=3)
    found = drift(draw(hilly, 3), inclusion=rule, max_collinearity=0.9, seed=1)[1]
    assert found.height > 0
    assert not found["drift_pct_per_10km"].is_nan().any()


@pytest.mark.parametrize("split_length_m", [5000.0, 10_000.0])
def test_splits_too_long_for_a_lagged_speed_give_an_answer(split_length_m: float):
    splits = draw(EXACTLY_MEASURED.but(n_athletes=2), 4).with_columns(length_m=pl.lit(split_length_m))
    found = drift(splits, inclusion=but(split_length_m=split_length_m), max_collinearity=0.9, seed=1)[1]
    assert found["drift_pct_per_10km"].is_finite().any()


def test_a_stuck_sensor_and_one_run_of_mixed_pace_give_an_answer():
    mixed = pl.when(pl.col("run_id").str.ends_with("000")).then(0.04).otherwise(0.0)
    stuck = draw(EXACTLY_MEASURED.but(n_athletes=1, n_runs=4), 6).with_columns(
        contact_time_ms=pl.lit(250.0), log_speed_variance=mixed * (pl.col("km") % 2)
    )
    assert row(stuck, speed_error_pct=1.0)["drift_pct_per_10km"] == pytest.approx(0.0, abs=1e-3)
