"""Long tables in sheets: what an independent reader finds there is what was written."""

from __future__ import annotations

import tempfile
import zipfile
from pathlib import Path

import openpyxl
import polars as pl
import pytest
import xlsxwriter

from pipeline.store import long_sheets
from pipeline.store.exports import LONG, ONLY_CSV, SHEETS, write_exports
from pipeline.store.long_sheets import fill_sheets
from pipeline.tables import empty
from tests.support.demo_store import Refreshed

TEXTS = ["a < b & c > d", " blanks ", "=1+1", "line\nbreak", "\x01control", "Åsa 走", None]


def prepared(path: Path) -> Path:
    """A workbook of three sheets, the second with a first row of a text, a number with a format and a truth value."""
    with xlsxwriter.Workbook(str(path)) as workbook:
        workbook.add_worksheet("before").write_string(0, 0, "kept")
        sheet = workbook.add_worksheet("long")
        for place, name in enumerate(("text", "number", "truth")):
            sheet.write_string(0, place, name)
            sheet.write_string(1, place, "unit")
        sheet.write_string(2, 0, "first")
        sheet.write_number(2, 1, 0, workbook.add_format({"num_format": "0.00"}))
        sheet.write_boolean(2, 2, False)
        workbook.add_worksheet("after").write_string(0, 0, "kept too")
    return path


def test_texts_numbers_and_what_is_missing_are_read_back(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr(long_sheets, "ROWS_AT_ONCE", 3)
    rows = pl.DataFrame(
        {"text": TEXTS, "number": [1.5, -2.0, 1e-9, 1e12, None, 0.1, 3.0], "truth": [True, False, None, *4 * [True]]}
    )
    fill_sheets(prepared(tmp_path / "a.xlsx"), {2: rows})
    workbook = openpyxl.load_workbook(tmp_path / "a.xlsx")
    read = list(workbook["long"].iter_rows(min_row=3, values_only=True))
    assert read == rows.with_columns(pl.col("text").str.replace("\x01", "")).rows()
    assert {cell.number_format for (cell,) in workbook["long"].iter_rows(3, 4, 2, 2)} == {"0.00"}
    assert {cell.data_type for (cell,) in workbook["long"].iter_rows(3, 8, 1, 1)} == {"s"}, "no formula"
    assert (workbook["before"]["A1"].value, workbook["after"]["A1"].value) == ("kept", "kept too")
    assert workbook["long"].calculate_dimension() == "A1:C9"


def test_the_same_rows_give_the_same_bytes_and_nothing_is_left_next_to_them(tmp_path: Path):
    rows = pl.DataFrame({"text": ["a"], "number": [1.0], "truth": [True]})
    for name in ("a", "b"):
        fill_sheets(prepared(tmp_path / f"{name}.xlsx"), {2: rows})
    inside = [
        {entry.filename: opened.read(entry) for entry in opened.infolist() if "core.xml" not in entry.filename}
        for opened in (zipfile.ZipFile(tmp_path / f"{name}.xlsx") for name in ("a", "b"))
    ]
    assert inside[0] == inside[1]
    assert sorted(path.name for path in tmp_path.iterdir()) == ["a.xlsx", "b.xlsx"]


def test_a_kill_leaves_no_readings_in_the_temporary_folder_since_nothing_is_written_there(
    demo: Refreshed, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
):
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path / "not there"))
    tables = {name: empty(name) for name in (*SHEETS, *LONG, *ONLY_CSV)} | {"splits": demo.table("splits")}
    write_exports(tmp_path / "out", tables.__getitem__)
    assert openpyxl.load_workbook(tmp_path / "out" / "splitdrift.xlsx")["splits"].max_row > 100


def test_a_type_that_a_long_sheet_cannot_hold_is_named(tmp_path: Path):
    rows = pl.DataFrame({"text": ["a"], "number": [[1.0]], "truth": [True]})
    with pytest.raises(TypeError, match="a long sheet holds no List"):
        fill_sheets(prepared(tmp_path / "a.xlsx"), {2: rows})


def test_splits_go_on_in_a_second_sheet_and_end_where_the_dictionary_says(
    demo: Refreshed, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
):
    monkeypatch.setattr("pipeline.store.exports.LONG_SHEET_ROWS", 100)
    monkeypatch.setattr("pipeline.store.exports.MOST_LONG_SHEETS", 2)
    splits = demo.table("splits")
    tables = {name: empty(name) for name in (*SHEETS, *LONG, *ONLY_CSV)} | {"splits": splits}
    write_exports(tmp_path, tables.__getitem__)
    workbook = openpyxl.load_workbook(tmp_path / "splitdrift.xlsx")
    assert [name for name in workbook.sheetnames if name.startswith("splits")] == ["splits", "splits_2"]
    names = [workbook[sheet].cell(row, 1).value for sheet in ("splits", "splits_2") for row in range(3, 103)]
    assert names == splits.head(200)["run_id"].to_list()
    said = [row[3] for row in workbook["dictionary"].iter_rows(values_only=True)]
    assert "In sheets of 100 rows, 2 at most; splits.csv has all rows." in said


def test_without_rows_there_is_the_header(tmp_path: Path):
    write_exports(tmp_path, empty)
    sheet = openpyxl.load_workbook(tmp_path / "splitdrift.xlsx")["splits"]
    assert (sheet["A1"].value, sheet.max_row) == ("run_id", 2)
