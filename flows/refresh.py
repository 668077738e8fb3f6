"""The flow `refresh`: the stages of the line as Prefect tasks, in the order of `pipeline.STAGES`.

Each task takes a batch of athletes, or of shards of one with many files; never a single file: submitting a task costs
10 to 200 ms. Only errors of storage are tried again: what a stage made of a file would be the same the second time.
Files are read by worker processes that the tasks are lent, with the limits of every refresh.
"""

from __future__ import annotations

import os
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import chain
from pathlib import Path
from typing import TYPE_CHECKING, Any, Generic, TypeVar
from uuid import uuid4

import polars as pl
from prefect import flow, task, unmapped
from prefect.cache_policies import NO_CACHE
from prefect.context import FlowRunContext
from prefect.futures import PrefectFuture, as_completed
from prefect.task_runners import ThreadPoolTaskRunner

from pipeline.core.errors import UsageError
from pipeline.inbox.inbox import Inbox, InboxFile
from pipeline.pages.club_rows import Pages
from pipeline.refresh.context import (
    FORMS,
    Athlete,
    AthleteFits,
    DriftEstimates,
    DriftTask,
    Measured,
    RunContext,
    SampledRuns,
    Shard,
    one_file_each,
)
from pipeline.refresh.refresh import bring_up_to_date
from pipeline.refresh.steps import Steps, measure_over, read_over
from pipeline.workers.lending import end_waiting_workers, lent_worker
from pipeline.workers.pool import COST_THE_CLUSTERS_WORKERS, Progress

if TYPE_CHECKING:
    from pipeline.stages.recording import Session

# What the stages stand on is loaded by whoever takes them: the process that plans for a cluster takes few.

T = TypeVar("T")
T_co = TypeVar("T_co", covariant=True)


class Given:
    """What the flow is given, and keeps to itself.

    Prefect sends what a flow was given along with each of its tasks, a club's worth of files every time. Of this one
    they get nothing.
    """

    __slots__ = ("inbox", "is_cluster", "jobs", "progress", "store", "wait_s")

    def __init__(
        self, inbox: Inbox, store: Path, *, jobs: int, is_cluster: bool, wait_s: float, progress: Progress | None
    ) -> None:
        self.inbox, self.store, self.jobs, self.is_cluster = inbox, store, jobs, is_cluster
        self.wait_s, self.progress = wait_s, progress

    def __reduce__(self) -> tuple[type[str], tuple[()]]:
        return str, ()


class Sealed(Generic[T_co]):
    """What nobody looks into but the task that it is meant for.

    Otherwise Prefect searches all of it for futures, and Dask digests it, down to every field of every file.
    """

    __slots__ = ("content",)

    def __init__(self, content: T_co) -> None:
        self.content = content

    def __dask_tokenize__(self) -> str:
        return uuid4().hex


@dataclass(frozen=True)
class BatchSize:
    """How many a task takes: few tasks, but the last ones no longer than what the workers then still have to do."""

    most: int
    least: int


#: Of files, in shards of athletes. On a cluster no samples are in memory until the batch is through.
BATCH_FILES = BatchSize(64, 32)
BATCH_FILES_ON_A_CLUSTER = BatchSize(128, 32)
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


@task(name="recording", **_OPTIONS)
def recording(context: Sealed[RunContext], shards: Sealed[Sequence[Shard]]) -> list[list[tuple[InboxFile, Session]]]:
    """Stage `recording` of a batch of shards."""
    with lent_worker() as spread:
        return read_over(spread, context.content, shards.content)


@task(name="samples", **_OPTIONS)
def samples(
    context: Sealed[RunContext],
    shards: Sealed[Sequence[Shard]],
    sessions: Sequence[Sequence[tuple[InboxFile, Session]]],
) -> list[SampledRuns]:
    """Stage `samples` of a batch of shards."""
    from pipeline.refresh.shard import settle

    return [settle(context.content, shard, own) for shard, own in zip(shards.content, sessions, strict=True)]


@task(name="splits", **_OPTIONS)
def splits(context: Sealed[RunContext], settled: Sequence[SampledRuns]) -> list[Measured]:
    """Stage `splits` of a batch of shards."""
    from pipeline.refresh.shard import cut

    return [cut(context.content, one) for one in settled]


