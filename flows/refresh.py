"""The flow `refresh`: the stages of the line as Prefect tasks, in the order of `pipeline.STAGES`.

Each task takes a batch of athletes, or of shards of one with many files; never a single file: submitting a task costs
10 to 200 ms. Only errors of storage are tried again: a stage would make the same of a file the second time.
Files are read by worker processes that the tasks are lent, with the limits of every refresh.
"""

from __future__ import annotations

import os
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from datetime import date
from functools import partial
from itertools import chain
from pathlib import Path
from typing import TYPE_CHECKING, Any, Generic, TypeVar

import polars as pl
from prefect import flow, task, unmapped
from prefect.cache_policies import NO_CACHE
from prefect.futures import PrefectFuture
from prefect.settings import PREFECT_API_URL
from prefect.task_runners import ThreadPoolTaskRunner

from pipeline import ALONE, ATHLETE, CLUB, OF_CLUB, OF_RUNS, stages_of
from pipeline.core.errors import UsageError
from pipeline.inbox.inbox import Inbox, InboxFile
from pipeline.pages.club_rows import Pages
from pipeline.refresh import WORKER_LOADS
from pipeline.refresh.context import (
    Athlete,
    AthleteTask,
    BuildContext,
    SampledRuns,
    SectionTask,
    Shard,
)
from pipeline.refresh.refresh import bring_up_to_date
from pipeline.refresh.steps import Executor, draw_over, finish_over, outcome_over, read_over, responses_over
from pipeline.store.bundles import Bundle
from pipeline.store.layout import read_rows
from pipeline.store.sections import Section
from pipeline.workers.batches import BatchSize, batches
from pipeline.workers.lending import end_waiting_workers, lent_worker
from pipeline.workers.pool import Progress, here

if TYPE_CHECKING:
    from pipeline.stages.recording import Session

# What the stages need is imported by the tasks that run them.

T = TypeVar("T")
R = TypeVar("R")
S = TypeVar("S")
T_co = TypeVar("T_co", covariant=True)


class Given:
    """What the flow is given, and keeps to itself.

    Prefect sends what a flow was given along with each of its tasks, a club's worth of files every time. Of this one
    they get nothing.
    """

    __slots__ = ("inbox", "jobs", "progress", "store", "wait_s")

    def __init__(self, inbox: Inbox, store: Path, *, jobs: int, wait_s: float, progress: Progress | None) -> None:
        self.inbox, self.store, self.jobs, self.wait_s, self.progress = inbox, store, jobs, wait_s, progress

    def __reduce__(self) -> tuple[type[str], tuple[()]]:
        return str, ()


class Sealed(Generic[T_co]):
    """What only the task that it is meant for looks into. Otherwise Prefect searches all of it for futures."""

    __slots__ = ("content",)

    def __init__(self, content: T_co) -> None:
        self.content = content


#: Of files, in shards of athletes.
BATCH_FILES = BatchSize(64, 32)
BATCH_ATHLETES = BatchSize(64, 8)


def _is_storage_error(_task: object, _task_run: object, state: Any) -> bool:
    """Whether a task failed for a reason that may have passed a moment later."""
    return isinstance(state.result(raise_on_failure=False), OSError)


_OPTIONS: dict[str, Any] = {
    "retries": 2,
    "retry_delay_seconds": 2,
    "retry_condition_fn": _is_storage_error,
    "cache_policy": NO_CACHE,
    "persist_result": False,
}


def task_name(level: str, in_round: str | None = None) -> str:
    """The name of the task that runs the stages of a level, or of a round over athletes: that of the first."""
    return stages_of(level, in_round)[0].name


@task(name="recording", **_OPTIONS)
def recording(context: Sealed[BuildContext], shards: Sealed[Sequence[Shard]]) -> list[list[tuple[InboxFile, Session]]]:
    """Stage `recording` of a batch of shards."""
    with lent_worker(WORKER_LOADS) as mapper:
        return read_over(mapper, context.content, shards.content)


