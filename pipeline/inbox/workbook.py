"""Workbooks (`.xlsx`) of lists. The first sheet in, lines of texts out.

Imported with the first workbook: the library takes a while.
"""

from __future__ import annotations

import io
import warnings
import zipfile
from datetime import date, datetime, time
from itertools import islice

import openpyxl

from pipeline.core.errors import UsageError

#: Far more than any club has. Common practice, no source.
MOST_LINES, MOST_CELLS = 100_000, 200
MOST_UNPACKED_BYTES = 200_000_000


def first_sheet(name: str, content: bytes) -> list[tuple[int, list[str]]]:
    """The lines of the first sheet, each with its number.

    Raises:
        UsageError: no workbook, or too large.
    """
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # of styles and of validations, which nothing here looks at
            with zipfile.ZipFile(io.BytesIO(content)) as parts:
                if sum(part.file_size for part in parts.infolist()) > MOST_UNPACKED_BYTES:
                    raise ValueError("more than any list unpacks to")
            book = openpyxl.load_workbook(io.BytesIO(content), read_only=True, data_only=True)
            rows = book.worksheets[0].iter_rows(max_col=MOST_CELLS, values_only=True)
            lines = [
                (number, [_text(cell) for cell in row])
                for number, row in enumerate(islice(rows, MOST_LINES + 1), start=1)
            ]
    # What the library raises on a damaged workbook is not declared anywhere.
    except Exception as error:
        raise UsageError(f"{name} is no workbook that can be read. Save it again, or as CSV.") from error
    if len(lines) > MOST_LINES:
        raise UsageError(f"{name} has more than {MOST_LINES:,} lines. Keep what belongs to the list.")
    return [(number, _without_end(cells)) for number, cells in lines]


def _text(cell: object) -> str:
    if cell is None:
        return ""
    if isinstance(cell, datetime):
        return cell.isoformat(sep=" ")
    if isinstance(cell, date | time):
        return cell.isoformat()
    if isinstance(cell, float) and cell.is_integer():
        return str(int(cell))
    return str(cell).strip()


def _without_end(cells: list[str]) -> list[str]:
    n_cells = max((place for place, cell in enumerate(cells, start=1) if cell), default=0)
    return cells[:n_cells]
