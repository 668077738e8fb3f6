"""Slope measured with error: the interval of those who climb late widens, that of others little."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.methods.measurement_error import Corrected, uncorrected
from pipeline.methods.mixed_model import Design, fit
from pipeline.methods.slope_error import with_slope_error

SLOPE = 2
RESPONSE = 0.01


def athlete(seed: int, *, late_climb_pct: float, error_pct: float, n_runs: int = 12) -> Design:
    """Runs without drift of 8 to 24 km that climb ever more: log metric, distance and measured slope."""
    random = np.random.default_rng(seed)
    rows, run, gaps = [], [], []
    for place in range(n_runs):
        n = int(random.integers(8, 25))
        distance = (np.arange(n) + 0.5) / 10
        slope = 0.8 * random.standard_normal(n) + late_climb_pct * 10 * distance / n
        value = RESPONSE * slope + 0.01 * random.standard_normal(n) + 0.005 * random.standard_normal() * distance
        rows.append(np.column_stack([value, distance, slope + error_pct * random.standard_normal(n)]))
        run += [place] * n
        gaps += [np.nan] + [1.0] * (n - 1)
    names = [str(place) for place in range(n_runs)]
    return Design(np.concatenate(rows), np.array(run), names, np.array(gaps), np.ones(len(run)))


def wider(corrected: Corrected, error_pct: float = 1.0) -> Corrected:
    (wide,) = with_slope_error([corrected], SLOPE, [error_pct])
    return wide


def test_late_climbs_with_a_noisy_altitude_are_not_called_drift():
    held = held_plain = 0
    for seed in range(40):
        plain = uncorrected(fit(athlete(seed, late_climb_pct=3.0, error_pct=1.0), [SLOPE]))
        wide = wider(plain)
        held_plain += plain.drift_low <= 0 <= plain.drift_high
        held += wide.drift_low <= 0 <= wide.drift_high
        np.testing.assert_array_equal(wide.fit.beta, plain.fit.beta)
    assert held_plain <= 20
    assert held >= 35


def test_where_climbs_come_anywhere_the_interval_widens_little():
    ratios: dict[float, list[float]] = {0.0: [], 3.0: []}
    for late_climb_pct, widened in ratios.items():
        for seed in range(20):
            plain = uncorrected(fit(athlete(seed, late_climb_pct=late_climb_pct, error_pct=0.2), [SLOPE]))
            wide = wider(plain)
            widened.append((wide.drift_high - wide.drift_low) / (plain.drift_high - plain.drift_low))
    assert min(ratios[0.0]) >= 1
    assert np.median(ratios[0.0]) < 1.15
    assert np.median(ratios[3.0]) > 1.5


def test_the_interval_and_the_covariance_agree():
    """Uncorrected for speed, the interval is the estimate +- t x standard error, before and after."""
    plain = uncorrected(fit(athlete(1, late_climb_pct=3.0, error_pct=1.0), [SLOPE]))
    wide = wider(plain)
    again = uncorrected(wide.fit)
    assert (wide.drift_low, wide.drift_high) == pytest.approx((again.drift_low, again.drift_high))
    assert wide.p_value == pytest.approx(again.p_value)


def test_without_slope_in_the_model_or_without_error_nothing_changes():
    design = athlete(1, late_climb_pct=3.0, error_pct=1.0)
    without, exact = uncorrected(fit(design, [])), uncorrected(fit(design, [SLOPE]))
    assert wider(without) is without
    assert wider(exact, 0.0) is exact
