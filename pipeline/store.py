"""The store: the only module that knows where tables lie.

A refresh builds the whole next state in a folder of its own and swaps it in at the end, so that one that fails leaves
the old state as it was. Every Parquet file carries the unit and meaning of its columns and what it was made from.
"""

from __future__ import annotations

import os
import re
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import duckdb
import polars as pl
import pyarrow as pa
import pyarrow.parquet as pq

from pipeline.errors import NothingDone, UsageError
from pipeline.queries import connect
from pipeline.tables import TABLES, empty, meaning_of, unit_of

DATABASE = "splitdrift.duckdb"
#: The settings in force when the tables were made.
SETTINGS = "settings.toml"
#: Where the parts of the old state wait while the new ones move in.
_REPLACED = "replaced"
_PARTS = ("tables", "exports", "rejected", SETTINGS, DATABASE)


@dataclass(frozen=True)
class Provenance:
    """What a table was made from: digests of the inputs and the settings, and the version of the code."""

    inputs_sha256: str
    settings_sha256: str
    version: str


@contextmanager
def building(store: Path) -> Iterator[Path]:
    """A folder to build the next state of a store in; published when the block ends well, removed when it does not.

    Args:
        store: the store; made if it does not exist.

    Raises:
        UsageError: `store` is a file, or a folder that holds something else than a store.
    """
    if store.exists() and not store.is_dir():
        raise UsageError(f"--store {store} is a file; it takes a folder, which is made if it does not exist.")
    if store.is_dir() and any(store.iterdir()) and not is_store(store):
        raise UsageError(f"--store {store} holds other things than a store of splitdrift; name an empty or new folder.")
    store.mkdir(parents=True, exist_ok=True)
    for left in store.glob(".building-*"):
        # One with our own number was left by a process before us: in a container every process has the same number.
        number = left.name.rpartition("-")[2]
        if not number.isdigit() or int(number) == os.getpid() or not _is_alive(int(number)):
            _undo_half(left, store)
            shutil.rmtree(left)
    folder = store / f".building-{os.getpid()}"
    folder.mkdir()
    try:
        yield folder
        _publish(folder, store)
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def is_store(folder: Path) -> bool:
    """Whether a folder is a store, or the beginning of one."""
    return (folder / DATABASE).is_file() or any(folder.glob(".building-*"))


def _is_alive(pid: int) -> bool:
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    except OSError:
        return True
    return True


def _publish(built: Path, store: Path) -> None:
    """Swap the new state in, part by part; whatever goes wrong, the old one comes back."""
    replaced = built / _REPLACED
    replaced.mkdir()
    try:
        for part in _PARTS:
            if (store / part).exists():
                os.replace(store / part, replaced / part)
            if (built / part).exists():
                os.replace(built / part, store / part)
        _link_samples(store)
    except BaseException:
        _bring_back(built, store)
        raise


def _undo_half(left: Path, store: Path) -> None:
    """After a process that was killed while it swapped: what it had not moved yet tells that it was not done."""
    if (left / _REPLACED).is_dir() and any((left / part).exists() for part in _PARTS):
        _bring_back(left, store)


def _bring_back(built: Path, store: Path) -> None:
    """Take the parts of a new state out of a store, and put those of the old one back."""
    for part in _PARTS:
        if not (built / part).exists() and (store / part).exists():
            os.replace(store / part, built / part)
        if (built / _REPLACED / part).exists():
            os.replace(built / _REPLACED / part, store / part)


# --- Tables ----------------------------------------------------------------------------------------------------------


def table_folder(store: Path, table: str) -> Path:
    """Where a table's Parquet files lie."""
    return store / "tables" / table


def partition(table: str, athlete_id: str, month: str) -> Path:
    """Folder of one athlete and month, relative to the store, in the form that readers of hive partitions know."""
    # Readers undo this: a sign that has a meaning in such a name stands for itself when written by its number.
    escaped = athlete_id.replace("%", "%25").replace("=", "%3D")
    return Path("tables") / table / f"athlete_id={escaped}" / f"month={month}"


