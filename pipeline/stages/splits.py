"""Stage `splits`: samples → one row per kilometre of a run (or another split length).

Runs `sql/splits.sql`: boundaries are interpolated between samples, means are weighted by time over running samples, and
flight time, duty factor and step length follow from the means of their own row. Speed is also smoothed as heart rate
follows it. Stiffness is added for level splits of
athletes whose mass is known (`pipeline/methods/spring_mass.py`).
"""

from __future__ import annotations

import math
from datetime import timedelta

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
        runs: `run_id`, `athlete_id`, `altitude` and `speed_source` of each run.
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
            runs.select("run_id", "athlete_id", "altitude", "speed_source"), on="run_id", how="left"
        ),
        athletes,
        level_slope_pct=level_slope_pct,
        level_roughness_pct=level_roughness_pct,
        min_run_share=min_run_share,
    )


def split_means(samples: pl.DataFrame, *, split_length_m: float) -> pl.DataFrame:
    """Cut runs into splits; the same rows without `athlete_id` and stiffness."""
    return run_query("splits", {"samples": with_lagged_speed(samples)}, {"split_length_m": split_length_m})


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
