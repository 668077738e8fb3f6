"""FIT files: which field gives which reading, what a fault costs, and how sessions, links and sensors are told apart.

Files come from the writer beside the demo club. Each is read by the fast decoder when sound and, with a wrong checksum
or colliding names, by the slow one; where both can read a file they must say the same.
"""

from __future__ import annotations

import struct
import time
from collections.abc import Sequence
from typing import Any

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from polars.testing import assert_frame_equal

from data.generator.fit_writer import (
    EVENT,
    FILE_ID,
    LAP,
    RECORD,
    SESSION,
    TIMESTAMP,
    UNIX_OF_FIT_EPOCH,
    DeveloperColumn,
    DeveloperField,
    Field,
    FitWriter,
    Part,
    activity_file,
    crc16,
    run_file,
)
from pipeline.core.errors import Refused
from pipeline.core.reasons import Reason, because
from pipeline.formats import READINGS, ReadOptions, Recording
from pipeline.formats.fit import decode

FIT_S = 1_100_000_000  # an instant on the clock of the files
T0 = FIT_S + UNIX_OF_FIT_EPOCH
STARTED = 1_772_000_000

TIME = Field(TIMESTAMP, "uint32")
ALTITUDE, ENHANCED_ALTITUDE = Field(2, "uint16", scale=5, offset=500), Field(78, "uint32", scale=5, offset=500)
SPEED, ENHANCED_SPEED = Field(6, "uint16", scale=1000), Field(73, "uint32", scale=1000)
DISTANCE = Field(5, "uint32", scale=100)
CADENCE, FRACTION = Field(4, "uint8"), Field(53, "uint8", scale=128)
CONTACT = Field(41, "uint16", scale=10)
PACKED = Field(8, "byte", count=3)


def begun(kind: int = 4) -> FitWriter:
    writer = FitWriter()
    writer.define(0, FILE_ID, [Field(0, "enum"), Field(1, "uint16")])
    writer.data(0, [kind, 255])
    return writer


def file(fields: Sequence[Field], rows: Sequence[Sequence[Any]]) -> bytes:
    """A file with one record a second, and nothing else."""
    writer = begun()
    writer.define(1, RECORD, [TIME, *fields])
    for second, row in enumerate(rows):
        writer.data(1, [FIT_S + second, *row])
    return writer.bytes()


def run(n: int = 40, started: int = STARTED, **columns: Any) -> bytes:
    return run_file(started, np.arange(float(n)), 3.0 * np.arange(n), **columns)


def with_wrong_checksum(content: bytes) -> bytes:
    return content[:-1] + bytes([content[-1] ^ 0xFF])


def with_right_checksum(content: bytes) -> bytes:
    return content[:-2] + struct.pack("<H", crc16(content[:-2]))


def one(content: bytes, **options: Any) -> Recording:
    [recording] = decode(content, ReadOptions(**options))
    return recording


def values(content: bytes, reading: str, **options: Any) -> list[float | None]:
    """What both decoders say of a reading."""
    fast, slow = one(content, **options), one(with_wrong_checksum(content), **options)
    assert fast.damage is None
    assert_frame_equal(fast.readings, slow.readings)
    return fast.readings[reading].to_list()


def refusal(content: bytes) -> str:
    with pytest.raises(Refused) as caught:
        decode(content)
    return str(caught.value)


# --- Fields ----------------------------------------------------------------------------------------------------------


def test_power_temperature_and_step_length_are_read_in_the_units_of_their_readings():
    content = file(
        [DISTANCE, Field(7, "uint16"), Field(13, "sint8"), Field(85, "uint16", scale=10)],
        [[0, 250, -5, 1050.5], [3, None, None, None], [6, 0, 0, 0]],
    )
    assert values(content, "power_w") == [250, None, 0]
    assert values(content, "temperature_c") == [-5, None, 0]
    assert values(content, "recorded_step_length_m") == [pytest.approx(1.0505), None, 0]


def test_a_self_described_power_is_read_where_the_file_or_the_settings_say_so():
    """Names alone do not say which of several powers is meant."""
    assert one(run(developer=[own("Power", "W", 240, native_field=7)])).readings["power_w"][0] == 240
    assert one(run(developer=[own("Power", "W", 240)])).readings["power_w"].count() == 0
    settled = one(run(developer=[own("Power", "W", 240)]), described_fields={"Power": "power_w"})
    assert settled.readings["power_w"][0] == 240


