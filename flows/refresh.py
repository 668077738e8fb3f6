"""The flow `refresh`: the stages of the line as Prefect tasks, in the order of `pipeline.STAGES`.

Each task takes a shard or an athlete, never a single file: submitting a task costs 10 to 200 ms. Shards go through
the first three stages a few at a time, so that no more samples are in memory than those few hold. Only errors of
storage are tried again: what a stage made of a file would be the same the second time.
"""

from __future__ import annotations

import os
from collections import deque
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

# Prefect reads its environment once, when it is imported. Nothing is sent anywhere, a temporary server gets the time
# that its first start needs, and only warnings are shown.
os.environ.setdefault("DO_NOT_TRACK", "1")
os.environ.setdefault("PREFECT_SERVER_ANALYTICS_ENABLED", "false")
os.environ.setdefault("PREFECT_SERVER_EPHEMERAL_STARTUP_TIMEOUT_SECONDS", "120")
os.environ.setdefault("PREFECT_LOGGING_LEVEL", "WARNING")
os.environ.setdefault("PREFECT_SERVER_LOGGING_LEVEL", "CRITICAL")

import polars as pl
from prefect import flow, task, unmapped
from prefect.cache_policies import NO_CACHE
from prefect.futures import PrefectFuture
from prefect.task_runners import ThreadPoolTaskRunner

from pipeline.athlete import Analysed, Placed, analyse, respond
from pipeline.club import finish
from pipeline.inbox import Inbox, InboxFile
from pipeline.recording import Session
from pipeline.refresh import by_athlete, line_for, plan, require_apart
from pipeline.responses import club_responses
from pipeline.shard import Line, Measured, Settled, Shard, cut, read, settle
from pipeline.store import building
from pipeline.workers import Progress


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
def recording(line: Line, shard: Shard) -> list[tuple[InboxFile, Session]]:
    """Stage `recording` of a shard."""
    return read(line, shard)


@task(name="samples", **_OPTIONS)
def samples(line: Line, shard: Shard, sessions: list[tuple[InboxFile, Session]]) -> Settled:
    """Stage `samples` of a shard."""
    return settle(line, shard, sessions)


@task(name="splits", **_OPTIONS)
def splits(line: Line, settled: Settled) -> Measured:
    """Stage `splits` of a shard."""
    return cut(line, settled)


@task(name="responses", **_OPTIONS)
def responses(line: Line, measured: Measured) -> Placed:
    """Stage `responses` of an athlete."""
    return respond(line, measured)


@task(name="drift", **_OPTIONS)
def drift(line: Line, placed: Placed, club: pl.DataFrame) -> Analysed:
    """Stage `drift` of an athlete."""
    return analyse(line, placed, club)


@task(name="summaries", **_OPTIONS)
def summaries(line: Line, analysed: list[Analysed]) -> pl.DataFrame:
    """Stage `summaries` of the club."""
    return finish(line, analysed)


@flow(name="refresh", persist_result=False, validate_parameters=False)
def refresh(inbox: Inbox, built: Path, jobs: int, progress: Progress | None) -> pl.DataFrame:
    """Build the next state of a store; returns the ledger."""
    line = line_for(inbox, built)
    measured = list(_through_the_shards(line, plan(inbox), jobs, progress))
    placed = responses.map(unmapped(line), by_athlete(measured)).result()
    club = club_responses(pl.concat(one.responses for one in placed))
    analysed = drift.map(unmapped(line), placed, unmapped(club)).result()
    return summaries(line, analysed)


def _through_the_shards(
    line: Line, shards: Iterable[Shard], jobs: int, progress: Progress | None
) -> Iterator[Measured]:
    """Keep two shards a worker under way."""
    shards = list(shards)
    total, done = sum(len(shard.files) for shard in shards), 0
    waiting: deque[tuple[Shard, PrefectFuture[Measured]]] = deque()
    for shard in [*shards, *([None] * 2 * jobs)]:
        if shard is not None:
            sessions: Any = recording.submit(line, shard)  # a future, which Prefect hands on as its result
            settled: Any = samples.submit(line, shard, sessions)
            waiting.append((shard, splits.submit(line, settled)))
        if waiting and (shard is None or len(waiting) > 2 * jobs):
            finished, future = waiting.popleft()
            yield future.result()
            done += len(finished.files)
            if progress is not None:
                progress(done, total)


def refresh_with_prefect(
    inbox: Inbox, store: Path, *, jobs: int | None = None, progress: Progress | None = None
) -> pl.DataFrame:
    """Run the flow and publish its tables; the same tables as `pipeline.refresh.refresh`.

    Uses the Prefect API that the environment names, else a temporary one on this machine.

    Args:
        inbox: what `pipeline.inbox.read_inbox` found.
        store: folder of the store.
        jobs: worker threads; None for one a core.
        progress: called with the files done and the files in all.

    Returns:
        The ledger: rows of `recordings`.
    """
    require_apart(inbox, store)
    workers = jobs if jobs is not None else os.cpu_count() or 1
    with building(store) as built:
        runner: Any = ThreadPoolTaskRunner(max_workers=workers)
        return refresh.with_options(task_runner=runner)(inbox, built, workers, progress)
