"""The athlete-level stages of `pipeline.STAGES`, for one athlete.

Splits are read back from the state being built: between processes only names and small results are sent.
"""

from __future__ import annotations

import hashlib

import polars as pl

from pipeline import ATHLETE, stages_of
from pipeline.core.places import files_below
from pipeline.core.resources import own_version
from pipeline.refresh.context import JOIN, Athlete, BuildContext, DriftTask, Measured
from pipeline.refresh.joins import join_recordings
from pipeline.store.layout import partition, read_partitions
from pipeline.store.parquet import Provenance, write_table
from pipeline.tables import TABLES, empty


def analyse(context: BuildContext, athlete: Athlete) -> dict[str, pl.DataFrame]:
    """Write the splits of files that were read, and run the stages that need no more.

    Returns:
        Their tables; as `joins` what was taken from other recordings of the runs (`JOIN`), and the `quality` of these.
    """
    joins, quality = pl.DataFrame(schema=JOIN), empty("quality")
    if athlete.measured is not None:
        measured, joins = join_recordings(context, athlete.measured)
        quality = measured.quality.join(joins, on="run_id", how="semi")
        _write_splits(context, athlete.athlete_id, measured)
    return _tables(context, athlete.athlete_id, after_club=False) | {"joins": joins, "quality": quality}


def analyse_after_club(context: BuildContext, task: DriftTask, club: pl.DataFrame) -> dict[str, pl.DataFrame]:
    """Run the stages that also need what the club's responses have in common; returns their tables."""
    return _tables(context, task.athlete_id, after_club=True, club=club, metrics=task.metrics)


def _tables(context: BuildContext, athlete_id: str, *, after_club: bool, **more: object) -> dict[str, pl.DataFrame]:
    frames = {"splits": read_partitions(context.built, "splits", athlete_id)}
    tables: dict[str, pl.DataFrame] = {}
    for stage in stages_of(ATHLETE, after_club=after_club):
        tables |= stage.tables(frames | tables, settings=context.inbox.settings, **more)
    return tables


def _write_splits(context: BuildContext, athlete_id: str, measured: Measured) -> None:
    """Write splits and laps by month, and remove the samples of recordings that turned out to be duplicates."""
    wanted = {context.built / name for name in measured.runs["samples_file"]}
    for file in files_below(context.built / partition("samples", athlete_id)):
        if file not in wanted:
            file.unlink()
    settings_sha256, code = context.inbox.settings.digest("reading"), own_version()
    registry = context.inbox.settings.registry
    months = measured.runs.with_columns(month=pl.col("started_at_utc").dt.strftime("%Y-%m"))
    for (month,), runs_of_month in months.group_by("month", maintain_order=True):
        digests = "".join(sorted(runs_of_month["sha256"]))
        made_from = Provenance(hashlib.sha256(digests.encode()).hexdigest(), settings_sha256, code)
        for table, splits in (("splits", measured.splits), ("lap_splits", measured.lap_splits)):
            rows = splits.join(runs_of_month.select("run_id"), on="run_id", how="semi")
            folder = context.built / partition(table, athlete_id, str(month))
            write_table(folder / f"{table}.parquet", table, rows.sort(TABLES[table].primary_key()), made_from, registry)
