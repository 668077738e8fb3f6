"""The mixed trend against lme4's published output, R itself where it is there, statsmodels, and simulated truth."""

from __future__ import annotations

import shutil
import subprocess
import warnings

import numpy as np
import pytest
from statsmodels.regression.linear_model import GLS
from statsmodels.regression.mixed_linear_model import MixedLM

from pipeline.methods.mixed_trend import mixed_trend
from tests.support.sleep_deprivation import REACTION_MS

REACTION = np.array([value for values in REACTION_MS.values() for value in values])
DAYS = np.tile(np.arange(10.0), len(REACTION_MS))
SUBJECT = np.repeat(list(REACTION_MS), 10)


def test_the_output_of_lme4_on_sleep_deprivation_is_reproduced():
    """lmer(Reaction ~ Days + (Days | Subject)), REML: read in the output of several public documents, last digits.

    Standard deviations 24.741 and 5.922, correlation 0.07, residual 25.592; fixed 251.405 and 10.467 (1.546). With
    Satterthwaite's method (lmerTest) 17 degrees of freedom and p = 3.26e-06.
    """
    trend = mixed_trend(REACTION, DAYS, SUBJECT)
    assert (round(trend.intercept, 3), round(trend.slope, 3), round(trend.se, 3)) == (251.405, 10.467, 1.546)
    assert trend.sd_intercept == pytest.approx(24.741, abs=0.0015)
    assert trend.sd_slope == pytest.approx(5.922, abs=0.0006)
    assert (round(trend.correlation or 0, 2), round(trend.sd_residual, 3)) == (0.07, 25.592)
    assert f"{trend.p_value:.2e}" == "3.26e-06"
    assert (trend.n_athletes, trend.n_rows, trend.converged, trend.note) == (18, 180, True, "")
    # Printed with more digits in a public comparison: 6.824597 and 1.545790.
    assert trend.se == pytest.approx(1.545790, abs=5e-5)


@pytest.mark.slow
def test_lme4_itself_gives_the_same():
    if shutil.which("Rscript") is None:
        pytest.skip("Rscript is not on this machine.")
    columns = {"y": REACTION, "d": DAYS, "s": SUBJECT.astype(float)}
    given = "; ".join(f"{name} <- c({', '.join(map(repr, column.tolist()))})" for name, column in columns.items())
    script = (
        f"{given}; if (!requireNamespace('lme4', quietly = TRUE)) quit(status = 3);"
        "m <- lme4::lmer(y ~ d + (d | s)); v <- as.data.frame(lme4::VarCorr(m));"
        "cat(format(c(lme4::fixef(m), sqrt(diag(as.matrix(vcov(m))))[2], v$sdcor), digits = 12))"
    )
    done = subprocess.run(["Rscript", "-e", script], capture_output=True, text=True, check=False, timeout=120)
    if done.returncode == 3:
        pytest.skip("R is on this machine, its package lme4 is not.")
    intercept, slope, se, sd_intercept, sd_slope, correlation, residual = map(float, done.stdout.split())
    trend = mixed_trend(REACTION, DAYS, SUBJECT)
    assert (trend.intercept, trend.slope) == pytest.approx((intercept, slope), rel=1e-6)
    ours = (trend.se, trend.sd_intercept, trend.sd_slope, trend.correlation, trend.sd_residual)
    assert ours == pytest.approx((se, sd_intercept, sd_slope, correlation, residual), rel=1e-3)


def uneven(seed: int, n_athletes: int) -> tuple[np.ndarray, ...]:
    """Athletes with 6 to 30 kilometres: 240 + 0.5 per kilometre; level 8, slope 0.3, error 2."""
    draw = np.random.default_rng(seed)
    n = draw.integers(6, 31, n_athletes)
    who = np.repeat(np.arange(n_athletes), n)
    distance = np.concatenate([np.arange(1.0, km + 1) for km in n])
    level, slope = draw.normal(0, 8, n_athletes), draw.normal(0, 0.3, n_athletes)
    value = 240 + level[who] + (0.5 + slope[who]) * distance + draw.normal(0, 2, len(who))
    return value, distance, who


@pytest.mark.parametrize("seed", [1, 2])
def test_statsmodels_gives_the_same_effects_errors_and_departures(seed: int):
    value, distance, who = uneven(seed, 20)
    trend = mixed_trend(value, distance, who)
    fixed = np.column_stack([np.ones(len(value)), distance])
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        theirs = MixedLM(value, fixed, groups=who, exog_re=fixed).fit(reml=True, method="cg")
    # In these units and without a start by moments its other optimizers stop short of the maximum, which `cg` reaches.
    assert theirs.converged
    # Two searches for the same maximum: three digits of variances, more of what rests on them.
    assert [trend.intercept, trend.slope] == pytest.approx(theirs.fe_params.tolist(), rel=1e-3)
    # Its errors are those of effects and variances together, from the curvature of the likelihood; lme4's and ours take
    # the variances as found, by generalised least squares: a few percent with twenty athletes.
    assert trend.se == pytest.approx(theirs.bse_fe[1], rel=0.05)
    covariance = np.where(who[:, None] == who, fixed @ theirs.cov_re @ fixed.T, 0) + theirs.scale * np.eye(len(who))
    by_gls = GLS(value, fixed, sigma=covariance).fit()
    assert trend.se == pytest.approx(np.sqrt(by_gls.normalized_cov_params[1, 1]), rel=2e-3)
    assert (trend.sd_intercept, trend.sd_slope) == pytest.approx(tuple(np.sqrt(np.diag(theirs.cov_re))), rel=2e-3)
    assert trend.sd_residual == pytest.approx(np.sqrt(theirs.scale), rel=1e-3)
    assert trend.fitted == pytest.approx(theirs.fittedvalues, abs=0.02)
    for name, departures in trend.random_effects.items():
        assert departures == pytest.approx(tuple(theirs.random_effects[int(name)]), abs=0.02)


def test_a_known_truth_is_found_among_many_athletes():
    value, distance, who = uneven(5, 300)
    trend = mixed_trend(value, distance, who)
    # Three standard errors of each: of a slope 0.019, of the others as spread over 300 athletes and some 5,000 rows.
    assert trend.low < 0.5 < trend.high
    assert trend.slope == pytest.approx(0.5, abs=0.06)
    assert (trend.sd_intercept, trend.sd_slope) == (pytest.approx(8, abs=1), pytest.approx(0.3, abs=0.04))
    assert trend.sd_residual == pytest.approx(2, abs=0.07)
    assert trend.correlation == pytest.approx(0, abs=0.2)


@pytest.mark.slow
@pytest.mark.parametrize("sd_slope", [0.0, 0.4])
def test_intervals_hold_the_truth_with_eight_uneven_athletes(sd_slope: float):
    held = 0
    for seed in range(60):
        draw = np.random.default_rng(seed)
        n = draw.integers(5, 16, 8)
        who, distance = np.repeat(np.arange(8), n), np.concatenate([np.arange(1.0, km + 1) for km in n])
        level, slope = draw.normal(0, 8, 8), 0.5 + draw.normal(0, sd_slope, 8)
        trend = mixed_trend(level[who] + slope[who] * distance + draw.normal(0, 1, len(who)), distance, who)
        held += trend.low <= 0.5 <= trend.high
    # Of 60 intervals of 95 % fewer than 53 hold the truth in one of a hundred times.
    assert held >= 53
