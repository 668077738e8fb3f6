"""Invented seasons of runs whose answers are known: rows of the table `splits`, for simulations.

Independent of the pipeline on purpose, so that an error there cannot cancel itself here: it imports names only.
All athletes, runs and kilometres are drawn at once as arrays of athletes × runs × kilometres.

What is true of a metric y in a split (`Form`), with d the distance in units of 10 km at the middle of the split:

    log y = level + own level of the run + f(speed) + per_slope slope + per_slope_squared slope²
            + (drift + own drift of the run) max(0, d − onset) + error

Cadence and contact time are drawn; flight time, duty factor and step length follow from them and speed by definition.

Numbers from outside:
  * cadence over speed, 6.01 steps/min per m/s: van Oeveren et al. 2019 (strides/min = 75.01 + 3.006 v, read in the
    abstract); 5.6 on the road over 100 km: Burns, Zendler and Zernicke 2019, doi 10.1152/japplphysiol.00374.2018 (read
    in the abstract).
  * contact time ~ speed^-0.6: between the plausible 277 ms at 2.8 m/s and 170 ms at 6.0 m/s the exponent is -0.64
    (plausible values from memory).
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace

import numpy as np
import polars as pl
import pytest

from pipeline.core.arrays import Array
from pipeline.core.metrics import QUANTITIES, READING_OF

REFERENCE_M_S = 3.0
CADENCE_PER_M_S_VAN_OEVEREN = 6.01
CADENCE_PER_M_S_BURNS = 5.6
MEASURED = (
    "cadence_spm",
    "contact_time_ms",
    "flight_time_ms",
    "duty_factor",
    "step_length_m",
    "vertical_oscillation_mm",
    "heart_rate_bpm",
)


@dataclass(frozen=True, kw_only=True)
class Form:
    """What is true of one metric. Percentages become logarithms as log(1 + pct / 100).

    Attributes:
        level: fresh, on the level, at `REFERENCE_M_S`.
        drift_pct: change per 10 km from `onset_km` on.
        own_drift_sd_pct: how much the runs' own drifts scatter about it [% per 10 km].
        onset_km: distance before which nothing changes [km].
        error_sd_pct: scatter of a split.
        rho: correlation of the errors of splits 1 km apart.
        tail: degrees of freedom of Student's t for the innovations, scaled to the same variance; None for normal.
        outlier_share: share of splits with a further error of `outlier_sd_pct`.
        outlier_sd_pct: size of that further error.
        level_sd_pct: how much the levels of runs scatter.
        per_speed: exponent of speed.
        per_speed_sd: how much athletes differ in it.
        per_m_s: change of the metric per m/s, in its own unit, linear; takes the place of `per_speed`.
        per_slope: change of the logarithm per % slope.
        per_slope_squared: change of the logarithm per %².
        by_time: whether a split measured over longer has the smaller error (variance over running time).
    """

    level: float
    drift_pct: float = 0.0
    own_drift_sd_pct: float = 0.0
    onset_km: float = 0.0
    error_sd_pct: float = 0.0
    rho: float = 0.0
    tail: float | None = None
    outlier_share: float = 0.0
    outlier_sd_pct: float = 0.0
    level_sd_pct: float = 0.0
    per_speed: float = 0.0
    per_speed_sd: float = 0.0
    per_m_s: float | None = None
    per_slope: float = 0.0
    per_slope_squared: float = 0.0
    by_time: bool = False


@dataclass(frozen=True, kw_only=True)
class Season:
    """What all athletes have in common. With every spread at its default of zero nothing is random.

    Attributes:
        n_athletes: how many.
        n_runs: runs of each.
        km: shortest and longest run, drawn evenly in between, whole kilometres.
        speed_m_s: mean speed of a fresh athlete on the level.
        athlete_speed_sd_pct: how much athletes differ in it.
        run_speed_sd_pct: how much the runs of an athlete differ in it.
        split_speed_sd_pct: how much the splits of a run differ in it.
        split_speed_rho: correlation of that from one kilometre to the next.
        fade_pct: change of speed per 10 km (negative: slows down).
        fade_sd_pct: how much runs differ in it [% per 10 km].
        speed_per_slope: change of log speed per % slope: athletes slow down uphill.
        hills_sd_pct: scatter of the mean slope of a kilometre.
        rough_pct2: variance of the slope inside a kilometre, part of the mean squared slope.
        late_climb_pct: slope at the end of every run beyond that at its beginning, growing evenly.
        has_altitude: without it slopes are null, though they act.
        walked_share: share of splits partly walked, which distorts them.
        lost_share: share of splits missing altogether.
        hole_km: splits missing in one piece, in the middle of every run.
        unread_share: share of splits in which the sensor gave nothing.
        last_piece_m: length of a partial split at the end of every run; 0 for none.
        speed_error_pct: standard deviation of the error of a kilometre's measured speed.
        speed_error_rho: correlation of that from one kilometre to the next.
        slope_error_pct: the same of the error of its measured slope [% slope].
        whole_seconds: whether the time of a kilometre is a difference of whole seconds.
        contact: contact time.
        cadence: steps of both feet.
    """

    n_athletes: int = 1
    n_runs: int = 12
    km: tuple[int, int] = (20, 20)
    speed_m_s: float = 3.2
    athlete_speed_sd_pct: float = 0.0
    run_speed_sd_pct: float = 0.0
    split_speed_sd_pct: float = 0.0
    split_speed_rho: float = 0.0
    fade_pct: float = 0.0
    fade_sd_pct: float = 0.0
    speed_per_slope: float = 0.0
    hills_sd_pct: float = 0.0
    rough_pct2: float = 0.0
    late_climb_pct: float = 0.0
    has_altitude: bool = True
    walked_share: float = 0.0
    lost_share: float = 0.0
    hole_km: int = 0
    unread_share: float = 0.0
    last_piece_m: float = 0.0
    speed_error_pct: float = 0.0
    speed_error_rho: float = 0.15
    slope_error_pct: float = 0.0
    whole_seconds: bool = False
    contact: Form = field(default_factory=lambda: Form(level=260.0, per_speed=-0.6))
    cadence: Form = field(default_factory=lambda: Form(level=168.0, per_m_s=CADENCE_PER_M_S_VAN_OEVEREN))

    def but(self, **changes: object) -> Season:
        """The same season, changed."""
        return replace(self, **changes)  # type: ignore[arg-type]

    def with_contact(self, **changes: object) -> Season:
        """The same season with another truth about contact time."""
        return replace(self, contact=replace(self.contact, **changes))  # type: ignore[arg-type]

    def with_cadence(self, **changes: object) -> Season:
        """The same season with another truth about cadence."""
        return replace(self, cadence=replace(self.cadence, **changes))  # type: ignore[arg-type]


#: An ordinary season: hilly courses, a pace that wanders and fades, a sensor with 1 % of scatter that fades along the
#: run, runs that differ in their own drift by 1 % per 10 km, the usual losses, and devices that are off in speed,
#: altitude and clock. Invented; published changes of contact time over a race are +2 to +13 %.
ORDINARY = Season(
    km=(5, 40),
    athlete_speed_sd_pct=8.0,
    run_speed_sd_pct=5.0,
    split_speed_sd_pct=2.5,
    split_speed_rho=0.4,
    fade_pct=-2.0,
    fade_sd_pct=1.5,
    speed_per_slope=-0.03,
    hills_sd_pct=1.2,
    rough_pct2=1.0,
    walked_share=0.03,
    lost_share=0.03,
    unread_share=0.02,
    last_piece_m=400.0,
    speed_error_pct=0.8,
    slope_error_pct=0.2,
    whole_seconds=True,
    contact=Form(
        level=260.0,
        per_speed=-0.6,
        per_slope=0.004,
        per_slope_squared=0.0003,
        error_sd_pct=1.0,
        rho=0.5,
        own_drift_sd_pct=1.0,
        level_sd_pct=1.5,
    ),
    cadence=Form(
        level=168.0,
        per_m_s=CADENCE_PER_M_S_VAN_OEVEREN,
        per_slope=0.001,
        error_sd_pct=0.7,
        rho=0.5,
        own_drift_sd_pct=0.5,
        level_sd_pct=0.7,
    ),
)

#: The same seasons, recorded by devices without errors: for what is about the arithmetic of the model.
EXACTLY_MEASURED = ORDINARY.but(speed_error_pct=0.0, slope_error_pct=0.0, whole_seconds=False)


@contextmanager
def without_onsets_of_runs() -> Iterator[None]:
    """Stage `drift` gives no onsets of single runs, on which nothing else rests: they are half of what it takes."""
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(
            "pipeline.stages.drift.run_onsets",
            lambda fitted, **_: [[None] * len(fitted.design.counts)] * len(fitted.beta),
        )
        yield


def draw(season: Season, seed: int, *, only: tuple[str, ...] = MEASURED) -> pl.DataFrame:
    """Draw the splits of a season.

    Args:
        season: what is true.
        seed: of the random numbers.
        only: metrics that were recorded; the others are null.

    Returns:
        Rows of `splits`, ordered by athlete, run and kilometre.
    """
    random = np.random.default_rng(seed)
    athletes, runs = season.n_athletes, season.n_runs
    length_km = random.integers(season.km[0], season.km[1], size=(athletes, runs), endpoint=True)
    longest = int(length_km.max()) + (season.last_piece_m > 0)
    shape = (athletes, runs, longest)
    km = np.broadcast_to(np.arange(1, longest + 1), shape)
    exists = km <= length_km[..., None] + (season.last_piece_m > 0)
    is_piece = km > length_km[..., None]
    ten_km = (km - 0.5) / 10

    slope = season.hills_sd_pct * random.standard_normal(shape)
    slope += season.late_climb_pct * ((km - 0.5) / length_km[..., None] - 0.5)
    slope_squared = slope**2 + season.rough_pct2

    log_speed = (
        np.log(season.speed_m_s)
        + (
            season.athlete_speed_sd_pct * random.standard_normal((athletes, 1, 1))
            + season.run_speed_sd_pct * random.standard_normal((athletes, runs, 1))
            + season.split_speed_sd_pct * _correlated(random.standard_normal(shape), season.split_speed_rho)
        )
        / 100
    )
    fade = season.fade_pct + season.fade_sd_pct * random.standard_normal((athletes, runs, 1))
    log_speed = log_speed + np.log1p(fade / 100) * ten_km + season.speed_per_slope * slope
    speed = np.exp(log_speed)

    length_m = np.where(is_piece, season.last_piece_m, 1000.0)
    is_walked = random.random(shape) < season.walked_share
    run_share = np.where(is_walked, random.uniform(0.2, 0.94, shape), 1.0)
    running_s = run_share * length_m / speed  # what was walked took its share of the way
    moving_s = running_s / run_share

    causes = {"speed": speed, "slope": slope, "slope_squared": slope_squared, "ten_km": ten_km, "time": running_s}
    contact = _metric(season.contact, random, **causes)
    cadence = _metric(season.cadence, random, **causes)
    # Partly walked splits are far off: a pipeline that let them in would be found out.
    contact = np.where(is_walked, contact * 1.3, contact)
    cadence = np.where(is_walked, cadence * 0.85, cadence)

    middle = length_km[..., None] // 2
    in_hole = (km > middle - season.hole_km / 2) & (km <= middle + season.hole_km / 2)
    kept = exists & ~in_hole & (random.random(shape) >= season.lost_share)
    is_read = random.random(shape) >= season.unread_share
    place = np.nonzero(kept)

    def column(values: Array) -> Array:
        return np.asarray(np.broadcast_to(values, shape)[place])

    # From here on as the device has it: distance, and with it speed, slope and clock are off.
    device = np.random.default_rng([seed, 1])
    off = season.speed_error_pct / 100 * _correlated(device.standard_normal(shape), season.speed_error_rho)
    if season.whole_seconds:
        # The difference of two roundings, each even over a second, has a standard deviation of 1 / √6 s.
        off = off + np.log1p(np.diff(device.random((*shape[:2], longest + 1)), axis=-1) / moving_s)
    speed, running_s, moving_s = speed * np.exp(off), running_s * np.exp(-off), moving_s * np.exp(-off)
    slope = slope + season.slope_error_pct * device.standard_normal(shape)
    slope_squared = slope**2 + season.rough_pct2

    step_ms = 60_000 / cadence
    measured = {
        "cadence_spm": cadence,
        "contact_time_ms": contact,
        "flight_time_ms": step_ms - contact,
        "duty_factor": contact / (2 * step_ms),
        "step_length_m": 60 * speed / cadence,
    }
    frame = pl.DataFrame(
        {
            "athlete": place[0],
            "run": place[1],
            "km": column(km).astype(np.int64),
            "length_m": column(length_m),
            "moving_s": column(moving_s),
            "running_s": column(running_s),
            "run_share": column(run_share),
            "speed_m_s": column(speed),
            "slope_pct": column(slope),
            "slope_squared_pct2": column(slope_squared),
            "is_read": column(is_read),
            "n_valid": np.round(column(running_s)).astype(np.int64),
        }
        | {name: column(values) for name, values in measured.items()}
    )
    unknown = pl.lit(None, dtype=pl.Float64)
    athlete_id = pl.format("a{}", pl.col("athlete").cast(pl.String).str.zfill(5))
    return frame.select(
        run_id=pl.format("{}-r{}", athlete_id, pl.col("run").cast(pl.String).str.zfill(3)),
        athlete_id=athlete_id,
        **{name: pl.col(name) for name in ("km", "length_m", "moving_s", "running_s", "run_share", "speed_m_s")},
        slope_pct=pl.col("slope_pct") if season.has_altitude else unknown,
        slope_squared_pct2=pl.col("slope_squared_pct2") if season.has_altitude else unknown,
        **{name: pl.when("is_read").then(name) if name in measured and name in only else unknown for name in MEASURED},
        log_speed_variance=pl.lit(0.0),
        altitude=pl.lit("steady"),
        speed_source=pl.lit("device"),
        lagged_speed_m_s=pl.col("speed_m_s"),
        **{quantity.column: unknown for quantity in QUANTITIES if quantity.column not in MEASURED},
        n_valid=pl.col("n_valid"),
        **{reading.share_column: pl.lit(1.0) for reading in READING_OF.values()},
        suspicion=pl.lit(None, dtype=pl.String),
    )


def _metric(
    form: Form,
    random: np.random.Generator,
    *,
    speed: Array,
    slope: Array,
    slope_squared: Array,
    ten_km: Array,
    time: Array,
) -> Array:
    athletes, runs, _ = shape = speed.shape
    if form.tail is None:
        innovation = random.standard_normal(shape)
    else:
        innovation = random.standard_t(form.tail, shape) * np.sqrt((form.tail - 2) / form.tail)
    error = form.error_sd_pct / 100 * _correlated(innovation, form.rho)
    if form.by_time:
        error = error * np.sqrt(np.median(time) / time)
    outlier = (random.random(shape) < form.outlier_share) * random.standard_normal(shape) * form.outlier_sd_pct / 100
    own_level = form.level_sd_pct / 100 * random.standard_normal((athletes, runs, 1))
    own_drift = form.own_drift_sd_pct / 100 * random.standard_normal((athletes, runs, 1))
    if form.per_m_s is None:
        exponent = form.per_speed + form.per_speed_sd * random.standard_normal((athletes, 1, 1))
        at_speed = np.log(form.level) + exponent * np.log(speed / REFERENCE_M_S)
    else:
        at_speed = np.log(form.level + form.per_m_s * (speed - REFERENCE_M_S))
    changed = (np.log1p(form.drift_pct / 100) + own_drift) * np.maximum(ten_km - form.onset_km / 10, 0)
    hill = form.per_slope * slope + form.per_slope_squared * slope_squared
    return np.asarray(np.exp(at_speed + own_level + hill + changed + error + outlier))


def _correlated(innovation: Array, rho: float) -> Array:
    """Errors of equal variance that correlate by rho^x at x km, along the last axis."""
    errors = np.empty_like(innovation)
    errors[..., 0] = innovation[..., 0]
    for place in range(1, innovation.shape[-1]):
        errors[..., place] = rho * errors[..., place - 1] + np.sqrt(1 - rho**2) * innovation[..., place]
    return errors
