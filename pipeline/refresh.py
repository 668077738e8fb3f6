"""The line in process: an inbox → a store.

Work is shared out twice. First by shard, a handful of files of one athlete: recording, samples, splits. Then by
athlete: which recordings are of one run, and the drift. What only the whole club can say comes last. Samples never
travel between processes and are never all in memory: each run's are written as soon as they are known.

`flows/refresh.py` runs the same functions in the same order as Prefect tasks.
"""

from __future__ import annotations

import hashlib
import os
import shutil
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import timedelta
from importlib.metadata import version
from itertools import groupby
from multiprocessing import get_context
from pathlib import Path
from typing import TypeVar

import polars as pl

from pipeline.drift import drift
from pipeline.errors import NothingDone, Refused
from pipeline.exports import write_exports, write_rejected
from pipeline.inbox import Inbox, InboxFile, started_at, utc
from pipeline.recording import Session, recording, without_duplicates
from pipeline.samples import RunSamples, samples
from pipeline.splits import splits
from pipeline.store import Provenance, building, partition, read_rows, write_database, write_table
from pipeline.summaries import athlete_drift, runs, season_trend
from pipeline.tables import empty, publishable

T = TypeVar("T")
R = TypeVar("R")

#: Files a shard takes at most: enough to spread fixed costs over, few enough to fit in memory many times.
SHARD_FILES = 16
#: Fewer files than this are read sooner here than by workers, which take a second to start.
FEW_FILES = 12

Progress = Callable[[int, int], None]


@dataclass(frozen=True)
class Line:
    """What every step of one refresh shares.

    Attributes:
        inbox: where the files are, and the settings.
        built: folder of the state being built; None where nothing is to be written (`splitdrift check`).
    """

    inbox: Inbox
    built: Path | None


@dataclass(frozen=True)
class Shard:
    """A handful of files of one athlete, or of none."""

    athlete_id: str | None
    files: tuple[InboxFile, ...]


@dataclass(frozen=True)
class Measured:
    """What shards hand on. All small: samples stay in the files named in `runs`.

    Attributes:
        recordings: rows of the ledger.
        runs: a row a run: what `runs` needs, what tells duplicates apart, and `samples_file`.
        set_aside: rows of `set_aside`.
        splits: rows of `splits`.
    """

    recordings: pl.DataFrame
    runs: pl.DataFrame
    set_aside: pl.DataFrame
    splits: pl.DataFrame


@dataclass(frozen=True)
class Analysed:
    """What is known of an athlete: the ledger and rows for `runs`, `set_aside`, `run_drift`, `athlete_drift`."""

    recordings: pl.DataFrame
    runs: pl.DataFrame
    set_aside: pl.DataFrame
    run_drift: pl.DataFrame
    athlete_drift: pl.DataFrame


_RUN = {
    "run_id": pl.String,
    "athlete_id": pl.String,
    "file": pl.String,
    "path": pl.String,
    "session": pl.Int64,
    "sha256": pl.String,
    "started_at_utc": pl.Datetime("us", "UTC"),
    "ended_at_utc": pl.Datetime("us", "UTC"),
    "paused_s": pl.Float64,
    "device": pl.String,
    "sensors": pl.String,
    "altitude": pl.String,
    "n_quantities": pl.Int64,
    "is_damaged": pl.Boolean,
    "n_samples": pl.Int64,
    "samples_file": pl.String,
}


def refresh(inbox: Inbox, store: Path, *, jobs: int | None = None, progress: Progress | None = None) -> pl.DataFrame:
    """Run the whole line and publish its tables.

    Workers are started afresh (spawn), so a script that calls this must do so under `if __name__ == "__main__":`.

    Args:
        inbox: what `pipeline.inbox.read_inbox` found.
        store: folder of the store.
        jobs: worker processes; None for one a core.
        progress: called with the files done and the files in all.

    Returns:
        The ledger: rows of `recordings`.

    Raises:
        NothingDone: no file holds a run that could be used; the store stays as it was.
        UsageError: the store's folder cannot be one.
    """
    with building(store) as built:
        line = Line(inbox, built)
        shards = plan(inbox)
        with _workers(len(inbox.files), jobs) as spread:
            measured = list(_watched(spread(measure, line, shards), shards, progress))
            analysed = list(spread(analyse, line, by_athlete(measured)))
        return finish(line, analysed)


