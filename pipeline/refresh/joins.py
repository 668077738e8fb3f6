"""Recordings of one run joined: what the one that is kept did not measure is taken from the others.

Their samples are in the state being built. An athlete whose worker died is begun anew, when these may have been joined
or removed: so what is joined is kept aside as files gave it, and read from there. How clocks are aligned and readings
joined: `pipeline/methods/joining.py`.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import polars as pl

from pipeline import stage_named
from pipeline.core.code import own_version
from pipeline.core.metrics import Registry
from pipeline.core.places import read_frame
from pipeline.core.reasons import Because, Reason, as_json, because
from pipeline.methods.joining import Alignment, align, joined
from pipeline.refresh.context import JOIN, BuildContext, Measured, as_measured_of
from pipeline.refresh.duplicates import replaced_by_run, with_joined_runs
from pipeline.stages.samples import with_gait
from pipeline.stages.splits import LAPS
from pipeline.store.generations import link_files
from pipeline.store.parquet import Provenance, write_table
from pipeline.store.sections import section_of
from pipeline.tables import publishable


def join_recordings(context: BuildContext, measured: Measured) -> tuple[Measured, pl.DataFrame]:
    """Join the recordings of each run of an athlete; their samples are written anew.

    Returns:
        What was measured, with quality, splits and laps of runs that were joined; and a row (`JOIN`) for each recording
        that something was taken from.
    """
    duplicates = measured.duplicates
    if duplicates is None or duplicates.is_empty():
        return measured, pl.DataFrame(schema=JOIN)
    rows: list[dict[str, Any]] = []
    runs = measured.runs
    for run in runs.join(duplicates, left_on="run_id", right_on="duplicate_of", how="semi").iter_rows(named=True):
        own = duplicates.filter(pl.col("duplicate_of") == run["run_id"])
        rows += _join_run(context, run, own.sort("n_quantities", "path", "session", descending=[True, False, False]))
    joins = pl.DataFrame(rows, schema=JOIN)
    if joins.is_empty():
        return measured, joins
    runs = with_joined_runs(runs, joins)
    changed = runs.join(joins, on="run_id", how="semi")
    samples = pl.concat(read_frame(context.built / name) for name in changed["samples_file"])
    settings, subject = context.inbox.settings, f"athlete {runs['athlete_id'][0]}"
    quality = stage_named("quality").call("quality", samples, changed, measured.exclusions, settings=settings)
    names = changed.select("run_id", "athlete_id", "altitude", "speed_source")
    of_splits, of_laps = stage_named("splits").call(
        "splits", samples, _laps(changed), names, context.inbox.athletes, quality, settings=settings
    )
    tables = {"quality": quality, "splits": of_splits, "lap_splits": of_laps}
    anew = {name: publishable(name, rows, subject=subject, registry=settings.registry) for name, rows in tables.items()}
    whole: dict[str, Any] = {name: replaced_by_run(getattr(measured, name), rows, joins) for name, rows in anew.items()}
    return replace(measured, runs=runs, **whole), joins


def _laps(runs: pl.DataFrame) -> pl.DataFrame:
    """The laps of runs as rows of `LAPS`."""
    rows = [
        (run_id, lap, begins_s, ends_s)
        for run_id, ends in runs.select("run_id", "laps").iter_rows()
        for lap, (begins_s, ends_s) in enumerate(zip(ends[::2], ends[1::2], strict=True), start=1)
    ]
    return pl.DataFrame(rows, schema=LAPS, orient="row")


def _join_run(context: BuildContext, run: Mapping[str, Any], others: pl.DataFrame) -> list[dict[str, Any]]:
    """Take from the other recordings of a run, in their order, what it has not; its samples are written."""
    registry = context.inbox.settings.registry
    has, rows = set(run["quantities"]), []
    sensors, altitude = run["sensors"], run["altitude"]
    kept: pl.DataFrame | None = None
    for other in others.iter_rows(named=True):
        more = [column for column in registry.worth if column in other["quantities"] and column not in has]
        if not more or not (file := _as_measured(context, other)).is_file():
            continue
        kept = read_frame(_as_measured(context, run)) if kept is None else kept
        samples = read_frame(file)
        later_s = (other["started_at_utc"] - run["started_at_utc"]).total_seconds()
        alignment = align(kept, samples, begins_later_s=later_s)
        kept, taken = _taken(kept, samples, more, alignment, later_s)
        if not taken:
            continue
        if "cadence_spm" in taken:
            kept = with_gait(kept, registry)
        has |= set(taken)
        altitude = other["altitude"] if "altitude_m" in taken else altitude
        source = other["device"] or "another recording"
        sensors = "; ".join(filter(None, [sensors, *(f"{column}: joined from {source}" for column in taken)]))
        adds = [registry.worth[column] for column in taken]
        reasons = [because(Reason.DUPLICATE, original=run["path"], adds=adds), _clock(alignment, registry)]
        rows.append(
            {
                "run_id": run["run_id"],
                "path": other["path"],
                "session": other["session"],
                "sensors": sensors,
                "altitude": altitude,
                "reasons": as_json(reasons),
                "quantities": ", ".join(adds),
                "clock_shift_s": alignment.shift_s,
                "clock_agreement": alignment.agreement,
            }
        )
    if rows and kept is not None:
        shown = publishable("samples", kept, subject=f"run {run['run_id']}", registry=registry)
        digests = "".join([run["sha256"], *sorted(others["sha256"])])
        settings_sha256 = context.inbox.settings.digest("reading")
        made_from = Provenance(hashlib.sha256(digests.encode()).hexdigest(), settings_sha256, own_version())
        write_table(context.built / run["samples_file"], "samples", shown, made_from, registry)
    return rows


def _as_measured(context: BuildContext, recording: Mapping[str, Any]) -> Path:
    """The file of a recording's samples as its file gave them, kept aside; there is none if it gave none to publish."""
    name = str(recording["samples_file"])
    aside = context.built / as_measured_of(section_of(recording["athlete_id"], context.n_sections))
    if not (aside / name).is_file() and (context.built / name).is_file():
        link_files(context.built, aside, [name])
    return aside / name


def _clock(alignment: Alignment, registry: Registry) -> Because:
    """How the clock of a recording was aligned."""
    if not alignment.is_settled:
        return because(Reason.CLOCK_AS_IT_IS)
    compared, correlation = registry.worth.get(alignment.quantity or "", "speed"), round(alignment.agreement or 0.0, 2)
    return because(Reason.CLOCK_ALIGNED, compared=compared, correlation=correlation, shift_s=int(alignment.shift_s))


def _taken(
    kept: pl.DataFrame, other: pl.DataFrame, more: list[str], alignment: Alignment, later_s: float
) -> tuple[pl.DataFrame, list[str]]:
    """The samples with more columns filled, and which of these got a value."""
    columns = [*more, *(["slope_pct"] if "altitude_m" in more else [])]
    filled = joined(kept, other, columns, begins_later_s=later_s, shift_s=alignment.shift_s)
    taken = [column for column in more if filled[column].count()]
    if not taken:
        return kept, []
    return filled, taken
