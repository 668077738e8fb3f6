"""How form answers to speed: the stages and the generators against force plates and published regressions.

Values are from `pipeline/core/published.toml`, unless it says computed.
"""

from __future__ import annotations

import tomllib
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from data.generator.runner import Athlete
from pipeline.core.published import works
from pipeline.core.settings import Settings
from pipeline.stages.drift import drift
from tests.support.even_runs import splits_of_runs
from tests.support.season import ORDINARY
from tests.validity.measure import by_settings
from tests.validity.world import CADENCE, CONTACT_TIME

DEMO = tomllib.loads((Path(__file__).parents[2] / "data" / "generator" / "settings.toml").read_text(encoding="utf-8"))

PLATE, STRIDES, HOOS = (
    works()[name].numbers for name in ("recurrent-grf-data", "van-oeveren-2019", "hoos-half-marathon")
)
#: Contact time on a force plate on the level, one runner: speed m/s, contact ms.
FORCE_PLATE = [(PLATE[name].printed, PLATE[f"{name}_contact"].printed) for name in ("slow", "fast")]
EXPONENT = float(np.log(FORCE_PLATE[1][1] / FORCE_PLATE[0][1]) / np.log(FORCE_PLATE[1][0] / FORCE_PLATE[0][0]))
#: Strides per minute against speed.
STRIDES_AT_REST, STRIDES_PER_M_S = (STRIDES[name].printed for name in ("strides_at_rest", "strides_per_speed"))
#: Steps per minute per m/s over 100 km on the road.
BURNS_SPM_PER_M_S = works()["burns-2019"].numbers["cadence_per_speed"].printed
#: Share of a change of speed that stride frequency makes, mean and SD [%]; step length makes the rest.
FREQUENCY_SHARE_PCT, FREQUENCY_SHARE_SD = HOOS["frequency_share"].printed, HOOS["frequency_share"].sd
HOOS_SPEED_M_S, HOOS_STRIDE_HZ, HOOS_STRIDE_M = (
    HOOS[name].printed for name in ("speed", "stride_frequency", "stride_length")
)


def cadence_spm(speed_m_s):
    return 2 * (STRIDES_AT_REST + STRIDES_PER_M_S * speed_m_s)


def waving_runs(**form) -> pl.DataFrame:
    """Twelve runs of 16 km between 2.5 and 4.17 m/s that wave without fading; sensors scatter by 0.1 %."""
    random = np.random.default_rng(5)
    runs = []
    for number in range(12):
        phase = 2 * np.pi * (np.arange(16) / 4 + number / 12)
        speed = np.exp(np.log(3.23) + 0.25 * np.sin(phase))
        scatter = np.exp(0.001 * random.standard_normal((len(form), 16)))
        columns = {name: f(speed) * noise for (name, f), noise in zip(form.items(), scatter, strict=True)}
        runs.append({"speed_m_s": speed, **columns})
    return splits_of_runs(runs)


def responses_to_speed(splits: pl.DataFrame) -> dict[str, float]:
    athletes = drift(splits, **by_settings(drift, Settings()))[1]
    return dict(athletes.select("metric", "response_to_speed").iter_rows())


def test_the_exponent_of_contact_time_on_a_force_plate():
    assert pytest.approx(-0.557, abs=5e-4) == EXPONENT
    speed, contact = FORCE_PLATE[0]
    responses = responses_to_speed(waving_runs(contact_time_ms=lambda v: contact * (v / speed) ** EXPONENT))
    # The stage expects speed to be measured with error, which these runs cannot rule out altogether: 0.015 more.
    assert responses["contact_time_ms"] == pytest.approx(EXPONENT, abs=0.02)


@pytest.mark.parametrize(
    "exponent",
    [
        CONTACT_TIME.exponent,
        ORDINARY.contact.per_speed,
        Athlete().contact_exponent,
        *(athlete["form"].get("contact_exponent", Athlete().contact_exponent) for athlete in DEMO["athletes"].values()),
    ],
)
def test_generators_answer_to_speed_as_the_force_plate_did_within_what_runners_differ(exponent: float):
    """One runner is no population, so the bound is wide: common practice, no source."""
    assert exponent == pytest.approx(EXPONENT, abs=0.15)


