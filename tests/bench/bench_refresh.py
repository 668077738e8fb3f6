"""How much faster is splitdrift than the script one would write? Both timed one after the other, on the same files.

python -m tests.bench.bench_refresh [--runs 120] [--hours 1.5] [--plain-runs 12]
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
import time
from pathlib import Path

from data.generator.club import write_season
from pipeline.inbox import read_inbox
from pipeline.refresh import _workers, line_for, plan
from pipeline.shard import Line, Shard, read, settle
from tests.bench.watched import watched

RUNS_OF_AN_ATHLETE = 12
WHOLE_TARGET, SAMPLES_TARGET = 8, 40


def to_samples(line: Line, shard: Shard) -> int:
    """Take a shard from files to samples, in memory; returns the number of samples."""
    settled = settle(line, shard, read(line, shard))
    return sum(frame.height for frame in settled.samples.values())


def awake(_line: Line, seconds: float) -> int:
    """Keep a worker busy long enough for the others to start."""
    time.sleep(seconds)
    return os.getpid()


def ours_to_samples(folder: Path, jobs: int) -> tuple[float, float, int]:
    """Seconds with the start of the workers, seconds without, and the samples made."""
    inbox = read_inbox(folder)
    line, shards = line_for(inbox, None), plan(inbox)
    began = time.perf_counter()
    with _workers(len(inbox.files), jobs) as spread:
        sum(spread(to_samples, line, shards))
        cold = time.perf_counter() - began
        # By now all modules are loaded; every worker is waiting.
        assert len(set(spread(awake, line, [0.2] * jobs))) <= jobs
        began = time.perf_counter()
        n_samples = sum(spread(to_samples, line, shards))
        warm = time.perf_counter() - began
    return cold, warm, n_samples


def main() -> None:
    """Write a season, time everything, print a table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--runs", type=int, default=120)
    parser.add_argument("--hours", type=float, default=1.5)
    parser.add_argument("--plain-runs", type=int, default=12, help="runs given to the plain script; the rest is scaled")
    asked = parser.parse_args()
    jobs = os.cpu_count() or 1
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        write_season(folder / "inbox", max(1, asked.runs // RUNS_OF_AN_ATHLETE), asked.runs, asked.hours)
        n_plain = min(asked.plain_runs, asked.runs)
        scale = asked.runs / n_plain
        script = watched(
            [
                sys.executable,
                "-m",
                "tests.bench.plain_script",
                f"{folder / 'inbox'}",
                f"{folder / 'plain'}",
                f"{n_plain}",
            ]
        )
        plain_samples, plain_whole = (scale * float(word) for word in script.output.split())
        command = [sys.executable, "-m", "pipeline", "refresh", "--inbox", f"{folder / 'inbox'}"]
        whole = watched([*command, "--store", f"{folder / 'store'}", "--jobs", f"{jobs}"])
        cold, warm, n_samples = ours_to_samples(folder / "inbox", jobs)

    print(f"{asked.runs} runs of {asked.hours:g} h, {n_samples:,} samples; {jobs} cores; load {os.getloadavg()[0]:.1f}")
    print(f"The plain script ran on {n_plain} of them; its seconds are scaled by {scale:g}.")
    print(f"{'':44}{'seconds':>9}{'ratio':>8}{'target':>8}{'peak MB':>9}")
    for words, seconds, against, target, peak in (
        ("file to samples: plain script, one process", plain_samples, None, None, None),
        ("file to samples: splitdrift, workers started", cold, plain_samples, SAMPLES_TARGET, None),
        ("file to samples: splitdrift, workers waiting", warm, plain_samples, SAMPLES_TARGET, None),
        ("whole: plain script, one process", plain_whole, None, None, script.peak_mb),
        ("whole: splitdrift refresh, from the shell", whole.seconds, plain_whole, WHOLE_TARGET, whole.peak_mb),
    ):
        ratio = "" if against is None else f"{against / seconds:.1f}"
        print(
            f"{words:44}{seconds:9.2f}{ratio:>8}{'' if target is None else target:>8}"
            f"{'' if peak is None else f'{peak:.0f}':>9}"
        )


if __name__ == "__main__":
    main()
