"""What a row of a CSV file stands for, and its place in time. Readings in, readings with elapsed time out.

A sample says when it was taken. Kilometres and steps may only say how long they took: these are laid end to end, so
that the means of each row are those of the interval that ends at its time.
"""

from __future__ import annotations

from collections.abc import Mapping

import polars as pl

from pipeline.core.errors import Refused
from pipeline.formats.column_mapping import toml_line

Readings = Mapping[str, pl.Series]


def grain_of(values: Readings) -> str:
    """One of `GRAINS`, by the columns that are present."""
    if _has_kilometres(values):
        return "kilometre"
    has_step_timing = {"contact_time_ms", "flight_time_ms"} <= values.keys() and "cadence_spm" not in values
    return "step" if has_step_timing or "step" in values or "foot" in values else "sample"


def from_kilometres(values: Readings, *, km_header: str, lines: pl.Series) -> dict[str, pl.Series]:
    """Lay kilometres end to end, below a first row for the start: time and distance 0, all else null.

    Args:
        values: `km` and either `duration_s` or `speed_m_s`; `length_m` where a kilometre is not 1000 m long.
        km_header: what the file calls its column `km`, for the text of a refusal.
        lines: the line number of each row in the file, likewise.

    Raises:
        Refused: kilometres that do not count 1, 2, 3, or one without duration or length.
    """
    if not _has_kilometres(values):
        raise Refused(
            'The file should have one row per kilometre, but columns "km" and "duration_s" (or a pace) are missing.',
            'Name them under [columns] in columns.toml next to the file, such as Split = "km".',
        )
    _require_counting(values["km"], km_header, lines)
    length_m = values.get("length_m", pl.repeat(1000.0, len(lines), eager=True))
    duration_s = values["duration_s"] if "duration_s" in values else length_m / values["speed_m_s"]
    _require_complete(duration_s, "duration or pace", lines)
    _require_complete(length_m, "length", lines)
    placed = {**values, "elapsed_s": duration_s.cum_sum(), "distance_m": length_m.cum_sum()}
    # An absolute time next to a duration could be that of the start or of the end of the kilometre.
    placed.pop("time_s", None)
    start = {"elapsed_s": 0.0, "distance_m": 0.0}
    return {
        name: pl.concat([pl.Series([start.get(name)], dtype=column.dtype), column]) for name, column in placed.items()
    }


def from_steps(values: Readings) -> tuple[Readings, str | None]:
    """Work out the cadence, and where the file gives no time the time, from contact and the flight after it.

    Returns:
        The readings, and the damage: how many steps the time had to leave out, None if none.
    """
    if not {"contact_time_ms", "flight_time_ms"} <= values.keys():
        return values, None
    step_ms = values["contact_time_ms"] + values["flight_time_ms"]
    with_cadence = {"cadence_spm": 60_000 / step_ms, **values}
    if "time_s" in values or "elapsed_s" in values:
        return with_cadence, None
    n_lacking = step_ms.null_count()
    damage = f"{n_lacking} of {len(step_ms)} steps have no contact or flight time; the time leaves them out"
    return {**with_cadence, "elapsed_s": step_ms.cum_sum() / 1000}, damage if n_lacking else None


def with_step_length(values: Readings, grain: str) -> Readings:
    """Where the file has no distance and no speed, these by the length of steps: summed up, or times the cadence."""
    if "step_length_m" not in values or values.keys() & {"distance_m", "speed_m_s", "latitude_deg"}:
        return values
    if grain == "step":
        return {**values, "distance_m": values["step_length_m"].fill_null(strategy="forward").fill_null(0.0).cum_sum()}
    if "cadence_spm" in values:
        return {**values, "speed_m_s": values["step_length_m"] * values["cadence_spm"] / 60}
    return values


def _has_kilometres(values: Readings) -> bool:
    return "km" in values and ("duration_s" in values or "speed_m_s" in values)


def _require_counting(km: pl.Series, header: str, lines: pl.Series) -> None:
    wrong = km.ne_missing(pl.Series(range(1, len(km) + 1), dtype=km.dtype)).arg_true()
    if len(wrong) == 0:
        return
    row = int(wrong[0])
    value = "nothing" if km[row] is None else f"{km[row]:g}"
    raise Refused(
        f'The column "{header}" has {value} in line {lines[row]}, expected {row + 1}: '
        "kilometres count 1, 2, 3 and none is left out.",
        f"If it is the distance covered, write {toml_line(header, 'distance_km')} under [columns] in columns.toml "
        "next to the file.",
    )


def _require_complete(column: pl.Series, what: str, lines: pl.Series) -> None:
    unusable = (~(column.is_finite() & (column >= 0)).fill_null(value=False)).arg_true()
    if len(unusable):
        raise Refused(
            f"The kilometre in line {lines[int(unusable[0])]} has no {what}, so those after it have no place in time.",
            "Fill it in, or leave out the rows from there on.",
        )
