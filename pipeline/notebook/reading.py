"""A store and single recordings as frames and charts."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

import duckdb
import polars as pl

from pipeline.core.errors import NothingDone, UsageError
from pipeline.core.metrics import Registry
from pipeline.core.places import is_remote, place
from pipeline.core.queries import connect
from pipeline.core.settings import Settings, read_settings
from pipeline.inbox.inbox import COLUMNS_FILE, Inbox, InboxFile
from pipeline.inbox.lists import read_lists
from pipeline.notebook.charts import athlete_chart, run_chart
from pipeline.pages.traces import traced, traces
from pipeline.refresh.context import RunContext, Shard
from pipeline.refresh.shard import cut, read, sample
from pipeline.store.database import DATABASE
from pipeline.store.generations import published
from pipeline.store.layout import files_of, read_file, read_table, require_sound, run_of, settings_of
from pipeline.tables import TABLES, require_free_columns, schema_of, unit_of


@dataclass(frozen=True)
class Store:
    """The valid state of a store at the time when it was read: later refreshes do not change it.

    Attributes:
        folder: of that state.
    """

    folder: Path

    @property
    def tables(self) -> tuple[str, ...]:
        """The names of the tables; `splitdrift dictionary` has their columns."""
        return tuple(TABLES)

    def table(self, name: str) -> pl.DataFrame:
        """The rows of a table in order of its key; for `samples`, `samples_of` reads less.

        Raises:
            UsageError: no table of that name.
        """
        return read_table(self.folder, name)

    def samples_of(self, run_id: str) -> pl.DataFrame:
        """The samples of a run, in order of time.

        Raises:
            UsageError: no run of that name.
        """
        self._row("runs", run_id=run_id)
        files = [name for name in files_of(self.folder, Path("tables/samples")) if run_of(Path(name)) == run_id]
        return pl.concat(read_file(self.folder, name) for name in files).sort("elapsed_s")

    def sql(self, query: str) -> pl.DataFrame:
        """The rows that a query of DuckDB gives; every table is there by name, and `run_splits`.

        Raises:
            UsageError: DuckDB refuses it.
        """
        require_sound(self.folder, [DATABASE])
        with connect(self.folder / DATABASE, read_only=True) as connection:
            try:
                rows: pl.DataFrame = connection.sql(query).pl()
            except duckdb.Error as error:
                raise UsageError(str(error)) from None
            return rows

    def run_chart(self, run_id: str, quantities: Sequence[str] | None = None) -> Any:
        """What was recorded along a run, one panel per quantity.

        Args:
            quantities: columns of `samples`; None for all that were recorded.

        Raises:
            UsageError: no run of that name, or a quantity that cannot be drawn.
        """
        trace = traces(self.samples_of(run_id), self._registry)
        drawn = traced(self._registry)
        wanted = [name for name in drawn if trace[name].count()] if quantities is None else list(quantities)
        unknown = [name for name in wanted if name not in drawn]
        if unknown:
            raise UsageError(f"There is no trace of '{unknown[0]}'. Traces: {', '.join(drawn)}.")
        panels, metrics = [], self._registry.metric_of
        columns = schema_of("samples", self._registry).columns()
        for name in wanted:
            rows = trace.select(pl.col("distance_km").alias("distance"), pl.col(name).alias("value"), "run_share")
            label = metrics[name].label if name in metrics else name.partition("_")[0]
            title = f"{label}, {unit_of(columns[name])}, over distance, km"
            panels.append((name, title, rows.drop_nulls("value").to_dicts()))
        return run_chart(panels)

    def athlete_chart(self, athlete_id: str) -> Any:
        """An athlete's change per 10 km of each metric: in all, by pace, by hills and what remains.

        Raises:
            UsageError: no athlete of that name.
            NothingDone: none of the athlete's metrics has an estimate.
        """
        self._row("runs", athlete_id=athlete_id)
        order = {metric.column: number for number, metric in enumerate(self._registry.metrics)}
        rows = self.table("athlete_drift").filter(
            pl.col("athlete_id") == athlete_id, pl.col("drift_pct_per_10km").is_not_null()
        )
        if rows.is_empty():
            raise NothingDone(f"No metric of {athlete_id} has an estimate; athlete_drift.reason says why.")
        parts, in_all = [], []
        for row in rows.iter_rows(named=True):
            about = {"metric": self._registry.label(row["metric"]), "order": order[row["metric"]]}
            in_all.append({**about, "percent": row["raw_pct_per_10km"]})
            for part, column in _PARTS.items():
                parts.append({**about, "part": part, "percent": row[column]})
        return athlete_chart(f"{athlete_id}: change per 10 km", parts, in_all)

    @cached_property
    def _registry(self) -> Registry:
        return settings_of(self.folder).registry

    def _row(self, table: str, **key: str) -> None:
        rows = self.table(table)
        for column, value in key.items():
            if value not in rows[column]:
                raise UsageError(f"There is no {column} '{value}' in {table}.")


_PARTS = {"pace": "speed_part_pct", "hill": "slope_part_pct", "what remains": "drift_pct_per_10km"}


def read_store(folder: str | Path) -> Store:
    """Open a store to read.

    Args:
        folder: of the store, as given to `splitdrift refresh --store`.

    Raises:
        NothingDone: there is no store yet.
        UsageError: the address of an object store.
    """
    path = place(str(folder))
    if is_remote(path):
        raise UsageError(f"{folder} is in an object store; copy it to this machine, or read its Parquet files.")
    return Store(published(path))


@dataclass(frozen=True)
class Recorded:
    """What became of a file.

    Attributes:
        recordings: rows of the table `recordings`: a row per session, with its status, reason and fix.
        samples: rows of `samples` of the runs in it; none where nothing was accepted.
        splits: rows of `splits` of the same.
    """

    recordings: pl.DataFrame
    samples: pl.DataFrame
    splits: pl.DataFrame


def read_recording(file: str | Path, *, settings: str | Path | None = None) -> Recorded:
    """Take a file through the stages recording, samples and splits, without a store.

    A `columns.toml` in its folder applies. The lists of an inbox do not: mass and the like are unknown.

    Args:
        file: of any format that a refresh reads, also packed.
        settings: a `settings.toml`; None for the defaults.

    Returns:
        Also for a file that is rejected: `recordings` says why.

    Raises:
        UsageError: there is no such file, or the settings have a fault.
    """
    path = Path(file)
    if not path.is_file():
        raise UsageError(f"There is no file {path}.")
    chosen = Settings() if settings is None else read_settings(Path(settings).read_text(encoding="utf-8-sig"))
    require_free_columns(chosen.registry)
    described = (COLUMNS_FILE,) if (path.parent / COLUMNS_FILE).is_file() else ()
    lists = read_lists(Path(__file__) / "no lists").rows
    inbox = Inbox(
        path.parent,
        (),
        chosen,
        lists["sessions.csv"],
        lists["roster.csv"],
        lists["strikes.csv"],
        lists["complaints.csv"],
        described,
        shoes=lists["shoes.csv"],
        events=lists["events.csv"],
    )
    context, shard = RunContext(inbox), Shard(_OWNER, (InboxFile(path.name, _OWNER),))
    sampled = sample(context, shard, read(context, shard))
    measured = cut(context, sampled)
    return Recorded(measured.recordings, sampled.samples, measured.splits)


#: Whose a recording is that is read by itself: the beginning of its `run_id`.
_OWNER = "recording"
