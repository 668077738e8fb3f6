"""The DuckDB file of a store: every table by name, for SQL users, with a comment on every column."""

from __future__ import annotations

import errno
import re
from pathlib import Path

import duckdb
import polars as pl

from pipeline.core.places import files_below, is_remote, whole_name
from pipeline.core.queries import connect
from pipeline.store.layout import read_rows, table_folder
from pipeline.tables import PARTITIONED, TABLES, meaning_of, unit_of
from pipeline.tables.columns import dy

DATABASE = "splitdrift.duckdb"


def write_database(built: Path, here: Path) -> None:
    """Write the DuckDB file of a state being built.

    `samples`, too large to be stored twice, is a view of its Parquet files.

    Args:
        here: local folder for the file.
    """
    (here / DATABASE).unlink(missing_ok=True)
    try:
        _write(built, here / DATABASE)
    except (duckdb.IOException, duckdb.TransactionException, duckdb.FatalException) as error:  # such as a full disk
        raise OSError(errno.EIO, str(error), str(here / DATABASE)) from error


def _write(built: Path, file: Path) -> None:
    with connect(file) as connection:
        if is_remote(built):
            # DuckDB itself fetches nothing; to read `samples` from this file, register the file system likewise.
            connection.register_filesystem(built.fs)  # type: ignore[attr-defined]
        # In one transaction: outside it, each statement would be written to the disk before the next.
        connection.begin()
        for table in TABLES:
            has_files = table in PARTITIONED and bool(files_below(table_folder(built, table)))
            if has_files and table == "samples":
                _link_samples(connection, built)
            elif has_files:
                # Read by DuckDB, which never holds all of it in memory.
                source, keys = _files(built, table), ", ".join(TABLES[table].primary_key())
                columns = ", ".join(TABLES[table].column_names())
                connection.execute(f"CREATE TABLE {table} AS SELECT {columns} FROM {source} ORDER BY {keys}")
            else:
                _create(connection, table, read_rows(built, table))
            is_view = has_files and table == "samples"
            if not is_view:
                keys = ", ".join(TABLES[table].primary_key())
                connection.execute(f"ALTER TABLE {table} ADD PRIMARY KEY ({keys})")
            _comment(connection, "VIEW" if is_view else "TABLE", table)
        _join_runs_and_splits(connection)
        connection.commit()
        # Closing does this too, but reports no error if it fails, and leaves a log next to the file.
        connection.execute("CHECKPOINT")


def _create(connection: duckdb.DuckDBPyConnection, table: str, rows: pl.DataFrame) -> None:
    connection.register("published", rows.to_arrow(compat_level=pl.CompatLevel.oldest()))
    connection.execute(f"CREATE TABLE {table} AS SELECT * FROM published")
    connection.unregister("published")


def _link_samples(connection: duckdb.DuckDBPyConnection, built: Path) -> None:
    columns = ", ".join(TABLES["samples"].column_names())
    connection.execute(f"CREATE VIEW samples AS SELECT {columns} FROM {_files(built, 'samples')}")


def run_splits_columns() -> dict[str, str]:
    """The columns of the view `run_splits`, each with what it is: of `splits`, then of `runs`.

    A column of `runs` that `splits` has too is called `run_...`, so that no name stands for two things. Kind, surface
    and shoe of `sessions.csv` are in `runs`.
    """
    of_splits, of_runs = TABLES["splits"].column_names(), TABLES["runs"].column_names()
    more = [name for name in of_runs if name not in ("run_id", "athlete_id")]
    return {name: f"splits.{name}" for name in of_splits} | {
        (f"run_{name}" if name in of_splits else name): f"runs.{name}" for name in more
    }


def _join_runs_and_splits(connection: duckdb.DuckDBPyConnection) -> None:
    columns = run_splits_columns()
    listed = ", ".join(f"{source} AS {name}" for name, source in columns.items())
    connection.execute(f"CREATE VIEW run_splits AS SELECT {listed} FROM splits JOIN runs USING (run_id)")
    meaning = "A kilometre of a run with what is known of the run; one row per row of splits."
    connection.execute(f"COMMENT ON VIEW run_splits IS {_quoted(meaning)}")
    of_tables = {table: TABLES[table].columns() for table in ("splits", "runs")}
    for name, source in columns.items():
        table, _, column_name = source.partition(".")
        meaning = _meaning(of_tables[table][column_name])
        connection.execute(f"COMMENT ON COLUMN run_splits.{name} IS {_quoted(meaning)}")


def _meaning(column: dy.Column) -> str:
    unit = unit_of(column)
    return f"{column.description} [{unit}]" if unit else f"{column.description}"


def _files(built: Path, table: str) -> str:
    # The path of the store may contain wildcards.
    literal = re.sub(r"([*?\[])", r"[\1]", whole_name(table_folder(built, table)))
    return f"read_parquet({_quoted(f'{literal}/**/*.parquet')}, hive_partitioning = false)"


def _comment(connection: duckdb.DuckDBPyConnection, kind: str, table: str) -> None:
    connection.execute(f"COMMENT ON {kind} {table} IS {_quoted(meaning_of(table))}")
    for name, column in TABLES[table].columns().items():
        connection.execute(f"COMMENT ON COLUMN {table}.{name} IS {_quoted(_meaning(column))}")


def _quoted(text: str) -> str:
    return "'" + text.replace("'", "''") + "'"
