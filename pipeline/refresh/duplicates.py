"""Duplicates: which recordings of an athlete are of the same run, and which of them is kept.

One in the folders of two athletes counts for both, since nothing says whose it is; a notice names it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from itertools import groupby

import polars as pl

from pipeline.core.metrics import BUILT_IN, Registry
from pipeline.core.reasons import Reason, as_json, because
from pipeline.refresh.context import Measured
from pipeline.tables.recorded import retold

#: Recordings are of the same run if they share at least this much of the shorter one; less is a clock set wrong, or a
#: device lent to someone else. Common practice, no source.
SAME_RUN_SHARE = 0.5


def _overlap_enough(first: datetime, last: datetime, start: datetime, end: datetime) -> bool:
    shared = min(last, end) - max(first, start)
    return shared > timedelta(0) and shared >= SAME_RUN_SHARE * min(last - first, end - start)


def without_duplicates(runs: pl.DataFrame) -> pl.DataFrame:
    """Find the recordings of one athlete that are of the same run.

    They are if they begin in the same second, or else overlap in time by half or more. The one that measured most is
    kept: one with distance, then most quantities, then undamaged, then most samples; of equally good ones that which
    corrections.toml names, then which sessions.csv names, then the first by path. One without distance that is of
    no other's run is none: it is in no row that is returned, and is no run that others could be of. The result depends
    only on the recordings, not on which of them were compared before.

    Args:
        runs: columns `run_id` (athlete and second of the start), `started_at_utc`, `ended_at_utc`, `n_quantities`,
            `is_damaged`, `n_samples`, `is_corrected`, `is_listed`, `path`, `session`, `lacks`; of one athlete.

    Returns:
        `path`, `session` and `duplicate_of` (the run that was kept) of each recording that was not.
    """
    kept: list[tuple[datetime, datetime, str]] = []
    counts_as: dict[str, str] = {}
    duplicates: list[tuple[str, int, str]] = []
    for row in _best_first(runs).iter_rows(named=True):
        start, end, lacks = row["started_at_utc"], row["ended_at_utc"], row["lacks"] is not None
        same = counts_as.get(row["run_id"]) or next(
            (run_id for first, last, run_id in kept if _overlap_enough(first, last, start, end)), None
        )
        if same is not None or not lacks:
            counts_as[row["run_id"]] = same or row["run_id"]
        if same is None and not lacks:
            kept.append((start, end, row["run_id"]))
        elif same is not None:
            duplicates.append((row["path"], row["session"], same))
    schema = {"path": pl.String, "session": pl.Int64, "duplicate_of": pl.String}
    return pl.DataFrame(duplicates, schema=schema, orient="row")


def best_of_each_start(runs: pl.DataFrame) -> pl.DataFrame:
    """Of recordings with one `run_id` the one that is kept if any of them is."""
    if not runs["run_id"].is_duplicated().any():
        return runs
    return _best_first(runs).unique("run_id", keep="first", maintain_order=True)


def _best_first(runs: pl.DataFrame) -> pl.DataFrame:
    return runs.sort(
        pl.col("lacks").is_not_null(), "n_quantities", "is_damaged", "n_samples", "is_corrected", "is_listed", "path",
        "session", descending=[False, True, False, True, True, True, False, False],
    )  # fmt: skip


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


def _mark(measured: Measured, registry: Registry) -> tuple[pl.DataFrame, pl.DataFrame, pl.DataFrame]:
    """The ledger with duplicates marked; the runs without them; the rows of the duplicates."""
    duplicates = without_duplicates(measured.runs)
    lacks = pl.col("lacks").is_not_null()
    if duplicates.is_empty() and not measured.runs.select(lacks.any()).item():
        return measured.recordings, measured.runs, _with_original(measured.runs.clear(), duplicates)
    place = ["path", "session"]
    kept = measured.runs.join(duplicates, on=place, how="anti").filter(~lacks)
    others = _with_original(measured.runs, duplicates)
    alone = measured.runs.filter(lacks).join(duplicates, on=place, how="anti")
    originals = kept.select(duplicate_of="run_id", original="path", had="quantities")
    named = others.join(originals, on="duplicate_of", how="left", maintain_order="left")
    same = [
        original
        and as_json([because(Reason.DUPLICATE, original=original, adds=_more(quantities, had, registry.worth))])
        for original, quantities, had in named.select("original", "quantities", "had").iter_rows()
    ]
    named = named.select(*place, "duplicate_of", became=pl.lit("duplicate"), reasons=pl.Series(same, dtype=pl.String))
    nothing = pl.lit(None, dtype=pl.String)
    refused = alone.select(*place, duplicate_of=nothing, became=pl.lit("rejected"), reasons="lacks")
    told = pl.concat([named, refused])
    ledger = (
        retold(measured.recordings, told)
        .join(told.drop("reasons"), on=place, how="left")
        .with_columns(
            status=pl.coalesce("became", "status"),
            run_id=pl.when(pl.col("became").is_not_null()).then("duplicate_of").otherwise("run_id"),
        )
    )
    return ledger.select(measured.recordings.columns), kept, others


def _with_original(runs: pl.DataFrame, duplicates: pl.DataFrame) -> pl.DataFrame:
    return runs.join(duplicates, on=["path", "session"])


def _more(quantities: Sequence[str], had: Sequence[str], worth: Mapping[str, str]) -> list[str]:
    """What a duplicate measured that the recording that is kept did not, in words."""
    return [worth.get(column, column) for column in sorted({*quantities} - {*had})]


def replaced_by_run(rows: pl.DataFrame, anew: pl.DataFrame, joins: pl.DataFrame) -> pl.DataFrame:
    """Rows of a table, with those of runs that were joined in place of their older ones."""
    joined = joins.select("run_id").unique()
    return pl.concat(
        [rows.join(joined, on="run_id", how="anti"), anew.join(joined, on="run_id", how="semi").select(rows.columns)]
    )


def with_joined_runs(runs: pl.DataFrame, joins: pl.DataFrame) -> pl.DataFrame:
    """Rows of `Measured.runs` with what was joined to them."""
    last = joins.unique("run_id", keep="last", maintain_order=True)
    named = last.select("run_id", joined_sensors="sensors", joined_altitude="altitude")
    return (
        runs.join(named, on="run_id", how="left", maintain_order="left")
        .with_columns(
            sensors=pl.coalesce("joined_sensors", "sensors"), altitude=pl.coalesce("joined_altitude", "altitude")
        )
        .select(runs.columns)
    )


def with_joined_recordings(recordings: pl.DataFrame, joins: pl.DataFrame) -> pl.DataFrame:
    """Rows of `recordings`: what was taken from each, and how its clock was aligned."""
    if joins.is_empty():
        return recordings
    named = joins.select(
        "path",
        "session",
        joined="quantities",
        shift="clock_shift_s",
        agreement="clock_agreement",
    )
    return (
        retold(recordings, joins)
        .join(named, on=["path", "session"], how="left", maintain_order="left")
        .with_columns(
            joined_quantities=pl.coalesce("joined", "joined_quantities"),
            clock_shift_s=pl.coalesce("shift", "clock_shift_s"),
            clock_agreement=pl.coalesce("agreement", "clock_agreement"),
        )
        .select(recordings.columns)
    )


def by_athlete(measured: Sequence[Measured], registry: Registry = BUILT_IN) -> list[Measured]:
    """Gather what the shards of each athlete returned, in order of athlete and path; each run once."""

    def athlete(one: Measured) -> str:
        return one.recordings["athlete_id"][0] or ""

    def first_path(one: Measured) -> str:
        return str(one.recordings["path"].min())

    ordered = sorted(measured, key=lambda one: (athlete(one), first_path(one)))
    return [_gathered(list(group), registry) for _, group in groupby(ordered, key=athlete)]


def gathered(measured: Sequence[Measured], registry: Registry) -> Measured:
    """The same of one athlete."""
    (own,) = by_athlete(measured, registry)
    return own


#: The parts of `Measured` whose rows belong to a run.
_OF_RUNS = ("exclusions", "quality", "splits", "lap_splits")


def _gathered(shards: Sequence[Measured], registry: Registry) -> Measured:
    whole = Measured.of_parts({part: pl.concat([shard.parts[part] for shard in shards]) for part in shards[0].parts})
    recordings, kept, duplicates = _mark(whole, registry)
    passing = tuple(path for shard in shards for path in shard.passing)
    if duplicates.is_empty() and kept.height == whole.runs.height:
        return replace(whole, passing=passing, duplicates=duplicates)
    # Two recordings of one run may have one name, so each shard has to say which rows come from the one that is kept.
    of_runs: dict[str, list[pl.DataFrame]] = {part: [] for part in _OF_RUNS}
    for shard in shards:
        own = shard.runs.join(kept, on=["path", "session"], how="semi").select("run_id")
        for part, rows in of_runs.items():
            rows.append(getattr(shard, part).join(own, on="run_id", how="semi"))
    parts = {part: pl.concat(rows) for part, rows in of_runs.items()}
    gathered = Measured.of_parts({"recordings": recordings, "runs": kept, **parts})
    return replace(gathered, passing=passing, duplicates=duplicates)
