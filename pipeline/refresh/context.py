"""What goes from one step of a refresh to the next, between processes too; nothing here loads a library but Polars."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import polars as pl

from pipeline.inbox.inbox import Inbox, InboxFile


@dataclass(frozen=True)
class RunContext:
    """What every step of one refresh shares.

    Attributes:
        inbox: where the files are, the lists and the settings.
        built: folder of the state being built; None where nothing is to be written (`splitdrift check`).
    """

    inbox: Inbox
    built: Path | None


@dataclass(frozen=True)
class Shard:
    """A handful of files of one athlete, or of none."""

    athlete_id: str | None
    files: tuple[InboxFile, ...]


def one_file_each(shard: Shard) -> list[Shard]:
    """The files of a shard, each in a shard of its own."""
    return [replace(shard, files=(file,)) for file in shard.files]


@dataclass(frozen=True)
class Measured:
    """What shards hand on. All small: samples stay in the files named in `runs`.

    Attributes:
        recordings: rows of the ledger.
        runs: a row a run (`RUN`): what `runs` needs, what tells duplicates apart, and `samples_file`.
        exclusions: rows of `exclusions`.
        splits: rows of `splits`.
        passing: files turned away for a reason that may have passed by the next refresh.
    """

    recordings: pl.DataFrame
    runs: pl.DataFrame
    exclusions: pl.DataFrame
    splits: pl.DataFrame
    passing: tuple[str, ...] = ()


#: Columns of `Measured.runs`.
RUN: dict[str, pl.DataType | type[pl.DataType]] = {
    "run_id": pl.String,
    "athlete_id": pl.String,
    "file": pl.String,
    "path": pl.String,
    "session": pl.Int64,
    "sha256": pl.String,
    "started_at_utc": pl.Datetime("us", "UTC"),
    "ended_at_utc": pl.Datetime("us", "UTC"),
    "paused_s": pl.Float64,
    "device": pl.String,
    "sensors": pl.String,
    "altitude": pl.String,
    "n_quantities": pl.Int64,
    "is_damaged": pl.Boolean,
    "n_samples": pl.Int64,
    "samples_file": pl.String,
}


@dataclass(frozen=True)
class SampledRuns:
    """What the stage samples hands to the stage splits: what is measured so far, and the samples of each run."""

    measured: Measured
    samples: dict[str, pl.DataFrame]


@dataclass(frozen=True)
class Athlete:
    """An athlete whose splits are to be looked at.

    Attributes:
        athlete_id: the athlete.
        measured: what was measured anew; None where the splits already lie in the state being built.
    """

    athlete_id: str
    measured: Measured | None = None


@dataclass(frozen=True)
class AthleteFits:
    """What an athlete's runs tell by themselves, as rows for the tables of these names."""

    responses: pl.DataFrame
    pacing: pl.DataFrame


@dataclass(frozen=True)
class DriftTask:
    """An athlete whose drift is to be estimated, and in which metrics."""

    athlete_id: str
    metrics: tuple[str, ...]


@dataclass(frozen=True)
class DriftEstimates:
    """What they tell beside the club's, as rows for the tables of these names."""

    run_drift: pl.DataFrame
    athlete_drift: pl.DataFrame


#: The forms in which the tables lie in a store besides Parquet: for SQL users, for spreadsheets. None needs another.
FORMS = ("database", "exports")