@pytest.mark.parametrize(
    ("speed_m_s", "spm", "step_m"),
    [(2.0, 162.04, 0.7405), (3.0, 168.06, 1.0711), (4.0, 174.07, 1.3788), (4.5, 177.07, 1.5248)],  # computed
)
def test_cadence_and_step_length_on_the_published_line(speed_m_s: float, spm: float, step_m: float):
    assert cadence_spm(speed_m_s) == pytest.approx(spm, abs=0.006)
    rows = splits_of_runs([{"speed_m_s": np.array([speed_m_s]), "cadence_spm": np.array([cadence_spm(speed_m_s)])}])
    assert rows["step_length_m"].item() == pytest.approx(step_m, abs=6e-5)


def test_generators_raise_cadence_with_speed_as_two_field_studies_found():
    demo = [athlete["form"].get("cadence_per_m_s", Athlete().cadence_per_m_s) for athlete in DEMO["athletes"].values()]
    for per_m_s in (CADENCE.per_m_s, ORDINARY.cadence.per_m_s, *demo):
        assert BURNS_SPM_PER_M_S <= per_m_s <= 2 * STRIDES_PER_M_S + 0.005


def test_the_share_of_frequency_in_speed_is_what_a_half_marathon_showed():
    # The means themselves: 1.41 Hz × 2.58 m is the printed speed to its last digits.
    assert abs(HOOS_STRIDE_HZ * HOOS_STRIDE_M - HOOS_SPEED_M_S) < 0.02
    low, high = (FREQUENCY_SHARE_PCT + sign * FREQUENCY_SHARE_SD for sign in (-1, 1))
    for metric in (ORDINARY.cadence, CADENCE):
        # d log cadence / d log v; both lines are laid through a level near 3 m/s.
        level = metric.level + metric.per_m_s * (HOOS_SPEED_M_S - 3.0)
        assert low <= 100 * metric.per_m_s * HOOS_SPEED_M_S / level <= high
    responses = responses_to_speed(waving_runs(cadence_spm=cadence_spm))
    assert low <= 100 * responses["cadence_spm"] <= high
    assert low <= 100 * (1 - responses["step_length_m"]) <= high


def test_what_cadence_does_not_answer_to_speed_step_length_does():
    """Speed is cadence times step length: in logarithms the two responses add up to one, and the drifts to zero."""
    splits = waving_runs(cadence_spm=cadence_spm)
    responses = responses_to_speed(splits)
    assert responses["cadence_spm"] + responses["step_length_m"] == pytest.approx(1.0, abs=1e-3)
    drifts = drift(splits, **by_settings(drift, Settings()))[1]
    logs = dict(drifts.select("metric", (1 + pl.col("drift_pct_per_10km") / 100).log()).iter_rows())
    assert logs["cadence_spm"] + logs["step_length_m"] == pytest.approx(0.0, abs=1e-5)


def test_cadence_that_only_follows_speed_does_not_drift_when_the_pace_fades():
    """Burns 2019: cadence did not change with distance once speed was in the model."""
    random = np.random.default_rng(6)
    runs = []
    for _ in range(12):
        km = np.arange(20)
        speed = 3.3 * np.exp(-0.006 * km + 0.03 * random.standard_normal(20))
        runs.append(
            {"speed_m_s": speed, "cadence_spm": cadence_spm(speed) * np.exp(0.001 * random.standard_normal(20))}
        )
    athlete = drift(splits_of_runs(runs), **by_settings(drift, Settings()), metrics=["cadence_spm"])[1]
    assert athlete["raw_pct_per_10km"].item() < -0.4
    assert athlete["drift_pct_per_10km"].item() == pytest.approx(0.0, abs=0.05)
