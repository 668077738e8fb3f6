"""The club-level stages of `pipeline.STAGES`, and everything that is published once."""

from __future__ import annotations

import hashlib

import polars as pl

from pipeline import ATHLETE, CLUB, stages_of, tables_of
from pipeline.core.places import written_here
from pipeline.core.resources import own_version
from pipeline.core.settings import settings_text
from pipeline.inbox.inbox import Inbox
from pipeline.pages.club_rows import write_names
from pipeline.refresh.context import BuildContext
from pipeline.store.database import write_database
from pipeline.store.exports import LONG, ONLY_CSV, SHEETS, write_exports, write_rejected
from pipeline.store.known import kept_parts, read_part
from pipeline.store.layout import read_rows, write_settings
from pipeline.store.parquet import Provenance, write_table
from pipeline.tables import publishable


def finish(context: BuildContext) -> pl.DataFrame:
    """Run the club's stages and write every table; returns the ledger.

    What files and athletes gave is read from the state being built, where `pipeline.store.known.write_known` put it.
    """
    settings = context.inbox.settings
    frames = {name: read_part(context.built, name) for name in kept_parts()}
    frames |= {"splits": read_rows(context.built, "splits")} | context.inbox.lists
    for stage in stages_of(CLUB):
        frames |= stage.tables(frames, settings=settings)
    tables = dict.fromkeys(("recordings", "exclusions", "quality", *tables_of(ATHLETE), *tables_of(CLUB)))
    published = {
        name: publishable(name, frames[name], subject="the club", registry=settings.registry) for name in tables
    }
    ledger = published["recordings"]
    made_from = Provenance(_inputs_digest(context.inbox, ledger), settings.digest(), own_version())
    for name, rows in published.items():
        write_table(context.built / "tables" / name / f"{name}.parquet", name, rows, made_from, settings.registry)
    write_settings(context.built, settings_text(settings))
    write_names(context.built, context.inbox.athletes)
    return ledger


def write_output(context: BuildContext, output: str) -> None:
    """Write the tables of the state being built as one of `OUTPUTS`: for SQL users, or for spreadsheets."""
    with written_here(context.built) as here:
        if output == "database":
            write_database(context.built, here, context.inbox.settings.registry)
            return
        tables = (*SHEETS, *LONG, *ONLY_CSV)
        rows = {name: read_rows(context.built, name) for name in tables}
        write_exports(here / "exports", rows, context.inbox.settings.registry)
        write_rejected(here / "rejected", read_rows(context.built, "recordings"))


def _inputs_digest(inbox: Inbox, ledger: pl.DataFrame) -> str:
    """Digest of every file and list that the club's tables rest on."""
    digest = hashlib.sha256()
    for path, content in ledger.select("path", "sha256").iter_rows():
        digest.update(f"{path}\0{content}\n".encode())
    digest.update(inbox.lists_digest().encode())
    return digest.hexdigest()
