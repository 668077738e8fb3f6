"""The FIT writer against two independent readers, `fitdecode` and `fitfast`, and against published bytes."""

import io
from typing import Any

import fitdecode
import fitfast
import numpy as np
import pytest

from data.generator.fit_writer import (
    EVENT,
    FILE_ID,
    RECORD,
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

STARTED = 1_772_000_000
N = 400


def columns(n: int = N) -> dict[str, Any]:
    rng = np.random.default_rng(5)
    return {
        "elapsed_s": np.arange(float(n)),
        "distance_m": 3.1 * np.arange(float(n)),
        "speed_m_s": rng.normal(3.1, 0.1, n),
        "altitude_m": 20 + 8 * np.sin(np.arange(n) / 60),
        "heart_rate_bpm": np.rint(rng.normal(150, 4, n)),
        "cadence_strides_min": rng.normal(85, 0.6, n),
        "contact_time_ms": rng.normal(250, 4, n),
        "vertical_oscillation_mm": rng.normal(80, 3, n),
        "contact_balance_pct": rng.normal(50, 0.5, n),
    }


#: Our name → name in the FIT profile, half a step of what the file stores.
STORED = {
    "distance_m": ("distance", 0.005),
    "speed_m_s": ("speed", 0.0005),
    "altitude_m": ("altitude", 0.1),
    "heart_rate_bpm": ("heart_rate", 0),
    "contact_time_ms": ("stance_time", 0.05),
    "vertical_oscillation_mm": ("vertical_oscillation", 0.05),
    "contact_balance_pct": ("stance_time_balance", 0.005),
}


def messages(content: bytes, name: str) -> list[Any]:
    reader = fitdecode.FitReader(io.BytesIO(content), check_crc=fitdecode.CrcCheck.RAISE)
    with reader:
        return [one for one in reader if isinstance(one, fitdecode.FitDataMessage) and one.name == name]


def decoded(content: bytes, field: str, message: str = "record") -> list[Any]:
    return [one.get_value(field, fallback=None) for one in messages(content, message)]


# --- Checksum and header ---------------------------------------------------------------------------------------------


def test_the_checksum_of_the_catalogue_string_is_BB3D():
    assert crc16(b"123456789") == 0xBB3D


def test_the_checksum_of_a_published_header_is_the_one_it_carries():
    assert crc16(bytes.fromhex("0e10 4d08 ce03 0000 2e46 4954")) == 0xB729


def test_the_checksum_in_lanes_equals_the_checksum_bit_by_bit():
    def slowly(content: bytes) -> int:
        crc = 0
        for byte in content:
            crc ^= byte
            for _ in range(8):
                crc = (crc >> 1) ^ (0xA001 if crc & 1 else 0)
        return crc

    rng = np.random.default_rng(2)
    for length in [0, 1, 2, 3, 15, 16, 17, 255, 256, 1000, 5001]:
        content = rng.bytes(length)
        assert crc16(content) == slowly(content), length


def test_a_file_with_its_own_checksum_behind_it_has_checksum_zero():
    assert crc16(run_file(STARTED, **columns())) == 0


def test_a_header_says_how_long_the_content_is():
    long_head, short_head = FitWriter(), FitWriter(header_size=12)
    for writer in (long_head, short_head):
        writer.define(0, FILE_ID, [Field(0, "enum")])
        writer.data(0, [4])
    content = bytes.fromhex("40 00 00 00 00 01 00 01 00  00 04")
    assert long_head.bytes()[:8] == b"\x0e\x20\x5c\x08" + len(content).to_bytes(4, "little")
    assert long_head.bytes()[8:12] == b".FIT"
    assert long_head.bytes()[14:-2] == content
    assert short_head.bytes()[12:-2] == content


def test_a_header_checksum_may_be_left_out():
    writer = FitWriter(header_crc=False)
    assert writer.bytes()[12:14] == b"\0\0"


# --- Messages --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("endian", ["little", "big"])
@pytest.mark.parametrize(
    ("base_type", "invalid"),
    [
        ("enum", "ff"),
        ("sint8", "7f"),
        ("uint8", "ff"),
        ("sint16", "7fff"),
        ("uint16", "ffff"),
        ("sint32", "7fffffff"),
        ("uint32", "ffffffff"),
        ("float32", "ffffffff"),
        ("float64", "ffffffffffffffff"),
        ("uint8z", "00"),
        ("uint16z", "0000"),
        ("uint32z", "00000000"),
        ("byte", "ff"),
        ("sint64", "7fffffffffffffff"),
        ("uint64", "ffffffffffffffff"),
        ("uint64z", "0000000000000000"),
        ("string", "00"),
    ],
)
def test_what_is_missing_is_written_as_the_base_type_has_it(base_type: str, invalid: str, endian: Any):
    writer = FitWriter(endian=endian, header_size=12)
    writer.define(0, 0xFF00, [Field(1, base_type)])
    writer.data(0, [None])
    expected = bytes.fromhex(invalid)
    written = writer.bytes()[:-2][-len(expected) :]
    assert written == (expected if endian == "big" else expected[::-1])


def test_missing_values_of_a_table_are_missing_to_both_readers():
    one = columns()
    one["contact_time_ms"][10:20] = np.nan
    content = run_file(STARTED, **one)
    missing = np.isnan(one["contact_time_ms"])
    np.testing.assert_array_equal(np.isnan(fitfast.records(content)["stance_time"]), missing)
    np.testing.assert_array_equal([value is None for value in decoded(content, "stance_time")], missing)


def test_a_missing_floating_value_is_all_ones():
    writer = FitWriter(header_size=12)
    writer.define(0, 0xFF00, [Field(1, "float32")])
    writer.table(0, [np.array([1.5, np.nan])])
    assert writer.bytes()[:-2].endswith(b"\x00\x00\x00\xc0\x3f" + b"\x00\xff\xff\xff\xff")


def test_a_value_that_the_field_cannot_hold_is_an_error_and_not_another_value():
    writer = FitWriter()
    writer.define(0, RECORD, [Field(3, "uint8")])
    with pytest.raises(ValueError, match=r"Field 3 \(uint8\) cannot hold 12\.0 to 300\.0"):
        writer.table(0, [np.array([12.0, 300.0])])


def test_a_text_that_does_not_fit_is_an_error():
    writer = FitWriter()
    writer.define(0, FILE_ID, [Field(8, "string", count=4)])
    with pytest.raises(ValueError, match="does not fit into 4 bytes"):
        writer.data(0, ["lamp"])


def test_a_field_with_several_elements_is_written_in_full():
    writer = FitWriter(header_size=12)
    writer.define(0, 0xFF00, [Field(1, "uint16", count=3)])
    writer.data(0, [[1, None, 3]])
    assert writer.bytes()[:-2].endswith(bytes.fromhex("0100 ffff 0300"))


def test_compressed_timestamps_roll_over_after_32_seconds():
    # Worked by the rule of the protocol: from 0x3B, offsets 1B 1D 02 05 01 mean 3B 3D 42 45 61.
    meant = [0x3B, 0x3D, 0x42, 0x45, 0x61]
    base = 0x40000000  # low five bits zero; late enough for readers to take it as a date
    writer = FitWriter()
    writer.define(0, FILE_ID, [Field(0, "enum"), Field(1, "uint16")])
    writer.data(0, [4, 255])
    writer.define(1, RECORD, [Field(TIMESTAMP, "uint32"), Field(3, "uint8")])
    writer.data(1, [base + 0x3B, 140])
    writer.define(2, RECORD, [Field(3, "uint8")])
    for time in meant:
        writer.data(2, [141], compressed_fit_s=base + time)
    content = writer.bytes()
    assert [content[place] & 0x1F for place in range(len(content) - 12, len(content) - 2, 2)] == [0x1B, 0x1D, 2, 5, 1]
    expected = [UNIX_OF_FIT_EPOCH + base + time for time in [0x3B, *meant]]
    assert fitfast.records(content)["timestamp"].tolist() == expected
    assert [value.timestamp() for value in decoded(content, "timestamp")] == expected


# --- Whole files -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "options",
    [
        {},
        {"endian": "big"},
        {"header_size": 12},
        {"compressed_timestamps": True},
        {"compressed_timestamps": True, "endian": "big"},
        {"pauses": [(50, 120), (200, 260)], "compressed_timestamps": True, "device": "lamp-room watch"},
    ],
    ids=str,
)
def test_both_readers_read_back_what_was_written(options: dict[str, Any]):
    one = columns()
    for stop_s, again_s in options.get("pauses", []):
        kept = (one["elapsed_s"] <= stop_s) | (one["elapsed_s"] >= again_s)
        one = {name: values[kept] for name, values in one.items()}
    content = run_file(STARTED, **one, **options)
    fast, times = fitfast.records(content), STARTED + one["elapsed_s"]
    np.testing.assert_array_equal(fast["timestamp"], times)
    np.testing.assert_array_equal([value.timestamp() for value in decoded(content, "timestamp")], times)
    for ours, (theirs, half_step) in STORED.items():
        np.testing.assert_allclose(fast[theirs], one[ours], rtol=0, atol=half_step + 1e-9)
        np.testing.assert_allclose(decoded(content, theirs), fast[theirs], rtol=0, atol=1e-9)
    strides = fast["cadence"] + fast["fractional_cadence"]
    np.testing.assert_allclose(strides, one["cadence_strides_min"], rtol=0, atol=1 / 256 + 1e-6)


