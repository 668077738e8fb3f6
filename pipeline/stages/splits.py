"""Stage `splits`: samples → one row a kilometre of a run (or another split length).

Runs `sql/splits.sql`: boundaries are interpolated between samples, means are weighted by time over running samples, and
flight time, duty factor and step length follow from the means of their own row.
"""

from __future__ import annotations

import polars as pl

from pipeline.core.queries import run_query


def splits(samples: pl.DataFrame, *, split_length_m: float) -> pl.DataFrame:
    """Cut runs into splits.

    Args:
        samples: rows of the table `samples`, of any number of runs.
        split_length_m: length of a split [m].

    Returns:
        Rows of the table `splits`, without `athlete_id`; the last split of a run has the length that was left.
    """
    return run_query("splits", {"samples": samples}, {"split_length_m": split_length_m})
