"""A shard: a few files of one athlete, taken through the stages recording, samples, quality and splits.

The stages themselves are pure; here their inputs are read, their outputs brought into the form of their tables, and the
samples written. Only small frames are returned.
"""

from __future__ import annotations

import errno
import hashlib
from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from itertools import chain

import polars as pl

from pipeline import stage_named
from pipeline.core.code import own_version
from pipeline.core.errors import BrokenPromise, Refused
from pipeline.core.metrics import Registry
from pipeline.core.places import read_content
from pipeline.core.reasons import Reason, as_json
from pipeline.inbox.athlete_ids import MOST_NAME_BYTES, is_too_long
from pipeline.inbox.inbox import Inbox, InboxFile, started_at, utc
from pipeline.refresh.context import RUN, BuildContext, Measured, RunContext, SampledRuns, Shard
from pipeline.refresh.duplicates import best_of_each_start
from pipeline.stages.corrections import named, tags_text
from pipeline.stages.recording import Session, form, rejected_file
from pipeline.stages.samples import RunSamples, exclusions_of, samples_of
from pipeline.stages.splits import LAPS, lap_rows
from pipeline.store.bundles import GATHERED, Bundle, write_bundle
from pipeline.store.layout import samples_file
from pipeline.store.parquet import Provenance, write_table
from pipeline.store.sections import section_of
from pipeline.tables import empty, publishable
from pipeline.workers.pool import Loss


def measure(context: BuildContext, shard: Shard) -> Bundle:
    """Take a shard through the stages of files; its samples are written."""
    sampled = sample(context, shard, read(context, shard))
    if context.kept.has(section_of(shard.athlete_id, context.n_sections)):
        # The planner of this died, and its successor is past this: samples that it removed would be there again.
        return Bundle("", shard.athlete_id)
    return bundle_of(context, cut(context, assess(context, write_samples(context, sampled))))


def judge(context: RunContext, shard: Shard) -> Measured:
    """The same without writing anything."""
    return cut(context, assess(context, sample(context, shard, read(context, shard))))


def read(context: RunContext, shard: Shard) -> list[tuple[InboxFile, Session]]:
    """Stage `recording` for the files of a shard."""
    return [(file, session) for file in shard.files for session in _read_file(context.inbox, file)]


def _read_file(inbox: Inbox, file: InboxFile) -> list[Session]:
    content, is_passing = b"", False
    try:
        if file.athlete_id is None:
            raise Refused(Reason.NO_ATHLETE)
        if is_too_long(file.athlete_id):
            raise Refused(Reason.LONG_FOLDER_NAME, most_bytes=MOST_NAME_BYTES)
        content = read_content(inbox.folder / file.path)
        if file.sha256 is not None and hashlib.sha256(content).hexdigest() != file.sha256:
            is_passing = True
            raise Refused(Reason.BEING_WRITTEN)
        mapping = inbox.mapping_for(file)
        sessions: list[Session] = stage_named("recording").call(
            "recording",
            file.path,
            content,
            settings=inbox.settings,
            mapping=mapping,
            sha256=file.sha256,
            athlete_id=file.athlete_id,
            corrections=inbox.corrections_for(file),
        )
        return sessions
    except Refused as refusal:
        reason = refusal
    except OSError as error:
        if error.errno not in FILES_OWN_FAULT:
            raise  # the storage's, which may pass; a run must not vanish for it
        is_passing = True
        reason = Refused(Reason.CANNOT_BE_OPENED, error=error.strerror)
    except MemoryError:
        raise  # the worker's limit: the shard is divided, and the file that is too large is found
    except Exception as error:
        reason = _our_fault(error)
    return [rejected_file(file.path, content, reason, is_passing=is_passing)]


#: Errors of opening that are about the file itself.
FILES_OWN_FAULT = frozenset({errno.ENOENT, errno.EACCES, errno.EPERM, errno.EISDIR, errno.ENAMETOOLONG, errno.EINVAL})


def _our_fault(error: Exception) -> Refused:
    # One file must not stop a night's refresh, whatever is wrong with it or with us.
    return Refused(Reason.INTERNAL_ERROR, error=type(error).__name__)


