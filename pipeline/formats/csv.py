"""CSV files. One file in, mostly one recording out (`several`); a row is a sample, a step, a lap or a kilometre.

Units come from the headers (`headers`) or from `columns.toml` (`column_mapping`), never from the values: a column that
names a quantity without its unit is refused, with the lines one of which would settle it. Everything that has to be
settled is said at once (`interpretation`), and `splitdrift columns` proposes all of it (`proposal`).

What a row is, unless `columns.toml` says so: a kilometre where the columns `km` and a duration or pace are present; a
lap where there are a duration and a length, or a column `lap` and a distance, and no time; a step where there is a
`step` or `foot` column, or contact and flight times without a cadence; otherwise a sample.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import replace
from itertools import pairwise

import polars as pl

from pipeline.core.errors import Refused
from pipeline.core.reasons import Because, Reason, because
from pipeline.formats import DEFAULTS, READINGS, ReadOptions, Recording, readings_frame
from pipeline.formats.cells import MIN_ROWS
from pipeline.formats.column_mapping import ColumnMapping, read_mapping
from pipeline.formats.columns import column_of
from pipeline.formats.grains import Readings, grain_of, placed
from pipeline.formats.interpretation import Interpretation, interpret, unused
from pipeline.formats.several import Part, parts
from pipeline.formats.sports import sport_named

__all__ = ["ColumnMapping", "decode", "read_mapping"]


def decode(content: bytes, options: ReadOptions = DEFAULTS) -> list[Recording]:
    """Read one CSV file.

    Args:
        content: the file, as `cells.read_table` takes it; decimal commas unless commas separate cells.
        options: of which `mapping` holds.

    Returns:
        One recording, or each of `several`. Columns that are not recognised are left out; so are rows without
        a time. Of a file of kilometres
        or laps the first row is its start: time and distance 0, no readings.

    Raises:
        Refused: no unit, no time, neither distance nor form, or cells that are not what their column says.
    """
    mapping = replace(options.mapping or ColumnMapping(), own=options.own)
    meant = interpret(content, mapping)
    meant.require_settled()
    grain = mapping.grain or grain_of(meant.values)
    headers = {column_of(name).reading: header for name, header in meant.headers.items()}
    found, shown = parts(meant.values, meant.table.lines, grain=grain, headers=headers)
    return [
        _recording(
            part, meant, mapping, shown and because(Reason.ONE_OF, place=place, n_recordings=len(found), shown=shown)
        )
        for place, part in enumerate(found, start=1)
    ]


def _recording(part: Part, meant: Interpretation, mapping: ColumnMapping, remark: Because | None) -> Recording:
    rows = placed(part.values, grain=mapping.grain, headers=meant.headers, lines=part.lines)
    values = rows.values
    has_clock = "time_s" in values
    if not has_clock:
        started_s = values["started_s"].drop_nulls().first() if "started_s" in values else None
        values = {**values, "time_s": values["elapsed_s"] + (started_s or 0.0)}
        has_clock = started_s is not None
    if "step_length_m" in values:
        values = {**values, "recorded_step_length_m": values["step_length_m"]}
    return Recording(
        readings=_readings(values, tuple(mapping.own.values()), least=MIN_ROWS if remark is None else 0),
        sport=mapping.sport or _sport(meant, part),
        has_clock=has_clock,
        grain=rows.grain,
        laps=_laps(values, rows.grain),
        damage=rows.damage,
        unused=unused(meant, mapping),
        remarks=tuple(filter(None, (remark, *rows.remarks, *meant.remarks))),
        without_distance=meant.without_distance,
    )


def _readings(values: Readings, own: Collection[str], *, least: int) -> pl.DataFrame:
    frame = readings_frame({name: values[name] for name in (*READINGS, *own) if name in values}, own)
    finite = frame.select(pl.when(pl.all().is_finite()).then(pl.all())).filter(pl.col("time_s").is_not_null())
    if len(finite) < least:
        raise Refused(Reason.FEW_TIMES, n_rows=len(finite), least=MIN_ROWS)
    return finite


def _sport(meant: Interpretation, part: Part) -> str | None:
    """The first word of the column of the sport; None of a code, or of a column that may hold the gait of each row."""
    if "sport" not in meant.used:
        return None
    header, cells = meant.used["sport"]
    words = cells.gather(part.rows).drop_nulls().str.to_lowercase()
    is_told = header.strip().lower() == "sport" or words.n_unique() == 1
    word = str(words[0]) if is_told and len(words) else None
    return None if word is None or word.replace(".", "", 1).isdigit() else sport_named(word)


def _laps(values: Readings, grain: str) -> tuple[tuple[float, float], ...]:
    """Where rows are laps, each of them; else the stretches of rows whose column `lap` says the same.

    A row stands for the time since the row before, so a lap begins with the last row of the one before it.
    """
    if grain == "lap":
        edges = values["time_s"].drop_nulls().to_list()
    elif "lap" in values:
        rows = pl.DataFrame({"time_s": values["time_s"], "lap": values["lap"]}).drop_nulls()
        ends = rows.group_by(pl.col("lap").rle_id(), maintain_order=True).agg(pl.col("time_s").last())
        edges = [*rows["time_s"].head(1), *ends["time_s"]]
    else:
        return ()
    return tuple((begin, end) for begin, end in pairwise(edges) if end > begin)
