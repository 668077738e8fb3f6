"""Samples: one clock, distance that never decreases, slope, gait, and what was set aside for which reason.

Inputs are readings as a device wrote them; expected values follow by hand from the rules in the stage's docstring.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import polars as pl
import pytest

from pipeline.formats import Recording, readings_frame
from pipeline.stages.samples import LONGEST_RUN_S, RunSamples, samples
from pipeline.tables import publishable

NUMBERS = {"gap_s": 10.0, "slope_window_m": 100.0, "slope_window_rough_m": 400.0, "rough_altitude_m": 0.6}


def settled(
    time_s: Sequence[float | None] | np.ndarray,
    *,
    pauses: tuple[tuple[float, float], ...] = (),
    grain: str = "sample",
    rough_altitude_m: float = 0.6,
    **columns: Any,
) -> RunSamples:
    """The stage over readings given column by column; every outcome must also fit the published table."""
    given = {"time_s": time_s, **columns}
    series = {name: pl.Series(name, values, dtype=pl.Float64, strict=False) for name, values in given.items()}
    recording = Recording(readings=readings_frame(series), pauses=pauses, grain=grain)
    run = samples(recording, **{**NUMBERS, "rough_altitude_m": rough_altitude_m}).named("r")
    publishable("samples", run.samples, subject="r")
    publishable("exclusions", run.exclusions, subject="r")
    return run


def column(run: RunSamples, name: str) -> list[Any]:
    return run.samples[name].to_list()


def reasons(run: RunSamples) -> dict[tuple[str, str], int]:
    return {(row["quantity"], row["reason"]): row["n_samples"] for row in run.exclusions.iter_rows(named=True)}


def every_second(n: int, m_s: float = 3.0) -> dict[str, Any]:
    return {"time_s": np.arange(float(n)), "distance_m": m_s * np.arange(n)}


# --- Clock -----------------------------------------------------------------------------------------------------------


def test_rows_of_one_instant_become_one_and_each_column_keeps_its_last_value():
    run = settled(
        [0, 1, 1, 1, 2],
        distance_m=[0, 3, 3.5, None, 6],
        cadence_spm=[170, 171, None, 172, 173],
        heart_rate_bpm=[None, 150, None, None, 151],
    )
    assert column(run, "elapsed_s") == [0, 1, 2]
    assert column(run, "distance_m") == [0, 3.5, 6]
    assert column(run, "cadence_spm") == [170, 172, 173]
    assert column(run, "heart_rate_bpm") == [None, 150, 151]
    assert reasons(run) == {("sample", "merged with another of the same instant"): 2}


def test_instants_that_are_published_as_one_become_one():
    run = settled([0, 1.0001, 1.0004, 2], distance_m=[0, 3, 3.5, 6])
    assert column(run, "distance_m") == [0, 3.5, 6]
    assert reasons(run) == {("sample", "merged with another of the same instant"): 1}


@pytest.mark.parametrize(("away_s", "n"), [(LONGEST_RUN_S, 7), (LONGEST_RUN_S + 1, 6)])
def test_a_sample_further_from_the_middle_than_a_run_lasts_has_a_wrong_date(away_s: float, n: int):
    run = settled([0, 1, 2, 3, 4, 5, 3 + away_s], distance_m=[0, 3, 6, 9, 12, 15, 18])
    assert (run.samples.height, ("sample", "a date days away from the rest") in reasons(run)) == (n, n == 6)


def test_rows_without_a_time_are_left_out_and_counted():
    run = settled([0, None, 2], distance_m=[0, 3, 6])
    assert column(run, "distance_m") == [0, 6]
    assert reasons(run) == {("sample", "no time"): 1}


def test_a_recording_without_any_time_gives_no_samples():
    recording = Recording(readings=readings_frame({"time_s": pl.Series([None, None], dtype=pl.Float64)}))
    run = samples(recording, **NUMBERS).named("r")
    assert run.samples.is_empty()
    assert run.exclusions.rows() == [("r", "sample", "no time", "no_reading", 2)]


def test_rows_come_in_order_of_time_whatever_their_order_in_the_file():
    run = settled([100, 102, 101, 103], distance_m=[0, 6, 3, 9])
    assert column(run, "elapsed_s") == [0, 1, 2, 3]
    assert column(run, "distance_m") == [0, 3, 6, 9]
    assert run.started_s == 100


@pytest.mark.parametrize(("days_away", "n_kept"), [(2.0, 6), (2.00001, 5), (-2.0, 6), (-9000, 5)])
def test_a_date_more_than_two_days_from_the_middle_is_left_out(days_away: float, n_kept: int):
    """The middle of the six times is exactly 2.0 s, that of the odd one out included."""
    middle = 2.0
    odd = middle + 86_400 * days_away
    rest = [0, 1, 2, 2, 3] if days_away > 0 else [1, 2, 2, 3, 4]
    rest = [time + 0.001 * place * (time != 2) for place, time in enumerate(rest)]
    run = settled([odd, *rest], distance_m=[0, 0, 3, 6, 9, 12])
    assert run.samples.height == n_kept - 1  # two of them are of one instant
    assert reasons(run).get(("sample", "a date days away from the rest"), 0) == 6 - n_kept


# --- Pauses ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("pause", "intervals", "paused_s"),
    [
        ((10, 20), [0, 10, 0, 10], 10),
        ((12, 18), [0, 10, 4, 10], 6),
        ((15, 25), [0, 10, 5, 5], 10),
        ((0, 30), [0, 0, 0, 0], 30),
        ((15, 15), [0, 10, 10, 10], 0),
        ((25, 99), [0, 10, 10, 5], 5),
    ],
    ids=str,
)
def test_the_timer_shortens_the_intervals_by_what_lies_in_its_pause(pause: Any, intervals: Any, paused_s: float):
    run = settled([0, 10, 20, 30], distance_m=[0, 30, 60, 90], pauses=(pause,))
    assert column(run, "interval_s") == intervals
    assert column(run, "elapsed_s") == [0, 10, 20, 30]  # goes on, as the watch on the wall does
    assert run.paused_s == paused_s


def test_several_pauses_of_the_timer_in_one_interval_add_up():
    run = settled([0, 10, 30], distance_m=[0, 30, 60], pauses=((12, 14), (20, 25)))
    assert column(run, "interval_s") == [0, 10, 13]
    assert run.paused_s == 7


def test_distance_during_a_pause_of_the_timer_does_not_count():
    run = settled([0, 10, 20, 30], distance_m=[0, 30, 45, 75], pauses=((10, 20),))
    assert column(run, "distance_m") == [0, 30, 30, 60]


@pytest.mark.parametrize(
    ("hole_s", "progress_m", "is_pause"),
    [(10, 4.9, False), (11, 5.4, True), (11, 5.5, False), (998, 498.9, True), (998, 499, False), (10.5, 0, True)],
)
def test_a_hole_longer_than_ten_seconds_is_a_pause_below_half_a_metre_a_second(
    hole_s: float, progress_m: float, is_pause: bool
):
    times, distances = [0, 1, 2, 2 + hole_s, 3 + hole_s], [0, 3, 6, 6 + progress_m, 9 + progress_m]
    run = settled(times, distance_m=distances)
    assert column(run, "interval_s")[3] == (0 if is_pause else pytest.approx(hole_s))
    assert column(run, "covered_m")[3] == pytest.approx(0 if is_pause else progress_m)
    assert run.paused_s == pytest.approx(hole_s if is_pause else 0)


def test_a_hole_with_progress_keeps_its_time_and_speed_but_not_its_one_reading():
    run = settled(
        [0, 1, 2, 62, 63], distance_m=[0, 3, 6, 186, 189], speed_m_s=[3, 3, 3, 4, 3], contact_time_ms=[250] * 5,
        cadence_spm=[170] * 5,
    )  # fmt: skip
    assert column(run, "interval_s") == [0, 1, 1, 60, 1]
    assert column(run, "speed_m_s")[3] == 3  # 180 m in 60 s, not the 4 m/s of its last instant
    assert column(run, "contact_time_ms") == [250, 250, 250, None, 250]
    assert column(run, "gait")[3] == "run"
    lost = "one reading for a long hole"
    assert reasons(run) == {("cadence_spm", lost): 1, ("contact_time_ms", lost): 1}


@pytest.mark.parametrize("every_s", [1, 6, 10, 30, 60])
def test_a_device_that_writes_seldom_has_no_holes(every_s: int):
    """Three usual intervals are no hole: a device that writes every 30 s did not pause whenever the runner stood."""
    run = settled(
        [0, every_s, 2 * every_s, 5 * every_s], distance_m=[0, 3 * every_s, 6 * every_s, 15 * every_s],
        contact_time_ms=[250] * 4,
    )  # fmt: skip
    assert run.paused_s == 0
    assert column(run, "contact_time_ms")[3] == (None if 3 * every_s > max(10, 3 * every_s) else 250)


def test_standing_at_full_rate_is_no_pause_but_is_stood():
    run = settled([0, 1, 2, 3, 4], distance_m=[0, 3, 3, 3, 6], cadence_spm=[170, 170, 0, 0, 170])
    assert run.paused_s == 0
    assert column(run, "gait")[1:] == ["run", "stand", "stand", "run"]


@pytest.mark.parametrize("grain", ["kilometre", "step"])
def test_a_row_a_kilometre_or_a_step_keeps_its_long_interval_and_readings(grain: str):
    run = settled(
        [0, 300, 610, 2000], distance_m=[0, 1000, 2000, 2100], contact_time_ms=[None, 250, 251, 252],
        cadence_spm=[None, 170, 171, 172], grain=grain,
    )  # fmt: skip
    assert column(run, "interval_s") == [0, 300, 310, 1390]
    assert column(run, "contact_time_ms") == [None, 250, 251, 252]
    assert reasons(run) == {}


# --- Distance --------------------------------------------------------------------------------------------------------


def test_distance_begins_at_zero_wherever_the_counter_stood():
    assert column(settled([0, 1, 2], distance_m=[700, 703, 706]), "distance_m") == [0, 3, 6]


def test_a_small_step_back_stands_still_until_it_is_made_good():
    run = settled([0, 1, 2, 3, 4], distance_m=[0, 30, 28, 29, 33], speed_m_s=[None] * 5)
    assert column(run, "distance_m")[-1] == 33 - 30 + column(run, "distance_m")[1]
    assert column(run, "covered_m")[2:] == [0, 0, 3]
    assert reasons(run)["distance_m", "stepped back"] == 2


@pytest.mark.parametrize(("back_m", "total_m", "is_reset"), [(50, 106, False), (50.01, 106 + 50.01, True)])
def test_a_step_back_of_more_than_fifty_metres_is_a_counter_set_back(back_m: float, total_m: float, is_reset: bool):
    """After a reset the distance goes on from where it was; after a correction it waits to be made good."""
    forth = np.arange(0, 103, 3.0)  # to 102 m
    again = 102 - back_m + np.arange(0, 57, 3.0)  # 54 m more
    run = settled(np.arange(len(forth) + len(again)), distance_m=[*forth, *again])
    assert column(run, "distance_m")[-1] == pytest.approx(total_m if not is_reset else 102 + 54)
    assert (("distance_m", "counter set back during the run") in reasons(run)) == is_reset
    assert (("distance_m", "stepped back") in reasons(run)) != is_reset


@pytest.mark.parametrize(("leap_m", "covered_m", "is_leap"), [(25.0, 25.0, False), (25.01, 3.0, True)])
def test_a_leap_faster_than_a_person_is_replaced_by_what_the_speed_says(leap_m: float, covered_m: float, is_leap: bool):
    """12.5 m/s, and a second of grace since devices write whole seconds: 25 m in a second is the last that may be."""
    run = settled([0, 1, 2, 3], distance_m=[0, 3, 3 + leap_m, 6 + leap_m], speed_m_s=[3, 3, 3, 3])
    assert column(run, "covered_m") == pytest.approx([0, 3, covered_m, 3])
    assert reasons(run).get(("distance_m", "leapt faster than a person can run"), 0) == is_leap


def test_a_missing_distance_lies_on_the_line_between_its_neighbours():
    run = settled([0, 1, 2, 4], distance_m=[0, None, None, 12])
    assert column(run, "distance_m") == [0, 3, 6, 12]


def test_a_missing_distance_does_not_advance_during_a_pause():
    run = settled([0, 10, 20, 30, 40], distance_m=[0, None, None, None, 90], pauses=((10, 20),))
    assert column(run, "distance_m") == [0, 30, 30, 60, 90]


def test_distance_without_a_counter_is_speed_times_time():
    run = settled([0, 1, 3, 4], speed_m_s=[3, 3, 2.5, None], pauses=((1, 2),))
    assert column(run, "distance_m") == [0, 3, 5.5, 5.5]


def test_one_degree_of_latitude_is_111_195_km():
    """A great circle of the mean radius 6371.0088 km (IUGG): 2 pi R / 360 = 111.195 km a degree."""
    run = settled([0, 36_000], latitude_deg=[10, 11], longitude_deg=[20, 20])
    assert column(run, "distance_m") == pytest.approx([0, 111_195.08], abs=0.01)


def test_a_quarter_of_a_parallel_is_its_great_circle_and_not_its_arc():
    """cos c = sin² 60° + cos² 60° cos 90° = 3/4, spherical law of cosines."""
    run = settled([0, 86_400], latitude_deg=[60, 60], longitude_deg=[-10, 80], grain="step")
    assert column(run, "distance_m")[1] == pytest.approx(6_371_008.8 * np.arccos(0.75), abs=0.005)


def test_great_circles_cross_the_date_line_and_missing_positions():
    degree = 1e-4
    run = settled([0, 1, 2, 3], latitude_deg=[0, 0, None, 0], longitude_deg=[180 - degree, -180, None, -180 + degree])
    assert column(run, "distance_m") == pytest.approx([0, 11.1195, 11.1195, 22.239], abs=1e-3)


def test_positions_are_not_asked_where_there_is_a_counter_or_a_speed():
    positions = {"latitude_deg": [0, 1, 2], "longitude_deg": [0, 0, 0]}
    assert column(settled([0, 1, 2], distance_m=[0, 3, 6], **positions), "distance_m") == [0, 3, 6]
    assert column(settled([0, 1, 2], speed_m_s=[3, 3, 3], **positions), "distance_m") == [0, 3, 6]


# --- Speed -----------------------------------------------------------------------------------------------------------


def test_recorded_speed_is_kept_where_it_agrees():
    run = settled(**every_second(5), speed_m_s=[2.9, 3.1, None, 2.9, 3.0])
    assert column(run, "speed_m_s") == [None, 3.1, 3.0, 2.9, 3.0]  # the first sample stands for no time


@pytest.mark.parametrize(("share", "is_kept"), [(1.15, True), (1.16, False), (0.85, True), (0.84, False)])
def test_speed_that_disagrees_with_distance_by_more_than_15_percent_is_set_aside(share: float, is_kept: bool):
    run = settled(np.arange(5.0), distance_m=5.0 * np.arange(5), speed_m_s=[5 * share] * 5)
    assert column(run, "speed_m_s")[1:] == [5 * share if is_kept else 5] * 4
    assert reasons(run) == ({} if is_kept else {("speed_m_s", "disagrees with distance over time"): 4})


# --- Altitude and slope ----------------------------------------------------------------------------------------------


def middle_of(run: RunSamples, name: str = "slope_pct", away_m: float = 200) -> np.ndarray:
    """Values further than that from both ends."""
    last = run.samples["distance_m"].max()
    return run.samples.filter(pl.col("distance_m").is_between(away_m, last - away_m))[name].to_numpy()


@pytest.mark.parametrize("grade_pct", [-12.5, 0, 4, 44])
@pytest.mark.parametrize("every_s", [1, 3, 7])
def test_the_slope_of_a_straight_ramp_is_exact_however_often_it_is_sampled(grade_pct: float, every_s: int):
    time_s = np.arange(0, 500.0, every_s)
    run = settled(time_s, distance_m=3 * time_s, altitude_m=100 + 3 * time_s * grade_pct / 100)
    known = run.samples["slope_pct"].drop_nulls()
    assert len(known) > 0.9 * len(time_s)
    np.testing.assert_allclose(known, grade_pct, rtol=0, atol=1e-9)


def test_a_slope_steeper_than_45_percent_is_none():
    time_s = np.arange(500.0)
    run = settled(time_s, distance_m=3 * time_s, altitude_m=3 * time_s * 0.4501)
    assert run.samples["slope_pct"].count() == 0
    assert run.samples["altitude_m"].count() == 500


def test_uneven_sampling_does_not_bend_a_straight_ramp():
    time_s = np.unique(np.concatenate([np.arange(0, 400, 1.0), np.arange(400, 800, 7.0), np.arange(800, 1000, 2.5)]))
    run = settled(time_s, distance_m=3 * time_s, altitude_m=3 * time_s * 0.05)
    np.testing.assert_allclose(middle_of(run), 5, rtol=0, atol=1e-9)


def test_standing_still_does_not_pull_the_slope():
    """Half an hour at a place where the altitude wanders by 9 m, in the middle of a ramp of 5 %."""
    walked = np.concatenate([np.arange(200), np.full(1800, 199), np.arange(200, 400)]) * 3.0
    time_s = np.arange(float(len(walked)))
    wander = np.where((time_s >= 200) & (time_s < 2000), np.linspace(0, 9, len(time_s)), 0)
    run = settled(time_s, distance_m=walked, altitude_m=0.05 * walked + wander)
    np.testing.assert_allclose(middle_of(run), 5, rtol=0, atol=1e-6)


def test_steps_of_a_fifth_of_a_metre_do_not_make_a_level_road_hilly():
    time_s = np.arange(1000.0)
    run = settled(time_s, distance_m=3 * time_s, altitude_m=np.round(20 + 0.3 * np.sin(time_s / 200), 1) // 0.2 * 0.2)
    assert run.altitude == "steady"
    assert np.abs(middle_of(run)).max() < 0.5


@pytest.mark.parametrize(("second_difference_m", "kind"), [(0.5, "steady"), (0.501, "rough")])
def test_altitude_is_rough_above_its_threshold_and_then_has_the_wide_window(second_difference_m: float, kind: str):
    """A saw of height h has second differences of 2 h. A step of altitude is seen as far as half a window reaches."""
    time_s = np.arange(1000.0)
    saw = second_difference_m / 4 * (-1) ** np.arange(1000)
    step = np.where(time_s >= 500, 10.0, 0.0)
    run = settled(time_s, distance_m=3 * time_s, altitude_m=saw + step, rough_altitude_m=0.5)
    assert run.altitude == kind
    seen_m = run.samples.filter(pl.col("slope_pct").abs() > 1)["distance_m"]
    half_m = 50 if kind == "steady" else 200
    assert half_m * 0.7 < seen_m.max() - 1500 <= half_m


@pytest.mark.parametrize(
    ("n_large", "large_m", "kind"),
    [(499, 2.0, "steady"), (500, 0.9, "steady"), (500, 1.1, "rough"), (501, 0.6, "rough")],
)
def test_altitude_is_rough_by_the_median_of_its_second_differences(n_large: int, large_m: float, kind: str):
    """Of a thousand some are large, and the others none: the median of an even number is the mean of two."""
    second = np.where(np.arange(1000) < n_large, large_m * (-1.0) ** np.arange(1000), 0.0)
    altitude = np.concatenate([[0.0, 0.0], np.cumsum(np.cumsum(second))])
    run = settled(**every_second(1002), altitude_m=altitude, rough_altitude_m=0.5)
    assert run.altitude == kind


def test_a_run_without_altitude_has_no_slope():
    run = settled(**every_second(400))
    assert run.altitude == "absent"
    assert run.samples["slope_pct"].count() == 0


@pytest.mark.parametrize(("spike_m", "is_spike"), [(15.0, False), (15.1, True)])
def test_a_spike_of_altitude_is_set_aside(spike_m: float, is_spike: bool):
    altitude = np.full(300, 100.0)
    altitude[150] += spike_m
    run = settled(**every_second(300), altitude_m=altitude)
    assert column(run, "altitude_m")[150] == (None if is_spike else 115)
    assert reasons(run) == ({("altitude_m", "a spike"): 1} if is_spike else {})


# --- Gait ------------------------------------------------------------------------------------------------------------


def gait(cadence_spm: float | None, speed_m_s: float) -> str:
    """Of a steady row of samples."""
    time_s = np.arange(20.0)
    run = settled(time_s, distance_m=speed_m_s * time_s, cadence_spm=[cadence_spm] * 20)
    [told] = set(column(run, "gait")[3:])
    return str(told)


@pytest.mark.parametrize(
    ("cadence_spm", "speed_m_s", "told"),
    [
        # 135-140 steps/min is the band where walking and running cross, 1.9-2.0 m/s the best own cut-offs of speed:
        # Hum Mov Sci 2023, 90:103117 (28 adults).
        (140, 1.9, "run"),
        (139.9, 1.9, "walk"),
        (139.9, 2.0, "run"),
        (135, 2.0, "run"),
        (135, 1.99, "walk"),
        (134.9, 2.0, "walk"),
        (134.9, 3.0, "walk"),
        (None, 2.0, "run"),
        (None, 1.99, "walk"),
        # A stride rate of 69.7-70.5 a minute at 2.14 m/s is the transition: Hansen 2017.
        (2 * 70.5, 2.14, "run"),
        # 80 strides/min at 2.9 m/s, 77 at 2.4 m/s in novices: van Oeveren 2017, PLoS One 12:e0184273.
        (154, 2.4, "run"),
        (160, 2.9, "run"),
        # 130 steps/min is brisk walking of 6 MET: Tudor-Locke 2019, IJBNPA 16:8.
        (130, 1.9, "walk"),
        (170, 1.0, "run"),
        (170, 0.99, "walk"),
        (0, 0.49, "stand"),
        (59.9, 0.49, "stand"),
        (60, 0.49, "walk"),
        (None, 0.49, "stand"),
        (None, 0.5, "walk"),
    ],
)
def test_gait_is_told_by_cadence_first_and_by_speed_inside_its_band(
    cadence_spm: float | None, speed_m_s: float, told: str
):
    assert gait(cadence_spm, speed_m_s) == told


def test_a_walks_cadence_at_a_speed_that_is_only_run_is_set_aside():
    """People mix walking and running up to 3.0 m/s over 800-2400 m and only run above: arXiv 2501.00720."""
    time_s = np.arange(20.0)
    run = settled(time_s, distance_m=3.01 * time_s, cadence_spm=[86] * 20)
    assert column(run, "cadence_spm")[1:] == [None] * 19
    assert set(column(run, "gait")[1:]) == {"run"}
    assert reasons(run)["cadence_spm", "a walk's at a speed that is only run"] == 20


def test_one_noisy_second_is_no_change_of_gait():
    speed = np.full(20, 2.4)
    speed[10] = 1.2
    run = settled(np.arange(20.0), distance_m=np.cumsum(speed), speed_m_s=speed)
    assert column(run, "gait")[10] == "run"


# --- What is set aside -----------------------------------------------------------------------------------------------

ZERO, IMPOSSIBLE = "zero: the sensor had no reading", "impossible for a person"


@pytest.mark.parametrize(
    ("quantity", "value", "reason"),
    [
        ("contact_time_ms", 0, ZERO),
        ("contact_time_ms", 79.9, IMPOSSIBLE),
        ("contact_time_ms", 80, None),
        ("contact_time_ms", 1200.1, IMPOSSIBLE),
        ("contact_time_ms", 6553.4, IMPOSSIBLE),
        # 56.5 % of the stride is the longest contact seen in slow runners (BMJ Open SEM 2021, 7:e000996); at
        # 170 steps/min that is 0.565 * 120000 / 170 = 398.8 ms.
        ("contact_time_ms", 398.8, None),
        ("contact_time_ms", 398.9, "longer than a running step allows"),
        ("cadence_spm", 300, None),
        ("cadence_spm", 300.1, IMPOSSIBLE),
        ("cadence_spm", 0, "zero while moving"),
        ("vertical_oscillation_mm", 0, ZERO),
        ("vertical_oscillation_mm", 0.9, IMPOSSIBLE),
        ("vertical_oscillation_mm", 1, None),
        ("vertical_oscillation_mm", 250, None),
        ("vertical_oscillation_mm", 250.1, IMPOSSIBLE),
        ("contact_balance_pct", 0, ZERO),
        ("contact_balance_pct", 29.9, IMPOSSIBLE),
        ("contact_balance_pct", 30, None),
        ("contact_balance_pct", 70, None),
        ("contact_balance_pct", 70.1, IMPOSSIBLE),
        ("heart_rate_bpm", 0, ZERO),
        ("heart_rate_bpm", 24.9, IMPOSSIBLE),
        ("heart_rate_bpm", 25, None),
        ("heart_rate_bpm", 240, None),
        ("heart_rate_bpm", 240.1, IMPOSSIBLE),
        ("power_w", 0, ZERO),
        ("power_w", 0.9, IMPOSSIBLE),
        ("power_w", 1, None),
        ("power_w", 2500, None),
        ("power_w", 2501, IMPOSSIBLE),
        ("recorded_step_length_m", 0, ZERO),
        ("recorded_step_length_m", 0.09, IMPOSSIBLE),
        ("recorded_step_length_m", 0.1, None),
        ("recorded_step_length_m", 3, None),
        ("recorded_step_length_m", 3.01, IMPOSSIBLE),
        ("temperature_c", 0, None),
        ("temperature_c", -60, None),
        ("temperature_c", -61, "no temperature that is run in"),
        ("temperature_c", 70, None),
        ("temperature_c", 71, "no temperature that is run in"),
        ("altitude_m", -450, None),
        ("altitude_m", -450.2, "not on the surface of the Earth"),
        ("altitude_m", 9000, None),
        ("altitude_m", 9000.2, "not on the surface of the Earth"),
    ],
)
def test_a_value_that_cannot_be_is_null_and_counted_by_its_reason(quantity: str, value: float, reason: str | None):
    """One value of twenty; of altitude all, since a single one would be a spike."""
    n_odd = 20 if quantity == "altitude_m" else 1
    measured = {"cadence_spm": [170.0] * 20, quantity: [170.0] * 20 if quantity == "cadence_spm" else [None] * 20}
    measured[quantity][10 : 10 + n_odd] = [value] * n_odd
    measured[quantity] = [value] * 20 if n_odd == 20 else measured[quantity]
    run = settled(**every_second(20), **measured)
    assert column(run, quantity)[10] == (None if reason else value)
    assert reasons(run) == ({} if reason is None else {(quantity, reason): n_odd})


@pytest.mark.parametrize(("speed_m_s", "reason"), [(12.5, None), (12.51, IMPOSSIBLE), (-0.1, IMPOSSIBLE)])
def test_an_impossible_speed_is_replaced_by_distance_over_time(speed_m_s: float, reason: str | None):
    recorded = [6.0] * 40
    recorded[20] = speed_m_s
    run = settled(**every_second(40, 6), speed_m_s=recorded)
    assert column(run, "speed_m_s")[20] == (6 if reason else speed_m_s)
    assert reasons(run) == ({("speed_m_s", reason): 1} if reason else {})


def test_a_long_contact_of_a_walk_is_kept():
    run = settled(**every_second(20, 1.5), cadence_spm=[110.0] * 20, contact_time_ms=[650.0] * 20)
    assert set(column(run, "gait")[1:]) == {"walk"}
    assert column(run, "contact_time_ms") == [650] * 20


def test_two_reasons_for_one_column_are_counted_apart():
    run = settled(**every_second(5), contact_time_ms=[250, 0, 0, 6000, 250], cadence_spm=[170] * 5)
    assert column(run, "contact_time_ms") == [250, None, None, None, 250]
    assert run.exclusions.rows() == [
        ("r", "contact_time_ms", IMPOSSIBLE, "impossible", 1),
        ("r", "contact_time_ms", ZERO, "no_reading", 2),
    ]


# --- Source of speed -------------------------------------------------------------------------------------------------

POSITIONS = {"latitude_deg": [10.0, 10.0001, 10.0002], "longitude_deg": [20.0] * 3}
DISTANCE, SPEED = {"distance_m": [0.0, 11.0, 22.0]}, {"speed_m_s": [3.0] * 3}


@pytest.mark.parametrize(
    ("columns", "is_indoors", "source"),
    [
        (DISTANCE | SPEED | POSITIONS, False, "device"),
        (DISTANCE | SPEED, False, "unlocated"),
        (DISTANCE | POSITIONS, True, "treadmill"),
        (SPEED | POSITIONS, False, "speed"),
        (POSITIONS, False, "positions"),
        # A single reading is no source.
        ({"distance_m": [0.0, None, None]} | POSITIONS, False, "positions"),
    ],
)
def test_where_speed_comes_from_is_kept_with_the_run(columns: dict[str, Any], is_indoors: bool, source: str):
    series = {
        name: pl.Series(name, values, dtype=pl.Float64) for name, values in {"time_s": [0, 4, 8], **columns}.items()
    }
    recording = Recording(readings=readings_frame(series), is_indoors=is_indoors)
    assert samples(recording, **NUMBERS).speed_source == source
