"""The generator of the bench of validity: are its errors as large as they say, and is its truth in its numbers?"""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from tests.validity.drawing import draw
from tests.validity.feet import Filmed, filmed, share_of_all
from tests.validity.processes import FORM_LENGTH_M, PACE_LENGTH_M, SEGMENTS_PER_KM, along, smooth_altitude_error
from tests.validity.world import EXACT, REFERENCE_M_S, World

SHAPE = (40, 10, 200)


def kilometres(values: np.ndarray) -> np.ndarray:
    """Means over whole kilometres."""
    return values.reshape(*values.shape[:-1], -1, SEGMENTS_PER_KM).mean(axis=-1)


@pytest.mark.parametrize(
    ("length_m", "correlation"), [(PACE_LENGTH_M, 0.4), (FORM_LENGTH_M, 0.5), (120 * REFERENCE_M_S, 0.26)]
)
def test_kilometres_have_the_deviation_and_the_correlation_that_is_said(length_m: float, correlation: float):
    means = kilometres(along(np.random.default_rng(1), SHAPE, 0.01, length_m))
    assert means.std() == pytest.approx(0.01, rel=0.03)
    neighbours = np.corrcoef(means[..., 1:].ravel(), means[..., :-1].ravel())[0, 1]
    assert neighbours == pytest.approx(correlation, abs=0.04)


def test_slopes_of_kilometres_are_as_wrong_as_is_said():
    altitude = smooth_altitude_error(np.random.default_rng(1), SHAPE, 1.0)
    slopes = (altitude[..., SEGMENTS_PER_KM:] - altitude[..., :-SEGMENTS_PER_KM]) / 10
    assert slopes.std() == pytest.approx(1.0, rel=0.03)


def steady(**changes: object) -> World:
    """Nothing varies but what is asked for."""
    still = World(
        planted_pct=(0.0,),
        athlete_speed_sd_pct=0,
        run_speed_sd_pct=0,
        wander_pct=0,
        fade_pct=0,
        fade_sd_pct=0,
        hills_pct=0,
        km=(20, 20),
        device=EXACT,
    ).but(run_drift_sd_pct=0, level_sd_pct=0, error_sd_pct=0, exponent_sd=0)
    return still.but(**changes)


def of_first_run(world: World) -> pl.DataFrame:
    return draw(world, 1).samples.filter(run_id="a0000-r000")


def test_where_nothing_varies_every_segment_is_alike():
    rows = of_first_run(steady())
    assert rows.height == 200
    assert rows["distance_m"].to_numpy() == pytest.approx(100 * np.arange(1, 201))
    assert rows["speed_m_s"].to_numpy() == pytest.approx(REFERENCE_M_S)
    assert rows["contact_time_ms"].to_numpy() == pytest.approx(250.0)
    assert rows["cadence_spm"].null_count() == 200


def test_a_planted_drift_is_percent_per_10_km_of_true_distance():
    contact = of_first_run(steady(planted_pct=(3.0,)))["contact_time_ms"]
    assert contact[150] / contact[50] == pytest.approx(1.03)


def test_a_break_changes_nothing_before_it():
    contact = of_first_run(steady(planted_pct=(8.0,), break_km=10.0))["contact_time_ms"]
    assert contact[:100].to_numpy() == pytest.approx(250.0)
    assert contact[199] / 250 == pytest.approx(1.08**0.995)


def test_fading_pace_moves_contact_by_its_exponent_alone():
    rows = of_first_run(steady(fade_pct=-8.0))
    speed, contact = rows["speed_m_s"], rows["contact_time_ms"]
    assert speed[150] / speed[50] == pytest.approx(0.92)
    assert contact[150] / contact[50] == pytest.approx(0.92**-0.56)


def test_recorded_speed_errs_while_contact_does_not():
    rows = draw(steady(speed_error_pct=1.0, n_athletes=40), 1).samples
    covered = rows["covered_m"].to_numpy().reshape(40, 12, 200)
    assert kilometres(np.log(covered / 100)).std() == pytest.approx(0.01, rel=0.03)
    assert rows["contact_time_ms"].to_numpy() == pytest.approx(250.0)


