"""What is taken out beside speed and slope: the warm-up, pace mixed inside kilometres, the lag of heart rate."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import polars as pl
import pytest

from pipeline.core.inclusion import has_known_slope
from pipeline.core.metrics import METRIC_OF, METRICS
from pipeline.core.settings import Settings
from pipeline.methods.causes import NO_CLUB, OWN_PRIOR, Club, Expected, fit_causes
from pipeline.methods.design import (
    PACE_VARIANCE,
    SLOPE,
    SPEED,
    WARM_UP,
    Numbers,
    design_of,
    warm_up_left,
)
from pipeline.methods.mixed_model import DISTANCE, VALUE, normal_equations
from pipeline.stages.drift import drift
from pipeline.stages.responses import responses
from tests.support.season import EXACTLY_MEASURED, Form, Season, draw

CONTACT, CADENCE, STEP_LENGTH, HEART_RATE = "contact_time_ms", "cadence_spm", "step_length_m", "heart_rate_bpm"
INCLUSION = Settings().inclusion
NUMBERS: dict[str, Any] = {"inclusion": INCLUSION, "max_collinearity": 0.9, "seed": 1, "speed_error_pct": 0.0}
#: +3 % per 10 km on a level course at an even pace, without scatter.
EVEN = Season(n_runs=4, km=(8, 21), contact=Form(level=260.0, drift_pct=3.0, level_sd_pct=2.0))
LEFT = (-(pl.col("km") - 0.5) / 2).exp()


def row(splits: pl.DataFrame, metric: str = CONTACT, **numbers: float) -> Mapping[str, Any]:
    athletes = drift(splits, **(NUMBERS | numbers), metrics=[metric])[1]
    return athletes.row(0, named=True)


def warm(splits: pl.DataFrame, at_start: float, metric: str = CONTACT) -> pl.DataFrame:
    return splits.with_columns(pl.col(metric) * (at_start * LEFT).exp())


# --- Warm-up ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("at_start", [0.04, -0.02])
def test_a_warm_up_is_found_and_its_drift_is_that_of_the_settled_form(at_start: float):
    fitted = row(warm(draw(EVEN, 1), at_start))
    assert fitted["response_to_warm_up"] == pytest.approx(at_start, abs=1e-6)
    assert fitted["drift_pct_per_10km"] == pytest.approx(3.0, abs=1e-4)
    assert fitted["raw_pct_per_10km"] == pytest.approx(3.0, abs=1e-4)


def test_where_no_warm_up_is_expected_it_is_taken_for_drift():
    splits = warm(draw(EVEN, 1), 0.04)
    fitted = row(splits, warm_up_effect_pct=0.0)
    assert fitted.get("response_to_warm_up") is None
    assert fitted["drift_pct_per_10km"] < 2.5


def test_the_level_of_a_run_is_that_of_the_settled_form():
    plain, warmed = (
        drift(splits, **NUMBERS, metrics=[CONTACT])[0]["fresh_level"].to_numpy()
        for splits in (draw(EVEN, 1), warm(draw(EVEN, 1), 0.04))
    )
    np.testing.assert_allclose(warmed, plain, rtol=1e-6)


def test_the_prior_draws_the_warm_up_to_none_by_the_weight_of_its_variance():
    """Ridge in closed form, from the model's own cross-products: (X'V⁻¹X + σ² / τ²) β = X'V⁻¹y."""
    splits = draw(EXACTLY_MEASURED.but(km=(6, 9), n_runs=6).with_contact(drift_pct=2.0), 3)
    numbers = Numbers(INCLUSION.usable(splits))
    design = design_of(numbers, CONTACT, 3.0, INCLUSION)
    (corrected,) = fit_causes(design.of_metrics(None), (SPEED,), [Expected(CONTACT, NO_CLUB, 0.0, 3.0)])
    fitted = corrected.fit
    assert fitted.places == (DISTANCE, WARM_UP, SPEED)
    a, b, _ = normal_equations(fitted.products, fitted.places, fitted.variance_ratio)
    total = a.sum(axis=0) + np.diag([0.0, fitted.variance / 0.03**2, 0.0])
    np.testing.assert_allclose(fitted.beta, np.linalg.solve(total, b.sum(axis=0)), rtol=1e-9)
    assert abs(fitted.beta[1]) < abs(np.linalg.solve(a.sum(axis=0), b.sum(axis=0))[1])


