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


def scatter_of_runs(run_drift: pl.DataFrame) -> pl.DataFrame:
    """How the drifts of each athlete's runs lie: what the repeatability of all rests on.

    Args:
        run_drift: rows of `run_drift`.

    Returns:
        `athlete_id`, `metric`, number, mean and variance of the drifts, and mean and variance of the errors that the
        runs share; in order, without athletes with fewer than three runs.
    """
    drifts, shared = pl.col("drift_pct_per_10km"), pl.col("response_se_pct_per_10km").fill_null(0.0)
    return (
        run_drift.group_by("athlete_id", "metric")
        .agg(
            n=pl.len(),
            mean=drifts.mean(),
            variance=drifts.var(),
            shared_mean=shared.mean(),
            shared_variance=shared.var(),
        )
        .filter(pl.col("n") >= FEWEST_RUNS_PER_ATHLETE)
        .sort("metric", "athlete_id")
    )


def between_athletes(scatters: pl.DataFrame) -> pl.DataFrame:
    """How athletes differ, metric by metric.

    Args:
        scatters: rows of `scatter_of_runs` of the whole club, in any order.

    Returns:
        `metric`, mean square between athletes, typical number of runs, mean square that shared errors add, and number
        of athletes; without metrics of fewer than three athletes.
    """
    rows = []
    for (metric,), own in scatters.sort("metric", "athlete_id").group_by("metric", maintain_order=True):
        if own.height >= FEWEST_ATHLETES:
            n, mean, shared = (own[name].to_numpy().astype(float) for name in ("n", "mean", "shared_mean"))
            between, added = mean_square_between(n, mean), shared_square_between(n, shared)
            rows.append((metric, between, typical_size(n), added, own.height))
    columns = ("between", "size", "added")
    schema = {"metric": pl.String, **dict.fromkeys(columns, pl.Float64), "n_athletes": pl.Int64}
    return pl.DataFrame(rows, schema=schema, orient="row")


def repeatability(scatters: pl.DataFrame, between: pl.DataFrame) -> pl.DataFrame:
    """Intraclass correlation of single runs' drifts, by athlete and metric.

    One-way random effects, single run: ICC(1,1) of Shrout and Fleiss 1979 (doi 10.1037/0033-2909.86.2.420, from
    memory), with the athlete's own scatter between runs in place of the pooled one, and the interval of the ratio of
    two mean squares. What the error of the estimated responses adds to an athlete's runs alike is taken from both, as
    in `reliability`. Near 1 where the athlete's runs agree far better than athletes do, 0 or less where they do not.

    Args:
        scatters: rows of `scatter_of_runs`, of any athletes of the club.
        between: rows of `between_athletes` of the whole club.

    Returns:
        `athlete_id`, `metric`, `repeatability`, `repeatability_low`, `repeatability_high`.
    """
    rows = []
    for row in scatters.filter(pl.col("variance") > 0).join(between, on="metric").iter_rows(named=True):
        shared = np.array([row["added"], row["shared_variance"]])
        low, single, high = intraclass(
            row["between"], row["variance"], row["size"], row["n_athletes"] - 1, row["n"] - 1, shared=shared
        )
        rows.append((row["athlete_id"], row["metric"], single, low, high))
    names = ("repeatability", "repeatability_low", "repeatability_high")
    schema = {"athlete_id": pl.String, "metric": pl.String, **dict.fromkeys(names, pl.Float64)}
    return pl.DataFrame(rows, schema=schema, orient="row")
