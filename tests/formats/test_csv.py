"""CSV files: what is read, in which unit, and what a coach is told when a file does not say."""

from __future__ import annotations

import random
import time

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.core.errors import Refused
from pipeline.core.reasons import Reason, because
from pipeline.formats import READINGS, ReadOptions, Recording
from pipeline.formats.columns import COLUMNS
from pipeline.formats.csv import ColumnMapping, decode, read_mapping


def table(text: str) -> bytes:
    """A file drawn as text: one row per line, cells apart by |, blanks round them of no meaning."""
    rows = [[cell.strip() for cell in line.split("|")] for line in text.strip().splitlines()]
    return "\n".join(",".join(row) for row in rows).encode()


def read(content: bytes | str, mapping: ColumnMapping | None = None) -> Recording:
    [recording] = decode(content if isinstance(content, bytes) else table(content), ReadOptions(mapping=mapping))
    return recording


def rows(recording: Recording, *columns: str) -> list[tuple[object, ...]]:
    return recording.readings.select(pl.col(columns).round(6)).rows()


def refusal(content: bytes | str, mapping: ColumnMapping | None = None) -> str:
    with pytest.raises(Refused) as caught:
        read(content, mapping)
    return str(caught.value)


PLAIN = """
    elapsed_s | distance_m | cadence_spm
    0         | 0          | 170
    1         | 3.5        | 172
"""
PLAIN_ROWS = [(0.0, 0.0, 170.0), (1.0, 3.5, 172.0)]
PLAIN_COLUMNS = ("time_s", "distance_m", "cadence_spm")


# --- A row is a sample ---------------------------------------------------------------------------------------------


def test_a_sample_file_gives_every_reading_in_its_one_unit():
    recording = read("""
        time_utc             | distance_km | speed_km_h | altitude_ft | latitude_deg | longitude_deg | cadence_steps_s | contact_time_s | vertical_oscillation_cm | contact_balance_pct | heart_rate | power_w | step_length_cm | temperature_f
        1970-01-01T00:01:00Z | 1           | 36         | 100         | 10.5         | -20.5         | 3               | 0.24           | 8.5                     | 49.5                | 150        | 250     | 105            | 50
        1970-01-01T00:01:01Z | 1.01        | 18         | 200         | 10.6         | -20.6         | 2.5             | 0.25           | 9                       | 50.5                | 151        | 255     | 110            | 14
    """)  # noqa: E501 - all readings of one row, as a file has them
    assert rows(recording, *READINGS) == [
        (60.0, 1000.0, 10.0, 30.48, 10.5, -20.5, 180.0, 240.0, 85.0, 49.5, 150.0, 250.0, 1.05, 10.0),
        (61.0, 1010.0, 5.0, 60.96, 10.6, -20.6, 150.0, 250.0, 90.0, 50.5, 151.0, 255.0, 1.1, -10.0),
    ]
    assert (recording.grain, recording.has_clock) == ("sample", True)
    assert (recording.sport, recording.damage) == (None, None)


@pytest.mark.parametrize("header", ["Power", "Power (W/kg)", "Temperature"])
def test_power_and_temperature_without_their_unit_cost_nothing_but_themselves(header: str):
    recording = read(f"elapsed_s,distance_m,{header}\n0,0,4\n1,3,5\n".encode())
    assert rows(recording, "power_w", "temperature_c") == [(None, None), (None, None)]
    assert recording.unused == (header,)


def test_a_column_of_laps_divides_samples_wherever_it_changes():
    recording = read("""
        elapsed_s | distance_m | lap
        0         | 0          | easy
        1         | 3          | easy
        2         | 6          | fast
        3         | 11         | fast
        4         | 14         | easy
    """)
    assert (recording.grain, recording.laps) == ("sample", ((0, 1), (1, 3), (3, 4)))


def test_rows_that_are_laps_are_the_laps_of_the_recording():
    recording = read("""
        lap  | duration_s | length_m
        1    | 60         | 300
        rest | 90         | 100
        2    | 60         | 300
    """)
    assert (recording.grain, recording.laps) == ("lap", ((0, 60), (60, 150), (150, 210)))
    assert read(PLAIN).laps == ()


def test_a_reading_that_the_file_lacks_is_null():
    assert rows(read(PLAIN), "heart_rate_bpm", "contact_time_ms") == [(None, None), (None, None)]


