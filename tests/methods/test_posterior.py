from __future__ import annotations

import numpy as np
import pytest
from scipy import integrate, stats

from pipeline.methods.posterior import posterior

#: Effects of coaching in eight schools and their standard errors (Rubin 1981; data as in posteriordb).
EFFECT = np.array([28.0, 8, -3, 7, -1, 1, 18, 12])
ERROR = np.array([15.0, 10, 16, 11, 9, 11, 10, 18])
ONE = np.ones(1)
DRAWN = np.random.default_rng(2).normal(1.0, 2.0, 12)


def test_the_eight_schools_have_the_published_posterior():
    """mu ~ normal(0, 5), tau ~ half-Cauchy(5): means 4.41 and 3.51 of the draws of posteriordb, read in the tests of a
    sampler; draws have an error of about 0.05.
    """
    found = posterior(EFFECT, np.ones((8, 1)), prior_sd=5.0, scale=5.0, score_se=ERROR)
    assert found.contrast(ONE).mean == pytest.approx(4.41, abs=0.1)
    assert found.weight @ found.sigma == pytest.approx(3.51, abs=0.1)


def test_without_a_prior_to_speak_of_it_is_the_t_interval():
    """With a flat prior of the mean and 1 / sigma the posterior is Student's t; half-Cauchy of great width is nearly
    flat in sigma, which has one degree of freedom less.
    """
    found = posterior(DRAWN, np.ones((12, 1)), prior_sd=1e4, scale=200.0).contrast(ONE)
    scale = DRAWN.std(ddof=1) * np.sqrt(11 / 10 / 12)
    low, high = stats.t(10, DRAWN.mean(), scale).interval(0.95)
    assert (found.low, found.median, found.high) == pytest.approx((low, DRAWN.mean(), high), abs=0.02)


def test_one_number_is_what_integration_over_the_priors_gives():
    found = posterior(DRAWN[:4], np.ones((4, 1)), prior_sd=1.5, scale=0.8, shared=np.full(4, 0.3)).contrast(ONE)

    b, sigma = np.linspace(-6, 8, 141), np.geomspace(0.05, 60, 120)
    apart = DRAWN[:4] - b[:, None]

    def density(s: float) -> np.ndarray:
        likelihood = stats.multivariate_normal(np.zeros(4), s**2 * np.eye(4) + 0.09).pdf(apart)
        return likelihood * stats.norm.pdf(b, 0, 1.5) / (1 + (s / 0.8) ** 2)

    table = np.column_stack([density(s) for s in sigma])
    marginal = integrate.trapezoid(table, sigma, axis=1)
    mean = integrate.trapezoid(b * marginal, b) / integrate.trapezoid(marginal, b)
    above = integrate.trapezoid(np.heaviside(b, 0.5) * marginal, b) / integrate.trapezoid(marginal, b)
    assert found.mean == pytest.approx(mean, rel=0.01)
    assert found.above_zero == pytest.approx(above, abs=0.01)


def test_a_narrow_prior_draws_the_mean_towards_zero_and_no_data_leave_it():
    wide, narrow = (posterior(DRAWN, np.ones((12, 1)), prior_sd=sd, scale=2.0).contrast(ONE).mean for sd in (10.0, 0.2))
    assert abs(narrow) < abs(wide) / 3
    unknown = posterior([5.0], np.ones((1, 1)), prior_sd=1.0, scale=1.0, score_se=[1e6]).contrast(ONE)
    assert (unknown.low, unknown.high) == pytest.approx((-1.96, 1.96), abs=0.01)


def test_a_prior_needs_a_width():
    with pytest.raises(ValueError, match="width"):
        posterior(DRAWN, np.ones((12, 1)), prior_sd=0.0, scale=1.0)
