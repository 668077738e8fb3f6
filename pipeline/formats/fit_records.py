"""The messages of a sound FIT file, whole columns at a time: bytes → columns, or nothing where anything is unusual.

Nearly all bytes of a recording are records of one definition, one after the other: a table with rows of equal length,
which NumPy reads in place. That takes a fifth of what the compiled decoder takes, and gives the same numbers. Whatever
it does not know for certain (a wrong checksum, fields of its own, compressed times, another type than the profile's) it
leaves to that decoder. Sessions, laps and events are read the same way, out of the file's outline.

Source of fields, types, scales and of the checksum (CRC-16, polynomial 0x8005, reflected): the public FIT profile and
protocol.
"""

from __future__ import annotations

import struct
from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass
from functools import cache, lru_cache

import numpy as np
import numpy.typing as npt

from pipeline.formats.fit_fields import ENUM, FIELDS, RECORD, SINT32, TYPES, UINT32, UNIX_OF_FIT_EPOCH, Field
from pipeline.formats.fit_outline import alike_from, definition_of, shortened

Columns = dict[str, npt.NDArray[np.float64]]


_TIME = 253
#: Messages by which a file describes fields of its own.
_DESCRIBING = (206, 207)
#: Message of an outline → the fields that are read of it in place.
SESSION, LAP, EVENT, FILE_ID, SPORT = 18, 19, 21, 0, 12
_STARTS = Field("start_time", UINT32, 1, -UNIX_OF_FIT_EPOCH)
_FEW = {
    SESSION: {2: _STARTS, 5: Field("sport", ENUM), 6: Field("sub_sport", ENUM)},
    LAP: {2: _STARTS, 7: Field("total_elapsed_time", UINT32, 1000), _TIME: FIELDS[_TIME]},
    EVENT: {0: Field("event", ENUM), 1: Field("event_type", ENUM), _TIME: FIELDS[_TIME]},
    FILE_ID: {},
    SPORT: {},
    **{kind: {} for kind in _DESCRIBING},
}
_READ: Mapping[int, Mapping[int, Field]] = {RECORD: FIELDS, **_FEW}
#: Fields that say what kind of file it is, by which device and of which sport: nothing that differs from run to run.
_LASTING = {FILE_ID: frozenset({0, 1, 2, 8}), SPORT: frozenset({0})}
#: Speed and distance in three bytes, which only a decoder that goes message by message can add up.
_PACKED = 8
#: Without one of these a file of records has no way to say how far they are apart.
_PROGRESS = {5, 6, 73}
#: Altitude and speed in two bytes, which have wider twins.
_NARROW = {2, 6}
#: Two fields of one meaning: how a decoder settles that is its own affair.
_TWICE = ({6, 73}, {2, 78})
#: Definitions that change more often than this make short blocks, for which this is no faster.
_MOST_BLOCKS = 64


def sound_records(link: bytes) -> Columns | None:
    """Read the fields that a reading can come from.

    Args:
        link: a whole FIT file, or one whole link of a chained one.

    Returns:
        By the profile's names, in its units, times in seconds since 1970, positions in degrees, missing values NaN; one
        row per record. None where the file is not sound or holds what is not read here.
    """
    header_size = link[0]
    if header_size not in (12, 14) or len(link) != header_size + struct.unpack_from("<I", link, 4)[0] + 2:
        return None
    if not has_right_checksums(link):
        return None
    blocks = _blocks(link, header_size, (RECORD,))
    if not blocks or len(blocks) > _MOST_BLOCKS:
        return None
    numbers = set().union(*(block.numbers for block in blocks))
    is_unusual = _PACKED in numbers or not numbers & _PROGRESS or any(pair <= numbers for pair in _TWICE)
    if is_unusual or not all(_TIME in block.numbers for block in blocks):
        return None
    columns = {
        number: np.concatenate([_column(link, block, number, FIELDS[number]) for block in blocks])
        for number in sorted(numbers & FIELDS.keys())
    }
    named = {FIELDS[number].name: values for number, values in columns.items()}
    return named | {
        f"enhanced_{FIELDS[number].name}": _widened(columns[number], number) for number in _NARROW & numbers
    }


def few_messages(outline: bytes) -> tuple[dict[int, Columns], bytes] | None:
    """Read the sessions, laps and events of a file's outline.

    Returns:
        The columns of each of the three, by its number and the profile's names, in the units of `sound_records`; and
        the messages that name kind, device and sport, without what differs from file to file. None where anything is
        not as the profile has it, or the file describes fields of its own.
    """
    blocks = _blocks(outline, outline[0], _FEW)
    if blocks is None or any(block.kind in _DESCRIBING for block in blocks):
        return None
    columns: dict[int, Columns] = {}
    for kind in (SESSION, LAP, EVENT):
        own = [block for block in blocks if block.kind == kind]
        columns[kind] = {
            field.name: np.concatenate([_column(outline, block, number, field) for block in own])
            for number, field in _FEW[kind].items()
            if own
        }
    return columns, b"".join(_lasting(outline, block) for block in blocks if block.kind in _LASTING)


def _column(link: bytes, block: _Block, number: int, field: Field) -> npt.NDArray[np.float64]:
    if number not in block.numbers:
        return np.full(block.n_messages, np.nan)
    return _values(np.frombuffer(link, block.dtype, block.n_messages, block.place)[str(number)], field)


def _lasting(link: bytes, block: _Block) -> bytes:
    """The messages of a block with their definition, and only with their lasting fields."""
    size = block.dtype.itemsize
    definition, pieces = shortened(block.definition, size, _LASTING[block.kind])
    starts = range(block.place, block.place + size * block.n_messages, size)
    return definition + b"".join(link[start:][piece] for start in starts for piece in pieces)


