"""How fast is the drift stage, and how much faster than a loop over statsmodels? Both timed on the same splits.

python -m tests.bench.bench_drift [--athletes 200] [--runs 60] [--km 15] [--reference-fits 18]
"""

from __future__ import annotations

import argparse
import os
import time
import warnings
from collections.abc import Sequence
from importlib import import_module

# Libraries read this when they are imported. As the workers have it: one process is one core, also for statsmodels.
os.environ |= {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1", "POLARS_MAX_THREADS": "1"}

import numpy as np
import polars as pl
from statsmodels.regression.mixed_linear_model import MixedLM

from pipeline.core.metrics import METRICS
from pipeline.core.settings import Settings
from pipeline.stages.drift import drift
from pipeline.stages.responses import club_responses, responses
from pipeline.stages.summaries import athlete_drift
from pipeline.workers.pool import workers
from tests.support.season import ORDINARY, draw

TARGET_S = 20.0
NUMBERS = {"inclusion": Settings().inclusion}


def season(athletes: int, runs: int, km: int) -> list[pl.DataFrame]:
    """Splits of each athlete, with every metric."""
    splits = draw(ORDINARY.but(n_athletes=athletes, n_runs=runs, km=(km, km)).with_contact(drift_pct=2.0), 1)
    random = np.random.default_rng(2)
    # What the season does not hold follows speed and scatters: for the time it takes the values do not matter.
    speed = splits["speed_m_s"].to_numpy()
    missing = [metric.column for metric in METRICS if splits[metric.column].null_count() == splits.height]
    for column in missing:
        splits = splits.with_columns(
            pl.Series(column, 100 * speed**0.3 * np.exp(0.01 * random.standard_normal(len(speed))))
        )
    return splits.partition_by("athlete_id", maintain_order=True)


def respond(_: None, splits: pl.DataFrame) -> tuple[pl.DataFrame, float]:
    """Stage `responses` of an athlete, and the processor time it took [s]."""
    began = time.process_time()
    return responses(splits, **NUMBERS), time.process_time() - began


def analyse(club: pl.DataFrame, splits: pl.DataFrame) -> tuple[tuple[pl.DataFrame, pl.DataFrame], float]:
    """Stage `drift` of an athlete, and the processor time it took [s]."""
    settings, began = Settings(), time.process_time()
    found = drift(splits, **NUMBERS, max_collinearity=settings.max_collinearity, seed=settings.seed, club=club)
    return found, time.process_time() - began


def stage_s(athletes: Sequence[pl.DataFrame], jobs: int) -> tuple[float, float]:
    """Seconds from splits to findings, workers already started; by the clock, and of processor time in all workers."""
    settings = Settings()
    with workers(len(athletes), jobs, few=2) as mapper:
        list(mapper(respond, None, list(athletes[:1]) * 2 * jobs))  # every worker has its modules by then
        began = time.perf_counter()
        told = list(mapper(respond, None, athletes))
        club = club_responses(pl.concat(rows for rows, _ in told))
        found = list(mapper(analyse, club, athletes))
        findings = athlete_drift(
            pl.concat(rows for (_, rows), _ in found),
            pl.concat(rows for (rows, _), _ in found),
            smallest_change_pct=settings.smallest_change_pct,
            max_collinearity=settings.max_collinearity,
            usual_distance_margin=settings.usual_distance_margin,
            max_late_exclusion_excess=settings.max_late_exclusion_excess,
        )
        took = time.perf_counter() - began
    assert findings["drift_pct_per_10km"].null_count() == 0
    return took, sum(used for _, used in told) + sum(used for _, used in found)


def reference_s(athletes: Sequence[pl.DataFrame], n_fits: int) -> float:
    """Processor seconds of one fit by statsmodels: random run levels and drifts, speed and slope as regressors."""
    began = time.process_time()
    for place in range(n_fits):
        metric = METRICS[place % len(METRICS)].column
        rows = athletes[place // len(METRICS)].filter(
            pl.col("km") > 1, pl.col("run_share") >= 0.95, pl.col("length_m") >= 990, pl.col(metric).is_not_null()
        )
        distance = (rows["km"].to_numpy() - 0.5) / 10
        causes = [np.log(rows["speed_m_s"].to_numpy() / 3), rows["slope_pct"], rows["slope_squared_pct2"]]
        level = np.ones(len(distance))
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # its own notes on its optimiser
            MixedLM(
                100 * np.log(rows[metric].to_numpy()),
                np.column_stack([level, distance, *causes]),
                groups=rows["run_id"].to_numpy(),
                exog_re=np.column_stack([level, distance]),
            ).fit(reml=True, method=["lbfgs"])
    return (time.process_time() - began) / n_fits


def main() -> None:
    """Time everything, print a table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--athletes", type=int, default=200)
    parser.add_argument("--runs", type=int, default=60)
    parser.add_argument("--km", type=int, default=15)
    parser.add_argument("--reference-fits", type=int, default=18, help="fits given to statsmodels; the rest is scaled")
    asked = parser.parse_args()
    athletes = season(asked.athletes, asked.runs, asked.km)
    n_splits, n_fits = sum(one.height for one in athletes), len(athletes) * len(METRICS)
    jobs = min(2, os.cpu_count() or 1)
    load = os.getloadavg()[0]
    print(f"{len(athletes)} athletes x {asked.runs} runs x {asked.km} km, {len(METRICS)} metrics: {n_splits} splits")
    print(f"{os.cpu_count()} cores; load before the start {load:.1f} (other work on the machine lengthens all times)")
    for part in (4, 2, 1):
        some = athletes[: len(athletes) // part]
        took, used = stage_s(some, jobs)
        print(
            f"drift stage, {len(some):4d} athletes, {jobs} workers: {took:6.1f} s by the clock, {used:6.1f} s of "
            f"processor time, {1000 * used / len(some):5.0f} ms an athlete"
        )
    print(f"target under {TARGET_S:.0f} s on 2 cores: {'met' if took < TARGET_S else 'missed'}")
    alone, used = stage_s(athletes, 1)
    print(f"drift stage, {len(athletes):4d} athletes, 1 process: {alone:6.1f} s, {used:6.1f} s of processor time")
    one_fit = reference_s(athletes, asked.reference_fits)
    print(
        f"statsmodels MixedLM, 1 process: {one_fit:.2f} s of processor time a fit over {asked.reference_fits} fits, so "
        f"{n_fits * one_fit:.0f} s for all {n_fits}"
    )
    print(
        f"ratio of processor times: {n_fits * one_fit / used:.0f}. The loop fits once; the stage also fits each metric "
        "for the club's responses, looks for a curve, weighs bad splits, finds the correlation along the run and the "
        "onset, and leaves out each run for the interval"
    )


if __name__ == "__main__":
    # Workers take functions of modules that they can load by name.
    import_module("tests.bench.bench_drift").main()
