"""What does a night cost: the first refresh of a club, one that finds nothing new, one with a single new file?

python -m tests.bench.bench_incremental [--runs 1000] [--hours 1.5] [--plain-runs 12] [--tries 5]
"""

from __future__ import annotations

import argparse
import os
import shutil
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path

from data.generator.club import write_season
from tests.bench.watched import Watched, watched

RUNS_OF_AN_ATHLETE = 12
FIRST_TARGET, NOTHING_TARGET_S, ONE_TARGET_S, MEMORY_TARGET_MB = 40, 0.3, 2, 700


def refreshed(inbox: Path, store: Path) -> Watched:
    """A refresh from the shell."""
    return watched([sys.executable, "-m", "pipeline", "refresh", "--inbox", f"{inbox}", "--store", f"{store}"])


def quickest(run: Callable[[], Watched], n_tries: int) -> Watched:
    """The quickest of some tries."""
    return min((run() for _ in range(n_tries)), key=lambda found: found.seconds)


def main() -> None:
    """Write a season, refresh it three times, print a table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--runs", type=int, default=1000)
    parser.add_argument("--hours", type=float, default=1.5)
    parser.add_argument("--plain-runs", type=int, default=12, help="runs given to the plain script; the rest is scaled")
    parser.add_argument("--tries", type=int, default=5, help="of what takes no second")
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        write_season(folder / "inbox", max(1, asked.runs // RUNS_OF_AN_ATHLETE), asked.runs, asked.hours)
        files = sorted((folder / "inbox").glob("*/*.fit*"))
        kept_back = folder / files[-1].name
        shutil.move(files[-1], kept_back)
        plain = watched(
            [sys.executable, "-m", "tests.bench.plain_script", f"{folder / 'inbox'}", f"{folder / 'plain'}",
             f"{asked.plain_runs}"]
        )  # fmt: skip
        scale = asked.runs / asked.plain_runs
        (folder / "small" / "one").mkdir(parents=True)
        shutil.copy(files[0], folder / "small" / "one")
        refreshed(folder / "small", folder / "small-store")
        os.utime(folder / "small")  # younger than the state, so that everything is loaded to see that nothing is new
        start_up = refreshed(folder / "small", folder / "small-store")

        first = refreshed(folder / "inbox", folder / "store")
        nothing = quickest(lambda: refreshed(folder / "inbox", folder / "store"), asked.tries)
        shutil.move(kept_back, files[-1])
        one = refreshed(folder / "inbox", folder / "store")

    print(
        f"{asked.runs} runs of {asked.hours:g} h of {asked.runs // RUNS_OF_AN_ATHLETE} athletes; "
        f"{os.cpu_count()} cores; load {os.getloadavg()[0]:.1f}"
    )
    plain_s = scale * float(plain.output.split()[-1])
    print(f"{'':34}{'seconds':>9}{'CPU s':>9}{'peak MB':>9}")
    faster, by_cpu = plain_s / first.seconds, scale * plain.cpu_s / first.cpu_s
    told = f"{faster:.1f} times faster (goal {FIRST_TARGET}), by CPU {by_cpu:.1f}"
    beyond_s, beyond_cpu_s = one.seconds - start_up.seconds, one.cpu_s - start_up.cpu_s
    for words, found, said in (
        (f"plain script, {asked.plain_runs} runs scaled to all", None, ""),
        ("first refresh, with all pages", first, f"{told}, memory (goal {MEMORY_TARGET_MB})"),
        ("start-up: one run, all loaded", start_up, ""),
        (f"nothing new, least of {asked.tries}", nothing, f"(goal {NOTHING_TARGET_S})"),
        ("one new file", one, f"{beyond_s:.1f} s beyond start-up (goal {ONE_TARGET_S}), CPU {beyond_cpu_s:.1f} s"),
    ):
        seconds, cpu_s = (plain_s, scale * plain.cpu_s) if found is None else (found.seconds, found.cpu_s)
        peak = plain.peak_mb if found is None else found.peak_mb
        print(f"{words:34}{seconds:9.2f}{cpu_s:9.2f}{peak:9.0f}   {said}")


if __name__ == "__main__":
    main()
