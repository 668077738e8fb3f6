"""Faults of sensors that show only over a whole run: stuck, one foot counted, counted twice, copied, a sudden step.

Columns of one run in, masks of samples out. The thresholds are rows of `pipeline/core/quality_rules.toml`.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from pipeline.core.arrays import Array, Mask
from pipeline.core.quality_rules import CADENCE, COPIED, DOUBLED, HALVED, HEART_RATE, STUCK, STUCK_RULES, rule

#: Speed that best tells running from walking where cadence cannot [m/s]. Source: Hum Mov Sci 2023, 90:103117 (own
#: cut-offs 1.9 and 2.0 m/s).
RUN_FROM_M_S = 2.0
#: Below this the athlete does not move, and a sensor may rest [m/s]. Common practice, no source.
MOVES_FROM_M_S = 1.0
#: Time, and share of the moving time, at such a speed that a cadence is judged by. Common practice, no source.
LEAST_RUN_S, LEAST_RUN_SHARE = 60.0, 0.25
#: A stuck stretch has at least this many samples. Common practice, no source.
LEAST_STUCK_SAMPLES = 20
#: Something else varies where its values span this share of their mean. Common practice, no source.
VARIES_BY = 0.005
#: Heart rate and cadence are equal within this [1/min], and vary by this where it is no chance. Common practice, no
#: source.
EQUAL_WITHIN, EQUAL_VARIES_BY = 1.0, 4.0
#: Below this they are equal to the digit: half of the resolution.
SAME_WITHIN = 0.5


@dataclass(frozen=True)
class SensorFault:
    """Samples of a quantity whose sensor was at fault; the fault is also the kind of the reason."""

    quantity: str
    fault: str
    samples: Mask


def sensor_faults(
    run: Mapping[str, npt.NDArray[Any]], interval_s: Array, steady_speed_m_s: Array
) -> Iterator[SensorFault]:
    """The faults of the sensors of one run; what is found by one rule is not looked at by the next.

    Args:
        run: columns by name, NaN where a value is missing, among them those of `STUCK_RULES`.
        interval_s: time that each sample stands for [s].
        steady_speed_m_s: speed as a mean over neighbouring samples.
    """
    moving_s = np.where(steady_speed_m_s >= MOVES_FROM_M_S, interval_s, 0.0)
    clock = np.cumsum(moving_s)
    if not len(clock):
        return
    cadence = run[CADENCE]
    n_cadence = np.count_nonzero(cadence > 0)
    if n_cadence:
        scale = _scale(cadence, interval_s, steady_speed_m_s, float(clock[-1]))
        if scale is not None:
            yield SensorFault(CADENCE, scale, cadence > 0)
    for quantity in STUCK_RULES:
        samples = _stuck(run, quantity, clock)
        if samples is not None:
            yield SensorFault(quantity, STUCK, samples)
    if n_cadence and clock[-1] >= _COPIED.threshold:
        yield from _copied(cadence, run[HEART_RATE], clock)


_ONE_FOOT, _TWICE = rule("one_foot_counted", CADENCE), rule("counted_twice", CADENCE)
_COPIED, _SAME = rule("copied", HEART_RATE), rule("copied", CADENCE)


def _scale(cadence: Array, interval_s: Array, steady_speed_m_s: Array, moving_s: float) -> str | None:
    """Whether cadence at speeds that are run is half or twice what it can be."""
    at_speed = (steady_speed_m_s >= RUN_FROM_M_S) & (cadence > 0)
    run_s = float(interval_s[at_speed].sum())
    if run_s < LEAST_RUN_S or run_s < LEAST_RUN_SHARE * moving_s:
        return None
    at_speed_spm = cadence[at_speed]
    n_odd = np.count_nonzero((at_speed_spm < _ONE_FOOT.threshold) | (at_speed_spm > _TWICE.threshold))
    if 2 * n_odd < len(at_speed_spm):
        return None  # nor can the median be
    median = float(np.median(at_speed_spm))
    return HALVED if median < _ONE_FOOT.threshold else DOUBLED if median > _TWICE.threshold else None


def _stuck(run: Mapping[str, npt.NDArray[Any]], quantity: str, clock: Array) -> Mask | None:
    """Samples in stretches at one value that last longer than the quantity ever stays constant."""
    values, limit = run[quantity], STUCK_RULES[quantity]
    is_known = values > 0
    n_known = np.count_nonzero(is_known)
    if n_known < LEAST_STUCK_SAMPLES:
        return None
    kept, clock = (values, clock) if n_known == len(values) else (values[is_known], clock[is_known])
    if not _may_stay(kept, clock, limit.threshold):
        return None
    is_edge = np.ones(n_known + 1, dtype=bool)
    np.not_equal(kept[1:], kept[:-1], out=is_edge[1:-1])
    edges = np.flatnonzero(is_edge)
    stretches = np.flatnonzero(edges[1:] - edges[:-1] >= LEAST_STUCK_SAMPLES)
    firsts, lasts = edges[stretches], edges[stretches + 1] - 1
    lasted_s = clock[lasts] - clock[firsts]
    longest = lasted_s >= limit.threshold
    if not longest.any():
        return None
    resolution = np.min(np.diff(np.unique(kept)), initial=np.inf)
    is_coarse = np.isfinite(resolution) and resolution >= limit.coarse_from
    known, samples = np.flatnonzero(is_known), np.zeros(len(values), dtype=bool)
    for place in np.flatnonzero(longest):
        first, last = int(known[firsts[place]]), int(known[lasts[place]])
        if is_coarse and lasted_s[place] < limit.coarse_threshold:
            continue
        if _something_else_varies(run, quantity, slice(first, last + 1)):
            samples[known[firsts[place] : lasts[place] + 1]] = True
    return samples if samples.any() else None


def _may_stay(values: Array, clock: Array, least_s: float) -> bool:
    """Whether any value may last that long: looked at every fifth of it, it would be met four times in a row. Seldom,
    and found in less time than where each value begins.
    """
    looked_at = values[np.searchsorted(clock, np.arange(clock[0], clock[-1], least_s / 5))]
    is_same = looked_at[1:] == looked_at[:-1]
    return bool((is_same[2:] & is_same[1:-1] & is_same[:-2]).any())


def _something_else_varies(run: Mapping[str, npt.NDArray[Any]], quantity: str, stretch: slice) -> bool:
    for other in (*STUCK_RULES, "speed_m_s"):
        values = run[other][stretch]
        values = values[np.isfinite(values)]
        if other != quantity and len(values) and np.ptp(values) > VARIES_BY * abs(values.mean()):
            return True
    return False


def _copied(cadence: Array, heart_rate: Array, clock: Array) -> Iterator[SensorFault]:
    """Where heart rate follows cadence step for step, or the reverse.

    Optical sensors lock on to the rhythm of the arm, so heart rate is excluded. Where the two are the same throughout,
    a column was copied, and both are excluded.
    """
    difference = np.abs(cadence - heart_rate)
    near = difference <= EQUAL_WITHIN
    if np.count_nonzero(near) < LEAST_STUCK_SAMPLES:
        return
    edges = np.flatnonzero(np.diff(np.concatenate([[False], near, [False]])))
    firsts, lasts = edges[::2], edges[1::2] - 1
    samples = np.zeros(len(cadence), dtype=bool)
    for place in np.flatnonzero(clock[lasts] - clock[firsts] >= _COPIED.threshold):
        stretch = slice(firsts[place], lasts[place] + 1)
        if np.ptp(cadence[stretch]) >= EQUAL_VARIES_BY:
            samples[stretch] = True
    if not samples.any():
        return
    yield SensorFault(HEART_RATE, COPIED, samples)
    both = np.isfinite(difference)
    if np.count_nonzero(difference <= SAME_WITHIN) >= _SAME.threshold * np.count_nonzero(both):
        yield SensorFault(CADENCE, COPIED, samples)


# --- Sudden steps -----------------------------------------------------------------------------------------------------

#: Means of a minute are compared, five on each side at least: two that are next to each other, or to the minute in
#: which it happens, must hold most of the shift, and the rest must scatter little about the two levels. Common
#: practice, no source.
BLOCK_S, LEAST_BLOCKS, ADJACENT_SHARE, SCATTERS = 60.0, 5, 0.6, 3.0
#: In the three minutes on each side the logarithm of speed varies by this at most: form may shift with pace. Common
#: practice, no source.
SPEED_STEADY = 0.10


def sudden_step(values: Array, speed_m_s: Array, threshold_pct: float) -> int | None:
    """The minute with which a quantity is shifted suddenly, and stays so, at equal speed; None where it is not.

    A drift has no place where two minutes hold most of the whole change; an interval session changes back.

    Args:
        values: means of the minutes of running, positive.
        speed_m_s: of the same minutes, positive.
        threshold_pct: smallest shift [%].
    """
    n = len(values)
    if n < 2 * LEAST_BLOCKS:
        return None
    y, x = np.log(values), np.log(speed_m_s)
    x, y = x - x.mean(), y - y.mean()
    # Two levels and one response to speed, for every place of the step at once. Of the sums of the first minutes, those
    # of the last ones follow, the sum of all being zero.
    n_low = np.arange(1, n)
    sum_x, sum_y = np.cumsum(x)[:-1], np.cumsum(y)[:-1]
    weight = n / (n_low * (n - n_low))
    xx, xy, yy = (x @ x) - weight * sum_x**2, (x @ y) - weight * sum_x * sum_y, (y @ y) - weight * sum_y**2
    slope = xy / np.maximum(xx, 1e-6 * n)
    rest = yy - slope * xy
    place = LEAST_BLOCKS - 1 + int(np.argmin(rest[LEAST_BLOCKS - 1 : n - LEAST_BLOCKS]))
    shift = float(-weight[place] * (sum_y[place] - slope[place] * sum_x[place]))
    around = slice(max(place - 2, 0), place + 4)
    if 100 * abs(math.expm1(shift)) < threshold_pct or np.ptp(x[around]) > SPEED_STEADY:
        return None
    adjusted = y - slope[place] * x
    low, high = adjusted[place - 1 : place + 1], adjusted[place + 1 : place + 3]
    jump = max((high[0] - low[1]) / shift, (high[1] - low[1]) / shift, (high[0] - low[0]) / shift)
    scatter = math.sqrt(max(rest[place], 0.0) / (n - 3))
    return place + 1 if jump >= ADJACENT_SHARE and abs(shift) >= SCATTERS * scatter else None
