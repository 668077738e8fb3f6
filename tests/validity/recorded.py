"""What a device records of true speed, slope and form: rows of the table `samples`."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import polars as pl

from pipeline.core.metrics import READING_OF
from tests.validity.processes import SEGMENT_M, Array, along, smooth_altitude_error
from tests.validity.world import REFERENCE_M_S, Device

#: Where nothing is wrong, to divide by.
TINY = 1e-9


def is_second_source(device: Device, run: npt.NDArray[np.int64]) -> npt.NDArray[np.bool_]:
    """Whether a run of this number has its speed from the second source."""
    return (run % 2 == 1) & (device.second_speed_error_pct is not None)


def recorded(
    device: Device,
    random: np.random.Generator,
    *,
    column: str,
    speed: Array,
    slope: Array,
    value: Array,
    exists: npt.NDArray[np.bool_],
) -> pl.DataFrame:
    """Record a club.

    Args:
        device: what records it.
        random: source of the device's errors.
        column: the reading that `value` is of; the others are null.
        speed: true speed of each segment [m/s].
        slope: its true slope [%].
        value: the reading.
        exists: whether the segment is part of the run.

    Returns:
        Rows of `samples` with `athlete_id`: one per segment of 100 true metres.
    """
    shape = speed.shape
    sizes_pct = np.array([device.speed_error_pct, device.second_speed_error_pct or 0.0])
    error = along(random, shape, sizes_pct.max() / 100, device.speed_error_s * REFERENCE_M_S)
    second = is_second_source(device, np.arange(shape[1]))
    error *= (sizes_pct / max(sizes_pct.max(), TINY))[second.astype(int)][:, None]
    scale = device.scale_sd_pct / 100 * random.standard_normal((*shape[:2], 1))
    covered = np.broadcast_to(SEGMENT_M * np.exp(error + scale), shape)
    elapsed = np.cumsum(SEGMENT_M / speed, axis=-1)
    elapsed = np.rint(elapsed) if device.whole_seconds else elapsed
    altitude_error = smooth_altitude_error(random, shape, device.slope_error_pct)
    altitude = 50 + np.cumsum(slope * SEGMENT_M / 100, axis=-1) + altitude_error
    # Over 200 m of the measured altitude; exact altitude gives back the slope of the segment's surroundings.
    rise = np.gradient(altitude, axis=-1) if device.slope_error_pct else slope * SEGMENT_M / 100
    value = value * np.exp(device.shared_error * error)
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
            **{name: pl.col("value") if name == column else none for name in READING_OF},
        )
        .with_columns(run_id=pl.format("{}-r{}", "athlete_id", pl.col("run").cast(pl.String).str.zfill(3)))
        .drop("athlete", "run", "value")
    )
