"""The club-level stages of `pipeline.STAGES`, and everything that is published once."""

from __future__ import annotations

import hashlib
from collections import defaultdict
from collections.abc import Mapping, Sequence
from itertools import product
from pathlib import Path

import polars as pl

from pipeline import CLUB, Function, Stage, parts_by_athlete, stages_of
from pipeline.core.code import own_version
from pipeline.core.freed_memory import give_back_freed_memory
from pipeline.core.places import written_here
from pipeline.core.settings import settings_text
from pipeline.pages.club_rows import write_names
from pipeline.refresh.context import DATABASE, BuildContext
from pipeline.refresh.published_before import in_two, moved_by_all, published_before
from pipeline.store.bundles import GATHERED, read_bundle, write_bundle
from pipeline.store.database import write_database
from pipeline.store.exports import EXPORTED, in_workbook, rejected, write_csv, write_exports, write_rejected
from pipeline.store.known import kept_parts
from pipeline.store.layout import held, is_of, read_athletes, read_file, read_rows, write_settings
from pipeline.store.parquet import Provenance, write_table
from pipeline.store.sections import Section, sections_of
from pipeline.tables import PARTITIONED, TABLES, publishable

#: The splits of so many athletes are in memory at once: of a section they are larger than all else together.
ATHLETES_AT_ONCE = 128


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


def finish_section(context: BuildContext, item: tuple[Section, int]) -> None:
    """Run a part of the club's stages over the athletes of a section, and write its part of every table of these.

    Args:
        item: the section, and which of `pipeline.parts_by_athlete`. With the first go the tables that no part makes.
    """
    section, number = item
    made, registry = _of_section(context, section, number), context.inbox.settings.registry
    inputs = _digest_of_inputs(context, section)
    made_from = _provenance(context, [inputs])
    told = {_INPUTS: pl.DataFrame({"sha256": inputs})} if number == 0 else {}
    while made:  # each is let go once it is written
        name, rows = made.popitem()
        published = publishable(name, rows, subject="the club", registry=registry)
        write_table(context.built / "tables" / name / section.file(name), name, published, made_from, registry)
        for stage, function in _of_club():
            if function.told is not None and function.reads[0] == name:
                told[function.name] = stage.made_by(function.told, published)
    write_bundle(context.built, _told(section, number), told)
    give_back_freed_memory()


def _of_section(context: BuildContext, section: Section, number: int) -> dict[str, pl.DataFrame]:
    parts = [[function for _, function in part] for part in parts_by_athlete()]
    made_in_parts = {name for part in parts for function in part for name in function.writes}
    as_they_are = [name for name in kept_parts() if name in TABLES and name not in made_in_parts and number == 0]
    made = {name: context.kept.of(name, section) for name in as_they_are}
    with_all, without = in_two(parts[number])
    first = _in_pieces(context, with_all, section, made)
    known = made | {name: rows.drop(moved_by_all(with_all), strict=False) for name, rows in first.items()}
    before = published_before(context, section, parts[number], {name: known[name] for name in first})
    then = _in_pieces(context, without, section, known, None if before is None else before.changed)
    if before is not None:
        then = {name: before.joined_to(name, rows) for name, rows in then.items()}
    return made | first | then


def _in_pieces(
    context: BuildContext,
    functions: Sequence[Function],
    section: Section,
    known: Mapping[str, pl.DataFrame],
    athletes: pl.Series | None = None,
) -> dict[str, pl.DataFrame]:
    """What some functions of a part make of the athletes of a section, of so many at a time as may be in memory.

    Args:
        known: rows of all athletes that are in memory already, by table.
        athletes: whose rows they are given; None for everyone's.
    """
    if not functions:
        return {}
    frames = {}
    for name in {"runs", *(name for function in functions for name in function.reads)} & {*kept_parts(), *known}:
        if name in known:
            frames[name] = known[name] if athletes is None else known[name].filter(is_of(athletes))
        elif athletes is None:
            frames[name] = context.kept.of(name, section)
        else:
            frames[name] = context.kept.of_athletes(name, section, athletes)
    n_pieces = len(sections_of(frames["runs"]["athlete_id"].unique(), most=ATHLETES_AT_ONCE))
    pieces = [_made(context, functions, piece, frames) for piece in section.overlapping(section.of * n_pieces)]
    return {name: pl.concat(piece[name] for piece in pieces) for name in pieces[0]}


def _made(
    context: BuildContext, functions: Sequence[Function], piece: Section, frames: Mapping[str, pl.DataFrame]
) -> dict[str, pl.DataFrame]:
    """What functions of a part make of the athletes of a piece of a section, of the kept rows of the whole."""
    settings, made = context.inbox.settings, dict[str, pl.DataFrame]()
    own = {name: held(piece, rows) for name, rows in frames.items()} | context.inbox.lists
    if any("splits" in function.reads for function in functions):
        own["splits"] = read_athletes(context.built, "splits", own["runs"]["athlete_id"].unique().sort())
    for stage, function in _of_club():
        if function in functions:
            common = {"in_common": read_bundle(context.built, _in_common(function.name))} if function.in_common else {}
            tables = stage.tables_by(function, own, settings=settings, **common)
            # Of lists each piece takes the lines of its own athletes.
            made |= {name: held(piece, rows) for name, rows in tables.items()}
            own |= made
        elif all(name in context.inbox.lists for name in function.reads):
            own |= stage.tables_by(function, own, settings=settings)
    return made


