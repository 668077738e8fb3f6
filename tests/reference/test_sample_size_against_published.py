"""Sample sizes against R's printed output and simulation."""

from __future__ import annotations

import math

import numpy as np
import pytest
import scipy.stats

from pipeline.methods.sample_size import fewest_athletes, sample_sizes


def test_half_a_standard_deviation_as_r_has_it():
    """pwr.t.test(d = 0.5, power = 0.8, type = "paired"): n = 33.36713, so 34 pairs (read)."""
    assert fewest_athletes(0.5, 1.0, power=0.8) == math.ceil(33.36713) == 34


def test_simulated_studies_of_that_size_find_the_change_as_often_as_said():
    (row,) = sample_sizes(1.0, between=1.0, within=2.0, runs=(3,), powers=(0.8,))
    draw, n_studies = np.random.default_rng(1), 4000
    true = draw.normal(1.0, 1.0, (n_studies, row.n))
    seen = true + draw.normal(0, 2.0, (n_studies, row.n, 3)).mean(axis=2)
    power = np.mean(scipy.stats.ttest_1samp(seen, 0, axis=1).pvalue <= 0.05)
    # A share of 4000 has a standard error of 0.6 points.
    assert power == pytest.approx(row.power, abs=0.02)
