"""FIT files of even runs."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

import numpy as np

from data.generator.fit_writer import run_file


def fit_run(
    started_at: str = "2026-03-14T09:00:00", *, km: float = 2.0, speed_m_s: float = 3.0, **columns: Any
) -> bytes:
    """A FIT file of an even run: a record every second, 170 steps a minute, 240 ms on the ground.

    Args:
        started_at: in UTC.
        km: length [km].
        speed_m_s: [m/s].
        columns: arguments of `data.generator.fit_writer.run_file` that differ; a number is repeated for each record.
    """
    elapsed_s = np.arange(0, 1000 * km / speed_m_s + 1)
    readings = {"speed_m_s": speed_m_s, "cadence_strides_min": 85.0, "contact_time_ms": 240.0, **columns}
    filled = {
        name: np.full(len(elapsed_s), value) if isinstance(value, int | float) and name != "header_size" else value
        for name, value in readings.items()
    }
    started_unix_s = int(datetime.fromisoformat(started_at).replace(tzinfo=UTC).timestamp())
    return run_file(started_unix_s, elapsed_s, np.minimum(elapsed_s * speed_m_s, 1000 * km), **filled)
