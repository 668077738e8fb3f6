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
            # In one transaction: outside it, each comment would be written to the disk before the next.
            connection.begin()
            _comment(connection, "VIEW" if has_files and table == "samples" else "TABLE", table)
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


def _files(built: Path, table: str) -> str:
    # The path of the store may contain wildcards.
    literal = re.sub(r"([*?\[])", r"[\1]", whole_name(table_folder(built, table)))
    return f"read_parquet({_quoted(f'{literal}/**/*.parquet')}, hive_partitioning = false)"


def _comment(connection: duckdb.DuckDBPyConnection, kind: str, table: str) -> None:
    connection.execute(f"COMMENT ON {kind} {table} IS {_quoted(meaning_of(table))}")
    for name, column in TABLES[table].columns().items():
        unit = unit_of(column)
        comment = f"{column.description} [{unit}]" if unit else f"{column.description}"
        connection.execute(f"COMMENT ON COLUMN {table}.{name} IS {_quoted(comment)}")


def _quoted(text: str) -> str:
    return "'" + text.replace("'", "''") + "'"
