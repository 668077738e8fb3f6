"""The DuckDB file: keys that hold, and runs joined with their splits so that no name stands for two things."""

from __future__ import annotations

from collections.abc import Iterator

import duckdb
import pytest

from pipeline.store.database import run_splits_columns
from pipeline.tables import TABLES
from tests.support.demo_store import Refreshed


@pytest.fixture
def database(demo: Refreshed) -> Iterator[duckdb.DuckDBPyConnection]:
    with duckdb.connect(str(demo.store / "splitdrift.duckdb"), read_only=True) as connection:
        connection.execute("SET TimeZone = 'UTC'")
        yield connection


def test_every_table_has_its_key(database: duckdb.DuckDBPyConnection):
    rows = database.sql(
        "SELECT table_name, constraint_column_names FROM duckdb_constraints() WHERE constraint_type = 'PRIMARY KEY'"
    ).fetchall()
    assert {name: tuple(columns) for name, columns in rows} == {
        name: tuple(table.primary_key()) for name, table in TABLES.items() if name != "samples"
    }


def test_runs_and_splits_are_joined_one_row_per_split(database: duckdb.DuckDBPyConnection, demo: Refreshed):
    splits, runs = demo.table("splits"), demo.table("runs")
    joined = database.sql("SELECT * FROM run_splits ORDER BY run_id, km").pl()
    assert joined.columns == list(run_splits_columns())
    assert joined.height == splits.height
    expected = splits.select("run_id", "km", "moving_s").join(
        runs.select("run_id", "surface", "distance_km", run_moving_s="moving_s"), on="run_id"
    )
    columns = ["run_id", "km", "moving_s", "run_moving_s", "surface", "distance_km"]
    assert joined.select(columns).rows() == expected.sort("run_id", "km").select(columns).rows()


def test_a_name_that_both_have_is_the_splits_and_the_runs_has_a_prefix():
    columns = run_splits_columns()
    assert (columns["moving_s"], columns["run_moving_s"]) == ("splits.moving_s", "runs.moving_s")
    assert (columns["run_id"], columns["athlete_id"]) == ("splits.run_id", "splits.athlete_id")
    assert set(TABLES["runs"].column_names()) - {"run_id", "athlete_id"} == {
        source.removeprefix("runs.") for source in columns.values() if source.startswith("runs.")
    }


def test_its_columns_are_explained_like_those_they_come_from(database: duckdb.DuckDBPyConnection):
    rows = database.sql("SELECT table_name, column_name, comment FROM duckdb_columns() WHERE NOT internal").fetchall()
    comments = {(table, column): comment for table, column, comment in rows}
    for name, source in run_splits_columns().items():
        table, _, column = source.partition(".")
        assert comments["run_splits", name] == comments[table, column]
        assert comments["run_splits", name]
