"""The club-level stages of `pipeline.STAGES`, and everything that is published once."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence

import polars as pl

from pipeline import ATHLETE, CLUB, Function, Stage, stages_of, tables_of
from pipeline.core.places import written_here
from pipeline.core.resources import own_version
from pipeline.core.settings import settings_text
from pipeline.pages.club_rows import write_names
from pipeline.refresh.context import BuildContext
from pipeline.store.bundles import GATHERED, read_bundle, write_bundle
from pipeline.store.database import write_database
from pipeline.store.exports import LONG, ONLY_CSV, SHEETS, write_exports, write_rejected
from pipeline.store.known import kept_parts, of_files
from pipeline.store.layout import read_athletes, read_file, read_rows, write_settings
from pipeline.store.parquet import Provenance, write_table
from pipeline.store.sections import Section
from pipeline.tables import TABLES, publishable


def tell_in_common(context: BuildContext, section: Section) -> None:
    """Write what the athletes of a section tell that all need to know, for each function that needs it."""
    tables = {}
    for stage, function in _of_club():
        if function.in_common is not None:
            inputs = (context.kept.of(name, section) for name in function.reads)
            tables[function.name] = stage.made_by(function.in_common[0], *inputs)
    write_bundle(context.built, _told(section), tables)


def draw_in_common(context: BuildContext, sections: Sequence[Section]) -> None:
    """Write what all need to know, from what the athletes of each section tell."""
    told = [read_bundle(context.built, _told(section)) for section in sections]
    registry = context.inbox.settings.registry
    for stage, function in _of_club():
        if function.in_common is not None:
            athletes = pl.concat(own[function.name] for own in told)
            common = stage.made_by(function.in_common[1], athletes, registry=registry)
            write_bundle(context.built, _in_common(function.name), common)


def finish_section(context: BuildContext, section: Section) -> None:
    """Run the club's stages over the athletes of a section, and write its part of every table of athletes and runs."""
    settings = context.inbox.settings
    frames = {name: context.kept.of(name, section) for name in kept_parts()}
    athletes = frames["runs"]["athlete_id"].unique().sort()
    frames |= {"splits": read_athletes(context.built, "splits", athletes)} | context.inbox.lists
    made: dict[str, pl.DataFrame] = {
        name: frames[name] for name in (*of_files(), *tables_of(ATHLETE)) if name in TABLES
    }
    for stage, function in _of_club():
        if function.by_athlete:
            common = {"in_common": read_bundle(context.built, _in_common(function.name))} if function.in_common else {}
            tables = stage.tables_by(function, frames, settings=settings, **common)
            # Of lists each section takes the lines of its own athletes.
            made |= {name: _held(section, rows) for name, rows in tables.items()}
            frames |= made
        elif all(name in context.inbox.lists for name in function.reads):
            frames |= stage.tables_by(function, frames, settings=settings)
    registry = settings.registry
    published = {name: publishable(name, rows, subject="the club", registry=registry) for name, rows in made.items()}
    made_from = _provenance(context, published["recordings"].select("path", "sha256"))
    for name, rows in published.items():
        write_table(context.built / "tables" / name / section.file(name), name, rows, made_from, registry)


def finish_club(context: BuildContext, sections: Sequence[Section]) -> None:
    """Run the stages that take the club as a whole, over what its sections gave, and write their tables."""
    recordings = pl.concat(
        read_file(context.built, f"tables/recordings/{section.file('recordings')}", _OF_RECORDINGS)
        for section in sections
    ).sort("path", "session")
    frames, settings = {"recordings": recordings} | context.inbox.lists, context.inbox.settings
    made_from, registry = _provenance(context, recordings), settings.registry
    for stage, function in _of_club():
        if not function.by_athlete:
            frames |= {name: read_rows(context.built, name) for name in function.reads if name not in frames}
            for name, rows in stage.tables_by(function, frames, settings=settings).items():
                frames[name] = publishable(name, rows, subject="the club", registry=registry)
                file = context.built / "tables" / name / f"{name}.parquet"
                write_table(file, name, frames[name], made_from, registry)
    write_settings(context.built, settings_text(settings))
    write_names(context.built, context.inbox.athletes)


#: What stages that take the club as a whole read of `recordings`, and what tables are made from.
_OF_RECORDINGS = ("path", "session", "sha256", "corrections", "guards_not_met")


def _of_club() -> list[tuple[Stage, Function]]:
    return [(stage, function) for stage in stages_of(CLUB) for function in stage.functions]


def _told(section: Section) -> str:
    return f"{GATHERED}/told/{section.number}"


def _in_common(function: str) -> str:
    return f"{GATHERED}/in_common/{function}"


def _held(section: Section, rows: pl.DataFrame) -> pl.DataFrame:
    if section.of == 1 or "athlete_id" not in rows.columns:
        return rows
    held = filter(section.holds, rows["athlete_id"].unique())
    return rows.filter(pl.col("athlete_id").is_in(pl.Series(held, dtype=pl.String).implode(), nulls_equal=True))


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


def _provenance(context: BuildContext, recordings: pl.DataFrame) -> Provenance:
    """What tables rest on: every recording of these athletes, every list and setting, and the code."""
    digest = hashlib.sha256()
    for path, content in recordings.select("path", "sha256").iter_rows():
        digest.update(f"{path}\0{content}\n".encode())
    digest.update(context.inbox.lists_digest().encode())
    return Provenance(digest.hexdigest(), context.inbox.settings.digest(), own_version())
