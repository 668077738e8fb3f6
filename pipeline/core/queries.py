"""Load one file of `sql/`, bind its tables and parameters, run it."""

from __future__ import annotations

import threading
from collections.abc import Mapping
from functools import cache
from pathlib import Path

import duckdb
import polars as pl

from pipeline.core.resources import shipped

_IN_UTC = "SET TimeZone = 'UTC'"

#: The empty database in memory that the queries of a thread share.
_OPEN = threading.local()


@cache
def statement(name: str) -> str:
    """The text of `sql/<name>.sql`."""
    return shipped(f"sql/{name}.sql").read_text(encoding="utf-8")


def connect(database: Path | None = None, *, threads: int | None = None) -> duckdb.DuckDBPyConnection:
    """A connection in which a Python variable is never taken for a table, no extension is fetched, times are UTC.

    Args:
        database: a DuckDB file; None for one in memory.
        threads: at most so many; None leaves it to DuckDB.
    """
    config: dict[str, str | bool | int | float | list[str]] = {
        "python_enable_replacements": False,
        "autoinstall_known_extensions": False,
    }
    if threads is not None:
        config["threads"] = threads
    connection = duckdb.connect(str(database) if database else ":memory:", config=config)
    connection.execute(_IN_UTC)
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
        connection.execute(_IN_UTC)  # a cursor has its own
        for table, frame in tables.items():
            connection.register(table, frame.to_arrow())
        rows: pl.DataFrame = connection.sql(statement(name), params=dict(parameters) if parameters else None).pl()
    return rows
