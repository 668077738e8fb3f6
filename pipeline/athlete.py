"""An athlete: which of the recordings are of one run, samples and splits in their place, and the stage drift."""

from __future__ import annotations

import hashlib
import os
from dataclasses import dataclass
from importlib.metadata import version

import polars as pl

from pipeline.drift import drift
from pipeline.shard import Line, Measured, mark_duplicates
from pipeline.store import Provenance, partition, write_table


@dataclass(frozen=True)
class Analysed:
    """What is known of an athlete: the ledger and rows for `runs`, `set_aside`, `run_drift`, `athlete_drift`."""

    recordings: pl.DataFrame
    runs: pl.DataFrame
    set_aside: pl.DataFrame
    run_drift: pl.DataFrame
    athlete_drift: pl.DataFrame


def analyse(line: Line, measured: Measured) -> Analysed:
    """Settle which recordings are of one run, put samples and splits in their place, and take the stage `drift`."""
    ledger, kept = mark_duplicates(measured)
    own_splits = measured.splits.join(kept.select("run_id"), on="run_id", how="semi")
    set_aside = measured.set_aside.join(kept.select("run_id"), on="run_id", how="semi")
    _put_in_place(line, kept, own_splits)
    settings = line.inbox.settings
    run_drifts, athlete_drifts = drift(
        own_splits,
        split_length_m=settings.split_length_m,
        warm_up_m=settings.warm_up_m,
        min_run_share=settings.min_run_share,
        min_length_share=settings.min_length_share,
        min_splits_of_run=settings.min_splits_of_run,
        min_runs=settings.min_runs,
    )
    return Analysed(ledger, kept, set_aside, run_drifts, athlete_drifts)


def _put_in_place(line: Line, kept: pl.DataFrame, own_splits: pl.DataFrame) -> None:
    if line.built is None or kept.is_empty():
        return
    months = kept.with_columns(month=pl.col("started_at_utc").dt.strftime("%Y-%m"))
    for row in months.iter_rows(named=True):
        target = line.built / partition("samples", row["athlete_id"], row["month"]) / f"{row['run_id']}.parquet"
        target.parent.mkdir(parents=True, exist_ok=True)
        os.replace(line.built / row["samples_file"], target)
    for (athlete_id, month), runs_of_month in months.group_by("athlete_id", "month", maintain_order=True):
        digests = "".join(sorted(runs_of_month["sha256"]))
        made_from = Provenance(
            hashlib.sha256(digests.encode()).hexdigest(), line.inbox.settings.digest(), version("splitdrift")
        )
        rows = own_splits.join(runs_of_month.select("run_id"), on="run_id", how="semi")
        write_table(
            line.built / partition("splits", str(athlete_id), str(month)) / "splits.parquet", "splits", rows, made_from
        )