def test_a_self_described_field_that_the_settings_make_a_metric_of_is_read_as_it_is():
    content = run(developer=[own("Peak Tibial", "G", 9.5)])
    assert values(content, "tibial_peak_g", own={"peak tibial": "tibial_peak_g"}) == [9.5] * 40
    read = one(content, own={"peak tibial": "tibial_peak_g"})
    assert read.sensors == {"tibial_peak_g": "self-described 'Peak Tibial'"}
    assert "tibial_peak_g" not in one(content).readings.columns


def test_a_file_without_a_field_has_its_reading_all_null():
    readings = one(file([DISTANCE], [[0], [3]])).readings
    assert readings.schema == dict.fromkeys(READINGS, pl.Float64())
    assert readings.drop_nulls("time_s").height == 2
    assert {name for name in READINGS if readings[name].count()} == {"time_s", "distance_m"}


def test_cadence_is_strides_of_one_leg_and_their_fraction_made_steps_of_both():
    rows = [[85, 0.5], [85, None], [None, None], [0, 0]]
    assert values(file([CADENCE, FRACTION], rows), "cadence_spm") == [171, 170, None, 0]


def test_cadence_without_a_field_for_the_fraction_is_whole_strides():
    assert values(file([CADENCE], [[85], [86]]), "cadence_spm") == [170, 172]


def test_an_invalid_contact_time_is_missing_and_a_zero_is_kept_for_the_next_stage():
    assert values(file([CONTACT], [[245.5], [None], [0], [6553.4]]), "contact_time_ms") == [245.5, None, 0, 6553.4]


@pytest.mark.parametrize(
    ("fields", "rows", "expected"),
    [
        ([SPEED], [[3.5], [None]], [3.5, None]),
        ([ENHANCED_SPEED], [[3.5], [None]], [3.5, None]),
        ([SPEED, ENHANCED_SPEED], [[3.5, 3.5], [3.5, None], [None, 3.75], [None, None]], [3.5, 3.5, 3.75, None]),
        ([ENHANCED_SPEED, SPEED], [[3.5, 3.5], [None, 3.5], [3.75, None], [None, None]], [3.5, 3.5, 3.75, None]),
    ],
    ids=["speed", "enhanced", "both", "both, enhanced first"],
)
def test_speed_comes_from_either_of_its_fields(fields: Any, rows: Any, expected: Any):
    assert values(file(fields, rows), "speed_m_s") == expected


@pytest.mark.parametrize(
    ("fields", "rows", "expected"),
    [
        ([ALTITUDE], [[-20.0], [None]], [-20, None]),
        ([ENHANCED_ALTITUDE], [[-20.0], [None]], [-20, None]),
        ([ALTITUDE, ENHANCED_ALTITUDE], [[10.4, 10.4], [10, None], [None, 10.4], [None, None]], [10.4, 10, 10.4, None]),
        ([ENHANCED_ALTITUDE, ALTITUDE], [[10.4, 10.4], [None, 10], [10.4, None], [None, None]], [10.4, 10, 10.4, None]),
    ],
    ids=["altitude", "enhanced", "both", "both, enhanced first"],
)
def test_altitude_comes_from_either_of_its_fields(fields: Any, rows: Any, expected: Any):
    assert values(file(fields, rows), "altitude_m") == pytest.approx(expected)


def test_a_file_without_distance_still_has_its_speed():
    content = run_file(STARTED, np.arange(5.0), None, speed_m_s=np.full(5, 3.0))
    assert values(content, "distance_m") == [None] * 5
    assert values(content, "speed_m_s") == [3] * 5


def test_positions_come_in_degrees():
    content = run(4, latitude_deg=np.full(4, -12.25), longitude_deg=np.full(4, 179.5))
    assert values(content, "latitude_deg") == pytest.approx([-12.25] * 4, abs=1e-7)
    assert values(content, "longitude_deg") == pytest.approx([179.5] * 4, abs=1e-7)


@pytest.mark.parametrize("endian", ["little", "big"])
def test_compressed_timestamps_give_the_same_readings_as_full_ones(endian: Any):
    columns = {"cadence_strides_min": np.linspace(80, 90, 100), "endian": endian}
    full, compressed = (run(100, compressed_timestamps=is_compressed, **columns) for is_compressed in (False, True))
    assert len(compressed) < len(full)
    assert_frame_equal(one(compressed).readings, one(full).readings)
    assert values(compressed, "time_s") == [STARTED + second for second in range(100)]


def packed(speed_m_s: float, distance_m: float) -> bytes:
    """Twelve bits of speed, then twelve of distance, the low byte first."""
    return (round(speed_m_s * 100) | round(distance_m * 16) % 4096 << 12).to_bytes(3, "little")


