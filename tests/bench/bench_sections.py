"""What does the process that plans hold, and what does it cost, from a thousand runs to many?

python -m tests.bench.bench_sections [--runs 1000 10000 50000] [--min-runs 1000] [--jobs 2]
python -m tests.bench.bench_sections [--runs 1000 10000 50000] --planner-alone [--samples]

Runs are made by the workers from one of 10 km, so that no recording is read: what is measured is everything after that,
to the last table, by the code of every refresh. With a large `--min-runs` no drift is estimated, which costs a
hundred times what the rest does and is the workers' alone. With `--planner-alone` the steps give the names that they
would give and do nothing, so that many runs take seconds. With `--samples` they leave a file for each run in the state,
and a second refresh with one new file follows.
"""

from __future__ import annotations

import argparse
import hashlib
import resource
import subprocess
import sys
import tempfile
import time
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from functools import cache, partial
from pathlib import Path

import polars as pl

from pipeline.core.places import make_folder, write_frame
from pipeline.inbox.inbox import InboxFile, read_inbox
from pipeline.refresh import REFRESH_LOADS, steps
from pipeline.refresh.by_section import files_noted
from pipeline.refresh.context import Athlete, AthleteTask, BuildContext, Measured, RunContext, SectionTask, Shard
from pipeline.refresh.outcome import Outcome
from pipeline.refresh.refresh import bring_up_to_date
from pipeline.refresh.shard import bundle_of, judge
from pipeline.store import sections
from pipeline.store.bundles import Bundle, write_bundle
from pipeline.store.layout import read_table, samples_file
from pipeline.tables import empty
from pipeline.workers.pool import workers
from tests.support.nights import drifting_run

RUNS_OF_AN_ATHLETE = 12
KM = 10.0


def main() -> None:
    """Refresh clubs of several sizes, each in a process of its own, and print what each took."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--runs", type=int, nargs="+", default=[1000, 10000, 50000])
    parser.add_argument("--min-runs", type=int, default=1000)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--planner-alone", action="store_true")
    parser.add_argument("--samples", action="store_true")
    asked = parser.parse_args()
    print("   runs    splits  sections  planner CPU s  per 1,000  all CPU s  planner MB  of it for runs  worker MB")
    jobs = 0 if asked.planner_alone else asked.jobs
    for n_runs in asked.runs:
        program = (
            f"from tests.bench.bench_sections import take; take({n_runs}, {asked.min_runs}, {jobs}, {asked.samples})"
        )
        subprocess.run([sys.executable, "-c", program], check=True)


def take(n_runs: int, min_runs: int, jobs: int, has_samples: bool = False) -> None:
    """Make the tables of a club of so many runs; prints a line. Without `jobs`, only plan it."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "model" / "ari").mkdir(parents=True)
        (folder / "model" / "ari" / "0.fit").write_bytes(drifting_run(km=KM))
        n_athletes = write_inbox(folder / "inbox", n_runs, min_runs)
        n_sections = len(sections.sections_of(map(str, range(n_athletes))))
        resident_mb, used_s = _resident_mb(), time.process_time()
        with workers(n_runs if jobs else 0, jobs, few=1, loads=REFRESH_LOADS) as mapper:
            step = partial(made, folder / "model")
            executor = replace(steps.executor_over(mapper), measure=partial(mapper, step), write_outputs=nothing)
            executor = executor if jobs else named(has_samples=has_samples)
            bring_up_to_date(read_inbox(folder / "inbox"), folder / "store", executor)
            if has_samples:
                (folder / "inbox" / "athlete-00000" / "new.fit").write_text("new")
                bring_up_to_date(read_inbox(folder / "inbox"), folder / "store", executor)
        used_s, peak_mb = time.process_time() - used_s, _peak_mb(resource.RUSAGE_SELF)
        children = resource.getrusage(resource.RUSAGE_CHILDREN)
        n_splits = sum(read_table(folder / "store", "runs")["distance_km"].ceil())
    print(
        f"{n_runs:7d} {n_splits:9.0f} {n_sections:9d} {used_s:14.2f} {1000 * used_s / n_runs:10.3f} "
        f"{used_s + children.ru_utime + children.ru_stime:10.1f} {peak_mb:11.0f} {peak_mb - resident_mb:15.0f} "
        f"{_peak_mb(resource.RUSAGE_CHILDREN):10.0f}",
        flush=True,
    )


