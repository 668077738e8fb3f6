"""Corrected p-values of primary statistics: the example of Benjamini and Hochberg 1995, and by hand."""

from __future__ import annotations

import pytest

from pipeline.study.results import Statistic, results
from tests.reference.test_benjamini_hochberg import ADJUSTED, PUBLISHED


def corrected(p_values: list[float], correction: str) -> list[float]:
    rows = [
        Statistic("a", "trend", "cadence_spm", f"statistic_{n}", 1.0, p_value=p_value, is_primary=True)
        for n, p_value in enumerate(p_values)
    ]
    return results(rows, correction)["p_corrected"].to_list()


def test_the_published_example_by_benjamini_and_hochberg():
    adjusted = corrected(list(PUBLISHED), "benjamini_hochberg")
    assert adjusted == pytest.approx(ADJUSTED, abs=5e-7)
    # Section 3.2: four are rejected at 0.05; Bonferroni's procedure rejects three, and so does Holm's (computed).
    assert sum(p_value <= 0.05 for p_value in adjusted) == 4
    assert sum(p_value <= 0.05 for p_value in corrected(list(PUBLISHED), "holm")) == 3


@pytest.mark.parametrize(
    ("correction", "expected"),
    [
        # 0.01 × 3, 0.03 × 2, then 0.04 × 1, which may not fall below 0.06.
        ("holm", [0.06, 0.03, 0.06]),
        # 0.04 × 3/3, 0.03 × 3/2 = 0.045, which may not exceed 0.04, 0.01 × 3/1.
        ("benjamini_hochberg", [0.04, 0.03, 0.04]),
        ("none", [0.04, 0.01, 0.03]),
    ],
)
def test_corrections_by_hand_keep_the_order_of_rows(correction: str, expected: list[float]):
    assert corrected([0.04, 0.01, 0.03], correction) == pytest.approx(expected)