@pytest.mark.parametrize(("steps", "half_step"), [(1, 0.5), (2, 0.25), (128, 1 / 256)])
def test_cadence_is_as_coarse_as_the_device(steps: int, half_step: float):
    one = columns()
    fast = fitfast.records(run_file(STARTED, **one, cadence_steps=steps))
    strides = fast["cadence"] + fast.get("fractional_cadence", 0.0)
    np.testing.assert_allclose(strides, one["cadence_strides_min"], rtol=0, atol=half_step + 1e-6)
    assert ("fractional_cadence" in fast) == (steps > 1)


def test_enhanced_fields_hold_the_same_speed_and_altitude():
    one = columns()
    names = {field.name for field in messages(run_file(STARTED, **one, has_enhanced_fields=True), "record")[0].fields}
    assert {"enhanced_speed", "enhanced_altitude"} <= names
    fast = fitfast.records(run_file(STARTED, **one, has_enhanced_fields=True))
    np.testing.assert_allclose(fast["enhanced_speed"], one["speed_m_s"], rtol=0, atol=0.0005 + 1e-9)


def test_positions_come_back_in_degrees():
    one = columns(50)
    content = run_file(STARTED, **one, latitude_deg=np.full(50, -12.3456789), longitude_deg=np.full(50, 179.5))
    fast = fitfast.records(content)
    np.testing.assert_allclose(fast["position_lat"], -12.3456789, rtol=0, atol=5e-8)
    np.testing.assert_allclose(fast["position_long"], 179.5, rtol=0, atol=5e-8)