@task(name="measure", **_OPTIONS)
def measured(context: Sealed[RunContext], shards: Sealed[Sequence[Shard]]) -> list[Measured]:
    """The three stages before in one, for a cluster: samples are not sent from one machine to another."""
    with lent_worker() as spread:
        return list(measure_over(spread, context.content, shards.content))


@task(name="responses", **_OPTIONS)
def responses(context: Sealed[RunContext], athletes: Sealed[Sequence[Athlete]]) -> list[AthleteFits]:
    """Stages `responses` and `pacing` of a batch of athletes."""
    from pipeline.refresh.athlete import respond

    return [respond(context.content, one) for one in athletes.content]


@task(name="drift", **_OPTIONS)
def drift(
    context: Sealed[RunContext], due: Sealed[Sequence[DriftTask]], club: Sealed[pl.DataFrame]
) -> list[DriftEstimates]:
    """Stage `drift` of a batch of athletes."""
    from pipeline.refresh.athlete import analyse

    return [analyse(context.content, one, club.content) for one in due.content]


@task(name="summaries", **_OPTIONS)
def summaries(context: Sealed[RunContext]) -> pl.DataFrame:
    """Stage `summaries` of the club."""
    from pipeline.refresh.club import finish

    return finish(context.content)


@task(name="forms", **_OPTIONS)
def forms(context: Sealed[RunContext], form: str) -> None:
    """What the tables are given in besides: for SQL users, for spreadsheets."""
    from pipeline.refresh.club import show_forth

    show_forth(context.content, form)


@task(name="pages", **_OPTIONS)
def pages(shared: Sealed[Pages], athletes: Sealed[Sequence[str | None]]) -> None:
    """The pages of a batch of athletes; of the club for None."""
    from pipeline.pages.draw import draw

    for athlete_id in athletes.content:
        draw(shared.content, athlete_id)


def club_responses(athletes: pl.DataFrame) -> pl.DataFrame:
    """What the club's responses have in common; a matter of milliseconds, so in this process."""
    from pipeline.stages.responses import club_responses

    return club_responses(athletes)


@flow(name="refresh", persist_result=False, validate_parameters=False)
def refresh(given: Given) -> pl.DataFrame:
    """Bring a store up to date; returns the ledger."""
    n_workers = _workers_of_the_cluster() if given.is_cluster else given.jobs

    def of_athletes(items: Sequence[T]) -> list[Sealed[list[T]]]:
        return [Sealed(batch) for batch in batches(items, BATCH_ATHLETES, n_workers)]

    def measure_all(context: RunContext, shards: Sequence[Shard]) -> Iterator[Measured]:
        size = BATCH_FILES_ON_A_CLUSTER if given.is_cluster else BATCH_FILES
        of_files = batches(shards, size, n_workers, weight=lambda shard: len(shard.files))
        if given.is_cluster:
            return _over_the_cluster(context, of_files)
        return _through_the_shards(context, of_files, given.jobs)

    def respond_all(context: RunContext, athletes: Sequence[Athlete]) -> Iterator[AthleteFits]:
        return chain.from_iterable(responses.map(_shared(context), of_athletes(athletes)).result())

    def analyse_all(context: RunContext, due: Sequence[DriftTask], club: pl.DataFrame) -> Iterator[DriftEstimates]:
        return chain.from_iterable(drift.map(_shared(context), of_athletes(due), _shared(club)).result())

    def show_all(context: RunContext, shared: Pages | None, athletes: Sequence[str]) -> None:
        shown = forms.map(_shared(context), FORMS)
        drawn = pages.map(_shared(shared), of_athletes([None, *athletes]) if shared is not None else [])
        shown.result()
        drawn.result()

    def finish(context: RunContext) -> pl.DataFrame:
        return summaries.submit(Sealed(context)).result()

    steps = Steps(measure_all, respond_all, analyse_all, club_responses, finish, show_all)
    return bring_up_to_date(given.inbox, given.store, steps, wait_s=given.wait_s, progress=given.progress)


def _shared(content: T) -> Any:
    """What every task of a map is given."""
    return unmapped(Sealed(content))


