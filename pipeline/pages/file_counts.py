"""What the page of files counts, of a club or of a section of it: counts of sections add up to those of the club."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, fields
from pathlib import Path
from typing import Any

import polars as pl

from pipeline.core.metrics import Registry
from pipeline.store.layout import read_athletes

#: The splits of so many athletes are read at once, which takes half the time of one after the other.
READ_AT_ONCE = 32


@dataclass(frozen=True)
class FileCounts:
    """Counts of files and of what is in them.

    Attributes:
        sizes: `recordings`, and `files` in which these are.
        statuses: recordings by status.
        devices: runs by device; None where it is not named. So are `sensors`.
        altitudes: runs by kind of altitude.
        missing: runs without a metric, by its column.
        n_excluded: samples excluded, by quantity and reason.
        n_runs_excluded: runs of which samples were.
    """

    sizes: Mapping[str, int] = field(default_factory=dict)
    statuses: Mapping[str, int] = field(default_factory=dict)
    devices: Mapping[str | None, int] = field(default_factory=dict)
    sensors: Mapping[str | None, int] = field(default_factory=dict)
    altitudes: Mapping[str, int] = field(default_factory=dict)
    missing: Mapping[str, int] = field(default_factory=dict)
    n_excluded: Mapping[tuple[str, str], int] = field(default_factory=dict)
    n_runs_excluded: Mapping[tuple[str, str], int] = field(default_factory=dict)

    def __add__(self, other: FileCounts) -> FileCounts:
        """The counts of both."""
        both: Iterable[Any] = (
            dict(Counter(getattr(self, one.name)) + Counter(getattr(other, one.name))) for one in fields(self)
        )
        return FileCounts(*both)


def file_counts(
    ledger: pl.DataFrame,
    runs: pl.DataFrame,
    exclusions: pl.DataFrame,
    splits: Iterable[pl.DataFrame],
    registry: Registry,
) -> FileCounts:
    """Count rows of `recordings`, `runs` and `exclusions`, and what is in the splits of some athletes after others."""
    measured = [pl.col(metric.column).is_not_null().any() for metric in registry.metrics]
    missing = Counter[str]()
    for own in splits:
        has = own.group_by("run_id").agg(measured)
        missing.update({metric.column: has.height - int(has[metric.column].sum()) for metric in registry.metrics})
    excluded = {
        (quantity, reason): (n_samples, n_runs)
        for quantity, reason, n_samples, n_runs in exclusions.group_by("quantity", "reason")
        .agg(pl.col("n_samples").sum(), n_runs=pl.len())
        .iter_rows()
    }
    return FileCounts(
        {"recordings": ledger.height, "files": ledger["file"].n_unique()},
        Counter(ledger["status"].to_list()),
        Counter(runs["device"].to_list()),
        Counter(runs["sensors"].to_list()),
        Counter(runs["altitude"].to_list()),
        missing,
        {key: n_samples for key, (n_samples, _) in excluded.items()},
        {key: n_runs for key, (_, n_runs) in excluded.items()},
    )


def splits_of(built: Path, athletes: Sequence[str]) -> Iterator[pl.DataFrame]:
    """The splits of athletes, some of them at a time."""
    starts = range(0, len(athletes), READ_AT_ONCE)
    return (read_athletes(built, "splits", athletes[start : start + READ_AT_ONCE]) for start in starts)
