"""The athlete-level stages of `pipeline.STAGES`, for one athlete.

Splits that a step before wrote are read back from the state being built: between processes only names and small results
are sent.
"""

from __future__ import annotations

import hashlib
from datetime import date

import polars as pl

from pipeline import ALONE, ATHLETE, OF_CLUB, OF_RUNS, stages_of
from pipeline.core.code import own_version
from pipeline.core.places import files_below, remove_tree
from pipeline.refresh.context import Athlete, AthleteTask, BuildContext, Measured, own_of
from pipeline.refresh.duplicates import gathered, with_joined_recordings
from pipeline.refresh.joins import join_recordings
from pipeline.refresh.settled import runs_before
from pipeline.store.bundles import Bundle, read_bundle, write_bundle
from pipeline.store.generations import link_files
from pipeline.store.known import KeptRows, of_files
from pipeline.store.layout import partition, read_partitions
from pipeline.store.parquet import Provenance, write_table
from pipeline.store.sections import section_of
from pipeline.tables import empty, key_of


def analyse(context: BuildContext, athlete: Athlete) -> Bundle:
    """Write the splits of files that were read, and run the stages that need no more.

    Returns:
        A bundle of their tables, and of what the files gave, with what was joined to the runs.
    """
    tables: dict[str, pl.DataFrame] = {}
    has_runs, splits = True, None
    if athlete.is_touched:
        measured, joins = join_recordings(context, measured_of(context, athlete))
        has_runs = not measured.runs.is_empty()
        tables = {name: rows for name, rows in measured.parts.items() if name in of_files()}
        tables["recordings"] = with_joined_recordings(measured.recordings, joins)
        if has_runs and athlete.athlete_id is not None:
            splits = _write_splits(context, athlete.athlete_id, measured)
        else:  # runs may be rejected after their samples were written
            remove_tree(context.built / partition("samples", athlete.athlete_id or ""))
    if has_runs and athlete.athlete_id is not None:
        tables |= _tables(context, athlete.athlete_id, ALONE, splits)
    return _bundle(context, athlete.athlete_id, tables, ALONE, has_runs=has_runs)


def respond(context: BuildContext, task: AthleteTask, until: date | None) -> Bundle:
    """Run the stages that take the runs before a day (`settled.py`); returns a bundle of their tables."""
    runs = context.kept.of_athletes("runs", section_of(task.athlete_id, context.n_sections), {task.athlete_id})
    of_runs = runs_before(runs, until)["run_id"].to_list()
    return _bundle(context, task.athlete_id, _tables(context, task.athlete_id, OF_RUNS, of_runs=of_runs), OF_RUNS)


def analyse_after_club(context: BuildContext, task: AthleteTask, club: pl.DataFrame) -> Bundle:
    """Run the stages that also need what the club's responses have in common; returns a bundle of their tables."""
    tables = _tables(context, task.athlete_id, OF_CLUB, club=club, metrics=task.metrics)
    return _bundle(context, task.athlete_id, tables, OF_CLUB)


def _bundle(
    context: BuildContext,
    athlete_id: str | None,
    tables: dict[str, pl.DataFrame],
    in_round: str,
    *,
    has_runs: bool = True,
) -> Bundle:
    digest = hashlib.sha256(repr(athlete_id).encode()).hexdigest()[:32]
    name = f"{own_of(section_of(athlete_id, context.n_sections), in_round)}/{digest}"
    write_bundle(context.built, name, tables)
    return Bundle(name, athlete_id, has_runs)


def measured_of(context: BuildContext, athlete: Athlete) -> Measured:
    """What the files of an athlete gave: those that were read, and those that stay, whose samples get a name anew."""
    measured = [Measured.of_parts(read_bundle(context.built, name)) for name in athlete.bundles]
    if athlete.stays and context.known is not None:
        measured += _carried(context, context.known, athlete)
    return gathered(measured, context.inbox.settings.registry)


def _carried(context: BuildContext, known: KeptRows, athlete: Athlete) -> list[Measured]:
    name, section = athlete.athlete_id or "", section_of(athlete.athlete_id, context.n_sections)
    own = {part: known.of_athletes(part, section, {athlete.athlete_id}) for part in of_files()}
    recordings = own["recordings"].filter(pl.col("file").is_in(athlete.stays))
    if recordings.is_empty():
        return []
    runs = own["runs"].join(recordings, on=["path", "session"], how="semi")
    link_files(known.state, context.built, runs["samples_file"])
    of_runs = {part: own[part] for part in ("exclusions", "quality")} | {
        table: read_partitions(known.state, table, name) for table in ("splits", "lap_splits")
    }
    names = runs.select("run_id")
    own_rows = {part: rows.join(names, on="run_id", how="semi") for part, rows in of_runs.items()}
    return [Measured.of_parts({"recordings": recordings, "runs": runs, **own_rows})]


def _tables(
    context: BuildContext, athlete_id: str, in_round: str, splits: pl.DataFrame | None = None, **more: object
) -> dict[str, pl.DataFrame]:
    frames = {"splits": read_partitions(context.built, "splits", athlete_id) if splits is None else splits}
    tables: dict[str, pl.DataFrame] = {}
    for stage in stages_of(ATHLETE, in_round):
        tables |= stage.tables(frames | tables, settings=context.inbox.settings, **more)
    return tables


def _write_splits(context: BuildContext, athlete_id: str, measured: Measured) -> pl.DataFrame:
    """Write splits and laps by month, and remove the samples of recordings that turned out to be duplicates.

    Returns:
        The splits as they would be read back.
    """
    wanted = {context.built / name for name in measured.runs["samples_file"]}
    for file in files_below(context.built / partition("samples", athlete_id)):
        if file not in wanted:
            file.unlink()
    settings_sha256, code = context.inbox.settings.digest("reading"), own_version()
    registry = context.inbox.settings.registry
    months = measured.runs.select("run_id", "sha256", month=pl.col("started_at_utc").dt.strftime("%Y-%m"))
    ordered = {table: measured.parts[table].sort(key_of(table)) for table in ("splits", "lap_splits")}
    by_month = {
        table: rows.join(months.select("run_id", "month"), on="run_id", maintain_order="left").partition_by(
            "month", as_dict=True, include_key=False
        )
        for table, rows in ordered.items()
    }
    for (month,), runs_of_month in months.group_by("month", maintain_order=True):
        digests = "".join(sorted(runs_of_month["sha256"]))
        made_from = Provenance(hashlib.sha256(digests.encode()).hexdigest(), settings_sha256, code)
        for table, rows in by_month.items():
            folder = context.built / partition(table, athlete_id, str(month))
            own = rows[(month,)] if (month,) in rows else empty(table, registry)
            write_table(folder / f"{table}.parquet", table, own, made_from, registry)
    return ordered["splits"]
