"""FIT record fields → readings: which field gives which reading, in which unit, and which has precedence.

Two kinds of field. Native ones have a number in the FIT profile and a fixed unit. Self-described ones are declared by
the file itself, with a name, a unit in words and, sometimes, the number of the native field they stand for.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl

from pipeline.core.arrays import Array
from pipeline.formats import ReadOptions, readings_frame

RECORD = 20  # number of the message `record` in the FIT profile

UNIX_OF_FIT_EPOCH = 631_065_600  # 1989-12-31T00:00:00Z

#: Native field number → reading (FIT profile, message `record`).
NATIVE_FIELDS: Mapping[int, str] = {
    2: "altitude_m",
    3: "heart_rate_bpm",
    4: "cadence_spm",
    5: "distance_m",
    6: "speed_m_s",
    7: "power_w",
    13: "temperature_c",
    39: "vertical_oscillation_mm",
    41: "contact_time_ms",
    73: "speed_m_s",
    78: "altitude_m",
    84: "contact_balance_pct",
    85: "recorded_step_length_m",
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

#: Spellings that the settings may use for a self-described field → (reading, factor). The same as in CSV headers.
SETTING_UNITS: Mapping[str, tuple[str, float]] = {
    "contact_time_ms": ("contact_time_ms", 1),
    "contact_time_s": ("contact_time_ms", 1000),
    "cadence_spm": ("cadence_spm", 1),
    "cadence_strides_min": ("cadence_spm", 2),
    "vertical_oscillation_mm": ("vertical_oscillation_mm", 1),
    "vertical_oscillation_cm": ("vertical_oscillation_mm", 10),
    "contact_balance_pct": ("contact_balance_pct", 1),
    "heart_rate_bpm": ("heart_rate_bpm", 1),
    "power_w": ("power_w", 1),
    "step_length_m": ("recorded_step_length_m", 1),
    "step_length_cm": ("recorded_step_length_m", 0.01),
    "step_length_mm": ("recorded_step_length_m", 0.001),
    "temperature_c": ("temperature_c", 1),
    "distance_m": ("distance_m", 1),
    "speed_m_s": ("speed_m_s", 1),
    "altitude_m": ("altitude_m", 1),
}


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
            return SETTING_UNITS.get(described_fields[self.name])
        if self.native_field is not None and self.native_message in (None, RECORD):
            reading = NATIVE_FIELDS.get(self.native_field)
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

    fraction = first("fractional_cadence")
    readings = {
        "time_s": columns["timestamp"],
        "distance_m": first("distance"),
        "speed_m_s": first("enhanced_speed", "speed"),
        "altitude_m": first("enhanced_altitude", "altitude"),
        "latitude_deg": first("position_lat"),
        "longitude_deg": first("position_long"),
        # Revolutions of one leg, hence strides: two steps each.
        "cadence_spm": 2 * (first("cadence") + np.where(np.isfinite(fraction), fraction, 0)),
        "contact_time_ms": first("stance_time"),
        "vertical_oscillation_mm": first("vertical_oscillation"),
        "contact_balance_pct": first("stance_time_balance"),
        "heart_rate_bpm": first("heart_rate"),
        "power_w": first("power"),
        "temperature_c": first("temperature"),
    }
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