def test_pauses_are_timer_events_and_shorten_the_timer_time():
    one = columns()
    content = run_file(STARTED, **one, pauses=[(50, 120), (200, 260)])
    assert decoded(content, "event_type", "event") == ["start", "stop_all", "start", "stop_all", "start", "stop_all"]
    assert [value.timestamp() - STARTED for value in decoded(content, "timestamp", "event")] == [
        0, 50, 120, 200, 260, N - 1,
    ]  # fmt: skip
    assert decoded(content, "total_elapsed_time", "session") == [N - 1]
    assert decoded(content, "total_timer_time", "session") == [N - 1 - 130]


def test_laps_add_up_to_the_session():
    content = run_file(STARTED, **columns(), laps_s=[100, 250], pauses=[(120, 150)])
    assert decoded(content, "total_elapsed_time", "lap") == [100, 150, 149]
    assert decoded(content, "total_timer_time", "lap") == [100, 120, 149]
    assert sum(decoded(content, "total_distance", "lap")) == pytest.approx(3.1 * (N - 1), abs=0.02)
    assert decoded(content, "num_laps", "session") == [3]


def test_a_self_described_field_comes_back_under_its_name():
    own = DeveloperColumn("Sole contact time", "ms", np.rint(columns()["contact_time_ms"]), "uint16", native_field=41)
    content = run_file(STARTED, **columns(), developer=[own])
    np.testing.assert_array_equal(fitfast.records(content)["Sole contact time"], own.values)
    assert decoded(content, "Sole contact time") == own.values.tolist()
    (described,) = messages(content, "field_description")
    assert described.get_value("units") == "ms"
    assert described.get_value("native_field_num") == 41


