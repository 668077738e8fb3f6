"""A shard: a handful of files of one athlete, taken through the stages recording, samples and splits.

The stages themselves are pure; here their inputs are read, their outputs brought into the form of their tables, and the
samples written. Only small frames are handed on.
"""

from __future__ import annotations

import errno
import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import timedelta
from importlib.metadata import version
from pathlib import Path

import polars as pl

from pipeline.errors import Refused
from pipeline.inbox import Inbox, InboxFile, started_at, utc
from pipeline.methods.spring_mass import with_stiffness
from pipeline.recording import WORTH, Session, recording, without_duplicates
from pipeline.samples import RunSamples, samples
from pipeline.splits import splits
from pipeline.store import Provenance, write_table
from pipeline.tables import empty, publishable


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
class Settled:
    """What the stage samples hands to the stage splits: what is measured so far, and the samples of each run."""

    measured: Measured
    samples: dict[str, pl.DataFrame]


_RUN: dict[str, pl.DataType | type[pl.DataType]] = {
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
        if error.errno not in _FILES_OWN_FAULT:
            raise  # the storage's, which may pass; a run must not vanish for it
        reason = Refused(
            f"The file cannot be opened: {error.strerror}.",
            "Check its permissions and its name; a name that is no valid UTF-8 must be changed.",
        )
    except Exception as error:
        reason = _our_fault(error)
    digest = hashlib.sha256(content).hexdigest()
    return [Session(name=file.path, place=1, sha256=digest, format=None, status="rejected", reason="").refused(reason)]


#: Errors of opening that lie with the file itself.
_FILES_OWN_FAULT = frozenset({errno.ENOENT, errno.EACCES, errno.EPERM, errno.EISDIR, errno.ENAMETOOLONG, errno.EINVAL})


def _our_fault(error: Exception) -> Refused:
    # One file must not stop a night's refresh, whatever is wrong with it or with us.
    return Refused(
        f"splitdrift failed on this file ({type(error).__name__}); the fault is splitdrift's.",
        "Please report it together with the file.",
    )


def settle(line: Line, shard: Shard, sessions: Sequence[tuple[InboxFile, Session]]) -> Settled:
    """Stage `samples` for the sessions of a shard; the samples are written, and handed on once for the next stage."""
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
        empty("set_aside"),
        empty("splits"),
    )
    # Two recordings of one run have one name; the lesser one goes here, so that names are distinct from here on.
    recordings, kept = mark_duplicates(measured)
    wanted = set(zip(kept["path"], kept["session"], strict=True))
    own = [run for row, run in found if (row["path"], row["session"]) in wanted]
    if not own:
        return Settled(Measured(recordings, kept, empty("set_aside"), empty("splits")), {})
    measured = Measured(recordings, kept, pl.concat([run.set_aside for run in own]), empty("splits"))
    frames = [run.samples for run in own]
    everything = publishable("samples", pl.concat(frames), subject=f"athlete {shard.athlete_id}")
    by_run = {str(key[0]): frame for key, frame in everything.partition_by("run_id", as_dict=True).items()}
    if line.built is not None:
        settings_sha256, code = line.inbox.settings.digest(), version("splitdrift")
        for row in kept.iter_rows(named=True):
            made_from = Provenance(row["sha256"], settings_sha256, code)
            write_table(line.built / row["samples_file"], "samples", by_run[row["run_id"]], made_from)
    return Settled(measured, by_run)


def _settle_session(
    inbox: Inbox, file: InboxFile, session: Session
) -> tuple[Session, tuple[dict[str, object], RunSamples] | None]:
    """The samples of a session and its row for `runs`; or the session turned away after all."""
    found, settings = session.recording, inbox.settings
    if found is None:
        return session, None
    try:
        listed = started_at(inbox.sessions, session.name)
        if not found.has_clock and listed is None:
            raise Refused(
                "The file says how much time went by but not when it began.",
                f'Add a line "{session.name},YYYY-MM-DDTHH:MM:SSZ" under "file,started_at_utc" in sessions.csv.',
            )
        run = samples(
            found,
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
        "n_quantities": sum(run.samples[one].count() > 0 for one in WORTH),
        "is_damaged": found.damage is not None,
        "n_samples": session.n_samples,
        "samples_file": f"unsorted/{name}.parquet",
    }
    return session, (row, run.named(run_id))


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


def cut(line: Line, settled: Settled) -> Measured:
    """Stage `splits` for the runs of a shard."""
    measured, by_run = settled.measured, settled.samples
    if not by_run:
        return measured
    rows = splits(pl.concat(by_run.values()), split_length_m=line.inbox.settings.split_length_m)
    rows = rows.join(measured.runs.select("run_id", "athlete_id"), on="run_id", how="left")
    rows = with_stiffness(
        rows,
        line.inbox.athletes,
        level_slope_pct=line.inbox.settings.level_slope_pct,
        level_roughness_pct=line.inbox.settings.level_roughness_pct,
        min_run_share=line.inbox.settings.min_run_share,
    )
    published = publishable("splits", rows, subject=f"athlete {measured.runs['athlete_id'][0]}")
    return Measured(measured.recordings, measured.runs, measured.set_aside, published)


def mark_duplicates(measured: Measured) -> tuple[pl.DataFrame, pl.DataFrame]:
    """The ledger with duplicates marked, and the runs without them."""
    duplicates = without_duplicates(measured.runs)
    if duplicates.is_empty():
        return measured.recordings, measured.runs
    kept = measured.runs.join(duplicates, on=["path", "session"], how="anti")
    original = kept.select(duplicate_of="run_id", original="path")
    named = duplicates.join(original, on="duplicate_of", how="left")
    # What was a duplicate of a run that is itself one now is a duplicate of the run that is kept.
    passed_on = measured.runs.join(duplicates, on=["path", "session"]).unique(
        "run_id", keep="first", maintain_order=True
    )
    ledger = measured.recordings.join(named, on=["path", "session"], how="left").with_columns(
        status=pl.when(pl.col("duplicate_of").is_null()).then("status").otherwise(pl.lit("duplicate")),
        run_id=pl.coalesce("duplicate_of", pl.col("run_id").replace(passed_on["run_id"], passed_on["duplicate_of"])),
        reason=pl.when(pl.col("duplicate_of").is_null())
        .then("reason")
        .otherwise(pl.format("The same run as {}, which holds at least as much.", pl.col("original"))),
    )
    return ledger.select(measured.recordings.columns), kept
