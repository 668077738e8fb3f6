"""The change that a run of some length shows, along a straight line and along one that breaks."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from pipeline.methods.distance_change import NOTHING, Change, broken_changes, straight_change, usual_distance
from pipeline.methods.mixed_model import Design, Fit, fit

SPEED = 2


def design(slope: float, bend: float, hinge: float, *, scatter: float = 0.0, response: float = 0.0) -> Design:
    """Eight runs of 20 km whose line breaks; distances in units of 10 km."""
    draws = np.random.default_rng(1)
    n_runs, n_km = 8, 20
    run = np.repeat(np.arange(n_runs), n_km)
    along = np.tile((np.arange(n_km) + 0.5) / 10, n_runs)
    speed = draws.normal(0, 0.03, len(run))
    value = draws.normal(0, 1, n_runs)[run] + slope * along + bend * np.maximum(along - hinge, 0) + response * speed
    value += draws.normal(0, 1, len(run)) * scatter
    gap_km = np.where(np.arange(len(run)) % n_km == 0, np.nan, 1.0)
    columns = np.column_stack([value, along, speed])
    return Design(columns, run, [f"r{number}" for number in range(n_runs)], gap_km, np.ones(len(run)))


def test_a_straight_change_is_the_slope_times_the_distance():
    fitted = fit(design(0.03, 0.0, 1.0, scatter=0.01), ())
    change = straight_change(fitted.beta[0], fitted.covariance[0, 0], fitted.drift_df, 2.1)
    half = stats.t.ppf(0.975, fitted.drift_df) * 2.1 * np.sqrt(fitted.covariance[0, 0])
    assert change.estimate == pytest.approx(2.1 * fitted.beta[0])
    assert (change.low, change.high) == pytest.approx((change.estimate - half, change.estimate + half))


@pytest.mark.parametrize(
    ("slope", "bend", "distance", "change"),
    [
        (0.0, 0.05, 2.1, 0.05 * 0.6),  # +5 % per 10 km from km 15, at km 21
        (0.01, 0.05, 2.0, 0.02 + 0.05 * 0.5),
        (0.01, 0.05, 1.5, 0.015),  # up to the hinge itself
        (0.01, 0.05, 1.0, 0.01),  # before it
    ],
)
def test_a_broken_line_without_scatter_gives_back_its_change(slope: float, bend: float, distance: float, change: float):
    fitted = fit(design(slope, bend, 1.5, response=-0.6), (SPEED,))
    assert fitted.beta[1] == pytest.approx(-0.6, abs=0.02)
    exact = replace(fitted, beta=np.array([fitted.beta[0], -0.6]))
    assert broken_change(exact, 1.5, distance).estimate == pytest.approx(change, abs=1e-9)


def broken_change(
    fitted: Fit, hinge: float, distance: float, re_estimated: Mapping[int, tuple[float, float]] = NOTHING
) -> Change:
    """Of the one metric of a fit."""
    (change,) = broken_changes(fitted.of_metrics(None), np.array([hinge]), np.array([distance]), re_estimated)
    return change


def test_a_broken_line_is_least_squares_with_a_level_per_run_where_errors_are_independent():
    fitted = replace(fit(design(0.02, 0.04, 1.2, scatter=0.01), ()), rho=0.0, variance_ratio=0.0)
    fitted_design = fitted.design
    levels = np.equal.outer(fitted_design.run, np.arange(8)).astype(float)
    x = np.column_stack([fitted_design.columns[:, 1], np.maximum(fitted_design.columns[:, 1] - 1.2, 0), levels])
    root = np.sqrt(fitted_design.weight)[:, None]
    slope, bend = np.linalg.lstsq(x * root, fitted_design.columns[:, 0] * root[:, 0], rcond=None)[0][:2]
    assert broken_change(fitted, 1.2, 2.0).estimate == pytest.approx(2.0 * slope + 0.8 * bend)


def test_the_error_of_a_response_is_carried_over():
    fitted = fit(design(0.02, 0.0, 1.2, scatter=0.01, response=-0.6), (SPEED,))
    sure = replace(fitted, covariance=fitted.covariance * np.array([[1, 0], [0, 0]]))
    unsure = replace(fitted, covariance=sure.covariance + np.array([[0, 0], [0, 0.5**2]]))
    narrow, wide = (broken_change(fit, 1.2, 2.0) for fit in (sure, unsure))
    assert wide.estimate == narrow.estimate
    assert wide.high - wide.low > narrow.high - narrow.low


def test_a_cause_estimated_together_with_the_line_is_pulled_to_what_is_known_of_it():
    """A warm-up of 3 % dies out along each run. Nearly known to be 0 it goes into the line; unknown, it is found."""
    straight = design(0.0, 0.04, 1.2, scatter=0.002)
    left = np.exp(-straight.columns[:, 1] * 10 / 2)
    columns = np.column_stack([straight.columns[:, 0] + 0.03 * left, straight.columns[:, 1:], left])
    fitted = fit(replace(straight, columns=columns), (3,))
    changes = {sd: broken_change(fitted, 1.2, 2.0, re_estimated={3: (0.0, sd**2)}) for sd in (1e-6, 0.03, np.inf)}
    # Held at nothing, the line begins 3 % too high: the change is far too small. The prior of 3 % gives way.
    assert changes[np.inf].estimate == pytest.approx(0.04 * 0.8, abs=0.003)
    assert changes[0.03].estimate == pytest.approx(0.04 * 0.8, abs=0.004)
    assert changes[1e-6].estimate < 0.04 * 0.8 - 0.006
    assert changes[0.03].low < 0.04 * 0.8 < changes[0.03].high


def test_the_wider_of_two_changes_holds_both():
    assert Change(1.0, 0.0, 2.0).wider(Change(1.5, 0.5, 2.5)) == (0.0, 2.5)
    assert Change(1.0, 0.0, 2.0).or_else(Change(1.5, 0.5, 2.5)) == Change(1.25, 0.0, 2.5)


@pytest.mark.parametrize(
    ("lengths", "usual"), [([10.0], 10.0), ([5, 6, 7, 20], 7.0), ([5, 6, 20, 20], 20.0), ([8.0] * 7 + [42.0], 8.0)]
)
def test_the_usual_distance_is_what_a_quarter_of_the_runs_reach(lengths: list[float], usual: float):
    assert usual_distance(np.array(lengths)) == usual
