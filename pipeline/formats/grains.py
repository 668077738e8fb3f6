"""What a row of a CSV file stands for, and its place in time. Readings in, readings with elapsed time out.

A sample says when it was taken. Kilometres, laps and steps may only say how long they took: these are laid end to end,
so that the means of each row are those of the interval that ends at its time.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from typing import NamedTuple

import polars as pl

from pipeline.core.errors import Refused
from pipeline.core.reasons import Because, Reason, because
from pipeline.formats.column_mapping import toml_line
from pipeline.formats.steps import from_steps

Readings = Mapping[str, pl.Series]

#: Mean speed of a row of a run [m/s]: from a slow walk to faster than any sprinter. Common practice, no source.
_SPEEDS_M_S = (0.3, 12.5)
#: How far a total may be from the sum of the rows above, for rounding [share], and a clock from a duration [s].
_SAME_TOTAL, _SAME_TIME_S = 0.01, 1.5


class Rows(NamedTuple):
    """The readings of a file with their place in time: `time_s`, or else `elapsed_s`."""

    values: Readings
    grain: str
    damage: Because | None = None
    remarks: tuple[Because, ...] = ()


def may_be_laps(names: Collection[str]) -> bool:
    """Whether readings of these names may be of laps."""
    has_time = "time_s" in names or "elapsed_s" in names
    return "km" not in names and ("duration_s" in names or ("lap" in names and not has_time))


def placed(
    values: Readings,
    *,
    grain: str | None,
    headers: Mapping[str, str],
    lines: pl.Series,
) -> Rows:
    """Give every row its place in time.

    Args:
        values: reading -> its values.
        grain: one of `GRAINS`; None to take what the columns say.
        headers: name of a column -> what the file calls it, for the text of a refusal.
        lines: the line number of each row in the file, likewise.

    Raises:
        Refused: rows that have no place.
    """
    values = _of_both_feet(values)
    grain = grain or grain_of(values)
    damage: Because | None = None
    remarks: tuple[Because, ...] = ()
    if grain in ("kilometre", "lap"):
        values, lines, remarks = without_total(values, lines)
    if grain == "kilometre":
        values = from_kilometres(values, km_header=headers.get("km", "km"), lines=lines)
    elif grain == "lap":
        values = from_laps(values, lines=lines)
    elif grain == "step":
        values, damage, remarks = from_steps(values)
    if not {"time_s", "elapsed_s"} & values.keys():
        raise Refused(Reason.NO_TIME)
    return Rows(_with_distance(values), grain, damage, remarks)


def grain_of(values: Readings) -> str:
    """One of `GRAINS`, by the columns that are present."""
    if _has_kilometres(values):
        return "kilometre"
    if _has_laps(values):
        return "lap"
    has_step_timing = {"contact_time_ms", "flight_time_ms"} <= values.keys() and "cadence_spm" not in values
    return "step" if has_step_timing or "step" in values or "foot" in values else "sample"


def _has_laps(values: Readings) -> bool:
    has_length = {"length_m", "distance_m", "speed_m_s"} & values.keys()
    if "km" in values or not has_length or not {"duration_s", "lap", "length_m"} & values.keys():
        return False
    if "lap" in values and values["lap"].n_unique() == len(values["lap"]):
        return "duration_s" in values or "elapsed_s" in values or {"length_m", "speed_m_s"} <= values.keys()
    if "elapsed_s" in values or "duration_s" not in values:
        return False
    return "time_s" not in values or "length_m" in values


def _of_both_feet(values: Readings) -> Readings:
    """With contact time and balance, where each foot has a column of its own."""
    sides = ("contact_time_left_ms", "contact_time_right_ms")
    if not set(sides) <= values.keys():
        return values
    left, right = (values[side] for side in sides)
    return {"contact_time_ms": (left + right) / 2, "contact_balance_pct": 100 * left / (left + right), **values}


def _with_distance(values: Readings) -> Readings:
    """With speed from step length and cadence, where nothing else says how far the run went."""
    if {"distance_m", "speed_m_s", "latitude_deg"} & values.keys() or "step_length_m" not in values:
        return values
    if "cadence_spm" not in values:
        raise Refused(Reason.NO_CADENCE_OF_STEPS)
    return {**values, "speed_m_s": values["step_length_m"] * values["cadence_spm"] / 60}


# --- Kilometres and laps ---------------------------------------------------------------------------------------------


def from_kilometres(values: Readings, *, km_header: str, lines: pl.Series) -> Readings:
    """Lay kilometres end to end, below a first row for the start: time and distance 0, all else null.

    Args:
        values: `km` and either `duration_s` or `speed_m_s`; `length_m` where a kilometre is not 1000 m long. The last
            `km` may be a part of one: 10.4 after 10.
        km_header: what the file calls its column `km`, for the text of a refusal.
        lines: the line number of each row in the file, likewise.

    Raises:
        Refused: kilometres that do not count 1, 2, 3, or one without duration or length.
    """
    if not _has_kilometres(values):
        raise Refused(Reason.NO_KILOMETRES)
    km = values["km"]
    n_whole = len(km) - 1
    rest = km[n_whole] - n_whole if n_whole and km[n_whole] is not None else 1.0
    is_partial = 0 < rest < 1
    _require_counting(km.head(n_whole) if is_partial else km, km_header, lines)
    whole_m = pl.Series([1000.0] * n_whole + [1000.0 * rest if is_partial else 1000.0])
    return _end_to_end(values, values.get("length_m", whole_m), lines, "kilometre")


def from_laps(values: Readings, *, lines: pl.Series) -> Readings:
    """Lay laps end to end, below a first row for the start.

    Args:
        values: `duration_s` or `elapsed_s` at the end of each lap; `length_m`, `distance_m` or `speed_m_s`. A distance
            is that of each lap where only this gives speeds of a run, else that since the start.

    Raises:
        Refused: a lap without duration or length.
    """
    if "duration_s" not in values and "elapsed_s" in values:
        values = {**values, "duration_s": _of_each_row(values["elapsed_s"])}
    has_time = "duration_s" in values or {"speed_m_s", "length_m"} <= values.keys()
    if not has_time or not {"length_m", "distance_m", "speed_m_s"} & values.keys():
        raise Refused(Reason.NO_LENGTH_OF_LAPS if has_time else Reason.NO_TIME_OF_LAPS)
    length_m = values.get("length_m")
    if length_m is None and "distance_m" in values:
        length_m = lengths_of_laps(values["distance_m"], values["duration_s"])
        if length_m is None:
            length_m = _of_each_row(values["distance_m"])
    if length_m is None:
        length_m = values["speed_m_s"] * values["duration_s"]
    return _end_to_end(values, length_m, lines, "lap")


def _end_to_end(values: Readings, length_m: pl.Series, lines: pl.Series, what: str) -> Readings:
    duration_s = values["duration_s"] if "duration_s" in values else length_m / values["speed_m_s"]
    _require_complete(duration_s, what, Reason.NO_DURATION_OF_ROW, lines)
    _require_complete(length_m, what, Reason.NO_LENGTH_OF_ROW, lines)
    placed_values = {**values, "elapsed_s": duration_s.cum_sum(), "distance_m": length_m.cum_sum()}
    began_s = _beginning(placed_values.pop("time_s", None), duration_s)
    if began_s is not None and "started_s" not in values:
        placed_values["started_s"] = pl.repeat(began_s, len(lines), dtype=pl.Float64, eager=True)
    start = {"elapsed_s": 0.0, "distance_m": 0.0}
    return {
        name: pl.concat([pl.Series([start.get(name)], dtype=column.dtype), column])
        for name, column in placed_values.items()
    }


def _beginning(time_s: pl.Series | None, duration_s: pl.Series) -> float | None:
    """When the first row began, where an absolute time next to durations is clearly that of the start or of the end."""
    if time_s is None or time_s.null_count() or len(time_s) < 2:
        return None
    steps = time_s.diff().slice(1)
    is_start = bool(((steps - duration_s.slice(0, len(steps))).abs() <= _SAME_TIME_S).all())
    is_end = bool(((steps - duration_s.slice(1)).abs() <= _SAME_TIME_S).all())
    if is_start == is_end:
        return None
    return float(time_s[0]) if is_start else float(time_s[0] - duration_s[0])


def lengths_of_laps(distance_m: pl.Series, duration_s: pl.Series) -> pl.Series | None:
    """The length of each lap, of distances that are either that or counted since the start; None if both may be."""
    since_start = _of_each_row(distance_m)
    fitting = [
        lengths
        for lengths in (distance_m, since_start)
        if bool((lengths / duration_s).is_between(*_SPEEDS_M_S).all()) and bool((lengths > 0).all())
    ]
    return fitting[0] if len(fitting) == 1 else None


def _of_each_row(since_start: pl.Series) -> pl.Series:
    """What each row adds to a quantity that is counted since the start."""
    return pl.concat([since_start.head(1), since_start.diff().slice(1)])


def without_total(values: Readings, lines: pl.Series) -> tuple[Readings, pl.Series, tuple[Because, ...]]:
    """The rows without a last one that is the total of those above, as below laps; their lines; a remark."""
    n = len(lines) - 1
    counted = [values[name] for name in ("duration_s", "length_m") if name in values]
    has_total = (
        n >= 2
        and bool(counted)
        and all(
            column.null_count() == 0 and abs(column[n] - column.head(n).sum()) <= _SAME_TOTAL * abs(column[n])
            for column in counted
        )
    )
    if not has_total:
        return values, lines, ()
    note = because(Reason.TOTAL_LEFT_OUT, line=lines[n])
    return {name: column.head(n) for name, column in values.items()}, lines.head(n), (note,)


def _has_kilometres(values: Readings) -> bool:
    return "km" in values and ("duration_s" in values or "speed_m_s" in values)


def _require_counting(km: pl.Series, header: str, lines: pl.Series) -> None:
    wrong = km.ne_missing(pl.Series(range(1, len(km) + 1), dtype=km.dtype)).arg_true()
    if len(wrong) == 0:
        return
    row = int(wrong[0])
    raise Refused(
        Reason.UNCOUNTED_KILOMETRES, header=header, km="" if km[row] is None else f"{km[row]:g}", line=lines[row],
        expected=row + 1, toml=toml_line(header, "distance_km"),
    )  # fmt: skip


def _require_complete(column: pl.Series, row: str, lack: Reason, lines: pl.Series) -> None:
    unusable = (~(column.is_finite() & (column >= 0)).fill_null(value=False)).arg_true()
    if len(unusable):
        raise Refused(lack, row=row, line=lines[int(unusable[0])])
