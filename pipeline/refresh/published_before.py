"""What the club's stages made of athletes in the refresh before, and would make of them again.

Where lists, settings and code are as they were, what a part of the stages `by_athlete` makes of an athlete follows from
that athlete's rows. Those that are compared here are unrounded, so that rows taken over are the same to the last digit.
Splits, which are not kept apart, are not compared: those of everyone else are the files of the state before
(`by_section._link_untouched`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import polars as pl

from pipeline import Function, parts_by_athlete
from pipeline.refresh.context import BuildContext, changes_of
from pipeline.store.bundles import read_bundle
from pipeline.store.known import kept_parts
from pipeline.store.layout import is_of, read_file
from pipeline.store.sections import Section
from pipeline.tables import in_order


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


def published_before(context: BuildContext, section: Section, part: Sequence[Function]) -> PublishedBefore | None:
    """What a part of the club's stages need not make again; None where it has to make all.

    Raises:
        Damaged: a file with these rows is not what was written.
    """
    known = context.known
    if known is None or not context.is_as_before or known.n_sections != section.of:
        return None
    if not _may_be_taken_over(part):
        return None
    changed = read_bundle(context.built, changes_of(section))["recomputed"]["athlete_id"]
    for name in {name for function in part for name in function.reads}.intersection(kept_parts()):
        before, now = (rows.of_athletes(name, section, changed, others=True) for rows in (known, context.kept))
        if not before.equals(now):
            return None
    tables = dict.fromkeys(name for function in part for name in function.writes)
    published = {name: read_file(known.state, f"tables/{name}/{section.file(name)}") for name in tables}
    return PublishedBefore(changed, {name: rows.filter(~is_of(changed)) for name, rows in published.items()})


def tables_taken_over() -> set[str]:
    """The tables from which the next refresh may take rows over."""
    parts = [[function for _, function in part] for part in parts_by_athlete()]
    return {name for part in parts if _may_be_taken_over(part) for function in part for name in function.writes}


def _may_be_taken_over(part: Sequence[Function]) -> bool:
    return not any(function.in_common for function in part)  # which any new run may move
