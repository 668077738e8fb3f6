"""What the columns of a CSV file hold, and everything that its owner must settle before it can be read.

Bytes in; the columns, their values in our units and the open questions out. The reader refuses a file with questions and
names them all; `proposal` turns the same questions into a `columns.toml` to accept.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import NamedTuple

import polars as pl

from pipeline.core.errors import Refused
from pipeline.formats import clock
from pipeline.formats.cells import Table, read_table
from pipeline.formats.column_mapping import ColumnMapping, did_you_mean, toml_line
from pipeline.formats.columns import CHOICES_OF, COLUMNS, DISTANCE_OF_LAPS, Column
from pipeline.formats.grains import Readings, may_be_laps
from pipeline.formats.headers import closest, meaning_of
from pipeline.formats.numbers import POINT, Evidence, Signs, evidence, numbers, with_point

_WRITTEN_AS = {
    "number": "a number",
    "minutes": "minutes, as a number or as mm:ss",
    "clock": "a time such as 1:02:03",
    "instant": "a date and time such as 2026-04-12T09:30:00Z",
    "days": "days as a number such as 46124.395833",
    "word": "a date and a time of day",
}
_AT_TOP = "at the top of columns.toml next to the file"
_ZONE = f'write time_zone = "UTC" (or the zone of the place, such as "Europe/Lisbon") {_AT_TOP}.'
_ORDER = f'Write date_order = "day-month-year" or date_order = "month-day-year", whichever it is, {_AT_TOP}.'

#: Headers that a message lists at most.
MOST_HEADERS_LISTED = 12


class Source(NamedTuple):
    """A column of the file: its header there, and its cells as text."""

    header: str
    cells: pl.Series


@dataclass(frozen=True, kw_only=True)
class Unclear:
    """A column whose header leaves open which of `choices` it is."""

    source: Source
    choices: Mapping[str, str]


@dataclass(frozen=True)
class Problem:
    """Something that the owner of a file must settle.

    Attributes:
        option: key of `columns.toml` that settles it; None where a column or the file itself does.
    """

    reason: str
    fix: str
    option: str | None = None


@dataclass(frozen=True, kw_only=True)
class Interpretation:
    """What is known of a file.

    Attributes:
        used: our name -> the column of the file.
        signs: of its numbers; None where they are undecided.
        date_order: of `clock.DATE_ORDERS`, where the dates of the file have and decide one.
        values: reading -> its values in its one unit; words stay text. Incomplete where there are problems.
        unrecognised: headers of columns that hold something and mean nothing to us.
    """

    table: Table
    used: Mapping[str, Source]
    unclear: tuple[Unclear, ...]
    signs: Signs | None
    date_order: str | None
    values: Readings
    problems: tuple[Problem, ...]
    unrecognised: tuple[str, ...]

    @property
    def headers(self) -> dict[str, str]:
        """Our name -> what the file calls it."""
        return {name: source.header for name, source in self.used.items()}

    def require_settled(self) -> None:
        """Refuse a file with problems, with all of them in one message.

        Raises:
            Refused: there are any.
        """
        if not self.problems:
            return
        reasons = [problem.reason for problem in self.problems]
        fixes = list(dict.fromkeys(problem.fix for problem in self.problems))
        if self.unrecognised:
            reasons.append(f"Columns not recognised: {_listed(self.unrecognised)}.")
        fixes.append("`splitdrift columns FILE` prints a columns.toml for all of this.")
        raise Refused(" ".join(reasons), " ".join(fixes))


def interpret(content: bytes, mapping: ColumnMapping) -> Interpretation:
    """Find out what the columns of a file hold.

    Raises:
        Refused: the file is no table of cells.
    """
    table = read_table(
        content,
        mapping.separator,
        encoding=mapping.encoding,
        skip_lines=mapping.skip_lines,
        known=[header.casefold() for header in mapping.columns],
    )
    used, unclear, problems = _used_columns(table, mapping)
    signs, found = _signs_of(used, table, mapping)
    if signs is None:
        problems.append(_undecided_signs(found))
    order = mapping.date_order or _date_order(used)
    values = _values(used, table, signs or POINT, order, mapping, problems)
    unrecognised = tuple(
        header
        for header, cells in zip(table.headers, table.cells, strict=True)
        if header and cells.null_count() < len(cells) and mapping.name_of(header) is None and _is_unknown(header)
    )
    meant = Interpretation(
        table=table,
        used=used,
        unclear=tuple(unclear),
        signs=signs,
        date_order=order,
        values=values,
        problems=(),
        unrecognised=unrecognised,
    )
    everything = (*problems, *_missing(meant, mapping))
    return Interpretation(**{**vars(meant), "problems": everything})


def unused(meant: Interpretation, mapping: ColumnMapping) -> tuple[str, ...]:
    """Headers of columns that hold something and gave no reading, but for those that columns.toml leaves out."""
    taken = {source.header for source in meant.used.values()}
    return tuple(
        header
        for header, cells in zip(meant.table.headers, meant.table.cells, strict=True)
        if header not in taken and cells.null_count() < len(cells) and mapping.name_of(header) != ""
    )


def _is_unknown(header: str) -> bool:
    meaning = meaning_of(header)
    return meaning.column is None and not meaning.choices


# --- Which column is which -------------------------------------------------------------------------------------------


def _used_columns(table: Table, mapping: ColumnMapping) -> tuple[dict[str, Source], list[Unclear], list[Problem]]:
    """Our name -> the column of the file. Of several columns for one reading, the first in `COLUMNS` is used."""
    named: dict[str, Source] = {}
    unclear: list[Unclear] = []
    problems: list[Problem] = []
    for header, cells in zip(table.headers, table.cells, strict=True):
        source = Source(header, cells)
        mapped = mapping.name_of(header)
        if mapped == "" or cells.null_count() == len(cells):
            continue
        meaning = meaning_of(header)
        name = mapped or meaning.column or _dated(source, meaning.choices)
        if name in named:
            problems.append(
                Problem(
                    f'The columns "{named[name].header}" and "{header}" are both {name}.',
                    "Rename one in the file, or leave one out: write "
                    f"{toml_line(header, '')} under [columns] in columns.toml next to the file.",
                )
            )
        elif name is not None:
            named[name] = source
        elif meaning.choices:
            unclear.append(Unclear(source=source, choices=meaning.choices))
    taken: dict[str, str] = {}
    for name in sorted(named, key=list(COLUMNS).index):
        taken.setdefault(COLUMNS[name].reading, name)
    if {"date", "time_of_day"} <= taken.keys() and "time_s" not in taken:
        taken["time_s"] = "time_of_day"  # the two are joined
    unclear = [_in_context(column, taken, unclear) for column in unclear]
    unclear = [column for column in unclear if not _is_settled(column.choices, taken)]
    return {name: named[name] for name in dict.fromkeys(taken.values())}, unclear, problems + _unit_problems(unclear)


def _dated(source: Source, choices: Mapping[str, str]) -> str | None:
    """The name of a time column that holds dates: these say by themselves what they are, bare numbers do not."""
    return "time_utc" if "time_utc" in choices and clock.looks_dated(source.cells) else None


def _in_context(column: Unclear, taken: Mapping[str, str], unclear: list[Unclear]) -> Unclear:
    """A column with the choices that the other columns leave: a distance among laps may be theirs."""
    choices = column.choices
    is_lapped = may_be_laps(taken) or any(
        "duration_s" in other.choices and "time_utc" not in other.choices for other in unclear
    )
    if choices == CHOICES_OF["distance"] and is_lapped and "km" not in taken:
        choices = DISTANCE_OF_LAPS
    if "time_of_day" in choices and "date" not in taken:
        choices = {name: reason for name, reason in choices.items() if name != "time_of_day"}
    if "duration_s" in choices and len(choices) > 1 and "lap" not in taken and "km" not in taken:
        is_open = any(other.choices == CHOICES_OF["kilometre"] for other in unclear)
        if "time_utc" in choices and not is_open and not is_lapped:
            choices = {name: reason for name, reason in choices.items() if not name.startswith("duration")}
    return Unclear(source=column.source, choices=choices)


def _is_settled(choices: Mapping[str, str], taken: Mapping[str, str]) -> bool:
    """Whether another column gives what this one may mean. An absolute time gives every time, no other gives that."""
    readings = {COLUMNS[name].reading for name in choices}
    if "time_s" in taken and readings & {"time_s", "elapsed_s"} and not may_be_laps(taken):
        return True
    if "time_s" in taken and readings <= {"duration_s", "elapsed_s"} and not may_be_laps(taken):
        return True
    if readings & {"distance_m", "length_m"} and {"distance_m", "length_m"} & taken.keys():
        return True
    return "time_s" not in readings and bool(readings & taken.keys())


def _unit_problems(unclear: list[Unclear]) -> list[Problem]:
    """All columns whose unit is missing, in one problem, so that the coach settles them in one go."""
    if not unclear:
        return []
    reasons, fixes = [], []
    for column in unclear:
        header, choices = column.source.header, column.choices
        reasons.append(f'The column "{header}" does not say its unit: it could be {" or ".join(choices)}.')
        lines = [f"{toml_line(header, name)} if {reason}" for name, reason in choices.items()]
        fixes.append(f"{', or '.join(lines)}, or {toml_line(header, '')} to leave it out")
    fix = f"Under [columns] in columns.toml next to the file, write {'; and '.join(fixes)}."
    may_need_zone = any({"time_excel_days", "time_of_day"} & column.choices.keys() for column in unclear)
    if may_need_zone:
        fix += f" For time_excel_days or time_of_day also {_ZONE}"
    return [Problem(" ".join(reasons), fix)]


# --- Their values ----------------------------------------------------------------------------------------------------


def _signs_of(used: Mapping[str, Source], table: Table, mapping: ColumnMapping) -> tuple[Signs | None, Evidence]:
    """The decimal sign, which must be settled for the file: 1,234 alone could be a thousand."""
    nothing = Evidence((), (), POINT)
    if mapping.decimal:
        return Signs(mapping.decimal, mapping.thousands), nothing
    if mapping.thousands in (".", ","):
        return Signs("," if mapping.thousands == "." else ".", mapping.thousands), nothing
    if table.separator == "," and not table.has_quotes:
        return POINT, nothing
    numeric = [source for name, source in used.items() if COLUMNS[name].written_as not in ("instant", "word")]
    found = evidence(numeric, has_separate_commas=table.separator == ",")
    return found.signs, found


def _undecided_signs(found: Evidence) -> Problem:
    with_point = (
        f' and the column "{found.with_point[0]}" numbers with a point: it is not clear which is the decimal sign.'
        if found.with_point
        else ": it is not clear whether it is the decimal sign or the mark between thousands."
    )
    return Problem(
        f'The column "{found.with_comma[0]}" has numbers with a comma{with_point}',
        f'Write decimal = "," or decimal = "." {_AT_TOP}.',
        "decimal",
    )


def _date_order(used: Mapping[str, Source]) -> str | None:
    """What the dates of the file decide, taken together."""
    orders = {clock.date_order(texts) for _, texts in _instants(used) if not clock.looks_iso(texts)}
    return orders.pop() if len(orders) == 1 else None


def _instants(used: Mapping[str, Source]) -> list[tuple[Source, pl.Series]]:
    """The columns that hold dates with a time of day; a date and a time of day in two columns are joined."""
    instants = [(source, source.cells) for name, source in used.items() if COLUMNS[name].written_as == "instant"]
    if not instants and {"date", "time_of_day"} <= used.keys():
        date, time = used["date"], used["time_of_day"]
        day = date.cells.str.replace(r"[T ]0?0:00(:00)?(\.0+)?$", "")  # as spreadsheets write a date alone
        instants = [(Source(f"{date.header} {time.header}", date.cells), day + " " + time.cells)]
    return instants


def _values(
    used: Mapping[str, Source],
    table: Table,
    signs: Signs,
    order: str | None,
    mapping: ColumnMapping,
    problems: list[Problem],
) -> Readings:
    """Reading -> its values in its one unit; words stay text."""
    values: dict[str, pl.Series] = {}
    for source, texts in _instants(used):
        name = next((name for name, own in used.items() if own is source), "date_time")
        seconds = clock.epoch_s(texts, zone=mapping.time_zone, order=order)
        problems += _instant_problems(Source(source.header, texts), seconds, table.lines, order)
        values[COLUMNS[name].reading] = seconds
    for name, source in used.items():
        column = COLUMNS[name]
        if column.written_as == "instant":
            continue
        if column.written_as == "word":
            values[column.reading] = source.cells
            continue
        read = _numbers(source.cells, column, signs, mapping)
        if column.written_as == "days" and mapping.time_zone is None:
            problems.append(
                Problem(
                    f'The column "{source.header}" counts days as a spreadsheet does, which does not say in which zone.',
                    f"So {_ZONE}",
                    "time_zone",
                )
            )
        else:
            problems += _unreadable(source, read, column, table.lines)
        values[column.reading] = column.scale / read if column.is_pace else column.offset + column.scale * read
    if "cadence_strides_min" in used and "cadence_fraction_spm" in values:
        values["cadence_spm"] += values["cadence_fraction_spm"].fill_null(0.0)
    return values


def _numbers(cells: pl.Series, column: Column, signs: Signs, mapping: ColumnMapping) -> pl.Series:
    if column.written_as == "clock":
        return clock.clock_face_s(with_point(cells, signs))
    values = numbers(cells, signs)
    if column.written_as == "days":
        return clock.spreadsheet_s(values, zone=mapping.time_zone)
    is_face = column.written_as == "minutes"
    return values.fill_null(clock.clock_face_s(with_point(cells, signs)) / 60) if is_face else values


def _most_unreadable(cells: pl.Series, values: pl.Series) -> int | None:
    """The first unreadable row if most cells are; a few odd cells are only missing values."""
    unreadable = cells.is_not_null() & values.is_null()
    if 2 * int(unreadable.sum()) <= len(cells) - cells.null_count():
        return None
    return int(unreadable.arg_true()[0])


def _instant_problems(source: Source, seconds: pl.Series, lines: pl.Series, order: str | None) -> list[Problem]:
    header, cells = source
    row = _most_unreadable(cells, seconds)
    if row is None:
        return []
    found = f'The column "{header}" has "{cells[row][:40]}" in line {lines[row]}'
    problems = []
    if order is None and clock.lacks_order(cells)[row]:
        problems.append(Problem(f"{found}, a date whose day and month cannot be told apart.", _ORDER, "date_order"))
    if clock.lacks_zone(clock.iso_texts(cells, order))[row]:
        problems.append(
            Problem(
                f"{found}, a time that does not say in which zone.",
                f"Write times with Z or an offset, or {_ZONE}",
                "time_zone",
            )
        )
    return problems or [_wrong(source, found, "instant")]


def _unreadable(source: Source, values: pl.Series, column: Column, lines: pl.Series) -> list[Problem]:
    row = _most_unreadable(source.cells, values)
    if row is None:
        return []
    found = f'The column "{source.header}" has "{source.cells[row][:40]}" in line {lines[row]}'
    return [_wrong(source, found, column.written_as)]


def _wrong(source: Source, found: str, written_as: str) -> Problem:
    return Problem(
        f"{found}, expected {_WRITTEN_AS[written_as]}.",
        f"Correct the column, or leave it out: write {toml_line(source.header, '')} under [columns] in "
        "columns.toml next to the file.",
    )


# --- What is missing -------------------------------------------------------------------------------------------------


def _missing(meant: Interpretation, mapping: ColumnMapping) -> list[Problem]:
    """A time and a distance, unless a column whose unit is open may give them."""
    open_readings = {COLUMNS[name].reading for column in meant.unclear for name in column.choices}
    has = {*meant.values, *open_readings}
    problems = []
    is_placed = {"time_s", "elapsed_s", "duration_s"} & has or {"contact_time_ms", "flight_time_ms"} <= has
    is_placed = is_placed or ("speed_m_s" in has and ("km" in has or "length_m" in has))
    suffix = _unmatched(meant.table, mapping)
    if not is_placed:
        problems.append(
            Problem(
                "The file has no column with the time.",
                "Name it time_utc, time_epoch_s, elapsed_s or elapsed_hms, in the header or under [columns] in "
                f"columns.toml next to the file.{suffix}",
            )
        )
    has_distance = {"distance_m", "speed_m_s", "length_m", "km", "step_length_m"} & has
    if not (has_distance or {"latitude_deg", "longitude_deg"} <= has):
        problems.append(
            Problem(
                "The file has neither distance, speed, pace nor positions, so kilometres cannot be computed.",
                "Name one column distance_m, speed_m_s or pace_min_per_km, or two latitude_deg and longitude_deg, in the "
                f"header or under [columns] in columns.toml next to the file.{suffix}",
            )
        )
    return problems


def _unmatched(table: Table, mapping: ColumnMapping) -> str:
    """A misspelt header in `columns.toml` shows only as a column that is missing."""
    present = {header.casefold() for header in table.headers}
    return "".join(
        f' columns.toml names "{header}", which the file does not have. {did_you_mean(header, table.headers)}'.rstrip()
        for header in mapping.columns
        if header.casefold() not in present
    )


def _listed(headers: tuple[str, ...]) -> str:
    """Some headers, each with the closest names of columns."""

    def shown(header: str) -> str:
        near = closest(header)
        return f'"{header[:40]}"' + (f" (close to {' or '.join(near)})" if near else "")

    more = len(headers) - MOST_HEADERS_LISTED
    return ", ".join(map(shown, headers[:MOST_HEADERS_LISTED])) + (f" and {more} more" if more > 0 else "")