def check(inbox: Inbox, *, jobs: int | None = None, progress: Progress | None = None) -> pl.DataFrame:
    """Read and judge every file, write nothing; returns the ledger."""
    line = Line(inbox, None)
    shards = plan(inbox)
    with _workers(len(inbox.files), jobs) as spread:
        measured = list(_watched(spread(measure, line, shards), shards, progress))
    ledgers = [_without_duplicates(one)[0] for one in by_athlete(measured)]
    return publishable("recordings", pl.concat(ledgers), subject="the ledger")


# --- Sharing out -----------------------------------------------------------------------------------------------------


def plan(inbox: Inbox) -> list[Shard]:
    """Share the files out, never two athletes in one shard."""
    shards: list[Shard] = []
    for athlete_id, group in groupby(inbox.files, key=lambda file: file.athlete_id):
        files = tuple(group)
        shards += [Shard(athlete_id, files[start : start + SHARD_FILES]) for start in range(0, len(files), SHARD_FILES)]
    return shards


def by_athlete(measured: Sequence[Measured]) -> list[Measured]:
    """Gather what the shards of each athlete handed on, in order of athlete and path."""

    def athlete(one: Measured) -> str:
        return one.recordings["athlete_id"][0] or ""

    def first_path(one: Measured) -> str:
        return str(one.recordings["path"].min())

    ordered = sorted(measured, key=lambda one: (athlete(one), first_path(one)))
    return [
        Measured(
            *(
                pl.concat([getattr(one, part) for one in parts])
                for part in ("recordings", "runs", "set_aside", "splits")
            )
        )
        for parts in (list(group) for _, group in groupby(ordered, key=athlete))
    ]


@contextmanager
def _workers(
    n_files: int, jobs: int | None
) -> Iterator[Callable[[Callable[[Line, T], R], Line, Sequence[T]], Iterator[R]]]:
    """Give a function that maps over items, here or in worker processes, in whatever order they end."""
    wanted = jobs if jobs is not None else os.cpu_count() or 1
    if wanted <= 1 or n_files < FEW_FILES:
        yield lambda function, line, items: (function(line, item) for item in items)
        return
    # Each worker has one core; forking after Polars has run can deadlock, so workers start afresh.
    before = os.environ.get("POLARS_MAX_THREADS")
    os.environ["POLARS_MAX_THREADS"] = "1"
    try:
        with ProcessPoolExecutor(wanted, mp_context=get_context("spawn")) as pool:

            def spread(function: Callable[[Line, T], R], line: Line, items: Sequence[T]) -> Iterator[R]:
                tasks = [pool.submit(function, line, item) for item in items]
                return (task.result() for task in as_completed(tasks))

            yield spread
    finally:
        if before is None:
            del os.environ["POLARS_MAX_THREADS"]
        else:
            os.environ["POLARS_MAX_THREADS"] = before


def _watched(results: Iterator[Measured], shards: Sequence[Shard], progress: Progress | None) -> Iterator[Measured]:
    total = sum(len(shard.files) for shard in shards)
    done = 0
    for result in results:
        done += result.recordings["path"].str.split("!").list.first().n_unique()
        if progress is not None:
            progress(done, total)
        yield result


# --- The stages of a shard -------------------------------------------------------------------------------------------


def measure(line: Line, shard: Shard) -> Measured:
    """Take a shard through the stages recording, samples and splits."""
    return cut(line, settle(line, shard, read(line, shard)))


def read(line: Line, shard: Shard) -> list[tuple[InboxFile, Session]]:
    """Stage `recording` for the files of a shard."""
    return [(file, session) for file in shard.files for session in _read_file(line.inbox, file)]


