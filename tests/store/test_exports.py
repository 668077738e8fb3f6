"""The exports: nothing that a spreadsheet could run, and a workbook that opens ready to read."""

from __future__ import annotations

import csv
import resource
import tempfile
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import openpyxl
import polars as pl
import pytest
from openpyxl.utils import get_column_letter
from openpyxl.workbook import Workbook
from openpyxl.worksheet.worksheet import Worksheet

from pipeline.core.metrics import METRICS
from pipeline.store import exports
from pipeline.store.exports import LONG, ONLY_CSV, ONLY_WITH, SHEETS, write_exports, write_rejected
from pipeline.store.layout import read_table
from pipeline.tables import PARTITIONED, TABLES, decimals_of, empty, publishable, unit_of
from tests.support.demo_store import Refreshed

EVIL = ["=1+1", "+1", "-1", "@SUM(A1)", "\tcmd", "\r=1", "\n=1", "\x00=1", "\x85=1", "＝1", "plain = text", "'quoted"]


def tables(**rows: pl.DataFrame) -> Callable[[str], pl.DataFrame]:
    return ({name: empty(name) for name in (*SHEETS, *LONG, *ONLY_CSV)} | rows).__getitem__


def ledger(*paths: str) -> pl.DataFrame:
    """Rejected files with these names; the reason repeats the name."""
    rows = pl.DataFrame({"path": paths, "session": 1, "sha256": "0", "status": "rejected", "n_samples": 0})
    return publishable(
        "recordings", rows.with_columns(file="path", reason="path", reasons=pl.lit("[]")), subject="test"
    )


def csv_rows(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as lines:
        return list(csv.DictReader(lines))


@pytest.fixture(scope="module")
def workbook(demo: Refreshed) -> Workbook:
    return openpyxl.load_workbook(demo.store / "exports" / "splitdrift.xlsx")


def sheet_of(workbook: Workbook, name: str) -> Worksheet:
    return workbook[name]


def test_a_workbook_for_which_there_is_no_room_says_so_and_leaves_nothing_elsewhere(
    demo: Refreshed, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
):
    written = {name: read_table(demo.store, name) for name in (*SHEETS, *LONG, *ONLY_CSV)}
    monkeypatch.setattr(exports, "write_csv", lambda *_: None)
    (tmp_path / "tmp").mkdir()
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path / "tmp"))
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (20_000, before[1]))  # to the writer, the same as a full disk
    try:
        with pytest.raises(OSError, match="File too large"):
            write_exports(tmp_path / "out", written.__getitem__)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)
    assert list((tmp_path / "tmp").iterdir()) == []


# --- Disarmed --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("evil", EVIL[:-2])
def test_in_csv_what_a_spreadsheet_would_run_begins_with_an_apostrophe(tmp_path: Path, evil: str):
    write_exports(tmp_path, tables(recordings=ledger(evil)))
    write_rejected(tmp_path, ledger(evil))
    for file in ("recordings.csv", "rejected.csv"):
        (row,) = csv_rows(tmp_path / file)
        assert row["path"] == row["reason"] == f"'{evil}"


@pytest.mark.parametrize("harmless", EVIL[-2:])
def test_in_csv_other_text_is_left_as_it_is(tmp_path: Path, harmless: str):
    write_exports(tmp_path, tables(recordings=ledger(harmless)))
    assert csv_rows(tmp_path / "recordings.csv")[0]["path"] == harmless


def test_in_the_workbook_no_cell_is_a_formula_or_a_link(tmp_path: Path):
    texts = [*EVIL[:5], *EVIL[-2:], "https://example.org", "0042"]
    write_exports(tmp_path, tables(recordings=ledger(*texts)))
    sheet = sheet_of(openpyxl.load_workbook(tmp_path / "splitdrift.xlsx"), "recordings")
    cells = [sheet.cell(row, 1) for row in range(3, sheet.max_row + 1)]
    assert {cell.value for cell in cells} == set(texts)
    assert {cell.data_type for cell in cells} == {"s"}
    assert all(cell.hyperlink is None for cell in cells)


