"""Quality: what every rule finds in the samples of a run, exactly at its threshold.

Inputs are readings as a device wrote them, taken through the stage `samples`; expected values follow by hand from
`pipeline/core/quality_rules.toml`.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import polars as pl
import pytest

from pipeline.core.quality_rules import (
    FAULTS,
    QUANTITIES,
    READINGS,
    RECORDS,
    RULES,
    SHARE_OF,
    STUCK_RULES,
    SUSPICIONS,
    TREATMENTS,
    left_out,
)
from pipeline.formats import Recording, readings_frame
from pipeline.stages.quality import quality
from pipeline.stages.samples import samples
from pipeline.stages.splits import LAPS, splits
from pipeline.tables import publishable

NUMBERS = {"gap_s": 10.0, "slope_window_m": 100.0, "slope_window_rough_m": 400.0, "rough_altitude_m": 0.6}
RUNS = pl.DataFrame({"run_id": ["r"], "athlete_id": ["a"]})
CADENCE, CONTACT, OSCILLATION, BALANCE, HEART_RATE, POWER, STEP_LENGTH, _TEMPERATURE = READINGS


def judged(grain: str = "sample", **columns: Any) -> dict[str, dict[str, Any]]:
    """The rows of one run by quantity; readings are given column by column."""
    series = {name: pl.Series(name, values, dtype=pl.Float64, strict=False) for name, values in columns.items()}
    run = samples(Recording(readings=readings_frame(series), grain=grain), **NUMBERS).named("r")
    publishable("exclusions", run.exclusions, subject="r")
    rows = publishable("quality", quality(run.samples, RUNS, run.exclusions), subject="r")
    return {row["quantity"]: row for row in rows.iter_rows(named=True)}


def seconds(n: int, m_s: float | np.ndarray = 3.0, **columns: Any) -> dict[str, Any]:
    """A sample per second at a speed; numbers stand for columns of them."""
    speed = np.broadcast_to(m_s, n)
    given = {name: np.broadcast_to(values, n).astype(float) for name, values in columns.items()}
    return {"time_s": np.arange(float(n)), "distance_m": np.cumsum(speed) - speed[0], **given}


def waves(n: int, level: float, size: float = 3.0) -> np.ndarray:
    """Values about a level, no two neighbours alike."""
    return level + size * np.sin(np.arange(n))


# --- The declaration --------------------------------------------------------------------------------------------------


def test_every_rule_has_a_threshold_a_source_and_a_conclusion_with_words_and_a_fix():
    assert len({(one.suspicion, one.quantity) for one in RULES}) == len(RULES)
    assert {one.suspicion for one in RULES} == set(SUSPICIONS)
    for one in RULES:
        assert one.quantity in QUANTITIES
        assert one.threshold > 0
        assert one.source
        assert one.unit
    for suspicion in SUSPICIONS.values():
        assert suspicion.words
        assert suspicion.fix
        assert suspicion.treatment in TREATMENTS
        assert suspicion.fault in (None, *FAULTS)


def test_every_share_is_of_faults_that_are_counted():
    assert set(SHARE_OF) <= set(FAULTS)


# --- Shares -----------------------------------------------------------------------------------------------------------


def test_a_run_has_a_row_for_every_quantity_also_for_one_that_was_never_recorded():
    rows = judged(**seconds(100, cadence_spm=waves(100, 170)))
    assert list(rows) == sorted(QUANTITIES)
    assert (rows[CADENCE]["measured_share"], rows[CONTACT]["measured_share"]) == (1.0, 0.0)
    assert {row["suspicion"] for row in rows.values()} == {None}
    assert {row["athlete_id"] for row in rows.values()} == {"a"}


def test_shares_are_of_the_samples_and_what_was_never_recorded_is_in_none():
    contact = waves(100, 250)
    contact[:10], contact[10:15], contact[15:18] = np.nan, 0.0, 5000.0
    row = judged(**seconds(100, cadence_spm=waves(100, 170), contact_time_ms=contact))[CONTACT]
    assert (row["measured_share"], row["impossible_share"], row["stuck_share"]) == (0.82, 0.03, 0.0)


@pytest.mark.parametrize(("n_impossible", "suspicion"), [(19, None), (20, "often_impossible")])
def test_a_fifth_of_impossible_values_is_a_suspicion(n_impossible: int, suspicion: str | None):
    contact = waves(100, 250)
    contact[:n_impossible] = 5000.0
    row = judged(**seconds(100, contact_time_ms=contact))[CONTACT]
    assert (row["impossible_share"], row["suspicion"]) == (n_impossible / 100, suspicion)


def test_a_distance_that_was_missing_is_interpolated_and_counted():
    run = seconds(100)
    run["distance_m"][40:60] = np.nan
    row = judged(**run)["distance_m"]
    assert (row["measured_share"], row["interpolated_share"], row["suspicion"]) == (0.8, 0.2, None)


@pytest.mark.parametrize(("n_lost", "suspicion"), [(4, None), (5, "times_missing")])
def test_rows_without_a_time_are_counted_against_the_rows_of_the_file(n_lost: int, suspicion: str | None):
    run = seconds(100)
    run["time_s"][10 : 10 + n_lost] = np.nan
    row = judged(**run)["clock"]
    assert (row["measured_share"], row["suspicion"]) == ((100 - n_lost) / 100, suspicion)


# --- Stuck ------------------------------------------------------------------------------------------------------------

LEVELS = {CADENCE: 170.0, CONTACT: 250.0, OSCILLATION: 80.0, BALANCE: 50.0, HEART_RATE: 150.0,
          POWER: 280.0, STEP_LENGTH: 1.1}  # fmt: skip


@pytest.mark.parametrize("quantity", LEVELS)
@pytest.mark.parametrize(("more_s", "is_stuck"), [(-1, False), (0, True)])
def test_a_reading_at_one_value_for_as_long_as_its_rule_says_is_stuck(quantity: str, more_s: int, is_stuck: bool):
    # From the first to the last sample of the stretch so many seconds, other readings varying.
    n_stuck = int(STUCK_RULES[quantity].threshold) + more_s + 1
    level, size = LEVELS[quantity], LEVELS[quantity] / 200
    values = np.concatenate([waves(300, level, size), np.full(n_stuck, level), waves(300, 1.01 * level, size)])
    n = len(values)
    others = {name: waves(n, LEVELS[name], 1) for name in (CADENCE, CONTACT) if name != quantity}
    row = judged(**seconds(n, **others, **{quantity: values}))[quantity]
    assert (row["suspicion"], row["stuck_share"]) == (
        ("stuck", pytest.approx(n_stuck / n, abs=1e-4)) if is_stuck else (None, 0.0)
    )
    assert row["measured_share"] == pytest.approx(1 - row["stuck_share"], abs=1e-4)


@pytest.mark.parametrize("begins", range(60, 79))
def test_what_is_stuck_just_long_enough_is_found_wherever_it_begins(begins: int):
    n_stuck = int(STUCK_RULES[CONTACT].threshold) + 1
    values = np.concatenate([waves(begins, 250, 1), np.full(n_stuck, 250.0), waves(100, 253, 1)])
    row = judged(**seconds(len(values), **{CONTACT: values, CADENCE: waves(len(values), 170, 1)}))[CONTACT]
    assert row["stuck_share"] == pytest.approx(n_stuck / len(values), abs=1e-4)


def test_what_is_stuck_between_readings_that_are_missing_is_excluded_itself():
    values = np.concatenate([np.full(200, np.nan), waves(300, 250, 1), np.full(600, 250.0), waves(300, 253, 1)])
    readings = readings_frame(seconds(1400, cadence_spm=waves(1400, 170, 1), contact_time_ms=values))
    is_missing = np.isnan(samples(Recording(readings=readings), **NUMBERS).columns[CONTACT])
    assert np.flatnonzero(is_missing).tolist() == [*range(200), *range(500, 1100)]


@pytest.mark.parametrize(("n_stuck", "is_stuck"), [(19, False), (20, True)])
def test_few_samples_at_one_value_are_not_stuck_however_far_apart(n_stuck: int, is_stuck: bool):
    values = np.concatenate([waves(60, 250), np.full(n_stuck, 250.0), waves(60, 253)])
    n = len(values)
    columns = {CONTACT: values, CADENCE: waves(n, 170)}
    row = judged(time_s=20 * np.arange(float(n)), distance_m=60 * np.arange(float(n)), **columns)[CONTACT]
    assert row["suspicion"] == ("stuck" if is_stuck else None)


@pytest.mark.parametrize("quantity", LEVELS)
@pytest.mark.parametrize(("more_s", "is_stuck"), [(-1, False), (0, True)])
def test_a_coarse_reading_may_stay_at_one_value_for_longer(quantity: str, more_s: int, is_stuck: bool):
    limit = STUCK_RULES[quantity]
    n_stuck = int(limit.coarse_threshold) + more_s + 1
    values = np.full(n_stuck + 200, LEVELS[quantity])
    values[:200:2] += limit.coarse_from
    values[199] += limit.coarse_from
    other = CONTACT if quantity != CONTACT else CADENCE
    row = judged(**seconds(len(values), **{other: waves(len(values), LEVELS[other])}, **{quantity: values}))[quantity]
    assert row["suspicion"] == ("stuck" if is_stuck else None)


def test_where_nothing_else_varies_a_constant_reading_is_no_fault():
    assert judged(**seconds(2000, cadence_spm=170, contact_time_ms=250))[CONTACT]["suspicion"] is None


def test_a_sensor_may_rest_while_the_athlete_stands():
    speed = np.where((np.arange(2000) >= 500) & (np.arange(2000) < 1500), 0.0, 3.0)
    contact = np.where(speed == 0, 250.0, waves(2000, 250))
    run = seconds(2000, speed, contact_time_ms=contact, cadence_spm=np.where(speed == 0, 0, waves(2000, 170)))
    assert judged(**run)[CONTACT]["suspicion"] is None


def test_a_row_per_kilometre_is_never_stuck():
    row = judged(
        "kilometre", time_s=np.arange(11) * 300.0, distance_m=np.arange(11) * 1000.0,
        contact_time_ms=[250.0] * 11, cadence_spm=waves(11, 170),
    )[CONTACT]  # fmt: skip
    assert (row["suspicion"], row["measured_share"]) == (None, 1.0)


# --- One foot, both feet ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("median_spm", "suspicion", "share"),
    [
        (80.0, "one_foot_counted", "halved_share"),
        (109.9, "one_foot_counted", "halved_share"),
        (110.0, None, None),
        (170.0, None, None),
        (260.0, None, None),
        (260.1, "counted_twice", "doubled_share"),
        (340.0, "counted_twice", "doubled_share"),
    ],
)
def test_the_median_cadence_at_running_speed_tells_what_was_counted(
    median_spm: float, suspicion: str | None, share: str | None
):
    cadence = np.full(301, median_spm)
    cadence[:150], cadence[151:] = median_spm - 5, median_spm + 5
    row = judged(**seconds(301, 2.5, cadence_spm=cadence))[CADENCE]
    assert row["suspicion"] == suspicion
    if share is not None:
        assert (row[share], row["measured_share"]) == (1.0, 0.0)


@pytest.mark.parametrize(("n_fast", "suspicion"), [(59, None), (60, "one_foot_counted")])
def test_a_minute_at_running_speed_is_needed(n_fast: int, suspicion: str | None):
    # At 2.0 m/s exactly, the slowest speed that counts; the mean of five samples is slower at the edges.
    rows = judged(**seconds(n_fast + 1, 2.0, cadence_spm=waves(n_fast + 1, 85, 2)))
    assert rows[CADENCE]["suspicion"] == suspicion


@pytest.mark.parametrize(("n_walk", "suspicion"), [(179, "one_foot_counted"), (180, None)])
def test_and_a_quarter_of_the_moving_time(n_walk: int, suspicion: str | None):
    speed = np.concatenate([np.full(62, 2.5), np.full(n_walk, 1.2)])
    rows = judged(**seconds(len(speed), speed, cadence_spm=waves(len(speed), 90, 2)))
    assert rows[CADENCE]["suspicion"] == suspicion


def test_a_walk_is_no_run_with_one_foot_counted():
    assert judged(**seconds(600, 1.6, cadence_spm=waves(600, 108, 2)))[CADENCE]["suspicion"] is None


# --- Copied -----------------------------------------------------------------------------------------------------------


def follows(n_locked: int, *, varies_by: float = 8.0, off_by: float = 0.9) -> dict[str, dict[str, Any]]:
    """A run whose heart rate is that far from cadence for so many samples, and well below it before and after."""
    n = n_locked + 400
    cadence = 170 + varies_by / 2 * np.sin(np.arange(n) * np.pi / 20)
    inside = (np.arange(n) >= 200) & (np.arange(n) < 200 + n_locked)
    return judged(**seconds(n, cadence_spm=cadence, heart_rate_bpm=np.where(inside, cadence - off_by, waves(n, 140))))


@pytest.mark.parametrize(("n_locked", "suspicion"), [(180, None), (181, "copied")])
def test_heart_rate_at_cadence_for_three_minutes_is_excluded(n_locked: int, suspicion: str | None):
    rows = follows(n_locked)
    assert rows[HEART_RATE]["suspicion"] == suspicion
    assert rows[HEART_RATE]["copied_share"] == (
        pytest.approx(n_locked / (n_locked + 400), abs=1e-4) if suspicion else 0
    )
    assert rows[CADENCE]["suspicion"] is None


@pytest.mark.parametrize(("off_by", "suspicion"), [(1.0, "copied"), (1.01, None)])
def test_within_one_beat(off_by: float, suspicion: str | None):
    assert follows(400, off_by=off_by)[HEART_RATE]["suspicion"] == suspicion


@pytest.mark.parametrize(("varies_by", "suspicion"), [(4.01, "copied"), (3.9, None)])
def test_a_steady_cadence_may_meet_heart_rate_by_chance(varies_by: float, suspicion: str | None):
    assert follows(400, varies_by=varies_by)[HEART_RATE]["suspicion"] == suspicion


def test_a_heart_that_beats_as_often_as_the_feet_step_is_not_suspect():
    draws = np.random.default_rng(1)
    cadence = 172 + draws.normal(0, 1.5, 3000).round()
    heart = (172 + np.cumsum(draws.normal(0, 0.05, 3000))).round()
    assert judged(**seconds(3000, cadence_spm=cadence, heart_rate_bpm=heart))[HEART_RATE]["suspicion"] is None


def test_of_two_columns_that_are_the_same_throughout_neither_is_kept():
    same = waves(600, 170, 5).round()
    rows = judged(**seconds(600, cadence_spm=same, heart_rate_bpm=same))
    assert [(rows[one]["suspicion"], rows[one]["copied_share"]) for one in (CADENCE, HEART_RATE)] == [("copied", 1)] * 2


# --- Sudden steps -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("quantity", "pct"), [(CONTACT, 6.0), (CADENCE, 5.0), (OSCILLATION, 10.0), (BALANCE, 4.0)])
@pytest.mark.parametrize(("more_pct", "is_step"), [(0.1, True), (-0.1, False)])
def test_a_level_that_shifts_within_a_minute_is_found(quantity: str, pct: float, more_pct: float, is_step: bool):
    shift = np.where(np.arange(1800) >= 900, 1 + (pct + more_pct) / 100, 1.0)
    others = {CADENCE: waves(1800, 170, 1)} if quantity != CADENCE else {CONTACT: waves(1800, 250, 1)}
    row = judged(**seconds(1800, **others, **{quantity: waves(1800, LEVELS[quantity], 0.2) * shift}))[quantity]
    assert row["suspicion"] == ("sudden_step" if is_step else None)
    assert row["from_km"] == (2.7 if is_step else None)
    assert row["measured_share"] == 1.0  # marked only


def test_the_sample_that_ends_a_minute_begins_the_next():
    n = 90
    contact = waves(n, 250, 0.2) * np.where(np.arange(n) >= 45, 1.07, 1.0)
    places_m = 100 * np.arange(float(n))
    row = judged(
        time_s=20 * np.arange(float(n)), distance_m=places_m, cadence_spm=waves(n, 170, 1), contact_time_ms=contact
    )
    assert row[CONTACT]["from_km"] == 4.5


def test_a_drift_of_the_same_size_is_no_step():
    drifting = waves(1800, 250, 1) * (1 + 0.15 * np.arange(1800) / 1800)
    assert judged(**seconds(1800, contact_time_ms=drifting))[CONTACT]["suspicion"] is None


def test_a_reading_that_is_seldom_missing_and_then_often_takes_no_step():
    is_missing = (np.arange(1800) % 2 == 1) & (np.arange(1800) >= 900)
    contact = np.where(is_missing, np.nan, waves(1800, 250, 1))
    row = judged(**seconds(1800, cadence_spm=waves(1800, 170, 1), contact_time_ms=contact))[CONTACT]
    assert (row["suspicion"], row["measured_share"]) == (None, 0.75)


def test_a_shift_with_the_pace_is_none_of_the_sensors():
    speed = np.where(np.arange(1800) >= 900, 2.6, 3.4)
    contact = waves(1800, 250, 1) * (3 / speed) ** 0.6
    assert judged(**seconds(1800, speed, contact_time_ms=contact))[CONTACT]["suspicion"] is None


# --- Distance ---------------------------------------------------------------------------------------------------------


def tunnel(frozen_s: int, *, leap: float = 1.0, **columns: Any) -> dict[str, dict[str, Any]]:
    """3 m/s, distance standing still for so many samples, then that share of what was run meanwhile at once."""
    n = 600
    steps = np.full(n, 3.0)
    steps[200 : 200 + frozen_s] = 0.0
    steps[200 + frozen_s] = 3.0 * (frozen_s + 1) * leap
    return judged(time_s=np.arange(float(n)), distance_m=np.cumsum(steps) - steps[0], **columns)


@pytest.mark.parametrize(("frozen_s", "suspicion"), [(9, None), (10, "frozen_and_mended")])
def test_a_stretch_frozen_for_ten_seconds_gets_the_leap_that_ends_it(frozen_s: int, suspicion: str | None):
    row = tunnel(frozen_s)["distance_m"]
    assert row["suspicion"] == suspicion
    if suspicion:
        assert row["corrected_share"] == pytest.approx((frozen_s + 1) / 600, abs=1e-4)


@pytest.mark.parametrize(
    ("leap", "suspicion"),
    [(0.49, None), (0.5, "frozen_and_mended"), (1.5, "frozen_and_mended"), (1.51, None)],
)
def test_only_a_leap_that_this_athlete_may_have_run_is_spread(leap: float, suspicion: str | None):
    assert tunnel(99, leap=leap)["distance_m"]["suspicion"] == suspicion


@pytest.mark.parametrize(("cadence_spm", "suspicion"), [(59.0, None), (60.0, "frozen_and_mended")])
def test_who_stood_by_cadence_stood(cadence_spm: float, suspicion: str | None):
    inside = (np.arange(600) >= 200) & (np.arange(600) < 300)
    rows = tunnel(100, cadence_spm=np.where(inside, cadence_spm, waves(600, 170)))
    assert rows["distance_m"]["suspicion"] == suspicion


@pytest.mark.parametrize(("n_frozen", "suspicion"), [(59, None), (60, "frozen")])
def test_distance_that_never_makes_good_for_a_minute_at_a_running_cadence_is_marked(
    n_frozen: int, suspicion: str | None
):
    steps = np.full(600, 3.0)
    steps[200 : 200 + n_frozen] = 0.0
    rows = judged(time_s=np.arange(600.0), distance_m=np.cumsum(steps), cadence_spm=waves(600, 170))
    row = rows["distance_m"]
    assert row["suspicion"] == suspicion
    assert row["stuck_share"] == (pytest.approx(n_frozen / 600, abs=1e-4) if suspicion else 0)


# --- Speed and sport --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("record_m", "record_s"), RECORDS[:5])
@pytest.mark.parametrize(("share", "is_faster"), [(1.005, True), (0.995, False)])
def test_a_run_is_held_against_the_record_over_each_distance(
    record_m: float, record_s: float, share: float, is_faster: bool
):
    # Whole hundreds of metres are compared, of the half marathon the first 21,000 m at its speed.
    m_s = share * record_m / record_s
    row = judged(**seconds(int(record_m / m_s) + 2, m_s, cadence_spm=190))["speed_m_s"]
    assert row["suspicion"] == ("faster_than_records" if is_faster else None)
    assert row["from_km"] == (0.0 if is_faster else None)


def test_kilometres_that_nobody_runs_are_marked_and_the_others_enter():
    """Ten kilometres of 3 m/s with two at 10 m/s, from km 4 to km 6."""
    speed = np.concatenate([np.full(1334, 3.0), np.full(200, 10.0), np.full(1334, 3.0)])
    given = seconds(len(speed), speed, cadence_spm=170)
    series = {name: pl.Series(name, values) for name, values in given.items()}
    run = samples(Recording(readings=readings_frame(series)), **NUMBERS).named("r")
    rows = quality(run.samples, RUNS, run.exclusions)
    too_fast = rows.row(by_predicate=pl.col("quantity") == "speed_m_s", named=True)
    # Half a kilometre more on either side may belong to a kilometre that is too fast as a whole.
    assert too_fast["from_km"] == pytest.approx(4.0, abs=0.8)
    assert too_fast["to_km"] == pytest.approx(6.0, abs=0.8)
    cut, _ = splits(
        run.samples,
        pl.DataFrame(schema=LAPS),
        RUNS.with_columns(altitude=pl.lit("absent"), speed_source=pl.lit("unlocated")),
        pl.DataFrame({"athlete_id": ["a"], "mass_kg": [None], "height_m": [None], "leg_length_m": [None]}),
        rows,
        split_length_m=1000, level_slope_pct=1.0, level_roughness_pct=2.0, min_run_share=0.95,
    )  # fmt: skip
    marked = dict(cut.select("km", "suspicion").iter_rows())
    assert [marked[km] for km in (1, 2, 3, 8, 9, 10)] == [None] * 6
    assert [marked[km] for km in (5, 6)] == ["faster_than_records"] * 2
    assert "faster_than_records" in left_out()


@pytest.mark.parametrize(
    ("cadence_varies_pct", "step_varies_pct", "minutes", "suspicion"),
    [
        (0.301, 0.199, 10, "made_of_steps"),
        (0.299, 0.199, 10, None),
        (0.301, 0.201, 10, None),
        (0.301, 0.199, 9, None),
        # A belt at one speed: steps are shorter by as much as there are more of them.
        (0.5, 0.5, 10, None),
    ],
)
def test_distance_is_made_of_steps_where_cadence_varies_and_step_length_does_not(
    cadence_varies_pct: float, step_varies_pct: float, minutes: int, suspicion: str | None
):
    # Minutes lie above and below the level in turn, so that the standard deviation is how far.
    minute = np.arange(60 * minutes) // 60
    side = np.where(minute % 2, 1.0, -1.0) * np.sqrt(minutes**2 / (minutes**2 - minutes % 2))
    cadence, step_m = 170 * np.exp(side * cadence_varies_pct / 100), 1.06 * np.exp(-side * step_varies_pct / 100)
    row = judged(**seconds(len(minute), cadence * step_m / 60, cadence_spm=cadence))["speed_m_s"]
    assert row["suspicion"] == suspicion
    assert row["to_km"] == (pytest.approx(1.8, abs=0.05) if suspicion else None)


@pytest.mark.parametrize(("n_run", "suspicion"), [(99, "hardly_run"), (100, None)])
def test_a_session_of_which_less_than_a_tenth_was_run_is_suspect(n_run: int, suspicion: str | None):
    # The first sample stands for no time.
    cadence = np.where(np.arange(1001) <= 1000 - n_run, 110.0, 160.0)
    rows = judged(**seconds(1001, 1.5, cadence_spm=cadence))
    assert rows["sport"]["suspicion"] == suspicion


# --- Clock ------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("back_s", "suspicion"), [(3600, "clock_set_back"), (3540, "clock_set_back"), (3539, None), (3601, None)]
)
def test_a_clock_set_back_by_an_hour_once_is_moved_on(back_s: float, suspicion: str | None):
    # A row per second: the step from one row to the next is one second more than the clock was set back by.
    run = seconds(7200, cadence_spm=waves(7200, 170))
    run["time_s"][5000:] -= back_s + 1
    rows = judged(**run)
    assert rows["clock"]["suspicion"] == suspicion
    if suspicion:
        assert rows["clock"]["corrected_share"] == pytest.approx(2200 / 7200, abs=1e-4)
