"""Splits at equal speed and slope: what the drift of a run is a line through.

Adjusted with the responses that `athlete_drift` publishes, so that the published tables give the same values.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import polars as pl

from pipeline.core.arrays import Array
from pipeline.core.inclusion import Inclusion
from pipeline.methods.adjustment import CAUSES, regressors, warm_up_effect
from pipeline.methods.design import TEN_KM

Row = Mapping[str, Any]


@dataclass(frozen=True)
class Included:
    """The splits of an athlete that enter the regressions, and what the athlete's responses add there.

    Attributes:
        splits: rows of `splits`, in order of run, then split, with `row`, their place among all of the athlete.
        effects: by metric with an estimate, what is added to its logarithm at each of them, warm-up included.
    """

    splits: pl.DataFrame
    effects: Mapping[str, Array]


def included(splits: pl.DataFrame, drifts: pl.DataFrame, *, inclusion: Inclusion) -> Included:
    """The splits that enter, and what responses add, as `pipeline.methods.adjustment.effect` and `warm_up_effect` do.

    Args:
        splits: rows of `splits` of one athlete.
        drifts: rows of `athlete_drift`.
    """
    used = inclusion.with_known_slope(splits.with_row_index("row"))
    estimated = [row for row in drifts.iter_rows(named=True) if row["drift_pct_per_10km"] is not None]
    # Metrics share what their responses are multiplied with, so it is evaluated once, and all of it in one query.
    terms = {}
    for row in estimated:
        if (key := _multiplied(row, inclusion)) not in terms:
            reference = pl.lit(row["reference_speed_m_s"])
            terms[key] = regressors(row["metric"], CAUSES, reference, registry=inclusion.registry)
    warm_up = warm_up_effect(1.0, inclusion.split_length_m).alias("warm_up")
    named = (
        value.fill_null(0.0).alias(f"{place} {name}")
        for place, of_key in enumerate(terms.values())
        for name, value in of_key.items()
    )
    values = {value.name: value.to_numpy() for value in used.select(warm_up, *named)}
    effects, places = {}, {key: place for place, key in enumerate(terms)}
    for row in estimated:
        key = _multiplied(row, inclusion)
        known = np.zeros(used.height)
        for name in terms[key]:
            known = known + (row[name] or 0.0) * values[f"{places[key]} {name}"]
        effects[row["metric"]] = known + (row["response_to_warm_up"] or 0.0) * values["warm_up"]
    return Included(used, effects)


def _multiplied(drift: Row, inclusion: Inclusion) -> tuple[bool, float | None]:
    """What decides with what the responses of a metric are multiplied."""
    return inclusion.registry.metric_of[drift["metric"]].lags_pace, drift["reference_speed_m_s"]


def adjusted(own: Included, run_drifts: pl.DataFrame, *, inclusion: Inclusion) -> pl.DataFrame:
    """Difference of each included split from the fresh level of its run, at equal speed and slope.

    Args:
        own: the splits of one athlete.
        run_drifts: rows of `run_drift`.

    Returns:
        `run_id`, `km`, `distance_km` (the middle of the split), `speed_m_s`, `running_s`, and one column per metric
        with an estimate: percent of the run's fresh level, null where the split was not included. In order of run,
        then split.
    """
    used = own.splits
    distance_km = (used["km"].to_numpy() - 0.5) * inclusion.split_length_m / 1000
    shown = [used[name] for name in ("run_id", "km", "speed_m_s", "running_s")]
    keys = zip(run_drifts["metric"].to_list(), run_drifts["run_id"].to_list(), strict=True)
    levels = dict(zip(keys, run_drifts["fresh_level"].to_list(), strict=True))
    columns, run_ids = [pl.Series("distance_km", distance_km)], used["run_id"].to_list()
    for name, effect in own.effects.items():
        level = np.array([levels.get((name, run_id)) for run_id in run_ids], dtype=float)
        change = 100 * (used[name].to_numpy() / level * np.exp(-effect) - 1)
        for reading in inclusion.registry.readings_behind(name):
            share = used[inclusion.registry.reading_of[reading].share_column].to_numpy()
            change[share < inclusion.min_measured_share] = np.nan
        columns.append(pl.Series(name, change, nan_to_null=True))
    return pl.DataFrame([*shown, *columns])


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
