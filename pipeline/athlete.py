"""An athlete: samples and splits in their place, and the stages responses, drift and pacing."""

from __future__ import annotations

import hashlib
import os
from dataclasses import dataclass
from importlib.metadata import version
from typing import TypedDict

import polars as pl

from pipeline.drift import drift
from pipeline.pacing import pacing
from pipeline.responses import responses
from pipeline.settings import Settings
from pipeline.shard import Line, Measured
from pipeline.store import Provenance, partition, write_table


@dataclass(frozen=True)
class Placed:
    """An athlete whose samples and splits are where they belong, and how that athlete alone responds."""

    measured: Measured
    responses: pl.DataFrame


@dataclass(frozen=True)
class Analysed:
    """What is known of an athlete, as rows for the tables of these names."""

    recordings: pl.DataFrame
    runs: pl.DataFrame
    set_aside: pl.DataFrame
    responses: pl.DataFrame
    run_drift: pl.DataFrame
    athlete_drift: pl.DataFrame
    pacing: pl.DataFrame


class Numbers(TypedDict):
    """What decides which splits, runs and athletes enter the regressions."""

    split_length_m: float
    warm_up_m: float
    min_run_share: float
    min_length_share: float
    min_splits_of_run: int
    min_runs: int


def entering(settings: Settings) -> Numbers:
    """The numbers of the settings that the stages of an athlete have in common."""
    return {
        "split_length_m": settings.split_length_m,
        "warm_up_m": settings.warm_up_m,
        "min_run_share": settings.min_run_share,
        "min_length_share": settings.min_length_share,
        "min_splits_of_run": settings.min_splits_of_run,
        "min_runs": settings.min_runs,
    }


def respond(line: Line, measured: Measured) -> Placed:
    """Put samples and splits in their place, and take the stage `responses`."""
    _put_in_place(line, measured.runs, measured.splits)
    settings = line.inbox.settings
    told = responses(measured.splits, **entering(settings))
    return Placed(measured, told)


def analyse(line: Line, placed: Placed, club: pl.DataFrame) -> Analysed:
    """Take the stages `drift`, with what the club's responses have in common, and `pacing`."""
    measured, settings = placed.measured, line.inbox.settings
    run_drifts, athlete_drifts = drift(
        measured.splits,
        **entering(settings),
        max_entanglement=settings.max_entanglement,
        seed=settings.seed,
        club=club,
    )
    paced = pacing(measured.splits, **entering(settings))
    return Analysed(
        measured.recordings, measured.runs, measured.set_aside, placed.responses, run_drifts, athlete_drifts, paced
    )


def _put_in_place(line: Line, kept: pl.DataFrame, own_splits: pl.DataFrame) -> None:
    if line.built is None or kept.is_empty():
        return
    months = kept.with_columns(month=pl.col("started_at_utc").dt.strftime("%Y-%m"))
    for row in months.iter_rows(named=True):
        target = line.built / partition("samples", row["athlete_id"], row["month"]) / f"{row['run_id']}.parquet"
        target.parent.mkdir(parents=True, exist_ok=True)
        if not target.exists():  # after an error of storage this is done again
            os.replace(line.built / row["samples_file"], target)
    settings_sha256, code = line.inbox.settings.digest(), version("splitdrift")
    for (athlete_id, month), runs_of_month in months.group_by("athlete_id", "month", maintain_order=True):
        digests = "".join(sorted(runs_of_month["sha256"]))
        made_from = Provenance(hashlib.sha256(digests.encode()).hexdigest(), settings_sha256, code)
        rows = own_splits.join(runs_of_month.select("run_id"), on="run_id", how="semi")
        write_table(
            line.built / partition("splits", str(athlete_id), str(month)) / "splits.parquet", "splits", rows, made_from
        )
