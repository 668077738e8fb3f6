"""CSV files. One file in, one recording out; a row is a sample, a step or a kilometre.

Units come from the headers (`columns`) or from `columns.toml` (`column_mapping`), never from the
values: a column that names a quantity without its unit is refused, with the lines one of which would settle it.

What a row is, unless `columns.toml` says so: a kilometre where the columns `km` and a duration or pace are present; a
step where there is a `step` or `foot` column, or contact and flight times without a cadence; otherwise a sample.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

import polars as pl

from pipeline.core.errors import Refused
from pipeline.formats import DEFAULTS, READINGS, ReadOptions, Recording, clock, readings_frame
from pipeline.formats.cells import MIN_ROWS, Table, read_table
from pipeline.formats.column_mapping import ColumnMapping, did_you_mean, read_mapping, toml_line
from pipeline.formats.columns import AMBIGUOUS, BY_PLAIN_SPELLING, COLUMNS, Column, plain
from pipeline.formats.grains import Readings, from_kilometres, from_steps, grain_of, with_step_length

__all__ = ["ColumnMapping", "decode", "read_mapping"]

_WRITTEN_AS = {
    "number": "a number",
    "minutes": "minutes, as a number or as mm:ss",
    "clock": "a time such as 1:02:03",
    "instant": "a date and time such as 2026-04-12T09:30:00Z",
}


class _Source(NamedTuple):
    """A column of the file: its header there, and its cells as text."""

    header: str
    cells: pl.Series


def decode(content: bytes, options: ReadOptions = DEFAULTS) -> list[Recording]:
    """Read one CSV file.

    Args:
        content: the file, as `cells.read_table` takes it; decimal commas unless commas separate cells.
        options: of which `mapping` holds.

    Returns:
        One recording. Columns that are not recognised are left out; so are rows without a time. Of a kilometre file the
        first row is its start: time and distance 0, no readings.

    Raises:
        Refused: no unit, no time, neither distance nor form, or cells that are not what their column says.
    """
    mapping = options.mapping or ColumnMapping()
    table = read_table(content, mapping.separator)
    used = _used_columns(table, mapping)
    values = _values(used, table, mapping)
    grain = mapping.grain or grain_of(values)
    damage = None
    if grain == "kilometre":
        km_header = used["km"].header if "km" in used else "km"
        values = from_kilometres(values, km_header=km_header, lines=table.lines)
    elif grain == "step":
        values, damage = from_steps(values)
    values = with_step_length(values, grain)
    values, has_clock = _on_one_clock(values, table, mapping)
    lacking = _without_distance(values, table, mapping)
    if lacking is not None and not values.keys() & _OF_FORM:
        raise Refused(*lacking)
    return [
        Recording(
            readings=_readings(values),
            sport=mapping.sport or _first_word(values.get("sport")),
            has_clock=has_clock,
            grain=grain,
            damage=damage,
            unused=_unused(table, used, mapping),
            remarks=_remarks(used, mapping),
            without_distance=lacking,
        )
    ]


def _used_columns(table: Table, mapping: ColumnMapping) -> dict[str, _Source]:
    """Our name -> the column of the file. Of several columns for one reading, the first in `COLUMNS` is used."""
    named: dict[str, _Source] = {}
    unclear: list[tuple[_Source, Mapping[str, str]]] = []
    for header, cells in zip(table.headers, table.cells, strict=True):
        source = _Source(header, cells)
        mapped = mapping.name_of(header)
        if mapped == "" or cells.null_count() == len(cells):
            continue
        name = mapped or BY_PLAIN_SPELLING.get(plain(header)) or _dated(source)
        if name in named:
            raise Refused(
                f'The columns "{named[name].header}" and "{header}" are both {name}.',
                "Rename one in the file, or leave one out: write "
                f"{toml_line(header, '')} under [columns] in columns.toml next to the file.",
            )
        if name is not None:
            named[name] = source
        elif plain(header) in AMBIGUOUS:
            unclear.append((source, AMBIGUOUS[plain(header)]))
    taken: dict[str, str] = {}
    for name in sorted(named, key=list(COLUMNS).index):
        taken.setdefault(COLUMNS[name].reading, name)
    _refuse_unclear([(source, choices) for source, choices in unclear if not _is_settled(choices, taken)])
    return {name: named[name] for name in taken.values()}


def _unused(table: Table, used: Mapping[str, _Source], mapping: ColumnMapping) -> tuple[str, ...]:
    """Headers of columns that hold something and gave no reading, but for those that columns.toml leaves out."""
    taken = {source.header for source in used.values()}
    return tuple(
        header
        for header, cells in zip(table.headers, table.cells, strict=True)
        if header not in taken and cells.null_count() < len(cells) and mapping.name_of(header) != ""
    )


def _remarks(used: Mapping[str, _Source], mapping: ColumnMapping) -> tuple[str, ...]:
    """What the owner should know of times in the hour that the end of summer time repeats."""
    instants = (source.cells for name, source in used.items() if COLUMNS[name].written_as == "instant")
    said = (clock.repeated_hour(cells, zone=mapping.time_zone) for cells in instants)
    return tuple(remark for remark in said if remark is not None)


def _dated(source: _Source) -> str | None:
    """The name of a time column that holds dates: these say by themselves what they are, bare numbers do not."""
    may_be_dated = "time_utc" in AMBIGUOUS.get(plain(source.header), {})
    return "time_utc" if may_be_dated and clock.looks_dated(source.cells) else None


def _is_settled(choices: Mapping[str, str], taken: Mapping[str, str]) -> bool:
    """Whether another column gives what this one may mean. An absolute time gives every time, no other gives that."""
    readings = {COLUMNS[name].reading for name in choices}
    if "time_s" in taken and readings & {"time_s", "elapsed_s", "duration_s"}:
        return True
    return "time_s" not in readings and bool(readings & taken.keys())


def _refuse_unclear(unclear: list[tuple[_Source, Mapping[str, str]]]) -> None:
    """Refuse once for all columns whose unit is missing, so that the coach settles them in one go."""
    reasons, fixes = [], []
    for source, choices in unclear:
        reasons.append(f'The column "{source.header}" does not say its unit: it could be {" or ".join(choices)}.')
        lines = [f"{toml_line(source.header, name)} if {reason}" for name, reason in choices.items()]
        fixes.append(f"{', or '.join(lines)}, or {toml_line(source.header, '')} to leave it out")
    if unclear:
        fix = f"Under [columns] in columns.toml next to the file, write {'; and '.join(fixes)}."
        raise Refused(" ".join(reasons), fix)


def _values(used: Mapping[str, _Source], table: Table, mapping: ColumnMapping) -> Readings:
    """Reading -> its values in its one unit; words stay text."""
    has_decimal_comma = _has_decimal_comma(used, table, mapping)
    values = {}
    for name, source in used.items():
        column = COLUMNS[name]
        if column.written_as == "word":
            values[column.reading] = source.cells
            continue
        is_number_with_comma = has_decimal_comma and column.written_as != "instant"
        cells = source.cells.str.replace(",", ".", literal=True) if is_number_with_comma else source.cells
        numbers = _numbers(cells, column, mapping)
        _refuse_unreadable(source, numbers, column, table.lines)
        values[column.reading] = column.scale / numbers if column.is_pace else column.offset + column.scale * numbers
    if "cadence_strides_min" in used and "cadence_fraction_spm" in values:
        values["cadence_spm"] += values["cadence_fraction_spm"].fill_null(0.0)
    return values


def _has_decimal_comma(used: Mapping[str, _Source], table: Table, mapping: ColumnMapping) -> bool:
    """Whether a comma is the decimal sign, which must be settled for the file: 1,234 alone could be a thousand."""
    if mapping.decimal or table.separator == ",":
        return mapping.decimal == ","
    numeric = [source for name, source in used.items() if COLUMNS[name].written_as not in {"instant", "word"}]
    with_comma = [source.header for source in numeric if source.cells.str.contains(r"\d,\d").any()]
    with_point = [source.header for source in numeric if source.cells.str.contains(r"\d\.\d").any()]
    if with_comma and with_point:
        raise Refused(
            f'The column "{with_comma[0]}" has numbers with a comma and the column "{with_point[0]}" numbers with a '
            "point: it is not clear which is the decimal sign.",
            'Write decimal = "," or decimal = "." at the top of columns.toml next to the file.',
        )
    return bool(with_comma)


def _numbers(cells: pl.Series, column: Column, mapping: ColumnMapping) -> pl.Series:
    if column.written_as == "instant":
        return clock.epoch_s(cells, zone=mapping.time_zone)
    if column.written_as == "clock":
        return clock.clock_face_s(cells)
    numbers = cells.cast(pl.Float64(), strict=False)
    return numbers.fill_null(clock.clock_face_s(cells) / 60) if column.written_as == "minutes" else numbers


def _refuse_unreadable(source: _Source, numbers: pl.Series, column: Column, lines: pl.Series) -> None:
    """Raise if most cells of a column are not what its header says; a few odd cells are only missing values."""
    header, cells = source
    unreadable = cells.is_not_null() & numbers.is_null()
    if 2 * int(unreadable.sum()) <= len(cells) - cells.null_count():
        return
    row = int(unreadable.arg_true()[0])
    found = f'The column "{header}" has "{cells[row][:40]}" in line {lines[row]}'
    if column.written_as == "instant" and clock.lacks_zone(cells)[row]:
        raise Refused(
            f"{found}, a time that does not say in which zone.",
            'Write times with Z or an offset, or write time_zone = "UTC" (or the zone of the place, such as '
            '"Europe/Lisbon") at the top of columns.toml next to the file.',
        )
    raise Refused(
        f"{found}, expected {_WRITTEN_AS[column.written_as]}.",
        f"Correct the column, or leave it out: write {toml_line(header, '')} under [columns] in "
        "columns.toml next to the file.",
    )


def _on_one_clock(values: Readings, table: Table, mapping: ColumnMapping) -> tuple[Readings, bool]:
    if "time_s" in values:
        return values, True
    if "elapsed_s" not in values:
        raise Refused(
            "The file has no column with the time.",
            "Name it time_utc, time_epoch_s, elapsed_s or elapsed_hms, in the header or under [columns] in "
            f"columns.toml next to the file.{_unmatched(table, mapping)}",
        )
    started_s = values["started_s"].drop_nulls().first() if "started_s" in values else None
    return {**values, "time_s": values["elapsed_s"] + (started_s or 0.0)}, started_s is not None


#: What a recording without distance may still give to another one of the same run.
_OF_FORM = frozenset({"cadence_spm", "contact_time_ms", "vertical_oscillation_mm", "contact_balance_pct"})


def _without_distance(values: Readings, table: Table, mapping: ColumnMapping) -> tuple[str, str] | None:
    """What to say of a file without distance; None where it has one."""
    has_positions = {"latitude_deg", "longitude_deg"} <= values.keys()
    if has_positions or "distance_m" in values or "speed_m_s" in values:
        return None
    return (
        "The file has neither distance, speed, pace nor positions, so kilometres cannot be computed.",
        "Name one column distance_m, speed_m_s or pace_min_per_km, or two latitude_deg and longitude_deg, in the "
        "header or under [columns] in columns.toml next to the file; or put another recording of the run next to it."
        f"{_unmatched(table, mapping)}",
    )


def _unmatched(table: Table, mapping: ColumnMapping) -> str:
    """A misspelt header in `columns.toml` shows only as a column that is missing."""
    present = {header.casefold() for header in table.headers}
    return "".join(
        f' columns.toml names "{header}", which the file does not have. {did_you_mean(header, table.headers)}'.rstrip()
        for header in mapping.columns
        if header.casefold() not in present
    )


def _readings(values: Readings) -> pl.DataFrame:
    frame = readings_frame({name: values[name] for name in READINGS if name in values})
    finite = frame.select(pl.when(pl.all().is_finite()).then(pl.all())).filter(pl.col("time_s").is_not_null())
    if len(finite) < MIN_ROWS:
        raise Refused(
            f"Rows of the file that have a time: {len(finite)}, expected at least {MIN_ROWS}.",
            "Fill in the column with the time, or export the recording again.",
        )
    return finite


def _first_word(words: pl.Series | None) -> str | None:
    present = pl.Series([], dtype=pl.String) if words is None else words.drop_nulls()
    return str(present[0]).lower() if len(present) else None