@pytest.mark.parametrize(
    ("club", "mean_and_sd"),
    [
        (None, (0.0, 0.03 * OWN_PRIOR)),
        (NO_CLUB, (0.0, 0.03)),
        (Club({(CONTACT, "warm_up"): (0.02, 0.01**2)}, {}), (0.02, 0.01)),
    ],
)
def test_the_warm_up_is_expected_as_the_club_has_it(club: Club | None, mean_and_sd: tuple[float, float]):
    prior = Expected(CONTACT, club, 1.0, 3.0).prior((WARM_UP, SPEED, SLOPE), is_speed_exact=False)
    assert prior is not None
    assert (prior.mean[0], prior.variance[0] ** 0.5) == pytest.approx(mean_and_sd)
    assert prior.variance[1:].tolist() == [np.inf, np.inf]


def test_what_is_left_of_a_warm_up_follows_the_middle_of_splits_of_any_length():
    assert warm_up_left(np.array([1.0, 3.0]), 1000.0) == pytest.approx(np.exp([-0.25, -1.25]))
    assert warm_up_left(np.array([2.0]), 400.0) == pytest.approx(np.exp(-0.3))


def test_an_athletes_own_warm_up_is_told_with_its_error():
    splits = warm(draw(EXACTLY_MEASURED.but(n_runs=20).with_contact(drift_pct=0.0), 5), 0.04)
    rows = responses(splits, inclusion=INCLUSION, speed_error_pct=0.0)
    response = rows.filter(metric=CONTACT, cause="warm_up").row(0, named=True)
    assert abs(response["response"] - 0.04) < 3 * response["standard_error"] < 0.06


def test_the_warm_up_does_not_count_as_collinear():
    splits = draw(EVEN, 1)
    assert row(splits)["collinearity"] == pytest.approx(row(splits, warm_up_effect_pct=0.0)["collinearity"], abs=1e-9)


# --- Mixed pace ------------------------------------------------------------------------------------------------------


def mixed(splits: pl.DataFrame, exponent: float, from_km: int = 6) -> pl.DataFrame:
    """From a kilometre on, half of the time is run a fifth faster than the other: log speeds 0.2 apart."""
    fast, slow = np.exp(0.1), np.exp(-0.1)
    is_mixed = pl.col("km") >= from_km
    return splits.with_columns(
        speed_m_s=pl.when(is_mixed).then(pl.col("speed_m_s") * (fast + slow) / 2).otherwise("speed_m_s"),
        log_speed_variance=pl.when(is_mixed).then(0.01).otherwise(0.0),
        contact_time_ms=pl.when(is_mixed)
        .then(pl.col(CONTACT) * (fast**exponent + slow**exponent) / 2)
        .otherwise(CONTACT),
    )


#: A pace that varies between runs and kilometres, and a metric that answers to it at once.
PACED = EVEN.but(run_speed_sd_pct=5.0, split_speed_sd_pct=3.0).with_contact(per_speed=-0.6)


def test_a_metric_that_follows_each_step_does_not_drift_for_a_pace_that_is_mixed_late():
    splits = mixed(draw(PACED, 1), -0.6)
    fitted = row(splits, warm_up_effect_pct=0.0)
    assert fitted["drift_pct_per_10km"] == pytest.approx(3.0, abs=0.01)
    assert fitted["response_to_pace_variance"] == pytest.approx((0.6**2 + 0.6) / 2, abs=0.01)
    unaware = row(splits.with_columns(log_speed_variance=pl.lit(0.0)), warm_up_effect_pct=0.0)
    assert unaware["drift_pct_per_10km"] > 3.2


@pytest.mark.parametrize("exponent", [-0.6, 0.12])
def test_the_expected_response_to_mixed_pace_is_the_second_order_of_a_power_law(exponent: float):
    """Half of the time at each of two log speeds 2 d apart: log cosh(b d) - b log cosh(d), over d²."""
    metric = {-0.6: CONTACT, 0.12: CADENCE}[exponent]
    half = 1e-3
    exact = (np.log(np.cosh(exponent * half)) - exponent * np.log(np.cosh(half))) / half**2
    assert METRIC_OF[metric].pace_variance_response == pytest.approx(exact, abs=1e-6)


def test_derived_metrics_expect_what_follows_from_the_measured_ones():
    of = {metric.column: metric.pace_variance_response for metric in METRICS}
    assert of[STEP_LENGTH] == -of[CADENCE]
    assert of["duty_factor"] == pytest.approx(of[CONTACT] + of[CADENCE])


# --- What stays exact ------------------------------------------------------------------------------------------------


def scattered() -> pl.DataFrame:
    splits = draw(EXACTLY_MEASURED.with_contact(drift_pct=2.0), 7)
    random = np.random.default_rng(2)
    mixed_pace = pl.Series(random.uniform(0, 0.03, splits.height))
    return warm(splits.with_columns(log_speed_variance=mixed_pace), 0.03)


