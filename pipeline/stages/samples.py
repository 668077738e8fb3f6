"""Stage `samples`: a recording → one row per instant, on one clock, with distance that never decreases.

Rows in: the readings of one recording, as its device wrote them. Rows out: the samples of one run, each standing for
the interval that ends at it; also how many values were excluded or mended, and why. Readings are excluded (made null),
never altered; time and distance, which every later number rests on, are mended by the rules of
`pipeline/methods/covered_distance.py`. What shows only over a whole run, such as a stuck sensor, is in
`pipeline/methods/sensor_faults.py`.

Method. Equal instants are merged. Pauses come from the device's timer events and from holes without progress. Distance
comes from the device, else from its speed, else from great circles between positions, which are then dropped. Slope is
the local least-squares line of altitude over distance. Gait is decided by cadence: walking and running cadence cross
at 135-140 steps/min; speed decides inside that band and where cadence is missing.
"""

from __future__ import annotations

from collections.abc import Sequence, Set
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import polars as pl

from pipeline.core.arrays import Array, Mask
from pipeline.core.metrics import BUILT_IN, Registry
from pipeline.core.quality_rules import (
    ALTITUDE,
    CLOCK,
    CORRECTED,
    IMPOSSIBLE,
    MERGED,
    MOVED_ON,
    NO_READING,
    SPEED,
    WHOLE_ROWS,
    Tally,
    count_samples,
    rule,
)
from pipeline.formats import Recording
from pipeline.methods.covered_distance import RUN_FROM_SPM, STAND_BELOW_SPM, covered, speed_source
from pipeline.methods.impossible_values import NO_PERSON, Columns, Rule, apply, impossible, lost, outside, without
from pipeline.methods.sensor_faults import RUN_FROM_M_S, sensor_faults

#: Walking and running cadence cross inside this band: 140 steps/min by itself tells 91 % of strides, own cut-offs of
#: 134-141 tell 93 %, recommended band 135-140. Source: Hum Mov Sci 2023, 90:103117 (28 adults).
WALK_BELOW_SPM = 135.0  # and RUN_FROM_SPM
#: Over some kilometres people mix walking and running up to this speed, and only run above it.
#: Source: arXiv 2501.00720 (1.9 to 3.0 m/s).
WALK_UP_TO_M_S = 3.0
#: Below this no one runs, even if a cadence sensor counts while its wearer stands. Common practice, no source.
RUN_AT_LEAST_M_S = 1.0
#: Below this there is no progress, and satellite positions wander. Common practice, no source.
STAND_BELOW_M_S = 0.5
#: Longest foot contact of a running step: 565 ms is 56.5 % of a one-second stride, the largest share seen in slow
#: runners. Source: BMJ Open SEM 2021, 7:e000996 (duty factor 42.5-56.5 % below 2.6 m/s).
LARGEST_DUTY_FACTOR = 0.565
#: Fastest stepping of a person: sprinters stay below 5 steps/s (from memory).
MOST_CADENCE_SPM = 300.0
#: The steepest slope of published running energetics (Minetti 2002).
STEEPEST_PCT = 45.0
#: An altitude this far from the median of its neighbours is a spike. Common practice, no source.
ALTITUDE_SPIKE_M = 15.0
_NEIGHBOURS = 11
#: What clocks are set back by at the end of summer time.
HOUR_S = 3600.0
#: Recorded speed whose mean departs from distance over time by more than this share belongs to another quantity.
#: Common practice, no source.
SPEED_DISAGREES = 0.15
#: A sample further than this from the middle of the recording has a wrong date. The longest races last two days.
LONGEST_RUN_S = 2 * 86_400.0


@dataclass(frozen=True)
class RunSamples:
    """What the stage hands on of one run, as columns: frames are made of many runs at once.

    Attributes:
        columns: those of the table `samples` that hold numbers, NaN where a value is missing.
        gait: place of each sample's gait in `GAITS`.
        tally: samples that were excluded or mended.
        started_s: time of the first sample on the recording's clock [s].
        paused_s: time in pauses [s].
        altitude: its kind: steady, rough or absent.
        speed_source: where distance and speed come from, of `SPEED_SOURCES`.
    """

    columns: Columns
    gait: npt.NDArray[np.intp]
    tally: Tally
    started_s: float
    paused_s: float
    altitude: str
    speed_source: str
    run_id: str | None = None

    def named(self, run_id: str) -> RunSamples:
        """The same, under the name of the run, which is known once its start is."""
        return replace(self, run_id=run_id)

    def has(self, column: str) -> bool:
        """Whether any sample has a value."""
        return bool(np.isfinite(self.columns[column]).any())

    @property
    def samples(self) -> pl.DataFrame:
        """Rows of the table `samples`."""
        return samples_of([self])

    @property
    def exclusions(self) -> pl.DataFrame:
        """Rows of the table `exclusions`."""
        return exclusions_of([self])


