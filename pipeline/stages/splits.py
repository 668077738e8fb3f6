"""Stage `splits`: samples → one row per kilometre of a run (or another split length), and one row per lap.

Runs `sql/splits.sql`: boundaries are interpolated between samples, means are weighted by time over running samples, and
flight time, duty factor and step length follow from the means of their own row. Kilometres and laps differ only in
where their boundaries are, which is settled here. Speed is also smoothed as heart rate follows it. Stiffness is added
for level splits of athletes whose mass is known (`pipeline/methods/spring_mass.py`).
"""

from __future__ import annotations

import math
from datetime import timedelta

import numpy as np
import polars as pl

from pipeline.core.queries import run_query
from pipeline.methods.spring_mass import with_stiffness

#: Heart rate follows treadmill speed with this time constant: 55.7 s at moderate and 59.5 s at vigorous intensity, no
#: significant difference (24 men; BioMedical Engineering OnLine 2015, doi 10.1186/s12938-015-0112-7, abstract read).
HEART_RATE_LAG_S = 57.6
#: A longer time between samples than they stand for is a pause [s]; less is rounding.
PAUSE_S = 0.5


def splits(
    samples: pl.DataFrame,
    runs: pl.DataFrame,
    athletes: pl.DataFrame,
    *,
    split_length_m: float,
    level_slope_pct: float,
    level_roughness_pct: float,
    min_run_share: float,
) -> pl.DataFrame:
    """Cut runs into splits, with stiffness on the level.

    Args:
        samples: rows of the table `samples`, of any number of runs.
        runs: `run_id`, `athlete_id` and `altitude` of each run.
        athletes: `athlete_id`, `mass_kg`, `height_m`, `leg_length_m`; one row per athlete.
        split_length_m: length of a split [m].
        level_slope_pct: splits with a steeper mean slope, up or down, have no stiffness [%].
        level_roughness_pct: nor do those whose slope has a larger root mean square [%].
        min_run_share: nor those with a smaller share of running.

    Returns:
        Rows of the table `splits`; the last split of a run has the length that was left.
    """
    return with_stiffness(
        split_means(samples, split_length_m=split_length_m).join(
            runs.select("run_id", "athlete_id", "altitude"), on="run_id", how="left"
        ),
        athletes,
        level_slope_pct=level_slope_pct,
        level_roughness_pct=level_roughness_pct,
        min_run_share=min_run_share,
    )


def lap_splits(
    samples: pl.DataFrame,
    laps: pl.DataFrame,
    runs: pl.DataFrame,
    athletes: pl.DataFrame,
    *,
    level_slope_pct: float,
    level_roughness_pct: float,
    min_run_share: float,
) -> pl.DataFrame:
    """Cut runs at the laps of their devices, with stiffness on the level.

    Args:
        samples: rows of the table `samples`, of any number of runs.
        laps: `run_id`, `lap`, `begins_s` and `ends_s` of each lap, as `elapsed_s` counts; laps do not overlap.
        runs: as of `splits`, with the other arguments.

    Returns:
        Rows of the table `lap_splits`; laps without a sample have none.
    """
    return with_stiffness(
        lap_means(samples, laps).join(runs.select("run_id", "athlete_id", "altitude"), on="run_id", how="left"),
        athletes,
        level_slope_pct=level_slope_pct,
        level_roughness_pct=level_roughness_pct,
        min_run_share=min_run_share,
    )


def split_means(samples: pl.DataFrame, *, split_length_m: float) -> pl.DataFrame:
    """Cut runs into splits; the same rows without `athlete_id` and stiffness."""
    placed = with_lagged_speed(samples).with_columns(
        ends_at=pl.col("distance_m") / split_length_m,
        begins_at=(pl.col("distance_m") - pl.col("covered_m")) / split_length_m,
    )
    return run_query("splits", {"samples": placed})


def lap_means(samples: pl.DataFrame, laps: pl.DataFrame) -> pl.DataFrame:
    """Cut runs at their laps; the same rows without `athlete_id` and stiffness."""
    of_runs = samples.filter(pl.col("run_id").is_in(laps["run_id"].unique().implode()))
    return run_query("splits", {"samples": _cut_at_laps(with_lagged_speed(of_runs), laps)}).rename({"km": "lap"})


def _cut_at_laps(samples: pl.DataFrame, laps: pl.DataFrame) -> pl.DataFrame:
    """Cut samples where laps begin and end, distance in proportion to time, and add where each lies, counted in laps.

    An interval after a pause is taken to lie behind the pause. What is outside of every lap is left out.
    """
    run = samples["run_id"].rle().struct.unnest()
    parts = []
    first_row = 0
    of_run = laps.sort("run_id", "begins_s").partition_by("run_id", as_dict=True)
    for n_rows, run_id in run.iter_rows():
        own, first_row = samples.slice(first_row, n_rows), first_row + n_rows
        lap_begins, lap_ends = of_run[(run_id,)]["begins_s"].to_numpy(), of_run[(run_id,)]["ends_s"].to_numpy()
        ends = own["elapsed_s"].to_numpy()
        interval = own["interval_s"].to_numpy()
        begins = ends - interval
        first_lap = np.searchsorted(lap_ends, begins, side="right")
        n_laps = np.maximum(np.searchsorted(lap_begins, ends, side="left") - first_lap, 0)
        row = np.repeat(np.arange(n_rows), n_laps)
        lap = first_lap[row] + np.arange(len(row)) - np.repeat(np.cumsum(n_laps) - n_laps, n_laps)
        begins, ends = np.maximum(begins[row], lap_begins[lap]), np.minimum(ends[row], lap_ends[lap])
        piece_share = (ends - begins) / interval[row]
        number = of_run[(run_id,)]["lap"].to_numpy()[lap] - 1
        length_s = lap_ends[lap] - lap_begins[lap]
        parts.append(
            own[row].with_columns(
                pl.col("interval_s") * piece_share,
                pl.col("covered_m") * piece_share,
                begins_at=pl.Series(number + (begins - lap_begins[lap]) / length_s),
                ends_at=pl.Series(number + (ends - lap_begins[lap]) / length_s),
            )
        )
    nowhere = samples.clear().with_columns(begins_at=pl.lit(0.0), ends_at=pl.lit(0.0))
    return pl.concat([nowhere, *parts])


def with_lagged_speed(samples: pl.DataFrame) -> pl.DataFrame:
    """Add `lagged_speed_m_s` to samples: speed smoothed over `HEART_RATE_LAG_S`, null where not run.

    Every stretch of running begins at its own first speed: what the heart did while the athlete walked or stood is not
    known.

    Args:
        samples: rows of the table `samples`, of any number of runs.
    """
    is_run = pl.col("gait") == "run"
    ordered = samples.filter(pl.col("interval_s") > 0).sort("run_id", "elapsed_s")
    is_after_pause = pl.col("elapsed_s").diff() > pl.col("interval_s") + PAUSE_S
    begins = (is_run != is_run.shift()) | is_after_pause
    microseconds = (1e6 * pl.col("interval_s").cum_sum()).round().cast(pl.Int64)
    return (
        ordered.with_columns(
            stretch=begins.fill_null(value=True).cum_sum().over("run_id"),
            time=microseconds.over("run_id").cast(pl.Datetime("us")),
        )
        .with_columns(
            lagged_speed_m_s=pl.when(is_run).then(
                (pl.col("covered_m") / pl.col("interval_s"))
                .ewm_mean_by("time", half_life=timedelta(seconds=HEART_RATE_LAG_S * math.log(2)))
                .over("run_id", "stretch")
            )
        )
        .drop("stretch", "time")
    )
