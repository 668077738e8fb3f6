"""Records by whole columns: the same numbers as the compiled decoder's, to the last bit, or nothing."""

import struct
from collections.abc import Mapping, Sequence
from contextlib import suppress
from typing import Any

import fitfast
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from data.generator.fit_writer import crc16
from pipeline.core.errors import Refused
from pipeline.formats.fit_messages import read_messages
from pipeline.formats.fit_records import checksum, sound_records

#: Fields as (number, size, base type), and how `struct` packs a record of them.
NARROW = [(253, 4, 0x86), (6, 2, 0x84), (2, 2, 0x84), (39, 2, 0x84), (41, 2, 0x84), (84, 2, 0x84), (5, 4, 0x86)]
BYTES_AND_PLACES = [
    (253, 4, 0x86),
    (5, 4, 0x86),
    (3, 1, 2),
    (4, 1, 2),
    (53, 1, 2),
    (42, 1, 0),
    (0, 4, 0x85),
    (1, 4, 0x85),
]
WIDE = [(253, 4, 0x86), (73, 4, 0x86), (78, 4, 0x86), (66, 2, 0x84)]
ESTIMATED = [(253, 4, 0x86), (5, 4, 0x86), (7, 2, 0x84), (13, 1, 0x01), (85, 2, 0x84)]


def definition(fields: Sequence[tuple[int, int, int]], order: str = "<", number: int = 20) -> bytes:
    head = b"\x40\0" + bytes([order == ">"]) + struct.pack(f"{order}H", number) + bytes([len(fields)])
    return head + b"".join(bytes(one) for one in fields)


def record(order: str, layout: str, *values: int) -> bytes:
    return b"\0" + struct.pack(order + layout, *values)


def file(*messages: bytes) -> bytes:
    body = b"".join(messages)
    header = struct.pack("<BBHI4s", 14, 0x10, 2132, len(body), b".FIT")
    content = header + struct.pack("<H", crc16(header)) + body
    return content + struct.pack("<H", crc16(content))


def read(content: bytes) -> dict[str, Any]:
    found = sound_records(content)
    assert found is not None
    return found


def same_as_compiled(content: bytes) -> None:
    found, expected = read(content), fitfast.records(content)
    for name, values in found.items():
        np.testing.assert_array_equal(values, expected[name], err_msg=name, strict=True)


@pytest.mark.parametrize("order", ["<", ">"])
def test_every_value_of_two_bytes_is_read_as_the_compiled_decoder_reads_it(order: str):
    rows = [record(order, "IHHHHHI", 10**9 + i, i, i, i, i, i, 65_537 * i) for i in range(2**16)]
    same_as_compiled(file(definition(NARROW, order), *rows))


@pytest.mark.parametrize("order", ["<", ">"])
def test_every_value_of_one_byte_and_positions_all_round_are_too(order: str):
    corners = [-(2**31), -1, 0, 1, 2**31 - 2, 2**31 - 1]
    rows = [record(order, "IIBBBBii", 2**32 - 1 - i, i, i, i, i, i, corners[i % 6], 3**i % 2**31) for i in range(256)]
    same_as_compiled(file(definition(BYTES_AND_PLACES, order), *rows))


@pytest.mark.parametrize("order", ["<", ">"])
def test_values_of_four_bytes_beside_a_field_that_is_no_reading_are_too(order: str):
    values = [*range(3000), *(2**32 - 1 - 977**i % 2**32 for i in range(200)), 2**32 - 1, 2**32 - 2]
    rows = [record(order, "IIIH", value, value, value, 7) for value in values]
    same_as_compiled(file(definition(WIDE, order), *rows))


@pytest.mark.parametrize("order", ["<", ">"])
def test_power_temperature_and_step_length_are_too(order: str):
    rows = [record(order, "IIHbH", 10**9 + i, i, i, i % 256 - 128, i) for i in range(2**16)]
    same_as_compiled(file(definition(ESTIMATED, order), *rows))


