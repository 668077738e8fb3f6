"""Input formats. One module a format, each `bytes -> list[Recording]`: nothing judged, nothing repaired.

A file usually holds one recording; a multisport, chained or zipped file holds several. What a format cannot read at all
it refuses (`pipeline.core.errors.Refused`); what it could read only in part it marks as `damage`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import polars as pl

from pipeline.core.errors import Refused

#: The readings a recording can carry, in the one unit each has from here on. A column that the file did not have is
#: present and null, so that every later stage meets the same frame.
READINGS: Mapping[str, pl.DataType] = {
    "time_s": pl.Float64(),  # since 1970-01-01T00:00:00Z where `has_clock`, else since the first row
    "distance_m": pl.Float64(),  # cumulative, as recorded; may start anywhere and may step back
    "speed_m_s": pl.Float64(),
    "altitude_m": pl.Float64(),
    "latitude_deg": pl.Float64(),
    "longitude_deg": pl.Float64(),
    "cadence_spm": pl.Float64(),  # steps of both feet a minute
    "contact_time_ms": pl.Float64(),  # of one foot, one step
    "vertical_oscillation_mm": pl.Float64(),
    "contact_balance_pct": pl.Float64(),  # share of the left foot in the contact time of a stride
    "heart_rate_bpm": pl.Float64(),
}

#: What one row of a recording stands for. A step and a kilometre row hold the mean of the interval that ends at their
#: time; a sample row holds the reading at its time.
GRAINS = ("sample", "step", "kilometre")

RUNNING = "running"

#: No reading of a run is as large, in any unit here: as a time it is 31,000 years. Sums of such numbers overflow.
BEYOND_MEASURE = 1e12

#: A session takes ten bytes of a file and two milliseconds to look into: a small file could declare more than a night
#: has time for. A device keeps some hundreds; common practice, no source.
MOST_SESSIONS = 1000


@dataclass(frozen=True, kw_only=True)
class Recording:
    """One session as its device wrote it.

    Attributes:
        format: name of the module that read it (`fit`, `csv`, `tcx`, `gpx`).
        readings: frame with the columns of `READINGS`, one row a sample, step or kilometre, in file order.
        sport: `running` or another lower-case word; None where the file does not say.
        has_clock: whether `time_s` is an absolute time.
        grain: one of `GRAINS`.
        pauses: pairs of (stopped_s, resumed_s) on the clock of `time_s`, from the device's own timer events.
        device: manufacturer and model as the file names them, never a serial number; None if unknown.
        sensors: for each quantity that more than one sensor gave, or that a self-described field gave: who won.
        damage: what was wrong with the file and up to where it could be read; None for a sound file.
        unused: names of columns that were not recognised, of a file whose columns have names.
    """

    format: str
    readings: pl.DataFrame
    sport: str | None = None
    has_clock: bool = True
    grain: str = "sample"
    pauses: tuple[tuple[float, float], ...] = ()
    device: str | None = None
    sensors: Mapping[str, str] = field(default_factory=dict)
    damage: str | None = None
    unused: tuple[str, ...] = ()


def require_few_sessions(n_sessions: int) -> None:
    """Refuse a file with more than `MOST_SESSIONS`, before any is looked into.

    Raises:
        Refused: it holds more.
    """
    if n_sessions > MOST_SESSIONS:
        raise Refused(
            f"The file holds more than {MOST_SESSIONS:,} activities, the most that is read of one file.",
            "Export the activities again, one file for each.",
        )


def readings_frame(columns: Mapping[str, pl.Series]) -> pl.DataFrame:
    """Complete a partial set of columns to the full frame of `READINGS`, absent ones null.

    What is no number of any run (NaN, infinite, from `BEYOND_MEASURE` on) is made null.

    Args:
        columns: at least `time_s`; all of one length; keys from `READINGS`.

    Raises:
        KeyError: a key that is not a reading.
    """
    unknown = set(columns) - set(READINGS)
    if unknown:
        raise KeyError(f"not a reading: {sorted(unknown)}")
    # Column by column, since a query costs more than the columns of a run do.
    absent = pl.Series([None], dtype=pl.Float64).new_from_index(0, len(next(iter(columns.values()))))
    return pl.DataFrame(
        [
            _within_measure(name, columns[name].cast(dtype)) if name in columns else absent.alias(name)
            for name, dtype in READINGS.items()
        ]
    )


def _within_measure(name: str, reading: pl.Series) -> pl.Series:
    values = reading.to_numpy()
    is_number = np.abs(values) < BEYOND_MEASURE
    return pl.Series(name, np.where(is_number, values, np.nan), nan_to_null=True)
