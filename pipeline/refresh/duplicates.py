"""Duplicates: which recordings of an athlete are of the same run, and which of them is kept.

One in the folders of two athletes counts for both, since nothing says whose it is; a notice names it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from itertools import groupby

import polars as pl

from pipeline.refresh.context import Measured

#: Recordings are of the same run if they share at least this much of the shorter one; less is a clock set wrong, or a
#: device lent to someone else. Common practice, no source.
SAME_RUN_SHARE = 0.5


def _overlap_enough(first: datetime, last: datetime, start: datetime, end: datetime) -> bool:
    shared = min(last, end) - max(first, start)
    return shared > timedelta(0) and shared >= SAME_RUN_SHARE * min(last - first, end - start)


def without_duplicates(runs: pl.DataFrame) -> pl.DataFrame:
    """Find the recordings of one athlete that are of the same run.

    They are if they begin in the same second, or else overlap in time by half or more. The one that measured most is
    kept: most quantities, then undamaged, then most samples. The result depends only on the recordings, not on which
    of them were compared before.

    Args:
        runs: columns `run_id` (athlete and second of the start), `started_at_utc`, `ended_at_utc`, `n_quantities`,
            `is_damaged`, `n_samples`, `path`, `session`; of one athlete.

    Returns:
        `path`, `session` and `duplicate_of` (the run that was kept) of each recording that was not.
    """
    kept: list[tuple[datetime, datetime, str]] = []
    counts_as: dict[str, str] = {}
    duplicates: list[tuple[str, int, str]] = []
    for row in _best_first(runs).iter_rows(named=True):
        start, end = row["started_at_utc"], row["ended_at_utc"]
        same = counts_as.get(row["run_id"]) or next(
            (run_id for first, last, run_id in kept if _overlap_enough(first, last, start, end)), None
        )
        counts_as[row["run_id"]] = same or row["run_id"]
        if same is None:
            kept.append((start, end, row["run_id"]))
        else:
            duplicates.append((row["path"], row["session"], same))
    schema = {"path": pl.String, "session": pl.Int64, "duplicate_of": pl.String}
    return pl.DataFrame(duplicates, schema=schema, orient="row")


def best_of_each_start(runs: pl.DataFrame) -> pl.DataFrame:
    """Of recordings with one `run_id` the one that is kept if any of them is."""
    return _best_first(runs).unique("run_id", keep="first", maintain_order=True)


def _best_first(runs: pl.DataFrame) -> pl.DataFrame:
    return runs.sort(
        "n_quantities", "is_damaged", "n_samples", "path", "session", descending=[True, False, True, False, False]
    )


def with_several_athletes(ledger: pl.DataFrame) -> list[str]:
    """Name the recordings that are used, to the byte the same, for more than one athlete.

    Args:
        ledger: rows of `recordings`.

    Returns:
        A sentence for each group of athletes, in order.
    """
    used = ledger.filter(pl.col("status").is_in(["accepted", "salvaged"])).drop_nulls("sha256")
    of_each = used.group_by("sha256").agg(pl.col("athlete_id").unique().sort(), pl.col("path").unique().sort())
    shared = of_each.filter(pl.col("athlete_id").list.len() > 1).sort("path")
    groups = shared.group_by("athlete_id", maintain_order=True).agg(pl.len(), pl.col("path").first()).sort("athlete_id")
    return [
        f"{n} recording{'s' if n > 1 else ''} of {_and_more(athletes)} {'are' if n > 1 else 'is'} the same to the byte "
        f"and count{'' if n > 1 else 's'} for each of them, such as '{paths[0]}' and '{paths[1]}'. "
        "Keep each only with the athlete who ran it."
        for athletes, n, paths in groups.iter_rows()
    ]


def _and_more(names: Sequence[str]) -> str:
    return f"{names[0]} and {names[1]}" if len(names) == 2 else f"{names[0]} and {len(names) - 1} others"


def _mark(measured: Measured) -> tuple[pl.DataFrame, pl.DataFrame]:
    """The ledger with duplicates marked, and the runs without them."""
    duplicates = without_duplicates(measured.runs)
    if duplicates.is_empty():
        return measured.recordings, measured.runs
    kept = measured.runs.join(duplicates, on=["path", "session"], how="anti")
    named = duplicates.join(kept.select(duplicate_of="run_id", original="path"), on="duplicate_of", how="left")
    ledger = measured.recordings.join(named, on=["path", "session"], how="left").with_columns(
        status=pl.when(pl.col("duplicate_of").is_null()).then("status").otherwise(pl.lit("duplicate")),
        run_id=pl.coalesce("duplicate_of", "run_id"),
        reason=pl.when(pl.col("duplicate_of").is_null())
        .then("reason")
        .otherwise(pl.format("The same run as {}, which holds at least as much.", pl.col("original"))),
    )
    return ledger.select(measured.recordings.columns), kept


def by_athlete(measured: Sequence[Measured]) -> list[Measured]:
    """Gather what the shards of each athlete returned, in order of athlete and path; each run once."""

    def athlete(one: Measured) -> str:
        return one.recordings["athlete_id"][0] or ""

    def first_path(one: Measured) -> str:
        return str(one.recordings["path"].min())

    ordered = sorted(measured, key=lambda one: (athlete(one), first_path(one)))
    return [_gathered(list(group)) for _, group in groupby(ordered, key=athlete)]


#: The parts of `Measured` whose rows belong to a run.
_OF_RUNS = ("exclusions", "quality", "splits", "lap_splits")


def _gathered(shards: Sequence[Measured]) -> Measured:
    whole = Measured.of_parts({part: pl.concat([shard.parts[part] for shard in shards]) for part in shards[0].parts})
    recordings, kept = _mark(whole)
    # Two recordings of one run may have one name, so each shard has to say which rows come from the one that is kept.
    of_runs: dict[str, list[pl.DataFrame]] = {part: [] for part in _OF_RUNS}
    for shard in shards:
        own = shard.runs.join(kept, on=["path", "session"], how="semi").select("run_id")
        for part, rows in of_runs.items():
            rows.append(getattr(shard, part).join(own, on="run_id", how="semi"))
    passing = tuple(path for shard in shards for path in shard.passing)
    parts = {part: pl.concat(rows) for part, rows in of_runs.items()}
    return replace(Measured.of_parts({"recordings": recordings, "runs": kept, **parts}), passing=passing)
