"""Traces: the samples of runs, thinned to what a picture of a run can show."""

from __future__ import annotations

import polars as pl

#: Points along a run: as many as a page is wide in dots, or nearly.
POINTS = 240
#: Steps of a run are no shorter than this, or short runs would show nothing but the noise of single samples [m].
SHORTEST_STEP_M = 10.0

#: What is shown of a run, with the decimals that a picture needs.
TRACED = {
    "altitude_m": 1,
    "speed_m_s": 3,
    "cadence_spm": 1,
    "contact_time_ms": 1,
    "vertical_oscillation_mm": 1,
    "heart_rate_bpm": 0,
}


def traces(samples: pl.DataFrame) -> pl.DataFrame:
    """Thin the samples of runs.

    Args:
        samples: rows of `samples` of any number of runs.

    Returns:
        A row a run and step of its distance: `run_id`, `distance_km` (the middle of the step), the columns of `TRACED`
        as means over the step's samples weighted by the time that each stands for, gait and heart rate over running
        samples alone, and `run_share`, the share of moving time in it that was run. Steps without movement are absent.
    """
    step = (pl.col("distance_m").max().over("run_id") / POINTS).clip(SHORTEST_STEP_M, None)
    weight, is_running = pl.col("interval_s"), pl.col("gait") == "run"
    moved = samples.filter(pl.col("interval_s") > 0, pl.col("gait") != "stand").with_columns(step=step)
    everywhere = ("altitude_m",)

    def mean(name: str) -> pl.Expr:
        has = pl.col(name).is_not_null() & (True if name in everywhere else is_running)
        return ((pl.col(name) * weight).filter(has).sum() / weight.filter(has).sum()).fill_nan(None).alias(name)

    return (
        # A sample stands for the interval that ends at it: one at the end of a step belongs to that step.
        moved.group_by("run_id", place=((pl.col("distance_m") / pl.col("step")).ceil() - 1).clip(0, POINTS - 1))
        .agg(
            pl.col("step").first(),
            *(mean(name).round(decimals) for name, decimals in TRACED.items()),
            run_share=(weight.filter(is_running).sum() / weight.sum()).round(2),
        )
        .sort("run_id", "place")
        .select(
            "run_id",
            *TRACED,
            "run_share",
            distance_km=((pl.col("place") + 0.5) * pl.col("step") / 1000).round(3),
        )
    )
