"""The refresh in process: an inbox → a store.

What has not changed since the last refresh is taken over from it (`pipeline/store/known.py`). The rest is divided by
section of the club (`by_section.py`), in it by shard (`shard.py`), then by athlete (`athlete.py`). What needs the whole
club comes last (`club.py`). Samples are never sent between processes and never all in memory.

This process only plans and gathers: the steps, and the libraries they need, are loaded by the workers.
`flows/refresh.py` runs the same steps in the same order as Prefect tasks.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Mapping, Sized
from contextlib import AbstractContextManager, nullcontext
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TypeVar

import polars as pl

from pipeline import ALONE, OF_CLUB, OF_RUNS
from pipeline.core.errors import Interrupted, NothingDone, UsageError
from pipeline.core.metrics import Registry
from pipeline.core.places import is_remote, remove_tree, whole_name
from pipeline.core.spooled import Spooled
from pipeline.inbox.inbox import Inbox, InboxFile, read_inbox
from pipeline.pages.club_rows import pages_of
from pipeline.refresh import REFRESH_LOADS
from pipeline.refresh.by_section import (
    MeasuredSection,
    Refresh,
    drift_section,
    files_noted,
    look_at,
    measure_section,
    plan,
    respond_section,
)
from pipeline.refresh.context import BuildContext, RunContext, SectionTask
from pipeline.refresh.damage import mend_older_states, sound_base
from pipeline.refresh.duplicates import by_athlete
from pipeline.refresh.settled import settled_until
from pipeline.refresh.steps import Executor, executor_over, judge_over
from pipeline.refresh.unchanged import note_inbox
from pipeline.stages.corrections import clocks_apart
from pipeline.store.bundles import GATHERED, Bundle
from pipeline.store.finished import n_files_kept, remove_older
from pipeline.store.generations import building, current, generations, prepare, sweep
from pipeline.store.history import catch_up, note_nothing_new, record, write_record
from pipeline.store.known import ChangeSummary, club_keys, inbox_of, write_known
from pipeline.store.layout import read_rows
from pipeline.store.lock import locked
from pipeline.store.sections import Section, section_of, sections_of
from pipeline.tables import empty, publishable
from pipeline.workers.pool import FEW_FILES, Mapper, Progress, workers

T = TypeVar("T")

_STARTED = ("started_at_utc",)
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
        state = bring_up_to_date(inbox, store, executor_over(over), wait_s=wait_s, progress=progress, repairs=repairs)
    return read_rows(state, "recordings")


def bring_up_to_date(
    inbox: Inbox,
    store: Path,
    executor: Executor,
    *,
    wait_s: float = 0.0,
    progress: Progress | None = None,
    repairs: bool = False,
) -> Path:
    """The same with a given way to carry out the steps; returns the folder of the valid state."""
    began_at = datetime.now(UTC)
    require_apart(inbox, store)
    prepare(store)
    with locked(store, wait_s=wait_s) as check_still_held:
        if wait_s:
            inbox = read_inbox(inbox.folder)  # while we waited, more may have come in, and been seen by the other
        catch_up(store)
        known, damaged_files = sound_base(current(store), repairs=repairs)
        n_sections = len(sections_of(file.athlete_id for file in inbox.files))
        n_to_read = 0
        try:
            keep = inbox.settings.keep_generations
            with building(
                store, keep=keep, n_sections=n_sections, resumes=True, check_still_held=check_still_held
            ) as built:
                keys = club_keys(inbox, store)
                is_as_before = keys == known.keys and not repairs
                context = BuildContext(replace(inbox, files=()), built, known.rows, n_sections, is_as_before)
                refresh = Refresh(context, store, known, keys, repairs)
                seen = _look(executor, refresh, inbox)
                n_to_read = seen.n_to_read
                if not seen.n_touched and refresh.keys == known.keys and known.folder is not None and not damaged_files:
                    raise _NothingNew
                again = _build(executor, refresh, inbox, seen, progress)
                is_damaged = any(name.startswith(_FINDINGS) for name in damaged_files)
                outcome = executor.outcome(context, None if is_damaged else known.folder)
                if n_sections == 1 and not again:
                    digests = dict(files_noted(built, Section()).select("path", "sha256").iter_rows())
                    note_inbox(built, store, inbox, recordings=digests, outcome=outcome)
                remove_tree(built / GATHERED)
                refused = [{"path": row["path"], "reason": row["reason"]} for row in outcome.refused]
                state_record = record(
                    seen, began_at=began_at, statuses=outcome.statuses, refused=(outcome.n_refused, refused),
                    findings=outcome.findings, repaired=damaged_files, replaced=_replaced(inbox, seen, known.folder),
                )  # fmt: skip
                write_record(built, state_record, began_at)
                older = reversed(generations(store)) if repairs else ()
                pages = pages_of(built, known.folder, inbox.settings, damaged_files, older)
                executor.write_outputs(context, pages, _everyone(context, seen.athletes))
                check_still_held()
                write_record(built, state_record, began_at)  # once more, now that it is known how long it took
        except _NothingNew:
            assert known.folder is not None
            sweep(store, keep=keep)
            note_nothing_new(store, known.folder, began_at)
            return known.folder
        except KeyboardInterrupt:
            raise Interrupted(n_files_kept(store), n_to_read) from None
        if repairs:
            mend_older_states(store, damaged_files)
        catch_up(store)
    state = current(store)
    assert state is not None
    return state


def _replaced(inbox: Inbox, seen: ChangeSummary, before: Path | None) -> Mapping[str, str] | None:
    """The inbox that the state before was made from and its name, where that is another and no file of it is left."""
    was = None if before is None else inbox_of(before)
    if before is None or was in (None, whole_name(inbox.folder)) or not seen.n_gone or seen.n_new < len(inbox.files):
        return None
    return {"inbox": str(was), "generation": before.name}


class _NothingNew(Exception):
    """The valid state is what the state being built would be."""


def _look(executor: Executor, refresh: Refresh, inbox: Inbox) -> ChangeSummary:
    """What changed in an inbox, section by section; noted in the state being built."""
    of = refresh.context.n_sections
    rows = ((file.path, file.athlete_id, file.sha256, file.tag) for file in inbox.files)
    divided = Spooled(((section_of(row[1], of).number, row) for row in rows), of)
    items = ((one, [InboxFile(*row) for row in divided.of(one.number)]) for one in refresh.context.sections)
    return sum(executor.by_section(look_at, refresh, items, of), ChangeSummary())


def _build(executor: Executor, refresh: Refresh, inbox: Inbox, seen: ChangeSummary, progress: Progress | None) -> bool:
    """Make the tables of the next state; returns whether files have to be read again next time."""
    context = refresh.context
    sections, settings = context.sections, context.inbox.settings
    keeps = seen.n_to_read >= WORTH_KEEPING_FILES and not is_remote(refresh.store)
    measured = _measured(executor, replace(refresh, keeps=keeps), seen, progress)
    remove_older(refresh.store, context.built)
    again = any(one.passing for one in measured)
    if again:
        _require_still_there(inbox)
    _gather(executor, context, ALONE)
    if inbox.files and not any(one.n_athletes for one in measured):
        raise _nothing_usable(inbox, context.kept.of("recordings", Section()))

    refresh = replace(refresh, until=settled_until(context.kept.of("runs", one, _STARTED) for one in sections))
    for _ in executor.by_section(respond_section, refresh, sections, context.n_sections):
        pass
    _gather(executor, context, OF_RUNS, of_everyone=refresh.has_other_runs)

    club_before = refresh.known.club
    if club_before is not None and _responses_stay(refresh):
        club = club_before
    else:
        club = executor.club_responses(context, context.kept)
    moved = () if club_before is None else _moved(club_before, club, settings.registry)
    refresh = replace(refresh, club=club, moved=moved)
    for _ in executor.by_section(drift_section, refresh, sections, context.n_sections):
        pass
    _gather(executor, context, OF_CLUB, metrics=moved)
    write_known(context.built, refresh.keys, inbox.folder, context.n_sections, until=refresh.until, club=club)
    executor.finish(context)
    return again


def _measured(
    executor: Executor, refresh: Refresh, seen: ChangeSummary, progress: Progress | None
) -> list[MeasuredSection]:
    """Take the files of each section through their stages."""
    n_done, n_within = 0, 0

    def noticed(bundle: Bundle) -> None:
        nonlocal n_within
        n_within += len(bundle.files)
        if progress is not None:
            progress(n_done + n_within, seen.n_to_read)

    measured = []
    over, context = replace(executor, noticed=noticed), refresh.context
    for one in over.by_section(measure_section, refresh, context.sections, context.n_sections):
        measured.append(one)
        n_done, n_within = n_done + one.n_read, 0
        if progress is not None and executor.delegate is not None:
            progress(n_done, seen.n_to_read)
    return measured


def _gather(
    executor: Executor,
    context: BuildContext,
    in_round: str,
    *,
    metrics: tuple[str, ...] = (),
    of_everyone: bool = False,
) -> None:
    """Bring the rows of each section of the club together."""
    tasks = [SectionTask(section, in_round, metrics, of_everyone) for section in context.sections]
    for _ in executor.gather(context, tasks):
        pass


def _responses_stay(refresh: Refresh) -> bool:
    """Whether what the club's responses are drawn from is as it was: no run before the day came in, and no setting."""
    rows, kept = refresh.known.rows, refresh.context.kept
    if rows is None or refresh.keys != refresh.known.keys or rows.n_sections != kept.n_sections:
        return False
    return all(kept.content("responses", one) == rows.content("responses", one) for one in refresh.context.sections)


