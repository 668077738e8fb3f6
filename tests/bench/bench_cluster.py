"""What does a second worker of a Dask cluster bring? The same refresh on one worker and on two.

python -m tests.bench.bench_cluster [--runs 1000 3000] [--hours 1.5] [--share 1]

A club's season and a federation's, since what does not shrink with workers (starting the planner, the club's tables)
is hardly more for the larger one.
Scheduler, workers and the process that plans share this machine: with two cores the second worker has less than a core
to itself. With `--share 0.5` each of the four has that much of a core and no more, which two cores can give to all at
once: the same as four cores of that speed, where nobody waits for another's core (`cpu_share`).
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
import time
from contextlib import ExitStack
from pathlib import Path

import dask
from distributed import LocalCluster

from data.generator.club import write_season
from tests.bench.cpu_share import cpu_share

RUNS_OF_AN_ATHLETE = 12
TARGET = 1.7


def refreshed_s(inbox: Path, store: Path, n_workers: int, share: float) -> float:
    """Seconds of a refresh on a cluster that has started and loaded what it needs."""
    with (
        dask.config.set({"distributed.worker.profile.enabled": False}),  # as the README starts workers
        LocalCluster(n_workers=n_workers, threads_per_worker=1, processes=True, dashboard_address=None) as cluster,
        ExitStack() as groups,
    ):
        for number, worker in cluster.workers.items():
            groups.enter_context(cpu_share(f"worker-{number}", share)).take(worker.pid)
        planner = groups.enter_context(cpu_share("planner", share))

        def refresh(taken: Path, built: Path) -> None:
            command = [sys.executable, "-m", "pipeline", "refresh", "--cluster", cluster.scheduler_address]
            whole = planner.starting([*command, "--inbox", f"{taken}", "--store", f"{built}"])
            subprocess.run(whole, check=True, stdout=subprocess.DEVNULL)

        few = store.parent / "few"
        if not few.exists():
            write_season(few, 4, 8, 0.1)
        refresh(few, Path(f"{store}-few"))
        began = time.perf_counter()
        refresh(inbox, store)
        return time.perf_counter() - began


def main() -> None:
    """Write a season, refresh it on one worker and on two, print the ratio."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--runs", type=int, nargs="+", default=[1000, 3000])
    parser.add_argument("--hours", type=float, default=1.5)
    parser.add_argument("--share", type=float, default=1.0)
    asked = parser.parse_args()
    os.environ["DASK_LOGGING__DISTRIBUTED"] = "critical"
    os.environ |= dict.fromkeys(("POLARS_MAX_THREADS", "OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"), "1")
    with tempfile.TemporaryDirectory() as name:
        folders = {n_runs: Path(name) / f"{n_runs}" for n_runs in asked.runs}
        for n_runs, folder in folders.items():
            write_season(folder / "inbox", max(1, n_runs // RUNS_OF_AN_ATHLETE), n_runs, asked.hours)
        with cpu_share("scheduler", asked.share) as scheduler:
            scheduler.take(os.getpid())
            for n_runs, folder in folders.items():
                one, two = (refreshed_s(folder / "inbox", folder / f"{n}", n, asked.share) for n in (1, 2))
                cores = f"{os.cpu_count()} cores" if asked.share >= 1 else f"{asked.share:g} of a core each"
                print(f"{n_runs} runs of {asked.hours:g} h, {cores}, from the shell to the next prompt")
                print(f"one worker   {one:7.1f} s")
                print(f"two workers  {two:7.1f} s   {one / two:.2f} times faster (target {TARGET})", flush=True)


if __name__ == "__main__":
    main()
