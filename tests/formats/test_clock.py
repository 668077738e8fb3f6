"""Local times, in the hour that the end of summer time repeats too."""

from __future__ import annotations

import polars as pl
import pytest

from pipeline.formats.clock import epoch_s, from_local_s, repeated_hour

#: Summer time ended in Lisbon on 2026-10-25 at 01:00 UTC: 01:59:59 was followed by 01:00:00.
LISBON = "Europe/Lisbon"
ONE_UTC_S = 1_792_890_000.0


def minutes(*local: str, zone: str = LISBON) -> list[float]:
    """Local times of 2026-10-25 as minutes after 00:00 UTC."""
    texts = pl.Series([f"2026-10-25T{time}" for time in local])
    return [(one - ONE_UTC_S) / 60 + 60 for one in epoch_s(texts, zone=zone)]


def said(*local: str) -> str | None:
    return repeated_hour(pl.Series([f"2026-10-25T{time}" for time in local]), zone=LISBON)


def test_a_run_across_the_end_of_summer_time_keeps_the_order_of_its_rows():
    times = ("00:40:00", "01:20:00", "01:59:00", "01:00:00", "01:30:00", "02:10:00")
    assert minutes(*times) == [-20, 20, 59, 60, 90, 130]
    assert str(said(*times)).startswith("The clock was set back during the recording")


def test_rows_from_the_newest_on_keep_their_order_too():
    assert minutes("02:10:00", "01:30:00", "01:00:00", "01:59:00", "01:20:00") == [130, 90, 60, 59, 20]


def test_a_run_that_ends_in_the_repeated_hour_is_of_its_first_pass():
    assert (minutes("00:40:00", "01:20:00"), said("00:40:00", "01:20:00")) == ([-20, 20], None)


def test_a_run_that_begins_in_the_repeated_hour_and_goes_on_is_of_its_second_pass():
    assert (minutes("01:50:00", "02:00:00"), said("01:50:00", "02:00:00")) == ([110, 120], None)


def test_a_run_inside_the_repeated_hour_is_taken_as_of_the_first_pass_and_said():
    times = ("01:10:00", "01:20:00")
    assert minutes(*times) == [10, 20]
    assert "clock_shift_s = 3600" in str(said(*times))


def test_the_hour_is_hidden_in_the_longest_gap_if_no_row_steps_back():
    times = ("00:59:59", "01:00:00", "01:10:00", "01:40:00", "02:00:00", "02:00:01")
    assert minutes(*times)[1:5] == [0, 10, 100, 120]
    assert "the longest gap" in str(said(*times))


def test_a_clock_that_goes_through_without_a_gap_was_not_set_back():
    times = ("00:59:30", "01:00:00", *(f"01:{minute:02}:{second}" for minute in range(60) for second in ("20", "50")),
             "02:00:10")  # fmt: skip
    placed = minutes(*times)
    assert (placed[0], placed[-1]) == pytest.approx((-0.5, 60 + 1 / 6))
    assert "not set back" in str(said(*times))


def test_a_row_a_little_out_of_order_is_no_end_of_summer_time():
    assert minutes("00:50:00", "01:20:00", "01:19:58", "01:21:00") == pytest.approx([-10, 20, 19 + 58 / 60, 21])


def test_times_with_a_zone_of_their_own_are_left_alone():
    assert minutes("01:20:00Z", "01:20:00+01:00") == [80, 20]


def test_seconds_on_the_clock_of_a_place_are_read_like_its_texts():
    local = pl.Series([ONE_UTC_S - 1200, ONE_UTC_S + 3540, ONE_UTC_S, None])
    assert from_local_s(local, zone=LISBON).to_list() == [ONE_UTC_S - 4800, ONE_UTC_S - 60, ONE_UTC_S, None]