@pytest.mark.parametrize(
    ("header", "cell", "reading", "expected"),
    [
        ("distance_mi", "2", "distance_m", 3218.688),
        ("speed_mph", "10", "speed_m_s", 4.4704),
        ("pace_s_per_km", "250", "speed_m_s", 4.0),
        ("pace_min_per_km", "5:00", "speed_m_s", 3.333333),
        ("pace_min_per_km", "5.5", "speed_m_s", 3.030303),
        ("pace_min_per_mile", "8:00", "speed_m_s", 3.3528),
        ("latitude_semicircles", "-1073741824", "latitude_deg", -90.0),
        ("longitude_semicircles", "536870912", "longitude_deg", 45.0),
        ("elevation_m", "12", "altitude_m", 12.0),
        ("cadence_strides_min", "85", "cadence_spm", 170.0),
        ("contact_balance_right_pct", "48", "contact_balance_pct", 52.0),
        ("vertical_oscillation_m", "0.08", "vertical_oscillation_mm", 80.0),
        ("heartrate", "140", "heart_rate_bpm", 140.0),
        ("Power (W)", "240", "power_w", 240.0),
        ("power_watts", "240", "power_w", 240.0),
        ("Step length [m]", "1.05", "recorded_step_length_m", 1.05),
        ("step_length_mm", "1050", "recorded_step_length_m", 1.05),
        ("stride_length_m", "2.1", "recorded_step_length_m", 1.05),
        ("Leistung (W)", "240", "power_w", 240.0),
        ("temperature_f", "50", "temperature_c", 10.0),
        ("Temperature (°C)", "-5", "temperature_c", -5.0),
        ("Contact time (ms)", "240", "contact_time_ms", 240.0),
        ("PACE [min/km]", "4:10", "speed_m_s", 4.0),
        ("Speed (m/s)", "3.5", "speed_m_s", 3.5),
        ("Contact balance %", "51", "contact_balance_pct", 51.0),
        ("Cadence (steps per min)", "171", "cadence_spm", 171.0),
        ('"Heart rate (bpm)"', '"139"', "heart_rate_bpm", 139.0),
    ],
)
def test_the_header_says_the_unit(header: str, cell: str, reading: str, expected: float):
    distance = "" if reading == "distance_m" else ",distance_m"
    zero = "" if reading == "distance_m" else ",0"
    recording = read(f"elapsed_s{distance},{header}\n0{zero},{cell}\n1{zero},{cell}\n".encode())
    assert rows(recording, reading) == [(expected,), (expected,)]


def test_the_fraction_of_a_stride_is_added_before_strides_become_steps():
    recording = read("""
        elapsed_s | distance_m | cadence_strides_min | cadence_fraction_strides_min
        0         | 0          | 85                  | 0.5
        1         | 3          | 86                  |
    """)
    assert rows(recording, "cadence_spm") == [(171.0,), (172.0,)]


def test_the_fraction_of_a_stride_is_not_added_to_steps():
    recording = read("""
        elapsed_s | distance_m | cadence_spm | cadence_fraction_strides_min
        0         | 0          | 170         | 0.5
        1         | 3          | 172         | 0.5
    """)
    assert rows(recording, "cadence_spm") == [(170.0,), (172.0,)]


def test_the_sport_is_the_first_word_of_its_column():
    recording = read("""
        elapsed_s | distance_m | sport
        0         | 0          |
        1         | 3          | Running
    """)
    assert recording.sport == "running"


@pytest.mark.parametrize(
    ("header", "words", "sport"),
    [
        ("Sportart", ["Laufen", "Laufen"], "running"),
        ("activity type", ["walk", "run"], None),  # of each row
        ("activity_type", ["1", "1"], None),  # a code of the program's own
        ("sport", ["cycling", "cycling"], "cycling"),
        ("sport", ["5", "5"], None),
    ],
)
def test_a_sport_is_told_by_a_word_that_holds_for_the_file(header: str, words: list[str], sport: str | None):
    rows_of = "".join(f"{n},{3 * n},{word}\n" for n, word in enumerate(words))
    assert read(f"elapsed_s,distance_m,{header}\n{rows_of}".encode()).sport == sport


def test_columns_that_are_not_recognised_are_left_out():
    assert rows(read("""
        elapsed_s | lap | distance_m | cadence_spm | remark
        0         | 1   | 0          | 170         | hot
        1         | 1   | 3.5        | 172         |
    """), *PLAIN_COLUMNS) == PLAIN_ROWS  # fmt: skip


def test_of_two_columns_for_one_reading_the_one_listed_first_is_read_in_any_order():
    for order in ("distance_m,distance_km", "distance_km,distance_m"):
        cells = {"distance_m": "700", "distance_km": "9"}
        row = ",".join(cells[name] for name in order.split(","))
        assert rows(read(f"elapsed_s,{order}\n0,{row}\n1,{row}\n".encode()), "distance_m") == [(700.0,)] * 2


def test_two_columns_of_the_same_name_are_refused_with_the_line_that_leaves_one_out():
    content = """
        elapsed_s | distance_m | Distance (m)
        0         | 0          | 0
        1         | 3          | 4
    """
    text = refusal(content)
    assert 'The columns "distance_m" and "Distance (m)" are both distance_m.' in text
    assert 'write "Distance (m)" = "" under [columns] in columns.toml next to the file' in text
    mapping = read_mapping('[columns]\n"Distance (m)" = ""', "run.csv")
    assert rows(read(content, mapping), "distance_m") == [(0.0,), (3.0,)]


