"""Rows of laps and kilometres: laid end to end, with the total left out, and the clock where the rows decide it."""

from __future__ import annotations

import polars as pl
import pytest

from pipeline.core.errors import Refused
from pipeline.core.reasons import Reason, because
from pipeline.formats.grains import Rows, grain_of, lengths_of_laps, may_be_laps, placed


def rows(grain: str | None = None, **columns: list[object]) -> Rows:
    values = {name: pl.Series(column, dtype=pl.String if name in ("lap", "foot") else pl.Float64)
              for name, column in columns.items()}  # fmt: skip
    lines = pl.Series(range(2, 2 + len(next(iter(columns.values())))))
    return placed(values, grain=grain, headers={}, lines=lines)


def times_and_distances(found: Rows) -> list[tuple[float, float]]:
    return list(zip(found.values["elapsed_s"], found.values["distance_m"], strict=True))


# --- Laps ------------------------------------------------------------------------------------------------------------


def test_laps_are_laid_end_to_end_below_a_row_for_the_start():
    found = rows(lap=["1", "2"], duration_s=[300, 150], length_m=[1000, 400], cadence_spm=[170, 172])
    assert found.grain == "lap"
    assert times_and_distances(found) == [(0.0, 0.0), (300.0, 1000.0), (450.0, 1400.0)]
    assert found.values["cadence_spm"].to_list() == [None, 170.0, 172.0]


def test_laps_may_have_speed_in_place_of_length_or_of_duration():
    assert times_and_distances(rows(lap=["1", "2"], duration_s=[300, 150], speed_m_s=[3, 4])) == [
        (0.0, 0.0), (300.0, 900.0), (450.0, 1500.0),
    ]  # fmt: skip
    assert times_and_distances(rows(lap=["1", "2"], length_m=[900, 600], speed_m_s=[3, 4])) == [
        (0.0, 0.0), (300.0, 900.0), (450.0, 1500.0),
    ]  # fmt: skip


def test_laps_may_have_times_since_the_start():
    found = rows(lap=["1", "2"], elapsed_s=[300, 450], distance_m=[900, 1500])
    assert found.grain == "lap"
    assert times_and_distances(found) == [(0.0, 0.0), (300.0, 900.0), (450.0, 1500.0)]


@pytest.mark.parametrize(
    ("distance_m", "duration_s", "lengths"),
    [
        ([1000, 1000, 400], [300, 300, 120], [1000, 1000, 400]),  # they do not grow: of each lap
        ([1000, 2000, 2400], [300, 300, 120], [1000, 1000, 400]),  # of each they would be runs at 20 m/s
        ([1000, 2000], [300, 400], None),  # 3.3 and 5 m/s, or 3.3 and 2.5 m/s
    ],
)
def test_distances_are_of_each_lap_or_since_the_start_where_only_one_is_a_run(
    distance_m: list[float], duration_s: list[float], lengths: list[float] | None
):
    found = lengths_of_laps(pl.Series(distance_m, dtype=pl.Float64), pl.Series(duration_s, dtype=pl.Float64))
    assert (None if found is None else found.to_list()) == lengths


def test_a_last_row_that_is_the_total_is_left_out_and_that_is_remarked():
    found = rows(lap=["1", "2", "Total"], duration_s=[300, 150, 450], length_m=[1000, 400, 1400])
    assert times_and_distances(found)[-1] == (450.0, 1400.0)
    assert found.remarks == (because(Reason.TOTAL_LEFT_OUT, line=4),)


def test_a_last_lap_that_is_long_is_no_total():
    found = rows(lap=["1", "2", "3"], duration_s=[300, 150, 460], length_m=[1000, 400, 1400])
    assert times_and_distances(found)[-1] == (910.0, 2800.0)
    assert found.remarks == ()