@task(name="samples", **_OPTIONS)
def samples(
    context: Sealed[BuildContext],
    shards: Sealed[Sequence[Shard]],
    sessions: Sequence[Sequence[tuple[InboxFile, Session]]],
) -> list[SampledRuns]:
    """Stage `samples` of a batch of shards."""
    from pipeline.refresh.shard import sample, write_samples

    return [
        write_samples(context.content, sample(context.content, shard, of_shard))
        for shard, of_shard in zip(shards.content, sessions, strict=True)
    ]


@task(name="quality", **_OPTIONS)
def quality(context: Sealed[BuildContext], sampled: Sequence[SampledRuns]) -> list[SampledRuns]:
    """Stage `quality` of a batch of shards."""
    from pipeline.refresh.shard import assess

    return [assess(context.content, runs) for runs in sampled]


@task(name="splits", **_OPTIONS)
def splits(context: Sealed[BuildContext], sampled: Sequence[SampledRuns]) -> list[Bundle]:
    """Stage `splits` of a batch of shards."""
    from pipeline.refresh.shard import bundle_of, cut

    return [bundle_of(context.content, cut(context.content, runs)) for runs in sampled]


@task(name=task_name(ATHLETE, ALONE), **_OPTIONS)
def athletes(context: Sealed[BuildContext], batch: Sealed[Sequence[Athlete]]) -> list[Bundle]:
    """The athlete-level stages of a batch of athletes that need nothing of the club."""
    from pipeline.refresh.athlete import analyse

    return [analyse(context.content, athlete) for athlete in batch.content]


@task(name=task_name(ATHLETE, OF_RUNS), **_OPTIONS)
def athletes_of_runs(
    context: Sealed[BuildContext], batch: Sealed[Sequence[AthleteTask]], until: Sealed[date | None]
) -> list[Bundle]:
    """The athlete-level stages of a batch of athletes that take the runs which the club's responses are drawn from."""
    from pipeline.refresh.athlete import respond

    return [respond(context.content, athlete, until.content) for athlete in batch.content]


@task(name=task_name(ATHLETE, OF_CLUB), **_OPTIONS)
def athletes_after_club(
    context: Sealed[BuildContext], batch: Sealed[Sequence[AthleteTask]], club: Sealed[pl.DataFrame]
) -> list[Bundle]:
    """The other athlete-level stages of a batch of athletes."""
    from pipeline.refresh.athlete import analyse_after_club

    return [analyse_after_club(context.content, athlete, club.content) for athlete in batch.content]


@task(name=task_name(CLUB), **_OPTIONS)
def club(context: Sealed[BuildContext]) -> None:
    """The club-level stages."""
    finish_over(here, context.content)


@task(name="outputs", **_OPTIONS)
def outputs(context: Sealed[BuildContext], output: str | Section) -> None:
    """What the tables are written as besides Parquet: for SQL users, for spreadsheets."""
    from pipeline.refresh.club import write_output

    write_output(context.content, output)


@task(name="pages", **_OPTIONS)
def pages(step: Sealed[Callable[[Pages, Any], Any]], shared: Sealed[Pages], batch: Sealed[Sequence[Any]]) -> list[Any]:
    """The pages of a batch of athletes or squads, or what these are drawn from."""
    return [step.content(shared.content, item) for item in batch.content]


@task(name="gather", **_OPTIONS)
def sections(context: Sealed[BuildContext], batch: Sealed[Sequence[SectionTask]]) -> None:
    """The rows of sections of the club, from what the athlete-level stages gave and what is known."""
    from pipeline.refresh.sections import gather

    for section_task in batch.content:
        gather(context.content, section_task)


