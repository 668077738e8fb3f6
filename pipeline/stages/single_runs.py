"""Stage `single_runs`: the splits of athletes with too few runs → how each metric changed along each of these runs.

Rows in: splits. Rows out: one per run and metric, of athletes and metrics for which `drift` has too few runs. Nothing
is adjusted: pace, hills and whatever else happened that day are in it. The change is the least-squares slope of the
logarithm over distance, of the splits that would enter the drift.

The interval allows for errors that are alike in neighbouring kilometres: their correlation is the larger of
`CORRELATION` and what the run's own residuals say, the variance of the slope follows from it, and the degrees of
freedom are those of Satterthwaite (1946, Biometrics Bulletin 2:110, from memory). It says how sure the slope of this
one run is, not how far another run of the athlete would differ.
"""

from __future__ import annotations

import numpy as np
import polars as pl
from scipy import special

from pipeline.core.arrays import Array
from pipeline.core.inclusion import Inclusion
from pipeline.methods.design import entries
from pipeline.methods.mixed_model import DISTANCE, VALUE
from pipeline.tables import types_of

#: Correlation of the errors of neighbouring kilometres that is allowed for at least: a run has too few to say. Common
#: practice, no source.
CORRELATION = 0.5
#: The largest that is believed: beyond it, a line and an error cannot be told apart.
_LARGEST_CORRELATION = 0.9


def single_runs(splits: pl.DataFrame, *, inclusion: Inclusion) -> pl.DataFrame:
    """Estimate the unadjusted change along each run of athletes with too few runs.

    Args:
        splits: rows of the table `splits`, of any number of athletes.
        inclusion: which splits and runs enter, and how many runs are too few.

    Returns:
        Rows of the table `single_runs`.
    """
    rows: list[dict[str, object]] = []
    for entry in entries(splits, inclusion):
        if not 0 < entry.n_runs < inclusion.min_runs:
            continue
        design = entry.design
        for place, run_id in enumerate(design.run_ids):
            run_splits = design.columns[design.run == place]
            change, low, high = slope_with_interval(run_splits[:, DISTANCE], run_splits[:, VALUE])
            percent = (float(100 * np.expm1(value)) for value in (change, low, high))
            columns = ("unadjusted_pct_per_10km", "unadjusted_low", "unadjusted_high")
            of_run = {"run_id": run_id, "n_splits": len(run_splits), **dict(zip(columns, percent, strict=True))}
            rows.append(entry.name | of_run)
    return pl.DataFrame(rows, schema=types_of("single_runs"))


def slope_with_interval(x: Array, y: Array) -> tuple[float, float, float]:
    """Least-squares slope of y over x with its 95 % interval, for errors that are alike in neighbouring points.

    Args:
        x: rising, three or more; errors of points one smallest step apart are the most alike.
        y: as many.
    """
    n = len(x)
    centred = x - x.mean()
    leverage = float(centred @ centred)
    slope = float(centred @ y) / leverage
    residuals = y - y.mean() - slope * centred
    steps_apart = np.abs(np.subtract.outer(x, x)) / np.diff(x).min()
    correlation = np.power(_correlation(residuals), steps_apart)
    basis = np.column_stack([np.ones(n) / np.sqrt(n), centred / np.sqrt(leverage)])
    left = correlation - basis @ (basis.T @ correlation)  # what the line leaves of the errors
    variance = float(residuals @ residuals) / np.trace(left)
    standard_error = np.sqrt(variance * float(centred @ correlation @ centred)) / leverage
    df = np.trace(left) ** 2 / float(np.sum(left * left.T))
    margin = float(special.stdtrit(df, 0.975)) * standard_error
    return slope, slope - margin, slope + margin


def _correlation(residuals: Array) -> float:
    """Correlation of neighbouring residuals, corrected for the line, which makes them look less alike than errors."""
    n, square = len(residuals), float(residuals @ residuals)
    if square == 0:
        return CORRELATION
    seen = float(residuals[1:] @ residuals[:-1]) / square
    # For a constant mean: Marriott and Pope 1954, Biometrika 41:390, from memory.
    return float(np.clip(seen + (1 + 4 * seen) / n, CORRELATION, _LARGEST_CORRELATION))
