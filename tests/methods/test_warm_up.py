"""A warm-up whose length is not known: the drift over two lengths."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from pipeline.methods.least_squares import Prior
from pipeline.methods.measurement_error import uncorrected
from pipeline.methods.mixed_model import Design, Fit, settled
from pipeline.methods.warm_up import SLOW_WARM_UP_KM, WARM_UP_KM, settling_slowly

WARM_UP = 2
PRIOR = Prior(np.array([0.0]), np.array([0.03**2]))


def warmed(lasts_km: float, *, seed: int = 1, n_km: int = 20, size: float = 0.04, column_km: float = WARM_UP_KM) -> Fit:
    """Ten runs without drift whose form settles over so many kilometres, fitted with a warm-up of `column_km`."""
    draws = np.random.default_rng(seed)
    run, km = np.repeat(np.arange(10), n_km - 1), np.tile(np.arange(1, n_km) + 0.5, 10)
    value = size * np.exp(-km / lasts_km) + draws.normal(0, 0.01, 10)[run] + draws.normal(0, 0.008, len(run))
    gap_km = np.where(km == 1.5, np.nan, 1.0)
    columns = np.column_stack([value, km / 10, np.exp(-km / column_km)])
    design = Design(columns, run, [f"r{number}" for number in range(10)], gap_km, np.ones(len(run)))
    return settled(design, (WARM_UP,), PRIOR, nuisances=(WARM_UP,)).fitted()


def test_the_products_of_a_slow_warm_up_are_those_of_a_design_that_has_it():
    fitted, slow = warmed(4.0), warmed(4.0, column_km=SLOW_WARM_UP_KM)
    same = replace(fitted, design=replace(fitted.design, columns=slow.design.columns))
    found = settling_slowly(fitted, WARM_UP)
    expected = settling_slowly(same, WARM_UP)
    assert found is not None
    assert expected is not None
    np.testing.assert_allclose(found.products, expected.products, atol=1e-12)
    # What is not of the warm-up stays as it was.
    np.testing.assert_array_equal(found.products[:, :2, :2], fitted.products[:, :2, :2])
    assert not np.allclose(found.products[:, 2, 2], fitted.products[:, 2, 2])


def test_without_a_warm_up_or_without_scatter_there_is_one_length():
    fitted = warmed(2.0)
    assert settling_slowly(replace(fitted, places=(1,)), WARM_UP) is None
    exact = replace(fitted, variance=np.float64(0.0))
    assert uncorrected(exact, settling_slowly(exact, WARM_UP)).drift == exact.beta[0]
    assert uncorrected(fitted, settling_slowly(fitted, WARM_UP)).drift != fitted.beta[0]


def held(lasts_km: float, *, is_averaged: bool) -> tuple[int, float]:
    """How many of 60 intervals hold no drift, and their median width [% per 10 km]."""
    found = []
    for seed in range(60):
        fitted = warmed(lasts_km, seed=seed)
        found.append(uncorrected(fitted, settling_slowly(fitted, WARM_UP) if is_averaged else None))
    ends = np.array([(one.drift_low, one.drift_high) for one in found])
    return int(((ends[:, 0] <= 0) & (ends[:, 1] >= 0)).sum()), float(100 * np.median(ends[:, 1] - ends[:, 0]))


def test_over_both_lengths_form_that_settles_slowly_is_no_drift():
    assert held(4.0, is_averaged=False)[0] <= 20
    assert held(4.0, is_averaged=True)[0] >= 54


def test_where_the_usual_length_is_right_the_interval_pays_for_not_knowing_that():
    (n_alone, alone), (n_averaged, averaged) = held(2.0, is_averaged=False), held(2.0, is_averaged=True)
    assert min(n_alone, n_averaged) >= 54
    assert 1.1 * alone <= averaged <= 1.6 * alone


def test_the_drift_is_the_mean_of_both_lines_by_their_evidence():
    """By hand: the evidence of a normal model is ½ b'β/σ² − ½ log |X'V⁻¹X + K|, β the mean of the posterior."""
    fitted = warmed(3.0)
    slow = settling_slowly(fitted, WARM_UP)
    assert slow is not None
    drifts, evidence = [], []
    for one in (fitted, slow):
        shrink = fitted.variance_ratio / (1 + fitted.variance_ratio * one.products[:, 1, 1])
        along = one.products[:, :, 1]
        whole = (one.products - shrink[:, None, None] * along[:, :, None] * along[:, None, :]).sum(axis=0)
        total = whole[1:, 1:] + np.diag([0.0, fitted.variance / 0.03**2])
        beta = np.linalg.solve(total, whole[1:, 0])
        drifts.append(beta[0])
        evidence.append(0.5 * whole[1:, 0] @ beta / fitted.variance - 0.5 * np.log(np.linalg.det(total)))
    share = 1 / (1 + np.exp(evidence[1] - evidence[0]))
    found = uncorrected(fitted, slow)
    assert found.drift == pytest.approx(share * drifts[0] + (1 - share) * drifts[1], abs=1e-12)