def _moved(before: pl.DataFrame, club: pl.DataFrame, registry: Registry) -> tuple[str, ...]:
    """The metrics in which the club's responses changed: every athlete's drift in these is recomputed."""

    def of(metric: str, rows: pl.DataFrame) -> pl.DataFrame:
        return rows.filter(pl.col("metric") == metric)

    return tuple(metric for metric in registry.metric_of if not of(metric, before).equals(of(metric, club)))


def _everyone(context: BuildContext, touched: Collection[str]) -> list[str]:
    """The athletes who have runs, those first whose pages take longest to draw."""
    of_sections = (context.kept.of("runs", section, ["athlete_id"]).unique() for section in context.sections)
    return sorted(pl.concat(of_sections)["athlete_id"], key=lambda athlete_id: (athlete_id not in touched, athlete_id))


_FINDINGS = "tables/athlete_drift/"


def _require_still_there(inbox: Inbox) -> None:
    """Where nothing at all is left of an inbox, its disk is gone, not its runs."""
    if not any((inbox.folder / file.path).exists() for file in inbox.files):
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
    return workers(len(inbox.files), jobs, few=FEW_FILES, loads=REFRESH_LOADS)


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


def _watched(results: Iterator[T], files: Sized, read: Callable[[T], Sized], progress: Progress | None) -> Iterator[T]:
    """The same results; `read` gives the files of each."""
    done = 0
    for result in results:
        done += len(read(result))
        if progress is not None:
            progress(done, len(files))
        yield result