# --- Time ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("header", "first", "second", "has_clock", "expected"),
    [
        ("time_utc", "1970-01-01T00:00:10Z", "1970-01-01T00:00:11.25Z", True, [10.0, 11.25]),
        ("timestamp_utc", "1970-01-01 02:00:10+02:00", "1970-01-01 02:00:11+0200", True, [10.0, 11.0]),
        ("Timestamp", "1970-01-01T00:00:10Z", "1970-01-01T00:00:11Z", True, [10.0, 11.0]),
        ("time_epoch_s", "1.5", "2.5", True, [1.5, 2.5]),
        ("time_epoch_ms", "1500", "2500", True, [1.5, 2.5]),
        ("elapsed_s", "1.5", "2.5", False, [1.5, 2.5]),
        ("elapsed_min", "0.5", "1:30", False, [30.0, 90.0]),
        ("elapsed_hms", "59:59.5", "1:00:00", False, [3599.5, 3600.0]),
    ],
)
def test_a_time_column_says_its_clock(header: str, first: str, second: str, has_clock: bool, expected: list[float]):
    recording = read(f"{header},distance_m\n{first},0\n{second},3\n".encode())
    assert recording.readings["time_s"].to_list() == expected
    assert recording.has_clock is has_clock


def test_an_absolute_time_wins_over_an_elapsed_one():
    recording = read("""
        elapsed_s | time_epoch_s | distance_m
        0         | 1000         | 0
        1         | 1001         | 3
    """)
    assert (recording.readings["time_s"].to_list(), recording.has_clock) == ([1000.0, 1001.0], True)


def test_a_start_sets_the_clock_of_an_elapsed_time():
    recording = read("""
        elapsed_s | started_at_utc       | distance_m
        0         | 1970-01-01T01:00:00Z | 0
        1         |                      | 3
    """)
    assert (recording.readings["time_s"].to_list(), recording.has_clock) == ([3600.0, 3601.0], True)


@pytest.mark.parametrize("header", ["Date", "時刻", "Uhrzeit"])
def test_a_date_with_its_time_of_day_is_a_time_whichever_of_the_two_the_header_names(header: str):
    recording = read(
        table(f"""
        {header}             | distance_m
        1970-01-01T00:00:10Z | 0
        1970-01-01T00:00:11Z | 3
    """)
    )
    assert recording.readings["time_s"].to_list() == [10.0, 11.0]


def test_midnights_of_a_column_of_dates_are_no_times():
    assert "no column with the time" in refusal("""
        Date                | distance_m
        2026-03-14 00:00:00 | 0
        2026-03-14 00:00:00 | 3
    """)


ZONELESS = """
    time_utc            | distance_m
    2026-07-01T12:00:00 | 0
    2026-07-01T12:00:01 | 3
"""


def test_a_time_without_zone_is_refused_with_the_line_that_gives_it_one():
    text = refusal(ZONELESS)
    assert 'The column "time_utc" has "2026-07-01T12:00:00" in line 2, a time that does not say in which zone.' in text
    assert 'write time_zone = "UTC" (or the zone of the place' in text


def test_a_time_without_zone_is_read_in_the_zone_of_the_mapping():
    recording = read(ZONELESS, ColumnMapping(time_zone="Europe/Lisbon"))  # summer time, one hour before UTC
    assert recording.readings["time_s"][0] == 1_782_903_600.0  # 2026-07-01T11:00:00Z


def test_the_hour_that_summer_time_leaves_out_is_no_time_and_the_one_it_repeats_is_the_first():
    recording = read(
        """
        time_utc            | distance_m
        2026-03-29T00:59:59 | 0
        2026-03-29T01:30:00 | 1
        2026-03-29T02:00:00 | 2
        2026-10-25T01:30:00 | 3
        """,
        ColumnMapping(time_zone="Europe/Lisbon"),
    )
    assert rows(recording, "time_s", "distance_m") == [
        (1_774_745_999.0, 0.0),  # 2026-03-29T00:59:59Z
        (1_774_746_000.0, 2.0),  # one second later: the clock went from 01:00 to 02:00
        (1_792_888_200.0, 3.0),  # 2026-10-25T00:30:00Z, still summer time
    ]


def test_form_without_distance_is_read_for_another_recording_of_the_run_and_says_what_it_lacks():
    recording = read("""
        elapsed_s | cadence_spm
        0         | 170
        1         | 172
    """)
    assert rows(recording, "time_s", "cadence_spm") == [(0.0, 170.0), (1.0, 172.0)]
    assert recording.without_distance is not None
    assert recording.without_distance.reasons[0]["kind"] == Reason.NO_COLUMN_OF_DISTANCE


def test_a_row_without_time_is_left_out():
    recording = read("""
        elapsed_s | distance_m
        0         | 0
                  | 1
        2         | 2
        3         | 3
    """)
    assert rows(recording, "time_s", "distance_m") == [(0.0, 0.0), (2.0, 2.0), (3.0, 3.0)]


# --- A row is a step -----------------------------------------------------------------------------------------------


def test_a_step_lasts_its_contact_and_its_flight():
    recording = read("""
        foot  | contact_time_ms | flight_time_s | speed_m_s
        left  | 240             | 0.110         | 3
        right | 250             | 0.100         | 3
        left  | 200             | 0.100         | 3
    """)
    assert rows(recording, "time_s", "cadence_spm", "contact_time_ms") == [
        (0.35, 171.428571, 240.0),
        (0.70, 171.428571, 250.0),
        (1.00, 200.0, 200.0),
    ]
    assert (recording.grain, recording.has_clock) == ("step", False)


