"""What the columns of a CSV file hold, and everything that its owner must settle before it can be read.

Bytes in; the columns, their values in our units and the open questions out. The reader refuses a file with questions
and names them all; `proposal` turns the same questions into a `columns.toml` to accept.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import polars as pl

from pipeline.core.errors import Refused
from pipeline.formats import clock
from pipeline.formats.assignment import AT_TOP, ZONE_FIX, Problem, Source, Unclear, unit_problems, used_columns
from pipeline.formats.cells import Table, read_table
from pipeline.formats.column_mapping import ColumnMapping, did_you_mean, toml_line
from pipeline.formats.columns import COLUMNS, DISTANCE_OF_LAPS, Column, column_of
from pipeline.formats.grains import Readings, grain_of, lengths_of_laps, without_total
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
_ORDER = f'Write date_order = "day-month-year" or date_order = "month-day-year", whichever it is, {AT_TOP}.'

#: Headers that a message lists at most.
MOST_HEADERS_LISTED = 12


@dataclass(frozen=True, kw_only=True)
class Interpretation:
    """What is known of a file.

    Attributes:
        used: our name -> the column of the file.
        signs: of its numbers; None where they are undecided.
        date_order: of `clock.DATE_ORDERS`, where the dates of the file have and decide one.
        values: reading -> its values in its one unit; words stay text. Incomplete where there are problems.
        unrecognised: headers of columns that hold something and mean nothing to us.
        remarks: of times in the hour that the end of summer time repeats.
        without_distance: reason and fix where a distance is all that is missing, and another recording of the run may
            have it.
    """

    table: Table
    used: Mapping[str, Source]
    unclear: tuple[Unclear, ...]
    signs: Signs | None
    date_order: str | None
    values: Readings
    problems: tuple[Problem, ...]
    unrecognised: tuple[str, ...]
    remarks: tuple[str, ...] = ()
    without_distance: tuple[str, str] | None = None

    @property
    def headers(self) -> dict[str, str]:
        """Our name -> what the file calls it."""
        return {name: source.header for name, source in self.used.items()}

    @property
    def open_readings(self) -> set[str]:
        """What the columns whose unit is open may give."""
        return {COLUMNS[name].reading for column in self.unclear for name in column.choices}

    def require_settled(self) -> None:
        """Refuse a file with problems, with all of them in one message.

        Raises:
            Refused: there are any.
        """
        if self.problems:
            raise Refused(*self.refusal())

    def refusal(self) -> tuple[str, str]:
        """What to say of all problems, and what to do."""
        reasons = [problem.reason for problem in self.problems]
        fixes = list(dict.fromkeys(problem.fix for problem in self.problems))
        if not {"time_s", "started_s"} & {*self.values, *self.open_readings}:
            fixes.append(
                "The file does not say when the run began either: sessions.csv must, in a line with file and "
                "started_at_utc."
            )
        elif not {"time_s", "started_s"} & self.values.keys() and "elapsed_s" in self.open_readings:
            fixes.append(
                "If that is time since the start, sessions.csv must also say when the run began, in a line with file "
                "and started_at_utc."
            )
        if self.unrecognised:
            reasons.append(f"Columns not recognised: {_listed(self.unrecognised)}.")
        fixes.append("`splitdrift columns FILE` prints a columns.toml for all of this.")
        return " ".join(reasons), " ".join(fixes)


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
        known=[header.casefold() for header in (*mapping.columns, *mapping.own)],
    )
    used, unclear, problems = used_columns(table, mapping)
    signs, found = _signs_of(used, unclear, table, mapping)
    if signs is None:
        problems.append(_undecided_signs(found))
    order = mapping.date_order or _date_order(used)
    values = _values(used, table.lines, signs, replace(mapping, date_order=order), problems)
    if not unclear and (of_laps := _open_distance(used, values, table.lines, mapping)):
        unclear.append(of_laps)
        problems += unit_problems([of_laps])
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
        remarks=_remarks(used, mapping, order),
    )
    missing = _missing(meant, mapping)
    whole = replace(meant, problems=(*problems, *missing))
    is_all = not problems and [problem.is_distance for problem in missing] == [True]
    if is_all and {*_OF_FORM, *mapping.own.values()} & values.keys():
        return replace(whole, problems=(), without_distance=whole.refusal())
    return whole


#: What a recording without distance may still give to another one of the same run.
_OF_FORM = frozenset({"cadence_spm", "contact_time_ms", "vertical_oscillation_mm", "contact_balance_pct"})


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


def _open_distance(
    used: Mapping[str, Source], values: Readings, lines: pl.Series, mapping: ColumnMapping
) -> Unclear | None:
    """The distance of a file of laps, where it may be that of each lap or that since the start."""
    if (mapping.grain or grain_of(values)) != "lap" or "duration_s" not in values or "length_m" in values:
        return None
    name = next((name for name in used if column_of(name).reading == "distance_m"), None)
    if name is None or name in mapping.columns.values():
        return None
    of_laps, _, _ = without_total(values, lines)
    if lengths_of_laps(of_laps["distance_m"], of_laps["duration_s"]) is not None:
        return None
    length = name.replace("distance", "length")
    return Unclear(source=used[name], choices={key: DISTANCE_OF_LAPS[key] for key in (length, name)})


# --- Their values ----------------------------------------------------------------------------------------------------


def _signs_of(
    used: Mapping[str, Source], unclear: Sequence[Unclear], table: Table, mapping: ColumnMapping
) -> tuple[Signs | None, Evidence]:
    """The decimal sign, which must be settled for the file: 1,234 alone could be a thousand."""
    nothing = Evidence((), (), POINT)
    if mapping.decimal:
        return Signs(mapping.decimal, mapping.thousands), nothing
    if mapping.thousands in (".", ","):
        return Signs("," if mapping.thousands == "." else ".", mapping.thousands), nothing
    if table.separator == "," and not table.has_quotes:
        return POINT, nothing
    numeric = [source for name, source in used.items() if column_of(name).written_as not in ("instant", "word")]
    numeric += [column.source for column in unclear if not clock.looks_dated(column.source.cells)]
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
        f'Write decimal = "," or decimal = "." {AT_TOP}.',
        "decimal",
    )


def _date_order(used: Mapping[str, Source]) -> str | None:
    """What the dates of the file decide, taken together."""
    orders = {clock.date_order(texts) for _, texts in _instants(used) if not clock.looks_iso(texts)}
    return orders.pop() if len(orders) == 1 else None


def _instants(used: Mapping[str, Source]) -> list[tuple[Source, pl.Series]]:
    """The columns that hold dates with a time of day; a date and a time of day in two columns are joined."""
    instants = [(source, source.cells) for name, source in used.items() if column_of(name).written_as == "instant"]
    if not instants and {"date", "time_of_day"} <= used.keys():
        date, time = used["date"], used["time_of_day"]
        day = date.cells.str.replace(clock.MIDNIGHT, "")
        instants = [(Source(f"{date.header} {time.header}", date.cells), day + " " + time.cells)]
    return instants


def _remarks(used: Mapping[str, Source], mapping: ColumnMapping, order: str | None) -> tuple[str, ...]:
    """What the owner should know of times in the hour that the end of summer time repeats."""
    if mapping.time_zone is None:
        return ()
    said = (clock.repeated_hour(texts, zone=mapping.time_zone, order=order) for _, texts in _instants(used))
    return tuple(remark for remark in said if remark is not None)


def _values(
    used: Mapping[str, Source],
    lines: pl.Series,
    signs: Signs | None,
    mapping: ColumnMapping,
    problems: list[Problem],
) -> Readings:
    """Reading -> its values in its one unit; words stay text."""
    values: dict[str, pl.Series] = {}
    for source, texts in _instants(used):
        name = next((name for name, own in used.items() if own is source), "date_time")
        seconds = clock.epoch_s(texts, zone=mapping.time_zone, order=mapping.date_order)
        problems += _instant_problems(Source(source.header, texts), seconds, lines, mapping.date_order)
        values[COLUMNS[name].reading] = seconds
    for name, source in used.items():
        column = column_of(name)
        if column.written_as == "instant":
            continue
        if column.written_as == "word":
            values[column.reading] = source.cells
            continue
        read = read_numbers(source.cells, column, signs or POINT, zone=mapping.time_zone)
        if column.written_as == "days" and mapping.time_zone is None:
            problems.append(
                Problem(
                    f'The column "{source.header}" counts days as a spreadsheet does, without a zone.',
                    f"So {ZONE_FIX}",
                    "time_zone",
                )
            )
        elif signs is not None:  # otherwise that is what makes them unreadable
            problems += _unreadable(source, read, column, lines)
        values[column.reading] = column.scale / read if column.is_pace else column.offset + column.scale * read
    if "cadence_strides_min" in used and "cadence_fraction_spm" in values:
        values["cadence_spm"] += values["cadence_fraction_spm"].fill_null(0.0)
    return values


def read_numbers(cells: pl.Series, column: Column, signs: Signs, *, zone: str | None) -> pl.Series:
    """The cells of a column as numbers in the unit that its name states; dates as seconds since 1970."""
    if column.written_as == "clock":
        return clock.clock_face_s(with_point(cells, signs))
    values = numbers(cells, signs)
    if column.written_as == "days":
        return clock.spreadsheet_s(values, zone=zone)
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
    needs_order = order is None and clock.lacks_order(cells)[row]
    needs_zone = clock.lacks_zone(clock.iso_texts(cells, order))[row]
    problems = []
    if needs_order:
        problems.append(Problem(f"{found}, a date whose day and month cannot be told apart.", _ORDER, "date_order"))
    if needs_zone:
        said = "That is also" if needs_order else f"{found},"
        fix = f"Write times with Z or an offset, or {ZONE_FIX}"
        problems.append(Problem(f"{said} a time that does not say in which zone.", fix, "time_zone"))
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
    has = {*meant.values, *meant.open_readings}
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
                is_lack=True,
            )
        )
    has_distance = {"distance_m", "speed_m_s", "length_m", "km", "step_length_m"} & has
    if not (has_distance or {"latitude_deg", "longitude_deg"} <= has):
        problems.append(
            Problem(
                "The file has neither distance, speed, pace nor positions, so kilometres cannot be computed.",
                "Name one column distance_m, speed_m_s or pace_min_per_km, or two latitude_deg and longitude_deg, in "
                "the header or under [columns] in columns.toml next to the file; or put another recording of the run "
                f"next to it.{suffix}",
                is_lack=True,
                is_distance=True,
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
