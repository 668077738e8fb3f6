"""Splits at equal speed and slope: straight where nothing else was planted; the published drift is their line."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import polars as pl
import pytest

from pipeline.core.inclusion import Inclusion
from pipeline.core.settings import Settings
from pipeline.methods.adjustment import RESPONSES
from pipeline.methods.design import TEN_KM
from pipeline.pages.adjusted import adjusted as adjusted_of
from pipeline.pages.adjusted import bent_levels, included
from tests.support.demo_store import Refreshed

METRIC = "contact_time_ms"
MIXED, WARM_UP = 0.45, 0.03
LEVEL, DRIFT, SPEED, CURVE, SLOPE, SLOPE_SQUARED, REFERENCE = 240.0, 0.03, -0.7, 0.4, 0.004, 0.0005, 3.2


def but(**numbers: float) -> Inclusion:
    """The usual rule of inclusion, with other numbers."""
    return replace(Settings().inclusion, **numbers)


ENTERING = {"inclusion": Settings().inclusion, }  # fmt: skip
TYPES = {
    "run_id": pl.String, "athlete_id": pl.String, "km": pl.Int64, "length_m": pl.Float64, "run_share": pl.Float64,
    "running_s": pl.Float64, "speed_m_s": pl.Float64, "slope_pct": pl.Float64, "slope_squared_pct2": pl.Float64,
    "log_speed_variance": pl.Float64, "lagged_speed_m_s": pl.Float64, METRIC: pl.Float64,
    "contact_time_share": pl.Float64, "suspicion": pl.String,
}  # fmt: skip


def adjusted(
    splits: pl.DataFrame, drifts: pl.DataFrame, run_drifts: pl.DataFrame, *, inclusion: Inclusion
) -> pl.DataFrame:
    return adjusted_of(included(splits, drifts, inclusion=inclusion), run_drifts, inclusion=inclusion)


def made(run: int, km: int, **differing: Any) -> dict[str, Any]:
    """A split by the model, without error: pace fades and the ground rises and falls."""
    speed = REFERENCE * (1.1 - 0.02 * km + 0.05 * np.sin(km + run))
    slope = differing.get("slope_pct", 2.0 * np.cos(2 * km + run))
    squared = 0.0 if slope is None else slope**2 + 0.3
    log_speed = np.log(speed / REFERENCE)
    mixed = 0.01 * (1 + np.sin(3 * km))
    effect = SPEED * log_speed + CURVE * log_speed**2 + SLOPE * (slope or 0.0) + SLOPE_SQUARED * squared
    effect += MIXED * mixed + WARM_UP * np.exp(-(km - 0.5) / 2)
    value = LEVEL * (1 + 0.01 * run) * np.exp(effect + DRIFT * (km - 0.5) / 10)
    row = {
        "run_id": f"ari-{run}", "athlete_id": "ari", "km": km, "length_m": 1000.0, "run_share": 1.0,
        "running_s": 1000 / speed, "speed_m_s": speed, "slope_pct": slope,
        "slope_squared_pct2": None if slope is None else squared, METRIC: value,
        "log_speed_variance": mixed, "lagged_speed_m_s": 9.9,
    }  # fmt: skip
    return row | differing


def splits(*rows: dict[str, Any]) -> pl.DataFrame:
    return pl.DataFrame(list(rows), schema=TYPES)


def athlete_drift(**differing: Any) -> pl.DataFrame:
    row = {
        "athlete_id": "ari", "metric": METRIC, "drift_pct_per_10km": 100 * np.expm1(DRIFT),
        "reference_speed_m_s": REFERENCE,
        "response_to_speed": SPEED, "response_to_speed_squared": CURVE, "response_to_slope": SLOPE,
        "response_to_slope_squared": SLOPE_SQUARED, "response_to_pace_variance": MIXED, "response_to_warm_up": WARM_UP,
    }  # fmt: skip
    return pl.DataFrame([row | differing], schema_overrides=dict.fromkeys(list(row)[2:], pl.Float64))


def run_drift(*runs: int, **differing: Any) -> pl.DataFrame:
    rows = [
        {
            "run_id": f"ari-{run}", "metric": METRIC, "fresh_level": LEVEL * (1 + 0.01 * run),
            "drift_pct_per_10km": 100 * np.expm1(DRIFT), "drift_low": 1.0, "drift_high": 5.2, "onset_km": None,
        } | differing
        for run in runs
    ]  # fmt: skip
    return pl.DataFrame(rows, schema_overrides={"onset_km": pl.Float64})


def straight(km: Any) -> Any:
    """The planted line at a distance, in percent of the fresh level."""
    return 100 * np.expm1(DRIFT * np.asarray(km) / 10)


# --- Closed forms -----------------------------------------------------------------------------------------------------


def test_splits_made_by_the_model_lie_on_the_planted_line():
    rows = [made(run, km) for run in (1, 2, 3) for km in range(1, 16)]
    found = adjusted(splits(*rows), athlete_drift(), run_drift(1, 2, 3), **ENTERING)
    assert found["km"].to_list() == 3 * list(range(2, 16))
    assert found["distance_km"].to_list() == [km - 0.5 for km in found["km"]]
    np.testing.assert_allclose(found[METRIC], straight(found["distance_km"]), atol=1e-10)


@pytest.mark.parametrize("response", [name for name in RESPONSES if name.startswith("response_to")])
def test_every_response_is_taken_out_and_none_where_there_is_none(response: str):
    rows = splits(*(made(1, km) for km in range(1, 12)))
    found = adjusted(rows, athlete_drift(**{response: None}), run_drift(1), **ENTERING)
    column, coefficient, squared = {
        "response_to_speed": ("speed_m_s", SPEED, False),
        "response_to_speed_squared": ("speed_m_s", CURVE, True),
        "response_to_slope": ("slope_pct", SLOPE, False),
        "response_to_slope_squared": ("slope_squared_pct2", SLOPE_SQUARED, False),
        "response_to_pace_variance": ("log_speed_variance", MIXED, False),
        "response_to_warm_up": ("left", WARM_UP, False),
    }[response]
    cause = rows.with_columns(left=(-(pl.col("km") - 0.5) / 2).exp())[column].to_numpy()[1:]
    cause = np.log(cause / REFERENCE) if column == "speed_m_s" else cause
    left = coefficient * (cause**2 if squared else cause)
    expected = 100 * np.expm1(DRIFT * found["distance_km"].to_numpy() / 10 + left)
    np.testing.assert_allclose(found[METRIC], expected, atol=1e-10)
    assert np.ptp(left) > 1e-4  # so that the test could fail


BENT = {
    "metric": METRIC, "onset_km": 8.5, "drift_pct_per_10km": 4.0, "drift_before_onset_pct": 1.0,
    "drift_after_onset_pct": 9.0,
}  # fmt: skip


def test_the_fresh_level_by_the_broken_line_is_that_which_the_splits_were_made_with():
    # Splits that follow the broken line from a level of 0, their straight line taken through the same mean.
    km = np.arange(1.5, 16)
    beyond = np.clip(km - BENT["onset_km"], 0, None)
    broken = np.log1p(0.01) * (km - beyond) / 10 + np.log1p(0.09) * beyond / 10
    seconds = 300.0 + km
    level = np.average(broken - np.log1p(0.04) * km / 10, weights=seconds)
    shown = pl.DataFrame(
        {"run_id": "ari-1", "distance_km": km, "running_s": seconds, METRIC: 100 * np.expm1(broken - level)}
    )
    found = bent_levels(shown, BENT)
    assert list(found) == ["ari-1"]
    assert found["ari-1"] == pytest.approx(-level, abs=1e-12)
    assert level < -0.005  # the straight line meets distance zero too low


def test_without_an_onset_the_fresh_level_is_that_of_the_straight_line():
    shown = pl.DataFrame({"run_id": ["ari-1"], "distance_km": [2.5], "running_s": [300.0], METRIC: [1.0]})
    assert bent_levels(shown, BENT | {"onset_km": None}) == {}
    assert bent_levels(shown.with_columns(pl.lit(None, pl.Float64).alias(METRIC)), BENT) == {}


# --- What enters ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("differing", "enters"),
    [
        ({"run_share": 0.95}, True),
        ({"run_share": 0.9499}, False),
        ({"length_m": 990.0}, True),
        ({"length_m": 989.99}, False),
        ({"speed_m_s": 0.0}, False),
        ({"slope_pct": None, "slope_squared_pct2": None}, False),
    ],
    ids=str,
)
def test_a_split_enters_exactly_as_into_the_drift(differing: dict[str, Any], enters: bool):
    rows = [made(1, km, **(differing if km == 5 else {})) for km in range(1, 9)]
    found = adjusted(splits(*rows), athlete_drift(), run_drift(1), **ENTERING)
    assert found["km"].to_list() == [km for km in range(2, 9) if enters or km != 5]


@pytest.mark.parametrize(("warm_up_m", "first"), [(0.0, 1), (1000.0, 2), (1000.1, 3), (2000.0, 3)])
def test_the_warm_up_ends_where_a_split_begins(warm_up_m: float, first: int):
    rows = splits(*(made(1, km) for km in range(1, 9)))
    found = adjusted(rows, athlete_drift(), run_drift(1), inclusion=but(warm_up_m=warm_up_m))
    assert found["km"][0] == first


def test_a_run_without_altitude_enters_as_level():
    rows = [made(1, km, slope_pct=None) for km in range(1, 9)]
    found = adjusted(splits(*rows), athlete_drift(), run_drift(1), **ENTERING)
    np.testing.assert_allclose(found[METRIC], straight(found["distance_km"]), atol=1e-10)


def test_a_split_without_the_metric_is_a_hole_in_its_run():
    rows = [made(1, km, **({METRIC: None} if km == 4 else {})) for km in range(1, 7)]
    found = adjusted(splits(*rows), athlete_drift(), run_drift(1), **ENTERING)
    assert found[METRIC].is_null().to_list() == [False, False, True, False, False]


def test_a_metric_without_an_estimate_has_no_column():
    rows = splits(*(made(1, km) for km in range(1, 9)))
    found = adjusted(rows, athlete_drift(drift_pct_per_10km=None), run_drift(1), **ENTERING)
    assert METRIC not in found.columns


def test_splits_of_another_length_lie_where_they_are():
    rows = splits(*(made(1, km, length_m=1609.344) for km in range(1, 6)))
    found = adjusted(rows, athlete_drift(), run_drift(1), inclusion=but(split_length_m=1609.344))
    np.testing.assert_allclose(found["distance_km"], np.array([1.5, 2.5, 3.5, 4.5]) * 1.609344)


# --- Against the published tables -------------------------------------------------------------------------------------


def of_demo(demo: Refreshed, athlete_id: str) -> tuple[pl.DataFrame, pl.DataFrame, pl.DataFrame]:
    """The athlete's splits at equal speed and slope, and rows of run_drift and athlete_drift."""
    splits, drifts, runs = (
        demo.table(name).filter(pl.col("athlete_id") == athlete_id) for name in ("splits", "athlete_drift", "run_drift")
    )
    return adjusted(splits, drifts, runs, **ENTERING), runs, drifts