def test_a_step_file_keeps_its_own_time_and_cadence():
    recording = read("""
        step | elapsed_s | contact_time_ms | flight_time_ms | cadence_spm | speed_m_s
        1    | 10        | 240             | 110            | 169         | 3
        2    | 20        | 250             | 100            | 170         | 3
    """)
    assert rows(recording, "time_s", "cadence_spm") == [(10.0, 169.0), (20.0, 170.0)]
    assert recording.grain == "step"


def test_contact_and_flight_beside_a_cadence_are_samples():
    recording = read("""
        elapsed_s | contact_time_ms | flight_time_ms | cadence_spm | speed_m_s
        10        | 240             | 110            | 169         | 3
        20        | 250             | 100            | 170         | 3
    """)
    assert recording.grain == "sample"


def test_steps_without_duration_are_counted_as_damage():
    recording = read("""
        step | contact_time_ms | flight_time_ms | speed_m_s
        1    | 200             | 100            | 3
        2    | 200             |                | 3
        3    | 200             | 100            | 3
    """)
    assert rows(recording, "time_s") == [(0.3,), (0.6,)]
    assert recording.damage == because(Reason.STEPS_WITHOUT_TIMES, n_lacking=1, n_steps=3)


# --- A row is a kilometre ------------------------------------------------------------------------------------------


def test_a_kilometre_row_stands_at_its_end_below_a_row_for_the_start():
    recording = read("""
        km | duration_s | cadence_spm | contact_time_ms
        1  | 300        | 170         | 240
        2  | 310        | 168         | 244
    """)
    assert rows(recording, "time_s", "distance_m", "cadence_spm", "contact_time_ms") == [
        (0.0, 0.0, None, None),
        (300.0, 1000.0, 170.0, 240.0),
        (610.0, 2000.0, 168.0, 244.0),
    ]
    assert (recording.grain, recording.has_clock) == ("kilometre", False)


def test_a_kilometre_may_have_a_length_a_pace_and_a_start():
    recording = read("""
        km | pace_s_per_km | length_m | started_at_utc
        1  | 300           | 1000     | 1970-01-01T00:01:40Z
        2  | 320           | 250      |
    """)
    assert rows(recording, "time_s", "distance_m") == [(100.0, 0.0), (400.0, 1000.0), (480.0, 1250.0)]
    assert recording.has_clock


def test_a_kilometre_may_last_a_clock_face():
    assert rows(read("""
        km | duration_hms
        1  | 5:00
        2  | 0:05:10
    """), "time_s") == [(0.0,), (300.0,), (610.0,)]  # fmt: skip


def test_kilometres_that_do_not_count_up_are_refused():
    text = refusal("""
        km  | pace_s_per_km | elapsed_s
        0   | 300           | 0
        0.1 | 300           | 30
    """)
    assert 'The column "km" has 0 in line 2, expected 1' in text
    assert 'write km = "distance_km" under [columns]' in text


def test_a_kilometre_without_duration_is_refused():
    assert "The kilometre in line 3 has no duration or pace" in refusal("""
        km | duration_s
        1  | 300
        2  |
        3  | 300
    """)


# --- Units that are missing ----------------------------------------------------------------------------------------

UNCLEAR_CADENCE = """
    elapsed_s | distance_m | Cadence
    0         | 0          | 85
    1         | 3.5        | 86
"""


def test_a_cadence_without_unit_is_refused_with_both_readings():
    text = refusal(UNCLEAR_CADENCE)
    assert 'The column "Cadence" does not say its unit: it could be cadence_spm or cadence_strides_min' in text
    assert 'write Cadence = "cadence_spm" if it counts the steps of both feet per minute' in text
    assert 'or Cadence = "cadence_strides_min" if it counts strides (one foot) per minute' in text
    assert "in columns.toml next to the file" in text


def test_the_line_that_a_refusal_asks_for_makes_the_file_acceptable():
    mapping = read_mapping('[columns]\nCadence = "cadence_strides_min"', "long run.csv")
    assert rows(read(UNCLEAR_CADENCE, mapping), "cadence_spm") == [(170.0,), (172.0,)]


def test_an_unclear_column_can_be_left_out():
    mapping = read_mapping('[columns]\nCadence = ""', "long run.csv")
    assert rows(read(UNCLEAR_CADENCE, mapping), "cadence_spm") == [(None,), (None,)]


@pytest.mark.parametrize(
    ("header", "first_choice", "second_choice"),
    [
        ("distance", "distance_m", "distance_km"),
        ("speed", "speed_m_s", "speed_km_h"),
        ("pace", "pace_min_per_km", "pace_s_per_km"),
        ("contact_time", "contact_time_ms", "contact_time_s"),
        ("stance_time", "contact_time_ms", "contact_time_s"),
        ("Flight time", "flight_time_ms", "flight_time_s"),
        ("altitude", "altitude_m", "altitude_ft"),
        ("vertical_oscillation", "vertical_oscillation_mm", "vertical_oscillation_cm"),
        ("contact_balance", "contact_balance_pct", "contact_balance_right_pct"),
        ("latitude", "latitude_deg", "latitude_semicircles"),
        ("time", "time_epoch_s", "elapsed_s"),
        ("timestamp", "time_epoch_ms", "elapsed_s"),
    ],
)
def test_a_quantity_without_unit_is_refused_and_each_reading_named(header: str, first_choice: str, second_choice: str):
    text = refusal(f"elapsed_s,step,{header}\n0,1,100\n1,2,101\n".encode())
    key = header if " " not in header else f'"{header}"'
    assert f'The column "{header}" does not say its unit' in text
    assert f'{key} = "{first_choice}" if it' in text
    assert f'{key} = "{second_choice}" if it' in text


