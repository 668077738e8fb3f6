"""What the club's stages made of athletes in the refresh before, and would make of them again.

Where lists, settings and code are as they were, what a part of the stages `by_athlete` makes of an athlete follows from
that athlete's rows. Those that are compared here are unrounded, so that rows taken over are the same to the last digit.
Functions that take something in common are called with everyone's rows. Of what they conclude the published rows are
compared; what any run of the club moves in them (`Function.moved_by_all`) the functions after them are not given.
Splits, which are not kept apart, are not compared: those of everyone else are the files of the state before
(`by_section._link_untouched`).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import polars as pl

from pipeline import Function, parts_by_athlete
from pipeline.refresh.context import BuildContext, changes_of
from pipeline.store.bundles import read_bundle
from pipeline.store.known import KeptRows, kept_parts
from pipeline.store.layout import is_of, read_file
from pipeline.store.sections import Section
from pipeline.tables import in_order, publishable


@dataclass(frozen=True)
class PublishedBefore:
    """What of a section is taken over.

    Attributes:
        changed: the athletes whose rows are not, None among them for files that belong to nobody.
        rows: of all others, by table.
    """

    changed: pl.Series
    rows: dict[str, pl.DataFrame]

    def joined_to(self, table: str, made: pl.DataFrame) -> pl.DataFrame:
        """The rows of a table that were made of the athletes that changed, and those taken over."""
        of_changed = made.filter(is_of(self.changed))  # of lists a stage takes the lines of all athletes
        return in_order(pl.concat([self.rows[table], of_changed], how="diagonal_relaxed"), table)


def in_two(part: Sequence[Function]) -> tuple[list[Function], list[Function]]:
    """The functions of a part that are called with the rows of everyone, since something in common enters; and those
    after them, whose tables can be taken over.
    """
    n_with_all = max((place for place, function in enumerate(part, 1) if function.in_common), default=0)
    return list(part[:n_with_all]), list(part[n_with_all:])


def moved_by_all(functions: Sequence[Function]) -> list[str]:
    """Columns of what some functions make that any new run of the club may move."""
    return [name for function in functions for name in function.moved_by_all]


def published_before(
    context: BuildContext, section: Section, part: Sequence[Function], made: Mapping[str, pl.DataFrame]
) -> PublishedBefore | None:
    """What a part of the club's stages need not make again; None where it has to make all.

    Args:
        made: what the first functions of the part made of everyone, without what any new run of the club may move.

    Raises:
        Damaged: a file with these rows is not what was written.
    """
    known = context.known
    if known is None or not context.is_as_before or known.n_sections != section.of:
        return None
    changed = read_bundle(context.built, changes_of(section))["recomputed"]["athlete_id"]
    for name in {name for function in part for name in function.reads}.intersection(kept_parts()):
        before, now = (rows.of_athletes(name, section, changed, others=True) for rows in (known, context.kept))
        if not before.equals(now):
            return None
    registry = context.inbox.settings.registry
    for name, rows in made.items():
        now = publishable(name, rows, subject="the club", registry=registry)
        both = pl.concat(one.select(rows.columns) for one in (_published(known, name, section), now))
        changed = pl.concat([changed, both.filter(~both.is_duplicated())["athlete_id"]]).unique()
    _, without = in_two(part)
    tables = {name: _published(known, name, section) for function in without for name in function.writes}
    return PublishedBefore(changed, {name: rows.filter(~is_of(changed)) for name, rows in tables.items()})


def _published(known: KeptRows, table: str, section: Section) -> pl.DataFrame:
    return read_file(known.state, f"tables/{table}/{section.file(table)}")


def tables_taken_over() -> set[str]:
    """The tables from which the next refresh may take rows over, or which say whose it may."""
    parts = [[function for _, function in part] for part in parts_by_athlete()]
    return {name for part in parts for function in part for name in function.writes}
