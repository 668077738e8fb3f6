"""How well do findings hold where the truth is known? Writes data/VALIDITY.md.

python -m tests.bench.bench_validity [--athletes 100] [--seed 1] [--jobs N] [--only TEXT] [--quick] [--out FILE]

Clubs are invented by tests/validity/world.py, which shares no code with the pipeline, and go through the tool's own
stages. The scenarios are data: tests/validity/scenarios.py. With --only, --quick, or another --athletes or --seed the
table is printed and data/VALIDITY.md is left as it is, unless --out names a file.
"""

from __future__ import annotations

import argparse
import math
import os
import sys
import time
from collections.abc import Sequence
from importlib import import_module
from pathlib import Path

# Libraries read this when they are imported; workers have the same, so that one job gives what several give.
os.environ |= {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1", "POLARS_MAX_THREADS": "1"}

import polars as pl

from pipeline.workers.pool import workers
from tests.validity.measure import analysed
from tests.validity.scenarios import SCENARIOS, Scenario
from tests.validity.table import document

ATHLETES, QUICK_ATHLETES, SEED = 100, 40, 1
VALIDITY = Path(__file__).parents[2] / "data" / "VALIDITY.md"


def simulated(
    scenarios: Sequence[Scenario], n_athletes: int, seed: int, jobs: int | None
) -> dict[Scenario, pl.DataFrame]:
    """The athletes of each scenario, clubs in order."""
    tasks = [(scenario, place) for scenario in scenarios for place in range(n_clubs(scenario, n_athletes))]
    found: dict[tuple[Scenario, int], pl.DataFrame] = {}
    with workers(len(tasks), jobs, few=2, loads="tests.validity.measure") as spread:
        for n_done, (scenario, place, rows) in enumerate(spread(analysed, seed, tasks), start=1):
            found[scenario, place] = rows.with_columns(club=pl.lit(place))
            if sys.stderr.isatty():
                print(f"\r{n_done} of {len(tasks)} clubs", end="", file=sys.stderr, flush=True)
    return {
        scenario: pl.concat(found[scenario, place] for place in range(n_clubs(scenario, n_athletes)))
        for scenario in scenarios
    }


def n_clubs(scenario: Scenario, n_athletes: int) -> int:
    """Clubs that a scenario needs; at least two, so that clubs tell an error."""
    counted = 1 if scenario.only_odd else scenario.world.n_athletes
    return max(math.ceil(n_athletes * scenario.size / counted), 2)


def main() -> None:
    """Simulate; write or print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--athletes", type=int, default=ATHLETES, help="of each scenario, made up to whole clubs")
    parser.add_argument("--seed", type=int, default=SEED)
    parser.add_argument("--jobs", type=int, default=None, help="worker processes; one per core unless given")
    parser.add_argument("--only", default="", help="scenarios whose name or topic contains this text")
    parser.add_argument("--quick", action="store_true", help=f"{QUICK_ATHLETES} athletes of each scenario")
    parser.add_argument("--out", type=Path, default=None, help="file to write instead of data/VALIDITY.md")
    asked = parser.parse_args()
    n_athletes = QUICK_ATHLETES if asked.quick else asked.athletes
    if n_athletes < 1:
        parser.error("--athletes: at least 1")
    wanted = [one for one in SCENARIOS if asked.only in f"{one.topic}: {one.name}"]
    if not wanted:
        parser.error(f"--only: no scenario's name or topic contains '{asked.only}'")
    began = time.perf_counter()
    text = document(simulated(wanted, n_athletes, asked.seed, asked.jobs), n_athletes=n_athletes, seed=asked.seed)
    print(f"{len(wanted)} scenarios took {time.perf_counter() - began:.0f} s", file=sys.stderr)
    is_standard = not asked.only and n_athletes == ATHLETES and asked.seed == SEED
    out = asked.out or (VALIDITY if is_standard else None)
    if out is None:
        print(text)
    else:
        out.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    # Workers take functions of modules that they can load by name.
    import_module("tests.bench.bench_validity").main()
