"""A small writer of FIT files, for the demo club and for tests.

Two levels. `FitWriter` puts definition and data messages into a file one by one, so that tests can make any file, also
odd ones. `run_file` and `activity_file` take arrays and make the file that a device would have saved.

Source of the layout, base types, invalid values and CRC: the public FIT protocol as restated by open decoders
(docs.rs, crate `fit-rust`); of the message and field numbers: the public FIT profile, as shipped inside `fitdecode`.
"""

from __future__ import annotations

import struct
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

Column = npt.NDArray[np.float64]
Endian = Literal["little", "big"]

#: 1989-12-31T00:00:00Z, where FIT time begins, in seconds since 1970.
UNIX_OF_FIT_EPOCH = 631_065_600
#: Protocol version 2.0, the first with self-described fields; profile version 21.40.
PROTOCOL, PROFILE = 0x20, 2140
DEVELOPMENT = 255  # enumeration `manufacturer`: a file made for development
ACTIVITY_FILE = 4  # enumeration `file`
SPORTS: Mapping[str, int] = {"generic": 0, "running": 1, "cycling": 2, "swimming": 5, "walking": 11, "hiking": 17}
TIMER, TIMER_STARTS, TIMER_STOPS_ALL = 0, 0, 4  # enumerations `event` and `event_type`
SEMICIRCLES_PER_DEGREE = 2**31 / 180

FILE_ID, SESSION, LAP, RECORD, EVENT, ACTIVITY = 0, 18, 19, 20, 21, 34
FIELD_DESCRIPTION, DEVELOPER_DATA_ID = 206, 207
TIMESTAMP = 253  # the field's number in every message


@dataclass(frozen=True)
class _BaseType:
    code: int
    letter: str  # of the struct module and of NumPy dtypes alike
    invalid: int


_BASE_TYPES: Mapping[str, _BaseType] = {
    "enum": _BaseType(0x00, "B", 0xFF),
    "sint8": _BaseType(0x01, "b", 0x7F),
    "uint8": _BaseType(0x02, "B", 0xFF),
    "sint16": _BaseType(0x83, "h", 0x7FFF),
    "uint16": _BaseType(0x84, "H", 0xFFFF),
    "sint32": _BaseType(0x85, "i", 0x7FFFFFFF),
    "uint32": _BaseType(0x86, "I", 0xFFFFFFFF),
    "string": _BaseType(0x07, "s", 0x00),
    "float32": _BaseType(0x88, "f", 0xFFFFFFFF),
    "float64": _BaseType(0x89, "d", 0xFFFFFFFFFFFFFFFF),
    "uint8z": _BaseType(0x0A, "B", 0x00),
    "uint16z": _BaseType(0x8B, "H", 0x00),
    "uint32z": _BaseType(0x8C, "I", 0x00),
    "byte": _BaseType(0x0D, "B", 0xFF),
    "sint64": _BaseType(0x8E, "q", 0x7FFFFFFFFFFFFFFF),
    "uint64": _BaseType(0x8F, "Q", 0xFFFFFFFFFFFFFFFF),
    "uint64z": _BaseType(0x90, "Q", 0x00),
}
_FLOATS: Mapping[str, Literal["I", "Q"]] = {"float32": "I", "float64": "Q"}  # the whole number that holds their bits
#: NumPy's names, which do not depend on the platform's idea of a long.
_NUMPY = {"B": "u1", "b": "i1", "H": "u2", "h": "i2", "I": "u4", "i": "i4", "Q": "u8", "q": "i8", "f": "f4", "d": "f8"}

_CRC_OF_BYTE = np.zeros(256, dtype=np.uint16)
for _byte in range(256):
    _register = _byte
    for _ in range(8):
        _register = (_register >> 1) ^ (0xA001 if _register & 1 else 0)
    _CRC_OF_BYTE[_byte] = _register