def test_all_units_that_are_missing_are_named_at_once():
    text = refusal(b"elapsed_s,distance,cadence\n0,1,2\n1,2,3\n")
    assert 'The column "distance" does not say its unit' in text
    assert 'The column "cadence" does not say its unit' in text


def test_everything_that_is_open_is_in_one_message():
    text = refusal(b"Zeit;Distanz;Kadenz;Kraft;Kadense\n03.04.2026 9:30;1,5;85;2;1\n03.04.2026 9:31;1,6;85;2;1\n")
    for part in (
        'The column "Distanz" does not say its unit: it could be distance_m or distance_km or distance_mi.',
        'The column "Kadenz" does not say its unit',
        'The column "Zeit" has "03.04.2026 9:30" in line 2, a date whose day and month cannot be told apart.',
        "That is also a time that does not say in which zone.",
        'Columns not recognised: "Kraft", "Kadense" (close to cadence_spm or cadence_strides_min).',
        'Write date_order = "day-month-year" or date_order = "month-day-year", whichever it is, at the top of',
        'time_zone = "UTC" (or the zone of the place',
        "`splitdrift columns FILE` prints a columns.toml for all of this.",
    ):
        assert part in text


def test_of_many_headers_that_mean_nothing_the_first_twelve_are_listed():
    headers = ",".join(f"colour {n}" for n in range(20))
    text = refusal(f"{headers}\n{','.join(['1'] * 20)}\n{','.join(['2'] * 20)}\n".encode())
    assert '"colour 11" and 8 more.' in text
    assert '"colour 12"' not in text
    assert "The file does not say when the run began either" in text


def test_a_start_that_an_open_time_may_need_is_in_the_same_message():
    text = refusal(b"Time (s),distance_m\n0,0\n1,3\n")
    assert "If that is time since the start, sessions.csv must also say when the run began" in text


def test_choices_that_the_form_of_the_cells_rules_out_are_not_offered():
    numbers = refusal(b"time,distance_m\n0,0\n1,3\n")
    faces = refusal(b"time,distance_m\n0:00:00,0\n0:00:01,3\n")
    assert ("time_epoch_s" in numbers, "elapsed_hms" in numbers) == (True, False)
    assert ("time_epoch_s" in faces, "elapsed_hms" in faces) == (False, True)


def test_values_never_settle_a_unit():
    for cells in (("170", "172"), ("85", "86")):
        assert "does not say its unit" in refusal(
            f"elapsed_s,distance_m,cadence\n0,0,{cells[0]}\n1,3,{cells[1]}\n".encode()
        )


def test_a_unit_need_not_be_known_where_another_column_has_the_reading():
    assert rows(read("""
        elapsed_s | distance_m | distance | cadence | cadence_spm
        0         | 0          | 7        | 85      | 170
        1         | 3.5        | 8        | 86      | 172
    """), *PLAIN_COLUMNS) == PLAIN_ROWS  # fmt: skip


def test_an_absolute_time_settles_every_other_time():
    recording = read("""
        date_time            | timestamp  | elapsed | distance_m
        1970-01-01T00:00:10Z | 1700000000 | 7       | 0
        1970-01-01T00:00:11Z | 1700000001 | 8       | 3
    """)
    assert recording.readings["time_s"].to_list() == [10.0, 11.0]


def test_an_elapsed_time_does_not_settle_a_timestamp_that_may_hold_the_date():
    assert 'The column "timestamp" does not say its unit' in refusal("""
        elapsed_s | timestamp  | distance_m
        0         | 1700000000 | 0
        1         | 1700000001 | 3
    """)


def test_an_empty_column_needs_no_unit():
    assert rows(read("""
        elapsed_s | distance_m | cadence_spm | altitude
        0         | 0          | 170         | --
        1         | 3.5        | 172         |
    """), *PLAIN_COLUMNS) == PLAIN_ROWS  # fmt: skip


# --- Cells, encodings, separators ----------------------------------------------------------------------------------

PLAIN_TEXT = "elapsed_s,distance_m,cadence_spm\n0,0,170\n1,3.5,172\n"