@flow(name="refresh", persist_result=False, validate_parameters=False)
def refresh(request: Given) -> Path:
    """Bring a store up to date; returns the folder of the valid state."""

    def of_athletes(items: Sequence[T]) -> list[Sealed[list[T]]]:
        return [Sealed(batch) for batch in batches(items, BATCH_ATHLETES, request.jobs)]

    def measure_all(context: BuildContext, shards: Sequence[Shard]) -> Iterator[Bundle]:
        of_files = batches(shards, BATCH_FILES, request.jobs, weight=lambda shard: len(shard.files))
        return _through_the_shards(context, of_files, request.jobs)

    def analyse(context: BuildContext, everyone: Sequence[Athlete]) -> Iterator[Bundle]:
        return chain.from_iterable(athletes.map(_shared(context), of_athletes(everyone)).result())

    def respond(context: BuildContext, tasks: Sequence[AthleteTask], until: date | None) -> Iterator[Bundle]:
        return chain.from_iterable(athletes_of_runs.map(_shared(context), of_athletes(tasks), _shared(until)).result())

    def analyse_after_club(
        context: BuildContext, tasks: Sequence[AthleteTask], responses: pl.DataFrame
    ) -> Iterator[Bundle]:
        futures = athletes_after_club.map(_shared(context), of_athletes(tasks), _shared(responses))
        return chain.from_iterable(futures.result())

    def gather(context: BuildContext, tasks: Sequence[SectionTask]) -> Iterator[None]:
        return iter(sections.map(_shared(context), of_athletes(tasks)).result())

    def finish(context: BuildContext) -> None:
        club.submit(Sealed(context)).result()

    executor = Executor(
        measure_all,
        analyse,
        respond,
        analyse_after_club,
        gather,
        partial(responses_over, here),
        finish,
        partial(outcome_over, here),
        partial(_write_outputs, request.jobs),
    )
    return bring_up_to_date(request.inbox, request.store, executor, wait_s=request.wait_s, progress=request.progress)


def _write_outputs(jobs: int, context: BuildContext, shared: Pages | None, everyone: Sequence[str]) -> None:
    def over(
        step: Callable[[S, T], R], of: S, items: Sequence[T], /, *, weight: Callable[[T], int] = lambda _: 1, **_: Any
    ) -> Iterator[R]:
        of_items = [Sealed(batch) for batch in batches(items, BATCH_ATHLETES, jobs, weight=weight)]
        return chain.from_iterable(pages.map(_shared(step), _shared(of), of_items).result())

    written = outputs.map(_shared(context), context.outputs)
    for _ in draw_over(over, shared, everyone) if shared is not None else ():
        pass
    written.result()


def _shared(content: T) -> Any:
    """What every task of a map is given."""
    return unmapped(Sealed(content))


def _through_the_shards(context: BuildContext, of_files: Iterable[list[Shard]], jobs: int) -> Iterator[Bundle]:
    """Keep two batches per worker under way, so that no more samples are in memory than those hold."""
    waiting: deque[PrefectFuture[list[Bundle]]] = deque()
    for batch in of_files:
        sealed, sealed_batch = Sealed(context), Sealed(batch)
        sessions: Any = recording.submit(sealed, sealed_batch)  # a future, which Prefect hands on as its result
        settled: Any = samples.submit(sealed, sealed_batch, sessions)
        assessed: Any = quality.submit(sealed, settled)
        waiting.append(splits.submit(sealed, assessed))
        if len(waiting) > 2 * jobs:
            yield from waiting.popleft().result()
    while waiting:
        yield from waiting.popleft().result()


def refresh_with_prefect(
    inbox: Inbox, store: Path, *, jobs: int | None = None, wait_s: float = 0.0, progress: Progress | None = None
) -> pl.DataFrame:
    """Run the flow; the same tables as `pipeline.refresh.refresh.refresh`.

    Args:
        inbox: what `pipeline.inbox.inbox.read_inbox` found.
        wait_s: how long to wait for another refresh of the same store to end [s].

    Returns:
        The ledger: rows of `recordings`.

    Raises:
        UsageError: no Prefect server is named, neither in the environment nor in Prefect's profile.
    """
    if not PREFECT_API_URL.value():
        raise UsageError(
            "--flow takes a Prefect server, and PREFECT_API_URL names none. Without --flow no server is needed."
        )
    workers = jobs if jobs is not None else os.cpu_count() or 1
    runner: Any = ThreadPoolTaskRunner(max_workers=workers)
    try:
        request = Given(inbox, store, jobs=workers, wait_s=wait_s, progress=progress)
        return read_rows(refresh.with_options(task_runner=runner)(request), "recordings")
    finally:
        end_waiting_workers()
