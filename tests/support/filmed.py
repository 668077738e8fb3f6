"""Feet that were filmed, for the tables and studies of landings."""

from __future__ import annotations

import polars as pl

from pipeline.stages.strikes import landings
from pipeline.tables import empty

USUAL = "altman-davis-2012"
#: Columns of strikes.csv that rows may leave out, with what the inbox then gives.
_ABSENT = {
    "started_at_utc": pl.lit(None, pl.Datetime("us", "UTC")),
    "foot": pl.lit(None, pl.String),
    "strike": pl.lit(None, pl.String),
    "angle_deg": pl.lit(None, pl.Float64),
    "strike_index_pct": pl.lit(None, pl.Float64),
    "rater": pl.lit(None, pl.String),
    "frame_rate_hz": pl.lit(None, pl.Float64),
    "n_runners": pl.lit(1, pl.Int64),
}


def landings_of(
    feet: pl.DataFrame,
    *,
    thresholds: str = USUAL,
    runs: pl.DataFrame | None = None,
    splits: pl.DataFrame | None = None,
) -> pl.DataFrame:
    """Rows of `landings` of feet as strikes.csv lists them, without recordings unless some are given."""
    rows = feet.with_columns(value.alias(name) for name, value in _ABSENT.items() if name not in feet.columns)
    return landings(
        rows,
        empty("runs") if runs is None else runs,
        empty("splits") if splits is None else splits,
        strike_angle_thresholds=thresholds,
    )
