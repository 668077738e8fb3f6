"""The text of a CSV file, cut into cells. Bytes in, a table of texts out; no cell is given a meaning here.

Lines above the line of headers, as programs write them about the device or the athlete, are skipped: that line is the
first with at least two headers that mean something, else the first above rows of as many cells, else the first of all.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Collection
from dataclasses import dataclass

import polars as pl

from pipeline.core.errors import Refused
from pipeline.core.reasons import Reason
from pipeline.formats.headers import is_known, is_unit
from pipeline.formats.text import decoded, separator_named

MIN_ROWS = 2

#: Far more than any program writes; every column costs memory even where it is empty. Common practice, no source.
MOST_COLUMNS = 1000
MOST_HEADER_CHARACTERS = 100_000

#: Lines among which the headers are looked for, cells of each, and headers that make a line theirs. Common practice, no
#: source.
MOST_LINES_ABOVE, MOST_HEADERS_LOOKED_AT, MIN_KNOWN_HEADERS, MIN_UNITS = 60, 100, 2, 2

#: What programs write, in small or capital letters, where they have no value.
EMPTY_WORDS = ("", "-", "--", "---", "na", "n/a", "nan", "null", "none")

_SEPARATORS = ",;\t|"


@dataclass(frozen=True, kw_only=True)
class Table:
    """The cells of a file.

    Attributes:
        headers: as written, without blanks round them; may be empty, may repeat. Where the row below holds units, each
            is added to its header in parentheses.
        cells: one text column per header, in the same order; null where a cell is empty. Blank rows are left out.
        lines: the line number of each row in the file, counted from 1 as an editor does.
        has_quotes: whether any cell may be in quotation marks, and so hold the separator.
        skip_lines: lines above the line of headers, blank ones at the top of the file not counted.
    """

    headers: list[str]
    cells: pl.DataFrame
    lines: pl.Series
    separator: str
    has_quotes: bool
    encoding: str
    skip_lines: int


def read_table(
    content: bytes,
    separator: str | None = None,
    *,
    encoding: str | None = None,
    skip_lines: int | None = None,
    known: Collection[str] = (),
) -> Table:
    """Cut a file into cells.

    Args:
        content: text in any of `text.ENCODINGS`.
        separator: between two cells; None takes comma, semicolon, tab or bar, whichever the header has most of.
        encoding: None to find it.
        skip_lines: lines above the line of headers; None to find it.
        known: headers that mean something although nobody else knows them, in small letters.

    Raises:
        Refused: no text, more than `MOST_COLUMNS` columns, fewer than `MIN_ROWS` rows, broken quotation marks, or a row
            longer than the header.
    """
    text, encoding = decoded(content, encoding, lambda head: _place_of_headers(head, separator, known)[2])
    body = text.lstrip("\n")
    if skip_lines is None:
        skip_lines, separator, _ = _place_of_headers(body[:MOST_HEADER_CHARACTERS], separator, known)
    body = _below(body, skip_lines).lstrip("\n")
    separator = separator or _separator(body[:MOST_HEADER_CHARACTERS].partition("\n")[0])
    _require_header_within(body)
    try:
        reader = csv.reader(io.StringIO(body[:MOST_HEADER_CHARACTERS]), delimiter=separator)
        headers = [header.strip() for header in next(reader, [])]
        _require_columns_within(len(headers))
        # One column more than the header has, to catch rows that are longer: cut apart by their own decimal commas.
        names = [str(place) for place in range(len(headers) + 1)]
        rows = _below(body, reader.line_num)
        frame = pl.read_csv(
            f"{separator.join(names)}\n{rows}".encode(),
            separator=separator,
            infer_schema=False,
            truncate_ragged_lines=True,
        )
    except (csv.Error, pl.exceptions.PolarsError):
        raise Refused(Reason.QUOTATION_MARKS) from None
    first_line = text.count("\n", 0, len(text) - len(body)) + reader.line_num + 1
    frame = frame.select(_present(pl.all())).with_row_index("line", offset=first_line)
    frame = frame.filter(pl.any_horizontal(pl.col(names).is_not_null()))
    _require_rows(frame, names[-1], headers, separator)
    if _has_row_of_units(frame, names[:-1]):
        units = frame.select(names[:-1]).row(0)
        headers = [f"{header} ({unit})" if unit else header for header, unit in zip(headers, units, strict=True)]
        frame = frame.slice(1)
    return Table(
        headers=headers,
        cells=frame.select(names[:-1]),
        lines=frame["line"],
        separator=separator,
        has_quotes='"' in rows,
        encoding=encoding,
        skip_lines=skip_lines,
    )


def _place_of_headers(text: str, separator: str | None, known: Collection[str]) -> tuple[int, str | None, int]:
    """How many lines are above the headers, what separates these, and how many of them mean something."""

    def n_known(line: str) -> int:
        cells = _cut(line, separator or _separator(line))[:MOST_HEADERS_LOOKED_AT]
        return sum(is_known(cell) or cell.casefold() in known for cell in cells)

    first = text.lstrip("\n").partition("\n")[0]
    if (n_first := n_known(first)) >= MIN_KNOWN_HEADERS:
        return 0, separator, n_first
    lines = text.split("\n", MOST_LINES_ABOVE + 3)[: MOST_LINES_ABOVE + 3]
    counts = [n_known(line) for line in lines[:MOST_LINES_ABOVE]]
    if max(counts) >= MIN_KNOWN_HEADERS:
        return counts.index(max(counts)), separator, max(counts)
    if named := separator_named(first):
        return 1, separator or named, 0
    for place, line in enumerate(lines[:-2]):
        by = separator or _separator(line)
        n_cells = [len(_cut(row, by)) for row in lines[place : place + 3]]
        is_above_rows = (
            min(n_cells) == max(n_cells) > 1 and not _has_number(line, by) and _has_number(lines[place + 1], by)
        )
        if is_above_rows:
            return place, separator, n_first
    return 0, separator, n_first


def _cut(line: str, separator: str) -> list[str]:
    try:
        return [cell.strip() for cell in next(csv.reader([line], delimiter=separator), [])]
    except csv.Error:
        return []


def _has_number(line: str, separator: str) -> bool:
    return any(re.fullmatch(r"[-+]?\d+([.,:/-]\d+)*", cell) for cell in _cut(line, separator))


def _has_row_of_units(frame: pl.DataFrame, names: list[str]) -> bool:
    """Whether the first row names units, and nothing else, and enough rows are below it."""
    words = [cell for cell in frame.select(names).row(0) if cell] if len(frame) > MIN_ROWS else []
    if any(character.isdigit() for word in words for character in word):
        return False
    return len(words) >= MIN_UNITS and all(is_unit(word.strip("[]()")) or word == "#" for word in words)


def _below(text: str, n_lines: int) -> str:
    """The text without its first lines; not cut into lines, of which a hostile file may have a hundred million."""
    place = 0
    for _ in range(n_lines):
        place = text.find("\n", place) + 1 or len(text)
    return text[place:]


def _require_header_within(body: str) -> None:
    # A quoted header may go over several lines; one that does not end within the limit is cut there, and its rows
    # then fit no column.
    if len(body) > MOST_HEADER_CHARACTERS and "\n" not in body[: MOST_HEADER_CHARACTERS + 1]:
        raise Refused(Reason.LONG_HEADER, most=MOST_HEADER_CHARACTERS)


def _require_columns_within(n_columns: int) -> None:
    if n_columns > MOST_COLUMNS:
        raise Refused(Reason.MANY_COLUMNS, n_columns=n_columns, most=MOST_COLUMNS)


def _separator(header_line: str) -> str:
    unquoted = re.sub(r'"[^"]*"', "", header_line)
    return max(_SEPARATORS, key=unquoted.count)


def _present(cell: pl.Expr) -> pl.Expr:
    stripped = cell.str.strip_chars()
    return pl.when(~stripped.str.to_lowercase().is_in(EMPTY_WORDS)).then(stripped)


def _require_rows(frame: pl.DataFrame, overflow: str, headers: list[str], separator: str) -> None:
    if len(frame) < MIN_ROWS:
        raise Refused(Reason.FEW_ROWS, n_rows=len(frame), least=MIN_ROWS)
    too_long = frame.filter(pl.col(overflow).is_not_null())
    if len(too_long):
        kind = Reason.LONG_ROW_OF_COMMAS if separator == "," else Reason.LONG_ROW
        raise Refused(kind, line=too_long["line"][0], n_headers=len(headers))