@pytest.mark.parametrize(
    "content",
    [
        PLAIN_TEXT.encode(),
        PLAIN_TEXT.encode("utf-8-sig"),
        PLAIN_TEXT.encode("utf-16"),
        b"\xfe\xff" + PLAIN_TEXT.encode("utf-16-be"),
        PLAIN_TEXT.replace("cadence_spm\n", "cadence_spm,Höhe über Meer\n").encode("latin-1"),
        PLAIN_TEXT.replace("\n", "\r\n").encode(),
        PLAIN_TEXT.replace("\n", "\r").encode(),
        PLAIN_TEXT.replace(",", ";").encode(),
        PLAIN_TEXT.replace(",", "\t").encode(),
        PLAIN_TEXT.replace(",", ";").replace("3.5", "3,5").encode(),
        PLAIN_TEXT.replace(",", "\t").replace("3.5", "3,5").encode(),
        PLAIN_TEXT.replace("3.5", '"3.5"').replace("elapsed_s", '"elapsed_s"').encode(),
        ("\n" + PLAIN_TEXT + "\n\n  \n,,\n").encode(),
        PLAIN_TEXT.replace("170\n", "170,\n").encode(),
        PLAIN_TEXT.rstrip("\n").encode(),
    ],
    ids=[
        "utf-8", "utf-8 with mark", "utf-16", "utf-16 big-endian", "latin-1", "windows lines", "old mac lines",
        "semicolons", "tabs", "semicolons and decimal commas", "tabs and decimal commas", "quoted", "blank lines",
        "separator at the end of a row", "no last line end",
    ],
)  # fmt: skip
def test_the_same_rows_are_read_however_they_are_written(content: bytes):
    assert rows(read(content), *PLAIN_COLUMNS) == PLAIN_ROWS


def test_decimal_commas_between_commas_are_refused_and_not_cut_apart():
    text = refusal(b"elapsed_s,distance_m\n0,0\n1,3,5\n2,7,0\n")
    assert "Line 3 has more cells than the header, which has 2." in text
    assert "save it with semicolons between the cells" in text


def test_quoted_decimal_commas_between_commas_are_read_where_the_mapping_says_so():
    content = b'elapsed_s,distance_m\n0,0\n1,"3,5"\n'
    assert rows(read(content, ColumnMapping(decimal=",")), "distance_m") == [(0.0,), (3.5,)]


def test_a_file_with_both_decimal_signs_is_refused():
    text = refusal(b"elapsed_s;distance_m\n0.5;1,200\n1.5;1,203\n")
    assert 'The column "distance_m" has numbers with a comma and the column "elapsed_s" numbers with a point' in text
    assert 'Write decimal = "," or decimal = "." at the top of columns.toml' in text


def test_a_few_cells_that_are_no_number_are_null():
    recording = read("""
        elapsed_s | distance_m | cadence_spm | heart_rate_bpm
        0         | 0          | 170         | inf
        1         | 3          | lost        | NaN
        2         | 6          | 172         | 150
    """)
    assert rows(recording, "cadence_spm", "heart_rate_bpm") == [(170.0, None), (None, None), (172.0, 150.0)]


@pytest.mark.parametrize(("n_words", "is_refused"), [(2, False), (3, True)])
def test_a_column_is_refused_when_more_than_half_of_its_cells_are_no_number(n_words: int, is_refused: bool):
    cells = ["fast"] * n_words + ["170"] * (4 - n_words)
    content = ("elapsed_s,distance_m,cadence_spm\n" + "".join(f"{i},{i},{c}\n" for i, c in enumerate(cells))).encode()
    if is_refused:
        assert 'The column "cadence_spm" has "fast" in line 2, expected a number.' in refusal(content)
    else:
        assert read(content).readings["cadence_spm"].to_list() == [None, None, 170.0, 170.0]


def test_the_line_of_a_refusal_is_the_line_of_the_file_blank_lines_counted():
    assert 'has "slow" in line 6' in refusal(b"\nelapsed_s,speed_m_s\n0,\n\n1,\n2,slow\n3,slow\n")


def test_a_pace_of_nothing_is_null_and_not_infinite():
    assert rows(read("""
        elapsed_s | pace_s_per_km
        0         | 0
        1         | 250
    """), "speed_m_s") == [(None,), (4.0,)]  # fmt: skip


@pytest.mark.parametrize(
    ("content", "expected"),
    [
        (b"distance_m\n0\n1\n", "The file has no column with the time. Name it time_utc"),
        (b"elapsed_s,heart_rate_bpm\n0,170\n1,170\n", "neither distance, speed, pace nor positions"),
        (b"elapsed_s,latitude_deg\n0,1\n1,1\n", "neither distance, speed, pace nor positions"),
        (b"elapsed_s,distance_m\n0,0\n", "Rows below the header of the file: 1, expected at least 2."),
        (b"", "Rows below the header of the file: 0"),
        (b"elapsed_s,distance_m\n0,0\n,1\n,2\n", "Rows of the file that have a time: 1, expected at least 2."),
        (b'elapsed_s,distance_m\n"0,0\n1,1\n', "a quotation mark is inside a cell, or opens one"),
        (b"\xff\xfea", "The file says that it is UTF-16 text but is not."),
    ],
)
def test_a_file_that_cannot_be_used_says_why(content: bytes, expected: str):
    assert expected in refusal(content)


# --- columns.toml --------------------------------------------------------------------------------------------------

MAPPING_FILE = """
decimal = ","
time_zone = "Europe/Lisbon"
sport = "Running"

[columns]
"Cadence" = "cadence_strides_min"
"Power" = ""

[files."treadmill test.csv"]
separator = "\\t"
time_zone = "UTC"

[files."treadmill test.csv".columns]
"Cadence" = "cadence_spm"
"""