GAITS = pl.Series("gait", ["walk", "run", "stand"])


#: Of the columns of `samples` those that are made here, beside the readings.
_MADE = ("elapsed_s", "interval_s", "distance_m", "covered_m", "speed_m_s", "altitude_m", "slope_pct")


def samples_of(runs: Sequence[RunSamples]) -> pl.DataFrame:
    """Rows of the table `samples` of some runs, one after the other; of runs without a name without `run_id`."""
    columns = (
        pl.Series(name, np.concatenate([run.columns[name] for run in runs]), nan_to_null=True)
        for name in runs[0].columns
    )
    gait = GAITS.gather(np.concatenate([run.gait for run in runs]))
    names = pl.Series("run_id", [run.run_id for run in runs], dtype=pl.String)
    rows = pl.DataFrame(
        [names.gather(np.repeat(np.arange(len(runs)), [len(run.gait) for run in runs])), *columns, gait]
    )
    return rows if all(run.run_id is not None for run in runs) else rows.drop("run_id")


def exclusions_of(runs: Sequence[RunSamples]) -> pl.DataFrame:
    """Rows of the table `exclusions` of some runs."""
    rows = [(run.run_id, *key, n_samples) for run in runs for key, n_samples in sorted(run.tally.items())]
    columns = dict.fromkeys(("run_id", "quantity", "reason", "fault"), pl.String) | {"n_samples": pl.Int64}
    return pl.DataFrame(rows, schema=columns, orient="row")


def samples(
    recording: Recording,
    *,
    gap_s: float,
    slope_window_m: float,
    slope_window_rough_m: float,
    rough_altitude_m: float,
    registry: Registry = BUILT_IN,
) -> RunSamples:
    """Settle the clock, the distance, the slope and the gait of one run.

    Args:
        recording: its readings; at least one with a time.
        gap_s: a hole longer than this (and than three usual intervals) is a pause if nothing was covered [s].
        slope_window_m: window of the slope fit for steady altitude [m].
        slope_window_rough_m: the same for rough altitude [m].
        rough_altitude_m: median second difference above which altitude is rough [m].
        registry: the quantities in force.

    Returns:
        The samples in order of time. Empty if no reading has a time.
    """
    tally: Tally = {}
    clocked = _one_clock(recording.readings, tally)
    # Most devices lack some sensor: its column is made once, and the rules for its readings are left out.
    nowhere = np.full(clocked.height, np.nan)
    rows = {column.name: column.to_numpy() if column.count() else nowhere for column in clocked.get_columns()}
    if not len(rows["time_s"]):
        nothing: Columns = {name: np.empty(0) for name in (*_MADE, *registry.reading_of)}
        return RunSamples(nothing, np.empty(0, dtype=np.intp), tally, 0.0, 0.0, "absent", "unlocated")
    recorded = {name for name, values in rows.items() if values is not nowhere}
    readings = apply(impossible(registry), rows, tally, recorded)
    time_s = readings["time_s"]
    longest_s = _longest_s(time_s, gap_s) if recording.grain == "sample" else np.inf
    interval_s, paused_s = _intervals(time_s, recording.pauses)
    covered_m, is_mended = covered(readings, interval_s, tally)
    source = speed_source(readings, is_indoors=recording.is_indoors)
    hole = interval_s > longest_s
    standing = hole & (covered_m < STAND_BELOW_M_S * interval_s)
    paused_s += float(interval_s[standing].sum())
    interval_s = np.where(standing, 0.0, interval_s)
    covered_m = np.where(interval_s > 0, covered_m, 0.0)
    # To the millimetre, as published, and what each interval covers as its differences: nothing is lost between them.
    distance_m: Array = np.cumsum(covered_m).round(3)
    covered_m = np.ediff1d(distance_m, to_begin=distance_m[0]).round(3)

    altitude_m = _without_spikes(readings["altitude_m"], tally)
    rough = _is_rough(altitude_m, rough_altitude_m)
    slope_pct = _slope(distance_m, altitude_m, covered_m, slope_window_rough_m if rough else slope_window_m)
    speed_m_s = _speed(readings["speed_m_s"], interval_s, covered_m, hole | is_mended, tally)
    gait, clean = _gait({**readings, "speed_m_s": speed_m_s, "is_hole": hole}, interval_s, recorded, tally, registry)
    columns = {
        "elapsed_s": time_s - time_s[0],
        "interval_s": interval_s,
        "distance_m": distance_m,
        "covered_m": covered_m,
        "speed_m_s": speed_m_s,
        "altitude_m": altitude_m,
        "slope_pct": slope_pct,
        **{name: clean[name] for name in registry.reading_of},
    }
    kind = "absent" if not np.isfinite(altitude_m).any() else "rough" if rough else "steady"
    return RunSamples(columns, gait, tally, float(time_s[0]), paused_s, kind, source)