def test_packed_distance_goes_on_where_its_counter_rolls_over_after_256_m():
    covered = [0, 100, 200, 255.9375, 256, 300, 500, 600]
    content = file([PACKED], [[packed(3.5, distance)] for distance in covered])
    assert values(content, "distance_m") == covered
    assert values(content, "speed_m_s") == [3.5] * 8


def test_packed_distance_counts_from_wherever_its_counter_stood():
    content = file([PACKED], [[packed(3, distance)] for distance in (250, 253, 259)])
    for sound_or_not in (content, with_wrong_checksum(content)):
        assert one(sound_or_not).readings["distance_m"].diff().to_list() == [None, 3, 6]


def test_a_missing_packed_value_is_missing_and_loses_no_distance():
    content = file([PACKED], [[packed(3, 0)], [None], [packed(3, 6)]])
    assert values(content, "distance_m") == [0, None, 6]
    assert values(content, "speed_m_s") == [3, None, 3]


def test_a_packed_field_of_one_byte_is_no_reading():
    content = file([Field(8, "byte"), CADENCE], [[5, 85], [6, 85]])
    assert one(content).readings["distance_m"].to_list() == [None, None]


# --- Sessions --------------------------------------------------------------------------------------------------------


def part(sport: str, start: int, n: int, from_m: float, step_m: float) -> Part:
    return Part(started_unix_s=STARTED + start, elapsed_s=np.arange(float(n)), sport=sport,
                distance_m=from_m + step_m * np.arange(n))  # fmt: skip


@pytest.mark.parametrize("run_begins_at_m", [700.0, 0.0], ids=["goes on", "restarts"])
def test_a_session_of_a_multisport_file_gets_its_own_records(run_begins_at_m: float):
    """Whether the distance of the second session goes on or restarts is as the device wrote it: nothing repaired."""
    content = activity_file([part("cycling", 0, 100, 0, 7), part("running", 110, 50, run_begins_at_m, 3)])
    ride, foot = decode(content)
    assert (ride.sport, ride.readings.height) == ("cycling", 100)
    assert (foot.sport, foot.readings.height) == ("running", 50)
    assert foot.readings["time_s"][0] == STARTED + 110
    assert foot.readings["distance_m"][0] == run_begins_at_m
    assert foot.readings["distance_m"][-1] == run_begins_at_m + 147


def test_two_runs_of_one_file_come_in_order_of_their_start():
    content = activity_file([part("running", 0, 20, 0, 3), part("swimming", 20, 9, 0, 1), part("running", 29, 8, 0, 3)])
    assert [(got.sport, got.readings.height) for got in decode(content)] == [
        ("running", 20), ("swimming", 9), ("running", 8),
    ]  # fmt: skip


def test_records_before_the_first_session_begins_belong_to_it():
    writer = begun()
    writer.define(1, RECORD, [TIME, DISTANCE])
    for second in range(4):
        writer.data(1, [FIT_S + second, 3.0 * second])
    writer.define(2, SESSION, [TIME, Field(2, "uint32"), Field(5, "enum")])
    writer.data(2, [FIT_S + 4, FIT_S + 2, 1])
    assert one(writer.bytes()).readings.height == 4


def test_a_session_that_does_not_say_when_it_began_still_says_its_sport():
    writer = begun()
    writer.define(1, RECORD, [TIME, DISTANCE])
    writer.data(1, [FIT_S, 0])
    writer.define(2, SESSION, [TIME, Field(5, "enum")])
    writer.data(2, [FIT_S + 4, 1])
    assert one(writer.bytes()).sport == "running"
    assert one(with_wrong_checksum(writer.bytes())).sport == "running"


def test_without_a_session_the_message_of_the_sport_says_it():
    writer = begun()
    writer.define(2, 12, [Field(0, "enum")])
    writer.data(2, [2])
    writer.define(1, RECORD, [TIME, DISTANCE])
    writer.data(1, [FIT_S, 0])
    assert one(writer.bytes()).sport == "cycling"
    assert one(with_wrong_checksum(writer.bytes())).sport == "cycling"


@pytest.mark.parametrize(
    ("kinds", "sport"),
    [([1, 6, 6], "running"), ([6, 6, 6], "walking"), ([2, 2, 2], "cycling"), ([None, None, None], None)],
    ids=str,
)
def test_without_either_the_records_say_it_and_walking_breaks_belong_to_a_run(kinds: Any, sport: str | None):
    content = file([Field(42, "enum"), DISTANCE], [[kind, 3.0 * row] for row, kind in enumerate(kinds)])
    assert one(content).sport == sport
    assert one(with_wrong_checksum(content)).sport == sport


