"""Invented clubs whose answers are known, laid out every 100 m, and what devices with realistic errors record of them.

Nothing is imported from the pipeline, so that an error there cannot cancel itself here. What comes out has the columns
of the table `samples`: the stages from `splits` on do the rest. Athletes, runs and segments of 100 m are drawn at once
as arrays of athletes × runs × segments.

What is true of a metric y in a segment, with d the true distance in units of 10 km and v the true speed:

    log y = level of the run + response(v) + per_slope slope + (drift + drift of the run) max(0, d − break) + error

What the device records: distance and speed with an error that lasts minutes and with a scale of its own in each run,
altitude with an error that is smooth along the run, time in whole seconds. Contact time, cadence and heart rate are
measured by other sensors, unless `shared_error` says otherwise: their error is part of y.

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

from tests.validity.processes import FORM_LENGTH_M

REFERENCE_M_S = 3.2


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
        curve_km: the change grows with the square of distance, and by this distance is that of the planted line; None
            for a line [km].
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
    curve_km: float | None = None
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
        shared_error: so many times the error of log speed is in the logarithm of the metric: one sensor gives both.
        slope_error_pct: standard deviation of the error of a kilometre's mean slope [% slope].
        whole_seconds: whether time is recorded in whole seconds.
        second_speed_error_pct: the error of speed in every other run, which has its speed from another source; None
            where all have the same.
    """

    speed_error_pct: float = 1.0
    speed_error_s: float = 120.0
    scale_sd_pct: float = 0.5
    shared_error: float = 0.0
    slope_error_pct: float = 0.2
    whole_seconds: bool = True
    second_speed_error_pct: float | None = None


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
        fade_trend_pct: by so much the fade of the last run is above that of the first [% per 10 km].
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
    fade_trend_pct: float = 0.0
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