def finish_club(context: BuildContext, sections: Sequence[Section]) -> None:
    """Run the stages that take the club as a whole, over what its sections told or gave, and write their tables."""
    told = _all_told(context, sections)
    frames, settings = dict(context.inbox.lists), context.inbox.settings
    made_from, registry = _provenance(context, told[_INPUTS]["sha256"].to_list()), settings.registry
    for stage, function in _of_club():
        if not function.by_athlete:
            own = {function.reads[0]: told[function.name]} if function.told is not None else {}
            frames |= {name: read_rows(context.built, name) for name in {*function.reads} - {*frames, *own}}
            for name, rows in stage.tables_by(function, frames | own, settings=settings).items():
                frames[name] = publishable(name, rows, subject="the club", registry=registry)
                file = context.built / "tables" / name / f"{name}.parquet"
                write_table(file, name, frames[name], made_from, registry)
    write_settings(context.built, settings_text(settings))
    write_names(context.built, context.inbox.athletes)


def _all_told(context: BuildContext, sections: Sequence[Section]) -> dict[str, pl.DataFrame]:
    """What the sections told, part by part, for the club as a whole."""
    told = defaultdict[str, list[pl.DataFrame]](list)
    for section, number in product(sections, range(len(parts_by_athlete()))):
        for name, rows in read_bundle(context.built, _told(section, number)).items():
            told[name].append(rows)
    # One that has nothing to tell may have no columns either.
    return {name: pl.concat(rows, how="diagonal") for name, rows in told.items()}


#: What a section tells of what its tables are made from, besides the frames of functions.
_INPUTS = "inputs"


def _of_club() -> list[tuple[Stage, Function]]:
    return [(stage, function) for stage in stages_of(CLUB) for function in stage.functions]


def _told(section: Section, number: int | None = None) -> str:
    """What a section tells: all athletes, or, of the tables of one of its parts, the club as a whole."""
    return f"{GATHERED}/told/{section.number}" + ("" if number is None else f"-{number}")


def _in_common(function: str) -> str:
    return f"{GATHERED}/in_common/{function}"


def write_output(context: BuildContext, output: str | Section) -> None:
    """Write the tables of the state being built for SQL users, or for spreadsheets.

    Args:
        output: one of `context.outputs`; for a section, the CSV files of its rows.
    """
    built, registry = context.built, context.inbox.settings.registry
    with written_here(built) as here:
        if output == DATABASE:
            write_database(built, here, registry)
        elif isinstance(output, Section):
            for name in filter(_is_by_section, EXPORTED):
                write_csv(here / "exports", output.file(name).removesuffix(".parquet"), _rows_of(built, name, output))
        else:
            sections = context.sections

            def rows_of(name: str) -> pl.DataFrame:
                return _first_rows(built, name, sections) if _is_by_section(name) else read_rows(built, name)

            whole = EXPORTED if len(sections) == 1 else [name for name in EXPORTED if not _is_by_section(name)]
            write_exports(here / "exports", rows_of, registry, as_csv=whole)
            ledger = pl.concat(rejected(_rows_of(built, "recordings", section)) for section in sections)
            write_rejected(here / "rejected", ledger.sort("path", "session"))
    give_back_freed_memory()


def _is_by_section(table: str) -> bool:
    """Whether each section writes its own part of a table."""
    whole = {name for _, function in _of_club() if not function.by_athlete for name in function.writes}
    return table not in whole


def _rows_of(built: Path, table: str, section: Section) -> pl.DataFrame:
    """The published rows of a section, in order of the table's key."""
    if table not in PARTITIONED:
        return read_file(built, f"tables/{table}/{section.file(table)}").sort(TABLES[table].primary_key())
    athletes = read_file(built, f"tables/runs/{section.file('runs')}", ["athlete_id"])
    return read_athletes(built, table, athletes["athlete_id"].unique().sort())


def _first_rows(built: Path, table: str, sections: Sequence[Section]) -> pl.DataFrame:
    """The first rows of a table; of a club in one section all, of a larger one as many as a workbook takes."""
    first, key = _rows_of(built, table, sections[0]), TABLES[table].primary_key()
    for section in sections[1:]:
        both = pl.concat([in_workbook(table, rows) for rows in (first, _rows_of(built, table, section))])
        first = in_workbook(table, both.sort(key))
    return first


def _digest_of_inputs(context: BuildContext, section: Section) -> str:
    """Of every recording of the athletes of a section, and of every list."""
    digest = hashlib.sha256()
    recordings = context.kept.of("recordings", section, ["path", "session", "sha256"]).sort("path", "session")
    for path, content in recordings.select("path", "sha256").iter_rows():
        digest.update(f"{path}\0{content}\n".encode())
    digest.update(context.inbox.lists_digest().encode())
    return digest.hexdigest()


def _provenance(context: BuildContext, inputs: Sequence[str]) -> Provenance:
    """What tables rest on: every recording and every list, by their digests in sections; every setting; and the code.

    The recordings of several sections have the digest of these digests: one over all in the order of their paths would
    be the same however a club is divided, but take one process through the ledger of all.
    """
    digest = inputs[0] if len(inputs) == 1 else hashlib.sha256("".join(inputs).encode()).hexdigest()
    return Provenance(digest, context.inbox.settings.digest(), own_version())
