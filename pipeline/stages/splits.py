"""Stage `splits`: samples → one row per kilometre of a run (or another split length).

Runs `sql/splits.sql`: boundaries are interpolated between samples, means are weighted by time over running samples, and
flight time, duty factor and step length follow from the means of their own row. Stiffness is added for level splits of
athletes whose mass is known (`pipeline/methods/spring_mass.py`).
"""

from __future__ import annotations

import polars as pl

from pipeline.core.queries import run_query
from pipeline.methods.spring_mass import with_stiffness


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
        runs: `run_id` and `athlete_id` of each run.
        athletes: `athlete_id`, `mass_kg`, `height_m`, `leg_length_m`; one row per athlete.
        split_length_m: length of a split [m].
        level_slope_pct: splits with a steeper mean slope, up or down, have no stiffness [%].
        level_roughness_pct: nor do those whose slope has a larger root mean square [%].
        min_run_share: nor those with a smaller share of running.

    Returns:
        Rows of the table `splits`; the last split of a run has the length that was left.
    """
    return with_stiffness(
        split_means(samples, split_length_m=split_length_m).join(runs, on="run_id", how="left"),
        athletes,
        level_slope_pct=level_slope_pct,
        level_roughness_pct=level_roughness_pct,
        min_run_share=min_run_share,
    )


def split_means(samples: pl.DataFrame, *, split_length_m: float) -> pl.DataFrame:
    """Cut runs into splits; the same rows without `athlete_id` and stiffness."""
    return run_query("splits", {"samples": samples}, {"split_length_m": split_length_m})
