"""The rows of the club gathered, section by section: what is known of the athletes left alone, and what is new."""

from __future__ import annotations

from collections import defaultdict

import polars as pl

from pipeline import ATHLETE, stages_of, tables_of
from pipeline.core.places import files_below
from pipeline.core.settings import Settings
from pipeline.refresh.context import RUN, BuildContext, SectionTask, changes_of, own_of
from pipeline.stages.responses import club_responses
from pipeline.store.bundles import read_bundle
from pipeline.store.known import KeptRows, of_files, write_part
from pipeline.tables import empty


def gather(context: BuildContext, task: SectionTask) -> None:
    """Write the rows of a section of the club into the state being built, for each table of these stages."""
    new: dict[str, list[pl.DataFrame]] = defaultdict(list)
    for file in files_below(context.built / own_of(task.section, after_club=task.after_club)):
        for table, rows in read_bundle(file.parent, file.name).items():
            new[table].append(rows)
    recomputed = read_bundle(context.built, changes_of(task.section))["recomputed"]
    without = dict.fromkeys(tables_of(ATHLETE, after_club=task.after_club), frozenset(recomputed["athlete_id"]))
    if not task.after_club:
        without |= dict.fromkeys(of_files(), frozenset(recomputed.filter("is_touched")["athlete_id"]))
    for table, athletes in without.items():
        frames = [*_stays(context.known, table, task, athletes), *new[table]]
        write_part(context.built, table, task.section, pl.concat(frames or [nothing(context.inbox.settings)[table]]))


def _stays(
    known: KeptRows | None, table: str, task: SectionTask, athletes: frozenset[str | None]
) -> list[pl.DataFrame]:
    if known is None:
        return []
    without = athletes | {one for one in known.athletes(task.section) if not task.section.holds(one)}
    stays = known.of_athletes(table, task.section, without, others=True)
    return [stays.filter(~pl.col("metric").is_in(task.metrics)) if task.metrics else stays]


def nothing(settings: Settings) -> dict[str, pl.DataFrame]:
    """The rows that are kept of a section without athletes."""
    parts = {name: empty(name) for name in ("recordings", "exclusions", "quality")} | {"runs": pl.DataFrame(schema=RUN)}
    for stage in stages_of(ATHLETE):
        parts |= stage.tables({"splits": empty("splits", settings.registry)}, settings=settings)
    return parts


def responses_of(rows: KeptRows, settings: Settings) -> pl.DataFrame:
    """What the responses of a state's club have in common."""
    responses = rows.all_of("responses")
    return club_responses(responses, speed_error_pct=settings.speed_error_pct, registry=settings.registry)
