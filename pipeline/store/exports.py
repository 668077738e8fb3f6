"""Tables for spreadsheets: one CSV each, and one workbook with all of them.

A cell that a spreadsheet could run as a formula is escaped: in CSV by a leading apostrophe, in the workbook as text.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path

import polars as pl
import xlsxwriter

from pipeline.core.metrics import METRICS
from pipeline.tables import TABLES, decimals_of, meaning_of, unit_of

#: What a spreadsheet takes as the beginning of a formula (OWASP, "CSV injection", from memory).
_RUNNABLE = r"^[=+\-@\t\r]"

#: The order of the sheets, and which tables are small enough for a person.
SHEETS = (
    "athlete_drift", "pacing", "contrasts", "season_trend", "season_slope", "complaints", "strike_counts",
    "strike_shift", "run_drift", "runs", "recordings", "corrections", "exclusions",
)  # fmt: skip
#: Rows beyond this are in the CSV only: a sheet of a million cells opens slowly.
MOST_ROWS = 20_000


def write_exports(folder: Path, tables: Mapping[str, pl.DataFrame]) -> None:
    """Write the CSV files and the workbook.

    Args:
        folder: made if absent.
        tables: publishable rows by name; those in `SHEETS` are written.
    """
    folder.mkdir(parents=True, exist_ok=True)
    for name in SHEETS:
        write_csv(folder, name, tables[name])
    _write_workbook(folder / "splitdrift.xlsx", tables)


def write_csv(folder: Path, name: str, rows: pl.DataFrame) -> None:
    """Write one table as CSV, without a limit on its length."""
    _escaped(rows).write_csv(folder / f"{name}.csv", datetime_format="%Y-%m-%dT%H:%M:%SZ")


def write_rejected(folder: Path, ledger: pl.DataFrame) -> None:
    """List the rejected and skipped files: file, session, status, reason, fix."""
    folder.mkdir(parents=True, exist_ok=True)
    rejected = ledger.filter(pl.col("status").is_in(["rejected", "not_running", "left_out", "duplicate"]))
    columns = rejected.select("path", "session", "athlete_id", "status", "reason", "fix")
    _escaped(columns).write_csv(folder / "rejected.csv")


def _escaped(rows: pl.DataFrame) -> pl.DataFrame:
    return rows.with_columns(
        pl.when(text.str.contains(_RUNNABLE)).then(pl.format("'{}", text)).otherwise(text).alias(name)
        for name, dtype in rows.schema.items()
        if dtype == pl.String
        for text in (pl.col(name),)
    )


def _write_workbook(path: Path, tables: Mapping[str, pl.DataFrame]) -> None:
    options = {"strings_to_formulas": False, "strings_to_urls": False, "strings_to_numbers": False}
    workbook = xlsxwriter.Workbook(str(path), options)
    # A fixed date: the same tables give the same bytes.
    workbook.set_properties({"title": "splitdrift", "created": datetime(2026, 1, 1, tzinfo=UTC).replace(tzinfo=None)})
    header = workbook.add_format({"bold": True, "bottom": 1, "text_wrap": True, "valign": "top"})
    unit = workbook.add_format({"italic": True, "font_color": "#555555"})
    for name in SHEETS:
        _write_sheet(workbook, name, tables[name], header, unit)
    _write_dictionary(workbook, header)
    workbook.close()


def _write_sheet(
    workbook: xlsxwriter.Workbook,
    name: str,
    rows: pl.DataFrame,
    header: xlsxwriter.format.Format,
    unit: xlsxwriter.format.Format,
) -> None:
    """A sheet: names, units, then rows; the two header rows and the key columns are frozen."""
    sheet = workbook.add_worksheet(name)
    columns = TABLES[name].columns()
    for place, (column_name, column) in enumerate(columns.items()):
        decimals = decimals_of(column)
        pattern = (
            None
            if decimals is None
            else workbook.add_format({"num_format": "0" + "." * (decimals > 0) + "0" * decimals})
        )
        values = rows[column_name].head(MOST_ROWS)
        if column_name == "metric":
            values = values.replace({metric.column: f"{metric.label} ({metric.unit})" for metric in METRICS})
        if values.dtype == pl.Datetime("us", "UTC"):
            values = values.dt.strftime("%Y-%m-%d %H:%M:%S")
        sheet.write_string(0, place, column_name, header)
        sheet.write_string(1, place, unit_of(column), unit)
        for row, value in enumerate(values, start=2):
            if isinstance(value, str):
                sheet.write_string(row, place, value)
            elif value is not None:
                sheet.write_number(row, place, value, pattern)
        widest = max([len(column_name), *(len(str(value)) for value in values.head(200).drop_nulls())])
        sheet.set_column(place, place, min(widest + 2, 60))
    sheet.freeze_panes(2, len(TABLES[name].primary_key()))
    sheet.autofilter(1, 0, max(rows.head(MOST_ROWS).height + 1, 1), len(columns) - 1)


def _write_dictionary(workbook: xlsxwriter.Workbook, header: xlsxwriter.format.Format) -> None:
    sheet = workbook.add_worksheet("dictionary")
    for place, (word, width) in enumerate((("table", 16), ("column", 26), ("unit", 28), ("meaning", 110))):
        sheet.write_string(0, place, word, header)
        sheet.set_column(place, place, width)
    lines = [(name, "", "", meaning_of(name)) for name in SHEETS] + [
        (name, column_name, unit_of(column), column.description or "")
        for name in SHEETS
        for column_name, column in TABLES[name].columns().items()
    ]
    for row, line in enumerate(sorted(lines, key=lambda sheet_and_table: SHEETS.index(sheet_and_table[0])), start=1):
        for place, text in enumerate(line):
            sheet.write_string(row, place, text)
    sheet.freeze_panes(1, 0)
