"""Splits of samples, for tests that have no laps."""

from __future__ import annotations

import polars as pl

from pipeline.stages.splits import LAPS, means


def split_means(samples: pl.DataFrame, *, split_length_m: float) -> pl.DataFrame:
    """Rows of splits of runs without laps."""
    return means(samples, pl.DataFrame(schema=LAPS), split_length_m=split_length_m)[0]
