"""The DuckDB file of a store: every table by name, for SQL users, with a comment on every column."""

from __future__ import annotations

import errno
import re
import shutil
from collections.abc import Iterator, Mapping
from pathlib import Path

import duckdb
import polars as pl

from pipeline.core.metrics import BUILT_IN, Registry
from pipeline.core.places import files_below, is_remote, whole_name
from pipeline.core.queries import connect
from pipeline.store.contents import contents_of
from pipeline.store.known import read_known
from pipeline.store.layout import table_folder
from pipeline.tables import PARTITIONED, TABLES, empty, meaning_of, schema_of, unit_of

DATABASE = "splitdrift.duckdb"
#: A state is synced to the disk as a whole before it is published; no transaction waits for that by itself.
_UNSYNCED = "SET fsync_mode = 'NONE'"


def write_database(built: Path, here: Path, registry: Registry = BUILT_IN, like: Path | None = None) -> None:
    """Write the DuckDB file of a state being built.

    `samples`, too large to be stored twice, is a view of its Parquet files; so are the tables of a club in sections.

    Args:
        here: local folder for the file.
        registry: the quantities in force.
        like: folder of a complete state with the same tables. Its file is taken over, and views name the new files.
    """
    (here / DATABASE).unlink(missing_ok=True)
    try:
        if like is None or is_remote(like) or not _is_current(like):
            _write(built, here / DATABASE, registry)
            return
        shutil.copyfile(like / DATABASE, here / DATABASE)
        views = [line for table, is_view in _filled(built).items() if is_view for line in _view(built, table, registry)]
        with connect(here / DATABASE) as connection:
            connection.execute(_UNSYNCED)
            connection.execute(";\n".join(["BEGIN", *views, "COMMIT", "CHECKPOINT"]))
    except (duckdb.IOException, duckdb.TransactionException, duckdb.FatalException) as error:  # such as a full disk
        raise OSError(errno.EIO, str(error), str(here / DATABASE)) from error


def _is_current(state: Path) -> bool:
    """Whether this code wrote the file of a state, and it is as it was written."""
    noted = contents_of(state)
    if noted is None or DATABASE not in noted.files or read_known(state).rows is None:
        return False
    return not noted.faults_of_content([DATABASE])


def _filled(built: Path) -> dict[str, bool]:
    """The tables that have files, and whether each is to be a view of them."""
    n_files = {table: len(files_below(table_folder(built, table))) for table in TABLES}
    is_in_sections = n_files["recordings"] > 1
    return {table: table == "samples" or (is_in_sections and n > 1) for table, n in n_files.items() if n}


def _write(built: Path, file: Path, registry: Registry) -> None:
    filled = _filled(built)
    # A worker has one core, and each thread holds what it sorts.
    with connect(file, threads=1) as connection:
        connection.execute(_UNSYNCED)
        if is_remote(built):
            # DuckDB itself fetches nothing; to read `samples` from this file, register the file system likewise.
            connection.register_filesystem(built.fs)  # type: ignore[attr-defined]
        for table in TABLES.keys() - filled.keys():
            nothing = empty(table, registry).to_arrow(compat_level=pl.CompatLevel.oldest())
            connection.register(f"no_{table}", nothing)
        # In a transaction per table: outside one, each statement would be written to the disk before the next, and all
        # of one is in memory until its checkpoint, which takes longer than writing a small table. Closing makes that
        # too, but reports no error if it fails, and leaves a log next to the file.
        for table, statements in _statements(built, filled, registry):
            checkpoint = ["CHECKPOINT"] if table in PARTITIONED else []
            connection.execute(";\n".join(["BEGIN", *statements, "COMMIT", *checkpoint]))
        connection.execute("CHECKPOINT")


def _statements(built: Path, filled: Mapping[str, bool], registry: Registry) -> Iterator[tuple[str, list[str]]]:
    """Each table and what makes it, from files that DuckDB itself reads, which never holds all of one in memory.

    Args:
        filled: as `_filled` gives it.
    """
    for table in TABLES:
        if filled.get(table, False):
            yield table, list(_view(built, table, registry))
            continue
        source = _files(built, table) if table in filled else f"no_{table}"
        keys = ", ".join(schema_of(table, registry).primary_key())
        # Rows of the largest tables stay in the order of their files' paths: to sort them takes a third more memory.
        order = "" if table in PARTITIONED else f" ORDER BY {keys}"
        yield (
            table,
            [
                f"CREATE TABLE {table} AS {_rows(table, source, registry)}{order}",
                f"ALTER TABLE {table} ADD PRIMARY KEY ({keys})",
                *_comments("TABLE", table, meaning_of(table), _meanings(table, registry)),
            ],
        )
    columns = run_splits_columns(registry)
    listed = ", ".join(f"{source} AS {name}" for name, source in columns.items())
    meaning = "A kilometre of a run with what is known of the run; one row per row of splits."
    meanings = {
        f"{table}.{name}": text for table in ("splits", "runs") for name, text in _meanings(table, registry).items()
    }
    yield (
        "run_splits",
        [
            f"CREATE VIEW run_splits AS SELECT {listed} FROM splits JOIN runs USING (run_id)",
            *_comments("VIEW", "run_splits", meaning, {name: meanings[source] for name, source in columns.items()}),
        ],
    )


def _view(built: Path, table: str, registry: Registry) -> Iterator[str]:
    yield f"CREATE OR REPLACE VIEW {table} AS {_rows(table, _files(built, table), registry)}"
    yield from _comments("VIEW", table, meaning_of(table), _meanings(table, registry))


def _rows(table: str, source: str, registry: Registry) -> str:
    return f"SELECT {', '.join(schema_of(table, registry).column_names())} FROM {source}"


def _comments(kind: str, name: str, meaning: str, meanings: Mapping[str, str]) -> Iterator[str]:
    yield f"COMMENT ON {kind} {name} IS {_quoted(meaning)}"
    for column, text in meanings.items():
        yield f"COMMENT ON COLUMN {name}.{column} IS {_quoted(text)}"


def run_splits_columns(registry: Registry = BUILT_IN) -> dict[str, str]:
    """The columns of the view `run_splits`, each with what it is: of `splits`, then of `runs`.

    A column of `runs` that `splits` has too is called `run_...`, so that no name stands for two things. Kind, surface
    and shoe of `sessions.csv` are in `runs`.
    """
    of_splits, of_runs = schema_of("splits", registry).column_names(), TABLES["runs"].column_names()
    more = [name for name in of_runs if name not in ("run_id", "athlete_id")]
    return {name: f"splits.{name}" for name in of_splits} | {
        (f"run_{name}" if name in of_splits else name): f"runs.{name}" for name in more
    }


def _meanings(table: str, registry: Registry) -> dict[str, str]:
    """What is said of each column, with its unit."""
    columns = schema_of(table, registry).columns().items()
    return {name: f"{column.description} [{unit_of(column)}]".removesuffix(" []") for name, column in columns}


def _files(built: Path, table: str) -> str:
    # The path of the store may contain wildcards.
    literal = re.sub(r"([*?\[])", r"[\1]", whole_name(table_folder(built, table)))
    return f"read_parquet({_quoted(f'{literal}/**/*.parquet')}, hive_partitioning = false)"


def _quoted(text: str) -> str:
    return "'" + text.replace("'", "''") + "'"