# --- Pauses ----------------------------------------------------------------------------------------------------------


def test_timer_events_are_pauses_on_the_clock_of_the_readings():
    recording = one(run(300, pauses=[(50, 120), (200, 260)]))
    assert recording.pauses == ((STARTED + 50, STARTED + 120), (STARTED + 200, STARTED + 260))


@pytest.mark.parametrize("stop", [1, 4, 8, 9])
def test_every_kind_of_stop_begins_a_pause_and_a_second_stop_does_not_shorten_it(stop: int):
    events = [(3, 0, stop), (4, 0, 4), (5, 9, 3), (6, 0, 0), (7, 0, 0)]  # at, event (0 = timer), kind (0 = start)
    writer = begun()
    writer.define(1, RECORD, [TIME, DISTANCE])
    writer.define(2, EVENT, [TIME, Field(0, "enum"), Field(1, "enum")])
    writer.data(1, [FIT_S, 0])
    for at, event, kind in events:
        writer.data(2, [FIT_S + at, event, kind])
    writer.data(1, [FIT_S + 10, 30])
    assert one(writer.bytes()).pauses == ((T0 + 3, T0 + 6),)
    assert one(with_wrong_checksum(writer.bytes())).pauses == ((T0 + 3, T0 + 6),)


def test_a_record_without_a_time_does_not_cost_the_pauses():
    writer = begun()
    writer.define(1, RECORD, [TIME, DISTANCE])
    writer.define(2, EVENT, [TIME, Field(0, "enum"), Field(1, "enum")])
    writer.data(1, [FIT_S, 0])
    writer.data(1, [None, 1])
    writer.data(2, [FIT_S + 3, 0, 4])
    writer.data(2, [FIT_S + 6, 0, 0])
    writer.data(1, [FIT_S + 10, 30])
    assert one(writer.bytes()).pauses == ((T0 + 3, T0 + 6),)


def test_events_without_a_time_are_no_pauses():
    writer = begun()
    writer.define(1, RECORD, [TIME, DISTANCE])
    writer.data(1, [FIT_S, 0])
    writer.define(2, EVENT, [Field(0, "enum"), Field(1, "enum")])
    writer.data(2, [0, 4])
    writer.data(2, [0, 0])
    assert one(writer.bytes()).pauses == ()


def test_an_event_without_a_time_does_not_disturb_the_order_of_the_others():
    writer = begun()
    writer.define(1, RECORD, [TIME, DISTANCE])
    writer.define(2, EVENT, [TIME, Field(0, "enum"), Field(1, "enum")])
    writer.data(1, [FIT_S, 0])
    writer.data(2, [FIT_S + 6, 0, 0])
    writer.data(2, [None, 0, 0])
    writer.data(2, [FIT_S + 3, 0, 4])
    writer.data(1, [FIT_S + 10, 30])
    assert one(writer.bytes()).pauses == ((T0 + 3, T0 + 6),)


def test_a_pause_belongs_to_the_session_it_lies_in():
    first = Part(started_unix_s=STARTED, elapsed_s=np.arange(40.0), distance_m=np.arange(40.0), pauses=[(10, 20)])
    second = Part(started_unix_s=STARTED + 60, elapsed_s=np.arange(40.0), distance_m=np.arange(40.0), pauses=[(5, 9)])
    # Between the two the timer stands too; that is no pause of either.
    assert [got.pauses for got in decode(activity_file([first, second]))] == [
        ((STARTED + 10, STARTED + 20),),
        ((STARTED + 65, STARTED + 69),),
    ]


# --- Laps ------------------------------------------------------------------------------------------------------------

LAP_FIELDS = [TIME, Field(2, "uint32"), Field(7, "uint32", scale=1000)]


def with_laps(*rows: Sequence[Any], fields: Sequence[Field] = LAP_FIELDS) -> bytes:
    """A minute of records, then laps: time of the message and start after the first record, duration."""
    writer = begun()
    writer.define(1, RECORD, [TIME, DISTANCE])
    for second in range(61):
        writer.data(1, [FIT_S + second, 3.0 * second])
    writer.define(2, LAP, fields)
    for written, start, *rest in rows:
        writer.data(2, [FIT_S + written, None if start is None else FIT_S + start, *rest])
    writer.define(3, SESSION, [TIME, Field(2, "uint32"), Field(5, "enum")])
    writer.data(3, [FIT_S + 60, FIT_S, 1])
    return writer.bytes()


