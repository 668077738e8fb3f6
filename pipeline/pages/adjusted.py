"""Splits at equal speed and slope: what the drift of a run is a line through.

Adjusted with the responses that `athlete_drift` publishes, so that the published tables give the same values.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Mapping
from typing import Any

import polars as pl

from pipeline.core.inclusion import Inclusion
from pipeline.methods.adjustment import RESPONSES, effect, warm_up_effect
from pipeline.methods.design import TEN_KM

Row = Mapping[str, Any]


def adjusted(
    splits: pl.DataFrame, drifts: pl.DataFrame, run_drifts: pl.DataFrame, *, inclusion: Inclusion
) -> pl.DataFrame:
    """Difference of each included split from the fresh level of its run, at equal speed and slope.

    Args:
        splits: rows of `splits` of one athlete.

    Returns:
        `run_id`, `km`, `distance_km` (the middle of the split), `speed_m_s`, `running_s`, and one column per metric
        with an estimate: percent of the run's fresh level, null where the split was not included. In order of run,
        then split.
    """
    used = inclusion.with_known_slope(splits)
    shown = used.select(
        "run_id", "km", "speed_m_s", "running_s", distance_km=(pl.col("km") - 0.5) * inclusion.split_length_m / 1000
    )
    levels: dict[str, dict[str, float]] = defaultdict(dict)
    for name, run_id, level in run_drifts.select("metric", "run_id", "fresh_level").iter_rows():
        levels[name][run_id] = level
    estimated = drifts.filter(pl.col("drift_pct_per_10km").is_not_null()).select("metric", *RESPONSES)
    columns, run_ids = [], used["run_id"].to_list()
    for own in estimated.iter_rows(named=True):
        of_runs = levels[own["metric"]]
        level = pl.Series([of_runs.get(run_id) for run_id in run_ids], dtype=pl.Float64)
        known = effect(own["metric"], responses=own, registry=inclusion.registry)
        known += warm_up_effect(own["response_to_warm_up"], inclusion.split_length_m)
        value = pl.when(inclusion.measured(own["metric"])).then(own["metric"])
        columns.append((100 * (value / level * (-known).exp() - 1)).alias(own["metric"]))
    return shown.with_columns(used.select(columns))


def bent_levels(shown: pl.DataFrame, drift: Row) -> dict[str, float]:
    """By how much the fresh level of each run differs between the broken and the straight line.

    The straight line of a metric that breaks is steep from the start: at distance zero it is too low or too high.

    Args:
        shown: what `adjusted` gave.
        drift: row of `athlete_drift` of the metric.

    Returns:
        By run, the logarithm of the level by the broken line over that by the straight line; empty without an onset.
    """
    if drift["onset_km"] is None:
        return {}
    slopes = ("drift_pct_per_10km", "drift_before_onset_pct", "drift_after_onset_pct")
    straight, before, after = (math.log1p(drift[name] / 100) * 1000 / TEN_KM for name in slopes)
    at, onset = pl.col("distance_km"), drift["onset_km"]
    beyond = (at - onset).clip(lower_bound=0)
    shift = straight * at - before * (at - beyond) - after * beyond
    weighted = (shift * pl.col("running_s")).sum() / pl.col("running_s").sum()
    of_runs = shown.drop_nulls(drift["metric"]).group_by("run_id", maintain_order=True).agg(shift=weighted)
    return dict(of_runs.iter_rows())
