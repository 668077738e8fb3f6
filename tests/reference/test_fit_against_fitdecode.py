"""FIT decoding against an independent reader and against published bytes.

Authority: `fitdecode` 0.11, read here message by message with its own scaling and dates; our decoder reads the same
sound files with another library. Tolerance: none, both divide the same whole numbers by the same scale; positions
1e-9 degrees, since semicircles are multiplied in another order. Published bytes: named at each test.
"""

from __future__ import annotations

import io
import struct
from collections.abc import Callable
from typing import Any

import fitdecode
import numpy as np
import pytest

from data.generator.fit_writer import (
    FILE_ID,
    RECORD,
    TIMESTAMP,
    UNIX_OF_FIT_EPOCH,
    DeveloperColumn,
    DeveloperField,
    Field,
    FitWriter,
    crc16,
    run_file,
)
from pipeline.formats.fit import decode

STARTED, N = 1_772_000_000, 200


def columns() -> dict[str, Any]:
    rng = np.random.default_rng(11)
    contact_ms = rng.normal(250, 9, N)
    contact_ms[rng.random(N) < 0.1] = np.nan
    contact_ms[rng.random(N) < 0.1] = 0
    return {
        "speed_m_s": rng.normal(3.1, 0.1, N),
        "altitude_m": 20 + 8 * np.sin(np.arange(N) / 60),
        "heart_rate_bpm": np.rint(rng.normal(150, 4, N)),
        "cadence_strides_min": rng.normal(85, 0.6, N),
        "contact_time_ms": contact_ms,
        "vertical_oscillation_mm": rng.normal(80, 3, N),
        "contact_balance_pct": rng.normal(50, 0.5, N),
        "latitude_deg": np.linspace(-12.34, -12.36, N),
        "longitude_deg": np.linspace(179.5, 179.52, N),
    }


def records(content: bytes) -> list[Any]:
    with fitdecode.FitReader(io.BytesIO(content), check_crc=fitdecode.CrcCheck.RAISE) as reader:
        return [
            message for message in reader if isinstance(message, fitdecode.FitDataMessage) and message.name == "record"
        ]


def scaled(field: str, factor: float = 1.0) -> Callable[[Any], float | None]:
    def value(record: Any) -> float | None:
        got = record.get_value(field, fallback=None)
        return None if got is None else got * factor

    return value


READ_BY_FITDECODE: dict[str, Callable[[Any], float | None]] = {
    "time_s": lambda record: record.get_value("timestamp").timestamp(),
    "distance_m": scaled("distance"),
    "speed_m_s": scaled("enhanced_speed"),
    "altitude_m": scaled("enhanced_altitude"),
    "latitude_deg": scaled("position_lat", 180 / 2**31),
    "longitude_deg": scaled("position_long", 180 / 2**31),
    "cadence_spm": lambda record: 2 * (record.get_value("cadence") + record.get_value("fractional_cadence")),
    "contact_time_ms": scaled("stance_time"),
    "vertical_oscillation_mm": scaled("vertical_oscillation"),
    "contact_balance_pct": scaled("stance_time_balance"),
    "heart_rate_bpm": scaled("heart_rate"),
}


@pytest.mark.parametrize(
    "options",
    [{}, {"endian": "big"}, {"header_size": 12}, {"has_enhanced_fields": True}, {"compressed_timestamps": True}],
    ids=str,
)
def test_every_reading_equals_that_of_fitdecode(options: dict[str, Any]):
    content = run_file(STARTED, np.arange(float(N)), 3.1 * np.arange(N), **columns(), **options)
    [recording] = decode(content)
    assert recording.damage is None
    for reading, of_record in READ_BY_FITDECODE.items():
        expected = np.array([of_record(record) for record in records(content)], dtype=float)
        assert np.isfinite(expected).sum() > N / 2
        np.testing.assert_allclose(
            recording.readings[reading].to_numpy(), expected, rtol=0, atol=1e-9, equal_nan=True, err_msg=reading
        )


def test_a_self_described_reading_equals_that_of_fitdecode():
    sole = DeveloperColumn("Sole contact time", "ms", np.rint(np.linspace(220, 260, N)), "uint16", native_field=41)
    content = run_file(STARTED, np.arange(float(N)), 3.1 * np.arange(N), developer=[sole])
    [recording] = decode(content)
    expected = [record.get_value("Sole contact time") for record in records(content)]
    assert recording.readings["contact_time_ms"].to_list() == expected


def test_the_checksum_of_the_catalogue_string_is_BB3D():
    """CRC-16/ARC, check value of the string "123456789" in catalogues of checksums."""
    assert crc16(b"123456789") == 0xBB3D


