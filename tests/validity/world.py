"""Invented clubs whose answers are known, laid out every 100 m, and what devices with realistic errors record of them.

Nothing is imported from the pipeline, so that an error there cannot cancel itself here. What comes out has the columns
of the table `samples`: the stages from `splits` on do the rest. Athletes, runs and segments of 100 m are drawn at once
as arrays of athletes × runs × segments.

What is true of a metric y in a segment, with d the true distance in units of 10 km and v the true speed:

    log y = level of the run + response(v) + per_slope slope + (drift + drift of the run) max(0, d − break) + error

What the device records: distance and speed with an error that lasts minutes and with a scale of its own in each run,
altitude with an error that is smooth along the run, time in whole seconds. Contact time, cadence and heart rate are
measured by other sensors: their error is part of y.

Numbers from outside:
  * cadence over speed, 6.01 steps/min per m/s: van Oeveren et al. 2019, J Sports Sci 37:1996-2006 (strides/min =
    75.01 + 3.006 v, read in the abstract).
  * contact time ~ speed^-0.56: 258 ms at 2.5 m/s and 194 ms at 4.17 m/s on a force plate, one runner (computed from the
    public data of alcantarar/Recurrent_GRF_Prediction, data/GRF_one_sub.csv).
  * heart rate drift, +5.7 % over 90 easy minutes: Nuuttila et al. 2025, Eur J Appl Physiol 125:697-705 (+5.9 and
    +5.5 %, read in the abstract).
All other sizes are common practice, no source; the errors of speed are what the scenarios vary.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt
import polars as pl
from scipy.signal import lfilter

Array = npt.NDArray[np.float64]

SEGMENT_M = 100.0
SEGMENTS_PER_KM = 10
REFERENCE_M_S = 3.2
#: A process along the run with this length has means of whole kilometres that correlate by 0.4 from one to the next.
PACE_LENGTH_M = 620.0
#: The same for a correlation of 0.5.
FORM_LENGTH_M = 870.0
MEASURED = ("cadence_spm", "contact_time_ms", "vertical_oscillation_mm", "contact_balance_pct", "heart_rate_bpm")


@dataclass(frozen=True, kw_only=True)
class Metric:
    """What is true of the metric that is recorded.

    Attributes:
        column: its name in `samples`.
        level: fresh, on the level, at `REFERENCE_M_S`, in its unit.
        exponent: of speed.
        exponent_sd: standard deviation of it between athletes.
        exponent_run_sd: the same between the runs of an athlete.
        per_m_s: change per m/s in its unit, linear; takes the place of `exponent`.
        per_slope: change of the logarithm per % slope.
        lag_s: it follows speed with this time constant [s].
        break_km: distance before which nothing changes [km].
        run_drift_sd_pct: standard deviation of the drifts of runs about the planted one [% per 10 km].
        run_drift_rho: correlation of the drifts of neighbouring runs.
        warm_up_pct: how far off it starts; dies out exponentially [%].
        warm_up_m: length over which it dies out [m].
        level_sd_pct: standard deviation of the levels of runs.
        error_sd_pct: of the mean of a kilometre.
        error_length_m: length of the error's correlation along the run [m].
        tail_df: of Student's t for a further error of each kilometre, as large as `error_sd_pct`; None for none.
        outlier_share: share of kilometres with a further error of 5 %.
        step_share: share of runs in which the sensor jumps at a random place.
        step_pct: by so much.
        stuck_share: share of runs in which the sensor repeats its last value over the last third.
        locked_share: share of runs in which the sensor reads another rhythm over the last half (heart rate locked to
            cadence): a constant 168.
    """

    column: str
    level: float
    exponent: float = 0.0
    exponent_sd: float = 0.0
    exponent_run_sd: float = 0.0
    per_m_s: float | None = None
    per_slope: float = 0.0
    lag_s: float = 0.0
    break_km: float = 0.0
    run_drift_sd_pct: float = 0.5
    run_drift_rho: float = 0.0
    warm_up_pct: float = 0.0
    warm_up_m: float = 2000.0
    level_sd_pct: float = 1.5
    error_sd_pct: float = 1.0
    error_length_m: float = FORM_LENGTH_M
    tail_df: float | None = None
    outlier_share: float = 0.0
    step_share: float = 0.0
    step_pct: float = 0.0
    stuck_share: float = 0.0
    locked_share: float = 0.0


CONTACT_TIME = Metric(column="contact_time_ms", level=250.0, exponent=-0.56, exponent_sd=0.1, per_slope=0.004)
CADENCE = Metric(
    column="cadence_spm",
    level=169.0,
    per_m_s=6.01,
    per_slope=0.001,
    run_drift_sd_pct=0.3,
    level_sd_pct=0.7,
    error_sd_pct=0.7,
)
HEART_RATE = Metric(
    column="heart_rate_bpm",
    level=148.0,
    exponent=0.7,
    exponent_sd=0.1,
    per_slope=0.03,
    lag_s=40.0,
    level_sd_pct=2.0,
    error_sd_pct=1.0,
)


@dataclass(frozen=True, kw_only=True)
class Device:
    """How wrong the recorded speed, slope and time are.

    Attributes:
        speed_error_pct: standard deviation of the error of a kilometre's mean speed [%].
        speed_error_s: time constant of that error [s].
        scale_sd_pct: standard deviation of a run's scale of distance (calibration) [%].
        slope_error_pct: standard deviation of the error of a kilometre's mean slope [% slope].
        whole_seconds: whether time is recorded in whole seconds.
    """

    speed_error_pct: float = 1.0
    speed_error_s: float = 120.0
    scale_sd_pct: float = 0.5
    slope_error_pct: float = 0.2
    whole_seconds: bool = True


EXACT = Device(speed_error_pct=0.0, scale_sd_pct=0.0, slope_error_pct=0.0, whole_seconds=False)


@dataclass(frozen=True, kw_only=True)
class World:
    """What the athletes of a club have in common.

    Attributes:
        planted_pct: true drifts [% per 10 km], given to the athletes in turn.
        n_athletes: of a club.
        n_runs: of each athlete.
        km: shortest and longest run; drawn evenly in between, whole kilometres.
        athlete_speed_sd_pct: standard deviation of the mean speeds of athletes.
        run_speed_sd_pct: the same of the runs of an athlete.
        wander_pct: how much the mean speed of a kilometre wanders about the pace.
        fade_pct: change of speed per 10 km; negative slows down.
        fade_sd_pct: standard deviation of it between runs.
        speed_per_slope: change of log speed per % slope.
        hills_pct: standard deviation of a kilometre's mean slope.
        late_climb_pct: slope at the end of each run beyond that at its beginning, growing evenly.
        mixed_pct: stretches are by this much faster and slower in turn.
        mixed_m: length of such a stretch [m]; whole segments.
        mixed_last_km: only in so many last kilometres; None for everywhere past the first two.
        longer_when_good: correlation of a run's length with how little form drifts in it.
        odd_exponent: exponent of the first athlete, who is far from the club; None for nobody.
        metric: that is recorded.
        device: that records it.
    """

    planted_pct: tuple[float, ...] = (0.0, 3.0)
    n_athletes: int = 20
    n_runs: int = 12
    km: tuple[int, int] = (8, 24)
    athlete_speed_sd_pct: float = 8.0
    run_speed_sd_pct: float = 5.0
    wander_pct: float = 2.0
    fade_pct: float = -2.0
    fade_sd_pct: float = 1.0
    speed_per_slope: float = -0.02
    hills_pct: float = 0.8
    late_climb_pct: float = 0.0
    mixed_pct: float = 0.0
    mixed_m: float = 200.0
    mixed_last_km: float | None = None
    longer_when_good: float = 0.0
    odd_exponent: float | None = None
    metric: Metric = field(default_factory=lambda: CONTACT_TIME)
    device: Device = field(default_factory=Device)

    def but(self, **changes: object) -> World:
        """The same world, changed; names of `Metric` and `Device` change those."""
        for part in ("metric", "device"):
            whole = changes.pop(part, getattr(self, part))
            own = {name: changes.pop(name) for name in list(changes) if hasattr(whole, name)}
            changes[part] = replace(whole, **own)
        return replace(self, **changes)  # type: ignore[arg-type]


@dataclass(frozen=True)
class Club:
    """A club that was drawn.

    Attributes:
        samples: rows of the table `samples`.
        runs: `run_id`, `athlete_id`, the run's own `drift_pct` and its log `level`.
        athletes: `athlete_id`, `planted_pct` and `season_pct`, the mean drift of the runs that were run.
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
    own_drift = _first_order(random.standard_normal(shape), metric.run_drift_rho)
    length_km = _lengths(world, random, own_drift)
    drift = np.log1p(planted / 100)[:, None] + metric.run_drift_sd_pct / 100 * own_drift
    n_segments = int(length_km.max()) * SEGMENTS_PER_KM
    place_m = SEGMENT_M * (np.arange(n_segments) + 0.5)
    exists = place_m < 1000 * length_km[..., None]

    slope, log_speed = _course_and_pace(world, random, length_km, place_m)
    level = np.log(metric.level) + metric.level_sd_pct / 100 * random.standard_normal(shape)
    effect = drift[..., None] * np.maximum(place_m - 1000 * metric.break_km, 0) / 10_000
    value = np.exp(
        level[..., None]
        + _response(world, random, log_speed)
        + metric.per_slope * slope
        + effect
        + metric.warm_up_pct / 100 * np.exp(-place_m / metric.warm_up_m)
        + _errors(metric, random, (*shape, n_segments))
    )
    value = _sensor_faults(metric, random, value, exists)
    samples = _recorded(device, random, metric.column, np.exp(log_speed), slope, value, exists)

    athlete_id = np.array([f"a{i:04d}" for i in range(world.n_athletes)])
    runs = pl.DataFrame(
        {
            "run_id": [f"{athlete}-r{run:03d}" for athlete in athlete_id for run in range(world.n_runs)],
            "athlete_id": np.repeat(athlete_id, world.n_runs),
            "drift_pct": 100 * np.expm1(drift).ravel(),
            "level": level.ravel(),
        }
    )
    season = 100 * np.expm1(drift).mean(axis=1)
    return Club(samples, runs, pl.DataFrame({"athlete_id": athlete_id, "planted_pct": planted, "season_pct": season}))


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


