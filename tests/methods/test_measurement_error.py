"""Speed measured with error: the attenuation it causes, its correction, and what stays exact."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import statsmodels.api as sm

from pipeline.core.arrays import Array
from pipeline.methods.error_prior import ErrorPrior, half_normal, wide_prior
from pipeline.methods.measurement_error import Corrected, correct, uncorrected
from pipeline.methods.mixed_model import Design, Fit, fit
from pipeline.methods.speed_equations import (
    ERROR_SD,
    answers_exactly,
    equations,
    log_determinant,
    log_likelihood,
    speed_errors,
)

SPEED = 2
B = -0.6


def correlated(innovation: Array, rho: float) -> Array:
    errors = innovation.copy()
    for place in range(1, len(errors)):
        errors[place] = rho * errors[place - 1] + np.sqrt(1 - rho**2) * innovation[place]
    return errors


def athlete(
    seed: int,
    *,
    error_pct: float = 0.0,
    error_rho: float = 0.0,
    fade_pct: float = -4.0,
    fade_sd_pct: float = 1.5,
    pace_sd_pct: float = 2.0,
    pace_rho: float = 0.5,
    drift_pct: float = 0.0,
    response: float = B,
    n_runs: int = 12,
    km: tuple[int, int] = (8, 25),
    metric_sd_pct: float = 1.0,
    metric_rho: float = 0.5,
    own_drift_sd_pct: float = 1.0,
    loading: float = 0.0,
) -> Design:
    """Runs of one athlete: log metric, distance and measured log speed; the metric has `loading` of its error."""
    random = np.random.default_rng(seed)
    rows, run, gaps = [], [], []
    for place in range(n_runs):
        n = int(random.integers(km[0], km[1] + 1)) - 1
        distance = (np.arange(n) + 1.5) / 10
        fade = (fade_pct + fade_sd_pct * random.standard_normal()) / 100
        pace = pace_sd_pct / 100 * correlated(random.standard_normal(n), pace_rho) + fade * distance
        error = error_pct / 100 * correlated(random.standard_normal(n), error_rho)
        drift = (drift_pct + own_drift_sd_pct * random.standard_normal()) / 100
        noise = metric_sd_pct / 100 * correlated(random.standard_normal(n), metric_rho)
        value = response * pace + drift * distance + noise + 0.01 * random.standard_normal() + loading * error
        rows.append(np.column_stack([value, distance, pace + error]))
        run += [place] * n
        gaps += [np.nan] + [1.0] * (n - 1)
    return Design(
        np.concatenate(rows),
        np.array(run),
        [str(number) for number in range(n_runs)],
        np.array(gaps),
        np.ones(len(run)),
    )


def corrected_of(fitted: Fit, prior: ErrorPrior, loading: float = 0.0) -> Corrected:
    """The one metric of a fit, corrected."""
    (corrected,) = correct(fitted.of_metrics(None), SPEED, [prior], [loading])
    return corrected


@pytest.mark.parametrize(
    ("error_pct", "kappa", "false_drift"), [(0.5, 0.96, 0.3), (1, 0.86, 1.2), (1.5, 0.74, 2.4), (2, 0.61, 3.5)]
)
def test_uncorrected_the_response_keeps_kappa_of_itself_and_the_drift_the_rest(
    error_pct: float, kappa: float, false_drift: float
):
    """kappa = P / (P + s^2) with 2.5 % of pace left over; the drift keeps (1 - kappa) x 8.9 % per 10 km: closed form.

    Independent errors throughout, so that the whitening does nothing: 40 long runs make the chance error small.
    """
    exact = 2.5**2 / (2.5**2 + error_pct**2)
    assert exact == pytest.approx(kappa, abs=0.005)
    assert (1 - exact) * 8.9 == pytest.approx(false_drift, abs=0.06)
    plain = {"fade_sd_pct": 0.0, "pace_rho": 0.0, "metric_rho": 0.0, "own_drift_sd_pct": 0.0, "metric_sd_pct": 0.3}
    design = athlete(1, error_pct=error_pct, fade_pct=100 * 0.089 / B, pace_sd_pct=2.5, n_runs=40, km=(40, 40), **plain)
    drift, response = fit(design, [SPEED]).beta
    assert response / B == pytest.approx(kappa, abs=0.03)
    assert 100 * drift == pytest.approx(false_drift, abs=0.3)


def test_the_reliability_of_exact_equations_is_the_closed_form():
    """Over many splits: 1 - s^2 trace / what is left of log speed, against the variances that were drawn."""
    design = athlete(2, error_pct=1.0, pace_rho=0.0, fade_sd_pct=0.0, n_runs=40, km=(40, 40))
    system = equations(fit(design, [SPEED]), SPEED)
    assert 1 - 0.01**2 * system.reliability_loss[0] == pytest.approx(2.0**2 / (2.0**2 + 1.0**2), abs=0.02)


def test_the_level_equation_is_least_squares_divided_by_kappa():
    """Without correlation or own drifts, and at an error of zero: `statsmodels` with a level for each run."""
    design = athlete(3, metric_rho=0.0, own_drift_sd_pct=0.0, pace_rho=0.0)
    fitted = fit(design, [SPEED])
    system = equations(fitted, SPEED)
    levels = (design.run[:, None] == np.arange(12)).astype(float)
    expected = sm.OLS(design.columns[:, 0], np.column_stack([design.columns[:, 1:], levels])).fit().params[1]
    if fitted.rho == 0 and fitted.variance_ratio == 0:
        assert system.value[0] / system.speed[0] == pytest.approx(expected, rel=1e-9)
    assert system.value[0] / system.speed[0] == pytest.approx(expected, rel=0.05)


@pytest.mark.parametrize("error_pct", [0.5, 1.0, 2.0])
def test_the_equations_hold_at_the_truth_and_scatter_as_they_say(error_pct: float):
    """Mean of each over 60 athletes within 4 of its errors of zero, where least squares would be far off."""
    s2 = (error_pct / 100) ** 2
    gaps = []
    for seed in range(60):
        system = equations(fit(athlete(seed, error_pct=error_pct, error_rho=0.15), [SPEED]), SPEED)
        errors = speed_errors(system, np.array([[error_pct / 100]]))
        assert errors.speed_less[0] == pytest.approx(s2 * system.traces[0])
        omega = np.diag(1e-4 * system.of_errors + B**2 * errors.of_speed[0]) + B**2 * errors.of_speed_squared[0]
        gaps.append((system.value - B * (system.speed - errors.speed_less[0])) / np.sqrt(omega))
    assert (np.abs(np.mean(gaps, axis=0)) < 4 / np.sqrt(60)).all()
    assert (np.std(gaps, axis=0) < 1.5).all()


def test_the_likelihood_of_many_athletes_finds_the_error():
    total = np.zeros(len(ERROR_SD))
    for seed in range(25):
        system = equations(fit(athlete(seed, error_pct=1.5), [SPEED]), SPEED)
        errors = speed_errors(system, ERROR_SD[:, None])
        total += log_likelihood(errors, np.full((len(ERROR_SD), 1), B), B, 0.5, log_determinant(errors, B))[:, 0]
    assert 0.0125 <= ERROR_SD[np.argmax(total)] <= 0.0175


def test_the_mirror_of_cadence_stays_its_mirror():
    """log step length = log speed - log cadence, as measured: drift and response mirror each other exactly."""
    cadence = athlete(4, error_pct=1.0, response=0.11, drift_pct=-2.0, metric_sd_pct=0.7)
    columns = cadence.columns.copy()
    columns[:, 0] = columns[:, SPEED] - columns[:, 0]
    step = Design(columns, cadence.run, cadence.run_ids, cadence.gap_km, cadence.weight)
    of_cadence = corrected_of(fit(cadence, [SPEED]), wide_prior(0.12, 0.06, 0.01))
    of_step_length = corrected_of(fit(step, [SPEED]), wide_prior(0.88, 0.06, 0.01), loading=1.0)
    assert of_step_length.fit.beta[0] == pytest.approx(-of_cadence.fit.beta[0], abs=1e-10)
    assert of_step_length.fit.beta[1] == pytest.approx(1 - of_cadence.fit.beta[1], abs=1e-10)
    assert (of_step_length.drift_low, of_step_length.drift_high) == pytest.approx(
        (-of_cadence.drift_high, -of_cadence.drift_low), abs=1e-9
    )
    assert of_step_length.reliability == pytest.approx(of_cadence.reliability, abs=1e-10)


def test_where_nothing_scatters_there_is_no_correction():
    exact = fit(athlete(5, metric_sd_pct=0.0, own_drift_sd_pct=0.0), [SPEED])
    assert answers_exactly(exact)
    assert not answers_exactly(fit(athlete(5), [SPEED]))


def test_the_tipping_point_is_where_the_interval_meets_zero():
    """The drift at an assumed reliability k, where the response is b_level / k, less half of the interval: zero."""
    fitted = fit(athlete(6, error_pct=1.0, fade_pct=-8.0, drift_pct=6.0), [SPEED])
    corrected = corrected_of(fitted, wide_prior(B, 0.25, 0.01))
    assert corrected.drift_low > 0
    system = equations(fitted, SPEED)
    response = system.value[0] / system.speed[0]
    covariance = corrected.fit.covariance
    passed_on = -covariance[0, 1] / covariance[1, 1]
    without = corrected.fit.beta[0] + passed_on * corrected.fit.beta[1]
    if corrected.tipping_reliability is None:
        at_full = without - passed_on * response - (corrected.fit.beta[0] - corrected.drift_low)
        assert at_full > 0
    else:
        at_tipping = without - passed_on * response / corrected.tipping_reliability
        assert at_tipping == pytest.approx(corrected.fit.beta[0] - corrected.drift_low, abs=1e-9)


@pytest.mark.parametrize(("error_pct", "fade_pct"), [(0.0, -8.0), (1.0, -8.0), (2.0, -8.0), (1.0, -2.0)])
def test_intervals_of_single_athletes_hold_the_truth_where_uncorrected_ones_do_not(error_pct: float, fade_pct: float):
    """40 athletes who only slow down: 34 intervals or more hold zero; uncorrected, fewer than 20 at 1 % and -8 %."""
    prior, held, held_plain = wide_prior(B, 0.25, 0.01), 0, 0
    for seed in range(40):
        response = B + 0.15 * np.random.default_rng(seed + 1000).standard_normal()
        design = athlete(
            seed, error_pct=error_pct, error_rho=0.15, fade_pct=fade_pct, response=response, pace_sd_pct=1.5
        )
        fitted = fit(design, [SPEED])
        corrected, plain = corrected_of(fitted, prior), uncorrected(fitted)
        held += corrected.drift_low <= 0 <= corrected.drift_high
        held_plain += plain.drift_low <= 0 <= plain.drift_high
    assert held >= 34
    if error_pct >= 1 and fade_pct == -8:
        assert held_plain < 20


@pytest.mark.parametrize(("fade_sd_pct", "pace_rho", "lasts"), [(0.0, 0.0, True), (1.5, 0.5, False)])
def test_what_the_unknown_size_of_the_error_adds_stays_where_every_run_fades_alike(
    fade_sd_pct: float, pace_rho: float, lasts: bool
):
    """16 times the runs: the rest falls below a third, the whole only where fades differ and pace wanders slowly."""

    def of(n_runs: int) -> Corrected:
        design = athlete(
            5, error_pct=1.0, fade_pct=-8.0, fade_sd_pct=fade_sd_pct, pace_sd_pct=1.0, pace_rho=pace_rho, n_runs=n_runs
        )
        return corrected_of(fit(design, [SPEED]), wide_prior(B, 0.25, 0.01))

    few, many = of(12), of(192)
    assert 0 < few.lasting_variance < few.drift_variance
    assert many.drift_variance - many.lasting_variance < (few.drift_variance - few.lasting_variance) / 3
    assert (many.lasting_variance > few.lasting_variance) == lasts
    assert (many.drift_variance > few.drift_variance / 3) == lasts


def test_what_the_runs_say_does_not_depend_on_the_prior_they_are_read_with():
    """The prior is taken out again: of a well measured athlete the own response hardly moves with it."""
    fitted = fit(athlete(7, n_runs=30, pace_sd_pct=3.0), [SPEED])
    first, second = (
        corrected_of(fitted, wide_prior(mean, sd, 0.01)).own_response for mean, sd in ((-0.6, 0.25), (-0.4, 0.3))
    )
    assert first is not None
    assert second is not None
    assert first.mean[0] == pytest.approx(second.mean[0], abs=0.2 * np.sqrt(first.variance[0]))


@pytest.mark.parametrize(("response", "is_far"), [(-1.6, True), (-0.7, False)])
def test_an_athlete_whose_response_is_far_from_the_clubs_keeps_it_and_is_known(response: float, is_far: bool):
    club = replace(wide_prior(B, 0.1, 0.005), is_of_club=True)
    corrected = corrected_of(fit(athlete(7, response=response, pace_sd_pct=3.0), [SPEED]), club)
    assert (corrected.club_response is not None) == is_far
    if is_far:
        assert corrected.club_response == pytest.approx(B)
        assert corrected.fit.beta[1] < -1.1  # nearer to the own runs than to the club


# --- Runs with speed from several sources ----------------------------------------------------------------------------


def of_two_sources(seed: int, errors_pct: tuple[float, float]) -> Design:
    """Runs of one athlete; every other one has speed from the second source."""
    first, second = (athlete(seed, error_pct=error_pct) for error_pct in errors_pct)
    is_second = second.run % 2 == 1
    columns = np.where(is_second[:, None], second.columns, first.columns)
    sources = [("device", "positions")[place % 2] for place in range(12)]
    return Design(columns, first.run, first.run_ids, first.gap_km, first.weight, sources)


def test_sources_that_are_equally_wrong_add_up_to_one():
    joint, separate = (equations(fit(of_two_sources(1, (1.0, 1.0)), [SPEED]), SPEED, 0.0, groups)
                for groups in (None, np.arange(12) % 2))  # fmt: skip
    assert joint is not None
    assert separate is not None
    assert len(separate.traces) == 2
    together, apart = speed_errors(joint, np.array([[0.01]])), speed_errors(separate, np.array([[0.01, 0.01]]))
    for name in ("speed_less", "of_speed", "of_speed_squared", "trace_rest", "blur", "mean_square", "reliability"):
        assert getattr(apart, name) == pytest.approx(getattr(together, name), rel=1e-9), name


def test_the_equations_hold_where_one_source_is_exact_and_the_other_is_off_by_two_percent():
    gaps = []
    for seed in range(60):
        system = equations(fit(of_two_sources(seed, (0.0, 2.0)), [SPEED]), SPEED, 0.0, np.arange(12) % 2)
        errors = speed_errors(system, np.array([[0.0, 0.02]]))
        omega = np.diag(1e-4 * system.of_errors + B**2 * errors.of_speed[0]) + B**2 * errors.of_speed_squared[0]
        gaps.append((system.value - B * (system.speed - errors.speed_less[0])) / np.sqrt(omega))
    assert (np.abs(np.mean(gaps, axis=0)) < 4 / np.sqrt(60)).all()
    assert (np.std(gaps, axis=0) < 1.5).all()


def test_intervals_hold_where_half_of_the_runs_are_off_by_two_percent_and_half_by_half():
    """At least 52 of 60: 90 % less two of its errors."""
    prior = replace(wide_prior(B, 0.25, 0.01), other_sources={"positions": half_normal(0.02)})
    held = 0
    for seed in range(60):
        corrected = corrected_of(fit(of_two_sources(seed, (0.5, 2.0)), [SPEED]), prior)
        held += corrected.drift_low <= 0 <= corrected.drift_high
    assert held >= 52
