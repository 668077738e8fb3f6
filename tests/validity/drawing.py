"""A world → a club drawn from it: true course, pace and form of each segment, and what the device makes of them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import polars as pl
from scipy.signal import lfilter

from tests.validity.processes import PACE_LENGTH_M, SEGMENT_M, SEGMENTS_PER_KM, Array, along, first_order
from tests.validity.recorded import TINY, recorded
from tests.validity.world import REFERENCE_M_S, Metric, World


@dataclass(frozen=True)
class Club:
    """A club that was drawn.

    Attributes:
        samples: rows of the table `samples`.
        runs: `run_id`, `athlete_id`, the run's number in the season and its true `mean_speed_m_s`.
        athletes: `athlete_id`, `planted_pct`, the mean drift of the runs that were run, `season_pct`, and the same
            weighted by how well a run tells a drift, `weighted_pct`.
    """

    samples: pl.DataFrame
    runs: pl.DataFrame
    athletes: pl.DataFrame


def draw(world: World, seed: int) -> Club:
    """Draw a club.

    Args:
        world: what is true.
        seed: of the random numbers.
    """
    random = np.random.default_rng(seed)
    metric, device = world.metric, world.device
    shape = (world.n_athletes, world.n_runs)
    planted = np.resize(np.array(world.planted_pct), world.n_athletes)
    own_drift = first_order(random.standard_normal(shape), metric.run_drift_rho)
    length_km = _lengths(world, random, own_drift)
    drift = np.log1p(planted / 100)[:, None] + metric.run_drift_sd_pct / 100 * own_drift
    n_segments = int(length_km.max()) * SEGMENTS_PER_KM
    place_m = SEGMENT_M * (np.arange(n_segments) + 0.5)
    exists = place_m < 1000 * length_km[..., None]

    slope, log_speed = _course_and_pace(world, random, length_km, place_m)
    level = np.log(metric.level) + metric.level_sd_pct / 100 * random.standard_normal(shape)
    effect = drift[..., None] * np.maximum(place_m - 1000 * metric.break_km, 0) / 10_000
    if metric.curve_km is not None:
        effect = effect * place_m / (1000 * metric.curve_km)
    value = np.exp(
        level[..., None]
        + _response(world, random, log_speed)
        + metric.per_slope * slope
        + effect
        + metric.warm_up_pct / 100 * np.exp(-place_m / metric.warm_up_m)
        + _errors(metric, random, (*shape, n_segments))
    )
    value = _sensor_faults(metric, random, value, exists)
    samples = recorded(
        device, random, column=metric.column, speed=np.exp(log_speed), slope=slope, value=value, exists=exists
    )

    athlete_id = np.array([f"a{i:04d}" for i in range(world.n_athletes)])
    runs = pl.DataFrame(
        {
            "run_id": [f"{athlete}-r{run:03d}" for athlete in athlete_id for run in range(world.n_runs)],
            "athlete_id": np.repeat(athlete_id, world.n_runs),
            "run": np.tile(np.arange(world.n_runs), world.n_athletes),
            "mean_speed_m_s": (exists.sum(axis=-1) / (exists / np.exp(log_speed)).sum(axis=-1)).ravel(),
        }
    )
    weight = _precision(metric, length_km)
    of_runs = 100 * np.expm1(drift)
    athletes = pl.DataFrame(
        {
            "athlete_id": athlete_id,
            "planted_pct": planted,
            "season_pct": of_runs.mean(axis=1),
            "weighted_pct": (weight * of_runs).sum(axis=1) / weight.sum(axis=1),
        }
    )
    return Club(samples, runs, athletes)


# --- What truly happens ----------------------------------------------------------------------------------------------


def _lengths(world: World, random: np.random.Generator, own_drift: Array) -> npt.NDArray[np.int64]:
    """Lengths of runs [km]: even between the bounds, and longer where form drifts less if the world says so."""
    low, high = world.km
    if not world.longer_when_good:
        return random.integers(low, high, size=own_drift.shape, endpoint=True)
    share = world.longer_when_good
    score = -share * own_drift + np.sqrt(1 - share**2) * random.standard_normal(own_drift.shape)
    rank = score.argsort(axis=1).argsort(axis=1) / max(own_drift.shape[1] - 1, 1)
    return np.rint(low + rank * (high - low)).astype(np.int64)


def _precision(metric: Metric, length_km: npt.NDArray[np.int64]) -> Array:
    """How well runs tell the mean drift: by least squares over all kilometres but the first, and as they differ."""
    n_km = length_km - 1.0
    along = n_km * (n_km**2 - 1) / 12 / 100  # squared distances from the middle [10 km]
    return np.asarray(1 / np.maximum(metric.run_drift_sd_pct**2 + metric.error_sd_pct**2 / along, TINY))


def _course_and_pace(
    world: World, random: np.random.Generator, length_km: npt.NDArray[np.int64], place_m: Array
) -> tuple[Array, Array]:
    """Slope [%] and log speed of each segment."""
    shape = (*length_km.shape, len(place_m))
    share = place_m / (1000 * length_km[..., None])
    slope = along(random, shape, world.hills_pct, PACE_LENGTH_M) + world.late_climb_pct * (share - 0.5)
    fade = world.fade_pct + world.fade_sd_pct * random.standard_normal((*length_km.shape, 1))
    fade = fade + world.fade_trend_pct * np.linspace(-0.5, 0.5, world.n_runs)[:, None]
    log_speed = (
        np.log(REFERENCE_M_S)
        + world.athlete_speed_sd_pct / 100 * random.standard_normal((world.n_athletes, 1, 1))
        + world.run_speed_sd_pct / 100 * random.standard_normal((*length_km.shape, 1))
        + along(random, shape, world.wander_pct / 100, PACE_LENGTH_M)
        + np.log1p(fade / 100) * place_m / 10_000
        + world.speed_per_slope * slope
    )
    if world.mixed_pct:
        is_fast = (place_m // world.mixed_m) % 2 == 0
        is_mixed = place_m > 2000
        if world.mixed_last_km is not None:
            is_mixed = place_m > 1000 * (length_km[..., None] - world.mixed_last_km)
        log_speed = log_speed + np.where(is_mixed, np.where(is_fast, 1, -1) * world.mixed_pct / 100, 0.0)
    return slope, log_speed


def _response(world: World, random: np.random.Generator, log_speed: Array) -> Array:
    """What speed does to the logarithm of the metric."""
    metric = world.metric
    if metric.lag_s:
        log_speed = _lagged(log_speed, metric.lag_s)
    relative = log_speed - np.log(REFERENCE_M_S)
    if metric.per_m_s is not None:
        return np.log1p(metric.per_m_s / metric.level * (REFERENCE_M_S * np.exp(relative) - REFERENCE_M_S))
    exponent = metric.exponent + metric.exponent_sd * random.standard_normal((world.n_athletes, 1, 1))
    if world.odd_exponent is not None:
        exponent[0] = world.odd_exponent
    own = metric.exponent_run_sd * random.standard_normal((*log_speed.shape[:2], 1))
    return np.asarray((exponent + own) * relative)


def _lagged(log_speed: Array, lag_s: float) -> Array:
    """Speed after a first-order lag, as if the athlete had jogged up to the start at the first speed."""
    keep = np.exp(-SEGMENT_M / REFERENCE_M_S / lag_s)
    begin = log_speed[..., :1]
    return np.asarray(begin + lfilter([1 - keep], [1, -keep], log_speed - begin, axis=-1))


def _errors(metric: Metric, random: np.random.Generator, shape: tuple[int, ...]) -> Array:
    """Error of the logarithm of the metric."""
    error = along(random, shape, metric.error_sd_pct / 100, metric.error_length_m)
    n_km = -(-shape[-1] // SEGMENTS_PER_KM)
    by_km = np.zeros((*shape[:-1], n_km))
    if metric.tail_df is not None:
        scale = metric.error_sd_pct / 100 * np.sqrt((metric.tail_df - 2) / metric.tail_df)
        by_km += scale * random.standard_t(metric.tail_df, by_km.shape)
    if metric.outlier_share:
        by_km += 0.05 * random.standard_normal(by_km.shape) * (random.random(by_km.shape) < metric.outlier_share)
    return error + np.repeat(by_km, SEGMENTS_PER_KM, axis=-1)[..., : shape[-1]]


def _sensor_faults(metric: Metric, random: np.random.Generator, value: Array, exists: npt.NDArray[np.bool_]) -> Array:
    """Jumps, repeated values and a rhythm that is not the heart's."""
    index, n_segments = np.arange(value.shape[-1]), exists.sum(axis=-1)[..., None]
    if metric.step_share:
        steps = random.random((*value.shape[:2], 1)) < metric.step_share
        after = index > random.uniform(0.2, 0.8, (*value.shape[:2], 1)) * n_segments
        sign = np.where(random.random((*value.shape[:2], 1)) < 0.5, -1, 1)
        value = np.where(steps & after, value * (1 + sign * metric.step_pct / 100), value)
    if metric.stuck_share:
        sticks = random.random((*value.shape[:2], 1)) < metric.stuck_share
        last = 2 * n_segments // 3
        value = np.where(sticks & (index > last), np.take_along_axis(value, last, axis=-1), value)
    if metric.locked_share:
        locks = random.random((*value.shape[:2], 1)) < metric.locked_share
        value = np.where(locks & (index > n_segments // 2), 168.0, value)
    return value
