"""Files of lists, whatever program wrote them: a CSV of any dialect, or a workbook. A file in, rows of texts out.

Separator, encoding and the mark of a spreadsheet (`sep=;`) are read from the file; `columns.toml` in the inbox can name
them as it does for recordings.
"""

from __future__ import annotations

import csv
import difflib
import io
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from importlib import import_module
from pathlib import Path, PurePosixPath

import polars as pl

from pipeline.core.errors import Refused, UsageError
from pipeline.core.reasons import cut
from pipeline.core.written import is_own, read_written
from pipeline.formats.column_mapping import ColumnMapping
from pipeline.formats.text import decoded, separator_named

WORKBOOK = ".xlsx"
_SEPARATORS = ",;\t|"

#: Lines of the same fault that are named one by one.
MOST_LINES_NAMED = 5
#: Names that are each said to be unknown, with the known one that is nearest.
MOST_NAMED = 20
#: Characters of a cell that are shown; a path is longer than a name.
MOST_SHOWN = 100

Line = tuple[int, list[str]]


@dataclass(frozen=True)
class ListFile:
    """A list as it was written.

    Attributes:
        name: of the file, for messages.
        rows: a text column for each column that the list may have, null where there is nothing, and `line`.
        mapping: what `columns.toml` of the inbox says of the file.
        notices: what is not used of it, a sentence each.
    """

    name: str
    rows: pl.DataFrame
    mapping: ColumnMapping
    notices: tuple[str, ...] = ()


def workbook_name(name: str) -> str:
    """The name of a list as a workbook."""
    return PurePosixPath(name).stem + WORKBOOK


def read_list(
    folder: Path, name: str, columns: Sequence[str], *, needed: str | None, mapping: ColumnMapping
) -> ListFile:
    """Read a list; without rows where it is absent.

    Args:
        name: such as `roster.csv`; in its absence the workbook of that name is read.
        columns: that the list may have.
        needed: the column without which no line can be used.

    Raises:
        UsageError: the file as a whole cannot be read. Without the needed column no line is used, which is a notice.
    """
    schema = {**dict.fromkeys(columns, pl.String), "line": pl.Int64}
    has_csv, has_workbook = is_own(folder, name), is_own(folder, workbook_name(name))
    if not has_csv and not has_workbook:
        return ListFile(name, pl.DataFrame(schema=schema), mapping)
    notices = []
    if has_csv and has_workbook:
        notices.append(f"{name} is used, and {workbook_name(name)} is not. Delete one of the two.")
    name = name if has_csv else workbook_name(name)
    content = read_written(folder / name)
    lines = list(_csv_lines(name, content, columns, mapping) if has_csv else _workbook_lines(name, content))
    header, places = _header(name, lines, columns, needed, notices)
    rows, too_long = [], list[str]()
    for number, cells in lines[1:] if needed is None or needed in places else ():
        if any(cells[len(header) :]):
            too_long.append(
                f"{name}, line {number}: {len(cells)} cells; expected {len(header)}. A text that holds the separator "
                "needs quotation marks. The line is not used."
            )
        elif any(cells):
            own = {column: cells[place] or None for column, place in places.items() if place < len(cells)}
            rows.append({**own, "line": number})
    notices += first_of(too_long, MOST_LINES_NAMED, f"{name}: {{}} more lines have too many cells.")
    return ListFile(name, pl.DataFrame(rows, schema=schema), mapping, tuple(notices))


def shown(text: str) -> str:
    """What a person wrote in a cell, as a sentence may hold it."""
    return cut(text, MOST_SHOWN)


def first_of(texts: Sequence[str], most: int, more: str) -> list[str]:
    """The first of many texts, and one with the number of the others, of which there are always several."""
    if len(texts) <= most + 1:
        return [*texts]
    return [*texts[:most], more.format(f"{len(texts) - most:,}")]