def test_step_length_stays_the_mirror_of_cadence():
    splits = scattered()
    cadence, length = row(splits, CADENCE), row(splits, STEP_LENGTH)
    assert length["response_to_pace_variance"] == pytest.approx(-cadence["response_to_pace_variance"], abs=1e-8)
    assert length["response_to_warm_up"] == pytest.approx(-cadence["response_to_warm_up"], abs=1e-8)
    change = np.log1p(length["drift_pct_per_10km"] / 100) + np.log1p(cadence["drift_pct_per_10km"] / 100)
    assert change == pytest.approx(0.0, abs=1e-9)


def test_the_raw_change_is_the_drift_and_the_parts_of_pace_and_slope():
    splits = scattered()
    fitted = row(splits)
    names = ("drift_pct_per_10km", "speed_part_pct", "slope_part_pct")
    parts = [np.log1p(fitted[name] / 100) for name in names]
    assert np.log1p(fitted["raw_pct_per_10km"] / 100) == pytest.approx(sum(parts), abs=1e-9)
    assert fitted["response_to_pace_variance"] is not None
    assert fitted["response_to_warm_up"] is not None


# --- Heart rate ------------------------------------------------------------------------------------------------------


def test_heart_rate_is_adjusted_with_the_lagged_speed_and_form_with_the_speed_itself():
    splits = draw(PACED, 1)
    before = pl.col("speed_m_s").shift(1).over("run_id").fill_null(pl.col("speed_m_s"))
    splits = splits.with_columns(lagged_speed_m_s=0.7 * pl.col("speed_m_s") + 0.3 * before)
    splits = splits.with_columns(
        (150 * (pl.col("lagged_speed_m_s") / 3) ** 0.7 * (0.002 * pl.col("km")).exp()).alias(HEART_RATE)
    )
    heart, contact = row(splits, HEART_RATE), row(splits)
    assert heart["drift_pct_per_10km"] == pytest.approx(100 * np.expm1(0.02), abs=1e-4)
    assert heart["response_to_speed"] == pytest.approx(0.7, abs=1e-6)
    assert contact["response_to_speed"] == pytest.approx(-0.6, abs=1e-6)


def test_the_design_holds_the_columns_that_it_says():
    splits = scattered()
    numbers = Numbers(INCLUSION.usable(splits))
    design = design_of(numbers, CONTACT, 3.0, INCLUSION)
    np.testing.assert_allclose(design.columns[:, VALUE], np.log(numbers[CONTACT][numbers[CONTACT] > 0]))
    np.testing.assert_allclose(design.columns[:, WARM_UP], np.exp(-5 * design.columns[:, DISTANCE]))
    assert design.columns[:, PACE_VARIANCE].max() == pytest.approx(numbers["log_speed_variance"].max())


# --- Quality ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("share", "enters"), [(0.5, True), (0.49, False)])
@pytest.mark.parametrize(
    ("reading", "concerned"),
    [
        ("cadence_share", {"cadence_spm", "flight_time_ms", "duty_factor", "step_length_m"}),
        ("contact_time_share", {CONTACT, "flight_time_ms", "duty_factor"}),
    ],
)
def test_a_split_with_a_reading_for_less_than_half_of_it_does_not_enter_for_what_rests_on_it(
    reading: str, concerned: set[str], share: float, enters: bool
):
    splits = scattered()
    thin = splits.with_columns(pl.when(pl.col("km") == 5).then(share).otherwise(reading).alias(reading))
    for metric in ("cadence_spm", CONTACT, "flight_time_ms", "duty_factor", "step_length_m"):
        whole, less = (
            len(design_of(Numbers(INCLUSION.usable(rows)), metric, 3.0, INCLUSION).run) for rows in (splits, thin)
        )
        assert (less == whole) == (enters or metric not in concerned), metric


def test_a_split_of_a_stretch_that_is_suspect_does_not_enter():
    splits = scattered()
    suspect = splits.with_columns(suspicion=pl.when(pl.col("km") == 5).then(pl.lit("faster_than_records")))
    assert set(INCLUSION.usable(splits)["km"]) - set(INCLUSION.usable(suspect)["km"]) == {5}


def test_of_a_run_with_some_altitude_only_the_splits_with_slope_have_a_known_one():
    splits = draw(Season(n_runs=3, km=(8, 8)), 1).sort("run_id", "km")
    first, second, _ = splits["run_id"].unique(maintain_order=True)
    is_lost = (pl.col("run_id") == first) | (pl.col("run_id") == second) & (pl.col("km") == 4)
    rows = splits.with_columns(slope_pct=pl.when(~is_lost).then("slope_pct"))
    known = Numbers(rows).has_known_slope
    assert known.tolist() == rows.select(has_known_slope()).to_series().to_list()
    assert np.flatnonzero(~known).tolist() == [8 + 3]
