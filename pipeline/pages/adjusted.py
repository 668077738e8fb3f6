"""Splits at equal speed and slope: what the drift of a run is a line through.

Adjusted with the responses that `athlete_drift` publishes, so that the published tables give the same values.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Mapping
from typing import Any

import numpy as np
import polars as pl

from pipeline.core.arrays import Array
from pipeline.core.inclusion import Inclusion
from pipeline.methods.adjustment import CAUSES, regressors, warm_up_effect
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
    effects = known_effects(used, drifts, inclusion=inclusion)
    measured = used.select(pl.when(inclusion.measured(name)).then(name).alias(name) for name in effects)
    columns, run_ids = [], used["run_id"].to_list()
    for value in measured:
        of_runs, known = levels[value.name], pl.Series(np.exp(-effects[value.name]))
        level = pl.Series([of_runs.get(run_id) for run_id in run_ids], dtype=pl.Float64)
        columns.append(100 * (value / level * known - 1))
    return shown.with_columns(columns)


def known_effects(used: pl.DataFrame, drifts: pl.DataFrame, *, inclusion: Inclusion) -> dict[str, Array]:
    """What the athlete's responses add to the logarithm of each metric with an estimate, warm-up included.

    Args:
        used: rows of `splits` of one athlete.
        drifts: rows of `athlete_drift`.

    Returns:
        By metric a value per split, as `pipeline.methods.adjustment.effect` and `warm_up_effect` give it. Metrics share
        what their responses are multiplied with, so it is evaluated once.
    """
    warm_up = used.select(warm_up_effect(1.0, inclusion.split_length_m)).to_series().to_numpy()
    multiplied: dict[Any, dict[str, Array]] = {}
    effects = {}
    for own in drifts.filter(pl.col("drift_pct_per_10km").is_not_null()).iter_rows(named=True):
        metric, reference = own["metric"], own["reference_speed_m_s"]
        key = inclusion.registry.metric_of[metric].lags_pace, reference
        if key not in multiplied:
            terms = regressors(metric, CAUSES, pl.lit(reference), registry=inclusion.registry)
            values = used.select(value.fill_null(0.0).alias(name) for name, value in terms.items())
            multiplied[key] = {value.name: value.to_numpy() for value in values}
        known = np.zeros(used.height)
        for name, value in multiplied[key].items():
            known = known + (own[name] or 0.0) * value
        effects[metric] = known + (own["response_to_warm_up"] or 0.0) * warm_up
    return effects


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