def bundle_of(context: BuildContext, measured: Measured) -> Bundle:
    """Write what came of a shard as a bundle."""
    files = tuple(measured.recordings["file"].unique().sort())
    athlete_id = measured.recordings["athlete_id"][0]
    name = f"{GATHERED}/shards/{hashlib.sha256(repr((athlete_id, *files)).encode()).hexdigest()[:32]}"
    write_bundle(context.built, name, measured.parts)
    samples = tuple(measured.runs["samples_file"])
    return Bundle(name, athlete_id, bool(samples), files, samples, measured.passing)


def measure_lost(context: BuildContext, shard: Shard, loss: Loss) -> Bundle:
    """The outcome of a shard of one file that cost its worker, as a bundle."""
    return bundle_of(context, lost(context, shard, loss))


def lost(context: RunContext, shard: Shard, loss: Loss) -> Measured:
    """The outcome of a shard of one file that cost its worker: the file, rejected."""
    return sample(context, shard, unread(context, shard, loss)).measured


def unread(context: RunContext, shard: Shard, loss: Loss) -> list[tuple[InboxFile, Session]]:
    """The same after the first stage.

    Args:
        shard: of one file.
    """
    (file,) = shard.files
    if loss.kind is Reason.BUDGET_SPENT:
        refusal = Refused(Reason.WAITS, most_s=context.inbox.settings.max_athlete_s)
    else:
        refusal = Refused(Reason.LOST_FOR_NOW if loss.may_have_passed else Reason.LOST, loss=loss.because)
    session = rejected_file(file.path, b"", refusal, is_passing=loss.may_have_passed)
    return [(file, replace(session, sha256=file.sha256 or ""))]


@dataclass(frozen=True)
class _Run:
    """A run that a session turned out to be: its row in `Measured.runs`, its samples and exclusions, its laps."""

    row: dict[str, object]
    rows: RunSamples
    laps: list[tuple[str, int, float, float]]


def sample(context: RunContext, shard: Shard, sessions: Sequence[tuple[InboxFile, Session]]) -> SampledRuns:
    """Stage `samples` for the sessions of a shard; nothing is written."""
    listed = set(context.inbox.sessions["file"].drop_nulls())
    outcomes = [_sample_session(context.inbox, file, session, listed) for file, session in sessions]
    runs = [run for _, run in outcomes if run is not None]
    rows = pl.DataFrame([run.row for run in runs], schema=RUN)
    recordings = _ledger(shard.athlete_id, [session for session, _ in outcomes], rows)
    passing = {file.path for (file, _), (session, _) in zip(sessions, outcomes, strict=True) if session.is_passing}
    registry = context.inbox.settings.registry
    nothing = {table: empty(table, registry) for table in ("exclusions", "quality", "splits", "lap_splits")}
    measured = replace(
        Measured.of_parts({"recordings": recordings, "runs": rows, **nothing}), passing=tuple(sorted(passing))
    )
    if not runs:
        return SampledRuns(measured, empty("samples", registry), pl.DataFrame())
    # Two recordings that begin in the same second have the same name; only the one that is kept goes on.
    best = best_of_each_start(rows).filter(pl.col("lacks").is_null())
    kept = set(best["samples_file"])
    others = {str(run.row["samples_file"]): run.rows.samples for run in runs if run.row["samples_file"] not in kept}
    others = {name: shown for name, samples in others.items() if (shown := _shown(samples, registry)) is not None}
    runs = [run for run in runs if run.row["samples_file"] in kept]
    if not runs:
        return SampledRuns(measured, empty("samples", registry), pl.DataFrame(), others)
    kept_rows = [run.rows for run in runs]
    measured = replace(measured, exclusions=exclusions_of(kept_rows))
    measured, everything = _publishable_runs(measured, "samples", samples_of(kept_rows), registry)
    return SampledRuns(
        measured,
        everything,
        pl.DataFrame(list(chain.from_iterable(run.laps for run in runs)), schema=LAPS, orient="row"),
        others,
    )


def _shown(samples: pl.DataFrame, registry: Registry) -> pl.DataFrame | None:
    """Samples of a recording that is not kept as they are published; None where they break a rule of their table."""
    try:
        return publishable("samples", samples, subject="one recording", registry=registry)
    except BrokenPromise:
        return None


