"""Adjusted p-values against the example of Benjamini and Hochberg 1995, statsmodels and SciPy."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import false_discovery_control
from statsmodels.stats.multitest import multipletests

from pipeline.methods.corrections import benjamini_hochberg, holm
from tests.reference.test_benjamini_hochberg import ADJUSTED, PUBLISHED


def test_the_published_example_by_benjamini_and_hochberg():
    found = benjamini_hochberg(PUBLISHED)
    assert found.tolist() == pytest.approx(ADJUSTED, abs=1e-9)
    # Section 3.2: four are rejected at 0.05; Bonferroni's procedure rejects three, and so does Holm's (computed).
    assert sum(found <= 0.05) == 4
    assert sum(holm(PUBLISHED) <= 0.05) == 3


@pytest.mark.parametrize("seed", range(5))
def test_statsmodels_and_scipy_give_the_same_with_ties(seed: int):
    given = np.round(np.random.default_rng(seed).beta(0.4, 1.0, 60), 2)
    assert benjamini_hochberg(given) == pytest.approx(false_discovery_control(given), rel=1e-12)
    assert benjamini_hochberg(given) == pytest.approx(multipletests(given, method="fdr_bh")[1], rel=1e-12)
    assert holm(given) == pytest.approx(multipletests(given, method="holm")[1], rel=1e-12)
