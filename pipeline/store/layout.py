"""The store: where its tables are and how they are read. `pipeline/store/parquet.py` writes them."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import polars as pl

from pipeline.core.errors import UsageError
from pipeline.core.places import files_below, is_remote, read_frame
from pipeline.store.generations import published
from pipeline.tables import TABLES, empty

#: The settings in force when the tables were made.
SETTINGS = "settings.toml"


def table_folder(folder: Path, table: str) -> Path:
    """The folder of a table's Parquet files."""
    return folder / "tables" / table


def partition(table: str, athlete_id: str, month: str | None = None) -> Path:
    """Folder of one athlete and month, relative to the store, as a hive partition."""
    # Readers of hive partitions decode this.
    escaped = athlete_id.replace("%", "%25").replace("=", "%3D")
    folder = Path("tables") / table / f"athlete_id={escaped}"
    return folder if month is None else folder / f"month={month}"


def samples_file(run_id: str, athlete_id: str, month: str, recording: str) -> str:
    """The file of a run's samples, relative to the store.

    Several recordings of one run have the same run_id; each needs its own file until it is known which is kept.
    """
    return f"{partition('samples', athlete_id, month)}/{run_id}-{recording}.parquet"


def run_of(file: Path) -> str:
    """The run_id of a file of samples."""
    return file.stem.rpartition("-")[0]


def write_settings(built: Path, text: str) -> None:
    """Write the settings in force next to the tables of a state being built."""
    (built / SETTINGS).write_text(text, encoding="utf-8")


def read_settings_text(store: Path) -> str:
    """The settings that the tables of a store were made with.

    Raises:
        NothingDone: there is no store yet.
    """
    return (published(store) / SETTINGS).read_text(encoding="utf-8")


def read_table(store: Path, table: str) -> pl.DataFrame:
    """A whole table of a store; for `samples`, scan the Parquet files instead.

    Raises:
        UsageError: no table of that name.
        NothingDone: the store does not exist yet.
    """
    if table not in TABLES:
        raise UsageError(f"There is no table '{table}'. Tables: {', '.join(TABLES)}.")
    return read_rows(published(store), table)


def read_rows(folder: Path, table: str) -> pl.DataFrame:
    """The rows of a table in a state of a store, also in one being built; in order of the table's key."""
    return _rows(table_folder(folder, table), table)


def read_partitions(folder: Path, table: str, athlete_id: str) -> pl.DataFrame:
    """The same of one athlete, for a partitioned table."""
    return _rows(folder / partition(table, athlete_id), table)


def _rows(folder: Path, table: str) -> pl.DataFrame:
    files = files_below(folder)
    if not files:
        return empty(table)
    # The partition columns are in the files too; the folder names only help readers to prune.
    if is_remote(folder):
        with ThreadPoolExecutor(8) as threads:
            rows = pl.concat(threads.map(read_frame, files))
    else:
        rows = pl.concat(read_frame(file) for file in files)
    return rows.select(TABLES[table].column_names()).sort(TABLES[table].primary_key())