def write_samples(context: BuildContext, sampled: SampledRuns) -> SampledRuns:
    """Write the samples of each run into its file; returns what it was given."""
    settings_sha256, code = context.inbox.settings.digest("reading"), own_version()
    best, by_run = set(best_of_each_start(sampled.measured.runs)["samples_file"]), _by_run(sampled.samples)
    for run in sampled.measured.runs.iter_rows(named=True):
        rows = sampled.others.get(run["samples_file"], None)
        if rows is None and run["samples_file"] in best:
            rows = by_run.get(run["run_id"])
        if rows is not None:
            made_from = Provenance(run["sha256"], settings_sha256, code)
            file = context.built / run["samples_file"]
            write_table(file, "samples", rows, made_from, context.inbox.settings.registry)
    return sampled


def _by_run(rows: pl.DataFrame) -> dict[str, pl.DataFrame]:
    """The rows of each run, which are consecutive: nothing is copied."""
    parts, begins = {}, 0
    for n_rows, run_id in rows["run_id"].rle().struct.unnest().iter_rows():
        parts[run_id] = rows.slice(begins, n_rows)
        begins += n_rows
    return parts


def _publishable_runs(
    measured: Measured, table: str, rows: pl.DataFrame, registry: Registry
) -> tuple[Measured, pl.DataFrame]:
    """Rows as they are published; runs whose rows break a rule of their table are rejected, the rest are kept."""
    subject = f"athlete {measured.recordings['athlete_id'][0]}"
    try:
        return measured, publishable(table, rows, subject=subject, registry=registry)
    except BrokenPromise as broken:
        by_run = rows.partition_by("run_id", as_dict=True)
        faulty = [str(run_id) for (run_id,), own in by_run.items() if not _keeps_promise(table, own, registry)]
        sound = rows.filter(~pl.col("run_id").is_in(faulty))
        return _without(measured, faulty, broken), publishable(table, sound, subject=subject, registry=registry)


def _keeps_promise(table: str, rows: pl.DataFrame, registry: Registry) -> bool:
    try:
        publishable(table, rows, subject="one run", registry=registry)
    except BrokenPromise:
        return False
    return True


def _without(measured: Measured, run_ids: Sequence[str], broken: BrokenPromise) -> Measured:
    """Reject runs whose rows break a rule of their table: an internal error, but one run must not stop the others."""
    refusal = _our_fault(broken)
    names = measured.runs.filter(pl.col("run_id").is_in(run_ids)).select("path", "session")
    is_faulty = pl.col("is_faulty").fill_null(value=False)
    recordings = (
        measured.recordings.join(names.with_columns(is_faulty=True), on=["path", "session"], how="left")
        .with_columns(
            status=pl.when(is_faulty).then(pl.lit("rejected")).otherwise("status"),
            reasons=pl.when(is_faulty).then(pl.lit(as_json(refusal.reasons))).otherwise("reasons"),
            reason=pl.when(is_faulty).then(pl.lit(refusal.reason)).otherwise("reason"),
            fix=pl.when(is_faulty).then(pl.lit(refusal.fix)).otherwise("fix"),
            run_id=pl.when(is_faulty).then(None).otherwise("run_id"),
        )
        .select(measured.recordings.columns)
    )
    return replace(
        measured,
        recordings=recordings,
        runs=measured.runs.join(names, on=["path", "session"], how="anti"),
        exclusions=measured.exclusions.filter(~pl.col("run_id").is_in(run_ids)),
        quality=measured.quality.filter(~pl.col("run_id").is_in(run_ids)),
    )