def laps(content: bytes) -> list[tuple[float, float]]:
    """What both decoders say of the laps, since the first record."""
    fast, slow = one(content), one(with_wrong_checksum(content))
    assert fast.laps == slow.laps
    return [(begin - T0, end - T0) for begin, end in fast.laps]


def test_a_lap_ends_where_the_next_begins_and_the_last_after_its_duration():
    assert laps(with_laps((20, 0, 19.6), (40, 20, 20.2), (60, 40, 19.5))) == [(0, 20), (20, 40), (40, 59.5)]


@pytest.mark.parametrize(
    ("rows", "expected"),
    [
        ([(340, 1, 19.4), (340, 20, 30.0)], [(1, 20), (20, 50)]),
        ([(1, 1, 19.4), (20, 20, 30.0)], [(1, 20), (20, 50)]),
        ([(49, 21, 28.8), (19, 1, 18.3)], [(1, 21), (21, 49.8)]),
        ([(20, 1, None), (50, 20, None)], [(1, 20), (20, 50)]),
        ([(20, 1, 19.0), (20, 20, 0.0), (50, 20, 30.0)], [(1, 20), (20, 50)]),
        ([(20, None, 19.0), (50, 20, 30.0)], [(20, 50)]),
    ],
    ids=["written at the end", "written at the start", "out of order", "no duration", "empty lap", "no start"],
)
def test_the_time_of_a_laps_message_is_used_only_where_there_is_no_duration(
    rows: Sequence[Sequence[Any]], expected: list[tuple[float, float]]
):
    assert [(begin, round(end, 3)) for begin, end in laps(with_laps(*rows))] == expected


def test_laps_among_many_other_fields_are_read_all_the_same():
    fields = [LAP_FIELDS[0], Field(9, "uint32"), *LAP_FIELDS[1:], Field(254, "uint16"), Field(29, "string", count=9)]
    content = with_laps((20, 1, 19.0, 0, "easy"), (50, 20, 30.0, 1, "fast"), fields=[*LAP_FIELDS, *fields[-2:]])
    assert laps(content) == [(1, 20), (20, 50)]
    reordered = [fields[0], fields[2], *fields[3:4], fields[1]]
    assert laps(with_laps((20, 1, 19.0, 7), (50, 20, 30.0, 7), fields=reordered)) == [(1, 20), (20, 50)]


def test_laps_without_a_start_are_none():
    assert laps(with_laps((20, None, 19.0))) == []
    assert laps(run_and_no_laps()) == []


def run_and_no_laps() -> bytes:
    return file([DISTANCE], [[0], [3], [6]])


def test_a_lap_belongs_to_the_session_it_lies_in():
    ride, foot = decode(
        activity_file(
            [
                Part(started_unix_s=STARTED, elapsed_s=np.arange(40.0), distance_m=np.arange(40.0), sport="cycling"),
                Part(
                    started_unix_s=STARTED + 60, elapsed_s=np.arange(40.0), distance_m=np.arange(40.0), laps_s=[10, 30]
                ),
            ]
        )
    )
    assert ride.laps == ((STARTED, STARTED + 39),)
    assert foot.laps == tuple(
        (STARTED + 60 + begin, STARTED + 60 + end) for begin, end in ((0, 10), (10, 30), (30, 39))
    )


# --- Damage ----------------------------------------------------------------------------------------------------------

RECORD_BYTES = 1 + 4 + 4  # header, time, distance


def records_begin(content: bytes) -> int:
    """Where the first data message of `run` stands, found by its time."""
    return content.index(struct.pack("<BI", 2, STARTED - UNIX_OF_FIT_EPOCH))


@pytest.mark.parametrize("kept", [1, 2, 17, 40])
@pytest.mark.parametrize("bytes_of_the_next", [0, 1, RECORD_BYTES - 1])
def test_a_file_cut_short_keeps_every_whole_record_before_the_cut(kept: int, bytes_of_the_next: int):
    content = run(41)
    cut = records_begin(content) + kept * RECORD_BYTES + bytes_of_the_next
    recording = one(content[:cut])
    assert recording.damage == because(Reason.FIT_CUT)
    assert_frame_equal(recording.readings, one(content).readings.head(kept))


@pytest.mark.parametrize("missing", [1, 2])
def test_a_file_that_lacks_only_its_checksum_keeps_all_and_says_so(missing: int):
    recording = one(run()[:-missing])
    assert recording.damage == because(Reason.FIT_CUT)
    assert recording.readings.height == 40
    assert recording.sport == "running"


