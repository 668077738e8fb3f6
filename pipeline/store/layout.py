"""The store: where its tables are and how they are read. `pipeline/store/parquet.py` writes them."""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Sequence
from concurrent.futures import ThreadPoolExecutor
from io import BytesIO
from itertools import chain
from pathlib import Path
from typing import Any

import polars as pl

from pipeline.core.errors import Damaged, Fault, OtherVersion, UsageError
from pipeline.core.places import files_below, is_remote
from pipeline.core.settings import Settings, read_settings
from pipeline.store.contents import WHOLE, contents_of, read_checked
from pipeline.store.generations import current, published
from pipeline.store.sections import Section
from pipeline.tables import PARTITIONED, TABLES, empty, in_order

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
    return read_checked(published(store), SETTINGS).decode()


def settings_of(store: Path) -> Settings:
    """The same, read."""
    return read_settings(read_settings_text(store), name=f"{store / SETTINGS}")


def read_table(store: Path, table: str) -> pl.DataFrame:
    """A whole table of a store; for `samples`, scan the Parquet files instead.

    Raises:
        UsageError: no table of that name.
        NothingDone: the store does not exist yet.
    """
    if table not in TABLES:
        near = difflib.get_close_matches(table, TABLES, n=1)
        hint = f"Did you mean {near[0]}?" if near else f"Tables: {', '.join(TABLES)}."
        raise UsageError(f"There is no table '{table}'. {hint}")
    return read_rows(published(store), table)


def read_rows(folder: Path, table: str) -> pl.DataFrame:
    """The rows of a table in a state of a store, also in one being built; in order of the table's key.

    Raises:
        Damaged: a file of it is not what was written.
        OtherVersion: it has other columns.
    """
    return _rows(folder, files_of(folder, Path("tables") / table), table)


def read_where(folder: Path, table: str, condition: pl.Expr, columns: Sequence[str] | None = None) -> pl.DataFrame:
    """The same, of the rows for which a condition holds; of the others only those of one file are in memory.

    Args:
        columns: which ones, those of the table's key among them; None for all.
    """
    names = files_of(folder, Path("tables") / table)
    chosen = (_rows(folder, [name], table).filter(condition) for name in names)
    return in_order(pl.concat([rows.select(columns or pl.all()) for rows in chosen] or [empty(table)]), table)


def ledger_of_valid(store: Path, columns: Sequence[str]) -> pl.DataFrame:
    """Columns of the ledger of the valid state; no rows where there is none, or one whose ledger had other columns.

    Args:
        columns: which ones, those of its key among them.

    Raises:
        Damaged: a file of it is not what was written.
    """
    folder = current(store)
    try:
        if folder is not None:
            return read_where(folder, "recordings", pl.lit(value=True), columns)
    except OtherVersion:
        pass
    return empty("recordings")


def read_section(folder: Path, table: str, section: Section) -> pl.DataFrame:
    """The same of the athletes of a section of the club, whatever sections the files of the table are of."""
    of = len(files_of(folder, Path("tables") / table))
    names = [f"tables/{table}/{one.file(table)}" for one in section.overlapping(of)] if of else []
    rows = _rows(folder, names, table)
    return rows if section.of <= of else held(section, rows)


def held(section: Section, rows: pl.DataFrame) -> pl.DataFrame:
    """The rows whose athletes a section holds; all rows of a table without athletes."""
    if section.of == 1 or "athlete_id" not in rows.columns:
        return rows
    return rows.filter(is_of(filter(section.holds, rows["athlete_id"].unique())))


def is_of(athletes: Iterable[str | None]) -> pl.Expr:
    """Whether a row is of one of some athletes; None among them stands for rows that are of nobody."""
    return pl.col("athlete_id").is_in(pl.Series(values=list(athletes), dtype=pl.String).implode(), nulls_equal=True)


def read_partitions(folder: Path, table: str, athlete_id: str) -> pl.DataFrame:
    """The same of one athlete, for a partitioned table."""
    return read_athletes(folder, table, [athlete_id])


def read_athletes(folder: Path, table: str, athletes: Iterable[str]) -> pl.DataFrame:
    """The same of some athletes."""
    names = chain.from_iterable(files_of(folder, partition(table, athlete_id)) for athlete_id in athletes)
    return _rows(folder, list(names), table)


def files_of(folder: Path, below: Path) -> list[str]:
    """The files that belong below a folder of a state, by their path in the state."""
    contents = contents_of(folder)
    if contents is None:
        return [file.relative_to(folder).as_posix() for file in files_below(folder / below.as_posix())]
    return contents.below(below.as_posix())


def read_file(folder: Path, name: str, columns: Sequence[str] | None = None) -> pl.DataFrame:
    """The rows of a Parquet file of a state, compared with its digest where that is noted; of some columns, or of all.

    Raises:
        Damaged: it is not what was written.
    """
    try:
        content = BytesIO(read_checked(folder, name))
        return pl.read_parquet(content, columns=list(columns) if columns else None, hive_partitioning=False)
    except pl.exceptions.PolarsError:
        raise Damaged(folder, {name: Fault.UNREADABLE}) from None


def read_files(folder: Path, names: Sequence[str], columns: Sequence[str] | None = None) -> pl.DataFrame:
    """The same of several files of one table at once, file by file in their order, which costs half."""
    files: list[Any] = [BytesIO(content) for content in read_contents(folder, names)]
    try:
        schema = pl.read_parquet_schema(files[0])  # with it, Polars takes a sixth less time per file
        rows = pl.scan_parquet(files, schema=schema, hive_partitioning=False, glob=False)
        return (rows if columns is None else rows.select(columns)).collect()
    except pl.exceptions.PolarsError:
        raise Damaged(folder, dict.fromkeys(names, Fault.UNREADABLE)) from None


def read_contents(folder: Path, names: Sequence[str]) -> list[bytes]:
    """What is in several files of a state, compared with their digests where these are noted; remote ones at once."""
    contents = contents_of(folder)

    def read(name: str) -> bytes:
        return (folder / name).read_bytes() if contents is None else contents.read(name)

    if not is_remote(folder):
        return list(map(read, names))
    with ThreadPoolExecutor(8) as threads:
        return list(threads.map(read, names))


def require_sound(folder: Path, names: Iterable[str]) -> None:
    """Compare files with their digests, for readers that open them by themselves.

    Raises:
        Damaged: one is not what was written.
    """
    contents = contents_of(folder)
    if contents is not None and (faults := contents.faults_of_content(names)):
        raise Damaged(folder, faults)


def _columns(table: str, written: Sequence[str]) -> list[str]:
    """The columns of a table, and after them those of metrics of one's own, which are as the settings had them."""
    known = TABLES[table].column_names()
    return [*known, *(name for name in written if name not in known)] if table in PARTITIONED else known


def _rows(folder: Path, names: Sequence[str], table: str) -> pl.DataFrame:
    if not names:
        return empty(table)
    # The partition columns are in the files too; the folder names only help readers to prune.
    try:
        frames = [read_files(folder, names)] if len(names) > 1 else [read_file(folder, names[0])]
    except Damaged:  # it is to be said which; or their columns differ
        frames = [read_file(folder, name) for name in names]
    try:
        rows = pl.concat(frames) if len(frames) > 1 else frames[0]
        if rows.columns != (columns := _columns(table, rows.columns)):
            rows = rows.select(columns)
    except pl.exceptions.PolarsError:
        if (folder / WHOLE).is_file():
            raise OtherVersion(folder.parents[1]) from None
        raise
    return in_order(rows, table)
