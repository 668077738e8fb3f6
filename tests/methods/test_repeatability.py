"""How alike single runs' drifts are."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from pipeline.methods.repeatability import between_athletes, repeatability, scatter_of_runs


def of_drifts(drifts: dict[str, list[float]], shared_se: float = 0.0) -> pl.DataFrame:
    """Repeatability of drifts by athlete; responses give all runs the same error."""
    rows = [(athlete, "contact_time_ms", drift, shared_se) for athlete, runs in drifts.items() for drift in runs]
    columns = ["athlete_id", "metric", "drift_pct_per_10km", "response_se_pct_per_10km"]
    scatters = scatter_of_runs(pl.DataFrame(rows, schema=columns, orient="row"))
    return repeatability(scatters, between_athletes(scatters)).sort("athlete_id")


def test_where_all_athletes_scatter_alike_it_is_the_published_intraclass_correlation() -> None:
    # Shrout and Fleiss 1979, table 2 and 4 (from memory): six targets by four judges, ICC(1,1) = 0.17 with the pooled
    # mean square within of 6.26. Here the deviations of each row are scaled so that every athlete has that variance.
    ratings = np.array(
        [[9, 2, 5, 8], [6, 1, 3, 2], [8, 4, 6, 8], [7, 1, 2, 6], [10, 5, 6, 9], [6, 2, 4, 7]], dtype=float
    )
    means = ratings.mean(axis=1, keepdims=True)
    within = ratings.var(axis=1, ddof=1, keepdims=True)
    alike = means + (ratings - means) * np.sqrt(within.mean() / within)
    rows = of_drifts({f"athlete-{row}": list(values) for row, values in enumerate(alike)})
    assert within.mean() == pytest.approx(6.26, abs=0.005)
    assert rows["repeatability"].to_list() == pytest.approx([0.17] * 6, abs=0.005)


def test_athletes_who_differ_and_repeat_themselves_are_near_one() -> None:
    rows = of_drifts({"ari": [1.0, 1.1, 0.9], "bo": [5.0, 5.1, 4.9], "cy": [-3.0, -3.1, -2.9]})
    assert rows["repeatability"].min() > 0.99  # type: ignore[operator]
    assert rows["repeatability_low"].min() > 0.9  # type: ignore[operator]


def test_an_athlete_whose_runs_scatter_is_told_from_one_whose_runs_agree() -> None:
    rows = of_drifts({"ari": [1.0, 1.1, 0.9, 1.0], "bo": [-4.0, 9.0, 2.0, 5.0], "cy": [4.0, 4.2, 3.8, 4.0]})
    steady, scattered, _ = rows["repeatability"].to_list()
    assert steady > 0.9
    assert scattered < 0.2
    assert rows["repeatability_low"][1] < 0


def test_the_interval_is_that_of_a_ratio_of_two_mean_squares() -> None:
    rows = of_drifts({"ari": [1.0, 2.0, 3.0], "bo": [2.0, 3.0, 4.0], "cy": [6.0, 7.0, 8.0]})
    # Mean squares: between 3 × var(2, 3, 7) = 21, within 1. F(2, 2) has 39 as its 97.5 % quantile (tables, exact).
    assert rows["repeatability"][0] == pytest.approx(20 / 23)
    assert rows["repeatability_low"][0] == pytest.approx((21 / 39 - 1) / (21 / 39 + 2), abs=1e-6)
    assert rows["repeatability_high"][0] == pytest.approx((21 * 39 - 1) / (21 * 39 + 2), abs=1e-6)


def test_what_the_responses_give_to_all_runs_of_an_athlete_is_no_difference_between_athletes() -> None:
    rows = of_drifts({"ari": [1.0, 2.0, 3.0], "bo": [2.0, 3.0, 4.0], "cy": [6.0, 7.0, 8.0]}, shared_se=2.0)
    # Of the mean square between of 21, runs per athlete (3) times the square of 2 is the responses': 9 are left.
    assert rows["repeatability"][0] == pytest.approx((9 - 1) / (9 + 2))
    assert rows["repeatability_low"][0] == pytest.approx((0 - 1) / (0 + 2))


@pytest.mark.parametrize(
    "drifts",
    [
        {"ari": [1.0, 2.0, 3.0], "bo": [2.0, 3.0, 4.0]},
        {"ari": [1.0, 2.0, 3.0], "bo": [2.0, 3.0, 4.0], "cy": [1.0, 2.0]},
    ],
)
def test_two_athletes_with_three_runs_are_too_few(drifts: dict[str, list[float]]) -> None:
    assert of_drifts(drifts).is_empty()