@pytest.mark.parametrize("length", [12, 14, 20, 60])
def test_a_file_cut_before_its_first_measurement_is_refused(length: int):
    assert refusal(run()[:length]) == (
        "The FIT file is damaged before its first measurement: the file is cut short; it was read up to the cut. "
        "Export it again."
    )


def test_a_wrong_checksum_keeps_everything_and_says_so():
    recording = one(with_wrong_checksum(run()))
    assert recording.damage == because(Reason.FIT_CHECKSUM)
    assert_frame_equal(recording.readings, one(run()).readings)


def test_bytes_that_make_no_sense_end_the_reading_and_the_place_is_named():
    content = run()
    place = records_begin(content) + 10 * RECORD_BYTES
    recording = one(content[:place] + b"\x0f" + content[place + 1 :])  # local message 15 was never defined
    assert recording.damage == because(Reason.FIT_NO_SENSE_FROM, byte=place, n_bytes=len(content))
    assert recording.readings.height == 10


def test_chained_files_give_each_run():
    first, second = decode(run(30) + run(50, started=STARTED + 9000))
    assert (first.readings.height, second.readings.height) == (30, 50)
    assert (first.damage, second.damage) == (None, None)
    assert second.readings["time_s"][0] == STARTED + 9000


def test_a_damaged_link_leaves_the_others_whole():
    broken, whole = decode(with_wrong_checksum(run(30)) + run(50, started=STARTED + 9000))
    assert broken.damage == because(Reason.FIT_CHECKSUM)
    assert whole.damage is None
    assert whole.readings.height == 50


def test_a_link_cut_short_keeps_what_it_has():
    second = run(50, started=STARTED + 9000)
    cut = records_begin(run(50)) + 7 * RECORD_BYTES
    whole, broken = decode(run(30) + second[:cut])
    assert (whole.damage, whole.readings.height) == (None, 30)
    assert (broken.damage, broken.readings.height) == (because(Reason.FIT_CUT), 7)


def test_a_link_that_is_lost_altogether_is_told_with_the_others():
    [rest] = decode(run(30) + run(50)[:40])
    assert rest.readings.height == 30
    lost = because(Reason.FIT_DAMAGED, damage=because(Reason.FIT_CUT))
    assert rest.damage == because(Reason.PART_LOST, lost=lost)


def test_padding_after_the_last_link_is_no_damage():
    recording = one(run(30) + bytes(40))
    assert (recording.damage, recording.readings.height) == (None, 30)


# --- What is no run --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("number", "kind"),
    [(1, "device"), (2, "settings"), (5, "workout plan"), (6, "course"), (9, "weight scale"), (15, "daily monitoring"),
     (28, "daily monitoring"), (77, "number 77")],
)  # fmt: skip
def test_a_file_of_another_kind_is_refused_by_its_name(number: int, kind: str):
    writer = begun(number)
    writer.define(1, RECORD, [TIME, DISTANCE])
    writer.data(1, [FIT_S, 0])
    expected = f"This FIT file is of the kind '{kind}'; a run is of the kind 'activity'."
    assert refusal(writer.bytes()) == expected
    assert refusal(with_wrong_checksum(writer.bytes())) == expected


def test_an_activity_without_records_is_refused():
    assert refusal(begun().bytes()) == (
        "The FIT file is intact but holds no measurement over time. "
        "Export the activity itself, not a plan or a summary."
    )


@pytest.mark.parametrize("content", [b"", b"GPX", b"not a recording of anything at all", run()[4:]], ids=len)
def test_a_file_that_does_not_begin_like_one_is_refused(content: bytes):
    found = "does not begin like one" if content else ""
    expected = f"The file has the name of a FIT file but {found}." if found else "The file is empty."
    assert refusal(content) == f"{expected} Copy or export it from the device again."


# --- Who measured ----------------------------------------------------------------------------------------------------


def own(name: str, unit: str, value: float, native_field: int | None = None, index: int = 0) -> DeveloperColumn:
    return DeveloperColumn(name, unit, np.full(40, float(value)), "float32", native_field=native_field, index=index)


