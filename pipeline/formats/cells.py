"""The text of a CSV file, cut into cells. Bytes in, a table of texts out; no cell is given a meaning here."""

from __future__ import annotations

import csv
import io
import re
from dataclasses import dataclass

import polars as pl

from pipeline.core.errors import Refused

MIN_ROWS = 2

#: Far more than any program writes; every column costs memory even where it is empty. Common practice, no source.
MOST_COLUMNS = 1000
MOST_HEADER_CHARACTERS = 100_000

#: What programs write, in small or capital letters, where they have no value.
EMPTY_WORDS = ("", "-", "--", "---", "na", "n/a", "nan", "null", "none")


@dataclass(frozen=True, kw_only=True)
class Table:
    """The cells of a file.

    Attributes:
        headers: as written, without blanks round them; may be empty, may repeat.
        cells: one text column per header, in the same order; null where a cell is empty. Blank rows are left out.
        lines: the line number of each row in the file, counted from 1 as an editor does.
    """

    headers: list[str]
    cells: pl.DataFrame
    lines: pl.Series
    separator: str


def read_table(content: bytes, separator: str | None = None) -> Table:
    """Cut a file into cells.

    Args:
        content: UTF-8 or UTF-16 text with or without byte-order mark (UTF-16 needs it), else taken for Latin-1.
        separator: between two cells; None takes tab, semicolon or comma, whichever the header has most of.

    Raises:
        Refused: no text, more than `MOST_COLUMNS` columns, fewer than `MIN_ROWS` rows, broken quotation marks, or a row
            longer than the header.
    """
    text = _text(content)
    body = text.lstrip("\n")
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
        raise Refused(
            "The file is no table of cells: a quotation mark is inside a cell, or opens one and is not closed.",
            "Save it again as CSV from the program that made it.",
        ) from None
    first_line = len(text) - len(body) + reader.line_num + 1
    frame = frame.select(_present(pl.all())).with_row_index("line", offset=first_line)
    frame = frame.filter(pl.any_horizontal(pl.col(names).is_not_null()))
    _require_rows(frame, names[-1], headers, separator)
    return Table(headers=headers, cells=frame.select(names[:-1]), lines=frame["line"], separator=separator)


def _text(content: bytes) -> str:
    has_utf16_mark = content.startswith((b"\xff\xfe", b"\xfe\xff"))
    for encoding in ("utf-16",) if has_utf16_mark else ("utf-8-sig", "latin-1"):
        try:
            return content.decode(encoding).replace("\r\n", "\n").replace("\r", "\n")
        except UnicodeDecodeError:
            continue
    raise Refused("The file says that it is UTF-16 text but is not.", "Save it again as CSV with the encoding UTF-8.")


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
        raise Refused(
            f"The first line of the file, which should name the columns, goes on beyond {MOST_HEADER_CHARACTERS:,} "
            "characters.",
            "Save it again as CSV with a short name for each column in the first line.",
        )


def _require_columns_within(n_columns: int) -> None:
    if n_columns > MOST_COLUMNS:
        raise Refused(
            f"The file has {n_columns:,} columns, expected at most {MOST_COLUMNS:,}.",
            "Keep the columns that are needed, and one row for each sample, step or kilometre.",
        )


def _separator(header_line: str) -> str:
    unquoted = re.sub(r'"[^"]*"', "", header_line)
    return max(",;\t", key=unquoted.count)


def _present(cell: pl.Expr) -> pl.Expr:
    stripped = cell.str.strip_chars()
    return pl.when(~stripped.str.to_lowercase().is_in(EMPTY_WORDS)).then(stripped)


def _require_rows(frame: pl.DataFrame, overflow: str, headers: list[str], separator: str) -> None:
    if len(frame) < MIN_ROWS:
        raise Refused(
            f"Rows below the header of the file: {len(frame)}, expected at least {MIN_ROWS}.",
            "Export the whole recording again.",
        )
    too_long = frame.filter(pl.col(overflow).is_not_null())
    if len(too_long):
        raise Refused(
            f"Line {too_long['line'][0]} has more cells than the header, which has {len(headers)}.",
            "If its numbers have decimal commas, save it with semicolons between the cells."
            if separator == ","
            else "Save it again as CSV with one header for each column.",
        )
