"""Traces: the samples of a run, thinned to the resolution of a chart."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
import polars as pl

from pipeline.core.arrays import Array, Mask
from pipeline.core.metrics import BUILT_IN, Registry

#: Points along a run: a step is then some eight pixels wide, and the means of the splits are drawn over it.
POINTS = 120
#: Shortest step along a run: below it, short runs would show the noise of single samples [m].
SHORTEST_STEP_M = 10.0

#: Columns that are as valid for walking as for running.
_OF_ALL_MOVEMENT = ("altitude_m",)


def traced(registry: Registry = BUILT_IN) -> dict[str, int]:
    """Columns of `samples` that are charted, with the decimals that a chart needs."""
    metrics = {metric.column: metric.decimals for metric in registry.metrics if metric.is_reading}
    return {"altitude_m": 1, "speed_m_s": 3} | metrics


def traces_read(registry: Registry = BUILT_IN) -> list[str]:
    """Columns of `samples` that are read for that."""
    return ["distance_m", "interval_s", "gait", *traced(registry)]


@dataclass(frozen=True)
class Traces:
    """The traces of several runs: arrays of runs by steps; what does not move has no values.

    Attributes:
        distance_km: the middle of each step.
        moves: whether there is movement in it.
        values: by column that is charted, NaN where a step has none.
        run_share: the share of moving time that was run.
    """

    distance_km: Array
    moves: Mask
    values: Mapping[str, Array]
    run_share: Array


def traces(samples: pl.DataFrame, registry: Registry = BUILT_IN) -> pl.DataFrame:
    """Thin the samples of a run.

    Args:
        samples: its rows of `samples`; the columns of `traces_read` are read.
        registry: the quantities in force.

    Returns:
        One row per step of its distance, in order: `distance_km` (the middle of the step), the columns of `traced` as
        means over the step's samples weighted by the time that each stands for, gait and heart rate over running
        samples only, and `run_share`, the share of moving time in it that was run. Steps without movement are absent.
    """
    found = traces_of_runs(samples, [0], registry)
    columns = {"distance_km": found.distance_km, **found.values, "run_share": found.run_share}
    return pl.DataFrame({name: column[found.moves] for name, column in columns.items()}, nan_to_null=True)


def traces_of_runs(samples: pl.DataFrame, begins: Sequence[int], registry: Registry = BUILT_IN) -> Traces:
    """Thin the samples of several runs at once.

    Args:
        samples: rows of `samples`, run by run.
        begins: the row that each run begins at.
        registry: the quantities in force.
    """
    charted, shape = traced(registry), (len(begins), POINTS)
    moves = (samples["interval_s"] > 0) & (samples["gait"] != "stand")
    is_moving, is_running = _known(moves), _known(samples["gait"] == "run")
    moved_s, run_s, step_m = np.zeros(shape), np.zeros(shape), np.full(len(begins), SHORTEST_STEP_M)
    sums, totals_s = ({name: np.zeros(shape) for name in charted} for _ in range(2))
    # Run by run: large arrays are new memory each time, which costs more than what is computed in it.
    for run, (begin, end) in enumerate(pairwise([*begins, samples.height])):
        if begin == end:
            continue
        own, of_run = samples.slice(begin, end - begin), slice(begin, end)
        distance_m = own["distance_m"].to_numpy()
        moving_s = np.where(is_moving[of_run], own["interval_s"].to_numpy(), 0.0)
        running_s = np.where(is_running[of_run], moving_s, 0.0)
        furthest_m = np.where(moving_s > 0, distance_m, 0.0).max()
        step_m[run] = max(furthest_m / POINTS, SHORTEST_STEP_M)
        # A sample stands for the interval that ends at it: one at the end of a step belongs to that step.
        step = np.clip(np.ceil(distance_m / step_m[run]), 1, POINTS)
        # Samples of a step mostly follow each other: their sums are taken first, and there are few of these.
        starts: Any = np.concatenate([[0], np.flatnonzero(step[1:] != step[:-1]) + 1])
        pieces = starts, step[starts].astype(np.intp) - 1
        moved_s[run], run_s[run] = _summed(moving_s, *pieces), _summed(running_s, *pieces)
        for name in charted:
            values = own[name].to_numpy()
            counted_s, total_s = (moving_s, moved_s) if name in _OF_ALL_MOVEMENT else (running_s, run_s)
            if own[name].null_count():
                is_absent = np.isnan(values)
                values, counted_s = np.where(is_absent, 0.0, values), np.where(is_absent, 0.0, counted_s)
                totals_s[name][run] = _summed(counted_s, *pieces)
            else:
                totals_s[name][run] = total_s[run]
            sums[name][run] = _summed(values * counted_s, *pieces)
    with np.errstate(invalid="ignore"):  # a step without any has no mean
        means = {name: np.round(sums[name] / totals_s[name], decimals) for name, decimals in charted.items()}
        run_share = np.round(run_s / moved_s, 2)
    middles_km = np.round((np.arange(POINTS) + 0.5) * step_m[:, None] / 1000, 3)
    return Traces(middles_km, moved_s > 0, means, run_share)


def _known(condition: pl.Series) -> Mask:
    return (condition.fill_null(value=False) if condition.null_count() else condition).to_numpy()


def _summed(weights: Array, starts: Any, step: Any) -> Array:
    """Sums over the steps of a run, from pieces that each begin at a sample and belong to a step."""
    return np.asarray(np.bincount(step, np.add.reduceat(weights, starts), POINTS), dtype=float)
