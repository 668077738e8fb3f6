"""What hours of running do to pace and heart rate: stages, defaults and generators against published changes.

Values are from `pipeline/core/published.toml`.
"""

from __future__ import annotations

import tomllib
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from pipeline.core.published import works
from pipeline.core.settings import Settings
from pipeline.stages.drift import drift
from pipeline.stages.pacing import pacing
from tests.support.even_runs import splits_of_runs
from tests.validity.measure import by_settings
from tests.validity.scenarios import FADES_PCT, SCENARIOS
from tests.validity.world import REFERENCE_M_S

NUMBERS = {name: works()[name].numbers for name in ("nuuttila-2025", "deaner-2015", "zanini-2025", "smyth-2022")}
#: Heart rate over 90 easy minutes: mean and SD, women and men [%].
HEART_RATE_90_MIN_PCT = [(number.printed, number.sd) for number in NUMBERS["nuuttila-2025"].values()]
#: Second half of a marathon slower than the first, men and women [%].
SLOWING_PCT = [number.printed for number in NUMBERS["deaner-2015"].values()]
#: Oxygen cost at a fixed speed: minutes → change [%]; "nearly linear".
ECONOMY_PCT = {minutes: NUMBERS["zanini-2025"][f"after_{minutes}_min"].printed for minutes in (90, 120)}
#: Heart rate over pace in marathons: ratio late to early, and where it begins to rise [km].
DECOUPLING, DECOUPLING_KM = (NUMBERS["smyth-2022"][name].printed for name in ("ratio", "begins"))
MARATHON_KM = 42.195

DEMO = tomllib.loads((Path(__file__).parents[2] / "data" / "generator" / "settings.toml").read_text(encoding="utf-8"))


def per_10km(change_pct: float, minutes: float, speed_m_s: float) -> float:
    """A change over some minutes at a speed, as percent per 10 km."""
    return float(100 * np.expm1(np.log1p(change_pct / 100) * 10_000 / (60 * minutes * speed_m_s)))


def heart_rate_runs(log_change, *, n_runs: int, n_km: int, scatter: float = 0.01) -> pl.DataFrame:
    """Even runs at the reference speed in which the logarithm of heart rate changes along the kilometres."""
    random = np.random.default_rng(3)
    km = np.arange(n_km) + 0.5
    runs = []
    for _ in range(n_runs):
        speed = REFERENCE_M_S * np.exp(0.02 * random.standard_normal(n_km))
        heart = 145 * np.exp(log_change(km) + scatter * random.standard_normal(n_km))
        runs.append({"speed_m_s": speed, "heart_rate_bpm": heart})
    return splits_of_runs(runs)


def drift_of(splits: pl.DataFrame) -> dict[str, object]:
    [row] = drift(splits, **by_settings(drift, Settings()), metrics=["heart_rate_bpm"])[1].to_dicts()
    return row


@pytest.mark.parametrize(("change_pct", "_sd"), HEART_RATE_90_MIN_PCT)
def test_ninety_easy_minutes_of_heart_rate_come_out_as_drift_per_10_km(change_pct: float, _sd: float):
    km_in_90_min = 90 * 60 * REFERENCE_M_S / 1000
    athlete = drift_of(
        heart_rate_runs(lambda km: np.log1p(change_pct / 100) * km / km_in_90_min, n_runs=12, n_km=17, scatter=0.002)
    )
    published = per_10km(change_pct, 90, REFERENCE_M_S)
    assert athlete["drift_low"] < published < athlete["drift_high"]
    # Hearts that answer to no kilometre's speed, and without scatter, are no case of the model: the mean over lengths
    # of the warm-up takes up a part.
    assert athlete["drift_pct_per_10km"] == pytest.approx(published, abs=0.3)


def test_the_bench_plants_the_published_drift_of_heart_rate():
    planted = {scenario.world.planted_pct for scenario in SCENARIOS if scenario.world.metric.column == "heart_rate_bpm"}
    low, high = sorted(per_10km(mean, 90, REFERENCE_M_S) for mean, _ in HEART_RATE_90_MIN_PCT)
    assert planted == {(3.4,)}
    assert low - 0.05 <= 3.4 <= high + 0.05


@pytest.mark.parametrize(
    "name",
    [name for name, athlete in DEMO["athletes"].items() if "heart_rate_bpm" in athlete["form"].get("drifts", {})],
)
def test_hearts_of_the_demo_club_drift_within_the_published_scatter(name: str):
    athlete = DEMO["athletes"][name]
    planted = athlete["form"]["drifts"]["heart_rate_bpm"]["pct_per_10km"]
    low = min(per_10km(mean - sd, 90, athlete["speed_m_s"]) for mean, sd in HEART_RATE_90_MIN_PCT)
    high = max(per_10km(mean + sd, 90, athlete["speed_m_s"]) for mean, sd in HEART_RATE_90_MIN_PCT)
    assert low <= planted <= high


@pytest.mark.parametrize("slowing_pct", SLOWING_PCT)
def test_a_marathoner_of_the_published_slowing_fades_as_much_as_the_bench_s_runners(slowing_pct: float):
    # Halves whose times differ by this much, with a pace that fades evenly: mean logs of halves are half a race apart.
    per_km = -np.log1p(slowing_pct / 100) / (MARATHON_KM / 2)
    random = np.random.default_rng(4)
    km = np.arange(42) + 0.5
    runs = [{"speed_m_s": 3.2 * np.exp(per_km * km + 0.005 * random.standard_normal(42))} for _ in range(5)]
    fade = pacing(splits_of_runs(runs), **by_settings(pacing, Settings()))["speed_pct_per_10km"].item()
    assert fade == pytest.approx(100 * np.expm1(10 * per_km), abs=0.1)
    assert min(FADES_PCT) <= fade <= max(FADES_PCT)


def test_a_change_as_linear_as_the_published_economy_has_no_onset():
    minutes, percent = (np.array([0.0, *numbers]) for numbers in (ECONOMY_PCT.keys(), ECONOMY_PCT.values()))
    # Nearly linear: the line through the first point misses the second by less than a quarter of a point.
    assert percent[1] * minutes[2] / minutes[1] == pytest.approx(percent[2], abs=0.25)

    def log_change(km):
        return np.log1p(np.interp(km * 1000 / REFERENCE_M_S / 60, minutes, percent) / 100)

    athlete = drift_of(heart_rate_runs(log_change, n_runs=12, n_km=23))
    assert athlete["onset_km"] is None
    assert athlete["drift_pct_per_10km"] == pytest.approx(per_10km(ECONOMY_PCT[120], 120, REFERENCE_M_S), abs=0.3)


def test_the_decoupling_of_marathoners_is_found_where_it_was_published_to_begin():
    """From km 25.2 to the end, heart rate over pace rises to 1.16 of what it was."""

    def log_change(km):
        return np.log(DECOUPLING) * np.maximum(km - DECOUPLING_KM, 0) / (MARATHON_KM - DECOUPLING_KM)

    athlete = drift_of(heart_rate_runs(log_change, n_runs=8, n_km=42))
    assert athlete["onset_km"] == pytest.approx(DECOUPLING_KM, abs=1.5)
    assert athlete["onset_low"] <= DECOUPLING_KM <= athlete["onset_high"]
