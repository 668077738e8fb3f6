"""Repeatability of single runs' drifts: whether the drift of one run is informative about the athlete.

Published work finds slopes of contact time along a run hardly repeatable between runs (J Hum Kinet 64:57, intraclass
correlations of -0.71 to 0.04), those of stride frequency moderately (0.48 to 0.72).
"""

from __future__ import annotations

import numpy as np
import polars as pl

from pipeline.methods.reliability import intraclass, mean_square_between, shared_square_between, typical_size

#: Fewest athletes for a variance between athletes, and fewest runs of an athlete for a variance between runs. Common
#: practice, no source.
FEWEST_ATHLETES = 3
FEWEST_RUNS_PER_ATHLETE = 3


def repeatability(run_drift: pl.DataFrame) -> pl.DataFrame:
    """Intraclass correlation of single runs' drifts, by athlete and metric.

    One-way random effects, single run: ICC(1,1) of Shrout and Fleiss 1979 (doi 10.1037/0033-2909.86.2.420, from
    memory), with the athlete's own scatter between runs in place of the pooled one, and the interval of the ratio of
    two mean squares. What the error of the estimated responses adds to an athlete's runs alike is taken from both, as
    in `reliability`. Near 1 where the athlete's runs agree far better than athletes do, 0 or less where they do not.

    Args:
        run_drift: rows of `run_drift` of the whole club.

    Returns:
        `athlete_id`, `metric`, `repeatability`, `repeatability_low`, `repeatability_high`.
    """
    rows = []
    for (metric,), slopes in run_drift.group_by("metric", maintain_order=True):
        drifts, shared = pl.col("drift_pct_per_10km"), pl.col("response_se_pct_per_10km").fill_null(0.0)
        by_athlete = slopes.group_by("athlete_id").agg(
            n=pl.len(),
            mean=drifts.mean(),
            variance=drifts.var(),
            shared_mean=shared.mean(),
            shared_variance=shared.var(),
        )
        enough = by_athlete.filter(pl.col("n") >= FEWEST_RUNS_PER_ATHLETE).sort("athlete_id")
        if enough.height < FEWEST_ATHLETES:
            continue
        n, mean = enough["n"].to_numpy().astype(float), enough["mean"].to_numpy()
        between, size = mean_square_between(n, mean), typical_size(n)
        added = shared_square_between(n, enough["shared_mean"].to_numpy())
        for row in enough.filter(pl.col("variance") > 0).iter_rows(named=True):
            shares = np.array([added, row["shared_variance"]])
            low, single, high = intraclass(between, row["variance"], size, len(n) - 1, row["n"] - 1, shared=shares)
            rows.append((row["athlete_id"], metric, single, low, high))
    names = ("repeatability", "repeatability_low", "repeatability_high")
    schema = {"athlete_id": pl.String, "metric": pl.String, **dict.fromkeys(names, pl.Float64)}
    return pl.DataFrame(rows, schema=schema, orient="row")
