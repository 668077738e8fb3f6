"""What does a night cost: the first refresh of a club, one that finds nothing new, one with a single new file?

python -m tests.bench.bench_incremental [--runs 1000] [--hours 1.5] [--plain-runs 12]
"""

from __future__ import annotations

import argparse
import os
import shutil
import sys
import tempfile
from pathlib import Path

from data.generator.club import write_season
from tests.bench.watched import Watched, watched

RUNS_OF_AN_ATHLETE = 12
FIRST_TARGET, NOTHING_TARGET_S, ONE_TARGET_S, MEMORY_TARGET_MB = 25, 3, 5, 1500


def refreshed(inbox: Path, store: Path) -> Watched:
    """A refresh from the shell."""
    return watched([sys.executable, "-m", "pipeline", "refresh", "--inbox", f"{inbox}", "--store", f"{store}"])


def main() -> None:
    """Write a season, refresh it three times, print a table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--runs", type=int, default=1000)
    parser.add_argument("--hours", type=float, default=1.5)
    parser.add_argument("--plain-runs", type=int, default=12, help="runs given to the plain script; the rest is scaled")
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
        plain_s = asked.runs / asked.plain_runs * float(plain.output.split()[-1])
        (folder / "small" / "one").mkdir(parents=True)
        shutil.copy(files[0], folder / "small" / "one")
        refreshed(folder / "small", folder / "small-store")
        start_up = refreshed(folder / "small", folder / "small-store")

        # What the plain script gives is tables; a refresh draws pages of every run besides.
        (folder / "inbox" / "settings.toml").write_text('pages = "none"\n', encoding="utf-8")
        tables = refreshed(folder / "inbox", folder / "tables-alone")
        (folder / "inbox" / "settings.toml").unlink()
        first = refreshed(folder / "inbox", folder / "store")
        nothing = refreshed(folder / "inbox", folder / "store")
        shutil.move(kept_back, files[-1])
        one = refreshed(folder / "inbox", folder / "store")

    print(
        f"{asked.runs} runs of {asked.hours:g} h of {asked.runs // RUNS_OF_AN_ATHLETE} athletes; {os.cpu_count()} cores"
    )
    print(f"plain script, {asked.plain_runs} runs scaled to all      {plain_s:8.1f} s")
    print(f"start-up: one run, nothing new           {start_up.seconds:8.1f} s")
    for words, found in (("first refresh, tables alone", tables), ("first refresh, with all pages", first)):
        print(
            f"{words:41}{found.seconds:8.1f} s   {plain_s / found.seconds:.1f} times faster (target {FIRST_TARGET}), "
            f"peak {found.peak_mb:.0f} MB (target {MEMORY_TARGET_MB})"
        )
    for words, found, target_s in (("nothing new", nothing, NOTHING_TARGET_S), ("one new file", one, ONE_TARGET_S)):
        print(
            f"{words:41}{found.seconds:8.1f} s   {found.seconds - start_up.seconds:.1f} s beyond start-up "
            f"(target {target_s}), 1/{first.seconds / found.seconds:.0f} of the first, peak {found.peak_mb:.0f} MB"
        )


if __name__ == "__main__":
    main()
