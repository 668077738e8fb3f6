"""Several recordings in one table: where each begins. The readings of a file in, those of each recording out.

A column that names the recording decides, wherever its word changes and the readings start over too. Without one, rows
are another recording's where what is counted starts over together with the clock, or where the clock leaps by days.
What may be either is refused, with the line.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
import polars as pl

from pipeline.core.arrays import Array, Mask
from pipeline.core.errors import Refused
from pipeline.core.reasons import Because, Reason, because
from pipeline.formats.column_mapping import toml_line

#: A hole between two recordings, and a step back that is none of a clock's rounding [s]. Common practice, no source.
HOLE_S, STEP_BACK_S = 600.0, 60.0
#: No recording has a hole of a day. Common practice, no source.
LEAP_S = 86_400.0
#: What is counted starts over at this share of what it had reached, or less. Common practice, no source.
STARTS_OVER = 0.05
#: Fewer rows between two leaps are odd rows of one recording. Common practice, no source.
LEAST_SAMPLES = 10
#: So many lines are named.
MOST_LINES = 5


class Part(NamedTuple):
    """The rows of one recording: its readings, their lines in the file, and which rows of the table they are."""

    values: Mapping[str, pl.Series]
    lines: pl.Series
    rows: pl.Series


def parts(
    values: Mapping[str, pl.Series], lines: pl.Series, *, grain: str, headers: Mapping[str, str]
) -> tuple[list[Part], Because | None]:
    """Divide the rows of a table among its recordings.

    Args:
        values: reading -> its values.
        lines: the line number of each row in the file.
        grain: what a row is.
        headers: reading -> what the file calls its column.

    Returns:
        The recordings in the order of the file, and what shows that there are several; None for one.

    Raises:
        Refused: rows that may be of one recording or of several, or several of which none says when it began.
    """
    place, shown = _by_name(values, lines, grain, headers) if "recording" in values else (None, None)
    if place is None:
        place, shown = _by_restarts(values, lines, grain, headers)
    if place is None:
        return [Part(values, lines, pl.Series(range(len(lines))))], None
    found = []
    for number in range(int(place.max()) + 1):
        mask = pl.Series(place == number)
        own = {name: column.filter(mask) for name, column in values.items()}
        found.append(Part(own, lines.filter(mask), mask.arg_true()))
    clock = "time_s" if "time_s" in values else "started_s"
    if any(part.values[clock].count() == 0 if clock in values else True for part in found):
        raise Refused(Reason.SEVERAL_WITHOUT_START, n_recordings=len(found), shown=shown)
    return found, shown


def _by_name(
    values: Mapping[str, pl.Series], lines: pl.Series, grain: str, headers: Mapping[str, str]
) -> tuple[npt.NDArray[np.int64] | None, Because | None]:
    """The place of each row's recording by the column that names it; None where this names something else."""
    words, header = values["recording"], headers["recording"]
    changes = (words != words.shift(1)).fill_null(value=False).to_numpy()
    is_over = changes & _starts_over(values, grain, is_named=True)
    if not is_over.any():
        return None, None
    if unclear := lines.filter(pl.Series(changes & ~is_over)).to_list():
        line_over, toml = lines.filter(pl.Series(is_over))[0], toml_line(header, "")
        raise Refused(Reason.UNCLEAR_RECORDINGS, header=header, line=unclear[0], line_over=line_over, toml=toml)
    if words.null_count():
        raise Refused(Reason.UNNAMED_RECORDING, header=header, line=lines.filter(words.is_null())[0])
    names = {name: place for place, name in enumerate(words.unique(maintain_order=True))}
    places = words.replace_strict(names, return_dtype=pl.Int64).to_numpy()
    return places, _shown(Reason.NAME_CHANGES, header, lines, is_over)