def write_table(path: Path, table: str, frame: pl.DataFrame, provenance: Provenance) -> None:
    """Write rows of a table as one Parquet file.

    Args:
        path: the file; its folder is made.
        table: a name in `TABLES`.
        frame: publishable rows (see `pipeline.tables.publishable`).
        provenance: written into the file.
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    columns = TABLES[table].columns()
    data = frame.to_arrow(compat_level=pl.CompatLevel.oldest())
    fields = [
        pa.field(
            one.name,
            pa.string() if pa.types.is_large_string(one.type) else one.type,
            nullable=columns[one.name].nullable,
            metadata={"unit": unit_of(columns[one.name]), "meaning": columns[one.name].description or ""},
        )
        for one in data.schema
    ]
    about = {
        "splitdrift.table": table,
        "splitdrift.meaning": meaning_of(table),
        "splitdrift.inputs_sha256": provenance.inputs_sha256,
        "splitdrift.settings_sha256": provenance.settings_sha256,
        "splitdrift.version": provenance.version,
    }
    # Words repeat; measured numbers hardly do, and to look for repetitions takes longer than to write them.
    dictionary = [one.name for one in fields if pa.types.is_string(one.type)]
    pq.write_table(data.cast(pa.schema(fields, metadata=about)), path, compression="zstd", use_dictionary=dictionary)


def write_settings(built: Path, text: str) -> None:
    """Write the settings in force beside the tables of a store being built."""
    (built / SETTINGS).write_text(text, encoding="utf-8")


def read_settings_text(store: Path) -> str:
    """The settings that the tables of a published store were made with.

    Raises:
        NothingDone: there is no store yet, or it was made before stores held their settings.
    """
    _must_be_published(store)
    try:
        return (store / SETTINGS).read_text(encoding="utf-8")
    except FileNotFoundError:
        raise NothingDone(f"{store} does not say with which settings it was made. Refresh it once more.") from None


def read_provenance(store: Path, table: str) -> Provenance:
    """What a table of a published store was made from, by its first file."""
    _must_be_published(store)
    about = pq.read_schema(min(table_folder(store, table).rglob("*.parquet"))).metadata
    names = ("inputs_sha256", "settings_sha256", "version")
    return Provenance(*(about[f"splitdrift.{name}".encode()].decode() for name in names))


def replace_table(store: Path, table: str, frame: pl.DataFrame, provenance: Provenance) -> None:
    """Replace one table of a published store, as Parquet and in the DuckDB file; both are built
    aside and swapped in at the end.

    Args:
        store: published.
        table: a name in `TABLES` that is one file.
        frame: publishable rows.
        provenance: written into the file.
    """
    _must_be_published(store)
    folder = store / f".building-{os.getpid()}"
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir()
    try:
        path = folder / f"{table}.parquet"
        write_table(path, table, frame, provenance)
        shutil.copyfile(store / DATABASE, folder / DATABASE)
        with connect(folder / DATABASE) as connection:
            connection.execute(f"DROP TABLE IF EXISTS {table}")
            _create(connection, table, frame)
        target = table_folder(store, table) / path.name
        target.parent.mkdir(parents=True, exist_ok=True)
        os.replace(path, target)
        os.replace(folder / DATABASE, store / DATABASE)
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def read_table(store: Path, table: str) -> pl.DataFrame:
    """A whole table of a published store; for `samples` rather scan the Parquet files.

    Raises:
        UsageError: no table of that name.
        NothingDone: the store does not exist yet.
    """
    if table not in TABLES:
        raise UsageError(f"There is no table '{table}'. Tables: {', '.join(TABLES)}.")
    _must_be_published(store)
    return read_rows(store, table)


def _must_be_published(store: Path) -> None:
    if not (store / DATABASE).is_file():
        raise NothingDone(f"{store} is not a store yet. `splitdrift refresh --inbox DIR --store {store}` makes one.")


def read_rows(folder: Path, table: str) -> pl.DataFrame:
    """The rows of a table in a store, or in one that is being built; in order of the table's key."""
    files = sorted(table_folder(folder, table).rglob("*.parquet"))
    if not files:
        return empty(table)
    # What the folder names of a partition say is in the files too; the names are for readers who prune by them.
    rows = pl.concat([pl.read_parquet(file, hive_partitioning=False, glob=False) for file in files])
    return rows.select(TABLES[table].column_names()).sort(TABLES[table].primary_key())


# --- For SQL users ---------------------------------------------------------------------------------------------------


def write_database(built: Path) -> None:
    """Make the DuckDB file of a store being built, with every table but `samples`, which is too large to hold twice."""
    with connect(built / DATABASE) as connection:
        for table in TABLES:
            if table != "samples":
                _create(connection, table, read_rows(built, table))


def _create(connection: duckdb.DuckDBPyConnection, table: str, rows: pl.DataFrame) -> None:
    connection.register("published", rows.to_arrow(compat_level=pl.CompatLevel.oldest()))
    connection.execute(f"CREATE TABLE {table} AS SELECT * FROM published")
    connection.unregister("published")
    _comment(connection, "TABLE", table)


def _link_samples(store: Path) -> None:
    """Add `samples` to the DuckDB file as a view of its Parquet files, which must be in their final place for that."""
    folder = table_folder(store.resolve(), "samples")
    if not any(folder.rglob("*.parquet")):
        return
    with connect(store / DATABASE) as connection:
        columns = ", ".join(TABLES["samples"].column_names())
        # The store's own folder may have a name that reads like a pattern.
        literal = re.sub(r"([*?\[])", r"[\1]", str(folder))
        files = _quoted(f"{literal}/**/*.parquet")
        connection.execute(
            f"CREATE VIEW samples AS SELECT {columns} FROM read_parquet({files}, hive_partitioning = false)"
        )
        _comment(connection, "VIEW", "samples")


def _comment(connection: duckdb.DuckDBPyConnection, kind: str, table: str) -> None:
    connection.execute(f"COMMENT ON {kind} {table} IS {_quoted(meaning_of(table))}")
    for name, column in TABLES[table].columns().items():
        unit = unit_of(column)
        said = f"{column.description} [{unit}]" if unit else f"{column.description}"
        connection.execute(f"COMMENT ON COLUMN {table}.{name} IS {_quoted(said)}")


def _quoted(text: str) -> str:
    return "'" + text.replace("'", "''") + "'"