def test_the_lines_for_all_files_hold_for_any_file():
    assert read_mapping(MAPPING_FILE, "any.csv") == ColumnMapping(
        columns={"Cadence": "cadence_strides_min", "Power": ""},
        decimal=",",
        time_zone="Europe/Lisbon",
        sport="running",
    )


@pytest.mark.parametrize("file_name", ["treadmill test.csv", "treadmill test.csv.gz"])
def test_the_lines_for_one_file_win_over_those_for_all(file_name: str):
    assert read_mapping(MAPPING_FILE, file_name) == ColumnMapping(
        columns={"Cadence": "cadence_spm", "Power": ""},
        decimal=",",
        separator="\t",
        time_zone="UTC",
        sport="running",
    )


def test_a_mapping_that_says_nothing_about_a_file_is_none():
    assert read_mapping('[files."other.csv"]\nsport = "running"', "this.csv") is None


def test_a_mapped_header_may_be_written_in_other_capitals():
    mapping = read_mapping('[columns]\n"ground contact" = "contact_time_ms"', "run.csv")
    assert rows(read("""
        elapsed_s | distance_m | Ground Contact
        0         | 0          | 240
        1         | 3          | 242
    """, mapping), "contact_time_ms") == [(240.0,), (242.0,)]  # fmt: skip


def test_the_mapping_can_say_what_a_row_is_and_which_sport():
    recording = read(PLAIN, ColumnMapping(grain="step", sport="running"))
    assert (recording.grain, recording.sport) == ("step", "running")


def test_kilometres_by_mapping_alone_are_refused_without_their_columns():
    assert 'columns "km" and "duration_s" (or a pace) are missing' in refusal(PLAIN, ColumnMapping(grain="kilometre"))


def test_a_misspelt_header_of_the_mapping_shows_beside_the_column_that_is_missing():
    text = refusal(b"elapsed_s,Way gone\n0,0\n1,3\n", ColumnMapping(columns={"Way done": "distance_m"}))
    assert 'columns.toml names "Way done", which the file does not have. Did you mean Way gone?' in text


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        (
            "[columns]\nA = cadence_spm",
            "columns.toml cannot be read: Invalid value (at line 2, column 5): a text needs quotation marks, "
            'A = "cadence_spm".',
        ),
        ('[columns]\nA = "cadense_spm"', 'the column "A" is given "cadense_spm", which is not a known name'),
        ('[columns]\nA = "cadense_spm"', "Did you mean cadence_spm"),
        ('[columns]\nA = "cadence"', "Did you mean cadence_spm or cadence_strides_min or cadence_steps_s?"),
        ("[columns]\nA.b = 'cadence_spm'", "A column whose name holds a dot or a blank needs quotation marks too."),
        ('[columns]\ndecimal = ","', 'Move the line decimal = "," above [columns].'),
        ('columns = "cadence_spm"', "[columns] holds 'cadence_spm', expected a heading with lines below it."),
        ('files = 3', "[files] holds 3, expected a heading"),
        ('decimel = ","', "decimel is none of the options decimal, thousands, separator, time_zone, date_order,"),
        ('decimel = ","', "Did you mean decimal?"),
        ('Power = ""', "If it is a column, put its line below the heading [columns]."),
        ('decimal = "x"', "decimal is 'x', expected \".\" or \",\"."),
        ('grain = "mile"', "grain is 'mile', expected \"sample\" or \"step\" or \"lap\" or \"kilometre\"."),
        ('skip_lines = "3"', "skip_lines is '3', expected a whole number up to 1000."),
        ("skip_lines = true", "skip_lines is True, expected a whole number up to 1000."),
        ("sport = 3", "sport is 3, expected a word in quotation marks."),
        ('time_zone = "Europe/Lisbonn"', "Did you mean Europe/Lisbon"),
        ('[files."run.csv"]\ntime_zone = "Mars"', 'time_zone is "Mars", expected a zone such as'),
    ],
)  # fmt: skip
def test_a_mistake_in_columns_toml_is_named_with_what_was_meant(text: str, expected: str):
    with pytest.raises(Refused) as caught:
        read_mapping(text, "run.csv")
    assert expected in str(caught.value)


# --- Properties ----------------------------------------------------------------------------------------------------

#: For each reading, headers for it and how a value in the reading's own unit is written under each.
SPELLINGS = {
    "distance_m": {"distance_m": 1.0, "Distance (km)": 1e-3, "distance_mi": 1 / 1609.344},
    "speed_m_s": {"speed_m_s": 1.0, "Speed [km/h]": 3.6},
    "altitude_m": {"altitude_m": 1.0, "ALTITUDE_FT": 1 / 0.3048},
    "cadence_spm": {"cadence_spm": 1.0, "cadence_strides_min": 0.5, "Cadence (steps/s)": 1 / 60},
    "contact_time_ms": {"contact_time_ms": 1.0, "Contact time (s)": 1e-3},
    "vertical_oscillation_mm": {"vertical_oscillation_mm": 1.0, "vertical oscillation cm": 0.1},
    "heart_rate_bpm": {"heart_rate": 1.0, "Heart rate (bpm)": 1.0},
}
VALUES = st.lists(st.floats(1, 5000), min_size=len(SPELLINGS), max_size=len(SPELLINGS))


