"""Input formats. One module per format, each with `decode(content, options) -> list[Recording]`: nothing is judged or
repaired. `readers` holds the registry.

A file usually holds one recording; a multisport, chained or zipped file holds several. What a format cannot read at all
it refuses (`pipeline.core.errors.Refused`); what it could read only in part it marks as `damage`.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
import polars as pl

from pipeline.core.errors import Refused
from pipeline.core.reasons import Because, Reason

if TYPE_CHECKING:
    from pipeline.formats.column_mapping import ColumnMapping

#: The readings a recording can carry, in the one unit each has from here on. A column that the file did not have is
#: present and null, so that every later stage meets the same frame.
READINGS = (
    "time_s",  # since 1970-01-01T00:00:00Z where `has_clock`, else since the first row
    "distance_m",  # cumulative, as recorded; may start anywhere and may step back
    "speed_m_s",
    "altitude_m",
    "latitude_deg",
    "longitude_deg",
    "cadence_spm",  # steps of both feet per minute
    "contact_time_ms",  # of one foot, one step
    "vertical_oscillation_mm",
    "contact_balance_pct",  # share of the left foot in the contact time of a stride
    "heart_rate_bpm",
    "power_w",
    "recorded_step_length_m",  # as the sensor gives it; the tables also have the one from speed and cadence
    "temperature_c",  # at the device, on a wrist well above that of the air
)

#: What one row of a recording stands for. The row of a step, a lap or a kilometre holds the mean of the interval that
#: ends at its time; a sample row holds the reading at its time.
GRAINS = ("sample", "step", "lap", "kilometre")

RUNNING = "running"

#: No reading of a run is as large, in any unit here: as a time it is 31,000 years. Sums of such numbers overflow.
BEYOND_MEASURE = 1e12

#: A session takes ten bytes of a file and two milliseconds to look into: a small file could declare more than a refresh
#: has time for. A device keeps some hundreds; common practice, no source.
MOST_SESSIONS = 1000


@dataclass(frozen=True, kw_only=True)
class ReadOptions:
    """What the user says about how files are to be read. Every reader gets all of it and takes what concerns it.

    Attributes:
        mapping: what `columns.toml` says about the file, for formats whose columns have names.
        sensor_preference: `native` and `self-described`, the preferred one first, where a file holds a quantity twice.
        described_fields: name of a self-described field → name of a reading with its unit (`contact_time_ms`, or
            another unit of it, as in the headers of CSV files), for fields whose own name and unit are not enough.
        own: header of a CSV file or name of a self-described field, in small letters → the metric of one's own that it
            holds, in its unit.
    """

    mapping: ColumnMapping | None = None
    sensor_preference: Sequence[str] = ("native", "self-described")
    described_fields: Mapping[str, str] = field(default_factory=dict)
    own: Mapping[str, str] = field(default_factory=dict)


DEFAULTS = ReadOptions()


@dataclass(frozen=True, kw_only=True)
class Recording:
    """One session as its device wrote it.

    Attributes:
        readings: frame with the columns of `READINGS`, and of the metrics of one's own that it has; one row per sample,
            step, lap or kilometre, in file order.
        sport: `running` or another lower-case word; None where the file does not say.
        is_indoors: whether the file says that it was recorded on a treadmill or indoors.
        has_clock: whether `time_s` is an absolute time.
        pauses: pairs of (stopped_s, resumed_s) on the clock of `time_s`, from the device's own timer events.
        laps: pairs of (begins_s, ends_s) on the clock of `time_s`, in order and without overlap, as the device or the
            person who wore it set them.
        device: manufacturer and model as the file names them, never a serial number; None if unknown.
        sensors: for each quantity that more than one sensor gave, or that a self-described field gave: which was taken.
        damage: what was wrong with the file and up to where it could be read; None for a sound file.
        unused: names of columns that were not recognised, of a file whose columns have names.
        remarks: what else its owner should know of how it was read.
        without_distance: why it is refused if it has neither distance, speed nor positions and no other recording of
            the run that has; None leaves it to the stage `recording`.
        corrected: readings that a correction of the owner changed.
    """

    readings: pl.DataFrame
    sport: str | None = None
    is_indoors: bool = False
    has_clock: bool = True
    grain: str = "sample"
    pauses: tuple[tuple[float, float], ...] = ()
    laps: tuple[tuple[float, float], ...] = ()
    device: str | None = None
    sensors: Mapping[str, str] = field(default_factory=dict)
    damage: Because | None = None
    unused: tuple[str, ...] = ()
    remarks: tuple[Because, ...] = ()
    without_distance: Refused | None = None
    corrected: tuple[str, ...] = ()


def require_few_sessions(n_sessions: int) -> None:
    """Refuse a file with more than `MOST_SESSIONS`, before any is looked into.

    Raises:
        Refused: it holds more.
    """
    if n_sessions > MOST_SESSIONS:
        raise Refused(Reason.MANY_SESSIONS, most=MOST_SESSIONS)


def readings_frame(
    columns: Mapping[str, pl.Series | npt.NDArray[np.float64]], own: Collection[str] = ()
) -> pl.DataFrame:
    """Complete a partial set of columns to the full frame of `READINGS`, absent ones null.

    What is no number of any run (NaN, infinite, from `BEYOND_MEASURE` on) is made null.

    Args:
        columns: at least `time_s`; all of one length; keys from `READINGS` and `own`.
        own: metrics of one's own, which are columns only where they are given.

    Raises:
        KeyError: a key that is not a reading.
    """
    unknown = set(columns) - {*READINGS, *own}
    if unknown:
        raise KeyError(f"not a reading: {sorted(unknown)}")
    # Column by column, since a query costs more than the columns of a run do.
    absent = pl.Series([None], dtype=pl.Float64).new_from_index(0, len(next(iter(columns.values()))))
    return pl.DataFrame(
        [
            _within_measure(name, columns[name]) if name in columns else absent.alias(name)
            for name in (*READINGS, *(one for one in own if one in columns))
        ]
    )


def _within_measure(name: str, reading: pl.Series | npt.NDArray[np.float64]) -> pl.Series:
    values = reading.cast(pl.Float64).to_numpy() if isinstance(reading, pl.Series) else reading
    is_beyond = np.abs(values) >= BEYOND_MEASURE
    if is_beyond.any():
        values = np.where(is_beyond, np.nan, values)
    return pl.Series(name, values, nan_to_null=True)