@pytest.mark.parametrize(
    ("time_s", "started_s"),
    [
        ([1000, 1300, 1450], 1000.0),  # starts of the laps
        ([1300, 1450, 1650], 1000.0),  # their ends
        ([1000, 1310, 1420], None),  # neither
    ],
)
def test_times_next_to_durations_set_the_clock_where_they_are_clearly_starts_or_ends(
    time_s: list[float], started_s: float | None
):
    found = rows(lap=["1", "2", "3"], duration_s=[300, 150, 200], length_m=[900, 400, 600], time_s=time_s)
    assert "time_s" not in found.values
    assert ("started_s" in found.values) == (started_s is not None)
    if started_s is not None:
        assert found.values["started_s"][1] == started_s


def test_a_lap_without_duration_is_refused_by_its_line():
    with pytest.raises(
        Refused, match="The lap in line 3 has no duration or pace, so the rows after it cannot be placed in time"
    ):
        rows(lap=["1", "2"], duration_s=[300, None], length_m=[1000, 400])


@pytest.mark.parametrize(
    ("columns", "missing"), [({"lap": ["1", "2"], "duration_s": [1, 2]}, "length"), ({"length_m": [1, 2]}, "time")]
)
def test_laps_that_columns_toml_claims_need_a_time_and_a_length(columns: dict[str, list[object]], missing: str):
    with pytest.raises(Refused, match=f"one row per lap, but a column with the {missing} of each is missing"):
        rows("lap", **columns)


@pytest.mark.parametrize(
    ("names", "grain"),
    [
        (["km", "duration_s"], "kilometre"),
        (["duration_s", "length_m"], "lap"),
        (["duration_s", "distance_m"], "lap"),
        (["time_s", "duration_s", "distance_m"], "sample"),
        (["elapsed_s", "distance_m"], "sample"),
        (["elapsed_s", "foot", "speed_m_s"], "step"),
        (["contact_time_ms", "flight_time_ms"], "step"),
        (["contact_time_ms", "flight_time_ms", "cadence_spm"], "sample"),
    ],
)
def test_the_columns_say_what_a_row_is(names: list[str], grain: str):
    assert grain_of({name: pl.Series([1.0, 2.0]) for name in names}) == grain


def test_a_column_of_laps_in_which_laps_repeat_is_of_samples():
    values = {
        "lap": pl.Series(["1", "1", "2"]),
        "elapsed_s": pl.Series([0.0, 1.0, 2.0]),
        "distance_m": pl.Series([0.0] * 3),
    }
    assert grain_of(values) == "sample"


def test_names_that_may_be_of_laps():
    assert may_be_laps({"lap", "distance_m"})
    assert may_be_laps({"time_s", "duration_s"})
    assert not may_be_laps({"lap", "time_s", "distance_m"})
    assert not may_be_laps({"km", "duration_s"})


# --- Kilometres ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("last", "length_m"), [(3, 1000.0), (2.42, 420.0), (2.001, 1.0)])
def test_the_last_kilometre_may_be_a_part_of_one(last: float, length_m: float):
    found = rows(km=[1, 2, last], duration_s=[300, 310, 100])
    assert times_and_distances(found)[-1] == (710.0, pytest.approx(2000 + length_m))


@pytest.mark.parametrize("km", [[1, 3, 4], [0, 1, 2], [1, 2.5, 3], [1, 2, 4.2]])
def test_other_kilometres_must_count(km: list[float]):
    with pytest.raises(Refused, match="kilometres count 1, 2, 3"):
        rows(km=km, duration_s=[300, 310, 320])


# --- Both feet -------------------------------------------------------------------------------------------------------


def test_a_column_for_each_foot_gives_the_mean_and_the_share_of_the_left():
    found = rows(elapsed_s=[0, 1], distance_m=[0, 3], contact_time_left_ms=[255, 245], contact_time_right_ms=[245, 255])
    assert found.values["contact_time_ms"].to_list() == [250.0, 250.0]
    assert found.values["contact_balance_pct"].to_list() == [51.0, 49.0]


def test_length_of_steps_and_cadence_give_the_speed_where_nothing_else_does():
    found = rows(elapsed_s=[0, 1], step_length_m=[1.0, 1.2], cadence_spm=[180, 180])
    assert found.values["speed_m_s"].to_list() == pytest.approx([3.0, 3.6])