def _workers_of_the_cluster() -> int:
    running: Any = FlowRunContext.get()
    cores: dict[str, int] = running.task_runner.client.ncores()
    return max(1, sum(cores.values()))


def batches(
    items: Sequence[T], size: BatchSize, n_workers: int, *, weight: Callable[[T], int] = lambda _: 1
) -> Iterator[list[T]]:
    """Batches of items in their order, the smaller the less is left.

    Args:
        items: what is divided.
        size: what a batch may weigh: at first `most`, then half of what each worker would have to do of all that is
            left, but not less than `least`. What weighs more by itself is a batch of its own.
        n_workers: who the batches are for.
        weight: of an item.
    """
    left = sum(map(weight, items))
    batch: list[T] = []
    weighs = 0
    for item in items:
        own, room = weight(item), min(size.most, max(size.least, left // (2 * n_workers)))
        if batch and weighs + own > room:
            yield batch
            batch, left, weighs = [], left - weighs, 0
        batch.append(item)
        weighs += own
    if batch:
        yield batch


def _over_the_cluster(context: RunContext, of_files: Iterable[list[Shard]]) -> Iterator[Measured]:
    """All batches at once. The files of one that workers were lost over follow one by one: each answers for itself."""
    from distributed import KilledWorker

    sealed = Sealed(context)

    def submitted(batch: Sequence[Shard]) -> PrefectFuture[list[Measured]]:
        return measured.submit(sealed, Sealed(batch))

    futures = {submitted(batch): batch for batch in of_files}
    left: list[Shard] = []
    for future in as_completed(list(futures)):
        try:
            results = future.result()
        except KilledWorker:
            left += chain.from_iterable(map(one_file_each, futures[future]))
        else:
            yield from results
    for shard in left:
        try:
            results = submitted([shard]).result()
        except KilledWorker:
            from pipeline.refresh.shard import lost

            results = [lost(context, shard, COST_THE_CLUSTERS_WORKERS)]
        yield from results


def _through_the_shards(context: RunContext, of_files: Iterable[list[Shard]], jobs: int) -> Iterator[Measured]:
    """Keep two batches a worker under way, so that no more samples are in memory than those hold."""
    waiting: deque[PrefectFuture[list[Measured]]] = deque()
    for batch in of_files:
        sealed, own = Sealed(context), Sealed(batch)
        sessions: Any = recording.submit(sealed, own)  # a future, which Prefect hands on as its result
        settled: Any = samples.submit(sealed, own, sessions)
        waiting.append(splits.submit(sealed, settled))
        if len(waiting) > 2 * jobs:
            yield from waiting.popleft().result()
    while waiting:
        yield from waiting.popleft().result()


def refresh_with_prefect(
    inbox: Inbox,
    store: Path,
    *,
    jobs: int | None = None,
    cluster: str | None = None,
    wait_s: float = 0.0,
    progress: Progress | None = None,
) -> pl.DataFrame:
    """Run the flow; the same tables as `pipeline.refresh.refresh.refresh`.

    Uses the Prefect API that the environment names, else a temporary one on this machine. The workers of a cluster need
    splitdrift, and the inbox and the store under the same name as this process: a shared folder or an object store.

    Args:
        inbox: what `pipeline.inbox.inbox.read_inbox` found.
        store: folder of the store.
        jobs: worker threads; None for one a core.
        cluster: address of a Dask scheduler; its workers then take the place of threads.
        wait_s: how long to wait for another refresh of the same store to end [s].
        progress: called with the files done and the files in all.

    Returns:
        The ledger: rows of `recordings`.
    """
    workers = jobs if jobs is not None else os.cpu_count() or 1
    runner: Any = ThreadPoolTaskRunner(max_workers=workers) if cluster is None else _dask(cluster)
    try:
        given = Given(inbox, store, jobs=workers, is_cluster=cluster is not None, wait_s=wait_s, progress=progress)
        return refresh.with_options(task_runner=runner)(given)
    finally:
        end_waiting_workers()


def _dask(address: str) -> Any:
    try:
        from prefect_dask import DaskTaskRunner
    except ImportError:
        raise UsageError("--cluster takes more libraries: python -m pip install 'splitdrift[cluster]'.") from None
    return DaskTaskRunner(address=address)
