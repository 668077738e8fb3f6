"""The refresh in process: an inbox → a store.

What has not changed since the last refresh is taken over from it (`pipeline/store/known.py`). The rest is divided
twice: by shard (`shard.py`), then by athlete (`athlete.py`). What needs the whole club comes last (`club.py`). Samples
are never sent between processes and never all in memory.

This process only plans and gathers: the steps, and the libraries they need, are loaded by the workers.
`flows/refresh.py` runs the same steps in the same order as Prefect tasks.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from contextlib import AbstractContextManager, nullcontext
from dataclasses import replace
from datetime import UTC, datetime
from itertools import chain, groupby
from pathlib import Path

import polars as pl

from pipeline import ATHLETE, stages_of, tables_of
from pipeline.core.errors import Interrupted, NothingDone, OtherVersion, UsageError
from pipeline.core.metrics import Registry
from pipeline.core.places import is_remote, remove_tree, whole_name
from pipeline.core.settings import Settings
from pipeline.inbox.inbox import Inbox, InboxFile, read_inbox
from pipeline.pages.club_rows import pages_of
from pipeline.refresh import WORKER_LOADS, WORKER_LOADS_LATER
from pipeline.refresh.context import RUN, Athlete, BuildContext, DriftTask, Measured, RunContext, Shard
from pipeline.refresh.damage import mend_older_states, require_sound_rows, sound_base
from pipeline.refresh.duplicates import by_athlete, replaced_by_run, with_joined_recordings, with_joined_runs
from pipeline.refresh.steps import Executor, executor_over, judge_over
from pipeline.stages.corrections import clocks_apart
from pipeline.store.finished import Finished
from pipeline.store.generations import building, current, generations, link_tree, prepare, sweep
from pipeline.store.history import catch_up, note_nothing_new, record, write_record
from pipeline.store.known import Changes, Keys, Known, changes, write_known
from pipeline.store.layout import files_of, partition, read_partitions, read_rows
from pipeline.store.lock import locked
from pipeline.tables import PARTITIONED, empty, publishable
from pipeline.workers.pool import FEW_FILES, Mapper, Progress, workers

#: Files a shard takes at most: enough to spread fixed costs over, few enough to fit in memory many times.
SHARD_FILES = 16
#: With fewer files to be read, results are not kept for the case of an interrupt: reading them again takes seconds.
WORTH_KEEPING_FILES = 64


def refresh(
    inbox: Inbox,
    store: Path,
    *,
    jobs: int | None = None,
    wait_s: float = 0.0,
    progress: Progress | None = None,
    mapper: Mapper | None = None,
    repairs: bool = False,
) -> pl.DataFrame:
    """Bring a store up to date with its inbox.

    Args:
        inbox: what `pipeline.inbox.inbox.read_inbox` returned.
        jobs: worker processes; None for one per core. With 1, and for a few files, all is done in this process,
            where a file that crashes its reader takes the refresh with it.
        wait_s: how long to wait for another refresh of the same store to end [s].
        mapper: workers that have been started already; `jobs` is then ignored.
        repairs: check every file of the valid state, and recompute what rests on those that are damaged.

    Returns:
        The ledger: rows of `recordings`.

    Raises:
        NothingDone: no file holds a run that could be used; the store stays as it was.
        Damaged: a file to build on is damaged, and `repairs` is False.
        UsageError: the store's folder cannot be one.
        Held: another process is changing the store.
    """
    with _mapper(inbox, jobs, mapper) as over:
        return bring_up_to_date(inbox, store, executor_over(over), wait_s=wait_s, progress=progress, repairs=repairs)


def bring_up_to_date(
    inbox: Inbox,
    store: Path,
    executor: Executor,
    *,
    wait_s: float = 0.0,
    progress: Progress | None = None,
    repairs: bool = False,
) -> pl.DataFrame:
    """The same with a given way to carry out the steps."""
    began_at = datetime.now(UTC)
    require_apart(inbox, store)
    prepare(store)
    with locked(store, wait_s=wait_s) as check_still_held:
        if wait_s:
            inbox = read_inbox(inbox.folder)  # while we waited, more may have come in, and been seen by the other
        catch_up(store)
        known, damaged_files = sound_base(current(store), repairs=repairs)
        inbox_changes = changes(inbox, store, known)
        if inbox_changes.is_nothing and known.folder is not None and not damaged_files:
            sweep(store, keep=inbox.settings.keep_generations)
            note_nothing_new(store, known.folder, began_at)
            return read_rows(known.folder, "recordings")
        if not repairs:
            require_sound_rows(known, inbox_changes.touched)
        finished = Finished(store, inbox_changes.keys.files)
        try:
            with building(store, keep=inbox.settings.keep_generations, resumes=True) as built:
                context = BuildContext(replace(inbox, files=()), built)
                measured = _measured(context, executor, inbox_changes, finished, progress)
                ledger = _build(context, executor, inbox_changes, measured)
                findings_before = None if _FINDINGS in damaged_files else known.folder
                before, after = _findings(findings_before), _findings(built)
                state_record = record(
                    inbox_changes, ledger, began_at=began_at, before=before, after=after, repaired=damaged_files
                )
                write_record(built, state_record, began_at)
                older = reversed(generations(store)) if repairs else ()
                pages = pages_of(built, known.folder, inbox.settings, damaged_files, older)
                executor.write_outputs(context, pages, _everyone(built))
                write_record(built, state_record, began_at)  # once more, now that it is known how long it took
                finished.end(built)
                check_still_held()
        except KeyboardInterrupt:
            raise Interrupted(finished.n_files, len(inbox_changes.to_read)) from None
        if repairs:
            mend_older_states(store, damaged_files)
        catch_up(store)
    return ledger


def _measured(
    context: BuildContext, executor: Executor, changes: Changes, finished: Finished, progress: Progress | None
) -> Iterator[Measured]:
    """What the files to be read give; what an interrupted refresh had of them already is taken over."""
    names = {file.path for file in changes.to_read}
    is_kept = len(names) >= WORTH_KEEPING_FILES and not is_remote(finished.store)
    taken = [Measured.of_parts(parts) for parts in finished.take_over(context.built, names)] if is_kept else []
    known = {path for measured in taken for path in measured.recordings["file"]}
    left = [file for file in changes.to_read if file.path not in known]

    def measured_now() -> Iterator[Measured]:
        for measured in executor.measure(context, plan(left)):
            if is_kept and not measured.passing:
                finished.keep(context.built, measured.parts)
            yield measured

    return _watched(chain(taken, measured_now()), changes.to_read, progress)


def _build(context: BuildContext, executor: Executor, changes: Changes, measured: Iterator[Measured]) -> pl.DataFrame:
    """Make the next state; returns the ledger."""
    known, keys = changes.known, changes.keys
    if not changes.inbox.files:
        write_known(context.built, keys, changes.inbox, _nothing())
        return executor.finish(context)
    carried = _carry_over(context, changes)
    settings = context.inbox.settings
    gathered = by_athlete([*measured, *carried], settings.registry)
    parts = {
        "recordings": _with(known, "recordings", changes.touched, [athlete.recordings for athlete in gathered]),
        "runs": _with(known, "runs", changes.touched, [athlete.runs for athlete in gathered]),
        "exclusions": _with(known, "exclusions", changes.touched, [athlete.exclusions for athlete in gathered]),
        "quality": _with(known, "quality", changes.touched, [athlete.quality for athlete in gathered]),
    }
    _require_still_there(changes.inbox, gathered)
    if parts["runs"].is_empty():
        raise _nothing_usable(changes.inbox, parts["recordings"])

    everyone = set(parts["runs"]["athlete_id"])
    _remove_samples_without_runs(context, gathered, everyone)
    touched = [Athlete(name, rows) for rows in gathered if (name := _athlete_of(rows)) is not None and name in everyone]
    by_settings = (
        sorted(everyone - {athlete.athlete_id for athlete in touched}) if keys.analysis != known.keys.analysis else []
    )
    recomputed = {*changes.touched, *by_settings}
    athletes = [*touched, *(Athlete(athlete_id) for athlete_id in by_settings)]
    analysed = list(executor.analyse(context, athletes))
    for name in tables_of(ATHLETE, after_club=False):
        parts[name] = _with(known, name, recomputed, [tables[name] for tables in analysed])
    parts |= _with_joins(parts, analysed)
    club, everything = executor.club_responses(parts["responses"], settings), tuple(settings.registry.metric_of)
    before = known.part("responses")
    moved = () if before is None else _moved(executor.club_responses(before, settings), club, settings.registry)
    tasks = [
        DriftTask(athlete_id, everything if athlete_id in recomputed else moved)
        for athlete_id in sorted(everyone)
        if athlete_id in recomputed or moved
    ]
    analysed = list(executor.analyse_after_club(context, tasks, club))
    for name in tables_of(ATHLETE, after_club=True):
        parts[name] = _with(known, name, recomputed, [tables[name] for tables in analysed], metrics=moved)
    write_known(context.built, _without_passing(keys, gathered, changes.inbox), changes.inbox, parts)
    return executor.finish(context)


def _with_joins(
    parts: Mapping[str, pl.DataFrame], analysed: Sequence[Mapping[str, pl.DataFrame]]
) -> dict[str, pl.DataFrame]:
    """The ledger, the runs and their quality, with what was taken from other recordings of the runs."""
    of_athletes = [tables for tables in analysed if not tables["joins"].is_empty()]
    if not of_athletes:
        return {}
    joins, quality = (pl.concat([tables[name] for tables in of_athletes]) for name in ("joins", "quality"))
    return {
        "recordings": with_joined_recordings(parts["recordings"], joins),
        "runs": with_joined_runs(parts["runs"], joins),
        "quality": replaced_by_run(parts["quality"], quality, joins),
    }


def _carry_over(context: BuildContext, inbox_changes: Changes) -> list[Measured]:
    """Give what stays a name in the new state, and pass on what is known of the other files of athletes touched."""
    known, keys = inbox_changes.known, inbox_changes.keys
    recordings, runs = known.part("recordings"), known.part("runs")
    exclusions, quality = known.part("exclusions"), known.part("quality")
    if known.folder is None or recordings is None or runs is None or exclusions is None or quality is None:
        return []
    written = {Path(name) for name in files_of(known.folder, Path("tables"))}
    for athlete_id in runs["athlete_id"].unique().sort():
        if athlete_id not in inbox_changes.touched:
            for table in PARTITIONED:
                link_tree(known.folder, context.built, partition(table, athlete_id), wanted=written.__contains__)
    read = {file.path for file in inbox_changes.to_read}
    stays = recordings.filter(pl.col("file").is_in(keys.files.keys() - read))
    carried = []
    for athlete_id in sorted(inbox_changes.touched, key=lambda athlete_id: athlete_id or ""):
        recordings_of_athlete = stays.filter(pl.col("athlete_id").eq_missing(pl.lit(athlete_id, dtype=pl.String)))
        if not recordings_of_athlete.is_empty():
            own_runs = runs.join(recordings_of_athlete, on=["path", "session"], how="semi")
            names, samples_files = own_runs.select("run_id"), {Path(name) for name in own_runs["samples_file"]}
            folder = partition("samples", athlete_id or "")
            link_tree(known.folder, context.built, folder, wanted=samples_files.__contains__)
            of_runs = {"exclusions": exclusions, "quality": quality} | {
                table: read_partitions(known.folder, table, athlete_id or "") for table in ("splits", "lap_splits")
            }
            own_rows = {name: rows.join(names, on="run_id", how="semi") for name, rows in of_runs.items()}
            carried.append(Measured.of_parts({"recordings": recordings_of_athlete, "runs": own_runs, **own_rows}))
    return carried


def _remove_samples_without_runs(context: BuildContext, gathered: Iterable[Measured], everyone: set[str]) -> None:
    """Runs may be rejected after their samples were written; of athletes with other runs `analyse` removes them."""
    for athlete_id in {name for rows in gathered if (name := _athlete_of(rows)) is not None} - everyone:
        remove_tree(context.built / partition("samples", athlete_id))


def _moved(before: pl.DataFrame, club: pl.DataFrame, registry: Registry) -> tuple[str, ...]:
    """The metrics in which the club's responses changed: every athlete's drift in these is recomputed."""

    def of(metric: str, rows: pl.DataFrame) -> pl.DataFrame:
        return rows.filter(pl.col("metric") == metric)

    return tuple(metric for metric in registry.metric_of if not of(metric, before).equals(of(metric, club)))


def _with(
    known: Known,
    name: str,
    without: Iterable[str | None],
    new: Iterable[pl.DataFrame],
    *,
    metrics: Collection[str] = (),
) -> pl.DataFrame:
    """What is known, less that of some athletes and that of all in some metrics, and what is new."""
    rows, runs = known.part(name), known.part("runs")
    if rows is None or runs is None:
        return pl.concat(new)
    gone = pl.Series(list(without), dtype=pl.String)
    if "athlete_id" in rows.columns:
        stays = rows.filter(~pl.col("athlete_id").is_in(gone.implode(), nulls_equal=True))
    else:
        stays = rows.join(runs.filter(~pl.col("athlete_id").is_in(gone.implode())), on="run_id", how="semi")
    if metrics:
        stays = stays.filter(~pl.col("metric").is_in(metrics))
    return pl.concat([stays, *new])


def _nothing() -> dict[str, pl.DataFrame]:
    """The parts of an inbox without recordings, which strikes.csv alone makes worth a refresh."""
    parts = {name: empty(name) for name in ("recordings", "exclusions", "quality")} | {"runs": pl.DataFrame(schema=RUN)}
    for stage in stages_of(ATHLETE):
        parts |= stage.tables({"splits": empty("splits")}, settings=Settings())
    return parts


def _everyone(built: Path) -> list[str]:
    return read_rows(built, "runs")["athlete_id"].unique().sort().to_list()


def _athlete_of(measured: Measured) -> str | None:
    athlete_id: str | None = measured.recordings["athlete_id"][0]
    return athlete_id


def _without_passing(keys: Keys, gathered: Iterable[Measured], inbox: Inbox) -> Keys:
    """Forget the keys of files that have to be read again next time; one that could not be opened has kept its key."""
    opened = {file.path for file in inbox.files if file.sha256 is not None or file.tag is not None}
    passing = {path for measured in gathered for path in measured.passing} & opened
    return replace(keys, files={path: None if path in passing else key for path, key in keys.files.items()})


_FINDINGS = "tables/athlete_drift/athlete_drift.parquet"


def _findings(folder: Path | None) -> pl.DataFrame:
    try:
        return empty("athlete_drift") if folder is None else read_rows(folder, "athlete_drift")
    except OtherVersion:
        return empty("athlete_drift")


def _require_still_there(inbox: Inbox, gathered: Iterable[Measured]) -> None:
    """Where nothing at all is left of an inbox, its disk is gone, not its runs."""
    if any(measured.passing for measured in gathered) and not any(
        (inbox.folder / file.path).exists() for file in inbox.files
    ):
        raise NothingDone(f"The inbox {inbox.folder} vanished while it was being read.")


def _nothing_usable(inbox: Inbox, ledger: pl.DataFrame) -> NothingDone:
    first = ledger.sort(pl.col("status") != "rejected", "path", "session").row(0, named=True)
    outcome = f"{first['path']}: {first['reason']} {first['fix'] or ''}".strip()
    if len(inbox.files) == 1:
        return NothingDone(f"The only file in {inbox.folder} gave no run. {outcome}")
    return NothingDone(
        f"None of the {len(inbox.files)} files in {inbox.folder} gave a run. The first: {outcome} "
        "`splitdrift check` lists them all."
    )


def _mapper(inbox: Inbox, jobs: int | None, started: Mapper | None) -> AbstractContextManager[Mapper]:
    if started is not None:
        return nullcontext(started)
    return workers(len(inbox.files), jobs, few=FEW_FILES, loads=WORKER_LOADS, later=WORKER_LOADS_LATER)


# --- Before and without a refresh -------------------------------------------------------------------------------------


def require_apart(inbox: Inbox, store: Path) -> None:
    """Keep a store out of its own inbox, where the next refresh would take it for an athlete.

    Raises:
        UsageError: it is inside the inbox.
    """
    if is_remote(store) != is_remote(inbox.folder):
        return
    if Path(whole_name(store)).is_relative_to(whole_name(inbox.folder)):
        raise UsageError(
            f"--store {store} is inside the inbox {inbox.folder}, whose folders are athletes; name one outside."
        )


def check(
    inbox: Inbox, *, jobs: int | None = None, progress: Progress | None = None, mapper: Mapper | None = None
) -> pl.DataFrame:
    """Read and judge every file, write nothing; returns the ledger."""
    return check_quality(inbox, jobs=jobs, progress=progress, mapper=mapper)[0]


def check_quality(
    inbox: Inbox, *, jobs: int | None = None, progress: Progress | None = None, mapper: Mapper | None = None
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """The same; returns the ledger and the rows of `quality`."""
    with _mapper(inbox, jobs, mapper) as over:
        judged = judge_over(over, RunContext(replace(inbox, files=())), plan(inbox.files))
        athletes = by_athlete(list(_watched(judged, inbox.files, progress)), inbox.settings.registry)
    if not athletes:
        return empty("recordings"), empty("quality")
    recordings, runs, splits, quality = (
        pl.concat(getattr(own, part) for own in athletes) for part in ("recordings", "runs", "splits", "quality")
    )
    ledger = clocks_apart(recordings, runs, splits)
    return publishable("recordings", ledger, subject="the ledger"), publishable(
        "quality", quality, subject="the club", registry=inbox.settings.registry
    )


# --- Dividing work ----------------------------------------------------------------------------------------------------


def plan(files: Iterable[InboxFile]) -> list[Shard]:
    """Share files, which are in order, out; never two athletes in one shard."""
    shards: list[Shard] = []
    for athlete_id, group in groupby(files, key=lambda file: file.athlete_id):
        files_of_athlete = tuple(group)
        shards += [
            Shard(athlete_id, files_of_athlete[start : start + SHARD_FILES])
            for start in range(0, len(files_of_athlete), SHARD_FILES)
        ]
    return shards


def _watched(results: Iterator[Measured], files: Sequence[InboxFile], progress: Progress | None) -> Iterator[Measured]:
    done, names = 0, {file.path for file in files}
    for result in results:
        done += result.recordings["file"].n_unique()
        if progress is not None:
            progress(done, len(names))
        yield result
