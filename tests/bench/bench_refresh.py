"""How much faster is splitdrift than the script one would write? Both timed one after the other, on the same files.

python -m tests.bench.bench_refresh [--runs 120] [--hours 1.5] [--plain-runs 12]
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
import time
from dataclasses import replace
from importlib import import_module
from pathlib import Path

import fitfast

from data.generator.club import write_season
from pipeline.inbox.inbox import read_inbox
from pipeline.refresh import REFRESH_LOADS
from pipeline.refresh.by_section import plan
from pipeline.refresh.context import RunContext, Shard
from pipeline.refresh.shard import read, sample
from pipeline.workers.pool import FEW_FILES, workers
from tests.bench.watched import watched

RUNS_OF_AN_ATHLETE = 12
SAMPLES_TARGET, COMPILED_TARGET = 40, 1.5
#: By the number of runs, pages included.
WHOLE_TARGETS = {120: 15, 1000: 40}


def to_samples(context: RunContext, shard: Shard) -> tuple[int, float]:
    """Take a shard from files to samples, in memory; returns the number of samples and the CPU seconds."""
    before = time.process_time()
    sampled = sample(context, shard, read(context, shard))
    return sampled.samples.height, time.process_time() - before


def compiled(context: RunContext, shard: Shard) -> float:
    """Read the records of a shard's files by the compiled decoder alone; returns the CPU seconds."""
    contents = [(context.inbox.folder / file.path).read_bytes() for file in shard.files]
    before = time.process_time()
    for content in contents:
        fitfast.records(content)
    return time.process_time() - before


def awake(_context: RunContext, seconds: float) -> int:
    """Keep a worker busy long enough for the others to start."""
    time.sleep(seconds)
    return os.getpid()


def ours_to_samples(folder: Path, jobs: int) -> tuple[float, float, float, int, float]:
    """Seconds with the start of the workers, seconds without, CPU seconds without, the samples made; and the CPU
    seconds of the compiled decoder, in the same workers.
    """
    inbox = read_inbox(folder)
    context, shards = RunContext(replace(inbox, files=())), plan(inbox.files)
    began = time.perf_counter()
    with workers(len(inbox.files), jobs, few=FEW_FILES, loads=REFRESH_LOADS) as mapper:
        list(mapper(to_samples, context, shards))
        cold = time.perf_counter() - began
        # By now all modules are loaded; every worker is waiting.
        assert len(set(mapper(awake, context, [0.2] * jobs))) <= jobs
        began = time.perf_counter()
        done = list(mapper(to_samples, context, shards))
        warm = time.perf_counter() - began
        compiled_cpu = sum(mapper(compiled, context, shards))
    return cold, warm, sum(cpu_s for _, cpu_s in done), sum(n_samples for n_samples, _ in done), compiled_cpu


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
        plain_samples, plain_samples_cpu, plain_whole = (scale * float(word) for word in script.output.split())
        command = [sys.executable, "-m", "pipeline", "refresh", "--inbox", f"{folder / 'inbox'}"]
        whole = watched([*command, "--store", f"{folder / 'store'}", "--jobs", f"{jobs}"])
        cold, warm, warm_cpu, n_samples, compiled_cpu = ours_to_samples(folder / "inbox", jobs)

    print(f"{asked.runs} runs of {asked.hours:g} h, {n_samples:,} samples; {jobs} cores; load {os.getloadavg()[0]:.1f}")
    print(f"The plain script ran on {n_plain} of them; its seconds are scaled by {scale:g}.")
    print("Memory is the most of all processes together, with what they share counted once, looked at twice a second.")
    print(f"{'':44}{'seconds':>9}{'ratio':>8}{'target':>8}{'CPU s':>9}{'ratio':>8}{'peak MB':>9}")
    samples, all_of_it = (plain_samples, plain_samples_cpu), (plain_whole, scale * script.cpu_s)
    for words, seconds, cpu_s, against, target, peak in (
        ("file to samples: plain script, one process", *samples, None, None, None),
        ("file to samples: splitdrift, workers started", cold, None, samples, SAMPLES_TARGET, None),
        ("file to samples: splitdrift, workers waiting", warm, warm_cpu, samples, SAMPLES_TARGET, None),
        ("whole: plain script, one process", *all_of_it, None, None, script.peak_mb),
        (
            "whole: splitdrift refresh, from the shell",
            whole.seconds,
            whole.cpu_s,
            all_of_it,
            WHOLE_TARGETS.get(asked.runs),
            whole.peak_mb,
        ),
    ):
        cells = (
            (f"{seconds:.2f}", 9),
            ("" if against is None else f"{against[0] / seconds:.1f}", 8),
            ("" if target is None else str(target), 8),
            ("" if cpu_s is None else f"{cpu_s:.2f}", 9),
            ("" if against is None or cpu_s is None else f"{against[1] / cpu_s:.1f}", 8),
            ("" if peak is None else f"{peak:.0f}", 9),
        )
        print(f"{words:44}" + "".join(f"{text:>{width}}" for text, width in cells))
    print(f"File to samples over the compiled reader alone, CPU: {warm_cpu:.2f} / {compiled_cpu:.2f} = ", end="")
    print(f"{warm_cpu / compiled_cpu:.2f} (target {COMPILED_TARGET:g})")


if __name__ == "__main__":
    # Workers take functions of modules that they can load by name.
    import_module("tests.bench.bench_refresh").main()
