"""Trend over many athletes with levels and slopes of their own."""

from __future__ import annotations

import math

import numpy as np
import pytest
from statsmodels.regression.linear_model import OLS
from statsmodels.regression.mixed_linear_model import MixedLM

from pipeline.methods.mixed_trend import MixedTrend, mixed_trend

DISTANCE = np.arange(1.0, 11.0)


def season(seed: int, n_athletes: int = 12, *, sd_slope: float = 0.4, sd_error: float = 1.0) -> tuple[np.ndarray, ...]:
    """Values, distances and athletes: ten kilometres each, 240 + 0.8 a kilometre."""
    draw = np.random.default_rng(seed)
    who = np.repeat(np.arange(n_athletes), len(DISTANCE))
    distance = np.tile(DISTANCE, n_athletes)
    level, slope = 240 + draw.normal(0, 8, n_athletes), 0.8 + draw.normal(0, sd_slope, n_athletes)
    return level[who] + slope[who] * distance + draw.normal(0, sd_error, len(who)), distance, who


def own_lines(value: np.ndarray, distance: np.ndarray, who: np.ndarray) -> np.ndarray:
    """Slope of each athlete's own least-squares line."""
    return np.array([np.polyfit(distance[who == athlete], value[who == athlete], 1)[0] for athlete in np.unique(who)])


def in_short(trend: MixedTrend) -> tuple[float, ...]:
    return (trend.slope, trend.se, trend.p_value, trend.sd_slope, trend.sd_residual)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_where_all_have_the_same_distances_it_is_the_t_test_of_their_own_slopes(seed: int):
    rows = season(seed)
    trend, slopes = mixed_trend(*rows), own_lines(*rows)
    assert trend.note == ""
    assert trend.converged
    assert trend.slope == pytest.approx(slopes.mean(), rel=1e-9)
    assert trend.se == pytest.approx(slopes.std(ddof=1) / math.sqrt(12), rel=1e-9)
    # The 97.5 % quantile of t with 11 degrees of freedom is 2.200985.
    assert (trend.high - trend.low) / 2 == pytest.approx(2.200985 * trend.se, rel=1e-6)


def test_fitted_and_residuals_add_up_and_departures_sum_to_nothing():
    value, distance, who = season(4)
    trend = mixed_trend(value, distance, who)
    assert trend.fitted + trend.residuals == pytest.approx(value, rel=1e-12)
    assert (trend.n_athletes, trend.n_rows) == (12, 120)
    departures = np.array([trend.random_effects[str(athlete)] for athlete in range(12)])
    assert departures.sum(axis=0) == pytest.approx([0, 0], abs=1e-6)
    departure = departures[who]
    line = trend.intercept + departure[:, 0] + (trend.slope + departure[:, 1]) * distance
    assert trend.fitted == pytest.approx(line, rel=1e-9)


def test_units_change_only_the_units():
    value, distance, who = season(5)
    trend = mixed_trend(value, distance, who)
    turned = mixed_trend(value * 0.001, distance * 1000, who)
    assert turned.slope == pytest.approx(trend.slope * 1e-6, rel=1e-6)
    assert turned.p_value == pytest.approx(trend.p_value, rel=1e-3)
    assert turned.sd_intercept == pytest.approx(trend.sd_intercept * 0.001, rel=1e-3)


def test_distance_counted_from_elsewhere_moves_the_intercept_only():
    value, distance, who = season(6)
    trend, moved = mixed_trend(value, distance, who), mixed_trend(value, distance + 5, who)
    assert in_short(moved) == pytest.approx(in_short(trend), rel=1e-6)
    assert moved.intercept == pytest.approx(trend.intercept - 5 * trend.slope, rel=1e-9)


def test_the_order_of_rows_does_not_matter():
    value, distance, who = season(7)
    turned = np.random.default_rng(1).permutation(len(value))
    trend, again = mixed_trend(value, distance, who), mixed_trend(value[turned], distance[turned], who[turned])
    assert in_short(again) == pytest.approx(in_short(trend), rel=1e-5)
    assert again.fitted == pytest.approx(trend.fitted[turned], rel=1e-6)


def test_slopes_that_differ_by_no_more_than_error_fall_back_to_levels_and_the_note_says_so():
    draw = np.random.default_rng(9)
    who, distance = np.repeat(np.arange(8), 10), np.tile(DISTANCE, 8)
    error = draw.normal(0, 1, (8, 10))
    # Each athlete's errors are made to have no line of their own, so that all slopes are the same.
    centred = DISTANCE - DISTANCE.mean()
    error -= np.outer(error @ centred, centred) / (centred @ centred)
    value = np.repeat(draw.normal(200, 5, 8), 10) + 0.5 * distance + error.ravel()
    trend = mixed_trend(value, distance, who)
    assert trend.note.startswith(
        "Slopes do not differ between athletes beyond error: the model has random intercepts only."
    )
    assert (trend.sd_slope, trend.correlation) == (0.0, None)
    assert trend.slope == pytest.approx(0.5, rel=1e-9)
    assert trend.sd_intercept > 2
    assert {slope for _, slope in trend.random_effects.values()} == {0.0}
    # Levels alone: the error of a line through all rows within athletes.
    within = trend.sd_residual / math.sqrt(8 * centred @ centred)
    assert trend.se == pytest.approx(within, rel=1e-6)


