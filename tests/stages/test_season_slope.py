"""Stage `season_slope`: a line through the runs' drifts over their dates."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl
import pytest
from scipy import stats

from pipeline.stages.season_slope import FEWEST_RUNS_IN_SEASON, MONTH_DAYS, SHORTEST_DAYS, season_slope
from pipeline.tables import publishable

FIRST = datetime(2026, 1, 31, 23, tzinfo=UTC)


def of_runs(
    days: list[float],
    drifts: list[float],
    errors: list[float | None],
    shared: list[list[float]] | None = None,
) -> dict[str, object]:
    """The row of an athlete whose runs on these days after the first drift so, with these errors of their own."""
    names = [f"run {place}" for place in range(len(days))]
    run_drifts = pl.DataFrame(
        {
            "run_id": names, "athlete_id": "ari", "metric": "cadence_spm", "drift_pct_per_10km": drifts,
            "within_run_se_pct_per_10km": errors, "drift_shared": shared or [[0.0]] * len(days),
        }
    )  # fmt: skip
    runs = pl.DataFrame({"run_id": names, "started_at_utc": [FIRST + timedelta(days=day) for day in days]})
    (row,) = season_slope(run_drifts, runs).rows(named=True)
    return row


DAYS = [0.0, 20.0, 35.0, 50.0, 80.0, 121.76]  # the last is four months after the first
ON_A_LINE = [3.0 - 0.5 * day / MONTH_DAYS for day in DAYS]


def test_drifts_on_a_line_give_the_line_back():
    row = of_runs(DAYS, ON_A_LINE, [0.2] * 6)
    assert row["change_pct_per_10km_per_month"] == pytest.approx(-0.5)
    assert row["first_drift_pct_per_10km"] == pytest.approx(3.0)
    assert row["last_drift_pct_per_10km"] == pytest.approx(1.0)
    assert row["between_runs_sd_pct_per_10km"] < 1e-3
    assert (row["first_month"], row["last_month"], row["n_runs"]) == ("2026-01", "2026-06", 6)


def test_where_runs_agree_the_interval_is_that_of_their_own_errors():
    row = of_runs(DAYS, ON_A_LINE, [0.2] * 6)
    error = 0.2 / (np.std(DAYS) / MONTH_DAYS * np.sqrt(6))
    reach = stats.t.ppf(0.975, 4) * error
    assert (row["change_low"], row["change_high"]) == (
        pytest.approx(-0.5 - reach, rel=1e-4),
        pytest.approx(-0.5 + reach, rel=1e-4),
    )
    assert row["p_value"] == pytest.approx(2 * stats.t.sf(0.5 / error, 4), rel=1e-4)


def test_where_runs_disagree_by_far_more_than_their_errors_the_scatter_decides_and_not_the_errors():
    drifts = [3.0, -1.0, 4.0, 0.0, 2.0, -3.0]
    row, again = of_runs(DAYS, drifts, [1e-4] * 6), of_runs(DAYS, drifts, [1e-5] * 6)
    ordinary = stats.linregress(np.array(DAYS) / MONTH_DAYS, drifts)
    reach = stats.t.ppf(0.975, 4) * ordinary.stderr
    width = row["change_high"] - row["change_low"]
    assert row["change_pct_per_10km_per_month"] == pytest.approx(ordinary.slope, abs=ordinary.stderr)
    # How alike neighbours are is unknown, so it is wider than where runs are known to be independent.
    assert 2 * reach < width < 5 * reach
    assert again["change_high"] == pytest.approx(row["change_high"], rel=1e-4)


def test_the_interval_excludes_zero_exactly_where_p_is_below_5_percent():
    for slope in np.linspace(-1.2, 1.2, 13):
        row = of_runs(DAYS, [slope * day / MONTH_DAYS + (-1) ** place for place, day in enumerate(DAYS)], [0.5] * 6)
        excludes_zero = row["change_low"] > 0 or row["change_high"] < 0
        assert excludes_zero == (row["p_value"] < 0.05)


@pytest.mark.parametrize(
    ("n_runs", "last_day", "is_given"),
    [(6, 60.0, True), (6, 59.99, False), (5, 60.0, False), (5, 400.0, False), (7, 60.0, True)],
)
def test_a_trend_needs_six_runs_over_sixty_days(n_runs: int, last_day: float, is_given: bool):
    assert (FEWEST_RUNS_IN_SEASON, SHORTEST_DAYS) == (6, 60.0)
    days = [*range(n_runs - 1), last_day]
    row = of_runs(days, [1.0] * n_runs, [0.2] * n_runs)
    estimates = [row[name] for name in row if name == "p_value" or "change" in name or "pct_per_10km" in name]
    assert len(estimates) == 8
    assert all((one is not None) == is_given for one in estimates)
    assert row["n_runs"] == n_runs


def test_runs_without_an_error_of_their_own_do_not_enter():
    row = of_runs([*DAYS, 200.0, 300.0], [*ON_A_LINE, 9.0, 9.0], [*[0.2] * 6, 0.0, None])
    assert row == of_runs(DAYS, ON_A_LINE, [0.2] * 6)


def test_an_error_that_all_runs_share_alike_does_not_touch_the_slope():
    alike = of_runs(DAYS, ON_A_LINE, [0.2] * 6, shared=[[2.0]] * 6)
    assert alike["change_high"] == pytest.approx(of_runs(DAYS, ON_A_LINE, [0.2] * 6)["change_high"])


def test_a_shared_error_that_grows_with_the_months_is_added_to_that_of_the_slope():
    shared = [[0.3 * day / MONTH_DAYS] for day in DAYS]
    without, row = of_runs(DAYS, ON_A_LINE, [0.2] * 6), of_runs(DAYS, ON_A_LINE, [0.2] * 6, shared=shared)
    quantile = stats.t.ppf(0.975, 4)
    error = (without["change_high"] + 0.5) / quantile
    assert (row["change_high"] + 0.5) / quantile == pytest.approx(np.hypot(error, 0.3))


def test_athletes_and_metrics_are_kept_apart_and_in_order():
    rows = [("b", "cadence_spm"), ("a", "heart_rate_bpm"), ("a", "cadence_spm")]
    run_drifts = pl.DataFrame(
        [
            {
                "run_id": f"{athlete} {day}", "athlete_id": athlete, "metric": metric,
                "drift_pct_per_10km": slope * day, "within_run_se_pct_per_10km": 0.1, "drift_shared": [0.0],
            }
            for slope, (athlete, metric) in enumerate(rows, start=1)
            for day in range(0, 70, 10)
        ]
    )  # fmt: skip
    runs = pl.DataFrame(
        [
            {"run_id": f"{athlete} {day}", "started_at_utc": FIRST + timedelta(days=day)}
            for athlete in "ab"
            for day in range(0, 70, 10)
        ]
    )
    found = season_slope(run_drifts, runs)
    assert [(*row[:2], round(row[5] / MONTH_DAYS, 9)) for row in found.iter_rows()] == [
        ("a", "cadence_spm", 3.0), ("a", "heart_rate_bpm", 2.0), ("b", "cadence_spm", 1.0),
    ]  # fmt: skip
    assert publishable("season_slope", found, subject="invented").height == 3


@pytest.mark.parametrize("seed", range(5))
def test_the_median_of_the_slopes_is_that_of_scipy(seed: int):
    """SciPy's `theilslopes`, with runs on one day, and ties."""
    draw = np.random.default_rng(seed)
    days = np.sort(np.append(draw.integers(0, 200, 18), [0, 0, 200])).astype(float)
    drifts = draw.normal(2, 1, len(days)).round(1)
    row = of_runs(list(days), list(drifts), [0.3] * len(days))
    assert row["median_change_pct_per_10km_per_month"] == pytest.approx(
        stats.theilslopes(drifts, days / MONTH_DAYS).slope, rel=1e-12, abs=1e-12
    )


def test_one_odd_run_moves_the_median_of_the_slopes_hardly_and_the_line_by_far():
    odd = [*ON_A_LINE[:-1], 40.0]
    row = of_runs(DAYS, odd, [0.2] * 6)
    assert row["median_change_pct_per_10km_per_month"] == pytest.approx(-0.5)
    assert row["change_pct_per_10km_per_month"] > 3