def _values(raw: npt.NDArray[np.generic], field: Field) -> npt.NDArray[np.float64]:
    """Numbers in the profile's unit; NaN where there is no reading."""
    values = raw.astype(np.float64)
    is_missing = values == TYPES[field.base][1]
    if is_missing.any():
        values[is_missing] = np.nan
    if field.base == SINT32:
        values *= 180 / 2**31
    if field.scale != 1:
        values /= field.scale
    if field.offset:
        values -= field.offset
    return values


def _widened(values: npt.NDArray[np.float64], number: int) -> npt.NDArray[np.float64]:
    """A narrow field as the wide one of the same meaning, which the profile has decoders make of it.

    Cut off to a step of the wide field, not rounded, as the compiled decoder does: 2.014 m/s become 2.013.
    """
    field = FIELDS[number]
    return np.trunc((values + field.offset) * field.scale) / field.scale - field.offset


# --- Where records lie -----------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Block:
    """Messages of one definition, one after the other: where they begin, how many, how a row is laid out."""

    kind: int
    definition: bytes
    place: int
    n_messages: int
    dtype: np.dtype[np.void]
    numbers: frozenset[int]


def _blocks(link: bytes, place: int, kinds: Collection[int]) -> list[_Block] | None:
    """The blocks of some kinds of messages in a file; None where messages do not fit it, or one of those the profile.

    Args:
        kinds: of `_READ`.
    """
    layouts: dict[int, tuple[int, int, bytes, tuple[np.dtype[np.void], frozenset[int]] | None]] = {}
    blocks, end = [], len(link) - 2
    while place < end:
        header = link[place]
        if header & 0x80 or header & 0x20:
            return None
        if header & 0x40:
            local, size, number, after = definition_of(link, place)
            definition = link[place:after]
            layout = _layout(definition, number) if number in kinds else None
            if definition[2:3] > b"\1" or (number in kinds and layout is None):
                return None  # of neither order of bytes, or with a message that is not the profile's
            layouts[local], place = (size, number, definition, layout), after
            continue
        if header not in layouts:
            return None
        size, number, definition, layout = layouts[header]
        n_messages = alike_from(link, place, end, size)
        if layout is not None:
            blocks.append(_Block(number, definition, place, n_messages, *layout))
        place += size * n_messages
    return blocks if place == end else None


@lru_cache(maxsize=64)
def _layout(definition: bytes, kind: int) -> tuple[np.dtype[np.void], frozenset[int]] | None:
    """A row of messages of a definition, as NumPy names it; None where a field is not as the profile has it.

    All files of a device have the same definitions.
    """
    order, fields = ">" if definition[2] else "<", _READ[kind]
    names, formats, offsets, size = [], [], [], 1
    for number, width, base in _fields(definition):
        field = fields.get(number)
        if field is not None:
            base_type = np.dtype(order + TYPES[field.base][0])
            if base != field.base or width != base_type.itemsize or str(number) in names:
                return None
            names.append(str(number))
            formats.append(base_type)
            offsets.append(size)
        elif number == _PACKED and kind == RECORD:
            return None
        size += width
    dtype = np.dtype({"names": names, "formats": formats, "offsets": offsets, "itemsize": size})
    return dtype, frozenset(int(name) for name in names)


def _fields(definition: bytes) -> Iterator[tuple[int, int, int]]:
    """Number, size and base type of each field of a definition."""
    return zip(definition[6::3], definition[7::3], definition[8::3], strict=False)


# --- Checksum --------------------------------------------------------------------------------------------------------

#: Over so many zero bytes a checksum comes back to itself: the polynomial is (x + 1)(x^15 + x + 1), whose second factor
#: is primitive, so x has the order 2^15 - 1.
_PERIOD_BYTES = 2**15 - 1


def checksum(content: bytes) -> int:
    """CRC-16 of FIT, of all pairs of neighbouring parts at once; 0 over a file together with its own checksum.

    The checksum is linear: leading zeros change nothing, and that of two parts is that of the first, taken forward
    over as many zeros as the second has bytes, xor that of the second. The step over two bytes that begins it can as
    well be the last, since steps commute. Taken forward over a period it is as it was, so that periods are first laid
    on top of each other.
    """
    if len(content) > _PERIOD_BYTES:
        periods = np.frombuffer(bytes(-len(content) % _PERIOD_BYTES) + content, np.uint8).reshape(-1, _PERIOD_BYTES)
        content = np.bitwise_xor.reduce(periods, axis=0).tobytes()
    parts, n_bytes = np.frombuffer(bytes(len(content) % 2) + content, "<u2"), 2
    while len(parts) > 1:
        if len(parts) % 2:
            parts = np.concatenate([np.zeros(1, np.uint16), parts])
        parts = _forward(n_bytes).take(parts[::2]) ^ parts[1::2]
        n_bytes *= 2
    return int(_forward(2)[parts].sum())


def has_right_checksums(link: bytes) -> bool:
    """Whether the messages and the header agree with their checksums, as the compiled decoder judges it.

    That of the messages alone equals that of the whole file where the header's own is right. A header may have none.
    """
    header_size = link[0]
    has_right_header = header_size != 14 or link[12:14] == b"\0\0" or checksum(link[:14]) == 0
    return has_right_header and checksum(link[header_size:]) == 0


@cache
def _forward(n_bytes: int) -> npt.NDArray[np.uint16]:
    """Where each checksum is after so many zero bytes, a power of two."""
    if n_bytes == 2:
        table = np.arange(2**16, dtype=np.uint16)
        for _ in range(16):
            table = (table >> np.uint16(1)) ^ (table & np.uint16(1)) * np.uint16(0xA001)
        return table
    half = _forward(n_bytes // 2)
    return np.asarray(half[half])
