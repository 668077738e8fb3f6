"""An athlete: splits in their place, and the stages responses, drift and pacing.

Splits are read back from the state being built: between processes only names and small results travel.
"""

from __future__ import annotations

import hashlib
from importlib.metadata import version
from typing import TypedDict

import polars as pl

from pipeline.core.places import files_below
from pipeline.core.settings import Settings
from pipeline.refresh.context import Alone, Analysed, Athlete, Due, Line, Measured
from pipeline.stages.drift import drift
from pipeline.stages.pacing import pacing
from pipeline.stages.responses import responses
from pipeline.store.layout import partition, read_partitions
from pipeline.store.parquet import Provenance, write_table


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


def respond(line: Line, athlete: Athlete) -> Alone:
    """Put what was measured anew in its place, and take the stages `responses` and `pacing`."""
    if athlete.measured is not None:
        _put_in_place(line, athlete.athlete_id, athlete.measured)
    own, numbers = _splits(line, athlete.athlete_id), entering(line.inbox.settings)
    return Alone(responses(own, **numbers), pacing(own, **numbers))


def analyse(line: Line, due: Due, club: pl.DataFrame) -> Analysed:
    """Take the stage `drift`, with what the club's responses have in common."""
    settings = line.inbox.settings
    return Analysed(
        *drift(
            _splits(line, due.athlete_id),
            **entering(settings),
            max_entanglement=settings.max_entanglement,
            seed=settings.seed,
            club=club,
            metrics=due.metrics,
        )
    )


def _splits(line: Line, athlete_id: str) -> pl.DataFrame:
    assert line.built is not None
    return read_partitions(line.built, "splits", athlete_id)


def _put_in_place(line: Line, athlete_id: str, measured: Measured) -> None:
    """Write the splits by month, and remove the samples of recordings that turned out to be duplicates."""
    assert line.built is not None
    wanted = {line.built / name for name in measured.runs["samples_file"]}
    for file in files_below(line.built / partition("samples", athlete_id)):
        if file not in wanted:
            file.unlink()
    settings_sha256, code = line.inbox.settings.digest("reading"), version("splitdrift")
    months = measured.runs.with_columns(month=pl.col("started_at_utc").dt.strftime("%Y-%m"))
    for (month,), runs_of_month in months.group_by("month", maintain_order=True):
        digests = "".join(sorted(runs_of_month["sha256"]))
        made_from = Provenance(hashlib.sha256(digests.encode()).hexdigest(), settings_sha256, code)
        rows = measured.splits.join(runs_of_month.select("run_id"), on="run_id", how="semi").sort("run_id", "km")
        folder = line.built / partition("splits", athlete_id, str(month))
        write_table(folder / "splits.parquet", "splits", rows, made_from)