def _by_restarts(
    values: Mapping[str, pl.Series], lines: pl.Series, grain: str, headers: Mapping[str, str]
) -> tuple[npt.NDArray[np.int64] | None, Because | None]:
    """The same by where the readings start over; None where they do not."""
    is_over = _starts_over(values, grain, is_named=False)
    if grain == "sample":
        _require_clear(values, lines, is_over, headers)
    place = np.cumsum(is_over, dtype=np.int64)
    if not is_over.any() or (grain == "sample" and np.bincount(place).min() < LEAST_SAMPLES):
        return None, None
    counted = "km" if grain == "kilometre" else "time_s" if "time_s" in values else "elapsed_s"
    return place, _shown(Reason.COUNT_STARTS_OVER, headers.get(counted, counted), lines, is_over)


def _starts_over(values: Mapping[str, pl.Series], grain: str, *, is_named: bool) -> Mask:
    """Whether another recording may begin with each row; where a column names recordings, one sign is enough."""
    n_rows = len(next(iter(values.values())))
    if grain == "step" and not is_named:  # programs write the steps of one foot below those of the other
        return np.zeros(n_rows, dtype=bool)
    if grain == "kilometre" and "km" in values:
        return _after_first(values["km"].to_numpy() == 1)
    # Of laps the distance may be that of each.
    counter = _is_set_back(values, "distance_m", n_rows) if grain != "lap" else np.zeros(n_rows, dtype=bool)
    if grain == "lap" and is_named and "lap" in values:
        number = values["lap"].cast(pl.Float64, strict=False)
        counter |= (number <= number.shift(1)).fill_null(value=False).to_numpy()
    if "time_s" not in values:
        elapsed = _is_set_back(values, "elapsed_s", n_rows)
        return elapsed | counter if is_named else elapsed & (counter | (grain == "lap" or "distance_m" not in values))
    with np.errstate(invalid="ignore", over="ignore"):  # a time may be beyond measure, which is excluded later
        step_s = np.diff(_filled(values["time_s"]), prepend=np.nan)
        is_apart, leaps = (step_s > HOLE_S) | (step_s < -STEP_BACK_S), np.abs(step_s) > LEAP_S
    return is_apart | counter if is_named else (is_apart & counter) | leaps


def _require_clear(
    values: Mapping[str, pl.Series], lines: pl.Series, is_over: Mask, headers: Mapping[str, str]
) -> None:
    """Refuse a time since the start that starts over while the distance goes on: laps, or recordings."""
    if "time_s" in values or "elapsed_s" not in values or is_over.any():
        return
    back = _is_set_back(values, "elapsed_s", len(lines))
    if back.any() and np.bincount(np.cumsum(back)).min() >= LEAST_SAMPLES:
        elapsed_s, row = _filled(values["elapsed_s"]), int(np.argmax(back))
        before_s, after_s = map(float, elapsed_s[row - 1 : row + 1])
        header = headers.get("elapsed_s", "elapsed_s")
        raise Refused(Reason.LAPS_OR_RECORDINGS, header=header, before_s=before_s, after_s=after_s, line=lines[row])


def _is_set_back(values: Mapping[str, pl.Series], name: str, n_rows: int) -> Mask:
    """Whether what is counted starts over with each row, and goes on from there."""
    if name not in values:
        return np.zeros(n_rows, dtype=bool)
    counted = _filled(values[name])
    before, after = np.append(np.nan, counted[:-1]), np.append(counted[1:], np.nan)
    with np.errstate(invalid="ignore"):
        return (before > 0) & (counted <= STARTS_OVER * before) & ~(after >= before)


def _filled(column: pl.Series) -> Array:
    """Values, missing ones as the one before."""
    return np.asarray(column.cast(pl.Float64).fill_null(strategy="forward").to_numpy(), dtype=np.float64)


def _after_first(is_first: Mask) -> Mask:
    return is_first & (np.arange(len(is_first)) > 0)


def _shown(kind: Reason, header: str, lines: pl.Series, is_over: Mask) -> Because:
    found: Sequence[int] = lines.filter(pl.Series(is_over)).to_list()
    named = list(map(str, found[:MOST_LINES]))
    return because(kind, header=header, n=len(found), lines=named, n_more=len(found) - len(named))
