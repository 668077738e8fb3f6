"""Which column of a CSV file is which. A table and what `columns.toml` says in; our names and what stays open out."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import NamedTuple

import polars as pl

from pipeline.core.reasons import Because, Reason, because
from pipeline.formats import clock
from pipeline.formats.cells import Table
from pipeline.formats.column_mapping import ColumnMapping, toml_line
from pipeline.formats.columns import CHOICES_OF, COLUMNS, DISTANCE_OF_LAPS, column_of
from pipeline.formats.grains import may_be_laps
from pipeline.formats.headers import Meaning, meaning_of


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
        reasons: why, and what to do.
        option: key of `columns.toml` that settles it; None where a column or the file itself does.
        is_lack: whether a column is missing.
        is_distance: whether that is one of distance, which another recording of the run may have.
    """

    reasons: tuple[Because, ...]
    option: str | None = None
    is_lack: bool = False
    is_distance: bool = False


def used_columns(table: Table, mapping: ColumnMapping) -> tuple[dict[str, Source], list[Unclear], list[Problem]]:
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
        name = mapped or _dated(source, meaning) or meaning.column
        if name in named:
            first, line = named[name].header, toml_line(header, "")
            both = because(Reason.SAME_NAME, first=first, second=header, name=name, line=line)
            problems.append(Problem((both,)))
        elif name is not None:
            named[name] = source
        elif meaning.choices:
            unclear.append(Unclear(source=source, choices=meaning.choices))
    taken: dict[str, str] = {}
    order = {name: place for place, name in enumerate(COLUMNS)}
    for name in sorted(named, key=lambda name: order.get(name, len(order))):
        taken.setdefault(column_of(name).reading, name)
    if {"date", "time_of_day"} <= taken.keys() and "time_s" not in taken:
        taken["time_s"] = "time_of_day"  # the two are joined
    unclear = [_in_context(column, taken, unclear) for column in unclear]
    unclear = [column for column in unclear if not _is_settled(column.choices, taken)]
    return {name: named[name] for name in dict.fromkeys(taken.values())}, unclear, problems + unit_problems(unclear)


def _dated(source: Source, meaning: Meaning) -> str | None:
    """The name of a column of times, dates or times of day that holds dates with a time of day: these say by themselves
    what they are, bare numbers do not.
    """
    may_be = "time_utc" in meaning.choices or meaning.column in ("date", "time_of_day")
    if not may_be or not clock.looks_dated(source.cells):
        return None
    is_date_alone = meaning.column == "date" and bool(source.cells.str.contains(clock.MIDNIGHT).all())
    return None if is_date_alone else "time_utc"


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
    possible = {name: reason for name, reason in choices.items() if _may_be_written_so(name, column.source.cells)}
    return Unclear(source=column.source, choices=possible or choices)


def _may_be_written_so(name: str, cells: pl.Series) -> bool:
    """Whether the first cell has the form of that column: a number, a clock face, a date."""
    first = str(cells.drop_nulls()[0])
    written_as = COLUMNS[name].written_as
    if written_as == "instant":
        return clock.looks_dated(cells)
    if written_as in ("clock", "word"):
        return ":" in first
    return written_as == "minutes" or ":" not in first


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


def unit_problems(unclear: list[Unclear]) -> list[Problem]:
    """All columns whose unit is missing, in one problem, so that the coach settles them in one go."""
    if not unclear:
        return []
    reasons, columns = [], []
    for column in unclear:
        header, choices = column.source.header, column.choices
        reasons.append(because(Reason.NO_UNIT, header=header, names=list(choices)))
        lines = [because(Reason.UNIT_LINE, line=toml_line(header, name), meaning=choices[name]) for name in choices]
        columns.append(because(Reason.UNIT_LINES, lines=lines, line=toml_line(header, "")))
    reasons.append(because(Reason.WRITE_UNIT, columns=columns))
    if any({"time_excel_days", "time_of_day"} & column.choices.keys() for column in unclear):
        reasons.append(because(Reason.ZONE_OF_UNIT))
    return [Problem(tuple(reasons))]
