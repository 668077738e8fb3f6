"""The rows of the club gathered, section by section: what is known of the athletes left alone, and what is new."""

from __future__ import annotations

from collections import defaultdict

import polars as pl

from pipeline import ATHLETE, stages_of
from pipeline.core.settings import Settings
from pipeline.refresh.context import RUN, BuildContext, SectionTask
from pipeline.stages.responses import club_responses
from pipeline.store.bundles import read_bundle
from pipeline.store.known import KeptRows, write_part
from pipeline.tables import empty


def gather(context: BuildContext, task: SectionTask) -> None:
    """Write the rows of a section of the club into the state being built, for each table that the task names."""
    new: dict[str, list[pl.DataFrame]] = defaultdict(list)
    for name in task.bundles:
        for table, rows in read_bundle(context.built, name).items():
            new[table].append(rows)
    for table in task.without:
        frames = [*_stays(context.known, table, task), *new[table]]
        write_part(context.built, table, task.section, pl.concat(frames or [nothing(context.inbox.settings)[table]]))


def _stays(known: KeptRows | None, table: str, task: SectionTask) -> list[pl.DataFrame]:
    if known is None:
        return []
    without = set(task.without[table]) | {one for one in known.athletes(task.section) if not task.section.holds(one)}
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