# --- Clock -----------------------------------------------------------------------------------------------------------


def _one_clock(readings: pl.DataFrame, tally: Tally) -> pl.DataFrame:
    """Rows in order of time, one per instant: of rows with equal times each column keeps its last value."""
    time_s = readings["time_s"].to_numpy()
    if _is_one_clock(time_s):
        return readings
    is_timed = np.isfinite(time_s)
    timed_s = time_s[is_timed]
    if (timed_s != np.floor(timed_s)).any():
        readings = readings.with_columns(pl.col("time_s").round(3))  # as published: nearer instants are one
        time_s = readings["time_s"].to_numpy()
        timed_s = time_s[is_timed]
    count_samples(tally, WHOLE_ROWS, "no_time", NO_READING, int((~is_timed).sum()))
    is_far = np.zeros(len(time_s), dtype=bool)
    if len(timed_s) and np.ptp(timed_s) > LONGEST_RUN_S:
        is_far = is_timed & ~(np.abs(time_s - np.median(timed_s)) <= LONGEST_RUN_S)
    count_samples(tally, WHOLE_ROWS, "far_date", NO_READING, int(is_far.sum()))
    kept = is_timed & ~is_far
    rows = readings if kept.all() else readings.filter(pl.Series(kept))
    steps_s = np.diff(time_s[kept])
    if (steps_s < 0).any():
        rows = _moved_on(rows, steps_s, tally)
        rows = rows.sort("time_s", maintain_order=True)
        steps_s = np.diff(rows["time_s"].to_numpy())
    if (steps_s == 0).any():
        rows = rows.group_by("time_s", maintain_order=True).agg(pl.all().drop_nulls().last())
    n_merged = int(kept.sum()) - rows.height
    count_samples(tally, WHOLE_ROWS, "same_instant", MERGED, n_merged)
    return rows


def _is_one_clock(time_s: Array) -> bool:
    """Whether whole seconds grow with each row, over no longer than a run lasts: as they mostly do."""
    is_later, is_whole = time_s[1:] > time_s[:-1], time_s == np.floor(time_s)
    return bool(is_later.all() and is_whole.all() and (time_s[-1:] <= time_s[:1] + LONGEST_RUN_S).all())


def _moved_on(rows: pl.DataFrame, steps_s: Array, tally: Tally) -> pl.DataFrame:
    """Rows in the order of the file, moved on by an hour after their clock was set back by one, once."""
    (back,) = np.flatnonzero(steps_s < 0) if np.count_nonzero(steps_s < 0) == 1 else (-1,)
    if back < 0 or not -HOUR_S <= steps_s[back] <= rule("clock_set_back", CLOCK).threshold - HOUR_S:
        return rows
    n_moved = len(steps_s) - int(back)
    count_samples(tally, WHOLE_ROWS, "set_back", MOVED_ON, n_moved)
    moved_s = np.repeat([0.0, HOUR_S], [rows.height - n_moved, n_moved])
    return rows.with_columns(pl.col("time_s") + pl.Series(moved_s))


def _longest_s(time_s: Array, gap_s: float) -> float:
    """What no interval without a hole is longer than [s]; the usual interval is asked for only where one may be."""
    steps_s = np.diff(time_s)
    return max(gap_s, 3 * float(np.median(steps_s))) if (steps_s > gap_s).any() else gap_s


def _intervals(time_s: Array, pauses: Sequence[tuple[float, float]]) -> tuple[Array, float]:
    """Time each sample stands for, without the pauses of the timer; and the time in those pauses [s]."""
    interval_s = np.ediff1d(time_s, to_begin=0.0)
    if not pauses:
        return interval_s, 0.0
    edges = np.array(sorted(pauses)).ravel()
    lengths = np.diff(edges)
    lengths[1::2] = 0  # between pauses the sum stands still
    paused = np.interp(time_s, edges, np.concatenate([[0], np.cumsum(lengths)]))
    inside = np.diff(paused, prepend=paused[0])
    return np.maximum(interval_s - inside, 0.0), float(inside.sum())


# --- Distance and speed ----------------------------------------------------------------------------------------------