def test_a_warm_up_dies_out_and_a_lag_follows():
    contact = of_first_run(steady(warm_up_pct=4.0))["contact_time_ms"]
    assert np.log(contact[0] / 250) == pytest.approx(0.04 * np.exp(-50 / 2000))
    assert np.log(contact[199] / 250) < 1e-5
    mixed = steady(mixed_pct=15.0, mixed_m=500.0, lag_s=40.0)
    lagged, prompt = (of_first_run(world)["contact_time_ms"].to_numpy() for world in (mixed, mixed.but(lag_s=0.0)))
    assert lagged.std() < prompt.std()


def test_runs_are_longer_when_form_drifts_less():
    world = steady(planted_pct=(3.0,), run_drift_sd_pct=1.0, longer_when_good=0.9, km=(8, 24), n_athletes=30)
    rows = draw(world, 1).samples
    runs = rows.group_by("run_id").agg(
        n=pl.len(), change=(pl.col("contact_time_ms").last() / pl.col("contact_time_ms").first()).log() / pl.len()
    )
    assert np.corrcoef(runs["n"], runs["change"])[0, 1] < -0.6


def test_who_is_filmed_gains_and_loses_the_rearfoot_by_the_odds_that_are_planted():
    """Own log odds cancel within runners: at equal speed as many more gain it than lose it as the odds say."""
    of = Filmed(statistic="", n_runners=100_000, odds_late=3.0)
    rows = filmed(of, 1).pivot("distance_km", index="athlete_id", values="strike")
    early, late = (rows[name] == "rearfoot" for name in ("10.0", "30.0"))
    assert early.mean() == pytest.approx(0.5, abs=0.01)
    assert (late & ~early).sum() / (early & ~late).sum() == pytest.approx(3.0, rel=0.03)


def test_who_is_filmed_often_keeps_a_habit_over_the_events():
    of = Filmed(statistic="", n_runners=20_000, n_events=2, habit_sd=3.0, odds_late=4.0)
    rows = filmed(of, 1).with_columns(is_rear=pl.col("strike") == "rearfoot")
    assert rows.filter(distance_km=30.0)["is_rear"].mean() == pytest.approx(share_of_all(4.0, 3.0), abs=0.01)
    by_event = rows.pivot("distance_km", index=["athlete_id", "event"], values="is_rear").with_columns(
        change=pl.col("30.0").cast(pl.Int8) - pl.col("10.0").cast(pl.Int8)
    )
    first, second = by_event.pivot("event", index="athlete_id", values="change").drop("athlete_id").get_columns()
    assert np.corrcoef(first, second)[0, 1] > 0.3


def test_false_drift_of_least_squares_is_what_attenuation_says():
    """With kappa the reliability of log speed inside runs after distance, (1 - kappa) of what fading does is left over.

    For a fade that moves contact by 8.9 % per 10 km, 2.5 % of pace left over and independent errors of 0.5, 1, 1.5 and
    2 %: 0.3, 1.2, 2.4 and 3.5 % (computed).
    """
    fade_pct = 100 * np.expm1(-0.089 / 0.56)
    for error, expected in ((0.5, 0.3), (1.0, 1.2), (1.5, 2.4), (2.0, 3.5)):
        world = steady(n_athletes=40, fade_pct=fade_pct, wander_pct=2.5, speed_error_pct=error, speed_error_s=5.0)
        rows = draw(world, 1).samples
        shape = (480, 20, SEGMENTS_PER_KM)
        seconds, contact = (rows[name].to_numpy().reshape(shape) for name in ("interval_s", "contact_time_ms"))
        covered = rows["covered_m"].to_numpy().reshape(shape).sum(axis=-1)
        x = np.stack([np.log(covered / seconds.sum(axis=-1)), np.broadcast_to(np.arange(20) / 10, (480, 20))], axis=-1)
        x, y = (values - values.mean(axis=1, keepdims=True) for values in (x, np.log(contact.mean(axis=-1))))
        found = np.linalg.lstsq(x.reshape(-1, 2), y.ravel(), rcond=None)[0][1]
        assert 100 * found == pytest.approx(expected, abs=0.2)