def crc16(content: bytes) -> int:
    """CRC-16/ARC, the checksum of FIT headers and files; of b"123456789" it is 0xBB3D.

    The content is cut into lanes that advance together. The CRC is linear, so a lane's register is carried past the
    lanes behind it by the images of its sixteen bits, which advance with the lanes as if through zeros.

    Args:
        content: any bytes.
    """
    n_lanes = max(1, int(len(content) ** 0.5))
    length = -(-len(content) // n_lanes)
    # Zeros in front do not move a register that begins at zero.
    lanes = np.zeros((n_lanes + 16, length), dtype=np.uint16)
    padded = np.frombuffer(bytes(n_lanes * length - len(content)) + content, dtype=np.uint8)
    lanes[:n_lanes] = padded.reshape(n_lanes, length)
    register = np.zeros(n_lanes + 16, dtype=np.uint16)
    register[n_lanes:] = 1 << np.arange(16)
    for column in lanes.T.copy():
        register = (register >> 8) ^ _CRC_OF_BYTE[(register ^ column) & 0xFF]
    images = register[n_lanes:].tolist()
    crc = 0
    for lane in register[:n_lanes].tolist():
        carried = 0
        for bit, image in enumerate(images):
            if crc >> bit & 1:
                carried ^= image
        crc = carried ^ lane
    return int(crc)


@dataclass(frozen=True)
class Field:
    """A field of a definition message.

    Attributes:
        number: in the profile of the message.
        base_type: a name such as "uint16".
        scale: stored value = (value + offset) × scale.
        offset: see scale [unit of the value].
        count: elements; of a string its bytes, with the closing zero.
    """

    number: int
    base_type: str
    scale: float = 1.0
    offset: float = 0.0
    count: int = 1

    @property
    def size(self) -> int:
        """Bytes of the field in a data message."""
        base = _BASE_TYPES[self.base_type]
        return self.count if base.letter == "s" else self.count * struct.calcsize("<" + base.letter)


@dataclass(frozen=True)
class DeveloperField(Field):
    """A self-described field; `number` is the one its field description gives, `index` its developer's."""

    index: int = 0


@dataclass
class _Definition:
    endian: Endian
    fields: tuple[Field, ...]

    @property
    def order(self) -> str:
        return "<" if self.endian == "little" else ">"


class FitWriter:
    """One FIT file, message by message."""

    def __init__(
        self,
        *,
        endian: Endian = "little",
        header_size: Literal[12, 14] = 14,
        header_crc: bool = True,
        protocol: int = PROTOCOL,
        profile: int = PROFILE,
    ) -> None:
        """Begin an empty file.

        Args:
            endian: byte order of definitions that do not say their own.
            header_size: 14, or 12 without the header's own CRC [bytes].
            header_crc: False writes 0, "not computed".
            protocol: major version in the high half-byte.
            profile: version × 100.
        """
        self._endian: Endian = endian
        self._header_size = header_size
        self._header_crc = header_crc
        self._versions = protocol, profile
        self._definitions: dict[int, _Definition] = {}
        self._parts: list[bytes] = []

    def define(
        self,
        local: int,
        global_num: int,
        fields: Sequence[Field],
        developer_fields: Sequence[DeveloperField] = (),
        *,
        endian: Endian | None = None,
    ) -> None:
        """Write a definition message.

        Args:
            local: local message type, 0 to 15 (0 to 3 if compressed timestamps are wanted).
            global_num: number of the message in the profile.
            fields: native fields, in order.
            developer_fields: self-described fields, in order, after the native ones.
            endian: byte order of its data messages.
        """
        definition = _Definition(endian or self._endian, (*fields, *developer_fields))
        self._definitions[local] = definition
        header = 0x40 | (0x20 if developer_fields else 0) | local
        out = struct.pack(
            f"{definition.order}BBBHB", header, 0, int(definition.endian == "big"), global_num, len(fields)
        )
        for one in fields:
            out += struct.pack("BBB", one.number, one.size, _BASE_TYPES[one.base_type].code)
        if developer_fields:
            out += struct.pack("B", len(developer_fields))
            for own in developer_fields:
                out += struct.pack("BBB", own.number, own.size, own.index)
        self._parts.append(out)

    def data(self, local: int, values: Sequence[Any], *, compressed_fit_s: int | None = None) -> None:
        """Write one data message.

        Args:
            local: local message type of an earlier definition.
            values: one a field in its own unit; a sequence where a field has several elements; None is invalid.
            compressed_fit_s: write the header with the low five bits of this time [s since the FIT epoch].
        """
        definition = self._definitions[local]
        header = local if compressed_fit_s is None else _compressed_header(local, compressed_fit_s)
        encoded = [_encode(one, v, definition.order) for one, v in zip(definition.fields, values, strict=True)]
        self._parts.append(bytes([header]) + b"".join(encoded))

    def table(
        self,
        local: int,
        columns: Sequence[Column | None],
        *,
        compressed_fit_s: npt.NDArray[np.int64] | None = None,
    ) -> None:
        """Write many data messages at once.

        Args:
            local: local message type of an earlier definition, all of whose fields have one element.
            columns: one a field, of equal lengths, in the field's own unit; NaN is invalid, None a column of it.
            compressed_fit_s: as in `data`, one a row.
        """
        definition = self._definitions[local]
        n_rows = next(len(column) for column in columns if column is not None)
        letters = [_BASE_TYPES[one.base_type].letter for one in definition.fields]
        layout = [("header", "u1")]
        layout += [(f"f{place}", definition.order + _NUMPY[letter]) for place, letter in enumerate(letters)]
        rows = np.zeros(n_rows, dtype=layout)
        rows["header"] = local if compressed_fit_s is None else 0x80 | local << 5 | (compressed_fit_s & 0x1F)
        for place, (one, column) in enumerate(zip(definition.fields, columns, strict=True)):
            stored = _encode_column(one, np.full(n_rows, np.nan) if column is None else column)
            rows[f"f{place}"] = stored
        self._parts.append(rows.tobytes())

    def describe(
        self, index: int, number: int, name: str, unit: str, base_type: str, *, native_field: int | None = None
    ) -> None:
        """Write the two messages (207, 206) that declare a self-described field of record messages.

        Args:
            index: of the developer.
            number: of the field, as a DeveloperField gives it.
            name: of the field.
            unit: in words.
            base_type: a name such as "uint16".
            native_field: number of the record field it stands for, if it says so.
        """
        self.define(14, DEVELOPER_DATA_ID, [Field(1, "byte", count=16), Field(3, "uint8"), Field(4, "uint32")])
        self.data(14, [bytes(range(1, 17)), index, 1])
        self.define(
            15,
            FIELD_DESCRIPTION,
            [
                Field(0, "uint8"),
                Field(1, "uint8"),
                Field(2, "uint8"),
                Field(3, "string", count=len(name.encode()) + 1),
                Field(8, "string", count=len(unit.encode()) + 1),
                Field(14, "uint16"),
                Field(15, "uint8"),
            ],
        )
        message = None if native_field is None else RECORD
        self.data(15, [index, number, _BASE_TYPES[base_type].code, name, unit, message, native_field])

    def bytes(self) -> bytes:
        """The whole file, with header and checksum. Chained files are such files one after the other."""
        content = b"".join(self._parts)
        head = struct.pack("<BBHI4s", self._header_size, *self._versions, len(content), b".FIT")
        if self._header_size == 14:
            head += struct.pack("<H", crc16(head) if self._header_crc else 0)
        return head + content + struct.pack("<H", crc16(head + content))


def _compressed_header(local: int, fit_s: int) -> int:
    return 0x80 | local << 5 | (fit_s & 0x1F)


def _encode(one: Field, value: Any, order: str) -> bytes:
    base = _BASE_TYPES[one.base_type]
    if one.base_type == "string":
        text = (value or "").encode()
        if len(text) >= one.count:
            raise ValueError(f"'{value}' does not fit into {one.count} bytes with a closing zero.")
        return bytes(text.ljust(one.count, b"\0"))
    elements = value if isinstance(value, list | tuple | bytes) else [value] + [None] * (one.count - 1)
    if len(elements) != one.count:
        raise ValueError(f"Field {one.number} has {one.count} elements, not {len(elements)}.")
    out = b""
    for element in elements:
        if element is None:
            out += struct.pack(order + _FLOATS.get(one.base_type, base.letter), base.invalid)
        elif one.base_type in _FLOATS:
            out += struct.pack(order + base.letter, (element + one.offset) * one.scale)
        elif one.scale == 1 and isinstance(element, int):
            out += struct.pack(order + base.letter, element + int(one.offset))
        else:
            out += struct.pack(order + base.letter, round((element + one.offset) * one.scale))
    return out


def _encode_column(one: Field, column: Column) -> npt.NDArray[Any]:
    base = _BASE_TYPES[one.base_type]
    if one.count != 1 or base.letter == "s":
        raise ValueError(f"Field {one.number} has several elements: write its messages one by one.")
    missing = np.isnan(column)
    stored = (column + one.offset) * one.scale
    if one.base_type in _FLOATS:
        floats = stored.astype(_NUMPY[base.letter])
        floats.view(_NUMPY[_FLOATS[one.base_type]])[missing] = base.invalid
        return floats
    whole = np.rint(np.where(missing, 0, stored))
    kind = np.dtype(_NUMPY[base.letter])
    limits = np.iinfo(kind)
    if len(whole) and (whole.min() < limits.min or whole.max() > limits.max):
        raise ValueError(f"Field {one.number} ({one.base_type}) cannot hold {column.min()} to {column.max()}.")
    numbers: npt.NDArray[Any] = whole.astype(kind)
    numbers[missing] = base.invalid
    return numbers


# --- Whole activities ------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class DeveloperColumn:
    """A self-described column of the record messages.

    Attributes:
        name: of the field.
        unit: in words.
        values: one a record; NaN is invalid [unit].
        base_type: a name such as "uint16" or "float32"; self-described fields have no scale.
        native_field: number of the record field it says it stands for.
        index: of the developer, so that two developers may describe fields in one file.
    """

    name: str
    unit: str
    values: Column
    base_type: str = "float32"
    native_field: int | None = None
    index: int = 0


@dataclass(frozen=True, kw_only=True)
class Part:
    """One session of an activity file. Arrays have one element a record; NaN is invalid; None leaves the field out.

    Attributes:
        started_unix_s: start of the session [s since 1970].
        elapsed_s: time of each record since the start, stored in whole seconds [s].
        distance_m: since the start of the session [m].
        speed_m_s: [m/s].
        altitude_m: stored in steps of 0.2 m [m].
        heart_rate_bpm: [1/min].
        cadence_strides_min: cycles of one leg; two steps each [1/min].
        contact_time_ms: stored in steps of 0.1 ms [ms].
        vertical_oscillation_mm: stored in steps of 0.1 mm [mm].
        contact_balance_pct: share of the left foot, stored in steps of 0.01 % [%].
        step_length_mm: stored in steps of 0.1 mm [mm].
        latitude_deg: [degrees].
        longitude_deg: [degrees].
        pauses: from and to, since the start; the timer stops and starts there [s].
        laps_s: end of each lap but the last, since the start [s].
        sport: a word of `SPORTS`.
        sub_sport: number in the profile's enumeration.
        developer: self-described columns.
        cadence_steps: parts of a stride per minute that the device tells apart: 128, 2, or 1 for whole numbers only.
        has_enhanced_fields: speed and altitude in the 32-bit fields.
    """

    started_unix_s: int
    elapsed_s: Column
    distance_m: Column | None
    speed_m_s: Column | None = None
    altitude_m: Column | None = None
    heart_rate_bpm: Column | None = None
    cadence_strides_min: Column | None = None
    contact_time_ms: Column | None = None
    vertical_oscillation_mm: Column | None = None
    contact_balance_pct: Column | None = None
    step_length_mm: Column | None = None
    latitude_deg: Column | None = None
    longitude_deg: Column | None = None
    pauses: Sequence[tuple[float, float]] = ()
    laps_s: Sequence[float] = ()
    sport: str = "running"
    sub_sport: int = 0
    developer: Sequence[DeveloperColumn] = field(default=())
    cadence_steps: int = 128
    has_enhanced_fields: bool = False

    @property
    def fit_s(self) -> npt.NDArray[np.int64]:
        """Time of each record [s since the FIT epoch]."""
        return self.started_unix_s - UNIX_OF_FIT_EPOCH + np.rint(self.elapsed_s).astype(np.int64)


def run_file(
    started_unix_s: int,
    elapsed_s: Column,
    distance_m: Column | None,
    *,
    device: str | None = None,
    serial_number: int | None = None,
    endian: Endian = "little",
    header_size: Literal[12, 14] = 14,
    compressed_timestamps: bool = False,
    **columns: Any,
) -> bytes:
    """Make the file of one session.

    Args:
        started_unix_s: start of the session [s since 1970].
        elapsed_s: time of each record since the start [s].
        distance_m: since the start [m].
        device: name of the device in the file's first message.
        serial_number: of the device; None writes none.
        endian: byte order.
        header_size: [bytes].
        compressed_timestamps: write times as five bits in the record headers wherever that is possible.
        columns: the other attributes of `Part`, by name.

    Returns:
        The FIT file.
    """
    part = Part(started_unix_s=started_unix_s, elapsed_s=elapsed_s, distance_m=distance_m, **columns)
    return activity_file(
        [part],
        device=device,
        serial_number=serial_number,
        endian=endian,
        header_size=header_size,
        compressed_timestamps=compressed_timestamps,
    )


def activity_file(
    parts: Sequence[Part],
    *,
    device: str | None = None,
    serial_number: int | None = None,
    endian: Endian = "little",
    header_size: Literal[12, 14] = 14,
    compressed_timestamps: bool = False,
) -> bytes:
    """Make the file of several sessions one after the other, such as cycling, then running.

    Args:
        parts: in order of time.
        device: name of the device in the file's first message.
        serial_number: of the device; None writes none.
        endian: byte order.
        header_size: [bytes].
        compressed_timestamps: as in `run_file`.

    Returns:
        The FIT file: file id, field descriptions, then each session's events and records, its laps and itself, and at
        the end the activity.
    """
    writer = FitWriter(endian=endian, header_size=header_size)
    _write_file_id(writer, parts[0].started_unix_s - UNIX_OF_FIT_EPOCH, device, serial_number)
    first_lap = 0
    timer_s = 0.0
    for position, part in enumerate(parts):
        _write_records(writer, part, compressed_timestamps)
        timer_s += _write_summaries(writer, part, position, first_lap)
        first_lap += len(part.laps_s) + 1
    end = int(parts[-1].fit_s[-1])
    writer.define(
        4,
        ACTIVITY,
        [
            Field(TIMESTAMP, "uint32"),
            Field(0, "uint32", scale=1000),
            Field(1, "uint16"),
            Field(2, "enum"),
            Field(3, "enum"),
            Field(4, "enum"),
        ],
    )
    # Type 1 is "several sports"; event 26 is "activity", its type 1 "stop".
    writer.data(4, [end, timer_s, len(parts), int(len(parts) > 1), 26, 1])
    return writer.bytes()


def _write_file_id(writer: FitWriter, created_fit_s: int, device: str | None, serial_number: int | None) -> None:
    fields = [Field(0, "enum"), Field(1, "uint16"), Field(2, "uint16"), Field(4, "uint32")]
    values: list[Any] = [ACTIVITY_FILE, DEVELOPMENT, 0, created_fit_s]
    if serial_number is not None:
        fields.append(Field(3, "uint32z"))
        values.append(serial_number)
    if device:
        fields.append(Field(8, "string", count=len(device.encode()) + 1))
        values.append(device)
    writer.define(0, FILE_ID, fields)
    writer.data(0, values)


def _record_columns(part: Part) -> list[tuple[Field, Column]]:
    """The fields that the session has, with their values."""
    enhanced = part.has_enhanced_fields
    stored = [
        (Field(0, "sint32", scale=SEMICIRCLES_PER_DEGREE), part.latitude_deg),
        (Field(1, "sint32", scale=SEMICIRCLES_PER_DEGREE), part.longitude_deg),
        (Field(5, "uint32", scale=100), part.distance_m),
        (Field(73, "uint32", scale=1000) if enhanced else Field(6, "uint16", scale=1000), part.speed_m_s),
        (
            Field(78, "uint32", scale=5, offset=500) if enhanced else Field(2, "uint16", scale=5, offset=500),
            part.altitude_m,
        ),
        (Field(3, "uint8"), part.heart_rate_bpm),
        (Field(39, "uint16", scale=10), part.vertical_oscillation_mm),
        (Field(41, "uint16", scale=10), part.contact_time_ms),
        (Field(84, "uint16", scale=100), part.contact_balance_pct),
        (Field(85, "uint16", scale=10), part.step_length_mm),
    ]
    columns = [(one, values) for one, values in stored if values is not None]
    if part.cadence_strides_min is not None:
        steps = part.cadence_steps
        cadence = np.rint(part.cadence_strides_min * steps) / steps
        columns.append((Field(4, "uint8"), np.floor(cadence)))
        if steps > 1:
            columns.append((Field(53, "uint8", scale=128), cadence - np.floor(cadence)))
    return columns


def _write_records(writer: FitWriter, part: Part, compressed: bool) -> None:
    """Write the records in blocks between the timer's stops and starts."""
    columns = _record_columns(part)
    developer = []
    for number, own in enumerate(part.developer):
        writer.describe(own.index, number, own.name, own.unit, own.base_type, native_field=own.native_field)
        developer.append(DeveloperField(number, own.base_type, index=own.index))
    values = [column for _, column in columns] + [own.values for own in part.developer]
    fields = [one for one, _ in columns]
    writer.define(1, EVENT, [Field(TIMESTAMP, "uint32"), Field(0, "enum"), Field(1, "enum")])
    writer.define(2, RECORD, [Field(TIMESTAMP, "uint32"), *fields], developer)
    if compressed:
        writer.define(3, RECORD, fields, developer)
    start = part.started_unix_s - UNIX_OF_FIT_EPOCH
    writer.data(1, [start, TIMER, TIMER_STARTS])
    times = part.fit_s
    done = 0
    for stop_s, again_s in part.pauses:
        until = int(np.searchsorted(part.elapsed_s, stop_s, side="right"))
        _write_block(writer, times[done:until], [v[done:until] for v in values], compressed)
        writer.data(1, [start + round(stop_s), TIMER, TIMER_STOPS_ALL])
        writer.data(1, [start + round(again_s), TIMER, TIMER_STARTS])
        done = until
    _write_block(writer, times[done:], [v[done:] for v in values], compressed)
    writer.data(1, [int(times[-1]), TIMER, TIMER_STOPS_ALL])


def _write_block(
    writer: FitWriter, fit_s: npt.NDArray[np.int64], values: Sequence[Column], is_compressed: bool
) -> None:
    """Write consecutive records; with compressed times, a full time wherever five bits would not reach."""
    if not is_compressed:
        if len(fit_s):
            writer.table(2, [fit_s.astype(np.float64), *values])
        return
    full = np.flatnonzero(np.concatenate([[True], np.diff(fit_s) > 0x1F]))[: len(fit_s)]
    for first, behind in zip(full, [*full[1:], len(fit_s)], strict=True):
        writer.table(2, [fit_s[first : first + 1].astype(np.float64), *(v[first : first + 1] for v in values)])
        if behind > first + 1:
            rest = slice(first + 1, behind)
            writer.table(3, [v[rest] for v in values], compressed_fit_s=fit_s[rest])


def _write_summaries(writer: FitWriter, part: Part, position: int, first_lap: int) -> float:
    """Write laps and session; returns the time that the timer ran [s]."""
    start, end = part.started_unix_s - UNIX_OF_FIT_EPOCH, int(part.fit_s[-1])
    distance = part.distance_m if part.distance_m is not None else np.full(len(part.elapsed_s), np.nan)
    edges = [0.0, *part.laps_s, float(part.elapsed_s[-1])]
    common = [
        Field(254, "uint16"),
        Field(TIMESTAMP, "uint32"),
        Field(2, "uint32"),
        Field(7, "uint32", scale=1000),
        Field(8, "uint32", scale=1000),
        Field(9, "uint32", scale=100),
    ]
    timed_s = [end_s - begin_s - _paused(part, begin_s, end_s) for begin_s, end_s in pairwise(edges)]
    covered = np.interp(edges, part.elapsed_s, distance)
    sport = SPORTS[part.sport]
    writer.define(4, LAP, [*common, Field(25, "enum")])
    for lap, (begin_s, end_s) in enumerate(pairwise(edges)):
        length_m = covered[lap + 1] - covered[lap]
        times = [start + round(end_s), start + round(begin_s), end_s - begin_s, timed_s[lap]]
        writer.data(4, [first_lap + lap, *times, None if np.isnan(length_m) else float(length_m), sport])
    writer.define(5, SESSION, [*common, *(Field(n, "enum") for n in (5, 6)), *(Field(n, "uint16") for n in (25, 26))])
    length_m = covered[-1]
    writer.data(
        5,
        [
            position,
            end,
            start,
            edges[-1],
            sum(timed_s),
            None if np.isnan(length_m) else float(length_m),
            sport,
            part.sub_sport,
            first_lap,
            len(edges) - 1,
        ],
    )
    return sum(timed_s)


def _paused(part: Part, begin_s: float, end_s: float) -> float:
    return sum(max(0.0, min(again, end_s) - max(stop, begin_s)) for stop, again in part.pauses)
