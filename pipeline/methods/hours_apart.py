"""Runs of one athlete that are probably one run, recorded by clocks that are whole hours apart."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
import polars as pl

#: Clocks set to another zone differ by up to so many whole hours; starts of one run then by these to so much [s]; and
#: distance, moving time and the speed of kilometres by so large a share. Common practice, no source.
MOST_HOURS, SAME_START_S, SAME_SHARE = 14, 120, 0.02


def pairs_hours_apart(runs: pl.DataFrame, splits: pl.DataFrame) -> Iterator[tuple[dict[str, Any], dict[str, Any], int]]:
    """Pairs of runs that began whole hours apart and agree in distance, duration and pace.

    Args:
        runs: one row per run: `run_id`, `athlete_id`, `started_at_utc`.
        splits: rows of `splits`.

    Returns:
        The rows of both, the earlier one first, and by how many hours.
    """
    totals = splits.group_by("run_id").agg(pl.col("length_m").sum(), pl.col("moving_s").sum())
    known = runs.join(totals.filter(pl.col("moving_s") > 0), on="run_id").sort("started_at_utc", "run_id")
    for own in known.partition_by("athlete_id", maintain_order=True):
        for first, second, n_hours in _as_long(own):
            if _same_pace(splits, first["run_id"], second["run_id"]):
                yield first, second, n_hours


def _as_long(runs: pl.DataFrame) -> Iterator[tuple[dict[str, Any], dict[str, Any], int]]:
    """Pairs of an athlete's runs, in order of their start, that began whole hours apart and are as long."""
    starts_s = runs["started_at_utc"].dt.timestamp("ms").to_numpy() / 1000
    for n_hours in range(1, MOST_HOURS + 1):
        at_s = starts_s + 3600 * n_hours
        first_places = np.searchsorted(starts_s, at_s - SAME_START_S, side="left")
        last_places = np.searchsorted(starts_s, at_s + SAME_START_S, side="right")
        for place in np.flatnonzero(first_places < last_places):
            for later in range(int(first_places[place]), int(last_places[place])):
                first, second = runs.row(int(place), named=True), runs.row(later, named=True)
                if all(abs(np.log(first[total] / second[total])) <= SAME_SHARE for total in ("length_m", "moving_s")):
                    yield first, second, n_hours


def _same_pace(splits: pl.DataFrame, first: str, second: str) -> bool:
    """Whether the kilometres of two runs have the same speeds, most of them."""
    one, other = (
        splits.filter((pl.col("run_id") == run_id) & pl.col("speed_m_s").is_not_null()) for run_id in (first, second)
    )
    both = one.join(other, on="km")
    apart = (both["speed_m_s"] / both["speed_m_s_right"]).log().abs().median()
    return apart is not None and float(apart) <= SAME_SHARE  # type: ignore[arg-type]