def write_inbox(inbox: Path, n_runs: int, min_runs: int) -> int:
    """Write an inbox with so many files, each with other bytes and none a recording; returns the number of athletes."""
    for number in range(n_runs):
        folder = inbox / f"athlete-{number // RUNS_OF_AN_ATHLETE:05d}"
        folder.mkdir(parents=True, exist_ok=True)
        (folder / f"{number % RUNS_OF_AN_ATHLETE:03d}.fit").write_text(f"{number}")
    (inbox / "settings.toml").write_text(f'min_runs = {min_runs}\npages = "none"\n')
    return -(-n_runs // RUNS_OF_AN_ATHLETE)


def nothing(*_: object) -> None:
    """A step that is left out."""


def named(*, has_samples: bool) -> steps.Executor:
    """Steps that give the names of what they would write."""

    def of_shard(context: BuildContext, shard: Shard) -> Bundle:
        name = f"gathered/shards/{hashlib.sha256(shard.files[0].path.encode()).hexdigest()[:32]}"
        write_bundle(context.built, name, {"runs": empty("runs")})
        for file in shard.files if has_samples else ():
            samples = context.built / samples_file(Path(file.path).stem, str(shard.athlete_id), "2026-03", "0")
            make_folder(samples.parent)
            samples.write_text(file.path)
        return Bundle(name, shard.athlete_id, has_runs=True, files=tuple(file.path for file in shard.files))

    def of_athlete(task: Athlete | AthleteTask) -> Bundle:
        name = f"gathered/own/{hashlib.sha256(repr(task.athlete_id).encode()).hexdigest()[:32]}"
        return Bundle(name, task.athlete_id, has_runs=True)

    def gathered(context: BuildContext, task: SectionTask) -> None:
        athletes = files_noted(context.built, task.section).select("athlete_id").unique()
        athletes = athletes.with_columns(started_at_utc=pl.lit(datetime(2026, 3, 14, 6, tzinfo=UTC)))
        make_folder(context.built / "known")
        write_frame(context.built / "known" / task.section.file("runs"), athletes)
        for name in ("recordings", "responses"):
            write_frame(context.built / "known" / task.section.file(name), empty(name))

    return steps.Executor(
        measure=lambda context, shards: (of_shard(context, shard) for shard in shards),
        analyse=lambda _, athletes: map(of_athlete, athletes),
        respond=lambda _, tasks, __: map(of_athlete, tasks),
        analyse_after_club=lambda _, tasks, __: map(of_athlete, tasks),
        gather=lambda context, tasks: (gathered(context, task) for task in tasks),
        club_responses=lambda _, __: pl.DataFrame(schema={"metric": pl.String}),
        finish=nothing,
        outcome=lambda _, __: Outcome(0, {}, 0, (), (), ()),
        write_outputs=nothing,
    )


def made(folder: Path, context: BuildContext, shard: Shard) -> Bundle:
    """What the files of a shard would give: the run of the model, each at a day of its own and of other values."""
    runs = [_run(_model(folder), file) for file in shard.files]
    return bundle_of(context, Measured.of_parts({name: pl.concat(run[name] for run in runs) for name in runs[0]}))


def _run(model: Measured, file: InboxFile) -> dict[str, pl.DataFrame]:
    number = int(file.path[-7:-4])
    changed = {
        "athlete_id": pl.lit(file.athlete_id),
        "run_id": pl.lit(f"{file.athlete_id}-{number:03d}"),
        "path": pl.lit(file.path),
        "file": pl.lit(file.path),
        "sha256": pl.lit(file.sha256),
        "samples_file": pl.lit(f"tables/samples/none/{file.path}.parquet"),
        "started_at_utc": pl.col("started_at_utc") + timedelta(days=number),
        "ended_at_utc": pl.col("ended_at_utc") + timedelta(days=number),
        "contact_time_ms": pl.col("contact_time_ms") * (1 + (int(str(file.sha256)[:4], 16) % 97) / 1000),
    }
    return {
        name: rows.with_columns(**{column: value for column, value in changed.items() if column in rows.columns})
        for name, rows in model.parts.items()
    }


@cache
def _model(folder: Path) -> Measured:
    inbox = read_inbox(folder)
    return judge(RunContext(replace(inbox, files=())), Shard("ari", tuple(inbox.files)))


def _peak_mb(who: int) -> float:
    return resource.getrusage(who).ru_maxrss / 1024


def _resident_mb() -> float:
    pages = int(Path("/proc/self/statm").read_text(encoding="ascii").split()[1])
    return pages * resource.getpagesize() / 2**20


if __name__ == "__main__":
    main()
