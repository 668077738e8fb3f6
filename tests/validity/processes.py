"""Stationary processes along a run, in segments of 100 m."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.signal import lfilter

Array = npt.NDArray[np.float64]

SEGMENT_M = 100.0
SEGMENTS_PER_KM = 10
#: A process with this length has means of whole kilometres that correlate by 0.4 from one to the next.
PACE_LENGTH_M = 620.0
#: The same for a correlation of 0.5.
FORM_LENGTH_M = 870.0


def along(random: np.random.Generator, shape: tuple[int, ...], sd_of_km: float, length_m: float) -> Array:
    """A stationary first-order process along the last axis; the means of whole kilometres have the given deviation."""
    if not sd_of_km:
        return np.zeros(shape)
    rho = float(np.exp(-SEGMENT_M / length_m))
    lags = np.abs(np.subtract.outer(np.arange(SEGMENTS_PER_KM), np.arange(SEGMENTS_PER_KM)))
    return sd_of_km / np.sqrt((rho**lags).mean()) * first_order(random.standard_normal(shape), rho)


def first_order(innovation: Array, rho: float) -> Array:
    """Innovations of variance one → a process of variance one that correlates by rho from one to the next."""
    if not rho:
        return innovation
    scaled = np.sqrt(1 - rho**2) * innovation
    scaled[..., 0] = innovation[..., 0]
    return np.asarray(lfilter([1.0], [1.0, -rho], scaled, axis=-1))


def smooth_altitude_error(random: np.random.Generator, shape: tuple[int, ...], slope_sd_of_km: float) -> Array:
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
