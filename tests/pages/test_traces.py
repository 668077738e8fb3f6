"""Traces: means over short steps of the distance, weighted by time, of running alone."""

from __future__ import annotations

from typing import Any

import numpy as np
import polars as pl
import pytest

from pipeline.pages.traces import POINTS, SHORTEST_STEP_M, traced, traces, traces_of_runs

TYPES = {"distance_m": pl.Float64, "interval_s": pl.Float64, "gait": pl.String}


def samples(*rows: dict[str, Any]) -> pl.DataFrame:
    """Samples of one run, a second each, running, unless a row says otherwise."""
    given = [{"interval_s": 1.0, "gait": "run", **row} for row in rows]
    return pl.DataFrame(given, schema=TYPES | dict.fromkeys(traced(), pl.Float64))


def at(*rows: tuple[float, float | None], name: str = "cadence_spm") -> list[dict[str, Any]]:
    return [{"distance_m": distance, name: value} for distance, value in rows]


def test_a_step_is_the_mean_of_its_samples():
    found = traces(samples(*at((2, 160), (8, 170), (12, 180))))
    assert found.select("distance_km", "cadence_spm").rows() == [(0.005, 165.0), (0.015, 180.0)]


def test_a_sample_weighs_what_it_stands_for():
    # 3 s at 160 and 1 s at 180: 165.
    rows = [{"distance_m": 3, "cadence_spm": 160, "interval_s": 3.0}, {"distance_m": 6, "cadence_spm": 180}]
    assert traces(samples(*rows))["cadence_spm"].to_list() == [165.0]


def test_a_sample_belongs_to_the_step_that_its_interval_ends():
    found = traces(samples(*at((10, 160), (20, 170), (20.001, 180))))
    assert found.select("distance_km", "cadence_spm").rows() == [(0.005, 160.0), (0.015, 170.0), (0.025, 180.0)]


def test_what_is_absent_does_not_count_and_a_step_without_any_is_absent_too():
    found = traces(samples(*at((2, 160), (4, None), (12, None))))
    assert found["cadence_spm"].to_list() == [160.0, None]
    assert found["heart_rate_bpm"].to_list() == [None, None]


@pytest.mark.parametrize("name", [name for name in traced() if name != "altitude_m"])
def test_only_running_enters(name: str):
    rows = [{"distance_m": 2, name: 100.0}, {"distance_m": 4, name: 50.0, "gait": "walk"}]
    assert traces(samples(*rows))[name].to_list() == [100.0]


def test_altitude_is_that_of_walking_too():
    rows = [{"distance_m": 2, "altitude_m": 100.0}, {"distance_m": 4, "altitude_m": 50.0, "gait": "walk"}]
    assert traces(samples(*rows))["altitude_m"].to_list() == [75.0]


def test_the_share_that_was_run_is_one_of_moving_time():
    rows = [
        {"distance_m": 2, "interval_s": 3.0},
        {"distance_m": 4, "gait": "walk"},
        {"distance_m": 5, "gait": "stand", "interval_s": 60.0},
        {"distance_m": 12, "gait": "walk"},
    ]
    assert traces(samples(*rows)).select("distance_km", "run_share").rows() == [(0.005, 0.75), (0.015, 0.0)]


@pytest.mark.parametrize("still", [{"gait": "stand"}, {"interval_s": 0.0}, {"gait": None}])
def test_a_step_without_movement_is_absent(still: dict[str, Any]):
    found = traces(samples({"distance_m": 5}, {"distance_m": 15, **still}, {"distance_m": 25}))
    assert found["distance_km"].to_list() == [0.005, 0.025]


def test_a_run_of_nothing_but_standing_has_no_trace():
    assert traces(samples({"distance_m": 5, "gait": "stand"})).is_empty()


# --- How long a step is -----------------------------------------------------------------------------------------------

LONGEST_SHORT_M = POINTS * SHORTEST_STEP_M


@pytest.mark.parametrize(
    ("length_m", "n_points"),
    [
        (SHORTEST_STEP_M, 1),
        (100.0, 10),
        (LONGEST_SHORT_M - 10, POINTS - 1),
        (LONGEST_SHORT_M, POINTS),
        (LONGEST_SHORT_M + 1, POINTS),
        (10 * LONGEST_SHORT_M, POINTS),
        (42195.0, POINTS),
        (100 / 3 * 1000, POINTS),
    ],
)
def test_steps_are_no_shorter_than_the_shortest_and_no_more_than_a_page_shows(length_m: float, n_points: int):
    n = 20 * POINTS
    found = traces(samples(*at(*((length_m * (place + 1) / n, 170.0) for place in range(n)))))
    assert found.height == n_points
    assert found["distance_km"].is_sorted()
    # No point lies beyond the end of the run: the middle of the last step is before it.
    assert found["distance_km"].max() < length_m / 1000


def test_the_order_of_the_samples_does_not_matter():
    rows = samples(*at(*((float(5 * place + 5), 160.0 + place) for place in range(60))))
    assert traces(rows).equals(traces(rows.reverse()))


@pytest.mark.parametrize(("name", "decimals"), traced().items())
def test_values_have_the_decimals_that_a_picture_needs(name: str, decimals: int):
    assert traces(samples({"distance_m": 5, name: 123.456789}))[name].to_list() == [round(123.456789, decimals)]


def test_several_runs_at_once_are_each_as_alone():
    runs = [
        samples(*at((2, 160), (4, None), (12, 170)), *at((30, 1.0), name="altitude_m")),
        samples(*at((2, None)), {"distance_m": 3, "cadence_spm": 90, "gait": "walk"}),
        samples(*at(*((12.5 * n, 150 + n) for n in range(1, 200)), name="heart_rate_bpm")),
        samples({"distance_m": 0, "interval_s": None, "gait": None}),
    ]
    begins = [0, 4, 6, 205]
    found = traces_of_runs(pl.concat(runs), begins)
    for place, own in enumerate(runs):
        alone = traces_of_runs(own, [0])
        for several, one in (
            (found.distance_km, alone.distance_km),
            (found.moves, alone.moves),
            (found.run_share, alone.run_share),
            *((found.values[name], alone.values[name]) for name in traced()),
        ):
            np.testing.assert_array_equal(several[place], one[0])
    assert found.moves.sum(axis=1).tolist() == [3, 1, POINTS, 0]