def test_negative_numbers_are_not_taken_for_formulas(demo: Refreshed):
    drifts = pl.read_csv(demo.store / "exports" / "athlete_drift.csv")
    assert drifts.schema["drift_low"] == pl.Float64
    assert drifts["drift_low"].min() < 0


# --- CSV -------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", [*SHEETS, *LONG, *ONLY_CSV])
def test_a_csv_file_has_the_columns_and_rows_of_its_table(demo: Refreshed, name: str):
    with (demo.store / "exports" / f"{name}.csv").open(encoding="utf-8", newline="") as lines:
        head, *rows = csv.reader(lines)
    assert head == TABLES[name].column_names()
    assert len(rows) == demo.table(name).height


def test_times_in_csv_are_written_in_utc_and_say_so(demo: Refreshed):
    first = csv_rows(demo.store / "exports" / "runs.csv")[0]["started_at_utc"]
    assert datetime.strptime(first, "%Y-%m-%dT%H:%M:%SZ").replace(tzinfo=UTC) == demo.table("runs")["started_at_utc"][0]


# --- The workbook ----------------------------------------------------------------------------------------------------


def test_the_workbook_has_a_sheet_for_each_table_a_person_reads_and_the_dictionary(workbook: Workbook):
    assert workbook.sheetnames == [*SHEETS, *LONG, "dictionary"]
    assert set(SHEETS) | set(PARTITIONED) <= set(TABLES)


@pytest.mark.parametrize("name", [*SHEETS, *LONG])
def test_a_sheet_begins_with_names_and_units_that_stay_in_sight_with_the_key(workbook: Workbook, name: str):
    sheet = sheet_of(workbook, name)
    columns = TABLES[name].columns()
    assert [cell.value for cell in sheet[1]] == list(columns)
    assert [cell.value or "" for cell in sheet[2]] == [unit_of(column) for column in columns.values()]
    assert sheet.freeze_panes == f"{get_column_letter(len(TABLES[name].primary_key()) + 1)}3"
    assert sheet["A1"].font.bold
    assert sheet.auto_filter.ref.startswith("A2:")


@pytest.mark.parametrize("name", [*SHEETS, *LONG])
def test_the_numbers_of_a_sheet_are_numbers_with_the_decimals_of_their_column(workbook: Workbook, name: str):
    sheet = sheet_of(workbook, name)
    for place, column in enumerate(TABLES[name].columns().values(), start=1):
        decimals = decimals_of(column)
        cells = [cell for (cell,) in sheet.iter_rows(min_row=3, min_col=place, max_col=place) if cell.value is not None]
        if column.dtype.is_numeric():
            assert {cell.data_type for cell in cells} <= {"n"}
        if decimals is not None:
            assert {cell.number_format for cell in cells} <= {f"{0:.{decimals}f}"}


@pytest.mark.parametrize("name", [*SHEETS, *LONG])
def test_a_sheet_holds_the_values_of_its_table(demo: Refreshed, workbook: Workbook, name: str):
    sheet, rows = sheet_of(workbook, name), demo.table(name).sort(TABLES[name].primary_key())
    rows = rows.drop_nulls(ONLY_WITH[name]) if name in ONLY_WITH else rows
    filled = [row for row in sheet.iter_rows(min_row=3, values_only=True) if any(cell is not None for cell in row)]
    assert len(filled) == rows.height
    for place, column in enumerate(rows.columns, start=1):
        shown = [sheet.cell(row, place).value for row in range(3, rows.height + 3)]
        if rows.schema[column].is_numeric() or rows.schema[column] == pl.Boolean:
            assert shown == rows[column].to_list()
        elif rows.schema[column] == pl.String and not column.endswith(("date", "month")):
            assert [value or None for value in shown] == rows[column].to_list()


