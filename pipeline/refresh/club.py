"""The club: the stages over all athletes, and everything that is published once."""

from __future__ import annotations

import hashlib
from importlib.metadata import version

import polars as pl

from pipeline.core.places import written_here
from pipeline.core.settings import settings_text
from pipeline.inbox.inbox import Inbox
from pipeline.pages.club_rows import write_names
from pipeline.refresh.context import RunContext
from pipeline.stages.contrasts import contrasts
from pipeline.stages.season_slope import season_slope
from pipeline.stages.strikes import ANGLE_THRESHOLDS, strike_counts, strike_shift
from pipeline.stages.summaries import athlete_drift, runs, season_trend
from pipeline.store.database import write_database
from pipeline.store.exports import SHEETS, write_csv, write_exports, write_rejected
from pipeline.store.known import PARTS, read_part
from pipeline.store.layout import read_rows, write_settings
from pipeline.store.parquet import Provenance, write_table
from pipeline.tables import publishable


def finish(context: RunContext) -> pl.DataFrame:
    """Take the club's stages, write every table, the database and the exports; returns the ledger.

    What files and athletes gave is read from the state being built, where `pipeline.store.known.write_known` put it.
    """
    assert context.built is not None
    gathered = {name: read_part(context.built, name) for name in PARTS}
    ledger = publishable("recordings", gathered["recordings"], subject="the ledger")
    all_splits = read_rows(context.built, "splits")
    run_rows = runs(gathered["runs"], all_splits, context.inbox.sessions)
    settings = context.inbox.settings
    thresholds = ANGLE_THRESHOLDS[settings.strike_angle_thresholds]
    tables = {
        "recordings": ledger,
        "runs": run_rows,
        "exclusions": gathered["exclusions"],
        "run_drift": gathered["run_drift"],
        "responses": gathered["responses"],
        "athlete_drift": athlete_drift(
            gathered["athlete_drift"],
            gathered["run_drift"],
            smallest_change_pct=settings.smallest_change_pct,
            max_collinearity=settings.max_collinearity,
            usual_distance_margin=settings.usual_distance_margin,
            max_late_exclusion_excess=settings.max_late_exclusion_excess,
        ),
        "pacing": gathered["pacing"],
        "contrasts": contrasts(gathered["run_drift"], run_rows),
        "season_trend": season_trend(gathered["run_drift"], run_rows),
        "season_slope": season_slope(gathered["run_drift"], run_rows),
        "complaints": context.inbox.complaints,
        "strike_counts": strike_counts(context.inbox.strikes, thresholds=thresholds),
        "strike_shift": strike_shift(context.inbox.strikes, thresholds=thresholds),
    }
    made_from = Provenance(_inputs_digest(context.inbox, ledger), settings.digest(), version("splitdrift"))
    published = {name: publishable(name, rows, subject="the club") for name, rows in tables.items()}
    for name, rows in published.items():
        write_table(context.built / "tables" / name / f"{name}.parquet", name, rows, made_from)
    write_settings(context.built, settings_text(settings))
    write_names(context.built, context.inbox.athletes)
    return ledger


def show_forth(context: RunContext, form: str) -> None:
    """Give the tables of the state being built in another of `FORMS`: for SQL users, or for spreadsheets."""
    assert context.built is not None
    with written_here(context.built) as here:
        if form == "database":
            write_database(context.built, here)
            return
        write_exports(here / "exports", {name: read_rows(context.built, name) for name in SHEETS})
        write_csv(here / "exports", "splits", read_rows(context.built, "splits"))
        write_rejected(here / "rejected", read_rows(context.built, "recordings"))


def _inputs_digest(inbox: Inbox, ledger: pl.DataFrame) -> str:
    """Digest of every file and list that the club's tables rest on."""
    digest = hashlib.sha256()
    for path, content in ledger.select("path", "sha256").iter_rows():
        digest.update(f"{path}\0{content}\n".encode())
    digest.update(inbox.lists_digest().encode())
    return digest.hexdigest()
