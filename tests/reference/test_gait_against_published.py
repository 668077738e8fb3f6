"""Where walking becomes running, against published crossings of cadence and speed."""

from __future__ import annotations

import polars as pl
import pytest

from pipeline.formats import Recording, readings_frame
from pipeline.stages.samples import samples


def gait(cadence_spm: float | None, speed_m_s: float) -> str:
    """What a minute at one cadence and speed is taken for."""
    seconds = pl.Series(range(60), dtype=pl.Float64)
    columns = {"time_s": seconds, "distance_m": seconds * speed_m_s, "speed_m_s": seconds * 0 + speed_m_s}
    if cadence_spm is not None:
        columns["cadence_spm"] = seconds * 0 + cadence_spm
    recording = Recording(readings=readings_frame(columns))
    run = samples(recording, gap_s=10, slope_window_m=100, slope_window_rough_m=400, rough_altitude_m=0.6).samples
    [(gait,)] = run["gait"].tail(50).unique().to_frame().rows()
    return str(gait)


@pytest.mark.parametrize(
    ("cadence_spm", "speed_m_s", "expected"),
    [
        # Hum Mov Sci 2023, 90:103117: 140 steps/min tells 91.1 % of strides, the recommended band is 135 to 140.
        (134.9, 1.9, "walk"),
        (140.0, 1.9, "run"),
        # The same: own cut-off of speed 2.0 m/s, which decides inside the band.
        (137.5, 1.99, "walk"),
        (137.5, 2.0, "run"),
        # Hansen 2017, Gait Posture 60: transition at 7.7 km/h and 69.7 and 70.5 strides/min, in steps twice that.
        (2 * 69.7, 7.7 / 3.6, "run"),
        (2 * 70.5, 7.7 / 3.6, "run"),
        # Tudor-Locke 2019, IJBNPA 16:8: 100 and 130 steps/min are walking of 3 and 6 times the resting effort.
        (100.0, 1.3, "walk"),
        (130.0, 1.9, "walk"),
        # van Oeveren 2019, J Sports Sci 37:1996: 75.01 + 3.006 v strides/min from 1.64 m/s on is running.
        (2 * (75.01 + 3.006 * 1.64), 1.64, "run"),
    ],
)
def test_cadence_tells_first_and_speed_in_support(cadence_spm: float, speed_m_s: float, expected: str):
    assert gait(cadence_spm, speed_m_s) == expected


@pytest.mark.parametrize(
    ("leg_length_m", "published_m_s"), [(0.80, 1.981), (0.85, 2.042), (0.90, 2.101), (1.00, 2.215)]
)
def test_speed_alone_crosses_near_a_froude_number_of_a_half(leg_length_m: float, published_m_s: float):
    """Kram, Domingo and Ferris 1997, JEB 200:821: v² = 0.5 g L. The cut-off of 2.0 m/s lies within a tenth of it."""
    assert (0.5 * 9.81 * leg_length_m) ** 0.5 == pytest.approx(published_m_s, abs=5e-4)
    assert gait(None, 1.1 * published_m_s) == "run"
    assert gait(None, 0.9 * published_m_s) == "walk"