def _read_file(inbox: Inbox, file: InboxFile) -> list[Session]:
    settings = inbox.settings
    content = b""
    try:
        if file.athlete_id is None:
            raise Refused(
                "The file lies in the inbox itself, so it is nobody's.", "Move it into a folder named for the athlete."
            )
        content = (inbox.folder / file.path).read_bytes()
        return recording(
            file.path,
            content,
            mapping=inbox.mapping_for(file),
            sensor_preference=settings.sensor_preference,
            described_fields=settings.described_fields,
            max_unpacked_bytes=int(settings.max_unpacked_mb * 1_000_000),
            max_members=settings.max_members,
        )
    except Refused as refusal:
        reason = refusal
    except OSError as error:
        reason = Refused(f"The file cannot be opened: {error.strerror}.", "Check its permissions.")
    except Exception as error:
        reason = _our_fault(error)
    digest = hashlib.sha256(content).hexdigest()
    return [Session(name=file.path, place=1, sha256=digest, format=None, status="rejected", reason="").refused(reason)]


def _our_fault(error: Exception) -> Refused:
    # One file must not stop a night's refresh, whatever is wrong with it or with us.
    return Refused(
        f"splitdrift failed on this file ({type(error).__name__}); the fault is splitdrift's.",
        "Please report it together with the file.",
    )


def settle(
    line: Line, shard: Shard, sessions: Sequence[tuple[InboxFile, Session]]
) -> tuple[Measured, dict[str, pl.DataFrame]]:
    """Stage `samples` for the sessions of a shard; the samples are written, and handed on once for the next stage.

    Returns:
        What is measured so far (no splits yet), and the samples of each run.
    """
    ledger: list[Session] = []
    found: list[tuple[dict[str, object], RunSamples]] = []
    for file, session in sessions:
        judged, run = _settle_session(line.inbox, file, session)
        ledger.append(judged)
        if run is not None:
            found.append(run)
    run_of_file = {(row["path"], row["session"]): row["run_id"] for row, _ in found}
    measured = Measured(
        _ledger(shard.athlete_id, ledger, run_of_file),
        pl.DataFrame([row for row, _ in found], schema=_RUN),
        pl.concat([run.set_aside for _, run in found]) if found else empty("set_aside"),
        empty("splits"),
    )
    # Two recordings of one run have one name; the lesser one goes here, so that names are distinct from here on.
    recordings, kept = _without_duplicates(measured)
    measured = Measured(recordings, kept, measured.set_aside, measured.splits)
    wanted = set(zip(kept["path"], kept["session"], strict=True))
    frames = [run.samples for row, run in found if (row["path"], row["session"]) in wanted]
    if not frames:
        return measured, {}
    everything = publishable("samples", pl.concat(frames), subject=f"athlete {shard.athlete_id}")
    by_run = {str(key[0]): frame for key, frame in everything.partition_by("run_id", as_dict=True).items()}
    if line.built is not None:
        for row in kept.iter_rows(named=True):
            made_from = Provenance(row["sha256"], line.inbox.settings.digest(), version("splitdrift"))
            write_table(line.built / row["samples_file"], "samples", by_run[row["run_id"]], made_from)
    return measured, by_run


