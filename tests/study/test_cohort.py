from __future__ import annotations

from datetime import UTC, datetime

import polars as pl
import pytest

from pipeline.core.errors import NothingDone, UsageError
from pipeline.study.cohort import Step, cohort_flow, cut_to_shared_lengths, in_words, with_criteria
from pipeline.study.study_file import Analysis, Cohort, Study

RUNS = pl.DataFrame(
    [
        ("ari-1", "ari", datetime(2026, 3, 1, tzinfo=UTC), 42.2, "race", "road", "blue"),
        ("ari-2", "ari", datetime(2026, 4, 1, tzinfo=UTC), 12.0, "training", "road", "blue"),
        ("bo-1", "bo", datetime(2026, 3, 1, tzinfo=UTC), 42.2, "race", "trail", "red"),
        ("cy-1", "cy", datetime(2026, 3, 2, tzinfo=UTC), 10.0, None, None, None),
    ],
    schema=["run_id", "athlete_id", "started_at_utc", "distance_km", "kind", "surface", "device"],
    orient="row",
).with_columns(
    tags=pl.Series(["team=north; weather=heat", "team=north", None, None]),
    after_ride=pl.Series([False, True, False, False]),
)


def flow(**conditions: object) -> tuple[list[str], tuple[Step, ...]]:
    flow = cohort_flow(RUNS, Cohort(min_athletes=2, **conditions))  # type: ignore[arg-type]
    return flow.runs["run_id"].to_list(), flow.steps


def test_without_conditions_everything_enters():
    assert flow() == (["ari-1", "ari-2", "bo-1", "cy-1"], ())


@pytest.mark.parametrize(
    ("conditions", "left", "gone"),
    [
        ({"kinds": ("race",)}, ["ari-1", "bo-1"], (2, 1)),
        ({"after_ride": False}, ["ari-1", "bo-1", "cy-1"], (1, 0)),
        ({"athletes": ("ari", "bo")}, ["ari-1", "ari-2", "bo-1"], (1, 1)),
        ({"not_athletes": ("bo",)}, ["ari-1", "ari-2", "cy-1"], (1, 1)),
        ({"surfaces": ("road", "trail")}, ["ari-1", "ari-2", "bo-1"], (1, 1)),
        ({"devices": ("blue", "red")}, ["ari-1", "ari-2", "bo-1"], (1, 1)),
        ({"from_date": "2026-03-02"}, ["ari-2", "cy-1"], (2, 1)),
        ({"to_date": "2026-03-01"}, ["ari-1", "bo-1"], (2, 1)),
        ({"min_distance_km": 12.0}, ["ari-1", "ari-2", "bo-1"], (1, 1)),
        ({"max_distance_km": 12.0}, ["ari-2", "cy-1"], (2, 1)),
    ],
    ids=str,
)
def test_a_condition_takes_away_what_does_not_meet_it(conditions: dict, left: list[str], gone: tuple[int, int]):
    entered, (step,) = flow(**conditions)
    assert entered == left
    assert (step.n_runs, step.n_athletes) == gone


def test_conditions_are_told_in_order_each_with_what_it_took_from_what_was_left():
    entered, steps = flow(kinds=("race", "training"), min_distance_km=20.0)
    assert entered == ["ari-1", "bo-1"]
    assert [(step.n_runs, step.n_athletes) for step in steps] == [(1, 1), (1, 0)]


def test_an_athlete_with_too_few_runs_left_does_not_enter():
    flow = cohort_flow(pl.concat([RUNS, RUNS.with_columns(pl.col("run_id") + "b")]), Cohort(min_athletes=1, min_runs=3))
    assert flow.runs["athlete_id"].unique().to_list() == ["ari"]


def test_too_few_athletes_are_refused_with_the_whole_way():
    with pytest.raises(NothingDone) as raised:
        cohort_flow(RUNS, Cohort(kinds=("race",), min_distance_km=50.0))
    assert str(raised.value) == (
        "0 athletes with 0 runs are left, and the study asks for at least 3 athletes. The store holds 4 runs of 3 "
        "athletes. Left out: 2 of a kind of session other than race, or not listed; 2 shorter than 50 km."
    )


@pytest.mark.parametrize(
    ("conditions", "message"),
    [
        ({"athletes": ("ari", "bob")}, "athletes of [cohort]: the store has no run of 'bob'. Did you mean 'bo'?"),
        ({"not_athletes": ("zoe",)}, "not_athletes of [cohort]: the store has no run of 'zoe'. It has runs of ari, bo"),
        (
            {"kinds": ("race", "trainig")},
            "kinds of [cohort]: the store has no run of 'trainig'. Did you mean 'training'?",
        ),
        ({"devices": ("bleu",)}, "devices of [cohort]: the store has no run of 'bleu'. Did you mean 'blue'?"),
    ],
    ids=str,
)
def test_a_name_that_the_store_does_not_know_is_refused_and_not_left_without_effect(conditions: dict, message: str):
    with pytest.raises(UsageError) as raised:
        flow(**conditions)
    assert str(raised.value).startswith(message)


