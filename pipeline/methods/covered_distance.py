"""Distance covered between samples, from the best source there is, and mended where the source failed.

The device's distance comes first, else its speed, else great circles between positions. What nobody runs is taken out:
a leap of distance, a position astray. A stretch without progress that ends in a leap, as in a tunnel, gets the leap
spread over it. Every mended sample is counted.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from pipeline.core.arrays import Array, Mask
from pipeline.core.quality_rules import (
    ASTRAY,
    CORRECTED,
    DISTANCE,
    FROZEN,
    INTERPOLATED,
    SPREAD,
    Tally,
    count_samples,
    rule,
)

#: Slightly above the fastest instant of a men's 100 m record (about 12.4 m/s, from memory).
FASTEST_M_S = 12.5
#: Below this cadence the athlete stands [steps/min]. Common practice, no source.
STAND_BELOW_SPM = 60.0
#: From this cadence on the athlete runs [steps/min]. Source: Hum Mov Sci 2023, 90:103117 (band 135-140).
RUN_FROM_SPM = 140.0
#: A step back by more than this is a counter set back to zero, not a correction. Common practice, no source.
COUNTER_RESET_M = 50.0
#: Mean radius of the Earth (IUGG), for great circles. From memory; 0.1 % off would be 1 m per kilometre.
EARTH_RADIUS_M = 6_371_008.8
#: Positions may be this fast without being astray, however slow the run [m/s]. Common practice, no source.
ASTRAY_ABOVE_M_S = 6.0
#: A frozen stretch and its leap are together this many times as fast as usual. Common practice, no source.
PLAUSIBLE = (0.5, 1.5)
#: A leap is at least this many times as fast as usual, and takes at most so many samples. Common practice, no source.
LEAPS_FROM, MOST_LEAPS = 2.0, 30


class Covered(NamedTuple):
    """What was covered.

    Attributes:
        step_m: distance covered in each interval [m].
        is_mended: the intervals whose distance was put together otherwise than recorded.
    """

    step_m: Array
    is_mended: Mask


def covered(readings: Mapping[str, npt.NDArray[Any]], interval_s: Array, tally: Tally) -> Covered:
    """Distance covered in each interval.

    Args:
        readings: `distance_m`, `speed_m_s`, `latitude_deg`, `longitude_deg` and `cadence_spm` of each sample, NaN where
            missing.
        interval_s: time that each sample stands for [s].
        tally: of mended samples, added to.
    """
    distance = readings["distance_m"]
    known = np.isfinite(distance)
    speed = readings["speed_m_s"]
    by_speed = np.where(np.isfinite(speed), speed, 0.0) * interval_s
    nothing_mended = np.zeros(len(distance), dtype=bool)
    if np.count_nonzero(known) < 2:
        if np.count_nonzero(np.isfinite(speed)) >= 2:
            return Covered(by_speed, nothing_mended)
        return _between_sound_positions(readings, interval_s, tally)

    # A missing distance is interpolated between its neighbours in running time.
    if not known.all():
        clock = np.cumsum(interval_s)
        distance = np.where(known, distance, np.interp(clock, clock[known], distance[known]))
        count_samples(tally, DISTANCE, "between", INTERPOLATED, int((~known).sum()))
    back = np.ediff1d(distance, to_begin=0.0)
    step = _forward(distance, back, by_speed, tally) if (back < 0).any() else back
    step, is_mended = _without_frozen(step, by_speed, interval_s, readings["cadence_spm"], tally)
    # Devices write whole seconds: an interval may have lasted one second longer than it says.
    leap = (step > FASTEST_M_S * (interval_s + 1.0)) & ~is_mended
    if leap.any():
        count_samples(tally, DISTANCE, "leapt", CORRECTED, int(leap.sum()))
        step = np.where(leap, by_speed, step)
    return Covered(step, is_mended)


def _forward(distance: Array, back: Array, by_speed: Array, tally: Tally) -> Array:
    """Distance covered where it was not always recorded as growing: steps back are none, or a counter set to zero."""
    counter = np.cumsum(back < -COUNTER_RESET_M)
    count_samples(tally, DISTANCE, "counter_set_back", CORRECTED, int(counter[-1]))
    forward = np.array(distance)
    for part in range(int(counter[-1]) + 1):
        forward[counter == part] = np.maximum.accumulate(distance[counter == part])
    count_samples(tally, DISTANCE, "stepped_back", CORRECTED, int((forward > distance).sum()))
    step = np.diff(forward, prepend=forward[0])
    return np.where(np.diff(counter, prepend=0) > 0, by_speed, step)


def speed_source(readings: Mapping[str, npt.NDArray[Any]], *, is_indoors: bool) -> str:
    """What `covered` takes distance from; of `SPEED_SOURCES`."""

    def has(*columns: str) -> bool:
        return all(np.count_nonzero(np.isfinite(readings[column])) >= 2 for column in columns)

    is_located = has("latitude_deg", "longitude_deg")
    if has("distance_m"):
        return "treadmill" if is_indoors else "device" if is_located else "unlocated"
    return "speed" if has("speed_m_s") or not is_located else "positions"


def _usual_m_s(step: Array, interval_s: Array) -> float | None:
    """The median speed of the intervals in which there was progress; None where there was none."""
    is_moving = (step > 0) & (interval_s > 0)
    return float(np.median(step[is_moving] / interval_s[is_moving])) if is_moving.any() else None


# --- Frozen distance --------------------------------------------------------------------------------------------------


def _without_frozen(
    step: Array, by_speed: Array, interval_s: Array, cadence: Array, tally: Tally
) -> tuple[Array, Mask]:
    """Spread leaps over the frozen stretches before them; fill stretches that do not leap by speed, where it ran on."""
    is_mended = np.zeros(len(step), dtype=bool)
    stretches = _frozen_stretches(step, interval_s, cadence)
    if not stretches:
        return step, is_mended
    usual_m_s = _usual_m_s(step, interval_s)
    if usual_m_s is None:
        return step, is_mended
    step, n_spread, n_by_speed, n_frozen = np.array(step), 0, 0, 0
    for first, stop in stretches:
        last = _end_of_leap(step, interval_s, stop, usual_m_s)
        whole = slice(first, last)
        duration_s, length_m = float(interval_s[whole].sum()), float(step[whole].sum())
        if last > stop and PLAUSIBLE[0] <= length_m / duration_s / usual_m_s <= PLAUSIBLE[1]:
            recorded_m = by_speed[whole].sum()
            shape = by_speed[whole] if abs(recorded_m - length_m) <= length_m / 4 else interval_s[whole]
            step[whole] = length_m * shape / shape.sum()
            is_mended[whole] = True
            n_spread += last - first
        elif interval_s[first:stop].sum() >= _FROZEN.threshold and _mean(cadence[first:stop]) >= RUN_FROM_SPM:
            frozen = slice(first, stop)
            speed = by_speed[frozen].sum() / interval_s[frozen].sum()
            if PLAUSIBLE[0] <= speed / usual_m_s <= PLAUSIBLE[1]:
                step[frozen] = by_speed[frozen]
                is_mended[frozen] = True
                n_by_speed += stop - first
            else:
                n_frozen += stop - first
    count_samples(tally, DISTANCE, "spread", SPREAD, n_spread)
    count_samples(tally, DISTANCE, "by_speed", SPREAD, n_by_speed)
    count_samples(tally, DISTANCE, "frozen", FROZEN, n_frozen)
    return step, is_mended


_SPREAD_FROM, _FROZEN = rule("frozen_and_mended", DISTANCE), rule("frozen", DISTANCE)


def _frozen_stretches(step: Array, interval_s: Array, cadence: Array) -> list[tuple[int, int]]:
    """Stretches without any progress that are long enough, in which nobody stood by cadence: first sample, and stop."""
    is_still = (step == 0) & ~(cadence < STAND_BELOW_SPM)
    is_still[0] = False  # no interval ends there
    if not is_still.any():
        return []
    edges = np.flatnonzero(np.diff(is_still, append=False))
    firsts, stops = edges[::2] + 1, edges[1::2] + 1
    clock = np.concatenate([[0.0], np.cumsum(interval_s)])
    is_long = clock[stops] - clock[firsts] >= _SPREAD_FROM.threshold
    return list(zip(firsts[is_long].tolist(), stops[is_long].tolist(), strict=True))


def _end_of_leap(step: Array, interval_s: Array, stop: int, usual_m_s: float) -> int:
    """Where the leap that begins at a sample ends; there itself where none begins."""
    last = stop
    most = min(len(step), stop + MOST_LEAPS)
    while last < most and step[last] > LEAPS_FROM * usual_m_s * interval_s[last]:
        last += 1
    return last


def _mean(values: Array) -> float:
    known = values[np.isfinite(values)]
    return float(known.mean()) if len(known) else 0.0


# --- Positions --------------------------------------------------------------------------------------------------------


def great_circles(readings: Mapping[str, npt.NDArray[Any]]) -> Array:
    """Haversine distance from the position before [m]; 0 where either is missing."""
    latitude, longitude = np.radians(readings["latitude_deg"]), np.radians(readings["longitude_deg"])
    step = np.zeros(len(latitude))
    known = np.flatnonzero(np.isfinite(latitude) & np.isfinite(longitude))
    before, here = known[:-1], known[1:]
    haversine = (
        np.sin((latitude[here] - latitude[before]) / 2) ** 2
        + np.cos(latitude[before]) * np.cos(latitude[here]) * np.sin((longitude[here] - longitude[before]) / 2) ** 2
    )
    step[here] = 2 * EARTH_RADIUS_M * np.arcsin(np.sqrt(np.clip(haversine, 0, 1)))
    return step


def _between_sound_positions(readings: Mapping[str, npt.NDArray[Any]], interval_s: Array, tally: Tally) -> Covered:
    """Great circles between positions, those astray left out: the way past one is spread over the time that it took."""
    step, is_mended = great_circles(readings), np.zeros(len(interval_s), dtype=bool)
    latitude_deg, longitude_deg = readings["latitude_deg"], readings["longitude_deg"]
    known = np.flatnonzero(np.isfinite(latitude_deg) & np.isfinite(longitude_deg))
    if len(known) < 3:
        return Covered(step, is_mended)
    clock = np.cumsum(interval_s)
    astray = _astray(np.radians(latitude_deg[known]), np.radians(longitude_deg[known]), clock[known], step[known[1:]])
    if not astray.any():
        return Covered(step, is_mended)
    count_samples(tally, DISTANCE, "astray", ASTRAY, int(astray.sum()))
    sound = known[~astray]
    is_astray = np.zeros(len(clock), dtype=bool)
    is_astray[known[astray]] = True
    step = great_circles(
        {
            "latitude_deg": np.where(is_astray, np.nan, latitude_deg),
            "longitude_deg": np.where(is_astray, np.nan, longitude_deg),
        }
    )
    spread = np.diff(np.interp(clock, clock[sound], np.cumsum(step)[sound]), prepend=0.0)
    # Before the first sound position and after the last one there is no way to spread: the usual speed.
    usual_m_s = _usual_m_s(step, interval_s) or 0.0
    outside = np.ones(len(clock), dtype=bool)
    outside[sound[0] + 1 : sound[-1] + 1] = False
    spread = np.where(outside, usual_m_s * interval_s, spread)
    is_mended |= is_astray
    is_mended[known[1:][astray[:-1] & ~astray[1:]]] = True  # the sound position after one astray
    return Covered(np.where(is_mended, spread, step), is_mended)


def _astray(latitude: Array, longitude: Array, clock: Array, between: Array) -> Mask:
    """Positions that cannot be reached from the last sound one at the speed of this run.

    The longest part of the track without an impossible step is sound. From its ends outwards, a position is sound if
    it can be reached in the time that went by; a position astray leads to no other.
    """
    n = len(latitude)
    astray = np.zeros(n, dtype=bool)
    duration_s = np.diff(clock)
    usual_m_s = _usual_m_s(between, duration_s)
    if usual_m_s is None:
        return astray
    fastest = max(ASTRAY_ABOVE_M_S, min(FASTEST_M_S, rule("positions_astray", DISTANCE).threshold * usual_m_s))
    impossible = np.flatnonzero(between > fastest * (duration_s + 1.0))
    if not len(impossible):
        return astray
    edges = np.concatenate([[0], impossible + 1, [n]])
    longest = int(np.argmax(np.diff(edges)))
    begin, stop = int(edges[longest]), int(edges[longest + 1])
    cosine = np.cos(latitude[begin])
    # Local metres: what is far enough to be astray need not be known exactly.
    x = EARTH_RADIUS_M * cosine * ((longitude - longitude[begin] + np.pi) % (2 * np.pi) - np.pi)
    y = EARTH_RADIUS_M * latitude
    for last, outwards in ((stop - 1, range(stop, n)), (begin, range(begin - 1, -1, -1))):
        sound = last
        for place in outwards:
            way = np.hypot(x[place] - x[sound], y[place] - y[sound])
            if way <= fastest * (abs(clock[place] - clock[sound]) + 1.0):
                sound = place
            else:
                astray[place] = True
    return astray