def _settle_session(
    inbox: Inbox, file: InboxFile, session: Session
) -> tuple[Session, tuple[dict[str, object], RunSamples] | None]:
    """The samples of a session and its row for `runs`; or the session turned away after all."""
    found, settings = session.recording, inbox.settings
    if found is None:
        return session, None
    try:
        listed = started_at(inbox.sessions, file.path)
        if not found.has_clock and listed is None:
            raise Refused(
                "The file says how much time went by but not when it began.",
                f'Add the line "{file.path},2026-03-14T09:30:00Z" under "file,started_at_utc" in sessions.csv.',
            )
        run = samples(
            found,
            run_id="",
            gap_s=settings.gap_s,
            slope_window_m=settings.slope_window_m,
            slope_window_rough_m=settings.slope_window_rough_m,
            rough_altitude_m=settings.rough_altitude_m,
        )
        if run.samples.is_empty() or run.samples["distance_m"].max() == 0:
            raise Refused("The session covers no distance.", "Look whether the sensor for distance was connected.")
        started = utc(run.started_s) if found.has_clock or listed is None else listed
    except Refused as refusal:
        return session.refused(refusal), None
    except Exception as error:
        return session.refused(_our_fault(error)), None
    run_id = f"{file.athlete_id}-{started:%Y%m%dT%H%M%SZ}"
    name = hashlib.sha256(f"{session.name}:{session.place}".encode()).hexdigest()[:16]
    row: dict[str, object] = {
        "run_id": run_id,
        "athlete_id": file.athlete_id,
        "file": file.path,
        "path": session.name,
        "session": session.place,
        "sha256": session.sha256,
        "started_at_utc": started,
        "ended_at_utc": started + timedelta(seconds=float(run.samples["elapsed_s"][-1])),
        "paused_s": run.paused_s,
        "device": found.device,
        "sensors": "; ".join(f"{quantity}: {winner}" for quantity, winner in found.sensors.items()) or None,
        "altitude": run.altitude,
        "n_quantities": sum(run.samples[one].count() > 0 for one in _QUANTITIES),
        "is_damaged": found.damage is not None,
        "n_samples": session.n_samples,
        "samples_file": f"unsorted/{name}.parquet",
    }
    return session, (row, run.named(run_id))


_QUANTITIES = ("cadence_spm", "contact_time_ms", "vertical_oscillation_mm", "heart_rate_bpm", "altitude_m")


def _ledger(
    athlete_id: str | None, sessions: Sequence[Session], run_of_file: dict[tuple[object, object], object]
) -> pl.DataFrame:
    rows = [
        {
            "path": one.name,
            "session": one.place,
            "sha256": one.sha256,
            "athlete_id": athlete_id,
            "run_id": run_of_file.get((one.name, one.place)),
            "format": one.format,
            "status": one.status,
            "reason": one.reason,
            "fix": one.fix,
            "n_samples": one.n_samples,
        }
        for one in sessions
    ]
    return pl.DataFrame(rows, schema=empty("recordings").schema)


def cut(line: Line, settled: tuple[Measured, dict[str, pl.DataFrame]]) -> Measured:
    """Stage `splits` for the runs of a shard."""
    measured, by_run = settled
    if not by_run:
        return measured
    rows = splits(pl.concat(by_run.values()), split_length_m=line.inbox.settings.split_length_m)
    rows = rows.join(measured.runs.select("run_id", "athlete_id"), on="run_id", how="left")
    published = publishable("splits", rows, subject=f"athlete {measured.runs['athlete_id'][0]}")
    return Measured(measured.recordings, measured.runs, measured.set_aside, published)


# --- The stages of an athlete ----------------------------------------------------------------------------------------


def analyse(line: Line, measured: Measured) -> Analysed:
    """Settle which recordings are of one run, put samples and splits in their place, and take the stage `drift`."""
    ledger, kept = _without_duplicates(measured)
    own_splits = measured.splits.join(kept.select("run_id"), on="run_id", how="semi")
    set_aside = measured.set_aside.join(kept.select("run_id"), on="run_id", how="semi")
    _put_in_place(line, kept, own_splits)
    settings = line.inbox.settings
    run_drifts, athlete_drifts = drift(
        own_splits,
        split_length_m=settings.split_length_m,
        warm_up_m=settings.warm_up_m,
        min_run_share=settings.min_run_share,
        min_length_share=settings.min_length_share,
        min_splits_of_run=settings.min_splits_of_run,
        min_runs=settings.min_runs,
    )
    return Analysed(ledger, kept, set_aside, run_drifts, athlete_drifts)


