"""Load one file of `sql/`, bind its tables and parameters, run it."""

from __future__ import annotations

import difflib
import re
import threading
from collections.abc import Mapping, Sequence
from functools import cache
from pathlib import Path

import duckdb
import polars as pl

from pipeline.core.errors import UsageError
from pipeline.core.resources import shipped

#: Of each connection: times are in UTC, and nothing is drawn on the terminal while a query takes long.
_SETTINGS = "SET TimeZone = 'UTC'; SET enable_progress_bar = false"

#: The empty database in memory that the queries of a thread share.
_OPEN = threading.local()


@cache
def statement(name: str) -> str:
    """The text of `sql/<name>.sql`."""
    return shipped(f"sql/{name}.sql").read_text(encoding="utf-8")


def connect(
    database: Path | None = None, *, threads: int | None = None, read_only: bool = False
) -> duckdb.DuckDBPyConnection:
    """A connection in which a Python variable is never taken for a table, no extension is fetched, times are UTC.

    Args:
        database: a DuckDB file; None for one in memory.
        threads: at most so many; None leaves it to DuckDB.
        read_only: of a file: nothing in it can be changed, and others may read it too.
    """
    config: dict[str, str | bool | int | float | list[str]] = {
        "python_enable_replacements": False,
        "autoinstall_known_extensions": False,
    }
    if threads is not None:
        config["threads"] = threads
    connection = duckdb.connect(str(database) if database else ":memory:", read_only=read_only, config=config)
    connection.execute(_SETTINGS)
    return connection


def run_query(
    name: str, tables: Mapping[str, pl.DataFrame], parameters: Mapping[str, object] | None = None
) -> pl.DataFrame:
    """Run `sql/<name>.sql` over frames.

    Args:
        name: stem of the file.
        tables: the frames it reads, by the name it uses.
        parameters: value of each `$parameter` in it.
    """
    # Opening a database takes longer than most queries; a cursor of an open one costs nothing and sees no tables of
    # other cursors.
    if not hasattr(_OPEN, "database"):
        _OPEN.database = connect(threads=1)
    with _OPEN.database.cursor() as connection:
        connection.execute(_SETTINGS)  # a cursor has its own
        for table, frame in tables.items():
            connection.register(table, frame.to_arrow())
        rows: pl.DataFrame = connection.sql(statement(name), params=dict(parameters) if parameters else None).pl()
    return rows


def rows_where(table: str, rows: pl.DataFrame, condition: str) -> pl.DataFrame:
    """The rows of a frame for which a condition of the user's holds, in their order.

    Args:
        table: what the condition may call the frame.
        condition: an expression of DuckDB; it sees this frame and nothing else, no file and no setting.

    Raises:
        UsageError: not one expression, or a column that is not there.
    """
    with connect() as connection:
        connection.register(table, rows.to_arrow(compat_level=pl.CompatLevel.oldest()))
        return _chosen(connection, table, table, condition)


def rows_of_files(folder: Path, table: str, columns: Sequence[str], condition: str) -> pl.DataFrame:
    """The same, in any order, over the Parquet files below a folder of this machine, which are never all in memory."""
    with connect() as connection:
        connection.execute("SET allowed_directories = [$folder]", {"folder": str(folder)})
        literal = re.sub(r"([*?\[])", r"[\1]", str(folder)).replace("'", "''")
        source = f"read_parquet('{literal}/**/*.parquet', hive_partitioning = false)"
        listed = ", ".join(columns)
        return _chosen(connection, table, f"(SELECT {listed} FROM {source}) AS {table}", condition)


def _chosen(connection: duckdb.DuckDBPyConnection, table: str, source: str, condition: str) -> pl.DataFrame:
    connection.execute("SET enable_external_access = false")
    connection.execute("SET lock_configuration = true")
    # On a line of its own: a comment at the end of the condition ends with it.
    query = f"SELECT * FROM {source} WHERE (\n{condition}\n)"
    try:
        statements = connection.extract_statements(query)
        if len(statements) != 1 or statements[0].type != duckdb.StatementType.SELECT:
            raise UsageError(f"--where takes one expression over the columns of {table}; found '{condition}'.")
        chosen: pl.DataFrame = connection.sql(query).pl()
    except duckdb.Error as error:
        said, *_ = str(error).splitlines()
        columns = connection.sql(f"SELECT * FROM {source} LIMIT 0").columns
        raise UsageError(
            f"--where '{condition}' is no condition over the columns of {table}: {said}{_near(said, columns)} "
            f'An example: --where "{_example(columns)}". `splitdrift dictionary` lists the columns.'
        ) from None
    return chosen


def _near(said: str, columns: Sequence[str]) -> str:
    """What an error of DuckDB leaves open: the column that may have been meant by one that is not there."""
    absent = re.search(r'column "(.+?)" not found', said)
    near = difflib.get_close_matches(absent[1], columns, n=1) if absent else []
    return f" Did you mean {near[0]}?" if near else ""


#: Conditions by the column that they look at, for an example.
_EXAMPLES = {"athlete_id": "athlete_id = 'ari'", "km": "km > 10", "distance_km": "distance_km > 10"}


def _example(columns: Sequence[str]) -> str:
    """A condition over some of these columns."""
    known = [condition for column, condition in _EXAMPLES.items() if column in columns]
    return " AND ".join(known[:2]) or f"{columns[0]} IS NOT NULL"