def _speed(
    recorded: Array,
    interval_s: Array,
    covered_m: Array,
    unusable: Mask,
    tally: Tally,
) -> Array:
    """Recorded speed [m/s]; from distance over time where it is missing, spans a hole or mended distance, or disagrees
    throughout.
    """
    by_distance = np.divide(covered_m, interval_s, out=np.full(len(covered_m), np.nan), where=interval_s > 0)
    known = np.isfinite(recorded) & (interval_s > 0) & ~unusable
    covered, by_speed = covered_m[known].sum(), (recorded * interval_s)[known].sum()
    if known.any() and abs(by_speed - covered) > SPEED_DISAGREES * covered:
        count_samples(tally, SPEED, "speed_disagrees", CORRECTED, int(known.sum()))
        known = np.zeros(len(known), dtype=bool)
    return np.where(known, recorded, by_distance)


# --- Altitude and slope ----------------------------------------------------------------------------------------------


def _without_spikes(altitude_m: Array, tally: Tally) -> Array:
    """Altitude without spikes [m]."""
    if not _may_spike(altitude_m[np.isfinite(altitude_m)]):
        return altitude_m
    series = pl.Series(altitude_m).fill_nan(None)
    around = series.rolling_median(_NEIGHBOURS, center=True, min_samples=1)
    spike = ((series - around).abs() > ALTITUDE_SPIKE_M).fill_null(value=False).to_numpy()
    count_samples(tally, ALTITUDE, "spike", IMPOSSIBLE, int(spike.sum()))
    return np.where(spike, np.nan, altitude_m)


def _may_spike(known_m: Array) -> bool:
    """Whether altitude moves so much among as many neighbours that one of them could be a spike: seldom, and to look
    for spikes takes a fifth of the stage.
    """
    limit_m = 0.99 * ALTITUDE_SPIKE_M  # less what rounding of the sums may hide
    steps_m = np.abs(np.diff(known_m))
    if np.max(steps_m, initial=0.0) * (_NEIGHBOURS - 1) <= limit_m:
        return False
    ways_m = np.concatenate([[0.0], np.cumsum(steps_m)])
    longest_m = np.max(ways_m[_NEIGHBOURS - 1 :] - ways_m[: 1 - _NEIGHBOURS], initial=0.0)
    if len(ways_m) < _NEIGHBOURS:
        longest_m = ways_m[-1]
    return bool(longest_m > limit_m)


def _is_rough(altitude_m: Array, rough_altitude_m: float) -> bool:
    """Whether the median size of the second differences of altitude is above the threshold [m]."""
    sizes_m = np.abs(np.diff(altitude_m[np.isfinite(altitude_m)], n=2))
    if 2 * np.count_nonzero(sizes_m > rough_altitude_m) < len(sizes_m) or not len(sizes_m):
        return False  # nor can the median be
    return bool(np.median(sizes_m) > rough_altitude_m)


def _slope(distance_m: Array, altitude_m: Array, covered_m: Array, window_m: float) -> Array:
    """Slope of the weighted least-squares line through the window around each sample [%].

    Samples weigh by the distance they cover, so that standing still does not pull the line. Running sums make it linear
    in the number of samples. NaN where the window holds less than a quarter of its length of known altitude.
    """
    is_known = np.isfinite(altitude_m)
    weight = np.where(is_known, covered_m, 0.0)
    total = weight.sum()
    if total <= 0:
        return np.full(len(distance_m), np.nan)
    height = np.where(is_known, altitude_m, 0.0)
    # Centred, or squares of distance would swallow the digits of a hill.
    x = distance_m - (weight @ distance_m) / total
    y = np.where(weight > 0, height - (weight @ height) / total, 0.0)
    first = np.searchsorted(distance_m, distance_m - window_m / 2, side="left")
    last = np.searchsorted(distance_m, distance_m + window_m / 2, side="right")

    sums = np.zeros(len(distance_m) + 1)

    def within(values: Array) -> Array:
        np.cumsum(values, out=sums[1:])
        return sums.take(last) - sums.take(first)

    weighted_x = weight * x
    w, wx, wy = within(weight), within(weighted_x), within(weight * y)
    with np.errstate(divide="ignore", invalid="ignore"):
        variance = within(weighted_x * x) - wx * wx / w
        slope = 100 * (within(weighted_x * y) - wx * wy / w) / variance
    enough = (w >= window_m / 4) & (variance > (window_m / 16) ** 2 * w) & (np.abs(slope) <= STEEPEST_PCT)
    return np.where(enough, slope, np.nan)