def test_two_developers_may_describe_fields_in_one_file():
    first = DeveloperColumn("Contact", "ms", np.full(N, 250.0), "float32", index=0)
    second = DeveloperColumn("Lean", "degrees", np.full(N, 4.5), "float32", index=1)
    fast = fitfast.records(run_file(STARTED, **columns(), developer=[first, second]))
    assert fast["Contact"].tolist() == [250.0] * N
    assert fast["Lean"].tolist() == [4.5] * N


def test_a_self_described_field_can_be_written_by_hand():
    writer = FitWriter()
    writer.define(0, FILE_ID, [Field(0, "enum"), Field(1, "uint16")])
    writer.data(0, [4, 255])
    writer.describe(0, 7, "Tide", "m", "sint8")
    writer.define(1, RECORD, [Field(TIMESTAMP, "uint32")], [DeveloperField(7, "sint8")])
    writer.data(1, [1_100_000_000, -3])
    writer.data(1, [1_100_000_001, None])
    assert decoded(writer.bytes(), "Tide") == [-3, None]


def test_a_file_may_hold_a_ride_and_then_a_run():
    ride = Part(started_unix_s=STARTED, elapsed_s=np.arange(60.0), distance_m=np.arange(60.0) * 7, sport="cycling")
    run = Part(started_unix_s=STARTED + 90, elapsed_s=np.arange(80.0), distance_m=np.arange(80.0) * 3, laps_s=[40])
    content = activity_file([ride, run])
    assert decoded(content, "sport", "session") == ["cycling", "running"]
    assert [value.timestamp() for value in decoded(content, "start_time", "session")] == [STARTED, STARTED + 90]
    assert decoded(content, "first_lap_index", "session") == [0, 1]
    assert decoded(content, "num_sessions", "activity") == [2]
    assert fitfast.message_counts(content)["record"] == 140


def test_files_may_be_chained():
    first, second = run_file(STARTED, **columns(60)), run_file(STARTED + 9000, **columns(70))
    assert len(messages(first + second, "record")) == 130
    assert len(messages(first + second, "file_id")) == 2


def test_events_may_be_written_one_by_one():
    writer = FitWriter(endian="big")
    writer.define(0, FILE_ID, [Field(0, "enum"), Field(1, "uint16")])
    writer.data(0, [4, 255])
    writer.define(1, EVENT, [Field(TIMESTAMP, "uint32"), Field(0, "enum"), Field(1, "enum")], endian="little")
    writer.data(1, [1_100_000_000, 0, 4])
    assert decoded(writer.bytes(), "event_type", "event") == ["stop_all"]


def test_the_file_says_that_it_was_made_for_development():
    (file_id,) = messages(run_file(STARTED, **columns(), device="lamp-room watch"), "file_id")
    assert file_id.get_value("type") == "activity"
    assert file_id.get_value("manufacturer") == "development"
    assert file_id.get_value("product_name") == "lamp-room watch"