def test_levels_and_slopes_that_go_together_are_kept_and_the_note_says_so():
    draw = np.random.default_rng(3)
    who, distance = np.repeat(np.arange(10), 10), np.tile(DISTANCE, 10)
    position = np.linspace(-1, 1, 10)
    error = draw.normal(0, 1, (10, 10))
    basis = np.linalg.qr(np.column_stack([np.ones(10), DISTANCE]))[0]
    error -= error @ basis @ basis.T
    value = (200 + 4 * position)[who] + (0.8 + 0.6 * position)[who] * distance + error.ravel()
    trend = mixed_trend(value, distance, who)
    assert "their correlation is at its bound" in trend.note
    assert trend.correlation == pytest.approx(1, abs=1e-3)
    slopes = own_lines(value, distance, who)
    assert trend.slope == pytest.approx(0.8, rel=1e-6)
    assert 0.8 < trend.se / (slopes.std(ddof=1) / math.sqrt(10)) < 1.2


def test_athletes_with_one_row_take_part_in_the_level():
    value, distance, who = season(11)
    trend = mixed_trend([*value, 300.0], [*distance, 5.0], [*who, 99])
    assert trend.n_athletes == 13
    assert trend.random_effects["99"][0] > 20


def many(value: float = 1.0) -> list[float]:
    return [value] * 6


LINE, WHO = [1.0, 2.0, 1.0, 2.0, 1.0, 2.0], ["a", "a", "b", "b", "c", "c"]


@pytest.mark.parametrize(
    ("value", "distance", "athlete", "said"),
    [
        (LINE[:4], LINE[:4], WHO[:4], "three athletes at two distances each, not 2"),
        ([], [], [], "three athletes at two distances each, not 0"),
        (LINE, many(), WHO, "three athletes at two distances each, not 0"),
        (many(), LINE, WHO, "All values are equal"),
        (LINE, LINE, WHO[:5], "same length"),
        ([math.nan, *LINE[1:]], LINE, WHO, "leave it out first"),
        ([1.0, 2.0, 4.0, 3.0, 0.0, 2.0], LINE, WHO, "without error"),
    ],
)
def test_what_cannot_be_fitted_is_refused_in_words(value, distance, athlete, said):
    with pytest.raises(ValueError, match=said):
        mixed_trend(value, distance, athlete)


def test_what_does_not_converge_says_so(monkeypatch):
    monkeypatch.setattr("pipeline.methods.mixed_trend.NEWTON_STEPS", 0)
    monkeypatch.setattr("pipeline.methods.mixed_trend.CONVERGED", 1e-300)
    trend = mixed_trend(*season(1))
    assert not trend.converged
    assert trend.note == "The optimizer did not converge; interpret with care."


def by_group_and_age(n_athletes: int = 12) -> tuple[np.ndarray, np.ndarray]:
    """A column for each of two groups and one for age about its mean; and each athlete's age."""
    age = np.random.default_rng(8).uniform(20, 50, n_athletes)
    first = np.arange(n_athletes) < 5
    return np.column_stack([first, ~first, age - age.mean()]).astype(float), age


def test_groups_and_covariates_are_the_regression_of_own_slopes_where_all_have_the_same_distances():
    value, distance, who = season(3)
    columns, _ = by_group_and_age()
    trend = mixed_trend(value, distance, who, between=columns[who], overall=[0.5, 0.5, 0])
    fitted = OLS(own_lines(value, distance, who), columns).fit()
    assert trend.slopes.estimates == pytest.approx(fitted.params, rel=1e-7)
    assert np.sqrt(np.diag(trend.slopes.covariance)) == pytest.approx(fitted.bse, rel=1e-3)
    difference, interval = trend.slopes.contrast(np.array([-1.0, 1.0, 0.0]))
    expected = fitted.t_test([-1.0, 1.0, 0.0])
    assert (difference, interval.p_value) == pytest.approx((expected.effect[0], float(expected.pvalue)), rel=1e-3)
    assert trend.slope == pytest.approx(fitted.params[:2].mean(), rel=1e-7)
    # The level at the mean distance is each athlete's own mean.
    means = OLS(np.array([value[who == athlete].mean() for athlete in range(12)]), columns).fit()
    assert trend.levels.estimates == pytest.approx(means.params, rel=1e-7)


def test_columns_between_athletes_agree_with_statsmodels_where_distances_differ():
    value, distance, who = season(3)
    kept = np.random.default_rng(1).random(len(who)) < 0.7
    value, distance, who = value[kept], distance[kept], who[kept]
    columns, _ = by_group_and_age()
    trend = mixed_trend(value, distance, who, between=columns[who], overall=[0.5, 0.5, 0])
    along = distance - distance.mean()
    fixed = np.hstack([columns[who], columns[who] * along[:, None]])
    random = np.column_stack([np.ones(len(who)), along])
    fitted = MixedLM(value, fixed, groups=who, exog_re=random).fit(method="powell")
    assert trend.slopes.estimates == pytest.approx(fitted.fe_params[3:], abs=2e-3)
    assert np.sqrt(np.diag(trend.slopes.covariance)) == pytest.approx(fitted.bse_fe[3:], rel=0.02)


def test_columns_that_vary_within_an_athlete_or_determine_one_another_are_refused():
    value, distance, who = season(3)
    columns, _ = by_group_and_age()
    with pytest.raises(ValueError, match="constant within"):
        mixed_trend(value, distance, who, between=distance[:, None])
    with pytest.raises(ValueError, match="determine one another"):
        mixed_trend(value, distance, who, between=columns[who][:, [0, 1, 1]])