# --- Values and gait -------------------------------------------------------------------------------------------------


def _zero_while_moving(rows: Columns) -> Mask:
    is_zero: Mask = (rows["cadence_spm"] == 0) & (rows["speed_m_s"] >= RUN_AT_LEAST_M_S)
    return is_zero


def _too_slow_for_its_speed(rows: Columns) -> Mask:
    is_of_a_walk = (rows["cadence_spm"] < WALK_BELOW_SPM) & (rows["cadence_spm"] > 0)
    is_too_slow: Mask = is_of_a_walk & (rows["steady_speed_m_s"] > WALK_UP_TO_M_S)
    return is_too_slow


def _too_long_for_a_run(rows: Columns) -> Mask:
    cadence: Array = np.where(np.isnan(rows["cadence_spm"]), RUN_FROM_SPM, rows["cadence_spm"])
    is_too_long: Mask = rows["is_run"] & (rows["contact_time_ms"] * cadence > LARGEST_DUTY_FACTOR * 120_000)
    return is_too_long


# Cadence is judged as a whole before value by value: twice what is run looks impossible, half of it looks like a walk.
_CADENCE_DROPPED = (
    Rule("cadence_spm", NO_PERSON, outside("cadence_spm", (0.0, MOST_CADENCE_SPM))),
    Rule("cadence_spm", "zero_while_moving", _zero_while_moving, NO_READING),
    Rule("cadence_spm", "of_a_walk", _too_slow_for_its_speed),
)
_NOT_OF_A_RUN = (Rule("contact_time_ms", "too_long", _too_long_for_a_run),)


def _gait(
    run: Columns, interval_s: Array, recorded: Set[str], tally: Tally, registry: Registry
) -> tuple[npt.NDArray[np.intp], Columns]:
    """Tell run, walk and stand apart, and exclude what no sensor measured or what cannot belong to that gait.

    Args:
        run: at least the readings, `speed_m_s` and `is_hole`.
        interval_s: time that each sample stands for [s].
        recorded: the columns with a value.
        tally: of excluded samples, added to.
        registry: the quantities in force.

    Returns:
        The place of each sample's gait in `GAITS`, and the columns with what was excluded missing.
    """
    # One noisy second is no change of gait: where only speed can decide, it is averaged with its neighbours.
    steady = _mean_of_five(run["speed_m_s"])
    run = {**run, "steady_speed_m_s": steady}
    if run["is_hole"].any():
        run = apply(lost(registry), run, tally, recorded)
    for broken in sensor_faults(run, interval_s, steady):
        run = without(run, broken.quantity, broken.samples, (broken.fault, broken.fault), tally)
    run = apply(_CADENCE_DROPPED, run, tally, recorded)
    cadence, speed = run["cadence_spm"], np.where(np.isnan(run["speed_m_s"]), 0.0, run["speed_m_s"])
    by_speed = ~(cadence < WALK_BELOW_SPM) & (steady >= RUN_FROM_M_S)
    is_run = np.where(cadence >= RUN_FROM_SPM, speed >= RUN_AT_LEAST_M_S, by_speed)
    stands = (speed < STAND_BELOW_M_S) & ((cadence < STAND_BELOW_SPM) | np.isnan(cadence))
    run = apply(_NOT_OF_A_RUN, {**run, "is_run": is_run & ~stands}, tally, recorded)
    return np.where(stands, 2, is_run), run


def _mean_of_five(values: Array) -> Array:
    """Mean of each value with its two neighbours on each side, of those there are; NaN where there is none."""
    known = np.isfinite(values)
    filled = np.where(known, values, 0.0)
    sums, n_known = np.zeros(len(values) + 4), np.zeros(len(values) + 4, dtype=np.uint8)
    for shift in range(5):
        sums[shift : shift + len(values)] += filled
        n_known[shift : shift + len(values)] += known
    with np.errstate(invalid="ignore"):
        return sums[2:-2] / n_known[2:-2]


def with_gait(run: pl.DataFrame, registry: Registry = BUILT_IN) -> pl.DataFrame:
    """Rows of the table `samples` of a run that was joined with readings of another recording, with their gait anew."""
    readings = {name: run[name].cast(pl.Float64).to_numpy() for name in (*registry.reading_of, "speed_m_s")}
    is_hole = {"is_hole": np.zeros(run.height, dtype=bool)}
    gait, clean = _gait({**readings, **is_hole}, run["interval_s"].to_numpy(), set(registry.reading_of), {}, registry)
    return run.with_columns(
        GAITS.gather(gait), *(pl.Series(name, clean[name], nan_to_null=True) for name in registry.reading_of)
    )
