"""Two recordings of one run: the shift of their clocks, and readings of one at the instants of the other."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from pipeline.methods.joining import LONGEST_SHIFT_S, Alignment, align, joined

LENGTH_S = 1200


#: A cadence that wanders: any shift of it by some seconds looks different.
WANDERING = 170 + np.convolve(np.random.default_rng(7).normal(0, 12, 2 * LENGTH_S), np.ones(15) / 15, mode="same")


def pace(at_s: np.ndarray) -> np.ndarray:
    return np.interp(at_s, np.arange(len(WANDERING)), WANDERING)


def recorded(every_s: float = 1.0, *, from_s: float = 0.0, to_s: float = LENGTH_S, **columns: object) -> pl.DataFrame:
    """Samples of that run, from one second of it to another."""
    elapsed_s = np.arange(0, to_s - from_s + every_s / 2, every_s)
    return pl.DataFrame(
        {
            "elapsed_s": elapsed_s,
            "interval_s": np.diff(elapsed_s, prepend=elapsed_s[0]),
            "cadence_spm": pace(elapsed_s + from_s),
            "speed_m_s": None,
            "heart_rate_bpm": None,
            "contact_time_ms": 240 + 0.01 * (elapsed_s + from_s),
            **columns,
        },
        schema_overrides=dict.fromkeys(("speed_m_s", "heart_rate_bpm"), pl.Float64),
    )


@pytest.mark.parametrize("fast_s", [0, 1, 3, 45, -45, LONGEST_SHIFT_S - 1])
def test_a_clock_that_is_fast_is_found_by_the_cadence(fast_s: int):
    # The other device begins a minute into the run, and its clock is ahead.
    other = recorded(from_s=60)
    found = align(recorded(), other, begins_later_s=60 + fast_s)
    assert (found.shift_s, found.quantity, found.is_settled) == (-fast_s, "cadence_spm", True)
    assert found.agreement == pytest.approx(1.0)


def test_recordings_of_other_rates_and_with_noise_are_aligned_to_the_second():
    draws = np.random.default_rng(1)
    other = recorded(0.35)
    other = other.with_columns(pl.col("cadence_spm") + draws.normal(0, 4, other.height))
    found = align(recorded(4.0), other, begins_later_s=7)
    assert abs(found.shift_s + 7) <= 1
    assert 0.5 < (found.agreement or 0) < 0.95


def test_an_even_run_does_not_settle_the_shift():
    draws = np.random.default_rng(2)
    even = [recorded(cadence_spm=170 + draws.normal(0, 1, LENGTH_S + 1)) for _ in range(2)]
    found = align(even[0], even[1], begins_later_s=5)
    assert (found.shift_s, found.is_settled) == (0.0, False)


@pytest.mark.parametrize("value", [None, 170.0])
def test_where_nothing_can_be_compared_the_clocks_are_taken_as_they_are(value: float | None):
    without = recorded().with_columns(cadence_spm=pl.lit(value, dtype=pl.Float64))
    assert align(recorded(), without, begins_later_s=5) == Alignment()


def test_a_shift_beyond_what_is_looked_at_is_not_settled():
    found = align(recorded(), recorded(), begins_later_s=LONGEST_SHIFT_S + 10)
    assert (found.shift_s, found.is_settled) == (0.0, False)


def test_of_shifts_that_intervals_make_alike_the_smallest_is_taken():
    periodic = 160 + 20 * (np.arange(LENGTH_S + 1) % 60 < 30) + 0.001 * np.arange(LENGTH_S + 1)
    assert align(recorded(cadence_spm=periodic), recorded(cadence_spm=periodic), begins_later_s=4).shift_s == -4


def test_speed_is_compared_where_cadence_is_not_in_both():
    kept = recorded().with_columns(cadence_spm=pl.lit(None, dtype=pl.Float64), speed_m_s=pl.col("cadence_spm") / 60)
    other = recorded().with_columns(speed_m_s=pl.col("cadence_spm") / 60)
    found = align(kept, other, begins_later_s=-4)
    assert (found.shift_s, found.quantity) == (4.0, "speed_m_s")


# --- Joining ----------------------------------------------------------------------------------------------------------


def test_a_joined_reading_is_the_mean_over_the_interval_of_the_sample():
    kept = pl.DataFrame({"elapsed_s": [0.0, 2.0, 4.0], "interval_s": [0.0, 2.0, 2.0]})
    other = pl.DataFrame(
        {
            "elapsed_s": [0.0, 0.5, 1.0, 2.0, 3.0, 4.0],
            "interval_s": [0.0, 0.5, 0.5, 1.0, 1.0, 1.0],
            "contact_time_ms": [999.0, 200.0, 240.0, 260.0, None, 300.0],
        }
    )
    result = joined(kept, other, ["contact_time_ms"], begins_later_s=0, shift_s=0)
    # 0 to 2 s: (0.5 x 200 + 0.5 x 240 + 1 x 260) / 2; 2 to 4 s: only the second half is known, which is enough.
    assert result["contact_time_ms"].to_list() == [None, 240.0, 300.0]


def test_the_shift_and_the_later_start_place_the_other_clock():
    kept = recorded(contact_time_ms=None).with_columns(pl.col("contact_time_ms").cast(pl.Float64))
    result = joined(kept, recorded(from_s=60), ["contact_time_ms"], begins_later_s=63, shift_s=-3)
    expected = 240 + 0.01 * np.arange(61, LENGTH_S + 1)
    assert result["contact_time_ms"].to_list()[:61] == [None] * 61
    np.testing.assert_allclose(result["contact_time_ms"].to_numpy()[61:], expected)


def test_a_pause_of_the_other_one_gives_nothing():
    kept = pl.DataFrame({"elapsed_s": [0.0, 1.0, 2.0, 3.0], "interval_s": [0.0, 1.0, 1.0, 1.0]})
    other = pl.DataFrame(
        {"elapsed_s": [0.0, 1.0, 2.9, 3.0], "interval_s": [0.0, 1.0, 0.0, 0.1], "contact_time_ms": [240.0] * 4}
    )
    result = joined(kept, other, ["contact_time_ms"], begins_later_s=0, shift_s=0)
    assert result["contact_time_ms"].to_list() == [None, 240.0, None, None]
