"""Stage `single_runs`: what one run says of itself, unadjusted, where there are too few for a drift."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import polars as pl
import pytest
from scipy import stats

from pipeline.core.arrays import Array
from pipeline.core.settings import Settings
from pipeline.stages import single_runs as module
from pipeline.stages.single_runs import single_runs, slope_with_interval
from pipeline.tables import publishable
from tests.support.season import Season, draw

RULE = Settings().inclusion
CADENCE = ("cadence_spm",)


def season(n_runs: int, km: int = 12) -> pl.DataFrame:
    return draw(Season(n_runs=n_runs, km=(km, km)), 1, only=CADENCE)


def test_runs_of_an_athlete_with_too_few_have_a_row_each_and_none_where_there_are_enough():
    assert [single_runs(season(n_runs), inclusion=RULE).height for n_runs in (1, 2, 3)] == [1, 2, 0]
    rows = publishable("single_runs", single_runs(season(2), inclusion=RULE), subject="test")
    assert rows["n_splits"].to_list() == [11, 11], "past the warm-up"
    assert rows["metric"].unique().to_list() == ["cadence_spm"]


def test_a_run_that_is_too_short_has_none():
    assert single_runs(season(1, km=4), inclusion=RULE).is_empty()
    assert single_runs(season(1, km=5), inclusion=RULE).height == 1
    assert single_runs(season(1, km=4), inclusion=replace(RULE, min_splits_of_run=3)).height == 1


def test_an_exponential_change_is_given_back_with_nothing_adjusted():
    km = pl.col("km") - 0.5
    splits = season(1).with_columns(cadence_spm=180 * (0.97 ** (km / 10)), speed_m_s=3.5 - 0.05 * km)
    (row,) = single_runs(splits, inclusion=RULE).rows(named=True)
    for name in ("unadjusted_pct_per_10km", "unadjusted_low", "unadjusted_high"):
        assert row[name] == pytest.approx(-3.0, abs=1e-9)


def test_without_correlation_the_interval_is_the_textbooks(monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr(module, "_correlation", lambda _: 0.0)
    draws = np.random.default_rng(3)
    x = np.arange(15) / 10
    y = 0.02 * x + draws.normal(0, 0.01, 15)
    slope, low, high = slope_with_interval(x, y)
    textbook = stats.linregress(x, y)
    margin = stats.t.ppf(0.975, 13) * textbook.stderr
    assert (slope, low, high) == pytest.approx((textbook.slope, textbook.slope - margin, textbook.slope + margin))


def alike(n: int, rho: float, draws: np.random.Generator) -> Array:
    """Errors of variance 1 that correlate by rho from one point to the next."""
    places = np.arange(n)
    correlation = rho ** np.abs(np.subtract.outer(places, places))
    return np.linalg.cholesky(correlation) @ draws.normal(size=n)


@pytest.mark.parametrize("n", [4, 9, 20])
@pytest.mark.parametrize("rho", [0.0, 0.3, 0.5])
def test_the_interval_covers_the_truth_also_where_neighbouring_errors_are_alike(n: int, rho: float):
    draws = np.random.default_rng(100 * n + int(10 * rho))
    x = np.arange(n) / 10
    covered = 0
    for _ in range(400):
        _, low, high = slope_with_interval(x, 0.5 * x + alike(n, rho, draws))
        covered += low <= 0.5 <= high
    # Three binomial standard errors below 0.95.
    assert covered / 400 >= 0.95 - 3 * np.sqrt(0.95 * 0.05 / 400)


def test_kilometres_that_are_missing_are_further_apart_and_not_further_alike():
    draws = np.random.default_rng(5)
    x, y = np.arange(12) / 10, alike(12, 0.5, draws)
    kept = np.array([0, 1, 2, 3, 8, 9, 10, 11])
    widths = []
    for places in (x[kept], np.arange(8) / 10 * (x[-1] / 0.7)):
        _, low, high = slope_with_interval(places, y[kept])
        widths.append(high - low)
    assert widths[0] != pytest.approx(widths[1])


def test_the_order_of_athletes_and_rows_does_not_matter():
    splits = pl.concat([season(1), season(2).with_columns(athlete_id=pl.lit("zoe"), run_id="z" + pl.col("run_id"))])
    key = ["run_id", "metric"]
    whole = single_runs(splits, inclusion=RULE).sort(key)
    assert single_runs(splits.reverse(), inclusion=RULE).sort(key).equals(whole)
    assert whole["athlete_id"].n_unique() == 2
