"""What the columns of a CSV file may be called. A header in, one of the names of `COLUMNS` out.

Every name carries its unit. A header that names the quantity but not the unit is listed in `AMBIGUOUS` and is never
resolved by looking at the values.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from types import MappingProxyType
from typing import Literal, NamedTuple


class Column(NamedTuple):
    """How a column's cells become a reading: `offset + scale * number`, or `scale / number` for a pace.

    `written_as` says what a cell looks like: a number; minutes, as a number or as mm:ss; a clock face h:mm:ss; an
    ISO-8601 instant; or a word, of which nothing is computed.
    """

    reading: str
    scale: float = 1.0
    offset: float = 0.0
    written_as: Literal["number", "minutes", "clock", "instant", "word"] = "number"
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
    "elapsed_s": Column("elapsed_s"),
    "elapsed_ms": Column("elapsed_s", 1e-3),
    "elapsed_min": Column("elapsed_s", 60, written_as="minutes"),
    "elapsed_hms": Column("elapsed_s", written_as="clock"),
    "started_at_utc": Column("started_s", written_as="instant"),
    "km": Column("km"),
    "duration_s": Column("duration_s"),
    "duration_hms": Column("duration_s", written_as="clock"),
    "length_m": Column("length_m"),
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
    "step_length_m": Column("step_length_m"),
    "step_length_cm": Column("step_length_m", 1e-2),
    "step_length_mm": Column("step_length_m", 1e-3),
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
    "flight_time_ms": Column("flight_time_ms"),
    "flight_time_s": Column("flight_time_ms", 1000),
    "vertical_oscillation_mm": Column("vertical_oscillation_mm"),
    "vertical_oscillation_cm": Column("vertical_oscillation_mm", 10),
    "vertical_oscillation_m": Column("vertical_oscillation_mm", 1000),
    "contact_balance_pct": Column("contact_balance_pct"),
    "contact_balance_right_pct": Column("contact_balance_pct", -1, 100),
    "heart_rate_bpm": Column("heart_rate_bpm"),
    "heart_rate": Column("heart_rate_bpm"),  # no other unit than beats per minute is in use
    "heartrate": Column("heart_rate_bpm"),
    "hr": Column("heart_rate_bpm"),
    "sport": Column("sport", written_as="word"),
}

#: What each reading of `COLUMNS` is, for the documentation.
MEANINGS: Mapping[str, str] = {
    "time_s": "Time of the row: ISO 8601 with a zone, or counted since 1970.",
    "elapsed_s": "Time since the start.",
    "started_s": "Start of the recording, where rows hold elapsed time only.",
    "km": "Number of the kilometre: 1, 2, 3.",
    "duration_s": "Time that the row took.",
    "length_m": "Length of the row's kilometre, where it is not 1000 m.",
    "step": "Number of the step; its presence makes a row a step.",
    "foot": "Foot of the step; its presence makes a row a step.",
    "distance_m": "Distance covered since the start.",
    "speed_m_s": "Speed or pace.",
    "step_length_m": "Length of a step; used for the distance where there is no other.",
    "altitude_m": "Altitude.",
    "latitude_deg": "Latitude; used for distance only and not kept.",
    "longitude_deg": "Longitude; used for distance only and not kept.",
    "cadence_spm": "Cadence: steps count both feet, strides one.",
    "cadence_fraction_spm": "Fraction to be added to the cadence in strides.",
    "contact_time_ms": "Ground contact time of one foot in one step.",
    "flight_time_ms": "Flight time after the contact.",
    "vertical_oscillation_mm": "Rise and fall of the trunk in a step.",
    "contact_balance_pct": "Share of one foot in the contact time of a stride.",
    "heart_rate_bpm": "Heart rate in beats per minute.",
    "sport": "Sport of the recording; only running is analysed.",
}

_TIME = {
    "time_utc": "it holds dates and times",
    "time_epoch_s": "it counts seconds since 1970",
    "time_epoch_ms": "it counts milliseconds since 1970",
    "elapsed_s": "it counts seconds since the start",
    "elapsed_hms": "it is h:mm:ss since the start",
    "duration_s": "it is the seconds that the row took",
}
_ELAPSED = {
    "elapsed_s": "it counts seconds since the start",
    "elapsed_min": "it counts minutes since the start",
    "elapsed_hms": "it is h:mm:ss since the start",
}
_DURATION = {
    "duration_s": "it is the seconds that the row took",
    "duration_hms": "it is the h:mm:ss that the row took",
    "elapsed_s": "it counts seconds since the start",
}
_CADENCE = {
    "cadence_spm": "it counts the steps of both feet per minute",
    "cadence_strides_min": "it counts strides (one foot) per minute",
    "cadence_steps_s": "it counts steps per second",
}
_DISTANCE = {"distance_m": "it is in metres", "distance_km": "it is in kilometres", "distance_mi": "it is in miles"}
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
_CONTACT_TIME = {"contact_time_ms": "it is in milliseconds", "contact_time_s": "it is in seconds"}
_CONTACT_BALANCE = {
    "contact_balance_pct": "it is the percentage of the left foot",
    "contact_balance_right_pct": "it is the percentage of the right foot",
}

#: Headers that name a quantity and leave its unit open: the columns each could be, and what would make it so.
AMBIGUOUS: Mapping[str, Mapping[str, str]] = {
    **dict.fromkeys(("time", "timestamp", "time_s"), _TIME),
    **dict.fromkeys(("elapsed", "elapsed_time"), _ELAPSED),
    "duration": _DURATION,
    **dict.fromkeys(("cadence", "cad", "cadence_rpm", "run_cadence", "running_cadence"), _CADENCE),
    **dict.fromkeys(("distance", "dist", "total_distance"), _DISTANCE),
    "speed": _SPEED,
    "pace": _PACE,
    **dict.fromkeys(("altitude", "alt", "elevation", "ele"), _ALTITUDE),
    **dict.fromkeys(("contact_time", "ground_contact_time", "stance_time"), _CONTACT_TIME),
    "flight_time": {"flight_time_ms": "it is in milliseconds", "flight_time_s": "it is in seconds"},
    "vertical_oscillation": {
        "vertical_oscillation_mm": "it is in millimetres",
        "vertical_oscillation_cm": "it is in centimetres",
        "vertical_oscillation_m": "it is in metres",
    },
    **dict.fromkeys(("contact_balance", "contact_time_balance", "stance_time_balance"), _CONTACT_BALANCE),
    "latitude": {"latitude_deg": "it is in degrees", "latitude_semicircles": "it is in semicircles"},
    "longitude": {"longitude_deg": "it is in degrees", "longitude_semicircles": "it is in semicircles"},
}


def plain(header: str) -> str:
    """A header spelled as ours are, without `per`: `Contact time (ms)` is `contact_time_ms`."""
    spelled_out = header.lower().replace("%", " pct ").replace("°", " deg ")
    return re.sub(r"[\W_]+", "_", spelled_out).strip("_").replace("_per_", "_")


#: The same names as in `COLUMNS`, found by their `plain` spelling.
BY_PLAIN_SPELLING: Mapping[str, str] = MappingProxyType({plain(name): name for name in COLUMNS})
