"""The refresh in process: an inbox → a store.

What has not changed since the last refresh is taken over from it (`pipeline/store/known.py`). The rest is divided
twice: by shard (`shard.py`), then by athlete (`athlete.py`). What needs the whole club comes last (`club.py`). Samples
are never sent between processes and never all in memory.

This process only plans and gathers: the steps, and the libraries they need, are loaded by the workers.
`flows/refresh.py` runs the same steps in the same order as Prefect tasks.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence, Sized
from contextlib import AbstractContextManager, nullcontext
from dataclasses import replace
from datetime import UTC, datetime
from itertools import chain, groupby
from pathlib import Path
from typing import TypeVar

import polars as pl

from pipeline import ATHLETE, tables_of
from pipeline.core.errors import Interrupted, NothingDone, OtherVersion, UsageError
from pipeline.core.metrics import Registry
from pipeline.core.places import is_remote, remove_tree, whole_name
from pipeline.inbox.inbox import Inbox, InboxFile, read_inbox
from pipeline.pages.club_rows import pages_of
from pipeline.refresh import WORKER_LOADS, WORKER_LOADS_LATER
from pipeline.refresh.context import Athlete, BuildContext, DriftTask, RunContext, SectionTask, Shard
from pipeline.refresh.damage import mend_older_states, require_sound_rows, sound_base
from pipeline.refresh.duplicates import by_athlete
from pipeline.refresh.notices import notices_of
from pipeline.refresh.steps import Executor, executor_over, judge_over
from pipeline.refresh.unchanged import note_inbox
from pipeline.stages.corrections import clocks_apart
from pipeline.store.bundles import GATHERED, Bundle
from pipeline.store.finished import Finished
from pipeline.store.generations import building, current, generations, link_tree, prepare, sweep
from pipeline.store.history import catch_up, note_nothing_new, record, write_record
from pipeline.store.known import Changes, Keys, Known, changes, of_files, write_known
from pipeline.store.layout import files_of, partition, read_file, read_rows
from pipeline.store.lock import locked
from pipeline.store.sections import Section, section_of, sections_of
from pipeline.tables import PARTITIONED, empty, publishable
from pipeline.workers.pool import FEW_FILES, Mapper, Progress, workers

T = TypeVar("T")

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
                n_sections = len(sections_of(file.athlete_id for file in inbox.files))
                context = BuildContext(replace(inbox, files=()), built, known.rows, n_sections)
                measured = _measured(context, executor, inbox_changes, finished, progress)
                _build(context, executor, inbox_changes, measured)
                ledger = read_rows(built, "recordings")
                tries_again = read_file(built, "known/files.parquet")["key"].has_nulls()
                notices = notices_of(inbox_changes.inbox, ledger)
                note_inbox(built, store, inbox_changes.inbox, ledger, notices, tries_again=tries_again)
                is_damaged = any(name.startswith(_FINDINGS) for name in damaged_files)
                findings_before = None if is_damaged else known.folder
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
) -> Iterator[Bundle]:
    """What the files to be read give; what an interrupted refresh had of them already is taken over."""
    names = {file.path for file in changes.to_read}
    is_kept = len(names) >= WORTH_KEEPING_FILES and not is_remote(finished.store)
    taken = list(finished.take_over(context.built, names)) if is_kept else []
    known = {path for bundle in taken for path in bundle.files}
    left = [file for file in changes.to_read if file.path not in known]

    def measured_now() -> Iterator[Bundle]:
        for bundle in executor.measure(context, plan(left)):
            yield finished.keep(context.built, bundle) if is_kept and not bundle.passing else bundle

    return _watched(chain(taken, measured_now()), changes.to_read, lambda bundle: bundle.files, progress)


def _build(context: BuildContext, executor: Executor, changes: Changes, measured: Iterator[Bundle]) -> None:
    """Make the tables of the next state."""
    known, keys = changes.known, changes.keys
    before = _athletes_before(known)
    by_files, passing = _touched(changes, measured)
    _link_untouched(context, changes, before)
    by_settings = sorted(before - changes.touched) if keys.analysis != known.keys.analysis else []
    athletes = [*by_files, *(Athlete(athlete_id) for athlete_id in by_settings)]
    analysed = list(executor.analyse(context, athletes))
    _require_still_there(changes.inbox, passing)

    touched, recomputed = changes.touched, changes.touched | set(by_settings)
    everyone = (before - touched) | {one.athlete_id for one in analysed if one.has_runs and one.athlete_id is not None}
    own = dict.fromkeys(of_files(), touched) | dict.fromkeys(tables_of(ATHLETE, after_club=False), recomputed)
    _gather(context, executor, analysed, own)
    if changes.inbox.files and not everyone:
        raise _nothing_usable(changes.inbox, context.kept.all_of("recordings"))

    settings = context.inbox.settings
    club, everything = executor.club_responses(context.kept, settings), tuple(settings.registry.metric_of)
    responses_before = None if known.rows is None else executor.club_responses(known.rows, settings)
    moved = () if responses_before is None else _moved(responses_before, club, settings.registry)
    tasks = [
        DriftTask(athlete_id, everything if athlete_id in recomputed else moved)
        for athlete_id in sorted(everyone)
        if athlete_id in recomputed or moved
    ]
    analysed = list(executor.analyse_after_club(context, tasks, club))
    _gather(context, executor, analysed, dict.fromkeys(tables_of(ATHLETE, after_club=True), recomputed), moved)
    write_known(context.built, _without_passing(keys, passing, changes.inbox), changes.inbox, context.n_sections)
    executor.finish(context)
    remove_tree(context.built / GATHERED)


def _athletes_before(known: Known) -> frozenset[str]:
    """The athletes who had runs."""
    return frozenset() if known.rows is None else frozenset(known.rows.all_of("runs", ["athlete_id"])["athlete_id"])


def _touched(changes: Changes, measured: Iterator[Bundle]) -> tuple[list[Athlete], set[str]]:
    """The athletes of whose files something changed, in order; and the files that have to be read again next time."""
    bundles, stays = defaultdict[str | None, list[str]](list), defaultdict[str | None, list[str]](list)
    passing = set[str]()
    for bundle in measured:
        bundles[bundle.athlete_id].append(bundle.name)
        passing.update(bundle.passing)
    read = {file.path for file in changes.to_read}
    if changes.known.rows is not None:
        for path, athlete_id in changes.known.athletes.items():
            if athlete_id in changes.touched and path in changes.keys.files and path not in read:
                stays[athlete_id].append(path)
    athletes = sorted({*bundles, *stays}, key=lambda athlete_id: athlete_id or "")
    return [Athlete(one, tuple(sorted(bundles[one])), tuple(stays[one])) for one in athletes], passing


def _link_untouched(context: BuildContext, changes: Changes, before: Iterable[str]) -> None:
    """Give the samples and splits of athletes who were not touched a name in the new state."""
    folder = changes.known.folder
    if folder is None or changes.known.rows is None:
        return
    written = {Path(name) for name in files_of(folder, Path("tables"))}
    for athlete_id in sorted(before):
        if athlete_id not in changes.touched:
            for table in PARTITIONED:
                link_tree(folder, context.built, partition(table, athlete_id), wanted=written.__contains__)


def _gather(
    context: BuildContext,
    executor: Executor,
    bundles: Iterable[Bundle],
    without: Mapping[str, frozenset[str | None]],
    metrics: tuple[str, ...] = (),
) -> None:
    """Bring the rows of each section of the club together, of the tables that are named."""
    names: dict[Section, list[str]] = {section: [] for section in context.sections}
    for bundle in bundles:
        names[section_of(bundle.athlete_id, context.n_sections)].append(bundle.name)
    gone = {athletes: _by_section(context, athletes) for athletes in set(without.values())}
    tasks = [
        SectionTask(section, tuple(own), {table: gone[without[table]][section] for table in without}, metrics)
        for section, own in names.items()
    ]
    for _ in executor.gather(context, tasks):
        pass


def _by_section(context: BuildContext, athletes: Iterable[str | None]) -> dict[Section, frozenset[str | None]]:
    own: dict[Section, set[str | None]] = {section: set() for section in context.sections}
    for athlete_id in athletes:
        own[section_of(athlete_id, context.n_sections)].add(athlete_id)
    return {section: frozenset(held) for section, held in own.items()}


def _moved(before: pl.DataFrame, club: pl.DataFrame, registry: Registry) -> tuple[str, ...]:
    """The metrics in which the club's responses changed: every athlete's drift in these is recomputed."""

    def of(metric: str, rows: pl.DataFrame) -> pl.DataFrame:
        return rows.filter(pl.col("metric") == metric)

    return tuple(metric for metric in registry.metric_of if not of(metric, before).equals(of(metric, club)))


def _everyone(built: Path) -> list[str]:
    return read_rows(built, "runs")["athlete_id"].unique().sort().to_list()


def _without_passing(keys: Keys, passing: set[str], inbox: Inbox) -> Keys:
    """Forget the keys of files that have to be read again next time; one that could not be opened has kept its key."""
    opened = {file.path for file in inbox.files if file.sha256 is not None or file.tag is not None}
    return replace(keys, files={path: None if path in passing & opened else key for path, key in keys.files.items()})


_FINDINGS = "tables/athlete_drift/"


def _findings(folder: Path | None) -> pl.DataFrame:
    try:
        return empty("athlete_drift") if folder is None else read_rows(folder, "athlete_drift")
    except OtherVersion:
        return empty("athlete_drift")


def _require_still_there(inbox: Inbox, passing: Collection[str]) -> None:
    """Where nothing at all is left of an inbox, its disk is gone, not its runs."""
    if passing and not any((inbox.folder / file.path).exists() for file in inbox.files):
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
        watched = _watched(judged, inbox.files, lambda one: one.recordings["file"].unique(), progress)
        athletes = by_athlete(list(watched), inbox.settings.registry)
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


def _watched(
    results: Iterator[T], files: Sequence[InboxFile], read: Callable[[T], Sized], progress: Progress | None
) -> Iterator[T]:
    """The same results; `read` gives the files of each."""
    done, n_files = 0, len({file.path for file in files})
    for result in results:
        done += len(read(result))
        if progress is not None:
            progress(done, n_files)
        yield result
