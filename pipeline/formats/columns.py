"""What the columns of a CSV file may be called. A header in, one of the names of `COLUMNS` out.

Every name carries its unit. A header that names the quantity but not the unit stays open between the columns that
`CHOICES_OF` lists, and is never resolved by looking at the values.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from types import MappingProxyType
from typing import Literal, NamedTuple


class Column(NamedTuple):
    """How a column's cells become a reading: `offset + scale * number`, or `scale / number` for a pace.

    `written_as` says what a cell looks like: a number; minutes, as a number or as mm:ss; a clock face h:mm:ss; an
    instant, that is a date with a time of day; days as a spreadsheet counts them; or a word, of which nothing is
    computed here (dates and times of day are joined first).
    """

    reading: str
    scale: float = 1.0
    offset: float = 0.0
    written_as: Literal["number", "minutes", "clock", "instant", "days", "word"] = "number"
    is_pace: bool = False


_MILE_M = 1609.344
_FOOT_M = 0.3048
_SEMICIRCLE_DEG = 180 / 2**31

#: Every accepted column. Where a file has two columns for one reading, the one listed first is taken.
#: Readings that are not in `READINGS` serve to work out those that are.
COLUMNS: Mapping[str, Column] = {
    "time_utc": Column("time_s", written_as="instant"),
    "timestamp_utc": Column("time_s", written_as="instant"),
    "date_time": Column("time_s", written_as="instant"),
    "time_epoch_s": Column("time_s"),
    "time_epoch_ms": Column("time_s", 1e-3),
    "time_fit_s": Column("time_s", offset=631_065_600),  # since 1989-12-31T00:00:00Z, as FIT counts
    "time_excel_days": Column("time_s", written_as="days"),
    "date": Column("date", written_as="word"),
    "time_of_day": Column("time_of_day", written_as="word"),
    "elapsed_s": Column("elapsed_s"),
    "elapsed_ms": Column("elapsed_s", 1e-3),
    "elapsed_min": Column("elapsed_s", 60, written_as="minutes"),
    "elapsed_hms": Column("elapsed_s", written_as="clock"),
    "started_at_utc": Column("started_s", written_as="instant"),
    "km": Column("km"),
    "lap": Column("lap", written_as="word"),
    "duration_s": Column("duration_s"),
    "duration_ms": Column("duration_s", 1e-3),
    "duration_min": Column("duration_s", 60, written_as="minutes"),
    "duration_hms": Column("duration_s", written_as="clock"),
    "length_m": Column("length_m"),
    "length_km": Column("length_m", 1000),
    "length_mi": Column("length_m", _MILE_M),
    "step": Column("step", written_as="word"),
    "foot": Column("foot", written_as="word"),
    "distance_m": Column("distance_m"),
    "distance_km": Column("distance_m", 1000),
    "distance_mi": Column("distance_m", _MILE_M),
    "speed_m_s": Column("speed_m_s"),
    "speed_km_h": Column("speed_m_s", 1 / 3.6),
    "speed_mph": Column("speed_m_s", _MILE_M / 3600),
    "pace_s_per_km": Column("speed_m_s", 1000, is_pace=True),
    "pace_min_per_km": Column("speed_m_s", 1000 / 60, written_as="minutes", is_pace=True),
    "pace_min_per_mile": Column("speed_m_s", _MILE_M / 60, written_as="minutes", is_pace=True),
    "altitude_m": Column("altitude_m"),
    "elevation_m": Column("altitude_m"),
    "altitude_ft": Column("altitude_m", _FOOT_M),
    "elevation_ft": Column("altitude_m", _FOOT_M),
    "latitude_deg": Column("latitude_deg"),
    "latitude_semicircles": Column("latitude_deg", _SEMICIRCLE_DEG),
    "longitude_deg": Column("longitude_deg"),
    "longitude_semicircles": Column("longitude_deg", _SEMICIRCLE_DEG),
    "cadence_spm": Column("cadence_spm"),
    "cadence_steps_min": Column("cadence_spm"),
    "cadence_steps_s": Column("cadence_spm", 60),
    "cadence_strides_min": Column("cadence_spm", 2),
    "cadence_fraction_strides_min": Column("cadence_fraction_spm", 2),
    "contact_time_ms": Column("contact_time_ms"),
    "contact_time_s": Column("contact_time_ms", 1000),
    "contact_time_left_ms": Column("contact_time_left_ms"),
    "contact_time_left_s": Column("contact_time_left_ms", 1000),
    "contact_time_right_ms": Column("contact_time_right_ms"),
    "contact_time_right_s": Column("contact_time_right_ms", 1000),
    "flight_time_ms": Column("flight_time_ms"),
    "flight_time_s": Column("flight_time_ms", 1000),
    "step_length_m": Column("step_length_m"),
    "step_length_cm": Column("step_length_m", 0.01),
    "step_length_mm": Column("step_length_m", 0.001),
    "stride_length_m": Column("step_length_m", 0.5),
    "stride_length_cm": Column("step_length_m", 0.005),
    "vertical_oscillation_mm": Column("vertical_oscillation_mm"),
    "vertical_oscillation_cm": Column("vertical_oscillation_mm", 10),
    "vertical_oscillation_m": Column("vertical_oscillation_mm", 1000),
    "contact_balance_pct": Column("contact_balance_pct"),
    "contact_balance_right_pct": Column("contact_balance_pct", -1, 100),
    "heart_rate_bpm": Column("heart_rate_bpm"),
    "heart_rate": Column("heart_rate_bpm"),  # no other unit than beats per minute is in use
    "heartrate": Column("heart_rate_bpm"),
    "hr": Column("heart_rate_bpm"),
    "power_w": Column("power_w"),
    "power_watts": Column("power_w"),
    "temperature_c": Column("temperature_c"),
    "temperature_deg_c": Column("temperature_c"),
    "temperature_f": Column("temperature_c", 5 / 9, -160 / 9),
    "sport": Column("sport", written_as="word"),
    "recording": Column("recording", written_as="word"),
}

#: What each reading of `COLUMNS` is, for the documentation.
MEANINGS: Mapping[str, str] = {
    "time_s": "Time of the row: a date with a time of day, counted since 1970, or days as a spreadsheet counts them.",
    "date": "Date of the row, next to a column time_of_day.",
    "time_of_day": "Time of day of the row, next to a column date.",
    "elapsed_s": "Time since the start.",
    "started_s": "Start of the recording, where rows hold elapsed time only.",
    "km": "Number of the kilometre: 1, 2, 3.",
    "lap": "Number or name of the lap; with a duration and a length, its presence makes a row a lap.",
    "duration_s": "Time that the row took.",
    "length_m": "Length of the row's lap, or of its kilometre where that is not 1000 m.",
    "step": "Number of the step; its presence makes a row a step.",
    "foot": "Foot of the step, left or right; its presence makes a row a step.",
    "distance_m": "Distance covered since the start.",
    "speed_m_s": "Speed or pace.",
    "altitude_m": "Altitude.",
    "latitude_deg": "Latitude; used for distance only and not kept.",
    "longitude_deg": "Longitude; used for distance only and not kept.",
    "cadence_spm": "Cadence: steps count both feet, strides one.",
    "cadence_fraction_spm": "Fraction to be added to the cadence in strides.",
    "contact_time_ms": "Ground contact time of one foot in one step.",
    "contact_time_left_ms": "Contact time of the left foot, where each foot has a column.",
    "contact_time_right_ms": "Contact time of the right foot, where each foot has a column.",
    "flight_time_ms": "Flight time after the contact.",
    "step_length_m": "Length of a step, or of a stride of two; gives the distance of steps that have none.",
    "vertical_oscillation_mm": "Rise and fall of the trunk in a step.",
    "contact_balance_pct": "Share of one foot in the contact time of a stride.",
    "heart_rate_bpm": "Heart rate in beats per minute.",
    "power_w": "Power in watts, as the sensor estimates it.",
    "temperature_c": "Temperature at the device.",
    "sport": "Sport of the recording; only running is analysed.",
    "recording": "Name or number of the recording, where a file holds several.",
}

_TIME = {
    "time_utc": "it holds dates and times",
    "time_epoch_s": "it counts seconds since 1970",
    "time_epoch_ms": "it counts milliseconds since 1970",
    "time_excel_days": "it counts days as a spreadsheet does",
    "time_of_day": "it is the time of day, next to a date",
    "elapsed_s": "it counts seconds since the start",
    "elapsed_ms": "it counts milliseconds since the start",
    "elapsed_hms": "it is h:mm:ss since the start",
    "duration_s": "it is the seconds that the row took",
    "duration_hms": "it is the h:mm:ss that the row took",
}
_ELAPSED = {
    "elapsed_s": "it counts seconds since the start",
    "elapsed_ms": "it counts milliseconds since the start",
    "elapsed_min": "it counts minutes since the start",
    "elapsed_hms": "it is h:mm:ss since the start",
}
_DURATION = {
    "duration_s": "it is the seconds that the row took",
    "duration_hms": "it is the h:mm:ss that the row took",
    "duration_min": "it is the minutes that the row took",
    "elapsed_s": "it counts seconds since the start",
    "elapsed_hms": "it is h:mm:ss since the start",
}
_CADENCE = {
    "cadence_spm": "it counts the steps of both feet per minute",
    "cadence_strides_min": "it counts strides (one foot) per minute",
    "cadence_steps_s": "it counts steps per second",
}
_DISTANCE = {"distance_m": "it is in metres", "distance_km": "it is in kilometres", "distance_mi": "it is in miles"}
#: The same in a file that may have one row per lap.
DISTANCE_OF_LAPS = {
    "length_m": "it is the length of the row in metres",
    "length_km": "it is the length of the row in kilometres",
    "length_mi": "it is the length of the row in miles",
    "distance_m": "it is in metres since the start",
    "distance_km": "it is in kilometres since the start",
    "distance_mi": "it is in miles since the start",
}
_LENGTH = {name: DISTANCE_OF_LAPS[name] for name in ("length_m", "length_km", "length_mi")}
_KILOMETRE = {"km": "it numbers the kilometres 1, 2, 3", "distance_km": "it is the distance in kilometres"}
_SPEED = {
    "speed_m_s": "it is in metres per second",
    "speed_km_h": "it is in kilometres per hour",
    "speed_mph": "it is in miles per hour",
}
_PACE = {
    "pace_min_per_km": "it is in minutes per kilometre",
    "pace_s_per_km": "it is in seconds per kilometre",
    "pace_min_per_mile": "it is in minutes per mile",
}
_ALTITUDE = {"altitude_m": "it is in metres", "altitude_ft": "it is in feet"}
_CONTACT_BALANCE = {
    "contact_balance_pct": "it is the percentage of the left foot",
    "contact_balance_right_pct": "it is the percentage of the right foot",
}


def _ms_or_s(name: str) -> Mapping[str, str]:
    return {f"{name}_ms": "it is in milliseconds", f"{name}_s": "it is in seconds"}


#: A quantity whose unit a header leaves open: the columns it could be, and what would make it so.
CHOICES_OF: Mapping[str, Mapping[str, str]] = {
    "time": _TIME,
    "tempo": {**_TIME, **_PACE, **_SPEED},
    "elapsed": _ELAPSED,
    "duration": _DURATION,
    "kilometre": _KILOMETRE,
    "cadence": _CADENCE,
    "distance": _DISTANCE,
    "length": _LENGTH,
    "speed": _SPEED,
    "pace": _PACE,
    "altitude": _ALTITUDE,
    "contact_time": _ms_or_s("contact_time"),
    "contact_time_left": _ms_or_s("contact_time_left"),
    "contact_time_right": _ms_or_s("contact_time_right"),
    "flight_time": _ms_or_s("flight_time"),
    "step_length": {
        "step_length_m": "it is in metres",
        "step_length_cm": "it is in centimetres",
        "step_length_mm": "it is in millimetres",
    },
    "stride_length": {
        "stride_length_m": "it is in metres, of two steps",
        "stride_length_cm": "it is in centimetres, of two steps",
        "step_length_m": "it is in metres, of one step",
        "step_length_cm": "it is in centimetres, of one step",
    },
    "vertical_oscillation": {
        "vertical_oscillation_mm": "it is in millimetres",
        "vertical_oscillation_cm": "it is in centimetres",
        "vertical_oscillation_m": "it is in metres",
    },
    "contact_balance": _CONTACT_BALANCE,
    "latitude": {"latitude_deg": "it is in degrees", "latitude_semicircles": "it is in semicircles"},
    "longitude": {"longitude_deg": "it is in degrees", "longitude_semicircles": "it is in semicircles"},
}


def column_of(name: str) -> Column:
    """How the cells of a column of that name are read; a metric of one's own is a number in its own unit."""
    return COLUMNS.get(name) or Column(name)


def plain(header: str) -> str:
    """A header spelled as ours are, without `per`: `Contact time (ms)` is `contact_time_ms`."""
    spelled_out = header.lower().replace("%", " pct ").replace("°", " deg ")
    return re.sub(r"[\W_]+", "_", spelled_out).strip("_").replace("_per_", "_")


#: The same names as in `COLUMNS`, found by their `plain` spelling.
BY_PLAIN_SPELLING: Mapping[str, str] = MappingProxyType({plain(name): name for name in COLUMNS})
