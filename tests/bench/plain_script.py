"""The script one would write: FIT files by a pure-Python reader, means by kilometre, a slope a run. One process.

It does the least that answers the question at all: no gaps, no gait, no interpolated boundaries, no effect of speed or
slope, no intervals, no store. It is what `bench_refresh` compares splitdrift with.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

import fitdecode
import numpy as np
import polars as pl

#: Name in the FIT profile = our name.
FIELDS = {
    "timestamp": "time",
    "distance": "distance_m",
    "enhanced_speed": "speed_m_s",
    "enhanced_altitude": "altitude_m",
    "cadence": "strides_min",
    "fractional_cadence": "strides_min_more",
    "stance_time": "contact_time_ms",
    "vertical_oscillation": "vertical_oscillation_mm",
    "stance_time_balance": "contact_balance_pct",
    "heart_rate": "heart_rate_bpm",
}


def samples_of(path: Path) -> pl.DataFrame:
    """One row a record message."""
    columns: dict[str, list[object]] = {name: [] for name in FIELDS.values()}
    with fitdecode.FitReader(path) as reader:
        for frame in reader:
            if isinstance(frame, fitdecode.FitDataMessage) and frame.name == "record":
                for field, name in FIELDS.items():
                    columns[name].append(frame.get_value(field, fallback=None))
    return pl.DataFrame(columns, strict=False).with_columns(
        cadence_spm=2 * (pl.col("strides_min") + pl.col("strides_min_more").fill_null(0))
    )


def splits_of(samples: pl.DataFrame) -> pl.DataFrame:
    """One row a kilometre."""
    return (
        samples.with_columns(km=(pl.col("distance_m") // 1000).cast(pl.Int64) + 1)
        .group_by("km")
        .agg(
            pl.col("speed_m_s", "cadence_spm", "contact_time_ms", "vertical_oscillation_mm", "heart_rate_bpm").mean(),
            seconds=(pl.col("time").max() - pl.col("time").min()).dt.total_seconds(),
        )
        .sort("km")
    )


def slopes_of(splits: pl.DataFrame) -> dict[str, float]:
    """Change in percent per 10 km of each metric, by a straight line through the logarithms."""
    metrics = ("cadence_spm", "contact_time_ms", "vertical_oscillation_mm", "heart_rate_bpm")
    return {one: 1000 * float(np.polyfit(splits["km"], np.log(splits[one]), 1)[0]) for one in metrics}


def main() -> None:
    """Arguments: inbox, results, how many files. Prints seconds and CPU seconds to samples, seconds of all."""
    inbox, results, n_files = Path(sys.argv[1]), Path(sys.argv[2]), int(sys.argv[3])
    results.mkdir(parents=True, exist_ok=True)
    to_samples = cpu_to_samples = 0.0
    began = time.perf_counter()
    rows, tables = [], []
    for path in sorted(inbox.rglob("*.fit"))[:n_files]:
        opened, cpu = time.perf_counter(), time.process_time()
        samples = samples_of(path)
        to_samples += time.perf_counter() - opened
        cpu_to_samples += time.process_time() - cpu
        splits = splits_of(samples)
        tables.append(splits.with_columns(file=pl.lit(path.name), athlete=pl.lit(path.parent.name)))
        rows.append({"athlete": path.parent.name, "file": path.name, **slopes_of(splits)})
    pl.concat(tables).write_csv(results / "splits.csv")
    pl.DataFrame(rows).write_csv(results / "slopes.csv")
    print(to_samples, cpu_to_samples, time.perf_counter() - began)


if __name__ == "__main__":
    main()