def _without_duplicates(measured: Measured) -> tuple[pl.DataFrame, pl.DataFrame]:
    """The ledger with duplicates marked, and the runs without them."""
    duplicates = without_duplicates(measured.runs)
    if duplicates.is_empty():
        return measured.recordings, measured.runs
    kept = measured.runs.join(duplicates, on=["path", "session"], how="anti")
    original = kept.select(duplicate_of="run_id", original="path")
    named = duplicates.join(original, on="duplicate_of", how="left")
    ledger = measured.recordings.join(named, on=["path", "session"], how="left").with_columns(
        status=pl.when(pl.col("duplicate_of").is_null()).then("status").otherwise(pl.lit("duplicate")),
        run_id=pl.coalesce("duplicate_of", "run_id"),
        reason=pl.when(pl.col("duplicate_of").is_null())
        .then("reason")
        .otherwise(pl.format("The same run as {}, which holds at least as much.", pl.col("original"))),
    )
    return ledger.select(measured.recordings.columns), kept


def _put_in_place(line: Line, kept: pl.DataFrame, own_splits: pl.DataFrame) -> None:
    if line.built is None or kept.is_empty():
        return
    months = kept.with_columns(month=pl.col("started_at_utc").dt.strftime("%Y-%m"))
    for row in months.iter_rows(named=True):
        target = line.built / partition("samples", row["athlete_id"], row["month"]) / f"{row['run_id']}.parquet"
        target.parent.mkdir(parents=True, exist_ok=True)
        os.replace(line.built / row["samples_file"], target)
    for (athlete_id, month), runs_of_month in months.group_by("athlete_id", "month", maintain_order=True):
        digests = "".join(sorted(runs_of_month["sha256"]))
        made_from = Provenance(
            hashlib.sha256(digests.encode()).hexdigest(), line.inbox.settings.digest(), version("splitdrift")
        )
        rows = own_splits.join(runs_of_month.select("run_id"), on="run_id", how="semi")
        write_table(
            line.built / partition("splits", str(athlete_id), str(month)) / "splits.parquet", "splits", rows, made_from
        )


# --- The stages of the club ------------------------------------------------------------------------------------------


def finish(line: Line, analysed: Sequence[Analysed]) -> pl.DataFrame:
    """Take the stage `summaries`, write every table, the database and the exports; returns the ledger.

    Raises:
        NothingDone: there is no run.
    """
    assert line.built is not None
    shutil.rmtree(line.built / "unsorted", ignore_errors=True)
    gathered = {
        part: pl.concat([getattr(one, part) for one in analysed])
        for part in ("recordings", "runs", "set_aside", "run_drift", "athlete_drift")
    }
    ledger = publishable("recordings", gathered["recordings"], subject="the ledger")
    if gathered["runs"].is_empty():
        refused = ledger.filter(pl.col("status") == "rejected")
        first = refused.row(0, named=True) if not refused.is_empty() else ledger.row(0, named=True)
        raise NothingDone(
            f"None of the {ledger['path'].n_unique()} files in {line.inbox.folder} gave a run. "
            f"The first: {first['path']}: {first['reason']} {first['fix'] or ''} "
            "`splitdrift check` lists them all."
        )
    all_splits = read_rows(line.built, "splits")
    run_rows = runs(gathered["runs"], all_splits, line.inbox.sessions)
    tables = {
        "recordings": ledger,
        "runs": run_rows,
        "set_aside": gathered["set_aside"],
        "run_drift": gathered["run_drift"],
        "athlete_drift": athlete_drift(gathered["athlete_drift"]),
        "season_trend": season_trend(gathered["run_drift"], run_rows),
    }
    made_from = Provenance(_inputs_digest(line.inbox, ledger), line.inbox.settings.digest(), version("splitdrift"))
    published = {name: publishable(name, rows, subject="the club") for name, rows in tables.items()}
    for name, rows in published.items():
        write_table(line.built / "tables" / name / f"{name}.parquet", name, rows, made_from)
    write_database(line.built)
    write_exports(line.built / "exports", published)
    write_rejected(line.built / "rejected", ledger)
    return ledger


def _inputs_digest(inbox: Inbox, ledger: pl.DataFrame) -> str:
    """Digest of every file and list that the club's tables rest on."""
    digest = hashlib.sha256()
    for path, content in ledger.select("path", "sha256").iter_rows():
        digest.update(f"{path}\0{content}\n".encode())
    for rows in (inbox.athletes, inbox.sessions):
        digest.update(rows.write_csv().encode())
    return digest.hexdigest()