def test_records_of_changing_definitions_stay_in_order_and_lack_what_theirs_lacks():
    content = file(
        definition([(253, 4, 0x86), (5, 4, 0x86)]), record("<", "II", 10**9, 100), record("<", "II", 10**9 + 1, 400),
        definition([(253, 4, 0x86), (4, 1, 2)], ">"), record(">", "IB", 10**9 + 2, 88),
    )  # fmt: skip
    np.testing.assert_array_equal(read(content)["distance"], [1, 4, np.nan])
    np.testing.assert_array_equal(read(content)["cadence"], [np.nan, np.nan, 88])
    same_as_compiled(content)


SOUND = file(definition([(253, 4, 0x86), (5, 4, 0x86)]), *(record("<", "II", 10**9 + i, 300 * i) for i in range(50)))


@pytest.mark.parametrize(
    "unusual",
    [
        SOUND[:-1] + bytes([SOUND[-1] ^ 1]),
        SOUND[:60] + bytes([SOUND[60] ^ 1]) + SOUND[61:],
        SOUND[:-1],
        SOUND[:12] + b"\1\1" + SOUND[14:],
        file(definition([(253, 4, 0x86), (5, 4, 0x86)]), record("<", "II", 1, 2)[:-1]),
        file(definition([(253, 4, 0x86), (5, 4, 0x86)]), b"\1" + record("<", "II", 1, 2)[1:]),
        file(definition([(253, 4, 0x86), (5, 4, 0x86)]).replace(b"\x40\0\0", b"\x40\0\x80"), record("<", "II", 1, 2)),
        file(definition([(253, 4, 0x86), (5, 2, 0x84)]), record("<", "IH", 1, 2)),
        file(definition([(253, 4, 0x86), (5, 4, 0x86), (5, 4, 0x86)]), record("<", "III", 1, 2, 3)),
        file(definition([(5, 4, 0x86)]), record("<", "I", 2)),
        file(definition([(253, 4, 0x86), (3, 1, 2)]), record("<", "IB", 1, 2)),
        file(definition([(253, 4, 0x86), (5, 4, 0x86), (8, 3, 13)]), record("<", "II3s", 1, 2, b"abc")),
        file(definition([(253, 4, 0x86), (6, 2, 0x84), (73, 4, 0x86)]), record("<", "IHI", 1, 2, 3)),
        file(definition([(253, 4, 0x86)], number=18), record("<", "I", 1)),
    ],
    ids=[
        "wrong checksum", "a changed byte", "cut short", "wrong checksum of the header", "half a record",
        "a record never defined", "neither order of bytes", "distance in two bytes", "a field twice", "no time",
        "no way to tell progress", "packed speed", "speed narrow and wide", "no record",
    ],
)  # fmt: skip
def test_what_is_unusual_is_left_to_the_other_decoders(unusual: bytes):
    assert sound_records(SOUND) is not None
    assert sound_records(unusual) is None


@settings(deadline=None)
@given(st.binary(max_size=700))
def test_the_checksum_is_that_of_the_protocol(content: bytes):
    assert checksum(content) == crc16(content)


@pytest.mark.parametrize("n_bytes", [32_766, 32_767, 32_768, 65_534, 65_535, 100_001])
def test_the_checksum_of_a_file_longer_than_its_period_is_that_of_the_protocol(n_bytes: int):
    content = np.random.default_rng(n_bytes).bytes(n_bytes)
    assert checksum(content) == crc16(content)


@pytest.mark.parametrize("changes", [{5: 46}, {4: 123, 8: 246}], ids=["no outline", "an outline"])
def test_a_panic_of_the_compiled_decoder_is_not_printed(changes: Mapping[int, int], capfd: pytest.CaptureFixture[str]):
    body = bytearray(SOUND[14:-2])
    for place, value in changes.items():
        body[place] = value
    with pytest.raises(BaseException, match="divisor of zero"):
        fitfast.records(file(bytes(body)))
    assert "panicked" in capfd.readouterr().err
    with suppress(Refused):
        read_messages(file(bytes(body)))
    assert capfd.readouterr().err == ""


@settings(deadline=None)
@given(st.integers(0, len(SOUND) - 17), st.binary(min_size=1, max_size=3))
def test_changed_bytes_under_a_right_checksum_are_read_as_the_compiled_decoder_reads_them(place: int, changed: bytes):
    body = bytearray(SOUND[14:-2])
    body[place : place + len(changed)] = changed
    content = file(bytes(body))
    if sound_records(content) is not None:
        same_as_compiled(content)
