"""FIT record fields → readings: which field gives which reading, in which unit, and which has precedence.

Two kinds of field. Native ones have a number in the FIT profile and a fixed unit. Self-described ones are declared by
the file itself, with a name, a unit in words and, sometimes, the number of the native field they stand for.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import polars as pl

from pipeline.core.arrays import Array
from pipeline.formats import ReadOptions, readings_frame
from pipeline.formats.columns import COLUMNS

RECORD = 20  # number of the message `record` in the FIT profile

UNIX_OF_FIT_EPOCH = 631_065_600  # 1989-12-31T00:00:00Z

#: Base type → NumPy's, and the raw value that stands for "no reading".
TYPES = {
    0x00: ("u1", 0xFF),
    0x01: ("i1", 0x7F),
    0x02: ("u1", 0xFF),
    0x84: ("u2", 0xFFFF),
    0x85: ("i4", 2**31 - 1),
    0x86: ("u4", 2**32 - 1),
}
ENUM, SINT8, UINT8, UINT16, SINT32, UINT32 = TYPES


class Field(NamedTuple):
    """A field of the profile: its name, its base type, value = raw / scale - offset, and the reading that it gives."""

    name: str
    base: int
    scale: float = 1.0
    offset: float = 0.0
    reading: str = ""


#: Every field of the message `record` that a reading can come from, by its number. Of two for one reading the later one
#: has precedence.
FIELDS: Mapping[int, Field] = {
    0: Field("position_lat", SINT32),
    1: Field("position_long", SINT32),
    2: Field("altitude", UINT16, 5, 500, "altitude_m"),
    3: Field("heart_rate", UINT8, reading="heart_rate_bpm"),
    4: Field("cadence", UINT8, reading="cadence_spm"),
    5: Field("distance", UINT32, 100, reading="distance_m"),
    6: Field("speed", UINT16, 1000, reading="speed_m_s"),
    7: Field("power", UINT16, reading="power_w"),
    13: Field("temperature", SINT8, reading="temperature_c"),
    39: Field("vertical_oscillation", UINT16, 10, reading="vertical_oscillation_mm"),
    41: Field("stance_time", UINT16, 10, reading="contact_time_ms"),
    42: Field("activity_type", ENUM),
    53: Field("fractional_cadence", UINT8, 128),
    73: Field("enhanced_speed", UINT32, 1000, reading="speed_m_s"),
    78: Field("enhanced_altitude", UINT32, 5, 500, "altitude_m"),
    84: Field("stance_time_balance", UINT16, 100, reading="contact_balance_pct"),
    85: Field("step_length", UINT16, 10, reading="recorded_step_length_m"),
    253: Field("timestamp", UINT32, 1, -UNIX_OF_FIT_EPOCH),
}

#: Words of the trade in a self-described field's name, in order of trial → reading.
WORDS: Sequence[tuple[tuple[str, ...], str]] = (
    (("contact", "time"), "contact_time_ms"),
    (("ground", "time"), "contact_time_ms"),
    (("stance", "time"), "contact_time_ms"),
    (("contact", "balance"), "contact_balance_pct"),
    (("stance", "balance"), "contact_balance_pct"),
    (("vertical", "oscillation"), "vertical_oscillation_mm"),
    (("cadence",), "cadence_spm"),
    (("step", "rate"), "cadence_spm"),
    (("heart", "rate"), "heart_rate_bpm"),
    (("step", "length"), "recorded_step_length_m"),
    (("distance",), "distance_m"),
    (("speed",), "speed_m_s"),
)

#: Reading → unit as files spell it (lower case, no spaces) → factor to the unit of the reading. In running files
#: revolutions are those of one leg, hence strides.
UNITS: Mapping[str, Mapping[str, float]] = {
    "contact_time_ms": {"ms": 1, "millisecond": 1, "milliseconds": 1, "s": 1000, "second": 1000, "seconds": 1000},
    "cadence_spm": {
        "rpm": 2, "strides/min": 2, "stride/min": 2, "strides/minute": 2, "spm": 1, "steps/min": 1, "step/min": 1,
        "steps/minute": 1,
    },
    "vertical_oscillation_mm": {
        "mm": 1, "millimeters": 1, "millimetres": 1, "cm": 10, "centimeters": 10, "centimetres": 10, "m": 1000,
        "meters": 1000, "metres": 1000,
    },
    "contact_balance_pct": {"%": 1, "percent": 1, "pct": 1},
    "heart_rate_bpm": {"bpm": 1, "beats/min": 1},
    "power_w": {"w": 1, "watt": 1, "watts": 1},
    "recorded_step_length_m": {
        "mm": 0.001, "millimeters": 0.001, "millimetres": 0.001, "cm": 0.01, "centimeters": 0.01, "centimetres": 0.01,
        "m": 1, "meters": 1, "metres": 1,
    },
    "temperature_c": {"c": 1, "°c": 1, "degc": 1, "celsius": 1},
    "distance_m": {"m": 1, "meters": 1, "metres": 1, "km": 1000, "kilometers": 1000, "kilometres": 1000},
    "speed_m_s": {"m/s": 1, "km/h": 1 / 3.6, "kph": 1 / 3.6, "mm/s": 0.001},
    "altitude_m": {"m": 1, "meters": 1, "metres": 1},
}  # fmt: skip

#: Spellings that the settings may use for a self-described field: those of CSV headers.
SETTING_UNITS = (
    "contact_time_ms", "contact_time_s", "cadence_spm", "cadence_strides_min", "vertical_oscillation_mm",
    "vertical_oscillation_cm", "contact_balance_pct", "heart_rate_bpm", "power_w", "step_length_m", "step_length_cm",
    "step_length_mm", "temperature_c", "distance_m", "speed_m_s", "altitude_m",
)  # fmt: skip


def _by_setting(spelling: str) -> tuple[str, float] | None:
    """The reading that a setting names, and the factor to its unit."""
    if spelling not in SETTING_UNITS:
        return None
    column = COLUMNS[spelling]
    return column.reading.replace("step_length_m", "recorded_step_length_m"), column.scale


@dataclass(frozen=True)
class Described:
    """A field that the file describes itself (FIT messages 206 and 207)."""

    index: int
    number: int
    name: str
    unit: str
    native_message: int | None
    native_field: int | None

    @staticmethod
    def key(index: int, number: int) -> str:
        """Name of its column where names alone would not be distinct."""
        return f"described {index}.{number}"

    def reading(self, described_fields: Mapping[str, str], own: Mapping[str, str]) -> tuple[str, float] | None:
        """Which reading it is and the factor to that reading's unit; None if that is unknown."""
        if self.name.strip().casefold() in own:
            return own[self.name.strip().casefold()], 1.0
        if self.name in described_fields:
            return _by_setting(described_fields[self.name])
        if self.native_field is not None and self.native_message in (None, RECORD):
            reading = FIELDS[self.native_field].reading or None if self.native_field in FIELDS else None
        else:
            lowered = self.name.lower()
            reading = next((name for words, name in WORDS if all(word in lowered for word in words)), None)
        if reading is None:
            return None
        factor = UNITS[reading].get(self.unit.lower().replace(" ", ""))
        return None if factor is None else (reading, factor)


