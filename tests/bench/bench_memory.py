"""How much memory does a large club take? Peak of the memory of all processes together.

python -m tests.bench.bench_memory [--runs 1000] [--hours 1.5]
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
from pathlib import Path

from data.generator.club import write_season
from tests.bench.watched import watched

RUNS_OF_AN_ATHLETE = 25
#: Often enough to meet a peak that lasts as long as one shard.
LOOK_EVERY_S = 0.1
#: By the number of runs.
TARGETS_MB = {1000: 700, 10_000: 1000}


def main() -> None:
    """Write a large season, refresh it from the shell, print the peak."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--runs", type=int, default=1000)
    parser.add_argument("--hours", type=float, default=1.5)
    asked = parser.parse_args()
    jobs = os.cpu_count() or 1
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        write_season(folder / "inbox", max(1, asked.runs // RUNS_OF_AN_ATHLETE), asked.runs, asked.hours)
        command = [sys.executable, "-m", "pipeline", "refresh", "--inbox", f"{folder / 'inbox'}"]
        whole = watched([*command, "--store", f"{folder / 'store'}", "--jobs", f"{jobs}"], LOOK_EVERY_S)
        size_mb = sum(file.stat().st_size for file in (folder / "store").rglob("*") if file.is_file()) / 1e6
    print(
        f"{asked.runs} runs of {asked.hours:g} h on {jobs} cores: {whole.seconds:.1f} s, "
        f"peak {whole.peak_mb:.0f} MB (goal {TARGETS_MB.get(asked.runs, 'none')}), "
        f"{whole.each_mb:.0f} MB with what processes share counted in each, store {size_mb:.0f} MB"
    )


if __name__ == "__main__":
    main()