def test_the_checksum_of_a_published_header_is_the_one_it_carries():
    """Bytes posted in the format publisher's developer forum, thread 323237: profile 2125, 974 bytes, CRC 0xB729."""
    header = bytes.fromhex("0e10 4d08 ce03 0000 2e46 4954 29b7")
    size, _, profile, data_size, _, stored = struct.unpack("<BBHI4sH", header)
    assert (size, profile, data_size, stored) == (14, 2125, 974, 0xB729)
    assert crc16(header[:12]) == stored


def test_a_file_followed_by_its_own_checksum_has_checksum_zero():
    """Property of the checksum, stated on pub.dev by the package `fit_tool`."""
    assert crc16(run_file(STARTED, np.arange(9.0), np.arange(9.0))) == 0


def begun() -> FitWriter:
    writer = FitWriter()
    writer.define(0, FILE_ID, [Field(0, "enum"), Field(1, "uint16")])
    writer.data(0, [4, 255])
    return writer


@pytest.mark.parametrize(
    ("full", "offsets", "times"),
    [
        (0x3B, [0x1B, 0x1D, 0x02, 0x05, 0x01], [0x3B, 0x3D, 0x42, 0x45, 0x61]),
        (0x83, [0x12], [0x92]),
    ],
    ids=["from 3B", "from 83"],
)
def test_offsets_of_compressed_timestamps_are_read_by_the_published_rule(
    full: int, offsets: list[int], times: list[int]
):
    """t = (previous & ~0x1F) + offset, and 0x20 more if the offset is below the previous five bits (FIT protocol)."""
    base = 0x40000000  # low five bits zero; late enough to be a date
    writer = begun()
    writer.define(1, RECORD, [Field(TIMESTAMP, "uint32"), Field(3, "uint8")])
    writer.data(1, [base + full, 140])
    writer.define(2, RECORD, [Field(3, "uint8")])
    for offset in offsets:
        writer.data(2, [141], compressed_fit_s=offset)  # only the low five bits are written
    [recording] = decode(writer.bytes())
    assert recording.readings["time_s"].to_list() == [UNIX_OF_FIT_EPOCH + base + offset for offset in [full, *times]]


def test_the_epoch_of_the_format_is_the_last_day_of_1989():
    """1989-12-31T00:00:00Z is 631065600 s after 1970 (docs.rs, crate `fit`)."""
    writer = begun()
    writer.define(1, RECORD, [Field(TIMESTAMP, "uint32")])
    writer.data(1, [0x10000000])  # the least time that is a date, 2**28 s
    [recording] = decode(writer.bytes())
    assert recording.readings["time_s"].to_list() == [631_065_600 + 2**28]


@pytest.mark.parametrize(
    ("base_type", "invalid"),
    [
        ("sint8", b"\x7f"),
        ("uint8", b"\xff"),
        ("sint16", b"\xff\x7f"),
        ("uint16", b"\xff\xff"),
        ("sint32", b"\xff\xff\xff\x7f"),
        ("uint32", b"\xff\xff\xff\xff"),
        ("float32", b"\xff\xff\xff\xff"),
        ("float64", b"\xff" * 8),
        ("uint8z", b"\0"),
        ("uint16z", b"\0\0"),
        ("uint32z", b"\0\0\0\0"),
    ],
)
@pytest.mark.parametrize("is_sound", [True, False], ids=["sound", "wrong checksum"])
def test_the_invalid_value_of_a_base_type_is_missing_and_is_never_scaled(
    base_type: str, invalid: bytes, is_sound: bool
):
    """Invalid values from docs.rs, crate `fit-sdk-rust`, type `BaseType`; each as a self-described contact time [s]."""
    writer = begun()
    writer.describe(0, 3, "Contact time", "s", base_type)
    writer.define(1, RECORD, [Field(TIMESTAMP, "uint32")], [DeveloperField(3, base_type)])
    writer.data(1, [0x40000000, 2])
    writer.data(1, [0x40000001, None])
    content = writer.bytes()
    assert content[:-2].endswith(invalid)
    [recording] = decode(content if is_sound else content[:-1] + bytes([content[-1] ^ 0xFF]))
    assert recording.readings["contact_time_ms"].to_list() == [2000, None]


def test_an_invalid_native_contact_time_is_missing_and_not_6553_5_ms():
    writer = begun()
    writer.define(1, RECORD, [Field(TIMESTAMP, "uint32"), Field(41, "uint16", scale=10)])
    writer.data(1, [0x40000000, 250.0])
    writer.data(1, [0x40000001, None])
    assert writer.bytes()[:-2].endswith(b"\xff\xff")
    [recording] = decode(writer.bytes())
    assert recording.readings["contact_time_ms"].to_list() == [250.0, None]