def read_columns(
    columns: Mapping[str, Array], described: Sequence[Described], packed: Sequence[bytes | None], options: ReadOptions
) -> tuple[pl.DataFrame, dict[str, str]]:
    """Turn the columns of record messages into readings.

    Args:
        columns: native fields by profile name in profile units, self-described ones by name or `Described.key`; times
            in seconds since 1970, positions in degrees, missing values NaN.
        described: the file's own field descriptions.
        packed: the three-byte speed-and-distance field of old devices, one per record, or empty.

    Returns:
        The frame of readings, and for each reading that a self-described field could give, which was taken.
    """
    native = _native(columns, packed)
    own: dict[str, tuple[Array, str]] = {}
    for field in described:
        known = field.reading(options.described_fields, options.own)
        values = columns.get(Described.key(field.index, field.number), columns.get(field.name))
        if known is not None and values is not None and _has_values(values) and known[0] not in own:
            own[known[0]] = (values * known[1], field.name)

    chosen, sensors = dict(native), dict[str, str]()
    for reading, (values, name) in own.items():
        contended = reading in native and _has_values(native[reading])
        if contended and options.sensor_preference[0] == "native":
            sensors[reading] = f"native field, over self-described '{name}'"
            continue
        chosen[reading] = values
        sensors[reading] = f"self-described '{name}'" + (", over the native field" if contended else "")
    return readings_frame(chosen, tuple(options.own.values())), sensors


def _has_values(values: Array) -> bool:
    return bool(np.any(np.isfinite(values) & (values != 0)))


def _native(columns: Mapping[str, Array], packed: Sequence[bytes | None]) -> dict[str, Array]:
    height = len(columns["timestamp"])
    missing = np.full(height, np.nan)

    def first(*names: str) -> Array:
        """The first of several fields of one meaning that has a value, record by record."""
        value = missing
        for name in reversed(names):
            if name in columns and value is missing:
                value = columns[name]
            elif name in columns:
                value = np.where(np.isfinite(columns[name]), columns[name], value)
        return value

    names_of: dict[str, list[str]] = {}
    for field in FIELDS.values():
        names_of.setdefault(field.reading, []).insert(0, field.name)
    readings = {reading: first(*names) for reading, names in names_of.items() if reading} | {
        "time_s": columns["timestamp"],
        "latitude_deg": first("position_lat"),
        "longitude_deg": first("position_long"),
    }
    fraction = first("fractional_cadence")
    # Revolutions of one leg, hence strides: two steps each.
    readings["cadence_spm"] = 2 * (readings["cadence_spm"] + np.where(np.isfinite(fraction), fraction, 0))
    if packed:
        speed, distance = _unpack(packed)
        readings["speed_m_s"] = np.where(np.isfinite(readings["speed_m_s"]), readings["speed_m_s"], speed)
        readings["distance_m"] = np.where(np.isfinite(readings["distance_m"]), readings["distance_m"], distance)
    if "step_length" in columns:
        readings["recorded_step_length_m"] = columns["step_length"] / 1000
    return {name: values for name, values in readings.items() if values is not missing}


def _unpack(packed: Sequence[bytes | None]) -> tuple[Array, Array]:
    """Twelve bits of speed (1/100 m/s), then twelve of distance (1/16 m) that roll over every 256 m.

    Source: FIT profile, message `record`, field `compressed_speed_distance` (bits 12 and 12, scale 100 and 16,
    accumulated).
    """
    speed = np.full(len(packed), np.nan)
    distance = np.full(len(packed), np.nan)
    covered, previous = 0, None
    for row, value in enumerate(packed):
        if not isinstance(value, bytes | tuple | list) or len(value) != 3 or bytes(value) == b"\xff\xff\xff":
            continue  # missing, or not what the profile says it is
        low, middle, high = bytes(value)
        speed[row] = (low | (middle & 0x0F) << 8) / 100
        ticks = middle >> 4 | high << 4
        covered += 0 if previous is None else (ticks - previous) % 4096
        previous = ticks
        distance[row] = covered / 16
    return speed, distance