def test_metrics_have_the_names_of_the_csv_and_the_dictionary_says_what_they_are(workbook: Workbook):
    sheet = sheet_of(workbook, "athlete_drift")
    place = TABLES["athlete_drift"].column_names().index("metric") + 1
    assert {sheet.cell(row, place).value for row in range(3, sheet.max_row + 1)} <= {
        metric.column for metric in METRICS
    }
    lines = list(workbook["dictionary"].iter_rows(min_row=2, values_only=True))
    assert ("metrics", "contact_time_ms", "ms", "Contact time.") in lines


def test_times_and_dates_are_such_and_not_texts(demo: Refreshed, workbook: Workbook):
    runs = sheet_of(workbook, "runs")
    place = TABLES["runs"].column_names().index("started_at_utc") + 1
    first = demo.table("runs").sort("run_id")["started_at_utc"][0]
    assert runs.cell(3, place).value == first.replace(tzinfo=None)
    assert runs.cell(3, place).number_format == "yyyy-mm-dd hh:mm:ss"
    month = sheet_of(workbook, "season_trend").cell(3, TABLES["season_trend"].column_names().index("month") + 1)
    assert (
        month.value.strftime("%Y-%m")
        == demo.table("season_trend").sort(TABLES["season_trend"].primary_key())["month"][0]
    )
    complaint = sheet_of(workbook, "complaints").cell(3, TABLES["complaints"].column_names().index("from_date") + 1)
    assert f"{complaint.value:%Y-%m-%d}" == demo.table("complaints")["from_date"][0]


def test_the_dictionary_sheet_explains_every_column_of_every_sheet(workbook: Workbook):
    collinearity_of = {
        (row[0], row[1] or ""): row[3] for row in workbook["dictionary"].iter_rows(min_row=2, values_only=True)
    }
    for name in (*SHEETS, *LONG):
        assert collinearity_of[name, ""]
        for column_name, column in TABLES[name].columns().items():
            assert collinearity_of[name, column_name] == column.description


def test_rows_beyond_what_a_sheet_can_show_are_in_the_csv(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr("pipeline.store.exports.MOST_ROWS", 2)
    monkeypatch.setattr("pipeline.store.exports.CSV_ROWS_AT_ONCE", 2)
    write_exports(tmp_path, tables(recordings=ledger("a", "b", "c")))
    sheet = sheet_of(openpyxl.load_workbook(tmp_path / "splitdrift.xlsx"), "recordings")
    assert [sheet.cell(row, 1).value for row in range(3, sheet.max_row + 1)] == ["a", "b"]
    assert [row["path"] for row in csv_rows(tmp_path / "recordings.csv")] == ["a", "b", "c"]


def test_the_same_tables_give_the_same_bytes(tmp_path: Path):
    written = []
    for name in ("one", "two"):
        write_exports(tmp_path / name, tables(recordings=ledger("a", "b")))
        written.append({path.name: path.read_bytes() for path in (tmp_path / name).iterdir()})
    assert written[0] == written[1]
    assert set(written[0]) == {f"{name}.csv" for name in (*SHEETS, *LONG, *ONLY_CSV)} | {"splitdrift.xlsx"}
    # Two files of one second would be alike anyway: the date in them is fixed.
    assert openpyxl.load_workbook(tmp_path / "one" / "splitdrift.xlsx").properties.created == datetime(2026, 1, 1)


def test_only_what_was_turned_away_is_listed_as_rejected(tmp_path: Path):
    rows = pl.concat([ledger("a").with_columns(status=pl.lit(status)) for status in
                      ("accepted", "salvaged", "duplicate", "not_running", "rejected")])  # fmt: skip
    write_rejected(tmp_path, rows)
    assert [row["status"] for row in csv_rows(tmp_path / "rejected.csv")] == ["duplicate", "not_running", "rejected"]
    assert list(csv_rows(tmp_path / "rejected.csv")[0]) == ["path", "session", "athlete_id", "status", "reason", "fix"]
