"""Arithmetic of steps against published tables: duty factor, cadence, step length."""

from __future__ import annotations

import polars as pl
import pytest

from pipeline.core.metrics import READING_OF
from pipeline.core.settings import Settings
from tests.support.splits import split_means


def kilometre(speed_m_s: float, cadence_spm: float, contact_time_ms: float) -> dict[str, float]:
    """One kilometre of even running through the stage `splits`."""
    samples = pl.DataFrame(
        {
            "run_id": ["r"] * 10,
            "elapsed_s": [100 / speed_m_s * (i + 1) for i in range(10)],
            "interval_s": [100 / speed_m_s] * 10,
            "covered_m": [100.0] * 10,
            "distance_m": [100.0 * (i + 1) for i in range(10)],
            "speed_m_s": [speed_m_s] * 10,
            "gait": ["run"] * 10,
            "cadence_spm": [cadence_spm] * 10,
            "contact_time_ms": [contact_time_ms] * 10,
            "slope_pct": [0.0] * 10,
        }
    ).with_columns(
        pl.lit(None, dtype=pl.Float64).alias(name)
        for name in {*READING_OF, "altitude_m"} - {"cadence_spm", "contact_time_ms"}
    )
    [row] = split_means(samples, split_length_m=Settings().split_length_m).to_dicts()
    return row


@pytest.mark.parametrize(
    ("contact_time_ms", "stride_hz", "printed_pct"),
    # Young and older runners; J Exp Biol, table 4 (read): contact, stride frequency and duty factor printed apart.
    [(271.0, 1.31, 35.5), (276.0, 1.41, 38.9)],
)
def test_contact_times_stride_frequency_is_the_printed_duty_factor(
    contact_time_ms: float, stride_hz: float, printed_pct: float
):
    row = kilometre(2.7, 120 * stride_hz, contact_time_ms)
    assert 100 * row["duty_factor"] == pytest.approx(printed_pct, abs=0.05)


@pytest.mark.parametrize(
    ("speed_m_s", "stride_hz", "stride_m"),
    [(3.65, 1.41, 2.58)],  # Hoos et al., half marathon, Int J Sports Physiol Perform (read)
)
def test_two_steps_are_the_printed_stride(speed_m_s: float, stride_hz: float, stride_m: float):
    row = kilometre(speed_m_s, 120 * stride_hz, 250.0)
    assert 2 * row["step_length_m"] == pytest.approx(stride_m, abs=0.02)


@pytest.mark.parametrize(
    ("contact_s", "steps_per_s", "flight_s"),
    # Threshold and peak speed, n 48: Gomez-Molina et al. 2017, J Sports Sci Med 16:187-194 (contact and step rate
    # read; flight computed).
    [(0.230, 2.96, 0.1078), (0.207, 3.17, 0.1085)],
)
def test_flight_is_what_contact_leaves_of_a_step(contact_s: float, steps_per_s: float, flight_s: float):
    row = kilometre(4.5, 60 * steps_per_s, 1000 * contact_s)
    assert row["flight_time_ms"] / 1000 == pytest.approx(flight_s, abs=5e-5)
