"""A `columns.toml` to accept for one CSV file: what its columns are taken for, what is proposed and what must be asked.

Bytes in, a proposal out. A unit that the header leaves open is proposed only where a single choice fits the values of a
run, and the line says so; otherwise every choice is a line with `#` in front, to be kept or deleted by hand. The reader
follows none of this until it is in `columns.toml`.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import polars as pl

from pipeline.core.errors import Refused
from pipeline.core.reasons import words
from pipeline.formats import clock
from pipeline.formats.assignment import Source, Unclear
from pipeline.formats.column_mapping import ColumnMapping, toml_line, toml_text
from pipeline.formats.columns import COLUMNS, column_of
from pipeline.formats.grains import grain_of, lengths_of_laps, placed
from pipeline.formats.headers import closest, meaning_of
from pipeline.formats.interpretation import Interpretation, interpret, read_numbers
from pipeline.formats.numbers import POINT, Signs
from pipeline.formats.several import parts
from pipeline.formats.text import ENCODINGS

N_SAMPLES = 3

#: What the readings of a run are like, wide enough for any run; outside, the unit is another one. Common practice, no
#: source. Of time, distance and lengths: the whole file; of the others: their median.
_RANGES: Mapping[str, tuple[float, float]] = {
    "time_s": (946_684_800, 3_471_292_800),  # 2000 to 2080
    "elapsed_s": (60, 172_800),
    "duration_s": (60, 172_800),
    "distance_m": (200, 300_000),
    "length_m": (200, 300_000),
    "speed_m_s": (0.8, 8),
    "cadence_spm": (120, 240),
    "contact_time_ms": (100, 500),
    "contact_time_left_ms": (100, 500),
    "contact_time_right_ms": (100, 500),
    "flight_time_ms": (10, 300),
    "vertical_oscillation_mm": (30, 180),
    "step_length_m": (0.3, 2.5),
    "latitude_deg": (1e-3, 90),
    "longitude_deg": (1e-3, 180),
}
_COUNTED = ("time_s", "elapsed_s", "distance_m")
_SUMMED = ("duration_s", "length_m")
_LONGEST_ROW_S, _LONGEST_ROW_M, _MOST_STEPS_BACK = 7200, 50_000, 0.01


@dataclass(frozen=True)
class ColumnReport:
    """A column of the file.

    Attributes:
        samples: up to `N_SAMPLES` of its cells.
        name: of `COLUMNS`; empty where it is left out or not recognised.
        choices: what it could be, where its header leaves that open; the fitting ones first.
        is_proposed: whether `name` rests on the values alone.
        note: what else its owner should know of it.
    """

    header: str
    samples: tuple[str, ...]
    name: str = ""
    choices: tuple[str, ...] = ()
    is_proposed: bool = False
    note: str = ""


@dataclass(frozen=True)
class Proposal:
    """What is proposed for a file.

    Attributes:
        missing: what the file lacks and `columns.toml` cannot give, a sentence each.
        n_asked: choices that are left to the reader of `toml`.
        toml: the section of the file in `columns.toml`.
    """

    columns: tuple[ColumnReport, ...]
    missing: tuple[str, ...]
    n_asked: int
    toml: str

    @property
    def n_left_out(self) -> int:
        """Columns that hold something and are not used."""
        return sum(bool(report.samples) and not (report.name or report.choices) for report in self.columns)


def propose(content: bytes, mapping: ColumnMapping, file_name: str) -> Proposal:
    """Propose the section of one file in `columns.toml`.

    Args:
        mapping: what `columns.toml` says already.
        file_name: of the CSV file, without folder and `.gz`.

    Raises:
        Refused: the file is no table of cells.
    """
    meant = interpret(content, mapping)
    signs = meant.signs or POINT
    reports = _reports(meant, signs)
    options = _options(meant, mapping, reports)
    n_asked = sum(bool(report.choices) and not report.name for report in reports)
    n_asked += len({line.split(" = ")[0] for line in options if line.startswith("# ")})
    quoted = toml_text(file_name)
    first_of_name = {report.header: report for report in reversed(reports) if report.header}
    lines = [
        f"[files.{quoted}]",
        *options,
        "",
        f"[files.{quoted}.columns]",
        *(line for report in reversed(first_of_name.values()) for line in _column_lines(report)),
    ]
    return Proposal(tuple(reports), tuple(_missing(meant, reports)), n_asked, "\n".join(lines) + "\n")


def _reports(meant: Interpretation, signs: Signs) -> list[ColumnReport]:
    names = {source.header: name for name, source in meant.used.items()}
    unclear = {column.source.header: column for column in meant.unclear}
    reports = []
    for header, cells in zip(meant.table.headers, meant.table.cells, strict=True):
        samples = tuple(cells.drop_nulls().head(N_SAMPLES))
        if header in unclear:
            column = unclear[header]
            fitting = _distinct([name for name in column.choices if fits(name, column.source, signs)], column, signs)
            others = [name for name in column.choices if name not in fitting]
            proposed = fitting[0] if len(fitting) == 1 else ""
            reports.append(ColumnReport(header, samples, proposed, (*fitting, *others), bool(proposed)))
        else:
            name = _name_in_laps(names.get(header, ""), meant)
            note = _other_unit(name, Source(header, cells), signs) if name else _in_place_of(header, meant)
            reports.append(ColumnReport(header, samples, name, note=note if samples else ""))
    return reports


def _other_unit(name: str, source: Source, signs: Signs) -> str:
    """A remark where the values of a column are of no run in the unit of its name, and are in another one."""
    reading = column_of(name).reading
    if reading not in _RANGES or reading in (*_COUNTED, *_SUMMED) or fits(name, source, signs):
        return ""
    others = [other for other, column in COLUMNS.items() if column.reading == reading and fits(other, source, signs)]
    return f"of no run in that unit; the values would be of one as {' or '.join(others)}" if others else ""


def _in_place_of(header: str, meant: Interpretation) -> str:
    """A remark on a column that is not used since another one gives the same."""
    meaning = meaning_of(header)
    readings = {COLUMNS[name].reading for name in (*([meaning.column] if meaning.column else []), *meaning.choices)}
    taken = next((source.header for name, source in meant.used.items() if column_of(name).reading in readings), None)
    return f'not used, since "{taken}" gives the same' if taken is not None and taken != header else ""


def _distinct(names: list[str], column: Unclear, signs: Signs) -> list[str]:
    """The names without those that read the same values: minutes as mm:ss, and mm:ss itself."""
    seen: list[tuple[str, pl.Series]] = []
    distinct = []
    for name in names:
        reading = COLUMNS[name].reading
        values = COLUMNS[name].scale * read_numbers(column.source.cells, COLUMNS[name], signs, zone="UTC")
        if not any(reading == other and values.round(6).equals(earlier) for other, earlier in seen):
            distinct.append(name)
            seen.append((reading, values.round(6)))
    return distinct


def _name_in_laps(name: str, meant: Interpretation) -> str:
    """The name of a distance that the values of a file of laps show to be that of each lap."""
    is_distance = bool(name) and column_of(name).reading == "distance_m" and "duration_s" in meant.values
    if not is_distance or grain_of(meant.values) != "lap":
        return name
    from_rows = meant.values["distance_m"]
    lengths = lengths_of_laps(from_rows, meant.values["duration_s"])
    return name.replace("distance", "length") if lengths is not None and lengths.equals(from_rows) else name


def fits(name: str, source: Source, signs: Signs) -> bool:
    """Whether the values of a column could be those of a run, if the column were of that name."""
    column = COLUMNS[name]
    if column.written_as == "instant":
        return clock.looks_dated(source.cells)
    if column.written_as == "word":
        faces = clock.clock_face_s(source.cells.str.replace(r"(?i)\s*[ap]\.?m\.?$", ""))
        return bool(faces.is_between(60, 86_400).all()) and faces.null_count() < len(faces)
    read = read_numbers(source.cells, column, signs, zone="UTC").drop_nulls()
    values = (column.scale / read if column.is_pace else column.offset + column.scale * read).drop_nulls()
    is_written_so = 2 * len(read) > len(source.cells.drop_nulls()) and not values.is_empty()
    return is_written_so and _is_of_a_run(column.reading, values)


def _is_of_a_run(reading: str, values: pl.Series) -> bool:
    if reading == "km":
        return bool((values == pl.Series(range(1, len(values) + 1), dtype=pl.Float64)).all())
    low, high = _RANGES.get(reading, (-math.inf, math.inf))
    array = values.to_numpy()
    steps = np.diff(array)
    if reading in _SUMMED:
        longest = _LONGEST_ROW_S if reading == "duration_s" else _LONGEST_ROW_M
        is_rising = len(array) > 2 and bool((steps > 0).all())
        return not is_rising and bool(((array >= 0) & (array <= longest)).all()) and bool(low <= array.sum() <= high)
    if reading in _COUNTED:
        is_counted = bool((steps < 0).sum() <= _MOST_STEPS_BACK * len(steps)) and (len(array) < 3 or bool(steps.any()))
        whole = array[-1] if reading == "time_s" else array.max()
        lasts = reading != "elapsed_s" or len(array) < 3 or bool(np.ptp(array) >= low)
        return is_counted and lasts and bool(low <= whole <= high)
    return bool(low <= np.median(np.abs(array)) <= high)


# --- Lines -----------------------------------------------------------------------------------------------------------


def _options(meant: Interpretation, mapping: ColumnMapping, reports: list[ColumnReport]) -> list[str]:
    table = meant.table
    lines = []
    if table.encoding in ENCODINGS and table.encoding != "utf-8":
        lines.append(f'encoding = "{table.encoding}"')
    if table.skip_lines:
        lines.append(f"skip_lines = {table.skip_lines}")
    lines += [f"separator = {toml_text(table.separator)}", *_signs_lines(meant), *_date_lines(meant, mapping, reports)]
    if mapping.sport:
        lines.append(f"sport = {toml_text(mapping.sport)}")
    if grain := _grain(meant, mapping, reports):
        lines.append(f'grain = "{grain}"')
    return lines


def _signs_lines(meant: Interpretation) -> list[str]:
    if meant.signs is None:
        return ['# decimal = ","', '# decimal = "."']
    if meant.signs == POINT:
        return []
    thousands = [f'thousands = "{meant.signs.thousands}"'] if meant.signs.thousands else []
    return [f'decimal = "{meant.signs.decimal}"', *thousands]


def _date_lines(meant: Interpretation, mapping: ColumnMapping, reports: list[ColumnReport]) -> list[str]:
    asked = {problem.option for problem in meant.problems}
    lines = []
    if "date_order" in asked:
        lines += [f'# date_order = "{order}"' for order in (clock.DAY_FIRST, clock.MONTH_FIRST)]
    elif meant.date_order:
        lines.append(f'date_order = "{meant.date_order}"')
    may_need_zone = any({"time_excel_days", "time_of_day"} & {report.name, *report.choices} for report in reports)
    if mapping.time_zone:
        lines.append(f'time_zone = "{mapping.time_zone}"')
    elif "time_zone" in asked or (may_need_zone and "time_s" not in meant.values):
        lines.append('# time_zone = "Europe/Lisbon"  # of the clock, with the place of your own')
    return lines


def _grain(meant: Interpretation, mapping: ColumnMapping, reports: list[ColumnReport]) -> str | None:
    """What a row is, where no open column can still change that."""
    readings = {column_of(name).reading for report in reports for name in report.choices}
    if mapping.grain or not readings & {"time_s", "elapsed_s", "duration_s", "length_m", "km"}:
        return mapping.grain or grain_of(meant.values)
    return None


def _column_lines(report: ColumnReport) -> list[str]:
    if report.is_proposed:
        others = " or ".join(name for name in report.choices if name != report.name)
        return [f"{toml_line(report.header, report.name)}  # the only one that fits the values; else {others}"]
    if report.choices:
        return [f"# {toml_line(report.header, name)}" for name in report.choices]
    if report.name:
        return [toml_line(report.header, report.name) + (f"  # {report.note}" if report.note else "")]
    return [f"{toml_line(report.header, '')}  # {report.note or not_recognised(report.header)}"]


def not_recognised(header: str) -> str:
    """What to say of a column that is left out, with what it may be."""
    near = " or ".join(closest(header))
    return "not recognised" + (f"; close to {near}" if near else "")


def _missing(meant: Interpretation, reports: list[ColumnReport]) -> list[str]:
    sentences = [words(problem.reasons)[0] for problem in meant.problems if problem.is_lack]
    sentences += [meant.without_distance.reason] if meant.without_distance is not None else []
    names = [name for report in reports for name in ([report.name] if report.name else report.choices)]
    if not {"time_s", "started_s"} & {*meant.values, *(column_of(name).reading for name in names)}:
        sentences.append(
            "The file does not say when the run began: add a line with its file and started_at_utc to sessions.csv."
        )
    if not meant.problems:
        try:
            grain, headers = (
                grain_of(meant.values),
                {column_of(name).reading: told for name, told in meant.headers.items()},
            )
            for part in parts(meant.values, meant.table.lines, grain=grain, headers=headers)[0]:
                placed(part.values, grain=None, headers=meant.headers, lines=part.lines)
        except Refused as refusal:
            sentences.append(str(refusal))
    return sentences