@pytest.mark.parametrize(
    ("field", "settings_of_fields", "sensors"),
    [
        (own("GCT", "ms", 240, native_field=41), {}, "self-described 'GCT'"),
        (own("GCT", "s", 0.25, native_field=41), {}, "self-described 'GCT'"),
        (own("Ground Contact Time", "ms", 240), {}, "self-described 'Ground Contact Time'"),
        (own("Stance time", "Milliseconds", 240), {}, "self-described 'Stance time'"),
        (own("foot_ground_time", "seconds", 0.25), {}, "self-described 'foot_ground_time'"),
        (own("Sole 7", "?", 240), {"Sole 7": "contact_time_ms"}, "self-described 'Sole 7'"),
        (own("Sole 7", "?", 0.25), {"Sole 7": "contact_time_s"}, "self-described 'Sole 7'"),
    ],
    ids=["number", "number and unit", "words", "words in full", "words in seconds", "settings", "settings in seconds"],
)
def test_a_self_described_contact_time_is_found(field: Any, settings_of_fields: Any, sensors: str):
    content = run(developer=[field])
    expected = 240 if field.values[0] == 240 else 250
    assert values(content, "contact_time_ms", described_fields=settings_of_fields) == [expected] * 40
    assert one(content, described_fields=settings_of_fields).sensors == {"contact_time_ms": sensors}


@pytest.mark.parametrize(
    "field",
    [
        own("Sole 7", "ms", 240),
        own("Contact time", "furlongs", 240),
        own("Contact time", "", 240),
        own("Fluid", "ml", 240, native_field=66),
        own("Contact time", "ms", 0),
    ],
    ids=["no word", "odd unit", "no unit", "another native field", "zeros only"],
)
def test_a_self_described_field_that_cannot_be_told_is_no_reading(field: DeveloperColumn):
    recording = one(run(developer=[field]))
    assert recording.readings["contact_time_ms"].count() == 0
    assert recording.sensors == {}


@pytest.mark.parametrize(("unit", "spm"), [("rpm", 170), ("strides/min", 170), ("spm", 85), ("Steps / min", 85)])
def test_a_self_described_cadence_is_told_by_its_unit(unit: str, spm: float):
    assert values(run(developer=[own("Foot cadence", unit, 85)]), "cadence_spm") == [spm] * 40


@pytest.mark.parametrize(
    ("preference", "contact_ms", "sensors"),
    [
        (("native", "self-described"), 250, "native field, over self-described 'Sole contact time'"),
        (("self-described", "native"), 240, "self-described 'Sole contact time', over the native field"),
    ],
    ids=["native first", "self-described first"],
)
def test_of_two_sensors_the_preferred_one_is_taken_whole(preference: Any, contact_ms: float, sensors: str):
    native = np.full(40, 250.0)
    native[10:20] = np.nan
    sole = own("Sole contact time", "ms", 240, native_field=41)
    sole.values[30:] = np.nan
    content = run(contact_time_ms=native, developer=[sole])
    missing = range(10, 20) if contact_ms == 250 else range(30, 40)
    expected = [None if row in missing else contact_ms for row in range(40)]
    assert values(content, "contact_time_ms", sensor_preference=preference) == expected
    assert one(content, sensor_preference=preference).sensors == {"contact_time_ms": sensors}


def test_a_native_field_of_zeros_is_not_preferred_over_a_sensor_that_measured():
    content = run(contact_time_ms=np.zeros(40), developer=[own("Sole contact time", "ms", 240)])
    assert values(content, "contact_time_ms") == [240] * 40
    assert one(content).sensors == {"contact_time_ms": "self-described 'Sole contact time'"}


def test_two_described_fields_of_one_name_are_kept_apart():
    """By name alone they would be one column. Left in seconds and right in milliseconds show which was taken."""
    left, right = own("Contact time", "s", 0.25, index=0), own("Contact time", "ms", 230, index=1)
    for fields, expected in [([left, right], 250), ([right, left], 230)]:
        assert values(run(developer=fields), "contact_time_ms") == [expected] * 40


def test_names_that_collide_cost_time_but_change_nothing():
    measured = {"contact_time_ms": np.linspace(230, 260, 40), "cadence_strides_min": np.linspace(80, 90, 40)}
    lean = [own("Lean", "degrees", 4.5, index=0), own("Lean", "degrees", 5.5, index=1)]
    plain, collided = one(run(**measured, developer=lean[:1])), one(run(**measured, developer=lean))
    assert_frame_equal(collided.readings, plain.readings)
    assert (collided.damage, collided.device, collided.sport) == (None, plain.device, "running")


def test_a_described_field_with_the_name_of_a_native_one_does_not_replace_it():
    content = run(contact_time_ms=np.full(40, 250.0), developer=[own("stance_time", "furlongs", 3)])
    assert values(content, "contact_time_ms") == [250] * 40


def test_a_self_described_field_with_missing_values_is_missing_there():
    writer = begun()
    writer.describe(0, 7, "Contact time", "ms", "uint16")
    writer.define(1, RECORD, [TIME, DISTANCE], [DeveloperField(7, "uint16")])
    for second, contact_ms in enumerate([240, None, 0, 250]):
        writer.data(1, [FIT_S + second, 3.0 * second, contact_ms])
    assert values(writer.bytes(), "contact_time_ms") == [240, None, 0, 250]


