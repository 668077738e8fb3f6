"""Traces: the samples of a run, thinned to the resolution of a chart."""

from __future__ import annotations

import numpy as np
import polars as pl

from pipeline.core.metrics import METRICS

#: Points along a run: a step is then some six pixels wide, and the means of the splits are drawn over it.
POINTS = 160
#: Shortest step along a run: below it, short runs would show the noise of single samples [m].
SHORTEST_STEP_M = 10.0

#: Columns of `samples` that are charted, with the decimals that a chart needs.
TRACED = {"altitude_m": 1, "speed_m_s": 3} | {metric.column: metric.decimals for metric in METRICS if metric.is_reading}
#: Columns of `samples` that are read for that.
TRACES_READ = ["distance_m", "interval_s", "gait", *TRACED]
#: Columns that are as valid for walking as for running.
_OF_ALL_MOVEMENT = ("altitude_m",)


def traces(samples: pl.DataFrame) -> pl.DataFrame:
    """Thin the samples of a run.

    Args:
        samples: its rows of `samples`; the columns `TRACES_READ` are read.

    Returns:
        One row per step of its distance, in order: `distance_km` (the middle of the step), the columns of `TRACED` as
        means over the step's samples weighted by the time that each stands for, gait and heart rate over running
        samples only, and `run_share`, the share of moving time in it that was run. Steps without movement are absent.
    """
    has_moved = ((samples["interval_s"] > 0) & (samples["gait"] != "stand")).fill_null(value=False).to_numpy()
    distance_m, weight = (samples[name].to_numpy()[has_moved] for name in ("distance_m", "interval_s"))
    is_running = (samples["gait"] == "run").fill_null(value=False).to_numpy()[has_moved]
    step_m = max(distance_m.max(initial=0.0) / POINTS, SHORTEST_STEP_M)
    # A sample stands for the interval that ends at it: one at the end of a step belongs to that step.
    place = np.clip(np.ceil(distance_m / step_m) - 1, 0, POINTS - 1).astype(np.intp)
    moving_s = np.bincount(place, weight, POINTS)
    steps = np.flatnonzero(moving_s)

    def mean(name: str) -> pl.Series:
        values = samples[name].to_numpy()[has_moved]
        counts = ~np.isnan(values) if name in _OF_ALL_MOVEMENT else is_running & ~np.isnan(values)
        where, counted_s = place[counts], weight[counts]
        sums = np.bincount(where, values[counts] * counted_s, POINTS)[steps]
        with np.errstate(invalid="ignore"):  # a step without any has none
            means = sums / np.bincount(where, counted_s, POINTS)[steps]
        return pl.Series(name, np.round(means, TRACED[name]), nan_to_null=True)

    running_s = np.bincount(place[is_running], weight[is_running], POINTS)
    return pl.DataFrame(
        [
            pl.Series("distance_km", np.round((steps + 0.5) * step_m / 1000, 3)),
            *(mean(name) for name in TRACED),
            pl.Series("run_share", np.round(running_s[steps] / moving_s[steps], 2)),
        ]
    )