@pytest.mark.parametrize("athlete_id", ["brine", "crag", "ember", "gull", "quill", "tallow", "tarn", "wick"])
def test_every_split_that_entered_a_published_drift_is_shown_and_no_other(demo: Refreshed, athlete_id: str):
    shown, runs, drifts = of_demo(demo, athlete_id)
    for metric in drifts.filter(pl.col("drift_pct_per_10km").is_not_null())["metric"]:
        counted = shown.drop_nulls(metric).group_by("run_id").len().sort("run_id").rows()
        own = runs.filter(pl.col("metric") == metric)
        assert counted == own.select("run_id", pl.col("n_splits").cast(pl.UInt32)).sort("run_id").rows()


@pytest.mark.parametrize("athlete_id", ["brine", "crag", "ember", "gull", "quill", "tallow", "tarn", "wick"])
def test_a_line_through_the_adjusted_splits_is_the_published_drift_of_the_run(demo: Refreshed, athlete_id: str):
    # Published slopes whiten errors that fade along the run and give outliers less weight; here neither is done. So
    # both agree within what a run's own errors leave open: most within half of its standard error, none beyond two.
    shown, runs, _ = of_demo(demo, athlete_id)
    off = []
    for row in runs.iter_rows(named=True):
        own = shown.filter(pl.col("run_id") == row["run_id"]).drop_nulls(row["metric"])
        distance, log = own["distance_km"].to_numpy() * 1000 / TEN_KM, np.log1p(own[row["metric"]].to_numpy() / 100)
        slope, _ = np.polyfit(distance, log, 1, w=np.sqrt(own["running_s"].to_numpy()))
        off.append(abs(100 * np.expm1(slope) - row["drift_pct_per_10km"]) / row["within_run_se_pct_per_10km"])
    assert len(off) > 30
    assert np.quantile(off, 0.9) < 0.5
    assert max(off) < 2


@pytest.mark.parametrize("athlete_id", ["brine", "crag", "ember", "gull", "quill", "tallow", "tarn", "wick"])
def test_the_fresh_level_is_where_the_athletes_line_begins(demo: Refreshed, athlete_id: str):
    # What is left of the splits beyond the athlete's drift averages to nothing in each run: exactly so with the weights
    # of the fit, in which outliers count less. With time alone as weight, runs without outliers agree as closely as
    # published digits allow, and the others within a fraction of their scatter.
    off = []
    shown, runs, drifts = of_demo(demo, athlete_id)
    for row in runs.iter_rows(named=True):
        own = shown.filter(pl.col("run_id") == row["run_id"]).drop_nulls(row["metric"])
        drift = drifts.filter(pl.col("metric") == row["metric"])["drift_pct_per_10km"][0]
        line = np.log1p(drift / 100) * own["distance_km"].to_numpy() * 1000 / TEN_KM
        left = 100 * (np.log1p(own[row["metric"]].to_numpy() / 100) - line)
        off.append(abs(np.average(left, weights=own["running_s"].to_numpy())) / left.std())
    assert np.median(off) < 0.01
    assert max(off) < 0.25