def _header(
    name: str, lines: Sequence[Line], columns: Sequence[str], needed: str | None, notices: list[str]
) -> tuple[list[str], dict[str, int]]:
    """The headers as written, and the place of each column of the list."""
    header = list(lines[0][1]) if lines else []
    while header and not header[-1]:
        header.pop()
    places: dict[str, int] = {}
    unused: list[str] = []
    nearest: dict[str, str] = {}
    for place, cell in enumerate(header):
        column = re.sub(r"[\W_]+", "_", cell.casefold()).strip("_")
        if column in places:
            notices.append(f"{name}, line 1: the column '{shown(cell)}' is there twice; the first is used.")
        elif column in columns:
            places[column] = place
        elif cell:
            # Of a table that is no list every column would be compared.
            near = _near(column, columns) if len(unused) < MOST_NAMED else None
            unused.append(f"'{shown(cell)}'" + (f" (did you mean {near}?)" if near else ""))
            nearest.setdefault(near or "", shown(cell))
    if needed is not None and needed not in places:
        found = f" The columns are {', '.join(map(shown, header[:12]))}." if header else ""
        found += f" If '{nearest[needed]}' is it, rename it to {needed}." if needed in nearest else ""
        notices.append(f"{name}, line 1: the column '{needed}' is missing, so no line of it is used.{found}")
    elif unused:
        notices.append(f"{name}: columns that are not used: {', '.join(first_of(unused, MOST_NAMED, '{} more'))}.")
    return header, places


def _near(column: str, columns: Sequence[str]) -> str | None:
    """The column that is spelled almost alike, or that has this one among its words: `shoe` for `shoe_id`."""
    alike = difflib.get_close_matches(column, columns, n=1, cutoff=0.75)
    return next(iter(alike or (own for own in columns if column in own.split("_"))), None)


def _csv_lines(name: str, content: bytes, columns: Iterable[str], mapping: ColumnMapping) -> Iterable[Line]:
    """Each line with the number of the line it begins on: a text in quotation marks may go over several."""
    known = frozenset(columns)
    try:
        text, _ = decoded(content, mapping.encoding, lambda head: sum(column in head.lower() for column in known))
    except Refused as refusal:
        raise UsageError(f"{name}: {refusal}") from refusal
    first, _, below = text.partition("\n")
    number = 1
    named = separator_named(first.strip())
    if named:
        text, number = below, 2
    separator = mapping.separator or named or max(_SEPARATORS, key=first.count)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=True)
    above = number - 1
    lines = []
    try:
        for cells in reader:
            lines.append((number, [cell.strip() for cell in cells]))
            number = above + reader.line_num + 1
    except csv.Error as error:
        raise UsageError(f"{name}, line {number}: not comma-separated values: {error}.") from error
    return lines


def _workbook_lines(name: str, content: bytes) -> Iterable[Line]:
    lines: Iterable[Line] = import_module("pipeline.inbox.workbook").first_sheet(name, content)
    return lines


class Checked:
    """Rows of a list, of which those that break a rule are not used. The first fault of a line is its notice."""

    def __init__(self, file: ListFile) -> None:
        self.name, self.mapping = file.name, file.mapping
        self.rows = file.rows
        self._notices = list(file.notices)
        self._faults: dict[int, tuple[str, str]] = {}

    def say(self, sentence: str) -> None:
        """Add a notice about the list as a whole."""
        self._notices.append(sentence)

    def require(self, holds: pl.Series, column: str, expected: str) -> None:
        """Take out the rows that break a rule, with what was found in a column and what was expected."""
        if holds.all():  # seen sooner than which rows break it
            return
        for line, found in self.rows.filter(~holds).select("line", column).iter_rows():
            said = "empty" if found is None else f"'{shown(found)}'"
            text = f"{self.name}, line {line}: {column} is {said}; expected {expected}. The line is not used."
            self._faults.setdefault(line, (column, text))

    def require_first(self, keys: Sequence[pl.Series], column: str, expected: str) -> None:
        """Take out rows whose keys an earlier row has that is used."""
        is_sound = ~self.rows["line"].is_in(list(self._faults))
        frame = pl.DataFrame({str(place): key for place, key in enumerate(keys)})
        first = frame.filter(is_sound).select(pl.struct(pl.all()).is_first_distinct()).to_series()
        lines = self.rows.filter(is_sound)["line"].filter(~first)
        self.require(~self.rows["line"].is_in(lines.to_list()), column, expected)

    def sound(self, rows: pl.DataFrame) -> pl.DataFrame:
        """Of rows of the same lines, those that broke no rule."""
        return rows.filter(~pl.col("line").is_in(list(self._faults)))

    @property
    def notices(self) -> tuple[str, ...]:
        """What is not used, a sentence each; of many lines with a fault in the same column only the first."""
        named: dict[str, list[str]] = {}
        for _, (column, text) in sorted(self._faults.items()):
            named.setdefault(column, []).append(text)
        notices = list(self._notices)
        for column, texts in named.items():
            more = f"{self.name}: {{}} more lines are not used because of their {column}."
            notices += first_of(texts, MOST_LINES_NAMED, more)
        return tuple(notices)
