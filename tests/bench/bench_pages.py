"""What do the pages of a large club cost: all of them, none of them new, those of one athlete?

python -m tests.bench.bench_pages [--athletes 500] [--runs 40] [--hours 1] [--distinct 5] [--jobs 2]

A shortcut: only some athletes are distinct. They are refreshed as always; then their rows, splits and samples are
written once more under other names until the club is full. Pages rest on rows alone, and each athlete's are drawn by
themselves, so what is measured is the same; only the index holds fewer different numbers.
"""

from __future__ import annotations

import argparse
import json
import resource
import sys
import tempfile
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from itertools import repeat
from pathlib import Path

import polars as pl

from data.generator.club import write_season
from pipeline.core.places import files_below, read_frame, write_frame
from pipeline.core.settings import Settings
from pipeline.inbox.inbox import read_inbox
from pipeline.pages.club_rows import pages_of
from pipeline.refresh.refresh import refresh
from pipeline.refresh.steps import draw_over
from pipeline.store.generations import building, link_tree, prepare, published
from pipeline.store.layout import partition
from pipeline.tables import PARTITIONED, TABLES
from pipeline.workers.pool import workers
from tests.bench.watched import watched

KEPT_AS_IT_IS = ("settings.toml", "refresh.json")


@dataclass(frozen=True)
class Took:
    """What drawing took.

    Attributes:
        seconds: by the wall [s].
        cpu_s: of this process and its workers [s].
    """

    seconds: float
    cpu_s: float


def renamed(rows: pl.DataFrame, old: str, new: str) -> pl.DataFrame:
    """An athlete's rows under another name."""
    texts = [name for name in ("athlete_id", "run_id", "path") if name in rows.columns]
    return rows.with_columns(pl.col(name).str.replace(f"^{old}", new) for name in texts)


def replicate(source: Path, built: Path, names: dict[str, str]) -> None:
    """Write the state of a few athletes as that of many.

    Args:
        source: folder of the state of the few.
        built: folder of the one to be made.
        names: whose rows each of the many has.
    """
    for name in KEPT_AS_IT_IS:
        (built / name).write_bytes((source / name).read_bytes())
    for table in TABLES:
        for file in files_below(source / "tables" / table) if table not in PARTITIONED else []:
            rows = read_frame(file)
            if "athlete_id" in rows.columns:
                whose = pl.col("athlete_id")
            elif "run_id" in rows.columns:
                whose = pl.col("run_id").str.replace("-[^-]*$", "")
            else:
                continue  # of the club, and on no page
            parts = [renamed(rows.filter(whose == old), old, new) for new, old in names.items()]
            (built / file.relative_to(source)).parent.mkdir(parents=True, exist_ok=True)
            write_frame(built / file.relative_to(source), pl.concat(parts))
    (built / "known").mkdir()
    (built / "known" / "names.json").write_text(json.dumps({name: name.capitalize() for name in names}))
    with ThreadPoolExecutor() as threads:
        for new, old in names.items():
            for table in PARTITIONED:
                there, here = source / partition(table, old), built / partition(table, new)
                files = files_below(there)
                # Files of samples are named for their runs.
                targets = [here / one.relative_to(there).with_name(one.name.replace(old, new, 1)) for one in files]
                list(threads.map(_written, files, targets, repeat(old), repeat(new)))


def _written(file: Path, target: Path, old: str, new: str) -> None:
    target.parent.mkdir(parents=True, exist_ok=True)
    write_frame(target, renamed(read_frame(file), old, new))


def drawn(store: Path, jobs: int, change: Callable[[Path], None]) -> Took:
    """Draw the pages of a next state, as a refresh does that finds those of the one before."""
    before = published(store)
    with building(store, keep=2) as built:
        link_tree(before, built, Path(), wanted=lambda file: file.parts[0] != "pages")
        change(built)
        pages = pages_of(built, before, Settings())
        assert pages is not None
        athletes = read_frame(built / "tables" / "runs" / "runs.parquet")["athlete_id"].unique().sort().to_list()
        cpu_s, began = _cpu_s(), time.perf_counter()
        with workers(len(athletes), jobs, few=0, loads="pipeline.pages.draw") as mapper:
            for _ in draw_over(mapper, pages, athletes):
                pass
            seconds = time.perf_counter() - began
        return Took(seconds, _cpu_s() - cpu_s)


def _cpu_s() -> float:
    used = [resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)]
    return sum(one.ru_utime + one.ru_stime for one in used)


def one_athlete_paused(built: Path) -> None:
    """Change a number of one athlete's runs."""
    file = built / "tables" / "runs" / "runs.parquet"
    rows = read_frame(file)
    file.unlink()  # or the state before would change with it
    is_first = pl.col("athlete_id") == rows["athlete_id"][0]
    write_frame(file, rows.with_columns(paused_s=pl.when(is_first).then(pl.col("paused_s") + 1).otherwise("paused_s")))


def main() -> None:
    """Write a season, make a club of it, draw its pages three times, print a table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--athletes", type=int, default=500)
    parser.add_argument("--runs", type=int, default=40, help="of each athlete")
    parser.add_argument("--hours", type=float, default=1.0)
    parser.add_argument("--distinct", type=int, default=5, help="athletes that are not copies")
    parser.add_argument("--jobs", type=int, default=2)
    asked = parser.parse_args()
    n_runs = asked.athletes * asked.runs
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        distinct = min(asked.distinct, asked.athletes)
        write_season(folder / "inbox", distinct, distinct * asked.runs, asked.hours)
        (folder / "inbox" / "settings.toml").write_text('pages = "none"\n')
        refresh(read_inbox(folder / "inbox"), folder / "few", jobs=asked.jobs)
        names = {f"athlete-{n + 1:04d}": f"runner-{n % distinct + 1:03d}" for n in range(asked.athletes)}
        store = folder / "store"
        prepare(store)
        began = time.perf_counter()
        with building(store, keep=2) as built:
            replicate(published(folder / "few"), built, names)
        replicated_s = time.perf_counter() - began

        command = [sys.executable, "-m", "pipeline", "pages", "--store", f"{store}", "--jobs", f"{asked.jobs}"]
        whole = watched(command)
        pages = files_below(published(store) / "pages")
        index_kb = (published(store) / "pages" / "index.html").stat().st_size / 1e3
        total_mb = sum(file.stat().st_size for file in pages) / 1e6
        nothing = drawn(store, asked.jobs, lambda _: None)
        one = drawn(store, asked.jobs, one_athlete_paused)

    print(f"{asked.athletes} athletes x {asked.runs} runs of {asked.hours:g} h; {asked.jobs} workers")
    print(f"(their rows written in {replicated_s:.0f} s)")
    print(
        f"splitdrift pages, from the shell   {whole.seconds:8.1f} s   CPU {whole.cpu_s:7.1f} s, "
        f"{1000 * whole.cpu_s / n_runs:.1f} ms a run, peak {whole.peak_mb:.0f} MB"
    )
    for words, took in (("drawing, nothing changed", nothing), ("drawing, one athlete changed", one)):
        print(f"{words:35}{took.seconds:8.1f} s   CPU {took.cpu_s:7.1f} s")
    print(f"index.html {index_kb:.0f} kB; {len(pages)} files, {total_mb:.0f} MB")


if __name__ == "__main__":
    main()
