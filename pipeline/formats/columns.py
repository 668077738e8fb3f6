"""What the columns of a CSV file may be called. A header in, one of the names of `COLUMNS` out.

Every name carries its unit. A header that names the quantity but not the unit stays open between the columns that
`CHOICES_OF` lists, and is never resolved by looking at the values. What is said of them is in `columns.toml`.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from types import MappingProxyType
from typing import Literal, NamedTuple

from pipeline.core.toml import beside


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

_SAID = beside(__file__)
#: What each reading of `COLUMNS` is, for the documentation.
MEANINGS: Mapping[str, str] = _SAID["meanings"]
_CHOICES: Mapping[str, Mapping[str, str]] = _SAID["choices"]
#: The columns that a distance could be in a file that may have one row per lap, and what would make it so.
DISTANCE_OF_LAPS: Mapping[str, str] = _SAID["distance_of_laps"]
#: A quantity whose unit a header leaves open: the columns it could be, and what would make it so.
CHOICES_OF: Mapping[str, Mapping[str, str]] = {
    **_CHOICES,
    "tempo": {**_CHOICES["time"], **_CHOICES["pace"], **_CHOICES["speed"]},
    "length": {name: reason for name, reason in DISTANCE_OF_LAPS.items() if name.startswith("length_")},
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
