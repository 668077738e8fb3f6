"""Metrics that are fitted in one call: each as if it were alone, to the last bit."""

from __future__ import annotations

from typing import Any

import numpy as np
import polars as pl
import pytest

from pipeline.core.metrics import METRICS
from pipeline.core.settings import Settings
from pipeline.methods import mixed_model
from pipeline.stages.drift import drift
from pipeline.stages.responses import club_responses, responses
from tests.support.season import ORDINARY, Season, draw

INCLUSION = Settings().inclusion
COLUMNS = [metric.column for metric in METRICS]
OF_DRIFT: dict[str, Any] = {"inclusion": INCLUSION, "max_collinearity": 0.9, "seed": 1}
SEASONS = {
    "three runs": ORDINARY.but(n_runs=3, km=(7, 9)),
    "nine runs, some long enough for an onset": ORDINARY.but(n_runs=9, km=(6, 24)),
    "twenty runs that differ in pace": ORDINARY.but(n_runs=20, km=(8, 16), split_speed_sd_pct=6.0),
    "an even pace on the flat": Season(n_runs=8, km=(8, 16)),
}


def all_metrics(season: Season, seed: int, n_athletes: int = 1) -> pl.DataFrame:
    """A season in which metrics have outliers, a curve of speed, readings that are missing, and no scatter at all."""
    splits = draw(season.but(n_athletes=n_athletes), seed).with_columns(
        speed_source=pl.when(pl.col("run_id").hash(1) % 2 == 0).then(pl.lit("device")).otherwise(pl.lit("positions")),
        lagged_speed_m_s=pl.col("speed_m_s").ewm_mean(alpha=0.7).over("run_id"),
    )
    random, log_speed = np.random.default_rng(seed), np.log(splits["speed_m_s"].to_numpy())
    n, km = splits.height, splits["km"].to_numpy()
    for place, column in enumerate(COLUMNS):
        curve = 4.0 * (log_speed - log_speed.mean()) ** 2 if place % 3 == 0 else 0.0
        outliers = np.where(random.random(n) < 0.03, 0.2, 0.0) if place % 2 == 0 else 0.0
        bend = 0.01 * np.maximum(km - 9, 0) if place % 4 == 1 else 0.0
        scatter = 0.0 if place == 2 else 0.01
        log_value = 0.1 * place * log_speed + curve + outliers + bend + scatter * random.standard_normal(n)
        splits = splits.with_columns(pl.Series(column, 100 * np.exp(log_value)))
    is_missing = pl.col("km") == 5
    return splits.with_columns(pl.when(~is_missing).then(pl.col(name)).alias(name) for name in COLUMNS[3:5])


@pytest.fixture(scope="module", params=SEASONS)
def splits(request: pytest.FixtureRequest) -> pl.DataFrame:
    return all_metrics(SEASONS[request.param], seed=1)


@pytest.fixture(scope="module")
def club() -> pl.DataFrame:
    return club_responses(responses(all_metrics(ORDINARY.but(n_runs=5, km=(8, 12)), 2, 6), inclusion=INCLUSION))


def only(rows: pl.DataFrame, metric: str) -> pl.DataFrame:
    return rows.filter(pl.col("metric") == metric)


@pytest.mark.parametrize("speed_error_pct", [0.0, 1.0])
@pytest.mark.parametrize("warm_up_effect_pct", [0.0, 3.0])
def test_a_drift_is_the_same_whichever_metrics_are_computed_with_it(
    splits: pl.DataFrame, club: pl.DataFrame, speed_error_pct: float, warm_up_effect_pct: float
):
    numbers = OF_DRIFT | {"speed_error_pct": speed_error_pct, "warm_up_effect_pct": warm_up_effect_pct}
    of_all = drift(splits, **numbers, club=club)
    assert of_all[1]["metric"].to_list() == COLUMNS
    for metric in COLUMNS:
        alone = drift(splits, **numbers, club=club, metrics=[metric])
        for table, of_metric in zip(of_all, alone, strict=True):
            assert only(table, metric).equals(of_metric)


def test_responses_are_the_same_whichever_metrics_are_computed_with_them(splits: pl.DataFrame):
    of_all = responses(splits, inclusion=INCLUSION)
    for metric in COLUMNS:
        others = [pl.lit(None, pl.Float64).alias(name) for name in COLUMNS if name != metric]
        assert only(of_all, metric).equals(responses(splits.with_columns(others), inclusion=INCLUSION))


def test_it_does_not_matter_how_many_metrics_are_fitted_in_one_call(
    splits: pl.DataFrame, monkeypatch: pytest.MonkeyPatch
):
    of_all = drift(splits, **OF_DRIFT)
    monkeypatch.setattr(mixed_model, "MOST_SPLITS", 3 * splits.height)
    for table, of_three in zip(of_all, drift(splits, **OF_DRIFT), strict=True):
        assert table.equals(of_three)
