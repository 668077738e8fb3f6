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
    columns = []
    for own in estimated.iter_rows(named=True):
        of_runs = levels[own["metric"]]
        level = pl.Series([of_runs.get(run_id) for run_id in used["run_id"]], dtype=pl.Float64)
        known = effect(own["metric"], responses=own)
        known += warm_up_effect(own["response_to_warm_up"], inclusion.split_length_m)
        columns.append((100 * (pl.col(own["metric"]) / level * (-known).exp() - 1)).alias(own["metric"]))
    return shown.with_columns(used.select(columns))


def lines(shown: pl.DataFrame, run_drifts: pl.DataFrame, metric: str) -> pl.DataFrame:
    """The line of each run through its adjusted splits, with the band that its interval allows.

    Args:
        shown: what `adjusted` gave.

    Returns:
        One row per run with that metric, in order: `run_id`; `onset_km` where it has one; `middle_km`, `middle_pct`,
        the middle of its splits; `from_km`, `to_km`, the first and last split; `from_pct`, `to_pct`, the line there [%
        of the fresh level]; `from_low_pct`, `from_high_pct`, `to_low_pct`, `to_high_pct`, the edges of its band there:
        the run's interval of the drift, rotated about the middle.
    """
    values = shown[metric].to_numpy()
    has = ~np.isnan(values)
    run_ids = np.array(shown["run_id"].to_list(), dtype=object)[has]
    begins = np.flatnonzero(run_ids != np.append([None], run_ids[:-1]))
    slopes = {
        run_id: own for name, run_id, *own in run_drifts.select("metric", "run_id", *_SLOPES, "onset_km").iter_rows()
        if name == metric
    }  # fmt: skip
    runs = run_ids[begins].tolist()
    *turned, onset_km = zip(*(slopes.get(run_id, [None] * 4) for run_id in runs), strict=True) if runs else ((),) * 4
    distance, weight = shown["distance_km"].to_numpy()[has], shown["running_s"].to_numpy()[has]
    logs = np.log1p(values[has] / 100)

    def mean(values: Array) -> Array:
        return np.asarray(np.add.reduceat(values * weight, begins) / np.add.reduceat(weight, begins))

    middle, centre = mean(distance), mean(logs)
    ends = np.column_stack([distance[begins], distance[np.append(begins[1:], len(distance))[: len(begins)] - 1]])
    from_middle = (ends - middle[:, None]) * 1000 / TEN_KM
    value, low, high = (
        100 * np.expm1(centre[:, None] + np.log1p(np.array(slope, dtype=float) / 100)[:, None] * from_middle)
        for slope in turned
    )
    columns = {
        "middle_km": middle, "middle_pct": 100 * np.expm1(centre),
        "from_km": ends[:, 0], "to_km": ends[:, 1], "from_pct": value[:, 0], "to_pct": value[:, 1],
        "from_low_pct": np.minimum(low, high)[:, 0], "from_high_pct": np.maximum(low, high)[:, 0],
        "to_low_pct": np.minimum(low, high)[:, 1], "to_high_pct": np.maximum(low, high)[:, 1],
    }  # fmt: skip
    return pl.DataFrame(
        {"run_id": runs, "onset_km": onset_km, **columns},
        schema_overrides={"run_id": pl.String, "onset_km": pl.Float64},
    )


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


_SLOPES = ("drift_pct_per_10km", "drift_low", "drift_high")