@settings(max_examples=100, deadline=None)
@given(data=st.data(), values=st.lists(VALUES, min_size=2, max_size=5))
def test_order_and_units_of_the_columns_do_not_change_the_readings(data: st.DataObject, values: list[list[float]]):
    headers = {reading: data.draw(st.sampled_from(sorted(choices))) for reading, choices in SPELLINGS.items()}
    separator, decimal = data.draw(st.sampled_from([(",", "."), (";", "."), (";", ","), ("\t", ",")]))
    columns = {"elapsed_s": [str(index) for index in range(len(values))]}
    for (reading, header), column in zip(headers.items(), zip(*values, strict=True), strict=True):
        columns[header] = [repr(value * SPELLINGS[reading][header]).replace(".", decimal) for value in column]
    order = data.draw(st.permutations(sorted(columns)))
    lines = [order, *zip(*(columns[header] for header in order), strict=True)]
    recording = read("\n".join(separator.join(line) for line in lines).encode())
    for reading, expected in zip(SPELLINGS, zip(*values, strict=True), strict=True):
        # Twelve digits: what a change of unit and back may cost.
        assert recording.readings[reading].to_list() == pytest.approx(list(expected), rel=1e-12)


MUTABLE = [
    PLAIN_TEXT.encode(),
    PLAIN_TEXT.encode("utf-16"),
    b"km;duration_hms;pace_min_per_km\n1;5:00;5:00\n2;5:10;5,5\n",
    b"step,contact_time_ms,flight_time_ms,speed_m_s\n1,200,100,3\n2,210,100,3\n",
    b'"time_utc","Distance (m)"\n2026-07-01T12:00:00Z,0\n2026-07-01T12:00:01+02:00,"3"\n',
]


@settings(max_examples=150, deadline=None)
@given(content=st.binary(max_size=200), mapping=st.sampled_from([None, ColumnMapping(decimal=",", time_zone="UTC")]))
def test_bytes_of_any_kind_are_read_or_refused(content: bytes, mapping: ColumnMapping | None):
    refuse_or_hold(content, mapping)


@settings(max_examples=100, deadline=None)
@given(content=st.sampled_from(MUTABLE), seed=st.integers(0, 2**32), zone=st.sampled_from([None, "Europe/Lisbon"]))
def test_a_file_with_bytes_changed_is_read_or_refused(content: bytes, seed: int, zone: str | None):
    refuse_or_hold(mutated(content, seed), ColumnMapping(time_zone=zone))


@settings(max_examples=150, deadline=None)
@given(seed=st.integers(0, 2**32))
def test_a_columns_toml_with_characters_changed_is_read_or_refused(seed: int):
    text = mutated(MAPPING_FILE.encode(), seed).decode("latin-1")
    try:
        mapping = read_mapping(text, "treadmill test.csv")
    except Refused:
        return
    assert mapping is None or set(mapping.columns.values()) <= {"", *COLUMNS}


def mutated(content: bytes, seed: int) -> bytes:
    source = random.Random(seed)
    changed = bytearray(content)
    for _ in range(source.randint(1, 4)):
        place = source.randrange(len(changed) or 1)
        piece = source.choice([b"", b"\n", b",", b";", b'"', b".", b"-", b"9" * 30, b"\x00", b"\xff", b"e", b" ", b":"])
        changed[place : place + source.randint(0, 3)] = piece
    return bytes(changed)


def refuse_or_hold(content: bytes, mapping: ColumnMapping | None) -> None:
    """Whatever is read keeps the promises of a recording; whatever is not is refused."""
    try:
        recording = read(content, mapping)
    except Refused:
        return
    assert recording.readings.schema == dict.fromkeys(READINGS, pl.Float64())
    assert len(recording.readings) >= 2
    assert recording.readings["time_s"].null_count() == 0
    assert recording.readings.select(pl.all().is_finite().fill_null(value=True).all()).row(0) == (True,) * len(READINGS)


# --- Speed ---------------------------------------------------------------------------------------------------------


def test_ninety_minutes_of_ten_columns_are_read_in_a_fraction_of_a_second():
    header = (
        "time_utc,distance_m,speed_m_s,altitude_m,cadence_strides_min,contact_time_ms,"
        "vertical_oscillation_cm,contact_balance_pct,heart_rate_bpm,latitude_deg"
    )
    lines = [
        f"2026-03-01T1{i // 3600}:{i // 60 % 60:02}:{i % 60:02}Z,{3.1 * i:.1f},3.1,100.5,84.5,240.5,8.4,50.1,150,51.12"
        for i in range(5400)
    ]
    content = "\n".join([header, *lines]).encode()
    read(content)
    began = time.perf_counter()
    recording = read(content)
    assert len(recording.readings) == 5400
    assert time.perf_counter() - began < 0.5  # some 15 ms on a quiet machine


def test_columns_that_hold_something_and_gave_no_reading_are_named():
    content = b"elapsed_s,distance_m,cadense_spm,empty,left out\n0,0,170,,1\n1,3,171,,1\n2,6,172,,1\n"
    mapping = read_mapping('[columns]\n"left out" = ""\n', "run.csv")
    [found] = decode(content, ReadOptions(mapping=mapping))
    assert found.unused == ("cadense_spm",)
