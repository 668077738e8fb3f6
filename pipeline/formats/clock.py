"""Times as text, made numbers. One text in, one number of seconds out; null where the text is no such time.

Instants are ISO-8601 (`2026-04-12T09:30:00.25Z`, `2026-04-12 11:30:00+02:00`); a blank in place of the `T` is accepted,
since spreadsheets write it. Clock faces are `h:mm:ss` or `mm:ss`, the last part with or without decimals.

The end of summer time repeats an hour of a local clock. Which pass a time belongs to follows from the order of the
rows: a clock that steps back has begun the second one, and time without a row is not longer than it has to be.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import polars as pl

_WITHOUT_ZONE = "%Y-%m-%dT%H:%M:%S%.f"
_WITH_ZONE = _WITHOUT_ZONE + "%#z"
_CLOCK_FACE = r"^(?:(?<hours>\d{1,4}):)?(?<minutes>\d{1,4}):(?<seconds>\d{1,2}(?:\.\d*)?)$"


def epoch_s(texts: pl.Series, *, zone: str | None) -> pl.Series:
    """Read instants as seconds since 1970-01-01T00:00:00Z.

    Args:
        texts: ISO-8601 texts.
        zone: IANA name of the zone of those texts that carry none; None leaves them null.

    The hour that the start of summer time leaves out is null.
    """
    texts = _with_t(texts)
    instants = texts.str.to_datetime(_WITH_ZONE, time_unit="us", time_zone="UTC", strict=False).dt.timestamp("us")
    if zone is not None and instants.null_count() > texts.null_count():
        local = texts.str.to_datetime(_WITHOUT_ZONE, time_unit="us", strict=False)
        instants = instants.fill_null(_placed(local, zone).instants)
    return instants.cast(pl.Float64()) / 1e6


def from_local_s(times_s: pl.Series, *, zone: str) -> pl.Series:
    """Seconds on the clock of a place, counted as if it were UTC, as seconds since 1970-01-01T00:00:00Z.

    Args:
        times_s: in order of the rows of a recording.
        zone: IANA name.
    """
    local = (times_s * 1e6).round().cast(pl.Int64(), strict=False).cast(pl.Datetime("us"))
    return _placed(local, zone).instants.cast(pl.Float64()) / 1e6


def repeated_hour(texts: pl.Series, *, zone: str | None) -> str | None:
    """What to say of times in the hour that the end of summer time repeats; None where there are none.

    Args:
        texts: ISO-8601 texts in order of the rows.
        zone: IANA name of the zone of those that carry none.
    """
    if zone is None:
        return None
    local = _with_t(texts).str.to_datetime(_WITHOUT_ZONE, time_unit="us", strict=False)
    return _placed(local, zone).remark


@dataclass(frozen=True)
class _Placed:
    """Local times on the clock of the world [microseconds], and what to say of those in a repeated hour."""

    instants: pl.Series
    remark: str | None = None


def _placed(local: pl.Series, zone: str) -> _Placed:
    """Place local times, in order of their rows, on the clock of the world."""
    first, second = (
        local.dt.replace_time_zone(zone, ambiguous=which, non_existent="null").dt.timestamp("us")
        for which in ("earliest", "latest")
    )
    repeated_us = (second - first).max()
    if not repeated_us:
        return _Placed(first)
    is_placed = first.is_not_null().to_numpy()
    early, late = (times.drop_nulls().to_numpy() for times in (first, second))
    is_falling = (np.diff(early) < 0).sum() > (np.diff(early) > 0).sum()  # the newest row first
    early, late = (early[::-1], late[::-1]) if is_falling else (early, late)
    times, remark = _in_order(early, late)
    instants = np.zeros(len(is_placed), dtype=np.int64)
    instants[is_placed] = times[::-1] if is_falling else times
    return _Placed(pl.select(pl.when(pl.Series(is_placed)).then(pl.Series(instants))).to_series(), remark)


_STEPPED_BACK = "The clock was set back during the recording, at the end of summer time; its rows were kept in order."
_IN_LONGEST_GAP = (
    "The clock was set back while nothing was recorded, at the end of summer time; the hour is put into the longest "
    "gap."
)
_UNDECIDED = (
    "All times are in the hour that the end of summer time repeats; the first of the two is taken. If it was the "
    "second, write the times with their offset, or clock_shift_s = 3600 in corrections.toml."
)


_NOT_SET_BACK = (
    "The recording goes through the hour that the end of summer time repeats without a step; its clock is taken as "
    "not set back."
)
#: A longer time without a row may hide the hour by which a clock was set back. Common practice, no source.
_GAP_US = 60_000_000

Instants = npt.NDArray[np.int64]


def _in_order(early: Instants, late: Instants) -> tuple[Instants, str | None]:
    """Choose the pass of each repeated time, of which there are some; and what to say."""
    repeated = np.flatnonzero(early != late)
    begins, ends, hour = int(repeated[0]), int(repeated[-1]) + 1, int((late - early).max())
    steps = np.diff(early, append=early[-1])
    steps[ends - 1] -= hour if ends < len(early) else 0  # as the clock on the wall shows it
    first_step = max(begins - 1, 0)
    # A step back of a good part of the hour is the clock's; a smaller one is a row out of order.
    back = np.flatnonzero(steps[first_step:ends] < -hour // 2)
    if len(back):
        return _turned_at(int(back[0]) + first_step + 1, early, late), _STEPPED_BACK
    if begins == 0 or ends == len(early):
        is_all = begins == 0 and ends == len(early)
        return (late if begins == 0 and not is_all else early), _UNDECIDED if is_all else None
    longest = int(np.argmax(steps[first_step:ends])) + first_step
    if steps[longest] > _GAP_US:
        return _turned_at(longest + 1, early, late), _IN_LONGEST_GAP
    return early - np.where(np.arange(len(early)) >= ends, hour, 0), _NOT_SET_BACK


def _turned_at(row: int, early: Instants, late: Instants) -> Instants:
    return np.concatenate([early[:row], late[row:]])


def lacks_zone(texts: pl.Series) -> pl.Series:
    """Whether each text is a date and time that does not say in which zone."""
    return _with_t(texts).str.to_datetime(_WITHOUT_ZONE, time_unit="us", strict=False).is_not_null()


def looks_dated(texts: pl.Series) -> bool:
    """Whether the first text present begins with a date and a time of day, whatever follows."""
    first = texts.drop_nulls().head(1)
    return len(first) == 1 and bool(first.str.contains(r"^\d{4}-\d{2}-\d{2}[T ]\d").item())


def clock_face_s(texts: pl.Series) -> pl.Series:
    """Read clock faces (`1:02:03.5`, `5:30`) as seconds."""
    parts = texts.str.extract_groups(_CLOCK_FACE).struct.unnest().cast(pl.Float64())
    return parts["hours"].fill_null(0.0) * 3600 + parts["minutes"] * 60 + parts["seconds"]


def _with_t(texts: pl.Series) -> pl.Series:
    return texts.str.strip_chars().str.replace(r"^(\d{4}-\d{2}-\d{2}) +", "${1}T")
