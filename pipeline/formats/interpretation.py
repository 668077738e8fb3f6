"""What the columns of a CSV file hold, and everything that its owner must settle before it can be read.

Bytes in; the columns, their values in our units and the open questions out. The reader refuses a file with questions
and names them all; `proposal` turns the same questions into a `columns.toml` to accept.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import polars as pl

from pipeline.core.errors import Refused
from pipeline.core.reasons import Because, Reason, because
from pipeline.formats import clock
from pipeline.formats.assignment import Problem, Source, Unclear, unit_problems, used_columns
from pipeline.formats.cells import Table, read_table
from pipeline.formats.column_mapping import ColumnMapping, close_matches, toml_line
from pipeline.formats.columns import COLUMNS, DISTANCE_OF_LAPS, Column, column_of
from pipeline.formats.grains import Readings, grain_of, lengths_of_laps, without_total
from pipeline.formats.headers import closest, meaning_of
from pipeline.formats.numbers import POINT, Evidence, Signs, evidence, numbers, with_point

#: What a column is expected to hold, by how its cells are written.
EXPECTED = {
    "number": "a number",
    "minutes": "minutes, as a number or as mm:ss",
    "clock": "a time such as 1:02:03",
    "instant": "a date and time such as 2026-04-12T09:30:00Z",
    "days": "days as a number such as 46124.395833",
    "word": "a date and a time of day",
}

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
        without_distance: why it is refused where a distance is all that is missing; another recording of the run
            may have it.
    """

    table: Table
    used: Mapping[str, Source]
    unclear: tuple[Unclear, ...]
    signs: Signs | None
    date_order: str | None
    values: Readings
    problems: tuple[Problem, ...]
    unrecognised: tuple[str, ...]
    remarks: tuple[Because, ...] = ()
    without_distance: Refused | None = None

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
            raise self.refusal()

    def refusal(self) -> Refused:
        """What to say of all problems."""
        reasons = [reason for problem in self.problems for reason in problem.reasons]
        if not {"time_s", "started_s"} & {*self.values, *self.open_readings}:
            reasons.append(because(Reason.NO_START_EITHER))
        elif not {"time_s", "started_s"} & self.values.keys() and "elapsed_s" in self.open_readings:
            reasons.append(because(Reason.NO_START_IF_ELAPSED))
        if self.unrecognised:
            named = self.unrecognised[:MOST_HEADERS_LISTED]
            headers = [because(Reason.UNKNOWN_COLUMN, header=one[:40], near=list(closest(one))) for one in named]
            n_more = len(self.unrecognised) - len(named)
            reasons.append(because(Reason.UNKNOWN_COLUMNS, headers=headers, n_more=n_more))
        return Refused.of([*reasons, because(Reason.COLUMNS_COMMAND)])


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
    if found.with_point:
        said = because(Reason.TWO_SIGNS, comma=found.with_comma[0], point=found.with_point[0])
    else:
        said = because(Reason.UNCLEAR_COMMA, comma=found.with_comma[0])
    return Problem((said,), "decimal")


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


def _remarks(used: Mapping[str, Source], mapping: ColumnMapping, order: str | None) -> tuple[Because, ...]:
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
            problems.append(Problem((because(Reason.DAYS_WITHOUT_ZONE, header=source.header),), "time_zone"))
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
    cells = source.cells
    row = _most_unreadable(cells, seconds)
    if row is None:
        return []
    found = _cell(source, row, lines)
    needs_order = order is None and clock.lacks_order(cells)[row]
    needs_zone = clock.lacks_zone(clock.iso_texts(cells, order))[row]
    problems = []
    if needs_order:
        problems.append(Problem((because(Reason.DAY_OR_MONTH, **found),), "date_order"))
    if needs_zone:
        said = because(Reason.NO_ZONE_EITHER) if needs_order else because(Reason.NO_ZONE, **found)
        problems.append(Problem((said,), "time_zone"))
    return problems or [_wrong(found, "instant")]


def _unreadable(source: Source, values: pl.Series, column: Column, lines: pl.Series) -> list[Problem]:
    row = _most_unreadable(source.cells, values)
    if row is None:
        return []
    return [_wrong(_cell(source, row, lines), column.written_as)]


def _cell(source: Source, row: int, lines: pl.Series) -> dict[str, Any]:
    return {"header": source.header, "cell": source.cells[row][:40], "line": lines[row]}


def _wrong(found: dict[str, Any], written_as: str) -> Problem:
    expected, toml = EXPECTED[written_as], toml_line(found["header"], "")
    return Problem((because(Reason.UNREADABLE_COLUMN, **found, expected=expected, toml=toml),))


# --- What is missing -------------------------------------------------------------------------------------------------


def _missing(meant: Interpretation, mapping: ColumnMapping) -> list[Problem]:
    """A time and a distance, unless a column whose unit is open may give them."""
    has = {*meant.values, *meant.open_readings}
    problems = []
    is_placed = {"time_s", "elapsed_s", "duration_s"} & has or {"contact_time_ms", "flight_time_ms"} <= has
    is_placed = is_placed or ("speed_m_s" in has and ("km" in has or "length_m" in has))
    absent = _absent_headers(meant.table, mapping)
    if not is_placed:
        problems.append(Problem((because(Reason.NO_TIME), *absent), is_lack=True))
    has_distance = {"distance_m", "speed_m_s", "length_m", "km", "step_length_m"} & has
    if not (has_distance or {"latitude_deg", "longitude_deg"} <= has):
        lack = (because(Reason.NO_COLUMN_OF_DISTANCE), *absent)
        problems.append(Problem(lack, is_lack=True, is_distance=True))
    return problems


def _absent_headers(table: Table, mapping: ColumnMapping) -> list[Because]:
    """A misspelt header in `columns.toml` shows only as a column that is missing."""
    present = {header.casefold() for header in table.headers}
    return [
        because(Reason.ABSENT_HEADER, header=header, near=close_matches(header, table.headers))
        for header in mapping.columns
        if header.casefold() not in present
    ]
