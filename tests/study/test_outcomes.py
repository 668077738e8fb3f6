from __future__ import annotations

import polars as pl
import pytest

from pipeline.core.metrics import BUILT_IN
from pipeline.study.outcomes import OUTCOMES, decimals_of, value_of

SPLIT = pl.DataFrame(
    {
        "speed_m_s": 3.0, "heart_rate_bpm": 150.0, "cadence_spm": 170.0, "cadence_sd_spm": 3.4,
        "contact_time_ms": 240.0, "contact_time_sd_ms": 6.0, "contact_balance_pct": 49.0,
    }
)  # fmt: skip


@pytest.mark.parametrize(
    ("outcome", "expected"),
    [
        ("speed_m_s", 3.0),
        ("beats_per_km", 150 * (1000 / 3) / 60),  # a kilometre takes 333 s
        ("cadence_sd_spm", 3.4),
        ("cadence_cv_pct", 2.0),
        ("contact_time_sd_ms", 6.0),
        ("contact_time_cv_pct", 2.5),
        ("contact_side_ratio", 51 / 49),
    ],
)
def test_an_outcome_is_what_its_unit_says(outcome: str, expected: float):
    assert SPLIT.select(value_of(outcome)).item() == pytest.approx(expected)


def test_a_metric_is_its_column_and_every_outcome_is_tested_here():
    assert SPLIT.select(value_of("cadence_spm")).item() == 170.0
    assert len(OUTCOMES) == 7


@pytest.mark.parametrize(
    ("statistic", "metric", "decimals"),
    [
        ("section_level", "duty_factor", 3),
        ("early_level", "contact_time_ms", 1),
        ("change_pct", "duty_factor", 2),
        ("share_late", "", 4),
    ],
)
def test_a_level_is_read_to_the_decimals_of_its_metric(statistic: str, metric: str, decimals: int):
    assert decimals_of(statistic, metric, BUILT_IN) == decimals
