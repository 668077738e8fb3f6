"""Stage `season_slope`: the runs' own drifts → whether the drift itself changes over the months.

Rows in: run_drift and runs. Rows out: one per athlete and metric. The drifts of an athlete's runs, each with its own
error, are laid over the dates of the runs, and a line is drawn through them
(`pipeline/methods/serial_meta_regression.py`): its slope is the change of drift per month. Runs that follow each other
may be alike, which looks like a trend where it is none; how alike is estimated, and its uncertainty is in the interval.
All runs lean on the same responses to speed and slope; as far as the slope does, their uncertainty is added.

What it cannot separate: whatever else changed over the months in step with the drift (heat, shoes, courses) is in it.
"""

from __future__ import annotations

import numpy as np
import polars as pl

from pipeline.methods.serial_meta_regression import serial_meta_regression
from pipeline.tables import types_of

#: Mean length of a month [days].
MONTH_DAYS = 30.44
#: A shorter season, or fewer runs, shows no trend. Common practice, no source.
SHORTEST_DAYS = 60.0
FEWEST_RUNS_IN_SEASON = 6

Column = np.ndarray[tuple[int], np.dtype[np.float64]]


def season_slope(run_drifts: pl.DataFrame, runs: pl.DataFrame) -> pl.DataFrame:
    """Estimate the change of drift per month, by athlete and metric.

    Args:
        run_drifts: rows of `run_drift` as the stage `drift` gives them, with `drift_shared`; runs without an error of
            their own do not enter.
        runs: rows of `runs`; `run_id` and `started_at_utc` are read.

    Returns:
        Rows of `season_slope`; without estimate where the season is shorter than 60 days or has fewer than 6 runs.
    """
    start = pl.col("started_at_utc")
    starts = runs.select("run_id", start_us=start.dt.epoch("us"), month=start.dt.strftime("%Y-%m"))
    entering = run_drifts.filter(pl.col("within_run_se_pct_per_10km") > 0).join(starts, on="run_id").sort("start_us")
    rows = []
    for season in entering.partition_by("athlete_id", "metric", maintain_order=True):
        row = {
            "athlete_id": season["athlete_id"][0],
            "metric": season["metric"][0],
            "n_runs": season.height,
            "first_month": season["month"][0],
            "last_month": season["month"][-1],
        }
        start_us = season["start_us"].to_numpy()
        days = (start_us - start_us[0]) // 1_000_000 / 86_400
        if season.height >= FEWEST_RUNS_IN_SEASON and days[-1] >= SHORTEST_DAYS:
            row |= _line(season, days / MONTH_DAYS)
        rows.append(row)
    return pl.DataFrame(rows, schema=types_of("season_slope")).sort("athlete_id", "metric")


def _median_slope(month: Column, drift: Column) -> float:
    """Theil and Sen's slope: the median over all pairs of runs at different times.

    Source: Sen 1968, doi 10.1080/01621459.1968.10480934, from memory.
    """
    first, second = np.triu_indices(len(month), 1)
    apart = month[second] - month[first]
    rise = drift[second] - drift[first]
    return float(np.median(rise[apart > 0] / apart[apart > 0]))


def _line(rows: pl.DataFrame, month: Column) -> dict[str, float]:
    """The line through one athlete's drifts over the months since the first run."""
    drift = rows["drift_pct_per_10km"].to_numpy()
    shared = np.array(rows["drift_shared"].to_list())
    line = serial_meta_regression(drift, rows["within_run_se_pct_per_10km"].to_numpy(), month, shared)
    return {
        "change_pct_per_10km_per_month": line.slope,
        "change_low": line.low,
        "change_high": line.high,
        "median_change_pct_per_10km_per_month": _median_slope(month, drift),
        "p_value": line.p_value,
        "first_drift_pct_per_10km": line.start,
        "last_drift_pct_per_10km": line.start + line.slope * float(month[-1]),
        "between_runs_sd_pct_per_10km": line.between,
    }
