"""`show` with --where and --csv: what holds is shown, and an expression reaches nothing but its table."""

from __future__ import annotations

from io import StringIO
from pathlib import Path

import polars as pl
import pytest
from click.testing import CliRunner, Result

from pipeline.__main__ import main
from pipeline.store.layout import read_table


def show(*words: str | Path) -> Result:
    return CliRunner().invoke(main, ["show", *(str(word) for word in words)])


def test_csv_is_the_whole_table_as_the_exports_have_it(demo_store: Path):
    for table in ("runs", "splits"):
        assert show(table, "--store", demo_store, "--csv").stdout == (
            demo_store / "exports" / f"{table}.csv"
        ).read_text(encoding="utf-8")


@pytest.mark.parametrize("table", ["splits", "samples", "athlete_drift"])
def test_where_keeps_the_rows_for_which_it_holds_in_their_order(demo_store: Path, table: str):
    expected = {
        "splits": ("athlete_id = 'gull' AND km > 10", (pl.col("athlete_id") == "gull") & (pl.col("km") > 10)),
        "samples": (
            "run_id LIKE 'pip-%' AND elapsed_s < 60",
            pl.col("run_id").str.starts_with("pip-") & (pl.col("elapsed_s") < 60),
        ),
        "athlete_drift": ("finding = 'holds' -- nothing else", pl.col("finding") == "holds"),
    }
    words, condition = expected[table]
    told = pl.read_csv(StringIO(show(table, "--store", demo_store, "--where", words, "--csv").stdout))
    rows = read_table(demo_store, table).filter(condition)
    assert 0 < told.height == rows.height
    key = [name for name in ("run_id", "athlete_id", "metric", "km") if name in rows.columns]
    assert told.select(key).rows() == rows.select(key).rows()


def test_in_the_terminal_the_rows_that_hold_are_counted(demo_store: Path):
    runs = read_table(demo_store, "runs").filter(pl.col("athlete_id") == "pip")
    result = show("runs", "--store", demo_store, "--where", "athlete_id = 'pip'")
    assert result.output.splitlines()[-1] == f"{runs.height} rows"


@pytest.mark.parametrize("table", ["runs", "splits"])
@pytest.mark.parametrize(
    "expression",
    [
        "km >",
        "no_such_column > 1",
        "1 = 1); DROP TABLE runs; SELECT (1 = 1",
        "run_id IN (SELECT content FROM read_text('{file}'))",
        "true) UNION ALL SELECT * FROM read_csv('{file}') WHERE (true",
        "run_id IN (SELECT column0 FROM '{file}')",
    ],
)
def test_an_expression_that_is_none_or_reaches_out_is_wrong_use(
    demo_store: Path, tmp_path: Path, table: str, expression: str
):
    (tmp_path / "secret.csv").write_text("a secret\n")
    words = expression.format(file=tmp_path / "secret.csv")
    result = show(table, "--store", demo_store, "--where", words)
    assert result.exit_code == 2
    assert result.stderr.startswith(f"splitdrift: --where {'takes one expression' if ';' in words else ''}")
    assert "secret\n" not in result.output


def test_no_file_is_written_by_an_expression(demo_store: Path, tmp_path: Path):
    words = f"true); COPY (SELECT 1) TO '{tmp_path / 'out.csv'}'; SELECT (true"
    assert show("splits", "--store", demo_store, "--where", words).exit_code == 2
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("words", [["--csv"], ["--where", "true"], ["runs", "--csv", "--json"]])
def test_options_that_do_not_fit_are_wrong_use(demo_store: Path, words: list[str]):
    assert show(*words, "--store", demo_store).exit_code == 2
