"""The line in process: an inbox → a store.

Work is shared out twice: by shard (`pipeline/shard.py`), then by athlete (`pipeline/athlete.py`). What only the whole
club can say comes last (`pipeline/club.py`). Samples never travel between processes and are never all in memory: each
run's are written as soon as they are known.

`flows/refresh.py` runs the same functions in the same order as Prefect tasks.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import AbstractContextManager, nullcontext
from dataclasses import replace
from functools import partial
from itertools import groupby
from pathlib import Path

import polars as pl

from pipeline.athlete import analyse, respond
from pipeline.club import finish
from pipeline.errors import UsageError
from pipeline.inbox import Inbox
from pipeline.responses import club_responses
from pipeline.shard import Line, Measured, Shard, mark_duplicates, measure
from pipeline.store import building
from pipeline.tables import publishable
from pipeline.workers import FEW_FILES, Progress, Spread, workers

#: Files a shard takes at most: enough to spread fixed costs over, few enough to fit in memory many times.
SHARD_FILES = 16


def refresh(
    inbox: Inbox,
    store: Path,
    *,
    jobs: int | None = None,
    progress: Progress | None = None,
    spread: Spread | None = None,
) -> pl.DataFrame:
    """Run the whole line and publish its tables.

    Workers are started afresh (spawn), so a script that calls this must do so under `if __name__ == "__main__":`.

    Args:
        inbox: what `pipeline.inbox.read_inbox` found.
        store: folder of the store.
        jobs: worker processes; None for one a core.
        progress: called with the files done and the files in all.
        spread: workers that have been started already; `jobs` is then of no account.

    Returns:
        The ledger: rows of `recordings`.

    Raises:
        NothingDone: no file holds a run that could be used; the store stays as it was.
        UsageError: the store's folder cannot be one.
    """
    require_apart(inbox, store)
    with building(store) as built:
        line = line_for(inbox, built)
        shards = plan(inbox)
        with _spread(inbox, jobs, spread) as over:
            measured = list(_watched(over(measure, line, shards), shards, progress))
            placed = list(over(respond, line, by_athlete(measured)))
            club = club_responses(pl.concat(one.responses for one in placed))
            analysed = list(over(partial(analyse, club=club), line, placed))
        return finish(line, analysed)


def require_apart(inbox: Inbox, store: Path) -> None:
    """Keep a store out of its own inbox, where the next refresh would take it for an athlete.

    Raises:
        UsageError: it lies there.
    """
    if store.resolve().is_relative_to(inbox.folder.resolve()):
        raise UsageError(
            f"--store {store} lies inside the inbox {inbox.folder}, whose folders are athletes; name one outside."
        )


def _spread(inbox: Inbox, jobs: int | None, started: Spread | None) -> AbstractContextManager[Spread]:
    return workers(len(inbox.files), jobs, few=FEW_FILES) if started is None else nullcontext(started)


def check(
    inbox: Inbox, *, jobs: int | None = None, progress: Progress | None = None, spread: Spread | None = None
) -> pl.DataFrame:
    """Read and judge every file, write nothing; returns the ledger."""
    line = line_for(inbox, None)
    shards = plan(inbox)
    with _spread(inbox, jobs, spread) as over:
        measured = list(_watched(over(measure, line, shards), shards, progress))
    ledger = pl.concat([one.recordings for one in by_athlete(measured)])
    return publishable("recordings", ledger, subject="the ledger")


# --- Sharing out -----------------------------------------------------------------------------------------------------


def line_for(inbox: Inbox, built: Path | None) -> Line:
    """What every step shares; without the list of files, which is shared out in the shards and would outweigh them."""
    return Line(replace(inbox, files=()), built)


def plan(inbox: Inbox) -> list[Shard]:
    """Share the files out, never two athletes in one shard."""
    shards: list[Shard] = []
    for athlete_id, group in groupby(inbox.files, key=lambda file: file.athlete_id):
        files = tuple(group)
        shards += [Shard(athlete_id, files[start : start + SHARD_FILES]) for start in range(0, len(files), SHARD_FILES)]
    return shards


def by_athlete(measured: Sequence[Measured]) -> list[Measured]:
    """Gather what the shards of each athlete handed on, in order of athlete and path; each run once."""

    def athlete(one: Measured) -> str:
        return one.recordings["athlete_id"][0] or ""

    def first_path(one: Measured) -> str:
        return str(one.recordings["path"].min())

    ordered = sorted(measured, key=lambda one: (athlete(one), first_path(one)))
    return [_gathered(list(group)) for _, group in groupby(ordered, key=athlete)]


def _gathered(shards: Sequence[Measured]) -> Measured:
    recordings, kept = mark_duplicates(
        Measured(
            *(
                pl.concat([getattr(one, part) for one in shards])
                for part in ("recordings", "runs", "set_aside", "splits")
            )
        )
    )
    # Two recordings of one run may have one name, so each shard has to say which rows come from the one that is kept.
    set_aside, splits = [], []
    for one in shards:
        own = one.runs.join(kept, on=["path", "session"], how="semi").select("run_id")
        set_aside.append(one.set_aside.join(own, on="run_id", how="semi"))
        splits.append(one.splits.join(own, on="run_id", how="semi"))
    return Measured(recordings, kept, pl.concat(set_aside), pl.concat(splits))


def _watched(results: Iterator[Measured], shards: Sequence[Shard], progress: Progress | None) -> Iterator[Measured]:
    total = sum(len(shard.files) for shard in shards)
    done = 0
    for result in results:
        done += result.recordings["path"].str.split("!").list.first().n_unique()
        if progress is not None:
            progress(done, total)
        yield result
