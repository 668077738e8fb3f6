"""Tables for spreadsheets: one CSV each, and one workbook with all of them.

A cell that a spreadsheet could run as a formula is escaped: in CSV by a leading apostrophe, in the workbook as text.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Collection, Iterator
from datetime import UTC, date, datetime
from pathlib import Path

import polars as pl
import polars.selectors as cs
import xlsxwriter

from pipeline.core.metrics import BUILT_IN, Registry
from pipeline.store.long_sheets import fill_sheets
from pipeline.tables import decimals_of, meaning_of, schema_of, unit_of
from pipeline.tables.columns import dy

#: What a spreadsheet takes as the beginning of a formula, in both widths, or passes over before one: control characters
#: (OWASP, "CSV injection", from memory).
_RUNNABLE = r"^[=+\-@＝＋－＠\x00-\x1f\x7f-\x9f]"

#: The order of the sheets, and which tables are small enough for a person.
SHEETS = (
    "athlete_drift", "single_runs", "pacing", "contrasts", "before_after", "season_trend", "season_slope", "complaints",
    "strike_counts", "strike_shift", "run_drift", "runs", "recordings", "corrections", "quality", "exclusions",
)  # fmt: skip
#: Of these tables the workbook has only the rows in which the column says something; the CSV has all.
ONLY_WITH = {"quality": "suspicion"}
#: Rows beyond this are in the CSV only: a sheet of a million cells opens slowly.
MOST_ROWS = 20_000
#: Tables that may need several sheets, how many rows each has, and how many there are at most. A spreadsheet holds
#: 1,048,576 rows in a sheet and opens a tenth of that in seconds; common practice, no source.
LONG = ("splits",)
LONG_SHEET_ROWS, MOST_LONG_SHEETS = 50_000, 4
#: Sheets of more rows are filled with text once the workbook is written: a cell at a time takes ten times as long.
FEW_ROWS = 50
#: Tables that are CSV files only: to write their sheet takes a fifth of a refresh.
ONLY_CSV = ("lap_splits",)
#: Rows of a CSV file that are text at once.
CSV_ROWS_AT_ONCE = 10_000
#: All tables that are exported.
EXPORTED = (*SHEETS, *LONG, *ONLY_CSV)
#: Columns of dates, which tables hold as text.
_IS_DATE = re.compile(r"(^|_)(date|month)$")


def write_exports(
    folder: Path,
    rows_of: Callable[[str], pl.DataFrame],
    registry: Registry = BUILT_IN,
    as_csv: Collection[str] = EXPORTED,
) -> None:
    """Write the CSV files and the workbook.

    Args:
        folder: made if absent.
        rows_of: publishable rows of one of `EXPORTED`. They are asked for once, so that no more are in memory than the
            sheets need.
        registry: the quantities in force.
        as_csv: of which tables there is a CSV file.
    """
    folder.mkdir(parents=True, exist_ok=True)

    def written(name: str) -> pl.DataFrame:
        rows = rows_of(name)
        if name in as_csv:
            write_csv(folder, name, rows)
        return rows

    for name in ONLY_CSV:
        written(name)
    _write_workbook(folder / "splitdrift.xlsx", lambda name: in_workbook(name, written(name)), registry)


def write_csv(folder: Path, name: str, rows: pl.DataFrame) -> None:
    """Write one table as CSV, without a limit on its length.

    Args:
        folder: made if absent.
    """
    folder.mkdir(parents=True, exist_ok=True)
    with (folder / f"{name}.csv").open("wb") as file:
        file.write(csv_text(rows.clear()).encode())
        for some in rows.iter_slices(CSV_ROWS_AT_ONCE):
            file.write(csv_text(some, has_header=False).encode())


def csv_text(rows: pl.DataFrame, *, has_header: bool = True) -> str:
    """Rows as CSV; times in UTC."""
    return disarmed(rows).write_csv(include_header=has_header, datetime_format="%Y-%m-%dT%H:%M:%SZ")


def write_rejected(folder: Path, ledger: pl.DataFrame) -> None:
    """List the rejected and skipped files: file, session, status, reason, fix."""
    folder.mkdir(parents=True, exist_ok=True)
    columns = rejected(ledger).select("path", "session", "athlete_id", "status", "reason", "fix")
    disarmed(columns).write_csv(folder / "rejected.csv")


def rejected(ledger: pl.DataFrame) -> pl.DataFrame:
    """The recordings that are no runs of their own."""
    return ledger.filter(pl.col("status").is_in(["rejected", "not_running", "left_out", "duplicate"]))


def in_workbook(table: str, rows: pl.DataFrame) -> pl.DataFrame:
    """The rows of a table that the workbook shows; of one that is not in it, none."""
    if table in LONG:
        return rows.head(MOST_LONG_SHEETS * LONG_SHEET_ROWS)
    shown = rows.drop_nulls(ONLY_WITH[table]) if table in ONLY_WITH else rows
    return shown.head(MOST_ROWS if table in SHEETS else 0)


def disarmed(rows: pl.DataFrame) -> pl.DataFrame:
    """Rows for a CSV file: a text that a spreadsheet could run begins with an apostrophe."""
    return rows.with_columns(
        pl.when(text.str.contains(_RUNNABLE)).then(pl.format("'{}", text)).otherwise(text).alias(name)
        for name, dtype in rows.schema.items()
        if dtype == pl.String
        for text in (pl.col(name),)
    )


def _write_workbook(path: Path, rows_of: Callable[[str], pl.DataFrame], registry: Registry) -> None:
    options = {
        "strings_to_formulas": False,
        "strings_to_urls": False,
        "strings_to_numbers": False,
        "remove_timezone": True,
        "in_memory": True,  # or sheets with personal data would be left in the temporary folder by a kill
    }
    workbook = xlsxwriter.Workbook(str(path), options)
    # A fixed date: the same tables give the same bytes.
    workbook.set_properties({"title": "splitdrift", "created": datetime(2026, 1, 1, tzinfo=UTC).replace(tzinfo=None)})
    long_sheets: dict[int, pl.DataFrame] = {}
    for sheet_name, table, rows in _sheets(rows_of):
        sheet = workbook.add_worksheet(sheet_name)
        shown = rows.with_columns(_dated(values) for values in rows).with_columns(cs.boolean().cast(pl.Int64))
        _write_sheet(workbook, sheet, schema_of(table, registry), shown)
        if shown.height > FEW_ROWS:
            long_sheets[len(workbook.worksheets())] = shown
    _write_dictionary(workbook, registry)
    try:
        workbook.close()
    except xlsxwriter.exceptions.FileCreateError as error:
        raise error.args[0] from None  # what the system said, such as a full disk
    fill_sheets(path, long_sheets)


def _sheets(rows_of: Callable[[str], pl.DataFrame]) -> Iterator[tuple[str, str, pl.DataFrame]]:
    """The name of each sheet, its table and its rows."""
    for name in SHEETS:
        yield name, name, rows_of(name)
    for name in LONG:
        rows = rows_of(name)
        for number, part in enumerate(list(rows.iter_slices(LONG_SHEET_ROWS)) or [rows], start=1):
            yield name if number == 1 else f"{name}_{number}", name, part


def _write_sheet(
    workbook: xlsxwriter.Workbook, sheet: xlsxwriter.worksheet.Worksheet, schema: type[dy.Schema], rows: pl.DataFrame
) -> None:
    """A sheet: names, units, then rows; the two header rows and the key columns are frozen.

    Of more than `FEW_ROWS` only one is written, which the others take their formats from.
    """
    columns = schema.columns()
    header = workbook.add_format({"bold": True, "bottom": 1, "text_wrap": True, "valign": "top"})
    unit = workbook.add_format({"italic": True, "font_color": "#555555"})
    written = rows
    if rows.height > FEW_ROWS:
        written = rows.head(1).with_columns(
            cs.string().fill_null(""), cs.numeric().fill_null(0), cs.temporal().fill_null(pl.lit(date(2000, 1, 1)))
        )
    for place, (column_name, column) in enumerate(columns.items()):
        pattern = _pattern(workbook, rows[column_name], decimals_of(column))
        sheet.write_string(0, place, column_name, header)
        sheet.write_string(1, place, unit_of(column), unit)
        for row, value in enumerate(written[column_name], start=2):
            if isinstance(value, str):
                sheet.write_string(row, place, value)
            elif isinstance(value, date):
                sheet.write_datetime(row, place, value, pattern)
            elif value is not None:
                sheet.write_number(row, place, value, pattern)
        known = (value for value in rows[column_name].head(200).to_list() if value is not None)
        widest = max([len(column_name), *(len(str(value)) for value in known)])
        sheet.set_column(place, place, min(widest + 2, 60))
    sheet.freeze_panes(2, len(schema.primary_key()))
    sheet.autofilter(1, 0, max(rows.height + 1, 1), len(columns) - 1)


def _dated(values: pl.Series) -> pl.Series:
    """Texts that are dates by the name of their column, as dates, if all of them are."""
    if not _IS_DATE.search(values.name) or values.dtype != pl.String:
        return values
    is_month = values.name.endswith("month")
    dates = (values + "-01" if is_month else values).str.to_date("%Y-%m-%d", strict=False)
    return dates if dates.null_count() == values.null_count() else values


def _pattern(workbook: xlsxwriter.Workbook, values: pl.Series, decimals: int | None) -> xlsxwriter.format.Format | None:
    """How the cells of a column are shown; times are in UTC."""
    if values.dtype == pl.Datetime("us", "UTC"):
        return workbook.add_format({"num_format": "yyyy-mm-dd hh:mm:ss"})
    if values.dtype == pl.Date:
        return workbook.add_format({"num_format": "yyyy-mm" if values.name.endswith("month") else "yyyy-mm-dd"})
    if decimals is None:
        return None
    return workbook.add_format({"num_format": "0" + "." * (decimals > 0) + "0" * decimals})


def _write_dictionary(workbook: xlsxwriter.Workbook, registry: Registry) -> None:
    header = workbook.add_format({"bold": True, "bottom": 1, "text_wrap": True, "valign": "top"})
    sheet = workbook.add_worksheet("dictionary")
    for place, (word, width) in enumerate((("table", 16), ("column", 26), ("unit", 28), ("meaning", 110))):
        sheet.write_string(0, place, word, header)
        sheet.set_column(place, place, width)
    names = (*SHEETS, *LONG)
    lines = [(name, "", "", meaning_of(name)) for name in names] + [
        (name, column_name, unit_of(column), column.description or "")
        for name in names
        for column_name, column in schema_of(name, registry).columns().items()
    ]
    lines = sorted(lines, key=lambda line: names.index(line[0]))
    lines += [("metrics", metric.column, metric.unit, f"{metric.label}.".capitalize()) for metric in registry.metrics]
    lines += [
        (name, "", "", f"In sheets of {LONG_SHEET_ROWS:,} rows, {MOST_LONG_SHEETS} at most; {name}.csv has all rows.")
        for name in LONG
    ]
    for row, line in enumerate(lines, start=1):
        for place, text in enumerate(line):
            sheet.write_string(row, place, text)
    sheet.freeze_panes(1, 0)
