"""An athlete: splits in their place, and the stages responses, drift and pacing.

Splits are read back from the state being built: between processes only names and small results travel.
"""

from __future__ import annotations

import hashlib
from importlib.metadata import version

import polars as pl

from pipeline.core.places import files_below
from pipeline.refresh.context import Athlete, AthleteFits, DriftEstimates, DriftTask, Measured, RunContext
from pipeline.stages.drift import drift
from pipeline.stages.pacing import pacing
from pipeline.stages.responses import responses
from pipeline.store.layout import partition, read_partitions
from pipeline.store.parquet import Provenance, write_table


def respond(context: RunContext, athlete: Athlete) -> AthleteFits:
    """Put what was measured anew in its place, and take the stages `responses` and `pacing`."""
    if athlete.measured is not None:
        _put_in_place(context, athlete.athlete_id, athlete.measured)
    own, inclusion = _splits(context, athlete.athlete_id), context.inbox.settings.inclusion
    return AthleteFits(responses(own, inclusion=inclusion), pacing(own, inclusion=inclusion))


def analyse(context: RunContext, due: DriftTask, club: pl.DataFrame) -> DriftEstimates:
    """Take the stage `drift`, with what the club's responses have in common."""
    settings = context.inbox.settings
    return DriftEstimates(
        *drift(
            _splits(context, due.athlete_id),
            inclusion=settings.inclusion,
            max_collinearity=settings.max_collinearity,
            seed=settings.seed,
            club=club,
            metrics=due.metrics,
        )
    )


def _splits(context: RunContext, athlete_id: str) -> pl.DataFrame:
    assert context.built is not None
    return read_partitions(context.built, "splits", athlete_id)


def _put_in_place(context: RunContext, athlete_id: str, measured: Measured) -> None:
    """Write the splits by month, and remove the samples of recordings that turned out to be duplicates."""
    assert context.built is not None
    wanted = {context.built / name for name in measured.runs["samples_file"]}
    for file in files_below(context.built / partition("samples", athlete_id)):
        if file not in wanted:
            file.unlink()
    settings_sha256, code = context.inbox.settings.digest("reading"), version("splitdrift")
    months = measured.runs.with_columns(month=pl.col("started_at_utc").dt.strftime("%Y-%m"))
    for (month,), runs_of_month in months.group_by("month", maintain_order=True):
        digests = "".join(sorted(runs_of_month["sha256"]))
        made_from = Provenance(hashlib.sha256(digests.encode()).hexdigest(), settings_sha256, code)
        rows = measured.splits.join(runs_of_month.select("run_id"), on="run_id", how="semi").sort("run_id", "km")
        folder = context.built / partition("splits", athlete_id, str(month))
        write_table(folder / "splits.parquet", "splits", rows, made_from)
