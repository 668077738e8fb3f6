"""Rows of `splits` for tests that know speed and form kilometre by kilometre."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import numpy.typing as npt
import polars as pl

from pipeline.tables import publishable

Array = npt.NDArray[np.float64]


def splits_of_runs(runs: Sequence[Mapping[str, Array]], *, athlete_id: str = "a") -> pl.DataFrame:
    """Whole kilometres on the level, all of them run.

    Args:
        runs: columns of each run, one value per kilometre; `speed_m_s` and any others of `splits`.
        athlete_id: whose they are.

    Returns:
        Rows of `splits`; flight time, duty factor and step length follow from cadence and contact time.
    """
    frames = []
    for number, run in enumerate(runs):
        km = np.arange(1, len(run["speed_m_s"]) + 1)
        seconds = 1000 / run["speed_m_s"]
        columns: dict[str, object] = {"km": km, "moving_s": seconds, "running_s": seconds, **run}
        if "cadence_spm" in run:
            columns["step_length_m"] = 60 * run["speed_m_s"] / run["cadence_spm"]
        if "cadence_spm" in run and "contact_time_ms" in run:
            columns["flight_time_ms"] = 60_000 / run["cadence_spm"] - run["contact_time_ms"]
            columns["duty_factor"] = run["contact_time_ms"] * run["cadence_spm"] / 120_000
        frames.append(
            pl.DataFrame(columns).with_columns(
                run_id=pl.lit(f"{athlete_id}-r{number:03d}"),
                athlete_id=pl.lit(athlete_id),
                length_m=1000.0,
                run_share=1.0,
                slope_pct=0.0,
                slope_squared_pct2=0.0,
                log_speed_variance=0.0,
                lagged_speed_m_s="speed_m_s",
                altitude=pl.lit("steady"),
                speed_source=pl.lit("device"),
                n_valid=pl.lit(300),
            )
        )
    return publishable("splits", pl.concat(frames), subject="the invented runs")