@pytest.mark.parametrize(
    ("product", "name", "device"),
    [(7, None, "development 7"), (7, "lamp-room watch", "development lamp-room watch"), (None, None, "development")],
)
def test_the_device_is_manufacturer_and_model_and_never_a_serial_number(product: Any, name: Any, device: str):
    serial_number = 3_141_592_653
    fields = [Field(0, "enum"), Field(1, "uint16"), Field(2, "uint16"), Field(3, "uint32z")]
    writer = FitWriter()
    writer.define(0, FILE_ID, [*fields, Field(8, "string", count=20)])
    writer.data(0, [4, 255, product, serial_number, name])
    writer.define(1, RECORD, [TIME, DISTANCE])
    writer.data(1, [FIT_S, 0])
    for content in (writer.bytes(), with_wrong_checksum(writer.bytes())):
        recording = one(content)
        assert recording.device == device
        assert str(serial_number) not in repr(recording)


# --- Hostile bytes ---------------------------------------------------------------------------------------------------

SOUND = (
    run(20, contact_time_ms=np.full(20, 250.0), pauses=[(5, 8)]),
    run(20, developer=[DeveloperColumn("Sole", "ms", np.full(20, 240.0), "uint16", native_field=41)]),
    run(20, compressed_timestamps=True, endian="big"),
    file([PACKED], [[packed(3, 3 * second)] for second in range(20)]),
    run(9) + run(9, started=STARTED + 60),
)


def decodes_or_refuses_within_a_second(content: bytes) -> None:
    begun_s = time.process_time()  # of this process: other tests beside it do not count
    try:
        recordings, reason = decode(content), None
    except Refused as refused:
        recordings, reason = [], refused.reason
    assert recordings if reason is None else len(reason) > 15
    assert all(got.readings.schema == dict.fromkeys(READINGS, pl.Float64()) for got in recordings)
    assert time.process_time() - begun_s < 1


@settings(max_examples=150, deadline=None)
@given(st.binary(max_size=200))
def test_random_bytes_are_refused(content: bytes):
    decodes_or_refuses_within_a_second(content)


@settings(max_examples=150, deadline=None)
@given(st.binary(max_size=300))
def test_random_bytes_behind_a_sound_header_decode_or_are_refused(body: bytes):
    head = struct.pack("<BBHI4s", 12, 0x20, 2140, len(body), b".FIT")
    decodes_or_refuses_within_a_second(with_right_checksum(head + body + b"\0\0"))


CHANGE = st.tuples(st.integers(0, 2000), st.sampled_from(["set", "drop", "add"]), st.binary(min_size=1, max_size=4))


@settings(max_examples=100, deadline=None)
@given(st.sampled_from(SOUND), st.lists(CHANGE, min_size=1, max_size=5), st.booleans())
def test_a_sound_file_with_changed_bytes_decodes_or_is_refused(content: bytes, changes: Any, is_checksum_renewed: bool):
    for anywhere, how, new in changes:
        place = anywhere % (len(content) + 1)
        behind = place if how == "add" else place + len(new)
        content = content[:place] + (b"" if how == "drop" else new) + content[behind:]
    decodes_or_refuses_within_a_second(with_right_checksum(content) if is_checksum_renewed else content)


def test_a_field_of_unlikely_size_and_type_is_survived():
    """Every base type code there is and some there are not, at sizes they cannot have, for the distance."""
    sound = run(3)
    place = sound.index(bytes([5, 4, 0x86]))  # field 5, four bytes, uint32
    for code in [*range(20), *range(0x80, 0x94), 0x1F, 0x40, 0x9F, 0xFF]:
        for size in (0, 1, 3, 4, 5, 8, 9):
            odd = sound[: place + 1] + bytes([size, code]) + sound[place + 3 :]
            decodes_or_refuses_within_a_second(with_right_checksum(odd))


@pytest.mark.parametrize(("sub_sport", "is_indoors"), [(0, False), (1, True), (2, False), (45, True)])
def test_a_treadmill_and_indoor_running_are_told_from_a_run_outdoors(sub_sport: int, is_indoors: bool):
    part = Part(started_unix_s=STARTED, elapsed_s=np.arange(40.0), distance_m=3.0 * np.arange(40), sub_sport=sub_sport)
    content = activity_file([part])
    assert one(content).is_indoors == is_indoors
    # The other decoder, for damaged files.
    assert one(with_wrong_checksum(content)).is_indoors == is_indoors
