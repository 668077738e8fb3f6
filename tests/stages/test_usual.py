"""Stage `usual`: the mean over runs at each kilometre, the line through it, and each run against the others."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import polars as pl
import pytest
from scipy import stats

from pipeline.core.settings import Settings
from pipeline.methods.meta_regression import meta_regression
from pipeline.pages.athlete_pictures import fitted_line
from pipeline.stages.usual import (
    AWAY,
    FEWEST_OTHER_RUNS,
    FEWEST_RUNS_OF_INTERVAL,
    ROOM,
    run_against_usual,
    usual,
    usual_course,
)
from pipeline.tables import TABLES, publishable, types_of
from tests.support.demo_store import Refreshed

INCLUSION = Settings().inclusion
METRIC, LEVEL, REFERENCE, RESPONSE = "contact_time_ms", 240.0, 3.2, -0.6
Row = dict[str, Any]


def rows_of(table: str, rows: list[Row]) -> pl.DataFrame:
    return pl.DataFrame(rows, schema=types_of(table), infer_schema_length=None)


def athlete_drift(**differing: Any) -> pl.DataFrame:
    row = {
        "athlete_id": "ari", "metric": METRIC, "finding": "rises", "n_runs": 4, "n_splits": 40, "fresh_level": LEVEL,
        "reference_speed_m_s": REFERENCE, "drift_pct_per_10km": 3.0, "response_to_speed": RESPONSE,
        "smallest_change_pct": 2.0, "detectable_pct": 1.0, "usual_distance_km": 10.0,
        "change_at_usual_distance_pct": 3.0,
    }  # fmt: skip
    return rows_of("athlete_drift", [row | differing])


def run_drift(n_runs: int, **differing: Any) -> pl.DataFrame:
    row = {"athlete_id": "ari", "metric": METRIC, "n_splits": 10, "fresh_level": LEVEL, "drift_pct_per_10km": 3.0}
    return rows_of("run_drift", [{"run_id": f"ari-{run}"} | row | differing for run in range(n_runs)])


def splits(changes: list[list[float]], *, pace: float = REFERENCE) -> pl.DataFrame:
    """Runs whose metric at each kilometre from the second on differs from its level by these percentages."""
    rows = [
        {
            "run_id": f"ari-{run}", "athlete_id": "ari", "km": km, "length_m": 1000.0, "moving_s": 1000 / pace,
            "running_s": 1000 / pace, "run_share": 1.0, "speed_m_s": pace, "slope_pct": 0.0, "slope_squared_pct2": 0.0,
            "log_speed_variance": 0.0, "altitude": "steady", "n_valid": 300,
            METRIC: LEVEL * (pace / REFERENCE) ** RESPONSE * (1 + change / 100),
        }
        for run, own in enumerate(changes)
        for km, change in enumerate(own, 2)
    ]  # fmt: skip
    return rows_of("splits", rows)


def course(changes: list[list[float]], **differing: Any) -> list[Row]:
    found = usual_course(
        splits(changes, pace=differing.pop("pace", REFERENCE)), run_drift(len(changes)), athlete_drift(**differing),
        inclusion=INCLUSION,
    )  # fmt: skip
    return publishable("usual_course", found, subject="test").to_dicts()


# --- Along the distance ----------------------------------------------------------------------------------------------


def test_the_mean_at_a_kilometre_is_that_of_the_logarithms_over_runs_with_students_interval():
    at_two, at_three = course([[1.0, 4.0], [2.0, 5.0], [3.0, 9.0]])
    logs = np.log1p(np.array([1.0, 2.0, 3.0]) / 100)
    reach = stats.t.ppf(0.975, 2) * logs.std(ddof=1) / math.sqrt(3)
    assert at_two["change_pct"] == pytest.approx(100 * math.expm1(logs.mean()), abs=1e-3)
    assert at_two["change_low"] == pytest.approx(100 * math.expm1(logs.mean() - reach), abs=1e-3)
    assert at_two["change_high"] == pytest.approx(100 * math.expm1(logs.mean() + reach), abs=1e-3)
    assert (at_two["km"], at_two["distance_km"], at_two["n_runs"]) == (2, 1.5, 3)
    assert at_three["change_pct"] > at_two["change_pct"]


@pytest.mark.parametrize("n_runs", [FEWEST_RUNS_OF_INTERVAL - 1, FEWEST_RUNS_OF_INTERVAL])
def test_few_runs_have_a_mean_without_an_interval(n_runs: int):
    (row,) = course([[float(run)] for run in range(n_runs)])
    assert (row["change_low"] is None) == (row["run_low"] is None) == (n_runs < FEWEST_RUNS_OF_INTERVAL)
    assert row["change_pct"] is not None


def test_pace_is_taken_out_with_the_athletes_response():
    for row in course([[1.0], [1.0], [1.0]], pace=2.6):
        assert row["change_pct"] == pytest.approx(1.0, abs=1e-3)
        assert row["level"] == pytest.approx(LEVEL * 1.01, abs=1e-3)


@pytest.mark.parametrize("change", [-100.0, -101.0])
def test_a_split_without_flight_counts_as_one_that_was_not_measured(change: float):
    at_two, at_three = course([[1.0, 1.0], [1.0, 1.0], [1.0, change]])
    assert (at_two["n_runs"], at_three["n_runs"]) == (3, 2)
    assert at_three["change_pct"] == pytest.approx(1.0, abs=1e-3)
    assert course([[1.0, 1.0], [1.0, 1.0], [1.0, change], [change, change]]) == [at_two, at_three]


def test_the_line_is_straight_in_logarithms():
    for row in course([[0.0] * 8] * 3):
        assert row["line_pct"] == pytest.approx(100 * math.expm1(math.log1p(0.03) * row["distance_km"] / 10), abs=1e-3)
        assert row["start_level"] == LEVEL


def test_where_a_break_stands_out_line_and_level_are_those_of_the_broken_line():
    slope = math.log1p(0.06) / 10
    broken = [100 * math.expm1(slope * max(km - 0.5 - 5.0, 0.0)) for km in range(2, 12)]
    rows = course([broken] * 4, onset_km=5.0, drift_before_onset_pct=0.0, drift_after_onset_pct=6.0)
    for row in rows:
        assert row["line_pct"] == pytest.approx(100 * math.expm1(slope * max(row["distance_km"] - 5, 0.0)), abs=1e-3)
    # By the straight line of 3 % the level would begin too low; the difference is the same in all kilometres.
    apart = {round(row["change_pct"] - row["line_pct"], 1) for row in rows}
    assert len(apart) == 1
    assert rows[0]["start_level"] != LEVEL


def test_single_runs_lie_within_their_range_as_often_as_it_says():
    noise = np.random.default_rng(11).normal(0, 1.0, (40, 30))
    rows = course([list(own) for own in noise], drift_pct_per_10km=0.0)
    inside = [
        (row["run_low"] <= noise[:, place]) & (noise[:, place] <= row["run_high"]) for place, row in enumerate(rows)
    ]
    assert 0.93 < np.mean(inside) < 0.97


def test_what_has_no_estimate_has_no_course():
    assert course([[1.0]] * 3, drift_pct_per_10km=None, finding="unclear") == []


# --- What is usual, and what would settle it -------------------------------------------------------------------------


def usual_of(**differing: Any) -> Row:
    drifts = athlete_drift(**differing)
    along = usual_course(splits([[1.0]] * 3), run_drift(3), drifts, inclusion=INCLUSION)
    (row,) = publishable("usual", usual(along, drifts, inclusion=INCLUSION), subject="test").to_dicts()
    return row


def test_the_level_at_the_usual_distance_is_the_fresh_level_changed():
    row = usual_of(smallest_change_at_usual_distance_pct=3.0)
    assert (row["start_level"], row["level_at_usual_distance"], row["n_more_runs"]) == (240.0, 247.2, None)


@pytest.mark.parametrize(("change_pct", "is_given"), [(3.0, True), (3.3, True), (2.69, False), (3.31, False)])
def test_without_an_onset_levels_are_those_of_the_straight_line_or_none(change_pct: float, is_given: bool):
    """Along the straight line 3 % over 10 km; a tenth of the smallest change of interest, 3 %, may lie between."""
    row = usual_of(change_at_usual_distance_pct=change_pct, smallest_change_at_usual_distance_pct=3.0)
    assert (row["level_at_usual_distance"] is not None) == is_given
    broken = {"onset_km": 5.0, "drift_before_onset_pct": 0.0, "drift_after_onset_pct": 6.0}
    placed = usual_of(change_at_usual_distance_pct=change_pct, smallest_change_at_usual_distance_pct=3.0, **broken)
    assert placed["level_at_usual_distance"] == pytest.approx(placed["start_level"] * (1 + change_pct / 100), abs=1e-4)


def test_levels_and_picture_follow_one_line_in_the_demo_where_both_are_given(demo: Refreshed):
    drifts = demo.table("athlete_drift").drop_nulls("drift_pct_per_10km")
    rows = drifts.join(demo.table("usual").drop("usual_distance_km"), on=["athlete_id", "metric"]).to_dicts()
    without = {(row["athlete_id"], row["metric"]) for row in rows if row["level_at_usual_distance"] is None}
    assert {("brine", "cadence_spm"), ("brine", "step_length_m")} <= without
    assert len(without) < len(rows) / 10
    for row in rows:
        if row["level_at_usual_distance"] is not None and row["onset_km"] is None:
            drawn = dict(fitted_line(row, row["usual_distance_km"]))[row["usual_distance_km"]]
            stated = 100 * (row["level_at_usual_distance"] / row["start_level"] - 1)
            limit = AWAY * row["smallest_change_at_usual_distance_pct"] + 0.02
            assert stated == pytest.approx(drawn, abs=limit), (row["athlete_id"], row["metric"])


@pytest.mark.parametrize(
    ("finding", "n_runs", "detectable", "at_best", "more"),
    [
        ("unclear", 4, 4.0, 0.0, 12),  # half the error takes four times the runs
        ("unclear", 4, 4.0, None, 12),
        ("unclear", 4, 4.0, 1.0, 16),  # 4 x (16 - 1) / (4 - 1) runs in all
        ("unclear", 4, 4.0, 2.0, None),  # what stays is as large as what has to be seen
        ("unclear", 4, 2.0, 0.0, None),  # precise enough: more runs of the kind would not help
        ("unclear", 4, 2.0001, 0.0, 1),
        ("holds", 4, 4.0, 0.0, None),
        ("rises", 4, 4.0, 0.0, None),
    ],
)
def test_so_many_more_runs_would_show_the_smallest_change_of_interest(
    finding: str, n_runs: int, detectable: float, at_best: float | None, more: int | None
):
    row = usual_of(finding=finding, n_runs=n_runs, detectable_pct=detectable, detectable_at_best_pct=at_best)
    assert row["n_more_runs"] == more


def test_too_few_runs_lack_those_up_to_the_setting():
    few = usual_of(finding="too_little_data", n_runs=INCLUSION.min_runs - 1, drift_pct_per_10km=None)
    assert (few["n_more_runs"], few["start_level"]) == (1, None)


# --- A run against the others ----------------------------------------------------------------------------------------


def against(drifts: list[float], errors: list[float], *, smallest_change_pct: float = 2.0) -> list[Row]:
    rows = [
        {"run_id": f"ari-{n}", "athlete_id": "ari", "metric": METRIC, "n_splits": 9, "drift_pct_per_10km": drift,
         "within_run_se_pct_per_10km": error}
        for n, (drift, error) in enumerate(zip(drifts, errors, strict=True))
    ]  # fmt: skip
    found = run_against_usual(rows_of("run_drift", rows), athlete_drift(smallest_change_pct=smallest_change_pct))
    return publishable("run_against_usual", found, subject="test").to_dicts()


DRIFTS, ERRORS = [3.0, 4.1, 2.2, 3.5, 9.0, 3.1], [0.5, 0.4, 0.9, 0.6, 0.5, 1.1]


def test_what_is_expected_of_a_run_is_the_meta_analysis_of_the_others():
    for run, row in enumerate(against(DRIFTS, ERRORS)):
        others = np.arange(len(DRIFTS)) != run
        errors = np.array(ERRORS)[others]
        fit = meta_regression(np.array(DRIFTS)[others], errors, np.ones((len(errors), 1)))
        reach = stats.t.ppf(0.975, len(errors) - 1) * math.sqrt(fit.between + ERRORS[run] ** 2 + fit.covariance[0, 0])
        assert row["usual_pct_per_10km"] == pytest.approx(fit.coefficients[0], abs=1e-3)
        assert row["usual_low"] == pytest.approx(fit.coefficients[0] - reach, abs=1e-3)
        assert row["usual_high"] == pytest.approx(fit.coefficients[0] + reach, abs=1e-3)
        assert row["n_other_runs"] == len(DRIFTS) - 1


@pytest.mark.parametrize("n_others", [FEWEST_OTHER_RUNS - 1, FEWEST_OTHER_RUNS])
def test_few_other_runs_do_not_say_what_is_usual(n_others: int):
    rows = against([3.0] * (n_others + 1), [0.2] * (n_others + 1))
    words = {row["comparison"] for row in rows}
    assert words == ({"cannot_tell"} if n_others < FEWEST_OTHER_RUNS else {"as_usual"})


@pytest.mark.parametrize(
    ("usual_drift", "drift", "word"),
    [
        (3.0, 3.1, "as_usual"), (3.0, 9.0, "more"), (3.0, -3.0, "less"), (3.0, -9.0, "less"),
        (-3.0, -9.0, "more"), (-3.0, 2.0, "less"), (0.0, 6.0, "more"), (0.0, -6.0, "more"),
    ],
)  # fmt: skip
def test_more_is_further_the_usual_way_and_of_what_is_steady_any_way(usual_drift: float, drift: float, word: str):
    *_, last = against([usual_drift] * 8 + [drift], [0.3] * 9)
    assert last["comparison"] == word


def test_a_run_whose_interval_leaves_room_for_twice_the_smallest_change_tells_nothing():
    reach = 2.0 * stats.t.ppf(0.975, 7)
    precise, coarse = (
        against([3.0] * 9, [1e-3] * 8 + [2.0], smallest_change_pct=(reach + by) / ROOM)[-1] for by in (0.1, -0.1)
    )
    assert (precise["comparison"], coarse["comparison"]) == ("as_usual", "cannot_tell")


def test_one_run_in_twenty_is_called_unusual_where_nothing_is():
    random = np.random.default_rng(5)
    words = [
        row["comparison"]
        for _ in range(60)
        for row in against(list(random.normal(3, 1, 12)), [0.5] * 12, smallest_change_pct=9.0)
    ]
    assert 0.02 < np.mean([word in ("more", "less") for word in words]) < 0.08


# --- The demo club ---------------------------------------------------------------------------------------------------


def test_every_included_split_of_the_demo_is_in_a_mean_and_every_run_is_compared(demo: Refreshed):
    drifts, along = demo.table("run_drift"), demo.table("usual_course")
    counted = along.group_by("athlete_id", "metric").agg(pl.col("n_runs").sum())
    included = drifts.group_by("athlete_id", "metric").agg(pl.col("n_splits").sum())
    joined = counted.join(included, on=["athlete_id", "metric"])
    assert joined.height > 60
    assert (joined["n_runs"] == joined["n_splits"]).all()
    compared = demo.table("run_against_usual").select("run_id", "metric").sort("run_id", "metric")
    entering = drifts.filter(pl.col("within_run_se_pct_per_10km") > 0).select("run_id", "metric")
    assert compared.equals(entering.sort("run_id", "metric"))


def test_more_runs_are_asked_for_in_the_demo_only_where_the_error_of_speed_leaves_room(demo: Refreshed):
    drifts = demo.table("athlete_drift").filter(pl.col("drift_pct_per_10km").is_not_null())
    now, at_best = drifts["detectable_pct"], drifts["detectable_at_best_pct"]
    assert (at_best < now).all()
    assert (at_best > 0).mean() > 0.9
    asked = demo.table("usual").drop_nulls("n_more_runs").join(drifts, on=["athlete_id", "metric"])
    assert asked.height > 3
    assert (asked["detectable_at_best_pct"] < asked["smallest_change_pct"]).all()


@pytest.mark.parametrize("table", ["usual", "usual_course", "run_against_usual"])
def test_an_empty_club_has_empty_tables(table: str):
    empty = {name: rows_of(name, []) for name in ("splits", "run_drift", "athlete_drift", "usual_course")}
    made = {
        "usual_course": usual_course(empty["splits"], empty["run_drift"], empty["athlete_drift"], inclusion=INCLUSION),
        "usual": usual(empty["usual_course"], empty["athlete_drift"], inclusion=INCLUSION),
        "run_against_usual": run_against_usual(empty["run_drift"], empty["athlete_drift"]),
    }
    assert publishable(table, made[table], subject="test").columns == TABLES[table].column_names()
    assert made[table].is_empty()