def _sample_session(
    inbox: Inbox, file: InboxFile, session: Session, listed_files: Collection[str]
) -> tuple[Session, _Run | None]:
    """The samples of a session and its row for `runs`; or the session rejected after all."""
    recorded = session.recording
    if recorded is None:
        return session, None
    try:
        listed = None if recorded.has_clock else started_at(inbox.sessions, session.path)
        if not recorded.has_clock and listed is None:
            raise Refused(Reason.NO_START, path=session.path)
        run: RunSamples = stage_named("samples").call("samples", recorded, settings=inbox.settings)
        lacks = session.lacks_distance
        if not len(run.gait) or run.columns["distance_m"].max() == 0:
            lacks = lacks or Refused(Reason.NO_DISTANCE_COVERED)
            if not any(run.has(column) for column in form(inbox.settings.registry)):
                raise lacks
        started = utc(run.started_s) if recorded.has_clock or listed is None else listed
        ended = utc(started.timestamp() + float(run.columns["elapsed_s"][-1]))
    except Refused as refusal:
        return session.rejected(refusal), None
    except MemoryError:
        raise
    except Exception as error:
        return session.rejected(_our_fault(error)), None
    quantities = [column for column in inbox.settings.registry.worth if run.has(column)]
    run_id = f"{file.athlete_id}-{started:%Y%m%dT%H%M%SZ}"
    laps = lap_rows(run_id, recorded, run.started_s)
    own_name = hashlib.sha256(f"{session.path}:{session.place}".encode()).hexdigest()[:8]
    row: dict[str, object] = {
        "run_id": run_id,
        "athlete_id": file.athlete_id,
        "file": file.path,
        "path": session.path,
        "session": session.place,
        "sha256": session.sha256,
        "started_at_utc": started,
        "ended_at_utc": ended,
        "paused_s": run.paused_s,
        "device": recorded.device,
        "sensors": "; ".join(f"{quantity}: {winner}" for quantity, winner in recorded.sensors.items()) or None,
        "altitude": run.altitude,
        "speed_source": run.speed_source,
        "tags": tags_text(session.outcome.tags),
        "quantities": quantities,
        "lacks": lacks and as_json(lacks.reasons),
        "n_quantities": len(quantities),
        "is_damaged": recorded.damage is not None,
        "n_samples": session.n_samples,
        "is_corrected": session.outcome.is_named,
        "is_listed": session.path in listed_files or file.path in listed_files,
        "samples_file": samples_file(run_id, str(file.athlete_id), f"{started:%Y-%m}", own_name),
        "laps": [edge for *_, begins_s, ends_s in laps for edge in (begins_s, ends_s)],
    }
    return session, _Run(row, run.named(run_id), laps)


def _ledger(athlete_id: str | None, sessions: Sequence[Session], runs: pl.DataFrame) -> pl.DataFrame:
    """Rows of `recordings`, one per session."""
    names = ("path", "session", "run_id", "started_at_utc", "ended_at_utc")
    of_runs = {(path, session): known for path, session, *known in runs.select(names).iter_rows()}
    rows = [
        {
            "path": session.path,
            "session": session.place,
            "file": session.file,
            "sha256": session.sha256,
            "athlete_id": athlete_id,
            **dict(zip(names[2:], of_runs.get((session.path, session.place), _times(session)), strict=True)),
            "format": session.format,
            "status": session.status,
            "reasons": as_json(session.reasons),
            "reason": session.reason,
            "fix": session.fix,
            "n_samples": session.n_samples,
            "sport": session.sport,
            "distance_km": None if session.distance_m is None else session.distance_m / 1000,
            "corrections": named(session.outcome.applied),
            "guards_not_met": named(session.outcome.held_back),
        }
        for session in sessions
    ]
    return pl.DataFrame(rows, schema=empty("recordings").schema)


def _times(session: Session) -> tuple[None, datetime | None, datetime | None]:
    """No run, and start and end of a session that is none."""
    if session.started_s is None or session.ended_s is None:
        return None, None, None
    return None, utc(session.started_s), utc(session.ended_s)


def assess(context: RunContext, sampled: SampledRuns) -> SampledRuns:
    """Stage `quality` for the runs of a shard."""
    measured, samples = sampled.measured, sampled.samples
    if samples.is_empty():
        return sampled
    runs = measured.runs.filter(pl.col("lacks").is_null())
    rows = stage_named("quality").call("quality", samples, runs, measured.exclusions, settings=context.inbox.settings)
    return replace(sampled, measured=replace(measured, quality=rows))


def cut(context: RunContext, sampled: SampledRuns) -> Measured:
    """Stage `splits` for the runs of a shard."""
    measured, samples = sampled.measured, sampled.samples
    if samples.is_empty():
        return measured
    names = best_of_each_start(measured.runs).select("run_id", "athlete_id", "altitude", "speed_source")
    roster, registry = context.inbox.athletes, context.inbox.settings.registry
    rows, of_laps = stage_named("splits").call(
        "splits", samples, sampled.laps, names, roster, measured.quality, settings=context.inbox.settings
    )
    measured, rows = _publishable_runs(measured, "splits", rows, registry)
    measured, of_laps = _publishable_runs(measured, "lap_splits", of_laps, registry)
    # A run whose rows in one of these tables break a rule is left out of the other too.
    is_left = pl.col("run_id").is_in(measured.runs["run_id"].implode())
    rows, of_laps = rows.filter(is_left), of_laps.filter(is_left)
    return replace(measured, splits=rows, lap_splits=of_laps)