def _course_and_pace(
    world: World, random: np.random.Generator, length_km: npt.NDArray[np.int64], place_m: Array
) -> tuple[Array, Array]:
    """Slope [%] and log speed of each segment."""
    shape = (*length_km.shape, len(place_m))
    share = place_m / (1000 * length_km[..., None])
    slope = _along(random, shape, world.hills_pct, PACE_LENGTH_M) + world.late_climb_pct * (share - 0.5)
    fade = world.fade_pct + world.fade_sd_pct * random.standard_normal((*length_km.shape, 1))
    log_speed = (
        np.log(REFERENCE_M_S)
        + world.athlete_speed_sd_pct / 100 * random.standard_normal((world.n_athletes, 1, 1))
        + world.run_speed_sd_pct / 100 * random.standard_normal((*length_km.shape, 1))
        + _along(random, shape, world.wander_pct / 100, PACE_LENGTH_M)
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
    error = _along(random, shape, metric.error_sd_pct / 100, metric.error_length_m)
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


# --- What is recorded ------------------------------------------------------------------------------------------------


def _recorded(
    device: Device,
    random: np.random.Generator,
    column: str,
    speed: Array,
    slope: Array,
    value: Array,
    exists: npt.NDArray[np.bool_],
) -> pl.DataFrame:
    """Rows of `samples`: one per segment of 100 true metres."""
    shape = speed.shape
    error = _along(random, shape, device.speed_error_pct / 100, device.speed_error_s * REFERENCE_M_S)
    scale = device.scale_sd_pct / 100 * random.standard_normal((*shape[:2], 1))
    covered = np.broadcast_to(SEGMENT_M * np.exp(error + scale), shape)
    elapsed = np.cumsum(SEGMENT_M / speed, axis=-1)
    elapsed = np.rint(elapsed) if device.whole_seconds else elapsed
    altitude_error = _smooth_altitude_error(random, shape, device.slope_error_pct)
    altitude = 50 + np.cumsum(slope * SEGMENT_M / 100, axis=-1) + altitude_error
    # Over 200 m of the measured altitude; exact altitude gives back the slope of the segment's surroundings.
    rise = np.gradient(altitude, axis=-1) if device.slope_error_pct else slope * SEGMENT_M / 100
    athlete, run, _ = np.nonzero(exists)
    interval = np.diff(elapsed, axis=-1, prepend=0.0)
    none = pl.lit(None, dtype=pl.Float64)
    return (
        pl.DataFrame(
            {
                "athlete": athlete,
                "run": run,
                "elapsed_s": elapsed[exists],
                "interval_s": interval[exists],
                "distance_m": np.cumsum(covered, axis=-1)[exists],
                "covered_m": covered[exists],
                "speed_m_s": covered[exists] / interval[exists],
                "altitude_m": altitude[exists],
                "slope_pct": (100 * rise / SEGMENT_M)[exists],
                "value": value[exists],
            }
        )
        .with_columns(
            athlete_id=pl.format("a{}", pl.col("athlete").cast(pl.String).str.zfill(4)),
            gait=pl.lit("run"),
            **{name: pl.col("value") if name == column else none for name in MEASURED},
        )
        .with_columns(run_id=pl.format("{}-r{}", "athlete_id", pl.col("run").cast(pl.String).str.zfill(3)))
        .drop("athlete", "run", "value")
    )


# --- Processes along a run -------------------------------------------------------------------------------------------


def _along(random: np.random.Generator, shape: tuple[int, ...], sd_of_km: float, length_m: float) -> Array:
    """A stationary first-order process along the last axis; the means of whole kilometres have the given deviation."""
    if not sd_of_km:
        return np.zeros(shape)
    rho = float(np.exp(-SEGMENT_M / length_m))
    lags = np.abs(np.subtract.outer(np.arange(SEGMENTS_PER_KM), np.arange(SEGMENTS_PER_KM)))
    return sd_of_km / np.sqrt((rho**lags).mean()) * _first_order(random.standard_normal(shape), rho)


def _first_order(innovation: Array, rho: float) -> Array:
    """Innovations of variance one → a process of variance one that correlates by rho from one to the next."""
    if not rho:
        return innovation
    scaled = np.sqrt(1 - rho**2) * innovation
    scaled[..., 0] = innovation[..., 0]
    return np.asarray(lfilter([1.0], [1.0, -rho], scaled, axis=-1))


def _smooth_altitude_error(random: np.random.Generator, shape: tuple[int, ...], slope_sd_of_km: float) -> Array:
    """White noise under a Gaussian window of 350 m: altitude wanders smoothly. The slopes of kilometres have the given
    deviation [m]."""
    if not slope_sd_of_km:
        return np.zeros(shape)
    offsets = np.arange(-12, 13) * SEGMENT_M
    window = np.exp(-((offsets / 350.0) ** 2) / 2)
    window /= np.sqrt((window**2).sum())
    noise = random.standard_normal((*shape[:-1], shape[-1] + len(window) - 1))
    smooth = lfilter(window, [1.0], noise, axis=-1)[..., len(window) - 1 :]
    correlation = float((window[SEGMENTS_PER_KM:] * window[:-SEGMENTS_PER_KM]).sum())
    sd_of_difference = np.sqrt(2 * (1 - correlation))  # of altitudes 1 km apart
    return np.asarray(smooth * slope_sd_of_km * 10 / sd_of_difference)