def test_no_step_names_a_device():
    _, (step,) = flow(devices=("blue", "red"))
    assert step.reason == "by a device other than those asked for, or not named"


def test_what_took_nothing_away_is_not_told_in_the_sentence():
    flow = cohort_flow(RUNS, Cohort(min_athletes=2, min_distance_km=1.0))
    assert in_words(flow) == "The store holds 4 runs of 3 athletes."


def test_a_run_needs_every_tag_that_is_asked_for():
    left = {
        tags: cohort_flow(RUNS.with_columns(athlete_id="run_id"), Cohort(min_athletes=1, tags=tags))
        .runs["run_id"]
        .to_list()
        for tags in (("team=north",), ("team=north", "weather=heat"))
    }
    assert left == {("team=north",): ["ari-1", "ari-2"], ("team=north", "weather=heat"): ["ari-1"]}


def test_runs_off_the_bike_can_be_taken_alone():
    kept = cohort_flow(RUNS, Cohort(min_athletes=1, after_ride=True))
    assert (kept.runs["run_id"].to_list(), kept.steps[0].reason) == (["ari-2"], "not after a ride")


def test_a_tag_that_no_run_has_is_an_error_with_the_nearest_one():
    with pytest.raises(
        UsageError, match=r"tags of .cohort.: the store has no run of 'team=nord'. Did you mean 'team=north'"
    ):
        flow(tags=("team=nord",))


def study_of(**conditions: object) -> Study:
    trend = Analysis("trend", "trend", ("cadence_spm", "contact_time_ms"))
    return Study("A", "B", Cohort(min_athletes=1, **conditions), (trend,))  # type: ignore[arg-type]


def entered(study: Study, splits: pl.DataFrame, drifts: pl.DataFrame) -> list[str]:
    return cohort_flow(with_criteria(RUNS, study, splits, drifts), study.cohort).runs["run_id"].to_list()


def test_level_runs_are_those_whose_kilometres_rise_and_fall_little_on_average():
    splits = pl.DataFrame(
        [("ari-1", 3.0), ("ari-1", -3.0), ("ari-2", 0.5), ("ari-2", -0.7), ("bo-1", None), ("cy-1", None)],
        schema=["run_id", "slope_pct"], orient="row",
    ).with_columns(length_m=1000.0)  # fmt: skip
    assert entered(study_of(max_slope_pct=0.6), splits, pl.DataFrame()) == ["ari-2"]
    # Without altitude a treadmill is level, and a road is not known to be.
    on_treadmill = RUNS.with_columns(surface=pl.lit("treadmill"))
    with_slopes = with_criteria(on_treadmill, study_of(max_slope_pct=0.6), splits, pl.DataFrame())
    assert with_slopes["mean_slope_pct"].to_list() == pytest.approx([3.0, 0.6, 0.0, 0.0])


def test_the_least_reliable_speed_of_the_studys_metrics_counts_and_an_unknown_one_excludes():
    drifts = pl.DataFrame(
        [
            ("ari", "cadence_spm", 0.9), ("ari", "contact_time_ms", 0.7), ("ari", "heart_rate_bpm", 0.1),
            ("bo", "cadence_spm", 0.9), ("bo", "contact_time_ms", 0.6),
            ("cy", "cadence_spm", 0.9), ("cy", "contact_time_ms", None),
        ],
        schema=["athlete_id", "metric", "speed_reliability"], orient="row",
    )  # fmt: skip
    assert entered(study_of(min_speed_reliability=0.7), pl.DataFrame(), drifts) == ["ari-1", "ari-2"]


# --- Lengths of runs -------------------------------------------------------------------------------------------------


def test_a_run_that_too_few_ran_so_far_is_cut_to_the_next_shorter_length_and_left_out_where_there_is_none():
    lengths = {"a": [30, 12], "b": [24, 12], "c": [24, 12], "d": [22, 5]}
    rows = pl.DataFrame(
        [
            (who, f"{who}{place}", km)
            for who, runs in lengths.items()
            for place, length in enumerate(runs)
            for km in range(1, length + 1)
        ],
        schema=["athlete_id", "run_id", "km"], orient="row",
    )  # fmt: skip

    def cut(least: int) -> dict[str, int]:
        kept = cut_to_shared_lengths(rows, "km", least)
        return dict(kept.group_by("run_id").agg(pl.col("km").max()).sort("run_id").iter_rows())

    assert cut(3) == {"a0": 24, "a1": 12, "b0": 24, "b1": 12, "c0": 24, "c1": 12, "d0": 12}
    assert cut(1) == {"a0": 30, "a1": 12, "b0": 24, "b1": 12, "c0": 24, "c1": 12, "d0": 22, "d1": 5}
